//! Points of a record that was made in one go: the header of all, and of one of them.

use std::borrow::Cow;
use std::ops::Range;

use super::cutting::{Beside, Cutting, MOST_POINTS, OPEN};
use super::{ChannelHeader, StoreError, Stretch};
use crate::diagnostic::{Code, counted};

/// Part of the usual length of a point below which one is odd.
const BRIEF: u64 = 10;

/// A point of a record: samples on the grid of a channel, from the first on. It may go beyond the record's end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Cut {
    /// The first.
    pub first: u64,
    /// How many.
    pub length: u64,
}

impl Cut {
    /// Stands for the first sample of a point that begins before the record.
    const EARLY: u64 = u64::MAX;

    /// From the first sample, if that is in the record, to the one behind the last.
    fn between(first: Option<u64>, end: u64) -> Self {
        match first {
            Some(first) => Cut {
                first,
                length: end.saturating_sub(first),
            },
            None => Cut {
                first: Self::EARLY,
                length: 0,
            },
        }
    }

    fn end(&self) -> u64 {
        self.first.saturating_add(self.length)
    }
}

impl ChannelHeader {
    /// Whether the points are parts of one record.
    pub fn is_cut(&self) -> bool {
        !self.cuts.is_empty()
    }

    /// The header of one point, for its reader: that of a point cut from a record has its own number of samples.
    ///
    /// # Errors
    /// [`StoreError::Unfit`] where the point goes beyond the end of the record, or has no sample.
    pub fn of_point(&self, point: u64) -> Result<Cow<'_, Self>, StoreError> {
        let Some(cut) = self.cuts.get(point as usize) else {
            return Ok(Cow::Borrowed(self));
        };
        if let Some(found) = self.lacks(cut) {
            let expected = match cut.first {
                Cut::EARLY => format!("all samples of point {point}"),
                first => format!("samples {first} to {} of point {point}", cut.end()),
            };
            let found =
                format!("{found}; correct what says where points are, or leave the point out");
            return Err(StoreError::unfit(
                &self.file,
                &self.dataset,
                expected,
                found,
            ));
        }
        let mut header = ChannelHeader {
            cuts: [].into(),
            begins: cut.first,
            samples: cut.length,
            stretches: Vec::new(),
            ..self.clone()
        };
        let within = self.stretches.iter().filter_map(|s| {
            let first = s.grid.max(cut.first);
            let end = (s.grid + s.length).min(cut.end());
            (first < end).then(|| Stretch {
                stored: s.stored + (first - s.grid),
                grid: first - cut.first,
                length: end - first,
            })
        });
        header.stretches.extend(within);
        Ok(Cow::Owned(header))
    }

    /// What is found in place of the samples of a point.
    fn lacks(&self, cut: &Cut) -> Option<String> {
        let end = self.stretches.last().map_or(0, |s| s.grid + s.length);
        if cut.first == Cut::EARLY {
            return Some("a record that begins later".into());
        }
        if cut.end() > end || cut.first >= end {
            return Some(format!("the end of the record at {end}"));
        }
        if cut.length == 0 {
            return Some("no sample".into());
        }
        let next = self
            .stretches
            .partition_point(|s| s.grid + s.length <= cut.first);
        let there = self.stretches.get(next).is_some_and(|s| s.grid < cut.end());
        (!there).then(|| "a gap of the sample times".into())
    }

    /// Points that have no samples or not all of them, in words.
    pub fn incomplete(&self) -> Option<String> {
        let mut lacking = (self.cuts.iter().enumerate())
            .filter_map(|(point, cut)| Some((point, cut, self.lacks(cut)?)));
        let (point, cut, found) = lacking.next()?;
        let dataset = &self.dataset;
        let words = match cut.first {
            Cut::EARLY => format!("point {point} of `{dataset}` meets {found}"),
            first => format!(
                "point {point} at samples {first} to {} of `{dataset}` meets {found}",
                cut.end()
            ),
        };
        Some(match lacking.count() {
            0 => words,
            1 => format!("{words}; 1 more lacks samples as well"),
            more => format!("{words}; {more} more lack samples as well"),
        })
    }

    /// What is odd about where points are, each with what to do.
    pub(crate) fn oddities(&self, cutting: &Cutting) -> Vec<(String, &'static str)> {
        let mut odd = Vec::new();
        if let Cutting::Stored {
            marker: Some(marker),
            ..
        } = cutting
        {
            let Beside { name, missing, .. } = marker;
            let help = "leave it out in what follows, or say where points are by a table";
            if let [true, _] = marker.gate {
                let what =
                    format!("`{name}` is high at its first sample: point 0 may be the rest of one");
                odd.push((what, help));
            }
            if let [_, true] = marker.gate {
                let point = self.cuts.len().saturating_sub(1);
                let what =
                    format!("`{name}` is high at its last sample: point {point} may be cut off");
                odd.push((what, help));
            }
            if *missing > 0 {
                let what = format!(
                    "{} of `{name}` are missing, and taken to be as the one before",
                    counted(*missing, "sample")
                );
                odd.push((what, "look whether points begin and end where they should"));
            }
        }
        let there = |cut: &&Cut| cut.length > 0;
        let mut lengths: Vec<u64> = (self.cuts.iter().filter(there)).map(|c| c.length).collect();
        if lengths.is_empty() {
            return odd;
        }
        let middle = lengths.len() / 2;
        let (_, median, _) = lengths.select_nth_unstable(middle);
        let median = *median;
        let brief = |cut: &&Cut| there(cut) && cut.length < median / BRIEF;
        if let Some(point) = self.cuts.iter().position(|cut| brief(&cut)) {
            let count = self.cuts.iter().filter(brief).count() as u64;
            let cut = self.cuts[point];
            let what = format!(
                "{} shorter than a tenth of the others: point {point} of {} from sample {} on, where half of them have \
                 {median} or more",
                match count {
                    1 => "1 point is".to_owned(),
                    count => format!("{count} points are"),
                },
                counted(cut.length, "sample"),
                cut.first
            );
            let help = "a marker that bounces or is noisy gives such points, and splits others: choose `above` where it is \
                        neither, or say where points are by a table";
            odd.push((what, help));
        }
        odd
    }

    /// Whether samples are missing from its times.
    pub fn has_gaps(&self) -> bool {
        let present: u64 = self.stretches.iter().map(|s| s.length).sum();
        !self.stretches.is_empty() && present != self.samples
    }

    /// Samples of a point; nothing for one that has not all of them.
    pub(crate) fn length_of(&self, point: u64) -> Option<u64> {
        match self.cuts.get(point as usize) {
            Some(cut) => self.lacks(cut).is_none().then_some(cut.length),
            None => Some(self.samples),
        }
    }

    /// Most samples that a point has.
    pub fn longest(&self) -> u64 {
        let all = (0..self.cuts.len() as u64).filter_map(|point| self.length_of(point));
        all.max().unwrap_or(self.samples)
    }

    /// When the first sample of the first point was taken, on the clock of the sample times.
    pub(crate) fn begin(&self) -> Option<f64> {
        let cut = self.cuts.iter().find(|cut| cut.first != Cut::EARLY);
        Some(self.first_time? + cut.map_or(0.0, |cut| cut.first as f64 / self.rate))
    }

    /// When points begin, in seconds from the first sample on.
    pub fn beginnings(&self) -> Vec<f64> {
        let cuts = self.cuts.iter();
        let begin = |c: &Cut| match c.first {
            Cut::EARLY => f64::NAN,
            first => first as f64 / self.rate,
        };
        cuts.map(begin).collect()
    }

    /// What stands for all cuts in the canonical form.
    pub(super) fn hash_of_cuts(&self) -> String {
        let mut hasher = blake3::Hasher::new();
        for cut in self.cuts.iter() {
            hasher
                .update(&cut.first.to_le_bytes())
                .update(&cut.length.to_le_bytes());
        }
        hasher.finalize().to_hex().to_string()
    }

    /// Makes points of it; `model` is the first channel of the recording.
    fn cut(&mut self, cutting: &Cutting, model: &Self) -> Result<(), StoreError> {
        let unfit = |code: Code, expected: &str, found: String| {
            let error = StoreError::unfit(&self.file, &self.dataset, expected, found);
            Err(error.of_kind(code))
        };
        if self.two_dimensional {
            let rows = counted(self.points, "row");
            let found = format!("{rows} of their own; leave `points` out of the wiring");
            return unfit(Code::WrongType, "one record, since `points` cuts it", found);
        }
        let record = self.samples;
        if self.stretches.is_empty() {
            let (stored, grid) = (0, 0);
            self.stretches = vec![Stretch {
                stored,
                grid,
                length: record,
            }];
        }
        let begins = self.first_time.unwrap_or(0.0);
        let place = |time: f64| ((time - begins) * self.rate).round();
        let cuts: Vec<Cut> = match cutting {
            Cutting::Stored { ranges, marker } => {
                let own = match marker {
                    Some(marker) => marker.samples == self.row,
                    None => (self.row, self.rate) == (model.row, model.rate),
                };
                // A marker at a rate of its own begins when the first channel does.
                let zero = model.first_time.unwrap_or(0.0);
                let rate = match (own, marker) {
                    (true, _) => None,
                    (
                        false,
                        Some(Beside {
                            rate: Some(rate), ..
                        }),
                    ) => Some(*rate),
                    (false, Some(Beside { name, samples, .. })) => {
                        let expected = format!("{samples} samples, as `{name}` has");
                        let found = format!(
                            "{}; give the marker its `sample_rate`, or state points by times",
                            self.row
                        );
                        return unfit(Code::Rate, &expected, found);
                    }
                    (false, None) => {
                        let ChannelHeader {
                            row, rate, dataset, ..
                        } = model;
                        let expected = format!("{row} samples at {rate} Hz, as `{dataset}` has");
                        let found =
                            format!("{} at {} Hz; state points by times", self.row, self.rate);
                        return unfit(Code::Rate, &expected, found);
                    }
                };
                let at = |sample: u64| match rate {
                    None => Some(self.on_grid(sample)),
                    Some(rate) => sample_at(place(zero + sample as f64 / rate)),
                };
                let end = |range: &Range<u64>| match (range.end, rate) {
                    (OPEN, _) => record,
                    // A point without a sample, as one from 0 to 0.
                    (end, _) if end == range.start => at(end).unwrap_or(0),
                    (end, None) => self.on_grid(end - 1) + 1,
                    (end, Some(_)) => at(end).unwrap_or(0),
                };
                ranges
                    .iter()
                    .map(|r| Cut::between(at(r.start), end(r)))
                    .collect()
            }
            Cutting::Times(times) => {
                let end = |time: f64| match time.is_finite() {
                    true => sample_at(place(time)).unwrap_or(0),
                    false => record,
                };
                let cut = |t: &Range<f64>| Cut::between(sample_at(place(t.start)), end(t.end));
                times.iter().map(cut).collect()
            }
            Cutting::Every(_) => Vec::new(),
        };
        if cuts.len() > MOST_POINTS {
            let found = format!("{}; make them longer", cuts.len());
            return unfit(
                Code::Limit,
                &format!("at most {MOST_POINTS} points (limit)"),
                found,
            );
        }
        let inside = cuts.iter().filter(|c| c.length > 0 && c.end() <= record);
        let Some(shortest) = inside.map(|c| c.length).min() else {
            let from = cuts.first().map_or(String::new(), |c| match c.first {
                Cut::EARLY => ", and points before them".to_owned(),
                first => format!(
                    ", and the first point from {} s on",
                    first as f64 / self.rate
                ),
            });
            let found = format!(
                "{record} samples in {} s{from}; correct `points` in the wiring, or let the rate come from `Times` if these \
                 are on another clock",
                record as f64 / self.rate
            );
            return unfit(
                Code::OutOfRange,
                "a record with at least one of the points",
                found,
            );
        };
        self.points = cuts.len() as u64;
        self.samples = shortest;
        self.cuts = cuts.into();
        Ok(())
    }

    /// The place of a stored sample on the grid; beyond the last one it goes on evenly.
    fn on_grid(&self, stored: u64) -> u64 {
        let next = self.stretches.partition_point(|s| s.stored <= stored);
        let stretch = self.stretches[next.max(1) - 1];
        stretch.grid + (stored - stretch.stored)
    }
}

/// Makes points of the channels of a recording, at the same times; what is wrong first.
pub(crate) fn cut(
    headers: &mut [Option<ChannelHeader>],
    cutting: &Cutting,
) -> Result<(), StoreError> {
    let Some(model) = headers.iter().flatten().next().cloned() else {
        return Ok(());
    };
    let lasting;
    let cutting = match cutting {
        Cutting::Every(seconds) => {
            lasting = lasting_points(headers, *seconds);
            &lasting
        }
        others => others,
    };
    let mut each = headers.iter_mut().flatten();
    each.try_for_each(|header| header.cut(cutting, &model))
}

/// A place on the grid, if it is not before the first sample.
fn sample_at(place: f64) -> Option<u64> {
    (place >= 0.0).then_some(place as u64)
}

/// Points of one length, while all channels are there.
fn lasting_points(headers: &[Option<ChannelHeader>], seconds: f64) -> Cutting {
    let times = headers.iter().flatten().map(|h| {
        let begin = h.first_time.unwrap_or(0.0);
        let end = begin + h.samples as f64 / h.rate;
        (begin, end)
    });
    let (first, end) = times.fold(
        (f64::NEG_INFINITY, f64::INFINITY),
        |(first, end), (b, e)| (f64::max(first, b), f64::min(end, e)),
    );
    // A rounding error must not cost the last point.
    let count = ((end - first) / seconds * (1.0 + 1e-12)).floor();
    let count = (count.max(0.0) as usize).min(MOST_POINTS + 1);
    let at = |point: usize| first + point as f64 * seconds;
    Cutting::Times((0..count).map(|p| at(p)..at(p + 1)).collect())
}
