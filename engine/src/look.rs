//! A look into a recording: range, clipping, missing samples, and which channel may be a reference.

use std::ops::{ControlFlow, Range};
use std::path::Path;

use crate::recipe::{Channel, RateOrigin, Wiring};
use crate::store::{ChannelHeader, Counters, Cutting, DatasetInfo, RecordingFile, StoreError};
use crate::text::Name;

/// Most samples of a channel that are read for a look.
pub const MOST_SAMPLES: u64 = 100_000_000;

/// Samples of the first point that are examined for a reference.
const EXAMINED: u64 = 1 << 20;

/// What the samples of a channel look like.
#[derive(Clone, Debug)]
pub struct ChannelLook {
    /// Its header.
    pub header: ChannelHeader,
    /// Whether the recording states a sample rate.
    pub has_rate: bool,
    /// Range, clipping and missing samples.
    pub counters: Counters,
    /// Samples read; all of them, or the first [`MOST_SAMPLES`].
    pub samples: u64,
    /// What it may be the reference of.
    pub reference: Option<ReferenceGuess>,
}

/// A guess that a channel is a reference.
#[derive(Clone, Debug, PartialEq)]
pub struct ReferenceGuess {
    /// Hz where the rate is known, or else in cycles per sample.
    pub frequency: f64,
    /// Relative standard deviation of the periods.
    pub spread: f64,
    /// Part of the samples near either extreme: near 1 for a square, about 0.4 for a sine.
    pub near_extremes: f64,
}

/// Looks at one dataset, with what a wiring says of it, as one record or cut into points; `None` when it cannot be a
/// channel.
pub fn look(
    file: &RecordingFile,
    dataset: &DatasetInfo,
    wiring: &Wiring,
    cutting: Option<&Cutting>,
) -> Option<Result<ChannelLook, StoreError>> {
    let is_meant = |(name, channel): &&(Name, Channel)| match &channel.dataset {
        Some(path) => is_path(path, &dataset.path),
        None => name.text == dataset.path.trim_matches('/'),
    };
    let wired = wiring.channels.iter().find(is_meant);
    let channel = Channel {
        dataset: Some(dataset.path.clone()),
        ..wired
            .map(|(_, channel)| channel.clone())
            .unwrap_or_default()
    };
    let stated = file.channel(&dataset.path, &channel, None);
    let has_rate = stated.is_ok();
    // Without a rate the samples can still be looked at, counted per sample.
    let per_sample = Channel {
        rate: Some(RateOrigin::Stated(1.0)),
        ..channel
    };
    let mut header = stated
        .or_else(|_| file.channel(&dataset.path, &per_sample, None))
        .ok()?;
    // What was not recorded beside the channels is looked at as it is.
    let points = wiring.points.as_ref();
    let is_own = points.is_some_and(|(p, _)| p.datasets().any(|d| is_path(d, &dataset.path)));
    if let Some(cutting) = cutting.filter(|_| has_rate && !is_own) {
        let mut whole = [Some(header.clone())];
        let done = file.cut(&mut whole, cutting);
        if let ([Some(cut)], Ok(())) = (whole, done) {
            header = cut;
        }
    }
    Some(read(file, header, has_rate))
}

fn is_path(one: &str, other: &str) -> bool {
    one.trim_matches('/') == other.trim_matches('/')
}

/// Hands on the samples of some points, block by block, in SI units, NaN where one is missing, until `take`
/// says that it has enough. `take` is given the point and the index of the first sample.
///
/// # Errors
/// [`StoreError`] when they cannot be read.
pub fn stream(
    file: &RecordingFile,
    header: &ChannelHeader,
    points: Range<u64>,
    counters: &mut Counters,
    mut take: impl FnMut(u64, u64, &[f64]) -> ControlFlow<()>,
) -> Result<(), StoreError> {
    let mut block = vec![0.0; crate::plan::BLOCK];
    for point in points.start..points.end.min(header.points) {
        // A point without samples is told of, and the others are there to be looked at.
        let Ok(header) = header.of_point(point) else {
            continue;
        };
        let reader = file.reader(&header)?;
        let mut start = 0;
        while start < header.samples {
            let length = (header.samples - start).min(block.len() as u64) as usize;
            let part = &mut block[..length];
            reader.read(point, start, part, counters, None)?;
            if take(point, start, part).is_break() {
                return Ok(());
            }
            start += length as u64;
        }
    }
    Ok(())
}

fn read(
    file: &RecordingFile,
    header: ChannelHeader,
    has_rate: bool,
) -> Result<ChannelLook, StoreError> {
    let mut counters = Counters::default();
    let mut first = Vec::new();
    let mut samples = 0;
    stream(
        file,
        &header,
        0..header.points,
        &mut counters,
        |point, start, part| {
            if point == 0 && start < EXAMINED {
                first.extend_from_slice(part);
            }
            samples += part.len() as u64;
            match samples >= MOST_SAMPLES {
                true => ControlFlow::Break(()),
                false => ControlFlow::Continue(()),
            }
        },
    )?;
    let reference = guess(&first, header.rate);
    Ok(ChannelLook {
        header,
        has_rate,
        counters,
        samples,
        reference,
    })
}

/// A channel is taken for a reference when it crosses its middle at least three times at intervals
/// that vary by less than a tenth.
fn guess(samples: &[f64], rate: f64) -> Option<ReferenceGuess> {
    let finite = || samples.iter().copied().filter(|x| x.is_finite());
    let (low, high) = finite().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), x| {
        (l.min(x), h.max(x))
    });
    // Nothing there, or a constant.
    if low >= high {
        return None;
    }
    let at = |part: f64| low + part * (high - low);
    let mut rises = Vec::new();
    let mut up = samples.first().is_some_and(|x| *x > at(0.5));
    for (i, x) in samples.iter().enumerate() {
        if !up && *x > at(0.6) {
            up = true;
            rises.push(i as f64);
        } else if up && *x < at(0.4) {
            up = false;
        }
    }
    let periods: Vec<f64> = rises.windows(2).map(|w| w[1] - w[0]).collect();
    if periods.len() < 3 {
        return None;
    }
    let mean = periods.iter().sum::<f64>() / periods.len() as f64;
    let variance =
        periods.iter().map(|p| (p - mean) * (p - mean)).sum::<f64>() / (periods.len() - 1) as f64;
    let spread = variance.sqrt() / mean;
    // Half a sample of rounding is not a spread of the periods.
    if spread > 0.1 + 0.5 / mean {
        return None;
    }
    let near = finite().filter(|x| *x < at(0.1) || *x > at(0.9)).count();
    Some(ReferenceGuess {
        frequency: rate / mean,
        spread,
        near_extremes: near as f64 / finite().count().max(1) as f64,
    })
}

/// Where the points of a recording are, if the wiring says that they are parts of one record.
///
/// # Errors
/// [`StoreError`] when what says so is missing or makes no sense.
pub fn cutting(file: &RecordingFile, wiring: &Wiring) -> Result<Option<Cutting>, StoreError> {
    let points = wiring.points.as_ref();
    points.map(|(points, _)| file.cutting(points)).transpose()
}

/// Opens a recording for a look.
pub fn open(path: &Path) -> Result<RecordingFile, StoreError> {
    RecordingFile::open(path)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_square_and_a_sine_are_references_and_noise_is_not() {
        let square: Vec<f64> = (0..2000)
            .map(|i| if i % 50 < 20 { 5.0 } else { 0.0 })
            .collect();
        let found = guess(&square, 1000.0).expect("a reference");
        assert_eq!(
            (found.frequency, found.spread, found.near_extremes),
            (20.0, 0.0, 1.0)
        );
        let sine: Vec<f64> = (0..2000)
            .map(|i| libm::sin(std::f64::consts::TAU * f64::from(i) / 50.0))
            .collect();
        let found = guess(&sine, 1000.0).expect("a reference");
        // A sine is beyond 0.8 of its amplitude for 1 - 2·asin(0.8)/π = 41 % of the time.
        assert!((found.frequency - 20.0).abs() < 1e-9 && (found.near_extremes - 0.41).abs() < 0.05);
        // A linear congruential sequence (constants from memory of common practice) has no period.
        let mut state = 1u64;
        let noise: Vec<f64> = (0..2000)
            .map(|_| {
                state = state
                    .wrapping_mul(6_364_136_223_846_793_005)
                    .wrapping_add(1_442_695_040_888_963_407);
                (state >> 33) as f64
            })
            .collect();
        assert_eq!(guess(&noise, 1000.0), None);
        assert_eq!(guess(&[1.0; 100], 1000.0), None);
    }
}
