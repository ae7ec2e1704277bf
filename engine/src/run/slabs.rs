//! Chains that are computed together, over the slabs of a point.
//!
//! Slabs of a channel are read, hashed and summed by whatever thread is free, several at a time; what they give is
//! followed in their order. Slabs are the same for any number of threads and any storage, so the bits are, too.

use std::sync::Arc;
use std::sync::atomic::Ordering;

use rayon::prelude::*;

use crate::fuse::following::Following;
use crate::fuse::group::{Part, SLAB, Timed};
use crate::fuse::slab::Slab;
use crate::fuse::{Kept, Shared, plain_sum};
use crate::graph::Node;
use crate::run::Monitor;
use crate::run::lane::LaneInput;
use crate::run::reading::{Channel, Seen, joined};
use crate::stage::Phases;
use crate::store::{Counters, StoreError};

/// Fewest and most slabs that are worked on between two looks at whether the user wants to stop. Few are where much
/// is kept of each.
const AT_ONCE: [u64; 2] = [16, 64];

/// What is done with samples, as timings tell it.
const SUMMED: &str = "summed for chains computed together";

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
    /// The chains of a group at a point, where the clock, the place in a record that the point was cut from, and the mean of
    /// the samples may be known.
    pub fn new(
        shared: &'g Shared,
        (phases, begins): (Option<Arc<dyn Phases>>, u64),
        mean: Option<f64>,
    ) -> Self {
        let timed = Timed {
            group: &shared.group,
            phases,
            begins,
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
    let channel = Channel {
        input,
        pass,
        names: [name.to_owned(), format!("{name}: {SUMMED}")],
        monitor,
    };
    let slab = |index: u64, courses: &[Course<'_>]| -> Result<_, StoreError> {
        let range = channel.range(index);
        let mut slabs: Vec<Slab<'_>> = courses
            .iter()
            .map(|c| c.timed.slab(range.start, c.pedestal.unwrap_or(0.0)))
            .collect();
        let mut total = 0.0;
        let (counters, digest) = channel.slab(index, hashed, |values| {
            slabs.iter_mut().for_each(|slab| slab.push(values));
            if averaged {
                total += plain_sum(values);
            }
        })?;
        let parts: Vec<Part> = slabs.into_iter().map(Slab::finish).collect();
        Ok((parts, counters, digest, total, range.end - range.start))
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
