//! The samples of a channel, decoded slice by slice.
//!
//! Values, counts and hashes depend on the stored numbers alone: not on their byte order, on chunks
//! or on how a caller slices the samples.

use std::path::PathBuf;

use hdf5::Dataset;
use hdf5::types::{FloatSize, H5Type, IntSize, TypeDescriptor};

use super::object::reason;
use super::{ChannelHeader, StoreError, Stretch};

/// Samples that are read at once when chunks are smaller.
const WINDOW: u64 = 1 << 16;

/// What was seen in the samples of a point.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Counters {
    /// Samples missing: not a finite number, the code for a missing sample, or in a gap.
    pub missing: u64,
    /// Samples at full scale, or within one code of it.
    pub clipped: u64,
    /// Index of the first missing sample in the point.
    pub first_missing: Option<u64>,
    /// Index of the first sample at full scale in the point.
    pub first_clipped: Option<u64>,
    /// Smallest value, in SI units.
    pub minimum: Option<f64>,
    /// Largest value, in SI units.
    pub maximum: Option<f64>,
}

/// Reads the samples of one channel, point by point.
pub struct ChannelReader {
    file: PathBuf,
    name: String,
    points: u64,
    samples: u64,
    stretches: Vec<Stretch>,
    decode: Decode,
    source: Box<dyn Source>,
}

impl ChannelReader {
    pub(super) fn new(dataset: Dataset, header: &ChannelHeader) -> Result<Self, StoreError> {
        let unfit = |found: String| {
            let expected = format!("{} as when its header was read", header.stored);
            StoreError::unfit(&header.file, &header.dataset, expected, found)
        };
        let broken = |e: hdf5::Error| unfit(reason(&e));
        let shape: Vec<u64> = dataset
            .space()
            .map_err(broken)?
            .shape()
            .into_iter()
            .map(|n| n as u64)
            .collect();
        let length = match header.stretches.is_empty() {
            true => header.samples,
            false => header.stretches.iter().map(|s| s.length).sum(),
        };
        let expected = if header.two_dimensional {
            vec![header.points, length]
        } else {
            vec![length]
        };
        if shape != expected {
            return Err(unfit(format!(
                "the shape {shape:?}; wait until the recording is complete"
            )));
        }
        let descriptor = dataset
            .dtype()
            .and_then(|d| d.to_descriptor())
            .map_err(broken)?;
        let chunk = dataset.chunk().and_then(|c| c.last().copied()).unwrap_or(0) as u64;
        let plain = Plain {
            dataset,
            two_dimensional: header.two_dimensional,
            length,
            chunk,
        };
        let (source, rails): (Box<dyn Source>, _) = match descriptor {
            TypeDescriptor::Integer(IntSize::U1) => Window::<i8>::boxed(plain),
            TypeDescriptor::Integer(IntSize::U2) => Window::<i16>::boxed(plain),
            TypeDescriptor::Integer(IntSize::U4) => Window::<i32>::boxed(plain),
            TypeDescriptor::Integer(IntSize::U8) => Window::<i64>::boxed(plain),
            TypeDescriptor::Unsigned(IntSize::U1) => Window::<u8>::boxed(plain),
            TypeDescriptor::Unsigned(IntSize::U2) => Window::<u16>::boxed(plain),
            TypeDescriptor::Unsigned(IntSize::U4) => Window::<u32>::boxed(plain),
            TypeDescriptor::Unsigned(IntSize::U8) => Window::<u64>::boxed(plain),
            TypeDescriptor::Float(FloatSize::U4) => Window::<f32>::boxed(plain),
            TypeDescriptor::Float(FloatSize::U8) => Window::<f64>::boxed(plain),
            other => return Err(unfit(other.to_string())),
        };
        Ok(ChannelReader {
            file: header.file.clone(),
            name: header.dataset.clone(),
            points: header.points,
            samples: header.samples,
            stretches: match header.stretches.is_empty() {
                true => vec![Stretch {
                    stored: 0,
                    grid: 0,
                    length,
                }],
                false => header.stretches.clone(),
            },
            decode: Decode::new(header, rails),
            source,
        })
    }

    /// Reads samples `start` to `start + out.len()` of a point, in SI units; NaN where one is missing.
    /// `hash` is given the stored numbers, little-endian, in the order of the samples.
    ///
    /// # Errors
    /// [`StoreError::Read`] when the library cannot read them or the point has no such samples.
    pub fn read(
        &mut self,
        point: u64,
        start: u64,
        out: &mut [f64],
        counters: &mut Counters,
        mut hash: Hash<'_, '_>,
    ) -> Result<(), StoreError> {
        let end = start.saturating_add(out.len() as u64);
        let fault = |why: String| StoreError::Read {
            file: self.file.clone(),
            name: self.name.clone(),
            start,
            end,
            why,
        };
        if point >= self.points || end > self.samples {
            return Err(fault(format!(
                "expected point below {} and samples up to {}",
                self.points, self.samples
            )));
        }
        let mut at = start;
        let mut next = self
            .stretches
            .partition_point(|s| s.grid + s.length <= start);
        while at < end {
            let rest = &mut out[(at - start) as usize..];
            match self.stretches.get(next) {
                Some(stretch) if stretch.grid <= at => {
                    let count = (stretch.grid + stretch.length).min(end) - at;
                    let stored = stretch.stored + (at - stretch.grid);
                    let mut slice = Slice {
                        out: &mut rest[..count as usize],
                        at,
                        counters,
                        decode: &self.decode,
                    };
                    self.source
                        .read(point, stored, &mut slice, &mut hash)
                        .map_err(|e| fault(reason(&e)))?;
                    at += count;
                    next += 1;
                }
                later => {
                    let count = later.map_or(end, |s| s.grid.min(end)) - at;
                    rest[..count as usize].fill(f64::NAN);
                    counters.missing += count;
                    counters.first_missing.get_or_insert(at);
                    at += count;
                }
            }
        }
        Ok(())
    }
}

/// Where decoded samples go, and where in the point they are.
struct Slice<'s> {
    out: &'s mut [f64],
    at: u64,
    counters: &'s mut Counters,
    decode: &'s Decode,
}

/// Takes stored numbers, if anyone wants them.
type Hash<'h, 'f> = Option<&'h mut (dyn FnMut(&[u8]) + 'f)>;

/// Stored numbers of any one type.
trait Source: Send {
    fn read(
        &mut self,
        row: u64,
        start: u64,
        slice: &mut Slice<'_>,
        hash: &mut Hash<'_, '_>,
    ) -> hdf5::Result<()>;
}

/// A dataset and its form.
struct Plain {
    dataset: Dataset,
    two_dimensional: bool,
    length: u64,
    /// Samples in a chunk; 0 when there are no chunks.
    chunk: u64,
}

/// The part of a row that was read last. It ends where chunks end, so that each chunk is decompressed
/// once, however small the slices are that a caller asks for and however large the chunk is.
struct Window<T> {
    plain: Plain,
    row: u64,
    start: u64,
    codes: Vec<T>,
    bytes: Vec<u8>,
}

impl<T: Code> Window<T> {
    fn boxed(plain: Plain) -> (Box<dyn Source>, Option<(f64, f64)>) {
        (
            Box::new(Window::<T> {
                plain,
                row: 0,
                start: 0,
                codes: Vec::new(),
                bytes: Vec::new(),
            }),
            T::RAILS,
        )
    }

    fn load(&mut self, row: u64, start: u64, count: u64) -> hdf5::Result<()> {
        let (from, to) = match self.plain.chunk {
            0 => (start, start + count),
            chunk => (
                start - start % chunk,
                (start + count.min(WINDOW))
                    .next_multiple_of(chunk)
                    .min(self.plain.length),
            ),
        };
        // The old window goes before the new one comes, so that no two are held.
        self.codes = Vec::new();
        let range = from as usize..to as usize;
        self.codes = match self.plain.two_dimensional {
            // The result keeps both dimensions: with one the library would not use its chunk cache.
            true => {
                let row = row as usize;
                self.plain
                    .dataset
                    .read_slice_2d::<T, _>((row..row + 1, range))?
                    .into_raw_vec_and_offset()
                    .0
            }
            false => {
                self.plain
                    .dataset
                    .read_slice_1d::<T, _>(range)?
                    .into_raw_vec_and_offset()
                    .0
            }
        };
        (self.row, self.start) = (row, from);
        Ok(())
    }
}

impl<T: Code> Source for Window<T> {
    fn read(
        &mut self,
        row: u64,
        start: u64,
        slice: &mut Slice<'_>,
        hash: &mut Hash<'_, '_>,
    ) -> hdf5::Result<()> {
        let mut done = 0;
        while done < slice.out.len() {
            let from = start + done as u64;
            let held = self.start..self.start + self.codes.len() as u64;
            if self.row != row || !held.contains(&from) {
                self.load(row, from, (slice.out.len() - done) as u64)?;
            }
            let codes = &self.codes[(from - self.start) as usize..];
            let codes = &codes[..codes.len().min(slice.out.len() - done)];
            let out = &mut slice.out[done..done + codes.len()];
            slice
                .decode
                .run(codes, out, slice.at + done as u64, slice.counters);
            if let Some(hash) = hash {
                self.bytes.resize(std::mem::size_of_val(codes), 0);
                T::little_endian(codes, &mut self.bytes);
                hash(&self.bytes);
            }
            done += codes.len();
        }
        Ok(())
    }
}

/// A type of stored numbers.
trait Code: H5Type + Copy + Send {
    /// Smallest and largest code, for integers.
    const RAILS: Option<(f64, f64)>;
    fn number(self) -> f64;
    fn little_endian(codes: &[Self], bytes: &mut [u8]);
}

macro_rules! codes {
    ($($type:ty: $rails:expr),+) => {$(
        impl Code for $type {
            const RAILS: Option<(f64, f64)> = $rails;
            fn number(self) -> f64 {
                self as f64
            }
            fn little_endian(codes: &[Self], bytes: &mut [u8]) {
                for (bytes, code) in bytes.chunks_exact_mut(size_of::<Self>()).zip(codes) {
                    bytes.copy_from_slice(&code.to_le_bytes());
                }
            }
        }
    )+};
}

codes! {
    i8: Some((i8::MIN as f64, i8::MAX as f64)), i16: Some((i16::MIN as f64, i16::MAX as f64)),
    i32: Some((i32::MIN as f64, i32::MAX as f64)), i64: Some((i64::MIN as f64, i64::MAX as f64)),
    u8: Some((0.0, u8::MAX as f64)), u16: Some((0.0, u16::MAX as f64)),
    u32: Some((0.0, u32::MAX as f64)), u64: Some((0.0, u64::MAX as f64)),
    f32: None, f64: None
}

/// From codes to SI values.
struct Decode {
    scale: f64,
    offset: f64,
    si: f64,
    /// NaN when no code stands for a missing sample.
    missing: f64,
    /// A code is at full scale when it is not above this,
    low: f64,
    /// or not below this.
    high: f64,
}

impl Decode {
    fn new(header: &ChannelHeader, rails: Option<(f64, f64)>) -> Self {
        let &ChannelHeader { scale, offset, .. } = header;
        let (mut low, mut high) = match rails {
            // Code 0 is a rail of an offset binary converter, but half of all samples of a logic level.
            Some((low, high)) => (
                if low == 0.0 && offset == 0.0 {
                    f64::NEG_INFINITY
                } else {
                    low
                },
                high,
            ),
            None => (f64::NEG_INFINITY, f64::INFINITY),
        };
        if let Some(full) = header.full_scale {
            // Two's complement ends one code short of full scale on the positive side.
            let code = if rails.is_some() && full >= 8.0 * scale.abs() {
                scale.abs()
            } else {
                0.0
            };
            let limit = (full - code) * (1.0 - 1e-9);
            let ends = [(-limit - offset) / scale, (limit - offset) / scale];
            low = low.max(ends[0].min(ends[1]));
            high = high.min(ends[0].max(ends[1]));
        }
        Decode {
            scale,
            offset,
            si: header.unit.si_factor(),
            missing: header.missing.unwrap_or(f64::NAN),
            low,
            high,
        }
    }

    fn run<T: Code>(&self, codes: &[T], out: &mut [f64], at: u64, counters: &mut Counters) {
        let mut odd = false;
        for (out, code) in out.iter_mut().zip(codes) {
            let code = code.number();
            odd |= !((code > self.low) & (code < self.high) & (code != self.missing));
            *out = (code * self.scale + self.offset) * self.si;
        }
        if odd {
            self.look(codes, out, at, counters);
        }
        counters.range(out);
    }

    /// Counts and marks what is missing or clipped; few slices need it.
    fn look<T: Code>(&self, codes: &[T], out: &mut [f64], at: u64, counters: &mut Counters) {
        for (index, (out, code)) in (at..).zip(out.iter_mut().zip(codes)) {
            let code = code.number();
            if !code.is_finite() || code == self.missing {
                *out = f64::NAN;
                counters.missing += 1;
                counters.first_missing.get_or_insert(index);
            } else if code <= self.low || code >= self.high {
                counters.clipped += 1;
                counters.first_clipped.get_or_insert(index);
            }
        }
    }
}

impl Counters {
    /// Takes in what was seen in later samples of the same point.
    pub fn join(&mut self, later: &Counters) {
        self.missing += later.missing;
        self.clipped += later.clipped;
        self.first_missing = self.first_missing.or(later.first_missing);
        self.first_clipped = self.first_clipped.or(later.first_clipped);
        let both = |a: Option<f64>, b: Option<f64>, pick: fn(f64, f64) -> f64| match (a, b) {
            (Some(a), Some(b)) => Some(pick(a, b)),
            (a, b) => a.or(b),
        };
        self.minimum = both(self.minimum, later.minimum, f64::min);
        self.maximum = both(self.maximum, later.maximum, f64::max);
    }

    /// Takes in the range of some values; eight at a time, which processors do at once.
    fn range(&mut self, values: &[f64]) {
        let mut low = [f64::INFINITY; 8];
        let mut high = [f64::NEG_INFINITY; 8];
        let mut eights = values.chunks_exact(8);
        let mut take = |lane: usize, value: f64| {
            // NaN is neither below nor above.
            low[lane] = if value < low[lane] { value } else { low[lane] };
            high[lane] = if value > high[lane] {
                value
            } else {
                high[lane]
            };
        };
        for eight in &mut eights {
            for (lane, &value) in eight.iter().enumerate() {
                take(lane, value);
            }
        }
        eights.remainder().iter().for_each(|&value| take(0, value));
        let low = low.into_iter().fold(f64::INFINITY, f64::min);
        let high = high.into_iter().fold(f64::NEG_INFINITY, f64::max);
        if low <= high {
            // Adding 0 makes -0 to 0, whichever of them came first.
            self.minimum = Some(self.minimum.map_or(low, |m| m.min(low)) + 0.0);
            self.maximum = Some(self.maximum.map_or(high, |m| m.max(high)) + 0.0);
        }
    }
}
