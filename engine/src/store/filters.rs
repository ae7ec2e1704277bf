//! Filters undone outside the library and its lock: shuffle, deflate and Fletcher32.
//!
//! Their forms are those of the HDF5 File Format Specification, "Data Storage - Filter Pipeline Message".

use hdf5::Dataset;
use hdf5::filters::Filter;
use libdeflater::Decompressor;

/// The filters of a dataset in the order in which they were applied.
pub(super) struct Filters(Vec<Step>);

#[derive(Clone, Copy, Debug, PartialEq)]
enum Step {
    Shuffle,
    Deflate,
    Fletcher32,
}

/// The numbers of a chunk.
#[derive(Debug)]
pub(super) struct Decoded {
    pub bytes: Vec<u8>,
    /// Whether the first bytes of all numbers come first, then all second ones, and so on.
    shuffled: bool,
}

/// Room for work, used again from chunk to chunk.
pub(super) struct Room {
    /// The chunk as it is stored.
    pub stored: Vec<u8>,
    inflate: Decompressor,
}

impl Default for Room {
    fn default() -> Self {
        Room {
            stored: Vec::new(),
            inflate: Decompressor::new(),
        }
    }
}

impl Filters {
    /// The filters of a dataset; `None` when some cannot be undone here, or come in an unusual order.
    pub fn of(dataset: &Dataset) -> hdf5::Result<Option<Self>> {
        let mut steps = Vec::new();
        for filter in dataset.dcpl()?.get_filters()? {
            let step = match filter {
                Filter::Shuffle if steps.is_empty() => Step::Shuffle,
                Filter::Deflate(_) => Step::Deflate,
                Filter::Fletcher32 => Step::Fletcher32,
                _ => return Ok(None),
            };
            if steps.contains(&step) {
                return Ok(None);
            }
            steps.push(step);
        }
        Ok(Some(Filters(steps)))
    }

    /// The filters that a chunk went through; each bit of its mask stands for one that it skipped.
    fn applied(&self, mask: u32) -> impl DoubleEndedIterator<Item = Step> {
        let steps = self.0.iter().enumerate();
        steps.filter_map(move |(i, step)| (mask & (1 << i) == 0).then_some(*step))
    }

    /// Whether a chunk is stored as it is.
    pub fn are_skipped(&self, mask: u32) -> bool {
        self.applied(mask).next().is_none()
    }

    /// The numbers of the chunk in `room`, of `size` bytes; into a buffer to be used again.
    pub fn undo(
        &self,
        mask: u32,
        room: &mut Room,
        size: usize,
        mut bytes: Vec<u8>,
    ) -> Result<Decoded, String> {
        let Room { stored, inflate } = room;
        let mut shuffled = false;
        let mut inflated = false;
        let mut length = stored.len();
        for step in self.applied(mask).rev() {
            let current = if inflated { &bytes } else { &*stored };
            match step {
                Step::Shuffle => shuffled = true,
                Step::Fletcher32 => length = checked(&current[..length])?,
                Step::Deflate => {
                    // A sum taken before deflating is still behind the numbers.
                    let before = self.applied(mask).take_while(|s| *s != Step::Deflate);
                    let sums = before.filter(|s| *s == Step::Fletcher32).count();
                    bytes.resize(size + 4 * sums, 0);
                    length = inflate
                        .zlib_decompress(&stored[..length], &mut bytes)
                        .map_err(|_| "its deflated bytes cannot be inflated".to_owned())?;
                    inflated = true;
                }
            }
        }
        if length != size {
            return Err(format!("expected {size} bytes in it, found {length}"));
        }
        if inflated {
            bytes.truncate(length);
        } else {
            bytes.clear();
            bytes.extend_from_slice(&stored[..length]);
        }
        Ok(Decoded { bytes, shuffled })
    }
}

impl Decoded {
    /// Numbers as the library gave them.
    pub fn plain(bytes: Vec<u8>) -> Self {
        Decoded {
            bytes,
            shuffled: false,
        }
    }

    /// Copies the numbers of `width` bytes each from number `from` on, as many as there is room for.
    pub fn copy(&self, width: usize, from: usize, out: &mut [u8]) {
        let bytes = self.bytes.as_slice();
        match (self.shuffled, width) {
            (true, 2) => unshuffle::<2>(bytes, from, out),
            (true, 4) => unshuffle::<4>(bytes, from, out),
            (true, 8) => unshuffle::<8>(bytes, from, out),
            _ => out.copy_from_slice(&bytes[from * width..][..out.len()]),
        }
    }
}

/// Numbers of `W` bytes from planes: all first bytes, then all second ones, and so on.
fn unshuffle<const W: usize>(planes: &[u8], from: usize, out: &mut [u8]) {
    /// Numbers that are put together at once.
    const RUN: usize = 64;
    let length = planes.len() / W;
    let (numbers, _) = out.as_chunks_mut::<W>();
    let planes: [&[u8]; W] =
        std::array::from_fn(|plane| &planes[plane * length + from..][..numbers.len()]);
    let whole = planes.map(|plane| plane.as_chunks::<RUN>().0);
    let (runs, rest) = numbers.as_chunks_mut::<RUN>();
    let rest_from = runs.len() * RUN;
    for (run, numbers) in runs.iter_mut().enumerate() {
        let bytes = whole.map(|plane| &plane[run]);
        for (i, number) in numbers.iter_mut().enumerate() {
            *number = std::array::from_fn(|plane| bytes[plane][i]);
        }
    }
    for (i, number) in (rest_from..).zip(rest) {
        *number = std::array::from_fn(|plane| planes[plane][i]);
    }
}

/// Length without the checksum at the end, once that fits.
fn checked(bytes: &[u8]) -> Result<usize, String> {
    let Some((data, sum)) = bytes.split_last_chunk::<4>() else {
        return Err("it is shorter than its Fletcher32 checksum".into());
    };
    let found = fletcher32(data);
    // Early versions of the library swapped the bytes of both halves.
    let swapped = ((found & 0x00ff_00ff) << 8) | ((found >> 8) & 0x00ff_00ff);
    match u32::from_le_bytes(*sum) {
        stored if stored == found || stored == swapped => Ok(data.len()),
        _ => Err("data error detected by Fletcher32 checksum".into()),
    }
}

/// Sums of big-endian 16-bit words in ones' complement (J. G. Fletcher, "An Arithmetic Checksum for Serial
/// Transmissions", IEEE Trans. Commun. COM-30, 247, 1982); a last odd byte is a word's upper one.
fn fletcher32(bytes: &[u8]) -> u32 {
    // As many as the second sum has room for, in 32 bits: a folded first sum is at most 65535 + 366, a
    // folded second one 131070, and 360 361/2 65535 + 360 65901 + 131070 < 2^32.
    const WORDS: usize = 360;
    let fold = |sum: u32| (sum & 0xffff) + (sum >> 16);
    let (mut first, mut second) = (0u32, 0u32);
    for run in bytes.chunks(2 * WORDS) {
        let (words, odd) = run.as_chunks::<2>();
        let words = words.iter().map(|w| u16::from_be_bytes(*w));
        for word in words.chain(odd.first().map(|&byte| u16::from(byte) << 8)) {
            first += u32::from(word);
            second += first;
        }
        (first, second) = (fold(first), fold(second));
    }
    (fold(second) << 16) | fold(first)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// With exact integers modulo 65535, for which ones' complement has two forms of zero.
    #[test]
    fn sums_are_those_of_the_definition() {
        let bytes: Vec<u8> = (0..100_003u32).map(|i| (i * 7919 % 251) as u8).collect();
        for length in [1, 2, 3, 719, 720, 721, 1440, 100_003] {
            let mut words: Vec<u64> = bytes[..length]
                .chunks(2)
                .map(|w| u64::from(w[0]) << 8 | u64::from(w.get(1).copied().unwrap_or(0)))
                .collect();
            let first = words.iter().sum::<u64>() % 65535;
            words.reverse();
            let second = (1..).zip(&words).map(|(n, w)| n * w).sum::<u64>() % 65535;
            let found = u64::from(fletcher32(&bytes[..length]));
            assert_eq!(
                [found >> 16 & 0xffff, found & 0xffff].map(|sum| sum % 65535),
                [second, first],
                "{length} bytes"
            );
        }
        assert_eq!(fletcher32(&[0; 8]), 0);
        assert_eq!(fletcher32(&[0xff; 8]), 0xffff_ffff);
    }

    #[test]
    fn planes_become_numbers() {
        fn of<const W: usize>() {
            let numbers: Vec<u8> = (0..1000 * W).map(|i| (i * 31 % 253) as u8).collect();
            let planes = (0..W).flat_map(|k| numbers.iter().skip(k).step_by(W).copied());
            let decoded = Decoded {
                bytes: planes.collect(),
                shuffled: true,
            };
            for (from, count) in [(0, 1000), (1, 63), (64, 64), (900, 100), (999, 1), (5, 0)] {
                let mut out = vec![0; count * W];
                decoded.copy(W, from, &mut out);
                assert_eq!(out, numbers[from * W..][..count * W], "{W} {from} {count}");
            }
        }
        of::<1>();
        of::<2>();
        of::<4>();
        of::<8>();
    }
}
