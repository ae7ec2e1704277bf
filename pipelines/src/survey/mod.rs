//! Looks at the samples of a recording: spectrum, lines and references of its channels, gathered for
//! printing, drawing and writing.

pub mod bench;
pub mod json;
pub mod plot;
pub mod text;

use std::ops::{ControlFlow, Range};

use phasemill_engine::look::{ChannelLook, stream};
use phasemill_engine::store::{ChannelHeader, Counters, RecordingFile, StoreError};
use phasemill_engine::units::{Quantity, Unit};
use phasemill_stages::math::sums::Moments;
use phasemill_stages::survey::lines::Line;
use phasemill_stages::survey::names::{Known, Mains, Origin, mains, origins};
use phasemill_stages::survey::reference::{Steadiness, Watch};
use phasemill_stages::survey::{Spectrum, Survey, SurveyError};

/// Most samples of a channel that are looked at, unless all are asked for.
const MOST: u64 = 1 << 26;

/// Part of its samples near an extreme from which on a channel is a square.
pub const SQUARE: f64 = 0.7;

/// Which samples are looked at.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Wanted {
    /// Those of one point, up to 2^26.
    Point(u64),
    /// Those of all points.
    All,
}

/// A channel that was looked at.
pub struct Seen {
    /// Path of its dataset.
    pub path: String,
    /// Its header.
    pub header: ChannelHeader,
    /// The unit in which everything is: the SI form of the channel's.
    pub unit: Unit,
    /// Mean of the samples.
    pub mean: f64,
    /// Points that were looked at.
    pub points: Range<u64>,
    /// Samples that were looked at.
    pub samples: u64,
    /// Whether the point has more.
    pub cut: bool,
    /// What was found, or why nothing was.
    pub spectrum: Result<Spectrum, SurveyError>,
    /// For a channel that may be a reference: what it was found to be at each point.
    pub watched: Vec<(u64, Option<Steadiness>)>,
}

/// Everything that was seen in a recording.
pub struct Findings {
    /// The channels that state a sample rate.
    pub channels: Vec<Seen>,
    /// The references among them.
    pub references: Vec<Known>,
}

/// A line with what it may be.
pub struct Named<'l> {
    /// The line.
    pub line: &'l Line,
    /// What it may be, the simplest first.
    pub origins: Vec<Origin>,
}

/// Looks at the samples of a channel, once more with shorter segments where there are many gaps.
///
/// # Errors
/// [`StoreError`] when they cannot be read.
pub fn see(file: &RecordingFile, look: &ChannelLook, wanted: Wanted) -> Result<Seen, StoreError> {
    let header = &look.header;
    let (points, most) = match wanted {
        Wanted::All => (0..header.points, u64::MAX),
        Wanted::Point(point) => (point..point + 1, MOST),
    };
    let longest = match wanted {
        Wanted::All => header.longest(),
        Wanted::Point(point) => header.of_point(point).map_or(0, |h| h.samples),
    };
    let mut seen = Seen {
        path: header.dataset.clone(),
        header: header.clone(),
        unit: header.unit.to_coherent(),
        mean: f64::NAN,
        points: points.clone(),
        samples: 0,
        cut: longest > most,
        spectrum: Err(SurveyError::TooShort(longest)),
        watched: Vec::new(),
    };
    let mut next = Survey::new(header.rate, longest.min(most)).ok();
    // References are watched, and the mean is taken, on the first way through only.
    let mut first = true;
    while let Some(mut survey) = next.take() {
        let mut moments = Moments::default();
        let mut watch: Option<(u64, Watch)> = None;
        let mut samples = 0;
        stream(
            file,
            header,
            points.clone(),
            &mut Counters::default(),
            |point, start, part| {
                if start == 0 {
                    survey.next_point();
                    seen.watched
                        .extend(watch.take().map(|(p, w)| (p, w.finish())));
                    let guess = look.reference.as_ref().filter(|_| first);
                    watch = guess.map(|guess| {
                        let square = guess.near_extremes > SQUARE;
                        (point, Watch::new(header.rate, square, guess.frequency))
                    });
                }
                survey.push(part);
                if let Some((_, watch)) = &mut watch {
                    watch.push(part);
                }
                if first {
                    moments.extend(part);
                }
                samples += part.len() as u64;
                match samples >= most {
                    true => ControlFlow::Break(()),
                    false => ControlFlow::Continue(()),
                }
            },
        )?;
        seen.watched.extend(watch.map(|(p, w)| (p, w.finish())));
        if first {
            seen.mean = moments.mean();
        }
        first = false;
        seen.samples = samples;
        seen.spectrum = survey.finish();
        if matches!(seen.spectrum, Err(SurveyError::Spectrum(_))) {
            next = survey.shorter();
        }
    }
    Ok(seen)
}

impl Seen {
    /// What the channel is as a reference: the middle of its frequencies at the points, and how far they
    /// scatter; a point at which it stopped does not count for more than the others.
    fn known(&self) -> Option<(bool, f64, Known)> {
        let found: Vec<&Steadiness> = self
            .watched
            .iter()
            .filter_map(|(_, s)| s.as_ref())
            .collect();
        let first = found.first()?;
        let count = found.len() as f64;
        let mean =
            |of: &dyn Fn(&Steadiness) -> f64| found.iter().map(|s| of(s)).sum::<f64>() / count;
        let frequency = median(found.iter().map(|s| s.frequency));
        let apart = found.iter().map(|s| (s.frequency - frequency).abs());
        let spread = mean(&|s| s.spread) / frequency;
        let known = Known {
            name: self.path.clone(),
            frequency,
            frequency_u: mean(&|s| s.frequency_u),
            // The median deviation of Gaussian values, as a standard deviation.
            wander: 1.483 * median(apart),
        };
        Some((first.square, spread, known))
    }

    /// The lines with what they may be, by frequency, and the mains that they show.
    pub fn named(&self, references: &[Known]) -> (Vec<Named<'_>>, Option<Mains>) {
        let Ok(spectrum) = &self.spectrum else {
            return (Vec::new(), None);
        };
        let hum = mains(spectrum, references);
        let named = spectrum.lines.iter().map(|line| Named {
            line,
            origins: origins(line, spectrum, references, hum),
        });
        (named.collect(), hum)
    }
}

/// The lower median; NaN of nothing.
fn median(values: impl Iterator<Item = f64>) -> f64 {
    let mut sorted: Vec<f64> = values.collect();
    sorted.sort_unstable_by(f64::total_cmp);
    let middle = sorted.len().saturating_sub(1) / 2;
    sorted.get(middle).copied().unwrap_or(f64::NAN)
}

impl Findings {
    /// The channels with the references found among them: the channel or the frequency that is chosen, or
    /// else all that are steady, squares before sines and the steadiest first. One that runs as another
    /// does, follows it.
    ///
    /// # Errors
    /// A message when the chosen channel is no reference.
    pub fn new(channels: Vec<Seen>, chosen: Option<&str>) -> Result<Findings, String> {
        let stated = chosen.and_then(|text| Quantity::parse(text).ok());
        if let Some(stated) = stated.filter(|q| q.unit.same_dimension(&Unit::hertz())) {
            let fastest = channels.iter().map(|c| c.header.rate).fold(0.0, f64::max);
            // A frequency of nothing is no reference, and NaN is none.
            if !(stated.value > 0.0 && stated.value < 0.5 * fastest) {
                return Err(format!(
                    "error: expected a reference above 0 Hz and below half the sample rate, {} Hz, found `{}`; choose another, \
                     or record faster",
                    0.5 * fastest,
                    stated.text
                ));
            }
            let references = vec![Known {
                name: stated.text.clone(),
                frequency: stated.value,
                frequency_u: 0.0,
                wander: 0.0,
            }];
            return Ok(Findings {
                channels,
                references,
            });
        }
        let mut all: Vec<(bool, f64, Known)> = channels.iter().filter_map(Seen::known).collect();
        if let Some(chosen) = chosen {
            let bare = |path: &str| path.trim_matches('/').to_owned();
            all.retain(|(.., known)| bare(&known.name) == bare(chosen));
            if all.is_empty() {
                let paths: Vec<&str> = channels.iter().map(|c| c.path.as_str()).collect();
                return Err(format!(
                    "error: expected a steady reference in `{chosen}`, found none; give a frequency such as \"173 Hz\", or one of {}",
                    paths.join(", ")
                ));
            }
        }
        all.sort_by(|a, b| b.0.cmp(&a.0).then(a.1.total_cmp(&b.1)));
        let mut references: Vec<Known> = Vec::new();
        for (.., known) in all {
            let follows = |first: &Known| {
                let reach = 4.0 * libm::hypot(first.frequency_u, known.frequency_u) + first.wander;
                (known.frequency - first.frequency).abs() <= reach + 1e-4 * first.frequency
            };
            if !references.iter().any(follows) {
                references.push(known);
            }
        }
        Ok(Findings {
            channels,
            references,
        })
    }

    /// The reference whose neighbourhood is of interest in a channel: the first.
    pub fn reference(&self) -> Option<&Known> {
        self.references.first()
    }

    /// Whether a channel is one of the references.
    pub fn is_reference(&self, path: &str) -> bool {
        self.references.iter().any(|r| r.name == path)
    }
}
