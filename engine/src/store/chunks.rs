//! Where the numbers of a dataset are in its file, and reading them from there.
//!
//! What the library keeps in one piece, or in chunks with the usual filters, is read beside it, so that
//! threads do not wait for its lock. Anything else goes through the library: the numbers are the same.

use std::fs::File;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use hdf5::Dataset;
use hdf5::plist::dataset_create::{ChunkOpts, Layout};

use super::cache::{Cache, Slot};
use super::codes::{Numbers, numbers};
use super::filters::{Decoded, Filters, Room};
use super::object::reason;
use super::{ChannelHeader, StoreError};

/// Numbers that the library reads at once when chunks are smaller.
const WINDOW: u64 = 1 << 16;
/// Entries in a table of chunks, at most: 24 MiB.
const MOST_CHUNKS: u64 = 1 << 20;
/// Bytes of decoded chunks that are kept.
const KEPT: usize = 8 << 20;
/// The same where chunks span points, and the next point needs them again.
const KEPT_FOR_POINTS: usize = 32 << 20;

/// The form of a dataset: rows of numbers, of which some make a chunk with those beside and below them.
pub(super) struct Form {
    pub numbers: &'static dyn Numbers,
    two_dimensional: bool,
    points: u64,
    length: u64,
    /// Points that a chunk spans, and numbers of each of them.
    chunk: [u64; 2],
    place: Place,
}

/// Where the numbers are.
enum Place {
    /// In pieces of the file, row by row of chunks.
    File {
        chunks: Vec<Chunk>,
        filters: Filters,
        /// Bytes of the number that stands where no chunk was written.
        fill: Vec<u8>,
    },
    /// Where only the library finds them.
    Library,
}

/// A piece of the file.
#[derive(Clone, Copy)]
struct Chunk {
    /// [`Chunk::ABSENT`] when nothing was written, [`Chunk::LOST`] when the file's table is damaged there.
    address: u64,
    size: u64,
    /// Bits of filters that it skipped.
    mask: u32,
}

impl Chunk {
    const ABSENT: u64 = u64::MAX;
    const LOST: u64 = u64::MAX - 1;
    const NONE: Chunk = Chunk {
        address: Chunk::ABSENT,
        size: 0,
        mask: 0,
    };
}

impl Form {
    /// The form of a dataset, which must be as its header says.
    pub fn of(dataset: &Dataset, header: &ChannelHeader) -> Result<Self, StoreError> {
        let unfit = |found: String| {
            let expected = format!("{} as when its header was read", header.stored);
            StoreError::unfit(&header.file, &header.dataset, expected, found)
        };
        let broken = |e: hdf5::Error| unfit(reason(&e));
        let shape = dataset.space().map_err(broken)?.shape();
        let shape: Vec<u64> = shape.into_iter().map(|n| n as u64).collect();
        let length = stored_length(header);
        let expected = match header.two_dimensional {
            true => vec![header.points, length],
            false => vec![length],
        };
        if shape != expected {
            return Err(unfit(format!(
                "the shape {shape:?}; wait until the recording is complete"
            )));
        }
        let descriptor = dataset.dtype().and_then(|d| d.to_descriptor());
        let descriptor = descriptor.map_err(broken)?;
        let Some(numbers) = numbers(&descriptor) else {
            return Err(unfit(descriptor.to_string()));
        };
        let chunk = match dataset.chunk().as_deref() {
            Some(&[numbers]) => [1, numbers as u64],
            Some(&[points, numbers]) => [points as u64, numbers as u64],
            _ => [header.points, length],
        };
        let mut form = Form {
            numbers,
            two_dimensional: header.two_dimensional,
            points: header.points,
            length,
            chunk,
            place: Place::Library,
        };
        form.place = form.find(dataset).map_err(broken)?;
        if matches!(form.place, Place::Library) {
            let width = if dataset.is_chunked() { chunk[1] } else { 1 };
            form.chunk = [1, WINDOW.next_multiple_of(width).min(length)];
        }
        Ok(form)
    }

    /// Whether a header tells of such a dataset.
    pub fn fits(&self, header: &ChannelHeader) -> bool {
        let told = (header.two_dimensional, header.points, stored_length(header));
        told == (self.two_dimensional, self.points, self.length)
    }

    fn find(&self, dataset: &Dataset) -> hdf5::Result<Place> {
        let plist = dataset.dcpl()?;
        let layout = plist.get_layout()?;
        let whole_edges = !plist
            .get_chunk_opts()?
            .is_some_and(|o| o.contains(ChunkOpts::DONT_FILTER_PARTIAL_CHUNKS));
        let usual = match layout {
            Layout::Contiguous => plist.get_external()?.is_empty(),
            Layout::Chunked => whole_edges,
            _ => false,
        };
        let count = self.across().saturating_mul(self.down());
        if !usual || count > MOST_CHUNKS || !self.numbers.are(&dataset.dtype()?) {
            return Ok(Place::Library);
        }
        let (Some(filters), Some(fill)) = (Filters::of(dataset)?, self.numbers.fill(dataset)?)
        else {
            return Ok(Place::Library);
        };
        let mut chunks = vec![Chunk::NONE; count as usize];
        if layout == Layout::Contiguous {
            // With a user block the library gives an address even where nothing was written.
            let address = dataset.offset().filter(|_| dataset.storage_size() > 0);
            chunks[0].address = address.unwrap_or(Chunk::ABSENT);
            chunks[0].size = self.chunk_bytes() as u64;
        } else {
            self.list(dataset, &mut chunks)?;
        }
        Ok(Place::File {
            chunks,
            filters,
            fill,
        })
    }

    /// Lists where the chunks are. One that is listed twice is lost, and so are those that are missing in a
    /// list with others that cannot be.
    fn list(&self, dataset: &Dataset, chunks: &mut [Chunk]) -> hdf5::Result<()> {
        let mut damaged = false;
        dataset.chunks_visit(|found| {
            let (row, at) = match *found.offset {
                [at] => (0, at),
                [row, at] => (row, at),
                _ => (u64::MAX, u64::MAX),
            };
            let (down, across) = (row / self.chunk[0], at / self.chunk[1]);
            let fits = down < self.down() && across < self.across();
            let index = (down.saturating_mul(self.across())).saturating_add(across);
            match chunks.get_mut(index as usize).filter(|_| fits) {
                Some(chunk) if chunk.address == Chunk::ABSENT => {
                    *chunk = Chunk {
                        address: found.addr,
                        size: found.size,
                        mask: found.filter_mask,
                    };
                }
                Some(twice) => (twice.address, damaged) = (Chunk::LOST, true),
                None => damaged = true,
            }
            0
        })?;
        if damaged {
            let absent = chunks.iter_mut().filter(|c| c.address == Chunk::ABSENT);
            absent.for_each(|chunk| chunk.address = Chunk::LOST);
        }
        Ok(())
    }

    /// Whether chunks hold samples of several points.
    pub fn spans_points(&self) -> bool {
        self.two_dimensional && self.chunk[0] > 1 && self.down() * self.across() > 1
    }

    /// Whether numbers are read without the library.
    #[cfg(test)]
    pub fn is_direct(&self) -> bool {
        matches!(self.place, Place::File { .. })
    }

    /// Chunks along a row.
    fn across(&self) -> u64 {
        self.length.div_ceil(self.chunk[1])
    }

    /// Rows of chunks.
    fn down(&self) -> u64 {
        self.points.div_ceil(self.chunk[0])
    }

    fn chunk_bytes(&self) -> usize {
        let [points, numbers] = self.chunk;
        (points.saturating_mul(numbers) as usize).saturating_mul(self.numbers.size())
    }

    /// A chunk in words.
    fn words(&self, index: u64, chunk: Option<&Chunk>) -> String {
        let ends = |of: u64, size: u64, all: u64| [of * size, (of * size + size).min(all)];
        let [first, last] = ends(index % self.across(), self.chunk[1], self.length);
        let mut words = format!("the chunk of samples {first} to {last}");
        if self.two_dimensional {
            let [first, last] = ends(index / self.across(), self.chunk[0], self.points);
            words += &format!(" of points {first} to {last}");
        }
        if let Some(chunk) = chunk {
            words += &format!(" ({} bytes at byte {})", chunk.size, chunk.address);
        }
        words
    }
}

/// Samples of each point that are in the dataset.
fn stored_length(header: &ChannelHeader) -> u64 {
    match header.stretches.is_empty() {
        true => header.samples,
        false => header.stretches.iter().map(|s| s.length).sum(),
    }
}

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
                let loaded = form.numbers.load(dataset, row, range);
                return loaded.map(Decoded::plain).map_err(|e| reason(&e));
            }
        };
        let chunk = &chunks[index as usize];
        let bytes = form.chunk_bytes();
        let mut room = self.take_room();
        // No chunk grows by more than this: deflate by 5 bytes for each 16 KiB (RFC 1951, 3.2.4).
        let decoded = match chunk.size <= (bytes + bytes / 1024 + 1024) as u64 {
            true => {
                room.stored.resize(chunk.size as usize, 0);
                self.fetch(chunk.address, &mut room.stored)
                    .and_then(|()| filters.undo(chunk.mask, &mut room, bytes, buffer))
            }
            false => Err("it is larger than what it can hold".into()),
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
            std::io::ErrorKind::UnexpectedEof => "the file ends before it; copy it again".into(),
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
