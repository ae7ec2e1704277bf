//! Stored numbers of each type: their little-endian bytes, and from codes to SI values.

use std::marker::PhantomData;
use std::ops::Range;

use hdf5::types::{FloatSize, H5Type, IntSize, TypeDescriptor};
use hdf5::{Dataset, Datatype};
use multiversion::multiversion;

use super::counters::ends_of;
use super::ends::{WINDOW, is_looked_at};
use super::{ChannelHeader, Counters};

/// Codes that are converted at once: what is looked at twice stays in the nearest cache.
const PIECE: usize = WINDOW as usize;

/// What can be done with the stored numbers of one type.
pub(super) trait Numbers: Sync {
    /// Bytes of one.
    fn size(&self) -> usize;
    /// Smallest and largest code, for integers.
    fn rails(&self) -> Option<(f64, f64)>;
    /// Whether numbers of a stored type are these, bit for bit, in little-endian order.
    fn are(&self, stored: &Datatype) -> bool;
    /// Bytes of the number that stands where nothing was written; `None` when none is defined.
    fn fill(&self, dataset: &Dataset) -> hdf5::Result<Option<Vec<u8>>>;
    /// Reads part of a row through the library.
    fn load(
        &self,
        dataset: &Dataset,
        row: Option<usize>,
        range: Range<usize>,
    ) -> hdf5::Result<Vec<u8>>;
    /// Converts the bytes of as many numbers as `out` has room for; the first is sample `at`.
    fn convert(&self, decode: &Decode, bytes: &[u8], out: &mut [f64], at: u64, seen: &mut Counters);
}

/// The numbers of a stored type; `None` when it is no number that samples may be.
pub(super) fn numbers(descriptor: &TypeDescriptor) -> Option<&'static dyn Numbers> {
    Some(match descriptor {
        TypeDescriptor::Integer(IntSize::U1) => Of::<i8>::NUMBERS,
        TypeDescriptor::Integer(IntSize::U2) => Of::<i16>::NUMBERS,
        TypeDescriptor::Integer(IntSize::U4) => Of::<i32>::NUMBERS,
        TypeDescriptor::Integer(IntSize::U8) => Of::<i64>::NUMBERS,
        TypeDescriptor::Unsigned(IntSize::U1) => Of::<u8>::NUMBERS,
        TypeDescriptor::Unsigned(IntSize::U2) => Of::<u16>::NUMBERS,
        TypeDescriptor::Unsigned(IntSize::U4) => Of::<u32>::NUMBERS,
        TypeDescriptor::Unsigned(IntSize::U8) => Of::<u64>::NUMBERS,
        TypeDescriptor::Float(FloatSize::U4) => Of::<f32>::NUMBERS,
        TypeDescriptor::Float(FloatSize::U8) => Of::<f64>::NUMBERS,
        _ => return None,
    })
}

struct Of<T>(PhantomData<fn() -> T>);

impl<T: Code> Of<T> {
    const NUMBERS: &'static dyn Numbers = &Of::<T>(PhantomData);
}

impl<T: Code> Numbers for Of<T> {
    fn size(&self) -> usize {
        size_of::<T>()
    }

    fn rails(&self) -> Option<(f64, f64)> {
        T::RAILS
    }

    fn are(&self, stored: &Datatype) -> bool {
        cfg!(target_endian = "little") && stored.is::<T>()
    }

    fn fill(&self, dataset: &Dataset) -> hdf5::Result<Option<Vec<u8>>> {
        let fill = dataset.dcpl()?.get_fill_value_as::<T>()?;
        Ok(fill.map(|code| T::little_endian(&[code])))
    }

    fn load(
        &self,
        dataset: &Dataset,
        row: Option<usize>,
        range: Range<usize>,
    ) -> hdf5::Result<Vec<u8>> {
        let codes = match row {
            // The result keeps both dimensions: with one the library would not use its chunk cache.
            Some(row) => dataset
                .read_slice_2d::<T, _>((row..row + 1, range))?
                .into_raw_vec_and_offset(),
            None => dataset
                .read_slice_1d::<T, _>(range)?
                .into_raw_vec_and_offset(),
        };
        Ok(T::little_endian(&codes.0))
    }

    fn convert(
        &self,
        decode: &Decode,
        bytes: &[u8],
        out: &mut [f64],
        at: u64,
        seen: &mut Counters,
    ) {
        let (mut bytes, mut out, mut at) = (bytes, out, at);
        while !out.is_empty() {
            // Pieces end where windows do.
            let count = (PIECE - (at % WINDOW) as usize).min(out.len());
            let (now, later) = bytes.split_at(count * size_of::<T>());
            let (part, rest) = std::mem::take(&mut out).split_at_mut(count);
            let extent = values::<T>(decode, now, part);
            let is_plain = decode.is_plain(&extent);
            // What is missing or at full scale is counted as such.
            let stands = is_plain && extent.low == extent.high;
            seen.still
                .take(at, count, stands.then(|| decode.value(extent.low)));
            let missing = seen.missing;
            let ends = if is_plain {
                // Each step of the conversion keeps or reverses order, so that ends stay ends.
                ends_of(&[decode.value(extent.low), decode.value(extent.high)])
            } else {
                decode.look(T::codes(now).map(T::number), part, at, seen);
                ends_of(part)
            };
            seen.range(ends);
            let whole = seen.missing == missing;
            seen.spans.take(at, count, ends.filter(|_| whole));
            if is_looked_at(at) {
                seen.ends.look(part);
            }
            (bytes, out, at) = (later, rest, at + count as u64);
        }
    }
}

/// Converts numbers to SI values; what they extend to. Compiled for what the processor has, with the same bits.
#[multiversion(targets("x86_64+avx2+avx512f+avx512vl", "x86_64+avx2"))]
fn values<T: Code>(decode: &Decode, bytes: &[u8], out: &mut [f64]) -> Extent {
    for (out, code) in out.iter_mut().zip(T::codes(bytes)) {
        *out = decode.value(code.number());
    }
    T::extent(bytes)
}

/// Smallest and largest of some codes.
struct Extent {
    low: f64,
    high: f64,
    /// Whether none of them is an infinity or NaN.
    finite: bool,
}

/// A type of stored numbers.
trait Code: H5Type + Copy + Send + 'static {
    const RAILS: Option<(f64, f64)>;
    fn number(self) -> f64;
    fn little_endian(codes: &[Self]) -> Vec<u8>;
    fn codes(bytes: &[u8]) -> impl Iterator<Item = Self>;
    fn extent(bytes: &[u8]) -> Extent;
}

macro_rules! code {
    ($type:ty, $rails:expr, $extent:expr) => {
        impl Code for $type {
            const RAILS: Option<(f64, f64)> = $rails;
            #[inline]
            fn number(self) -> f64 {
                self as f64
            }
            fn little_endian(codes: &[Self]) -> Vec<u8> {
                codes.iter().flat_map(|code| code.to_le_bytes()).collect()
            }
            #[inline]
            fn codes(bytes: &[u8]) -> impl Iterator<Item = Self> {
                let (codes, _) = bytes.as_chunks();
                codes.iter().map(|code| <$type>::from_le_bytes(*code))
            }
            #[inline]
            fn extent(bytes: &[u8]) -> Extent {
                $extent(bytes)
            }
        }
    };
}

macro_rules! integers {
    ($($type:ty),+) => {$(
        code!($type, Some((<$type>::MIN as f64, <$type>::MAX as f64)), |bytes| {
            let (low, high) = Self::codes(bytes).fold((<$type>::MAX, <$type>::MIN), |(low, high), code| {
                (low.min(code), high.max(code))
            });
            Extent { low: low as f64, high: high as f64, finite: true }
        });
    )+};
}

macro_rules! floats {
    ($($type:ty),+) => {$(
        code!($type, None, |bytes: &[u8]| {
            let mut low = [<$type>::INFINITY; 8];
            let mut high = [<$type>::NEG_INFINITY; 8];
            let mut finite = [true; 8];
            let (codes, _) = bytes.as_chunks::<{ size_of::<$type>() }>();
            let (eights, rest) = codes.as_chunks::<8>();
            let mut take = |lane: usize, bytes: [u8; size_of::<$type>()]| {
                let code = <$type>::from_le_bytes(bytes);
                low[lane] = if code < low[lane] { code } else { low[lane] };
                high[lane] = if code > high[lane] { code } else { high[lane] };
                finite[lane] &= code.is_finite();
            };
            for eight in eights {
                for (lane, &code) in eight.iter().enumerate() {
                    take(lane, code);
                }
            }
            rest.iter().for_each(|&code| take(0, code));
            Extent {
                low: f64::from(low.into_iter().fold(<$type>::INFINITY, <$type>::min)),
                high: f64::from(high.into_iter().fold(<$type>::NEG_INFINITY, <$type>::max)),
                finite: !finite.contains(&false),
            }
        });
    )+};
}

integers!(i8, i16, i32, i64, u8, u16, u32, u64);
floats!(f32, f64);

/// From codes to SI values.
pub(super) struct Decode {
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
    pub fn new(header: &ChannelHeader, rails: Option<(f64, f64)>) -> Self {
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

    #[inline]
    fn value(&self, code: f64) -> f64 {
        (code * self.scale + self.offset) * self.si
    }

    /// Whether no code in this range needs a second look.
    fn is_plain(&self, codes: &Extent) -> bool {
        codes.finite
            && codes.low > self.low
            && codes.high < self.high
            && !(codes.low <= self.missing && self.missing <= codes.high)
    }

    /// Counts and marks what is missing or clipped; few slices need it.
    fn look(
        &self,
        codes: impl Iterator<Item = f64>,
        out: &mut [f64],
        at: u64,
        seen: &mut Counters,
    ) {
        for (index, (out, code)) in (at..).zip(out.iter_mut().zip(codes)) {
            if !code.is_finite() || code == self.missing {
                *out = f64::NAN;
                seen.missing += 1;
                seen.infinite += u64::from(code.is_infinite());
                seen.first_missing.get_or_insert(index);
            } else if code <= self.low || code >= self.high {
                seen.clipped += 1;
                seen.first_clipped.get_or_insert(index);
            }
        }
    }
}
