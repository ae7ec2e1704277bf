//! The sample rate of a channel: stated, in an attribute, or from a dataset of times.

use hdf5::File;
use hdf5::types::{FloatSize, TypeDescriptor};

use super::StoreError;
use super::attributes::Attributes;
use super::read::{RecordingFile, absolute};
use super::times::{Grid, Times};
use crate::recipe::{Channel, RateOrigin};
use crate::units::Unit;

impl RecordingFile {
    /// The uniform grid of a channel's samples, from its rate or from their times.
    pub(super) fn grid(
        &self,
        attributes: &Attributes<'_>,
        channel: &Channel,
        role: &str,
        length: u64,
    ) -> Result<Grid, StoreError> {
        let path = attributes.path;
        let hertz = || Unit::parse("Hz").unwrap_or_else(|_| Unit::one());
        let rate = match &channel.rate {
            Some(RateOrigin::Stated(rate)) => *rate,
            Some(RateOrigin::Attribute(name)) => attributes.required(name, &hertz())?,
            Some(RateOrigin::Times(times)) => {
                return self.times(attributes.file, times, role, length);
            }
            None => attributes.number("sample_rate", &hertz())?.ok_or_else(|| {
                let found = format!(
                    "none; it has {}; state `rate` in the wiring of `{role}`",
                    attributes.names()
                );
                self.unfit(path, "an attribute `sample_rate` in Hz", found)
            })?,
        };
        if !(rate.is_finite() && rate > 0.0) {
            let found = format!("{rate} Hz; state `rate` in the wiring of `{role}`");
            return Err(self.unfit(path, "a sample rate above 0 Hz", found));
        }
        Ok(Grid {
            rate,
            first: None,
            samples: length,
            stretches: Vec::new(),
        })
    }

    fn times(&self, file: &File, path: &str, role: &str, length: u64) -> Result<Grid, StoreError> {
        let path = absolute(path);
        let dataset = self.dataset(
            file,
            &path,
            &format!("name it with `rate` in the wiring of `{role}`"),
        )?;
        self.form(&path, &dataset)?;
        let broken = |e: hdf5::Error| self.broken(&path, &e);
        let shape = dataset.space().map_err(broken)?.shape();
        if shape != [length as usize] {
            let found = format!("the shape {shape:?}; name the times of this channel");
            return Err(self.unfit(&path, format!("{length} times, one per sample"), found));
        }
        let attributes = Attributes {
            recording: self,
            path: &path,
            dataset: &dataset,
            file,
        };
        let text = attributes
            .own_text("units")?
            .filter(|t| !t.is_empty())
            .unwrap_or_else(|| "s".into());
        let Some(unit) = unit_of_time(&text) else {
            let found = format!("`{text}`; correct the attribute, or state the rate instead");
            return Err(self.unfit(&format!("{path}@units"), "a unit of time", found));
        };
        let descriptor = dataset.dtype().map_err(broken)?.to_descriptor();
        let integer = matches!(
            descriptor,
            Ok(TypeDescriptor::Integer(_) | TypeDescriptor::Unsigned(_))
        );
        let at = |index: usize| {
            Ok(dataset
                .read_slice_1d::<f64, _>(index..index + 1)
                .map_err(broken)?[0])
        };
        let first = at(0)?;
        let largest = first.abs().max(at(length as usize - 1)?.abs());
        let resolution = match descriptor {
            _ if integer => 1.0,
            Ok(TypeDescriptor::Float(FloatSize::U4)) => largest * f64::from(f32::EPSILON),
            _ => largest * f64::EPSILON,
        };
        // Whole numbers may be too long for a float64, and their differences from the first are not.
        let zero = if integer {
            dataset.read_slice_1d::<i64, _>(0..1).map_err(broken)?[0]
        } else {
            0
        };
        let mut read = |start: u64, length: u64| {
            let range = start as usize..(start + length) as usize;
            match integer {
                true => dataset.read_slice_1d::<i64, _>(range).map(|times| {
                    times
                        .iter()
                        .map(|t| t.wrapping_sub(zero) as f64)
                        .collect::<Vec<f64>>()
                }),
                false => dataset
                    .read_slice_1d::<f64, _>(range)
                    .map(|times| times.iter().map(|t| t - first).collect()),
            }
            .map_err(broken)
        };
        let found = Times {
            count: length,
            resolution,
            read: &mut read,
        }
        .grid()?;
        let grid = found.map_err(|(expected, found)| {
            self.unfit(&path, expected, format!("{found} (in {text})"))
        })?;
        Ok(Grid {
            rate: per_second(grid.rate, unit.si_factor()),
            first: Some(first * unit.si_factor()),
            ..grid
        })
    }
}

/// A unit of time. "seconds since 1970-01-01" is how the CF conventions write times; only differences matter.
pub(super) fn unit_of_time(text: &str) -> Option<Unit> {
    let unit = Unit::parse(in_symbols(text.split(" since ").next().unwrap_or(text))).ok()?;
    let second = Unit::parse("s").ok()?;
    unit.same_dimension(&second).then_some(unit)
}

/// The symbol of a unit of time that is written out, as in the CF conventions.
fn in_symbols(unit: &str) -> &str {
    match unit.trim().trim_end_matches('s') {
        "second" | "sec" => "s",
        "millisecond" => "ms",
        "microsecond" => "us",
        "nanosecond" => "ns",
        "minute" => "min",
        "hour" => "h",
        "day" => "day",
        _ => unit,
    }
}

/// A rate per unit of time as a rate per second, without a rounding error for units below a second.
fn per_second(rate: f64, unit: f64) -> f64 {
    let inverse = (1.0 / unit).round();
    if unit < 1.0 && (inverse * unit - 1.0).abs() <= f64::EPSILON {
        rate * inverse
    } else {
        rate / unit
    }
}
