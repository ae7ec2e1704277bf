//! Reading the numbers of a dataset.
//!
//! What the library keeps in one piece, or in chunks with the usual filters, is read beside it, so that
//! threads do not wait for its lock. Anything else goes through the library: the numbers are the same.

use std::fs::File;
use std::ops::Range;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use hdf5::Dataset;

use super::cache::{Cache, Slot};
use super::chunks::{Chunk, Form, Place};
use super::filters::{Decoded, Room};
use super::object::reason;
use super::{ChannelHeader, StoreError};

/// Bytes of decoded chunks that are kept.
const KEPT: usize = 8 << 20;
/// The same where chunks span points, and the next point needs them again.
const KEPT_FOR_POINTS: usize = 32 << 20;

/// The chunk that a thread read last. It keeps that while it reads on, whatever others do.
#[derive(Clone, Debug)]
pub(super) struct Latest {
    rows: u64,
    index: u64,
    slot: Arc<Slot>,
}

/// A dataset that is open for reading, by any number of threads at once.
pub(super) struct Rows {
    pub form: Arc<Form>,
    /// No other has this number.
    number: u64,
    file: File,
    /// For what only the library finds.
    dataset: Option<Dataset>,
    cache: Cache,
    rooms: Mutex<Vec<Room>>,
}

impl Rows {
    /// Opens the file at `header.file`; `dataset` is asked for where the form needs the library.
    pub fn open(
        form: Arc<Form>,
        header: &ChannelHeader,
        dataset: impl FnOnce() -> Result<Dataset, StoreError>,
    ) -> Result<Self, StoreError> {
        let dataset = match form.place {
            Place::Library => Some(dataset()?),
            Place::File { .. } => None,
        };
        let file = File::open(&header.file).map_err(|e| StoreError::Open {
            file: header.file.clone(),
            found: e.to_string().to_lowercase(),
            remedy: "check the disk and the path".into(),
        })?;
        let kept = match form.spans_points() {
            true => KEPT_FOR_POINTS,
            false => KEPT,
        };
        static NEXT: AtomicU64 = AtomicU64::new(0);
        Ok(Rows {
            number: NEXT.fetch_add(1, Ordering::Relaxed),
            cache: Cache::new(kept, form.chunk_bytes()),
            form,
            file,
            dataset,
            rooms: Mutex::default(),
        })
    }

    /// Reads numbers of a row from `start` on, little-endian, as many as `out` has room for.
    pub fn read(
        &self,
        row: u64,
        start: u64,
        out: &mut [u8],
        latest: &mut Option<Latest>,
    ) -> Result<(), String> {
        let form = &*self.form;
        let size = form.numbers.size();
        let end = start + (out.len() / size) as u64;
        let first = row / form.chunk[0] * form.across();
        let last = first + form.across() - 1;
        let mut at = start;
        let mut rest = out;
        while at < end {
            let within = at % form.chunk[1];
            let count = (form.chunk[1] - within).min(end - at);
            let (part, later) = rest.split_at_mut(count as usize * size);
            let index = first + at / form.chunk[1];
            let number = row % form.chunk[0] * form.chunk[1] + within;
            self.part([index, last], number as usize, part, latest)?;
            at += count;
            rest = later;
        }
        Ok(())
    }

    /// Reads numbers of a chunk; `last` is the last one of its row.
    fn part(
        &self,
        [index, last]: [u64; 2],
        number: usize,
        out: &mut [u8],
        latest: &mut Option<Latest>,
    ) -> Result<(), String> {
        let size = self.form.numbers.size();
        if let Place::File {
            chunks,
            filters,
            fill,
        } = &self.form.place
        {
            let chunk = &chunks[index as usize];
            if chunk.address == Chunk::ABSENT {
                match fill.iter().all(|byte| *byte == fill[0]) {
                    true => out.fill(fill[0]),
                    false => out
                        .chunks_exact_mut(size)
                        .for_each(|out| out.copy_from_slice(fill)),
                }
                return Ok(());
            }
            if chunk.address == Chunk::LOST {
                let words = self.form.words(index, None);
                return Err(format!(
                    "{words}: the file's table of chunks is damaged there"
                ));
            }
            if filters.are_skipped(chunk.mask) {
                let within = (number * size) as u64;
                let fits = within + out.len() as u64 <= chunk.size;
                return match fits {
                    true => self.fetch(chunk.address.saturating_add(within), out),
                    false => Err(format!("expected {} bytes", self.form.chunk_bytes())),
                }
                .map_err(|why| format!("{}: {why}", self.form.words(index, Some(chunk))));
            }
        }
        let known = latest
            .take()
            .filter(|l| (l.rows, l.index) == (self.number, index));
        let latest = latest.insert(known.unwrap_or_else(|| {
            Latest {
                rows: self.number,
                index,
                slot: self
                    .cache
                    .get(index, last, |i, buffer| self.decode(i, buffer)),
            }
        }));
        match latest.slot.get() {
            Some(Ok(decoded)) => {
                decoded.copy(size, number, out);
                Ok(())
            }
            Some(Err(why)) => Err(why.clone()),
            None => Err("it was not decoded".into()),
        }
    }

    fn decode(&self, index: u64, buffer: Vec<u8>) -> Result<Decoded, String> {
        let form = &*self.form;
        let (chunks, filters) = match (&form.place, &self.dataset) {
            (
                Place::File {
                    chunks, filters, ..
                },
                _,
            ) => (chunks, filters),
            (Place::Library, dataset) => {
                let row = form
                    .two_dimensional
                    .then_some((index / form.across()) as usize);
                let start = index % form.across() * form.chunk[1];
                let range = start as usize..(start + form.chunk[1]).min(form.length) as usize;
                let dataset = dataset.as_ref().ok_or("the dataset is not open")?;
                let load = |range: Range<usize>| form.numbers.load(dataset, row, range);
                return load(range.clone()).map(Decoded::plain).map_err(|e| {
                    // Several chunks are loaded at once, of which one is damaged.
                    let width = dataset.chunk().and_then(|c| c.last().copied());
                    let width = width.unwrap_or(range.len()).max(1);
                    let mut chunks = (range.clone().step_by(width))
                        .map(|first| first..(first + width).min(range.end));
                    match chunks.find(|chunk| load(chunk.clone()).is_err()) {
                        Some(Range { start, end }) => {
                            format!("the chunk of samples {start} to {end}: {}", reason(&e))
                        }
                        None => reason(&e),
                    }
                });
            }
        };
        let chunk = &chunks[index as usize];
        let bytes = form.chunk_bytes();
        let mut room = self.take_room();
        // No writer lets a chunk grow that much; a damaged table would have us make any room.
        let decoded = match chunk.size <= 2 * bytes as u64 + 4096 {
            true => {
                room.stored.resize(chunk.size as usize, 0);
                self.fetch(chunk.address, &mut room.stored)
                    .and_then(|()| filters.undo(chunk.mask, &mut room, bytes, buffer))
            }
            false => Err("it is larger than it can be".into()),
        };
        self.rooms
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .push(room);
        decoded.map_err(|why| format!("{}: {why}", form.words(index, Some(chunk))))
    }

    fn take_room(&self) -> Room {
        let mut rooms = self.rooms.lock().unwrap_or_else(PoisonError::into_inner);
        rooms.pop().unwrap_or_default()
    }

    /// Reads bytes of the file.
    fn fetch(&self, address: u64, out: &mut [u8]) -> Result<(), String> {
        read_at(&self.file, address, out).map_err(|e| match e.kind() {
            std::io::ErrorKind::UnexpectedEof => "the file ends before it".into(),
            _ => e.to_string().to_lowercase(),
        })
    }
}

#[cfg(unix)]
fn read_at(file: &File, address: u64, out: &mut [u8]) -> std::io::Result<()> {
    std::os::unix::fs::FileExt::read_exact_at(file, out, address)
}

#[cfg(windows)]
fn read_at(file: &File, mut address: u64, mut out: &mut [u8]) -> std::io::Result<()> {
    while !out.is_empty() {
        match std::os::windows::fs::FileExt::seek_read(file, out, address)? {
            0 => return Err(std::io::ErrorKind::UnexpectedEof.into()),
            count => {
                address += count as u64;
                out = &mut out[count..];
            }
        }
    }
    Ok(())
}
