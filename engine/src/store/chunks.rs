//! Where the numbers of a dataset are in its file: asked once of the library.

use hdf5::Dataset;
use hdf5::plist::dataset_create::{ChunkOpts, Layout};

use super::codes::{Numbers, numbers};
use super::filters::Filters;
use super::object::reason;
use super::{ChannelHeader, StoreError};

/// Numbers that the library reads at once when chunks are smaller.
const WINDOW: u64 = 1 << 16;
/// Entries in a table of chunks, at most: 24 MiB.
const MOST_CHUNKS: u64 = 1 << 20;

/// The form of a dataset: rows of numbers, of which some make a chunk with those beside and below them.
pub(super) struct Form {
    pub numbers: &'static dyn Numbers,
    pub two_dimensional: bool,
    points: u64,
    pub length: u64,
    /// Points that a chunk spans, and numbers of each of them.
    pub chunk: [u64; 2],
    pub place: Place,
}

/// Where the numbers are.
pub(super) enum Place {
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
pub(super) struct Chunk {
    /// [`Chunk::ABSENT`] when nothing was written, [`Chunk::LOST`] when the file's table is damaged there.
    pub address: u64,
    pub size: u64,
    /// Bits of filters that it skipped.
    pub mask: u32,
}

impl Chunk {
    pub const ABSENT: u64 = u64::MAX;
    pub const LOST: u64 = u64::MAX - 1;
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
        let length = header.row;
        let points = rows(header);
        let expected = match header.two_dimensional {
            true => vec![points, length],
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
            _ => [points, length],
        };
        let mut form = Form {
            numbers,
            two_dimensional: header.two_dimensional,
            points,
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
        let told = (header.two_dimensional, rows(header), header.row);
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
    pub fn across(&self) -> u64 {
        self.length.div_ceil(self.chunk[1])
    }

    /// Rows of chunks.
    fn down(&self) -> u64 {
        self.points.div_ceil(self.chunk[0])
    }

    pub fn chunk_bytes(&self) -> usize {
        let [points, numbers] = self.chunk;
        (points.saturating_mul(numbers) as usize).saturating_mul(self.numbers.size())
    }

    /// A chunk in words.
    pub fn words(&self, index: u64, chunk: Option<&Chunk>) -> String {
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

/// Rows of a dataset: its points, unless they are parts of one record.
fn rows(header: &ChannelHeader) -> u64 {
    match header.two_dimensional {
        true => header.points,
        false => 1,
    }
}
