//! A channel read slab by slab, by whatever thread is free: its stored samples hashed, converted, and handed on piece by
//! piece while the processor has them near.

use std::time::{Duration, Instant};

use blake3::hazmat::{
    ChainingValue, HasherExt, Mode, merge_subtrees_non_root, merge_subtrees_root,
};

use super::Monitor;
use super::lane::LaneInput;
use crate::fuse::group::SLAB;
use crate::store::{Counters, StoreError, StoredSamples};

/// Samples that are read and hashed at a time.
const PIECE: usize = 1 << 15;

/// Samples of them that are converted at a time, so that they are worked on while the processor has them near.
const NEAR: usize = 1 << 11;

/// A channel that is read.
pub(super) struct Channel<'c> {
    pub input: &'c LaneInput<'c>,
    /// The pass, for timings.
    pub pass: usize,
    /// Names of the channel and of what is done with its samples, for timings.
    pub names: [String; 2],
    pub monitor: &'c Monitor,
}

/// What was seen of a channel.
pub struct Seen {
    /// What there is to remark on.
    pub counters: Counters,
    /// Hash of the stored samples.
    pub hash: blake3::Hash,
    /// The mean of the samples.
    pub mean: f64,
}

impl Channel<'_> {
    /// Samples of the channel.
    pub fn samples(&self) -> u64 {
        self.input.header.samples
    }

    /// Samples of a slab, from the first to behind the last.
    pub fn range(&self, index: u64) -> std::ops::Range<u64> {
        index * SLAB..self.samples().min((index + 1) * SLAB)
    }

    /// Reads a slab and gives its samples, piece by piece, to whoever takes them; they are hashed where that is asked
    /// for.
    ///
    /// # Errors
    /// They cannot be read.
    pub fn slab(
        &self,
        index: u64,
        hashed: bool,
        mut take: impl FnMut(&[f64]),
    ) -> Result<(Counters, Digest), StoreError> {
        let LaneInput {
            header,
            reader,
            point,
        } = self.input;
        let range = self.range(index);
        let (start, end) = (range.start, range.end);
        let mut hasher = blake3::Hasher::new();
        hasher.set_input_offset(start * header.bytes());
        let mut seen = Counters::default();
        let mut stored = StoredSamples::default();
        let mut values = vec![0.0; NEAR];
        let mut watch = Watch::default();
        for at in range.step_by(PIECE) {
            let length = PIECE.min((end - at) as usize);
            reader.read_stored(*point, at, length, &mut stored)?;
            watch.lap(0);
            if hashed {
                hasher.update(stored.bytes());
            }
            watch.lap(1);
            for from in (0..length).step_by(NEAR) {
                let values = &mut values[..NEAR.min(length - from)];
                reader.convert(&stored, from, values, &mut seen);
                watch.lap(2);
                take(values);
                watch.lap(3);
            }
        }
        let [channel, taken] = &self.names;
        let of_channel = |what| format!("{channel}: {what}");
        let work = ["read", "hashed", "converted"].map(of_channel);
        let bytes = [(end - start) * header.bytes(), 0, 0, 0];
        let work = work.iter().chain([taken]);
        for ((what, time), bytes) in work.zip(watch.spent).zip(bytes) {
            let timings = &self.monitor.timings;
            timings.add(self.pass, what, time, end - start, bytes);
        }
        let digest = match hashed {
            // In a later pass nothing is hashed again, and nothing has no digest.
            false => Digest::Part(ChainingValue::default()),
            true if header.samples <= SLAB => Digest::Whole(hasher.finalize()),
            true => Digest::Part(hasher.finalize_non_root()),
        };
        Ok((seen, digest))
    }
}

/// Time by what is done with a slab: it is read, hashed, converted, taken.
struct Watch {
    last: Instant,
    spent: [Duration; 4],
}

impl Default for Watch {
    fn default() -> Self {
        Watch {
            last: Instant::now(),
            spent: [Duration::ZERO; 4],
        }
    }
}

impl Watch {
    /// The time since the last lap was spent on this.
    fn lap(&mut self, work: usize) {
        let now = Instant::now();
        self.spent[work] += now - self.last;
        self.last = now;
    }
}

/// Hash of the only slab of a point, or of one of several.
pub(super) enum Digest {
    Whole(blake3::Hash),
    Part(ChainingValue),
}

/// The hash of the samples of all slabs, which are equally long but the last.
pub(super) fn joined(digests: &[Digest]) -> blake3::Hash {
    match digests {
        [] => blake3::Hasher::new().finalize(),
        [Digest::Whole(hash)] => *hash,
        _ => {
            let (left, right) = digests.split_at(digests.len().next_power_of_two() / 2);
            merge_subtrees_root(&subtree(left), &subtree(right), Mode::Hash)
        }
    }
}

fn subtree(digests: &[Digest]) -> ChainingValue {
    match digests {
        [Digest::Part(value)] => *value,
        [] | [Digest::Whole(_)] => ChainingValue::default(),
        _ => {
            let (left, right) = digests.split_at(digests.len().next_power_of_two() / 2);
            merge_subtrees_non_root(&subtree(left), &subtree(right), Mode::Hash)
        }
    }
}
