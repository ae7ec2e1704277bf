//! Chains that are computed together, over the slabs of a point.
//!
//! Slabs of a channel are read, hashed and summed by whatever thread is free, several at a time; what they give is
//! followed in their order. Slabs are the same for any number of threads and any storage, so the bits are, too.

use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

use blake3::hazmat::{
    ChainingValue, HasherExt, Mode, merge_subtrees_non_root, merge_subtrees_root,
};
use rayon::prelude::*;

use crate::fuse::following::Following;
use crate::fuse::group::{Part, SLAB, Timed};
use crate::fuse::slab::Slab;
use crate::fuse::{Kept, Shared, plain_sum};
use crate::graph::Node;
use crate::run::Monitor;
use crate::run::lane::LaneInput;
use crate::stage::Phases;
use crate::store::{Counters, StoreError, StoredSamples};

/// Fewest and most slabs that are worked on between two looks at whether the user wants to stop. Few are where much
/// is kept of each.
const AT_ONCE: [u64; 2] = [16, 64];

/// Samples that are read and hashed at a time.
pub(super) const PIECE: usize = 1 << 15;

/// Samples of them that are converted at a time, so that they are summed while the processor has them near.
pub(super) const NEAR: usize = 1 << 11;

/// Why chains were not computed together.
#[derive(Debug)]
pub enum Halt {
    /// Samples are missing, which is for the stages to deal with one by one.
    Missing,
    /// The user stopped the run.
    Stopped,
    /// The samples could not be read.
    Store(StoreError),
}

/// The chains of a group on their way through the slabs of a point.
pub struct Course<'g> {
    shared: &'g Shared,
    timed: Timed<'g>,
    /// Whether a constant is followed as well, to take the mean away in the end.
    ones: bool,
    followings: Vec<Following<'g>>,
    /// Taken off every sample where the mean goes in the end, so that few digits are lost to it.
    pedestal: Option<f64>,
    total: f64,
    count: u64,
    /// The slab that samples are pushed into.
    slab: Option<Slab<'g>>,
}

impl<'g> Course<'g> {
    /// The chains of a group at a point, where the clock and the mean of the samples may be known.
    pub fn new(shared: &'g Shared, phases: Option<Arc<dyn Phases>>, mean: Option<f64>) -> Self {
        let timed = Timed {
            group: &shared.group,
            phases,
        };
        let ones = shared.less_mean && mean.is_none();
        let chains = 0..shared.group.chains.len();
        Course {
            shared,
            followings: chains.map(|c| Following::new(&timed, c, ones)).collect(),
            timed,
            ones,
            pedestal: if ones {
                None
            } else {
                Some(mean.unwrap_or(0.0))
            },
            total: 0.0,
            count: 0,
            slab: None,
        }
    }

    /// Takes what slabs gave, in their order.
    fn take(&mut self, parts: &[Part], samples: u64, apart: bool) -> Result<(), Halt> {
        self.count += samples;
        parts.iter().for_each(|part| self.total += part.total);
        if self.total.is_nan() {
            return Err(Halt::Missing);
        }
        let ones = self.ones;
        let follow = |following: &mut Following<'_>| following.take(parts, ones);
        let followed = match apart {
            true => self.followings.par_iter_mut().try_for_each(follow),
            false => self.followings.iter_mut().try_for_each(follow),
        };
        followed.map_err(|error| Halt::Store(StoreError::aside(&error)))?;
        match self.followings.iter().all(Following::is_known) {
            true => Ok(()),
            false => Err(Halt::Missing),
        }
    }

    /// Takes the next samples of a wave.
    ///
    /// # Errors
    /// Samples are missing, or what is kept cannot be laid aside.
    pub fn push(&mut self, mut samples: &[f64]) -> Result<(), Halt> {
        while let Some(first) = samples.first() {
            let pedestal = *self.pedestal.get_or_insert(*first);
            let at = self.count;
            let room = (SLAB - at % SLAB) as usize;
            let (now, later) = samples.split_at(room.min(samples.len()));
            let timed = &self.timed;
            self.slab
                .get_or_insert_with(|| timed.slab(at, pedestal))
                .push(now);
            self.count += now.len() as u64;
            if self.count.is_multiple_of(SLAB) {
                self.close()?;
            }
            samples = later;
        }
        Ok(())
    }

    fn close(&mut self) -> Result<(), Halt> {
        match self.slab.take().map(Slab::finish) {
            Some(part) => self.take(&[part], 0, false),
            None => Ok(()),
        }
    }

    /// The kept samples of every chain, by its last stage.
    ///
    /// # Errors
    /// Samples are missing, or what is kept cannot be laid aside.
    pub fn finish(mut self) -> Result<Vec<(Node, Kept)>, Halt> {
        self.close()?;
        let mean = if self.ones {
            self.total / self.count as f64
        } else {
            0.0
        };
        let kept = self.followings.into_iter().map(|f| f.outputs(mean));
        Ok(self.shared.heads.iter().copied().zip(kept).collect())
    }
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

/// Reads a whole channel for the chains that start from it, on several threads where `apart` says so. The stored
/// samples are hashed, and their mean taken, where that is asked for.
pub fn over(
    input: &LaneInput<'_>,
    courses: &mut [Course<'_>],
    (hashed, averaged): (bool, bool),
    (pass, name): (usize, &str),
    apart: bool,
    monitor: &Monitor,
) -> Result<Seen, Halt> {
    let LaneInput {
        header,
        reader,
        point,
        ..
    } = input;
    let (samples, point) = (header.samples, *point);
    if courses.iter().any(|c| c.pedestal.is_none()) {
        let (mut first, mut counters) = ([f64::NAN], Counters::default());
        let read = reader.read(point, 0, &mut first, &mut counters, None);
        read.map_err(Halt::Store)?;
        for course in courses.iter_mut() {
            course.pedestal.get_or_insert(first[0]);
        }
    }
    let count = samples.div_ceil(SLAB);
    let slab = |index: u64, courses: &[Course<'_>]| -> Result<_, StoreError> {
        let start = index * SLAB;
        let end = samples.min(start + SLAB);
        let mut slabs: Vec<Slab<'_>> = courses
            .iter()
            .map(|c| c.timed.slab(start, c.pedestal.unwrap_or(0.0)))
            .collect();
        let mut hasher = blake3::Hasher::new();
        hasher.set_input_offset(start * header.bytes());
        let mut counters = Counters::default();
        let mut stored = StoredSamples::default();
        let mut values = vec![0.0; NEAR];
        let mut total = 0.0;
        let mut at = start;
        let mut watch = Watch::default();
        while at < end {
            let length = PIECE.min((end - at) as usize);
            reader.read_stored(point, at, length, &mut stored)?;
            watch.lap(0);
            if hashed {
                hasher.update(stored.bytes());
            }
            watch.lap(1);
            for from in (0..length).step_by(NEAR) {
                let values = &mut values[..NEAR.min(length - from)];
                reader.convert(&stored, from, values, &mut counters);
                watch.lap(2);
                slabs.iter_mut().for_each(|slab| slab.push(values));
                if averaged {
                    total += plain_sum(values);
                }
                watch.lap(3);
            }
            at += length as u64;
        }
        let bytes = (end - start) * header.bytes();
        for (what, time) in WORK.iter().zip(watch.spent) {
            let bytes = if *what == WORK[0] { bytes } else { 0 };
            let what = format!("{name}: {what}");
            monitor.timings.add(pass, &what, time, end - start, bytes);
        }
        let parts: Vec<Part> = slabs.into_iter().map(Slab::finish).collect();
        let digest = match count {
            1 => Digest::Whole(hasher.finalize()),
            // In a later pass nothing is hashed again, and nothing has no digest.
            _ if !hashed => Digest::Part(ChainingValue::default()),
            _ => Digest::Part(hasher.finalize_non_root()),
        };
        Ok((parts, counters, digest, total, end - start))
    };
    let mut seen = Counters::default();
    let mut digests = Vec::new();
    let mut total = 0.0;
    let every = courses.iter().map(|c| c.shared.group.windows.every).min();
    let at_once = (every.unwrap_or(u64::MAX) / AT_ONCE[0]).clamp(AT_ONCE[0], AT_ONCE[1]);
    for from in (0..count).step_by(at_once as usize) {
        if monitor.stop.load(Ordering::Relaxed) {
            return Err(Halt::Stopped);
        }
        let now = from..count.min(from + at_once);
        let of = |index| slab(index, courses);
        let found: Vec<_> = match apart {
            true => now.into_par_iter().map(of).collect(),
            false => now.map(of).collect(),
        };
        let mut parts: Vec<Vec<Part>> = courses.iter().map(|_| Vec::new()).collect();
        let mut length = 0;
        for found in found {
            let (own, counters, digest, sum, samples) = found.map_err(Halt::Store)?;
            parts
                .iter_mut()
                .zip(own)
                .for_each(|(all, part)| all.push(part));
            seen.merge(&counters);
            digests.push(digest);
            total += sum;
            length += samples;
        }
        for (course, parts) in courses.iter_mut().zip(parts) {
            course.take(&parts, length, apart)?;
        }
        monitor.done.fetch_add(length, Ordering::Relaxed);
    }
    Ok(Seen {
        counters: seen,
        hash: joined(&digests),
        mean: total / samples as f64,
    })
}

/// What is done with a slab, in this order.
const WORK: [&str; 4] = [
    "read",
    "hashed",
    "converted",
    "summed for chains computed together",
];

/// Time by what is done.
pub(super) struct Watch {
    last: Instant,
    pub(super) spent: [Duration; WORK.len()],
}

impl Default for Watch {
    fn default() -> Self {
        Watch {
            last: Instant::now(),
            spent: [Duration::ZERO; WORK.len()],
        }
    }
}

impl Watch {
    /// The time since the last lap was spent on this.
    pub(super) fn lap(&mut self, work: usize) {
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
