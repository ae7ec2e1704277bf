//! What says where the points of a record are: a table, a marker, or their length.

use std::ops::Range;

use hdf5::types::TypeDescriptor;
use hdf5::{File, LocationType};

use super::attributes::Attributes;
use super::object::Content;
use super::rate::unit_of_time;
use super::read::{RecordingFile, absolute};
use super::{ChannelHeader, Counters, StoreError};
use crate::diagnostic::{Code, counted};
use crate::recipe::{Channel, Marker, Points, RateOrigin};
use crate::units::Unit;

/// Points that a record may be cut into.
pub(super) const MOST_POINTS: usize = 1 << 20;
/// Samples of a marker that are read at a time.
const BLOCK: u64 = 1 << 16;
/// Where a point ends that goes on to the end of the record.
pub(super) const OPEN: u64 = u64::MAX;

/// Where points are, before it is known how fast a channel was sampled.
#[derive(Debug)]
pub enum Cutting {
    /// In samples as they are stored.
    Stored {
        /// The first sample of each, and the one behind its last.
        ranges: Vec<Range<u64>>,
        /// The marker whose samples they are; without one, those of the channels.
        marker: Option<Beside>,
    },
    /// In seconds on the clock of the sample times, or else from the first sample on.
    Times(Vec<Range<f64>>),
    /// So many seconds each.
    Every(f64),
}

/// A dataset that was sampled beside channels.
#[derive(Debug)]
pub struct Beside {
    /// Its path.
    pub name: String,
    /// Its samples.
    pub samples: u64,
    /// Samples per second, where that is stated.
    pub rate: Option<f64>,
    /// Samples that are missing.
    pub missing: u64,
    /// Whether it is a gate that is high at the first and at the last sample.
    pub gate: [bool; 2],
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
                if let Cutting::Stored { ranges, marker } = &mut cutting {
                    marker.iter_mut().for_each(|m| m.gate = [false; 2]);
                    for point in 0..ranges.len() {
                        ranges[point].end = ranges.get(point + 1).map_or(OPEN, |next| next.start);
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
        let ends: Vec<f64> = match end {
            None => begins.iter().skip(1).chain(&last).copied().collect(),
            Some(path) => {
                let (path, ends, end_unit) = self.places(file, path)?;
                let alike = (ends.len(), end_unit.is_some()) == (begins.len(), unit.is_some());
                if !alike {
                    let words = |count: usize, unit: Option<f64>| match unit {
                        Some(_) => format!("{count} times"),
                        None => format!("{count} numbers of samples"),
                    };
                    let expected = format!("{} as in `{begin}`", words(begins.len(), unit));
                    let found = format!("{}; give both alike", words(ends.len(), end_unit));
                    return Err(self.unfit(&path, expected, found));
                }
                // Both in the unit of the first.
                let factor = end_unit.zip(unit).map_or(1.0, |(end, begin)| end / begin);
                ends.into_iter().map(|end| end * factor).collect()
            }
        };
        let ranges: Vec<Range<f64>> = begins.iter().zip(ends).map(|(b, e)| *b..e).collect();
        if let Some(bad) = ranges.iter().position(|r| r.end < r.start) {
            let Range { start, end } = ranges[bad];
            let found =
                format!("that point {bad} begins at {start} and ends at {end}; correct the table");
            let error = self.unfit(&begin, "points that end behind their beginning", found);
            return Err(error.of_kind(Code::OutOfRange));
        }
        if let Some(bad) = ranges.windows(2).position(|two| two[1].start < two[0].end) {
            let (Range { start, end }, next) = (ranges[bad].clone(), ranges[bad + 1].start);
            let found = format!(
                "point {bad} from {start} to {end}, and the next from {next}; sort the table, and let none overlap"
            );
            let error = self.unfit(&begin, "points that follow one another", found);
            return Err(error.of_kind(Code::OutOfRange));
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
            let marker = None;
            return Ok(Cutting::Stored { ranges, marker });
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
        let attributes = Attributes {
            recording: self,
            path: &path,
            dataset: &dataset,
            file,
        };
        let rate = attributes.number("sample_rate", &Unit::hertz())?;
        let rate = rate.filter(|rate| rate.is_finite() && *rate > 0.0);
        if matches!(descriptor, Ok(TypeDescriptor::Boolean)) && dataset.ndim() == 1 {
            for start in (0..samples).step_by(BLOCK as usize) {
                let range = start as usize..(start + BLOCK).min(samples) as usize;
                let flags = dataset.read_slice_1d::<bool, _>(range).map_err(broken)?;
                let numbers = flags.iter().map(|b| f64::from(u8::from(*b)));
                edges.take(numbers, marker.above.value);
                self.few(&path, &edges)?;
            }
        } else {
            let (header, above) = self.threshold(&path, marker)?;
            let reader = self.reader(&header)?;
            let mut block = vec![0.0; BLOCK as usize];
            for start in (0..samples).step_by(BLOCK as usize) {
                let part = &mut block[..BLOCK.min(samples - start) as usize];
                reader.read(0, start, part, &mut Counters::default(), None)?;
                edges.take(part.iter().copied(), above);
                self.few(&path, &edges)?;
            }
        }
        let (missing, low, top) = (edges.missing, edges.low, edges.top);
        let is_high = edges.is_high;
        let ranges = edges.finish();
        let Some(first) = ranges.first() else {
            let expected = format!("samples above `{}`", marker.above.text);
            let found = format!("{low} to {top}; correct `above`, or name another marker");
            return Err(self.unfit(&path, expected, found).of_kind(Code::OutOfRange));
        };
        let marker = Some(Beside {
            name: path,
            samples,
            rate,
            missing,
            gate: [first.start == 0, is_high],
        });
        Ok(Cutting::Stored { ranges, marker })
    }

    /// The header of a marker, and above what it is high in SI units. One whose unit is not known is in that of `above`.
    fn threshold(&self, path: &str, marker: &Marker) -> Result<(ChannelHeader, f64), StoreError> {
        let channel = |unit| Channel {
            dataset: Some(path.to_owned()),
            rate: Some(RateOrigin::Stated(1.0)),
            unit,
            ..Channel::default()
        };
        let unknown = || self.channel("points", &channel(Some(Unit::one())), None);
        let mut header = match self.channel("points", &channel(None), None) {
            Err(StoreError::Unfit {
                code: Code::Unit, ..
            }) => unknown()?,
            known => known?,
        };
        if header.two_dimensional {
            let found = format!("{} of them; name one record", counted(header.points, "row"));
            return Err(self.unfit(path, "the shape [sample]", found));
        }
        let above = &marker.above;
        if !header.unit_is_stated {
            header.unit = Unit::one();
        }
        let value = match header.unit.same_dimension(&above.unit) {
            true => above.value,
            false if above.unit.is_dimensionless() => above.value * header.unit.si_factor(),
            false if header.unit == Unit::one() => above.value,
            false => {
                let expected = format!("`above` in {}, as its samples are", header.unit);
                let found = format!("`{}`; correct the wiring", above.text);
                return Err(self.unfit(path, expected, found).of_kind(Code::Unit));
            }
        };
        Ok((header, value))
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
struct Edges {
    high: Vec<Range<u64>>,
    is_high: bool,
    samples: u64,
    missing: u64,
    /// Smallest and largest sample.
    low: f64,
    top: f64,
}

impl Default for Edges {
    fn default() -> Self {
        Edges {
            high: Vec::new(),
            is_high: false,
            samples: 0,
            missing: 0,
            low: f64::INFINITY,
            top: f64::NEG_INFINITY,
        }
    }
}

impl Edges {
    /// Takes samples, of which those that are missing are as the one before.
    fn take(&mut self, samples: impl Iterator<Item = f64>, above: f64) {
        for x in samples {
            self.missing += u64::from(x.is_nan());
            (self.low, self.top) = (self.low.min(x), self.top.max(x));
            let is_high = if x.is_nan() { self.is_high } else { x > above };
            match (is_high, self.is_high) {
                (true, false) => self.high.push(self.samples..self.samples),
                (false, true) => self.close(),
                _ => {}
            }
            self.is_high = is_high;
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
