//! The samples of a channel, slice by slice.
//!
//! Values, counts and hashes depend on the stored numbers alone: not on their byte order, on chunks
//! or on how a caller slices the samples.

use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};

use super::codes::Decode;
use super::rows::{Latest, Rows};
use super::{ChannelHeader, Counters, StoreError, Stretch};

/// Reads the samples of one channel, point by point; several threads may at once.
pub struct ChannelReader {
    file: PathBuf,
    name: String,
    points: u64,
    /// Whether each has a row of the dataset.
    rows_apart: bool,
    samples: u64,
    stretches: Vec<Stretch>,
    decode: Decode,
    rows: Arc<Rows>,
    spare: Mutex<Vec<StoredSamples>>,
}

/// Samples as they are stored. Used again for the next ones, its room is too.
#[derive(Clone, Debug, Default)]
pub struct StoredSamples {
    /// May be longer than what is held.
    bytes: Vec<u8>,
    held: usize,
    /// Bytes of a number.
    size: usize,
    start: u64,
    length: usize,
    /// First sample and length of each part without a gap.
    parts: Vec<(u64, usize)>,
    latest: Option<Latest>,
}

/// Takes stored numbers, if anyone wants them.
type Hash<'h, 'f> = Option<&'h mut (dyn FnMut(&[u8]) + 'f)>;

impl StoredSamples {
    /// The stored numbers, little-endian, in the order of the samples: what is hashed. Gaps have none.
    pub fn bytes(&self) -> &[u8] {
        &self.bytes[..self.held]
    }

    /// Samples, those in gaps included.
    pub fn len(&self) -> usize {
        self.length
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.length == 0
    }
}

impl ChannelReader {
    pub(super) fn new(rows: Arc<Rows>, header: &ChannelHeader) -> Self {
        ChannelReader {
            file: header.file.clone(),
            name: header.dataset.clone(),
            points: header.points,
            rows_apart: header.two_dimensional,
            samples: header.samples,
            stretches: match header.stretches.is_empty() {
                true => vec![Stretch {
                    stored: 0,
                    grid: 0,
                    length: header.samples,
                }],
                false => header.stretches.clone(),
            },
            decode: Decode::new(header, rows.form.numbers.rails()),
            rows,
            spare: Mutex::default(),
        }
    }

    /// Whether samples are read without the library.
    #[cfg(test)]
    pub(super) fn is_direct(&self) -> bool {
        self.rows.form.is_direct()
    }

    /// Reads samples `start` to `start + out.len()` of a point, in SI units; NaN where one is missing.
    /// `hash` is given the stored numbers, little-endian, in the order of the samples.
    ///
    /// # Errors
    /// As [`ChannelReader::read_stored`].
    pub fn read(
        &self,
        point: u64,
        start: u64,
        out: &mut [f64],
        counters: &mut Counters,
        hash: Hash<'_, '_>,
    ) -> Result<(), StoreError> {
        let spare = || self.spare.lock().unwrap_or_else(PoisonError::into_inner);
        let mut stored = spare().pop().unwrap_or_default();
        let read = self.read_stored(point, start, out.len(), &mut stored);
        if read.is_ok() {
            if let Some(hash) = hash {
                hash(stored.bytes());
            }
            self.convert(&stored, 0, out, counters);
        }
        spare().push(stored);
        read
    }

    /// Reads samples `start` to `start + length` of a point as they are stored.
    ///
    /// Threads that read neighbouring blocks share the chunks that they decode: none is decoded twice.
    ///
    /// # Errors
    /// [`StoreError::Read`] when they cannot be read or the point has no such samples.
    pub fn read_stored(
        &self,
        point: u64,
        start: u64,
        length: usize,
        into: &mut StoredSamples,
    ) -> Result<(), StoreError> {
        let end = start.saturating_add(length as u64);
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
        let size = self.rows.form.numbers.size();
        (into.start, into.length, into.size, into.held) = (start, length, size, 0);
        into.parts.clear();
        // Room is made once and not cleared again: zeros would cost as much as the samples.
        if into.bytes.len() < length * size {
            into.bytes.resize(length * size, 0);
        }
        let row = if self.rows_apart { point } else { 0 };
        let next = self
            .stretches
            .partition_point(|s| s.grid + s.length <= start);
        for stretch in &self.stretches[next..] {
            let at = stretch.grid.max(start);
            if at >= end {
                break;
            }
            let count = (stretch.grid + stretch.length).min(end) - at;
            let room = &mut into.bytes[into.held..][..count as usize * size];
            self.rows
                .read(
                    row,
                    stretch.stored + (at - stretch.grid),
                    room,
                    &mut into.latest,
                )
                .map_err(fault)?;
            into.held += room.len();
            into.parts.push((at, count as usize));
        }
        Ok(())
    }

    /// Converts stored samples to SI units, NaN where one is missing, as many as `out` has room for and `from` of them
    /// later than the first, and takes note of what is seen in them.
    pub fn convert(
        &self,
        stored: &StoredSamples,
        from: usize,
        out: &mut [f64],
        seen: &mut Counters,
    ) {
        let missing = |seen: &mut Counters, at: u64, out: &mut [f64]| {
            if !out.is_empty() {
                out.fill(f64::NAN);
                seen.missing += out.len() as u64;
                seen.first_missing.get_or_insert(at);
            }
        };
        let mut bytes = stored.bytes();
        let (mut done, to) = (from, from + out.len());
        for &(at, count) in &stored.parts {
            let (part, rest) = bytes.split_at(count * stored.size);
            bytes = rest;
            let begins = (at - stored.start) as usize;
            let now = begins.max(from)..(begins + count).min(to);
            if now.is_empty() {
                continue;
            }
            let first = stored.start + done as u64;
            missing(seen, first, &mut out[done - from..now.start - from]);
            self.rows.form.numbers.convert(
                &self.decode,
                &part[(now.start - begins) * stored.size..(now.end - begins) * stored.size],
                &mut out[now.start - from..now.end - from],
                stored.start + now.start as u64,
                seen,
            );
            done = now.end;
        }
        let first = stored.start + done as u64;
        missing(seen, first, &mut out[done - from..]);
    }
}
