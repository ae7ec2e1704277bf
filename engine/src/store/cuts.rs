//! Points of a record that was made in one go: where they are, and the header of one of them.

use std::borrow::Cow;
use std::ops::Range;

use hdf5::types::TypeDescriptor;
use hdf5::{File, LocationType};

use super::attributes::Attributes;
use super::object::Content;
use super::rate::unit_of_time;
use super::read::{RecordingFile, absolute};
use super::{ChannelHeader, Counters, StoreError, Stretch};
use crate::diagnostic::{Code, counted};
use crate::recipe::{Channel, Marker, Points, RateOrigin};

/// Points that a record may be cut into.
const MOST_POINTS: usize = 1 << 20;
/// Samples of a marker that are read at a time.
const BLOCK: u64 = 1 << 16;

/// A point of a record: samples on the grid of a channel, from the first on. It may go beyond the record's end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Cut {
    /// The first.
    pub first: u64,
    /// How many.
    pub length: u64,
}

impl Cut {
    fn between(first: u64, end: u64) -> Self {
        Cut {
            first,
            length: end.saturating_sub(first),
        }
    }

    fn end(&self) -> u64 {
        self.first.saturating_add(self.length)
    }
}

/// Where points are, before it is known how fast a channel was sampled.
pub enum Cutting {
    /// In samples as they are stored, of a channel with so many.
    Stored {
        /// The first sample of each, and the one behind its last.
        ranges: Vec<Range<u64>>,
        /// What a channel must have as many samples as: its name, and their number.
        beside: Option<(String, u64)>,
    },
    /// In seconds on the clock of the sample times, or else from the first sample on.
    Times(Vec<Range<f64>>),
    /// So many seconds each.
    Every(f64),
}

impl ChannelHeader {
    /// Whether the points are parts of one record.
    pub fn is_cut(&self) -> bool {
        !self.cuts.is_empty()
    }

    /// The header of one point, for its reader: that of a point cut from a record has its own number of samples.
    ///
    /// # Errors
    /// [`StoreError::Unfit`] where the point goes beyond the end of the record.
    pub fn of_point(&self, point: u64) -> Result<Cow<'_, Self>, StoreError> {
        let Some(cut) = self.cuts.get(point as usize) else {
            return Ok(Cow::Borrowed(self));
        };
        let end = self.stretches.last().map_or(0, |s| s.grid + s.length);
        if cut.length == 0 || cut.end() > end {
            return Err(StoreError::unfit(
                &self.file,
                &self.dataset,
                format!("samples {} to {} of point {point}", cut.first, cut.end()),
                format!(
                    "the end of the record at {end}; correct what says where points are, or leave the point out"
                ),
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

    /// Points that go beyond the end of the record, in words.
    pub fn beyond(&self) -> Option<String> {
        let end = self.stretches.last().map_or(0, |s| s.grid + s.length);
        let beyond = |cut: &&Cut| cut.length == 0 || cut.end() > end;
        let first = self.cuts.iter().position(|cut| beyond(&cut))?;
        let count = self.cuts.iter().filter(beyond).count();
        Some(format!(
            "{} beyond its end at sample {end} of `{}`, the first of them point {first} up to sample {}",
            counted(count as u64, "point"),
            self.dataset,
            self.cuts[first].end()
        ))
    }

    /// Whether samples are missing from its times.
    pub fn has_gaps(&self) -> bool {
        let present: u64 = self.stretches.iter().map(|s| s.length).sum();
        !self.stretches.is_empty() && present != self.samples
    }

    /// Most samples that a point has.
    pub fn longest(&self) -> u64 {
        let cuts = self.cuts.iter().map(|c| c.length);
        cuts.max().unwrap_or(self.samples)
    }

    /// When points begin, in seconds from the first sample on.
    pub fn beginnings(&self) -> Vec<f64> {
        let cuts = self.cuts.iter();
        cuts.map(|c| c.first as f64 / self.rate).collect()
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

    /// Makes points of it.
    ///
    /// # Errors
    /// [`StoreError::Unfit`] when its samples do not go with those that say where points are, or none of the points
    /// is in it.
    pub(super) fn cut(&mut self, cutting: &Cutting) -> Result<(), StoreError> {
        let unfit = |code: Code, expected: String, found: String| {
            let error = StoreError::unfit(&self.file, &self.dataset, expected, found);
            Err(error.of_kind(code))
        };
        if self.two_dimensional {
            let found = format!(
                "{} of their own; leave `points` out of the wiring",
                counted(self.points, "row")
            );
            return unfit(
                Code::WrongType,
                "one record, since `points` cuts it".into(),
                found,
            );
        }
        let record = self.samples;
        if self.stretches.is_empty() {
            self.stretches = vec![Stretch {
                stored: 0,
                grid: 0,
                length: record,
            }];
        }
        let cuts: Vec<Cut> = match cutting {
            Cutting::Stored {
                beside: Some((name, samples)),
                ..
            } if *samples != self.row => {
                let found = format!("{}; state points by times", self.row);
                return unfit(
                    Code::Rate,
                    format!("{samples} samples, as `{name}` has"),
                    found,
                );
            }
            Cutting::Stored { ranges, .. } => {
                let end = |range: &Range<u64>| match range.end {
                    u64::MAX => record,
                    end => self.on_grid(end - 1) + 1,
                };
                ranges
                    .iter()
                    .map(|r| Cut::between(self.on_grid(r.start), end(r)))
                    .collect()
            }
            Cutting::Times(times) => {
                let place = |time: f64| ((time - self.first_time) * self.rate).round();
                if let Some(bad) = times.iter().position(|t| place(t.start) < 0.0) {
                    let early = self.first_time - times[bad].start;
                    let found = format!(
                        "point {bad}, {early:.6} s before the first sample; correct the table"
                    );
                    return unfit(
                        Code::OutOfRange,
                        "points that begin within the record".into(),
                        found,
                    );
                }
                let end = |time: f64| {
                    if time.is_finite() {
                        place(time) as u64
                    } else {
                        record
                    }
                };
                times
                    .iter()
                    .map(|t| Cut::between(place(t.start) as u64, end(t.end)))
                    .collect()
            }
            Cutting::Every(seconds) => {
                let place = |point: u64| (point as f64 * seconds * self.rate).round() as u64;
                // A rounding error must not cost the last point.
                let count = (record as f64 / (seconds * self.rate) * (1.0 + 1e-12)).floor();
                if count > MOST_POINTS as f64 {
                    let found = format!("{count} of {seconds} s; make them longer");
                    return unfit(
                        Code::Limit,
                        format!("at most {MOST_POINTS} points (limit)"),
                        found,
                    );
                }
                (0..count as u64)
                    .map(|p| Cut::between(place(p), place(p + 1)))
                    .collect()
            }
        };
        let inside = cuts.iter().filter(|c| c.length > 0 && c.end() <= record);
        let Some(shortest) = inside.map(|c| c.length).min() else {
            let seconds = record as f64 / self.rate;
            let found = format!("{record} samples in {seconds} s; correct `points` in the wiring");
            return unfit(
                Code::OutOfRange,
                "a record with at least one of the points".into(),
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

impl RecordingFile {
    /// Whether there is such a dataset.
    pub(crate) fn has(&self, path: &str) -> bool {
        let file = self.handle();
        file.is_ok_and(|f| {
            matches!(
                f.loc_type_by_name(&absolute(path)),
                Ok(LocationType::Dataset)
            )
        })
    }

    /// Where the points of a record are.
    ///
    /// # Errors
    /// [`StoreError::Unfit`] when a dataset that says so is missing or makes no sense.
    pub(crate) fn cutting(&self, points: &Points) -> Result<Cutting, StoreError> {
        let file = self.handle()?;
        match points {
            Points::Every(seconds) => Ok(Cutting::Every(*seconds)),
            Points::Table { begin, end } => self.table(&file, begin, end.as_deref()),
            Points::Gate(marker) => self.marked(&file, marker),
            Points::Pulses(marker) => {
                let mut cutting = self.marked(&file, marker)?;
                if let Cutting::Stored {
                    ranges,
                    beside: Some((_, samples)),
                } = &mut cutting
                {
                    for point in 0..ranges.len() {
                        ranges[point].end =
                            ranges.get(point + 1).map_or(*samples, |next| next.start);
                    }
                }
                Ok(cutting)
            }
        }
    }

    /// Points that a table states; those that it leaves open end where the next one begins.
    fn table(&self, file: &File, begin: &str, end: Option<&str>) -> Result<Cutting, StoreError> {
        let (begin, begins, unit) = self.places(file, begin)?;
        let last = [f64::INFINITY];
        let ends = match end {
            None => begins.iter().skip(1).chain(&last).copied().collect(),
            Some(path) => {
                let (path, ends, end_unit) = self.places(file, path)?;
                if (ends.len(), end_unit) != (begins.len(), unit) {
                    let expected = match unit {
                        Some(_) => format!("{} times as in `{begin}`", begins.len()),
                        None => format!("{} numbers of samples as in `{begin}`", begins.len()),
                    };
                    let what = end_unit.map_or("numbers of samples", |_| "times");
                    let found = format!("{} {what}; give both alike", ends.len());
                    return Err(self.unfit(&path, expected, found));
                }
                ends
            }
        };
        let ranges: Vec<Range<f64>> = begins.iter().zip(ends).map(|(b, e)| *b..e).collect();
        let follows = |i: usize| {
            ranges
                .get(i + 1)
                .is_none_or(|next| ranges[i].end <= next.start)
        };
        if let Some(bad) =
            (0..ranges.len()).find(|i| !(ranges[*i].start < ranges[*i].end && follows(*i)))
        {
            let found = format!(
                "point {bad} from {} to {}, and the next from {}; sort the table, and let none overlap",
                ranges[bad].start,
                ranges[bad].end,
                ranges.get(bad + 1).map_or(f64::NAN, |r| r.start),
            );
            return Err(self
                .unfit(&begin, "points that follow one another", found)
                .of_kind(Code::OutOfRange));
        }
        let Some(second) = unit else {
            let whole = |x: f64| x >= 0.0 && (x.fract() == 0.0 || x.is_infinite());
            if let Some(bad) = ranges.iter().find(|r| !(whole(r.start) && whole(r.end))) {
                let odd = if whole(bad.start) { bad.end } else { bad.start };
                let found = format!("{odd}; give times the attribute `units`, as \"s\"");
                return Err(self
                    .unfit(&begin, "samples counted from 0", found)
                    .of_kind(Code::OutOfRange));
            }
            let ranges = ranges
                .iter()
                .map(|r| r.start as u64..r.end as u64)
                .collect();
            return Ok(Cutting::Stored {
                ranges,
                beside: None,
            });
        };
        let in_seconds = |r: &Range<f64>| r.start * second..r.end * second;
        Ok(Cutting::Times(ranges.iter().map(in_seconds).collect()))
    }

    /// The numbers of a dataset that says where points begin or end, with its path, and the seconds in their unit; without
    /// one they are samples.
    fn places(
        &self,
        file: &File,
        path: &str,
    ) -> Result<(String, Vec<f64>, Option<f64>), StoreError> {
        let path = absolute(path);
        let dataset = self.dataset(file, &path, "name it with `points` in the wiring");
        let dataset = dataset.map_err(|e| e.of_kind(Code::UnknownName))?;
        let broken = |e: hdf5::Error| self.broken(&path, &e);
        let shape = dataset.space().map_err(broken)?.shape();
        if shape.len() != 1 || shape[0] == 0 || shape[0] > MOST_POINTS {
            let expected = format!("one number for each point, and at most {MOST_POINTS} (limit)");
            return Err(self.unfit(
                &path,
                expected,
                format!("the shape {shape:?}; correct the table"),
            ));
        }
        let values = match Content::of(&dataset).map_err(broken)? {
            Content::Numbers(values) => values,
            other => {
                let found = format!("{}; convert the dataset", other.words());
                return Err(self.unfit(&path, "numbers", found));
            }
        };
        if let Some(bad) = values.iter().position(|x| !x.is_finite()) {
            let found = format!("{} at point {bad}; correct the table", values[bad]);
            return Err(self
                .unfit(&path, "a number for each point", found)
                .of_kind(Code::OutOfRange));
        }
        let attributes = Attributes {
            recording: self,
            path: &path,
            dataset: &dataset,
            file,
        };
        let text = attributes.own_text("units")?.unwrap_or_default();
        if ["", "1", "sample", "samples"].contains(&text.as_str()) {
            return Ok((path, values, None));
        }
        let Some(unit) = unit_of_time(&text) else {
            let found =
                format!("`{text}`; correct the attribute, or leave it out where samples are meant");
            return Err(self
                .unfit(&format!("{path}@units"), "a unit of time", found)
                .of_kind(Code::Unit));
        };
        Ok((path, values, Some(unit.si_factor())))
    }

    /// From where to where a marker is high.
    fn marked(&self, file: &File, marker: &Marker) -> Result<Cutting, StoreError> {
        let path = absolute(&marker.dataset);
        let dataset = self.dataset(file, &path, "name it with `points` in the wiring");
        let dataset = dataset.map_err(|e| e.of_kind(Code::UnknownName))?;
        let broken = |e: hdf5::Error| self.broken(&path, &e);
        let mut edges = Edges::default();
        let samples = dataset.space().map_err(broken)?.size() as u64;
        let descriptor = dataset.dtype().and_then(|d| d.to_descriptor());
        if matches!(descriptor, Ok(TypeDescriptor::Boolean)) && dataset.ndim() == 1 {
            for start in (0..samples).step_by(BLOCK as usize) {
                let range = start as usize..(start + BLOCK).min(samples) as usize;
                let flags = dataset.read_slice_1d::<bool, _>(range).map_err(broken)?;
                edges.take(
                    flags
                        .iter()
                        .map(|b| Some(f64::from(u8::from(*b)) > marker.above.value)),
                );
                self.few(&path, &edges)?;
            }
            return self.of_marker(path, edges, marker);
        }
        let channel = Channel {
            dataset: Some(path.clone()),
            rate: Some(RateOrigin::Stated(1.0)),
            ..Channel::default()
        };
        let header = self.channel("points", &channel, None)?;
        if header.two_dimensional {
            let found = format!("{} of them; name one record", counted(header.points, "row"));
            return Err(self.unfit(&path, "the shape [sample]", found));
        }
        let above = match &marker.above {
            above if above.unit.same_dimension(&header.unit) => above.value,
            above if above.unit.is_dimensionless() => above.value * header.unit.si_factor(),
            above => {
                let found = format!("`above` as `{}`; correct the wiring", above.text);
                return Err(self
                    .unfit(&path, format!("`above` in {}", header.unit), found)
                    .of_kind(Code::Unit));
            }
        };
        let reader = self.reader(&header)?;
        let mut block = vec![0.0; BLOCK as usize];
        for start in (0..samples).step_by(BLOCK as usize) {
            let part = &mut block[..BLOCK.min(samples - start) as usize];
            reader.read(0, start, part, &mut Counters::default(), None)?;
            edges.take(part.iter().map(|x| (!x.is_nan()).then_some(*x > above)));
            self.few(&path, &edges)?;
        }
        self.of_marker(path, edges, marker)
    }

    fn of_marker(
        &self,
        path: String,
        edges: Edges,
        marker: &Marker,
    ) -> Result<Cutting, StoreError> {
        let samples = edges.samples;
        let ranges = edges.finish();
        if ranges.is_empty() {
            let expected = format!("samples above `{}`", marker.above.text);
            return Err(self
                .unfit(
                    &path,
                    expected,
                    "none; correct `above`, or name another marker",
                )
                .of_kind(Code::OutOfRange));
        }
        Ok(Cutting::Stored {
            ranges,
            beside: Some((path, samples)),
        })
    }

    fn few(&self, path: &str, edges: &Edges) -> Result<(), StoreError> {
        if edges.high.len() <= MOST_POINTS {
            return Ok(());
        }
        let expected = format!("at most {MOST_POINTS} points (limit)");
        let found = format!(
            "more by sample {}; correct `above`, or name another marker",
            edges.samples
        );
        Err(self.unfit(path, expected, found).of_kind(Code::Limit))
    }
}

/// What was seen of a marker.
#[derive(Default)]
struct Edges {
    high: Vec<Range<u64>>,
    is_high: bool,
    samples: u64,
}

impl Edges {
    /// Takes samples, of which those that are missing are as the one before.
    fn take(&mut self, samples: impl Iterator<Item = Option<bool>>) {
        for sample in samples {
            match (sample.unwrap_or(self.is_high), self.is_high) {
                (true, false) => self.high.push(self.samples..self.samples),
                (false, true) => self.close(),
                _ => {}
            }
            self.is_high = sample.unwrap_or(self.is_high);
            self.samples += 1;
        }
    }

    fn close(&mut self) {
        if let Some(last) = self.high.last_mut() {
            last.end = self.samples;
        }
    }

    fn finish(mut self) -> Vec<Range<u64>> {
        if self.is_high {
            self.close();
        }
        self.high
    }
}
