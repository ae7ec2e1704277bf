//! Kept samples of a chain that wait until all samples of their point were seen: in memory while they are few, else
//! in a file of their own without a name, which goes when the run ends, however it ends.

use std::io::{self, Read, Seek, SeekFrom, Write};
use std::ops::Range;

use num_complex::Complex64;
use tempfile::SpooledTempFile;

use crate::flow::Buffer;

/// Bytes of a chain's samples that are held in memory.
const NEAR: usize = 1 << 20;

/// Samples that are read at a time.
const PIECE: u64 = 1 << 12;

/// Bytes of a number.
const BYTES: usize = size_of::<f64>();

/// Samples laid aside, in order.
pub struct Aside {
    file: SpooledTempFile,
    /// Numbers of a sample: its two parts, and those of what a constant of one gives, where that is followed.
    numbers: usize,
    count: u64,
    bytes: Vec<u8>,
}

impl Aside {
    /// None yet; with `ones` for samples that come with what a constant of one gives.
    pub fn new(ones: bool) -> Self {
        Aside {
            file: SpooledTempFile::new(NEAR),
            numbers: if ones { 4 } else { 2 },
            count: 0,
            bytes: Vec::new(),
        }
    }

    /// Lays more samples aside.
    ///
    /// # Errors
    /// The file cannot be written.
    pub fn take(&mut self, kept: &[Complex64], ones: &[Complex64]) -> io::Result<()> {
        self.bytes.clear();
        let mut ones = ones.iter();
        for z in kept {
            for z in std::iter::once(z).chain(ones.next()) {
                self.bytes.extend(z.re.to_le_bytes());
                self.bytes.extend(z.im.to_le_bytes());
            }
        }
        self.count += kept.len() as u64;
        self.file.write_all(&self.bytes)
    }

    /// Ends it; `mean` is what is to be taken away from what went in, and `factor` multiplies what is left.
    pub fn finish(self, mean: f64, factor: f64) -> Kept {
        Kept {
            aside: self,
            mean,
            factor,
            from: 0,
            near: Vec::new(),
        }
    }
}

/// Samples that were laid aside, to be delivered.
pub struct Kept {
    aside: Aside,
    mean: f64,
    factor: f64,
    /// The first sample that is near, and those.
    from: u64,
    near: Vec<Complex64>,
}

impl Kept {
    /// Appends samples of the range, as far as there are any, to room for waves or phasors.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn deliver(&mut self, range: Range<u64>, room: &mut Buffer) -> io::Result<()> {
        let end = range.end.min(self.aside.count);
        let mut at = range.start;
        while at < end {
            let behind = self.from + self.near.len() as u64;
            if at < self.from || at >= behind {
                self.fetch(at)?;
                continue;
            }
            let near = (at - self.from) as usize..(end.min(behind) - self.from) as usize;
            let samples = &self.near[near];
            at += samples.len() as u64;
            match room {
                Buffer::Wave(room) => room.extend(samples.iter().map(|z| z.re)),
                Buffer::Phasor(room) => room.extend_from_slice(samples),
                _ => {}
            }
        }
        Ok(())
    }

    /// Brings samples from one on near.
    fn fetch(&mut self, from: u64) -> io::Result<()> {
        let Aside {
            file,
            numbers,
            count,
            bytes,
        } = &mut self.aside;
        let size = *numbers * BYTES;
        bytes.resize(PIECE.min(*count - from) as usize * size, 0);
        file.seek(SeekFrom::Start(from * size as u64))?;
        file.read_exact(bytes)?;
        let (all, _) = bytes.as_chunks::<BYTES>();
        let pair = |at: &[[u8; BYTES]]| {
            Complex64::new(f64::from_le_bytes(at[0]), f64::from_le_bytes(at[1]))
        };
        self.near.clear();
        self.near.extend(all.chunks_exact(*numbers).map(|sample| {
            let kept = match sample {
                [_, _, ones @ ..] if !ones.is_empty() => pair(sample) - pair(ones) * self.mean,
                _ => pair(sample),
            };
            kept * self.factor
        }));
        self.from = from;
        Ok(())
    }
}
