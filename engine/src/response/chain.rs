//! The chain of a flow taken apart, and what it does to a line: each figure by itself, as cautions ask for them.

use num_complex::Complex64;
use serde::Serialize;

use super::Element;
use super::frequency::{envelope, gain};
use super::noise::noise_bandwidth;
use super::settling::{settling_of, step_of};
use crate::flow::{Flow, Kind};

/// Lowest gain that is told from zero, in dB: what rounding leaves of a sum that is exactly zero.
const FLOOR: f64 = -300.0;

/// Most images of one decimation that are looked at.
const IMAGES: u64 = 1024;

/// Multiples of a mains frequency that are looked at.
const HARMONICS: u32 = 40;

/// 20·log10 of a ratio of amplitudes, no lower than -300 dB, where rounding ends.
pub fn decibels(ratio: f64) -> f64 {
    (20.0 * libm::log10(ratio)).max(FLOOR)
}

/// What a chain does to one disturbance.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Rejection {
    /// What is rejected.
    pub what: String,
    /// Its frequency at the input in Hz; `None` for a distance from the line.
    pub input_frequency: Option<f64>,
    /// Where it is seen behind the mixing, in Hz from the line.
    pub seen_at: f64,
    /// Gain of the samples against the signal's, in dB.
    pub samples_db: f64,
    /// Gain of the value of the point against the signal's, in dB; `None` where samples are kept.
    pub value_db: Option<f64>,
    /// The same without the zeros of the mean, which hold at exact frequencies only: mains wander.
    pub value_at_most_db: Option<f64>,
}

/// Where a line of the input is seen behind the mixing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Arrival {
    /// Distance from the signal in Hz.
    pub seen_at: f64,
    /// Whether sampling or a decimation folded it there.
    pub folded: bool,
    /// Its gain against the signal's, in dB.
    pub db: f64,
}

/// What one decimation folds on the line.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Image {
    /// The new sample rate in Hz: its multiples fold on the line.
    pub rate: f64,
    /// Whether the decimation comes before the mixing.
    pub before_mixing: bool,
    /// How many images were looked at.
    pub images: u64,
    /// The one that is let through best, in Hz: at the input if before the mixing, else from the line.
    pub worst_at: f64,
    /// Its gain against the signal's, in dB.
    pub worst_db: f64,
}

/// A chain taken apart.
#[derive(Clone, Debug, PartialEq)]
pub struct Chain {
    /// Whether the signal is mixed: frequencies are then distances from the line.
    pub mixed: bool,
    /// Frequency of the signal at the input in Hz, where it is known before the run; 0 if not mixed.
    pub signal_frequency: Option<f64>,
    /// Sample rate at which the chain that is followed begins, in Hz.
    pub rate: f64,
    /// Whether gains are against the signal's; else the chain lets no steady signal through, and they
    /// are those of the chain itself.
    pub relative: bool,
    /// Whether the chain holds a mean over periods of a clock whose frequency is not known yet; then
    /// little else is known.
    pub needs_frequency: bool,
    /// The elements before the mixing.
    pub(super) before: Vec<Element>,
    /// Those behind it.
    pub(super) behind: Vec<Element>,
    /// The mean that makes a value of the samples.
    pub(super) average: Option<Element>,
    /// The signal's frequency as the mixing sees it, and its gain up to there.
    pub(super) line: Option<(f64, f64)>,
    /// Gain of `behind` at the line.
    pub(super) steady: f64,
}

impl Chain {
    /// The chain of a flow; `line` is its signal's frequency where that is known. `None` for a flow that no linear chain
    /// leads to, or of which no rate is known.
    pub fn of(flow: &Flow, line: Option<f64>) -> Option<Chain> {
        let elements = &flow.response.elements;
        let average = elements
            .iter()
            .rfind(|e| matches!(e, Element::Average(..)))
            .cloned();
        match flow.kind {
            Kind::Wave | Kind::Phasor => {}
            Kind::Estimate | Kind::ComplexEstimate if average.is_some() => {}
            _ => return None,
        }
        let samples: Vec<Element> = elements
            .iter()
            .filter(|e| !matches!(e, Element::Average(..)))
            .map(as_expected)
            .collect();
        let at = samples.iter().rposition(|e| *e == Element::Mixed);
        let (before, behind) = match at {
            Some(at) => (samples[..at].to_vec(), samples[at + 1..].to_vec()),
            None => (Vec::new(), samples),
        };
        if flow.kind.is_sampled() && before.is_empty() && behind.is_empty() {
            return None;
        }
        let last = match average {
            Some(Element::Average(_, rate)) => Some(rate),
            _ => flow.rate,
        };
        let rate = rate_at_start(&behind, last)?;
        let steady = gain(&behind, 0.0).norm();
        let relative = steady > 1e-9;
        let mixed = at.is_some();
        Some(Chain {
            mixed,
            signal_frequency: if mixed { line } else { Some(0.0) },
            rate,
            relative,
            needs_frequency: behind.iter().any(Element::awaits_frequency),
            line: line.filter(|_| mixed).map(|f| {
                let start = rate_at_start(&before, Some(rate)).unwrap_or(rate);
                (folded(&before, start, f), gain(&before, f).norm())
            }),
            steady: if relative { steady } else { 1.0 },
            before,
            behind,
            average,
        })
    }

    /// What becomes of the signal's amplitude and phase on the way: the product of the gains at its own frequency before
    /// the mixing and at zero frequency behind it. `None` where the frequency is not known, or folded before the mixing.
    pub fn gain_of_signal(&self) -> Option<Complex64> {
        let f = self.signal_frequency.filter(|_| !self.needs_frequency)?;
        let whole = self
            .line
            .is_none_or(|(seen, _)| (seen - f).abs() <= 1e-12 * f);
        (self.relative && whole).then(|| gain(&self.before, f) * gain(&self.behind, 0.0))
    }

    /// Whether filters before the mixing act on the signal and its frequency is not known.
    pub fn carrier_left_out(&self) -> bool {
        let filters = |e: &Element| !matches!(e, Element::KeepEvery(_));
        self.mixed && self.line.is_none() && self.before.iter().any(filters)
    }

    /// One-sided equivalent noise bandwidth of the samples in Hz.
    pub fn noise_bandwidth(&self) -> Option<f64> {
        self.bandwidth(&self.behind)
    }

    /// The noise bandwidth in Hz at the end of some elements that begin where `behind` does.
    pub(super) fn bandwidth(&self, elements: &[Element]) -> Option<f64> {
        let known = self.relative && !self.needs_frequency;
        known
            .then(|| noise_bandwidth(elements, self.rate))
            .flatten()
    }

    /// Gain in dB against the signal's at a distance of `offset` Hz from the line (from zero frequency if
    /// not mixed): of the samples and of the value.
    pub fn response(&self, offset: f64) -> (f64, Option<f64>) {
        let samples = gain(&self.behind, offset).norm() / self.steady;
        let value = self
            .average
            .as_ref()
            .map(|a| decibels(samples * gain(std::slice::from_ref(a), offset).norm()));
        (decibels(samples), value)
    }

    /// The answer of the samples behind the mixing to a step of the signal, as times in s and parts of the end value, up
    /// to a quarter beyond the time in which it settles to 0.1 %. `None` where there is no such answer.
    pub fn step(&self, points: usize) -> Option<Vec<(f64, f64)>> {
        let seconds = settling_of(&self.behind, 1e-3)?;
        step_of(&self.behind, 1.25 * seconds, points)
    }

    /// Gain of the value in dB as [`Chain::response`] gives it, but for the zeros of the mean.
    pub fn value_at_most(&self, offset: f64) -> Option<f64> {
        let average = self.average.as_ref()?;
        Some((self.response(offset).0 + decibels(envelope(average, offset))).max(FLOOR))
    }

    /// Sample rate at the input in Hz.
    pub fn input_rate(&self) -> f64 {
        let start = rate_at_start(&self.before, Some(self.rate));
        start.unwrap_or(self.rate)
    }

    /// Where a line of `f` Hz at the input, above half the sample rate or not, is seen behind the mixing, all
    /// folding done. `None` where that is not within a distance of the signal in Hz, where the chain is not mixed, or
    /// where its signal's frequency is not known.
    pub fn arrival(&self, f: f64, within: f64) -> Option<Arrival> {
        let (line, own) = self.line?;
        let start = self.input_rate();
        let sampled = (f - start * (f / start).round()).abs();
        let arrives = folded(&self.before, start, sampled);
        // Mixing puts it at the difference and at the sum; the one that gets further counts.
        let sides = [(line - arrives).abs(), line + arrives];
        let seen = sides.map(|off| folded(&self.behind, self.rate, off));
        if seen.iter().all(|at| *at > within) {
            return None;
        }
        let through = sides.map(|off| self.response(off).0);
        let side = usize::from(through[1] > through[0]);
        let carrier = decibels(gain(&self.before, f).norm() / own);
        // Rounding of one part in 10^12 is no folding.
        let moved = |from: f64, to: f64| (from - to).abs() > 1e-12 * (f + line);
        (seen[side] <= within).then(|| Arrival {
            seen_at: seen[side],
            folded: moved(f, arrives) || moved(sides[side], seen[side]),
            db: carrier + through[side],
        })
    }

    /// What is seen at a distance from the line, its gain changed by `carrier` dB before.
    fn rejection(&self, what: String, f: Option<f64>, seen_at: f64, carrier: f64) -> Rejection {
        let (samples, value) = self.response(seen_at);
        let changed = |db: f64| (db + carrier).max(FLOOR);
        Rejection {
            what,
            input_frequency: f,
            seen_at,
            samples_db: changed(samples),
            value_db: value.map(changed),
            value_at_most_db: self.value_at_most(seen_at).map(changed),
        }
    }

    /// A disturbance of `f` Hz at the input: where it is seen, and its gain in dB. Mixing puts it at the
    /// difference and at the sum of the frequencies; the one that gets further counts.
    fn disturbance(&self, what: String, f: f64) -> Rejection {
        let (seen_at, carrier) = match self.line {
            None => (f, 0.0),
            Some((line, own)) => {
                let start = self.input_rate();
                let arrives = folded(&self.before, start, f);
                let carrier = decibels(gain(&self.before, f).norm() / own);
                let sides = [(line - arrives).abs(), line + arrives];
                let at = |x: f64| self.response(x).0;
                (
                    if at(sides[1]) > at(sides[0]) {
                        sides[1]
                    } else {
                        sides[0]
                    },
                    carrier,
                )
            }
        };
        self.rejection(what, Some(f), seen_at, carrier)
    }

    /// What becomes of an offset, of the signal's own image and of the mains.
    pub fn rejections(&self) -> Vec<Rejection> {
        if self.needs_frequency {
            return Vec::new();
        }
        let Some(signal) = self.signal_frequency else {
            return [1.0, 10.0, 100.0]
                .into_iter()
                .filter(|offset| *offset < 0.5 * self.rate)
                .map(|offset| {
                    let what = format!("{offset} Hz from the line");
                    self.rejection(what, None, offset, 0.0)
                })
                .collect();
        };
        let mut all = Vec::new();
        if let (true, Some((line, _))) = (self.mixed, self.line) {
            all.push(self.disturbance("offset".into(), 0.0));
            let image = "image of the signal".to_owned();
            all.push(self.rejection(image, Some(signal), 2.0 * line, 0.0));
        }
        let start = rate_at_start(&self.before, Some(self.rate)).unwrap_or(self.rate);
        for mains in [50.0, 60.0] {
            for k in 1..=HARMONICS {
                let f = mains * f64::from(k);
                if f < 0.5 * start {
                    let what = match k {
                        1 => format!("mains {mains} Hz"),
                        _ => format!("mains {k} x {mains} Hz"),
                    };
                    all.push(self.disturbance(what, f));
                }
            }
        }
        all
    }

    /// What becomes of what decimation folds on the line.
    pub fn images(&self) -> Vec<Image> {
        if self.needs_frequency {
            return Vec::new();
        }
        let mut all = Vec::new();
        if let (Some((_, own)), Some(f)) = (self.line, self.signal_frequency)
            && let Some(start) = rate_at_start(&self.before, Some(self.rate))
        {
            let level = |x: f64| decibels(gain(&self.before, x).norm() / own);
            for (n, rate) in decimations(&self.before, start) {
                // What lies at k·rate ± f becomes f.
                let candidates = (1..=(n / 2).min(IMAGES)).flat_map(|k| {
                    let image = k as f64 * rate;
                    [image - f, image + f]
                });
                all.extend(
                    worst(candidates, 0.5 * start, level).map(|(images, at, db)| Image {
                        rate,
                        before_mixing: true,
                        images,
                        worst_at: at,
                        worst_db: db,
                    }),
                );
            }
        }
        for (n, rate) in decimations(&self.behind, self.rate) {
            let candidates = (1..=(n / 2).min(IMAGES)).map(|k| k as f64 * rate);
            let found = worst(candidates, 0.5 * self.rate, |x| self.response(x).0);
            all.extend(found.map(|(images, at, db)| Image {
                rate,
                before_mixing: false,
                images,
                worst_at: at,
                worst_db: db,
            }));
        }
        all
    }
}

/// The element, with an expected frequency taken for the true one.
fn as_expected(element: &Element) -> Element {
    match element {
        Element::Periods {
            samples: Some(samples),
            rate,
            ..
        } => Element::Periods {
            samples: Some(*samples),
            rate: *rate,
            stated: true,
        },
        other => other.clone(),
    }
}

/// The rate at which samples come to a chain, from what its elements know, or from the rate behind it.
pub(super) fn rate_at_start(elements: &[Element], behind: Option<f64>) -> Option<f64> {
    let mut every = 1.0;
    for element in elements {
        match element {
            Element::Sections(_, rate)
            | Element::Taps(_, rate)
            | Element::Average(_, rate)
            | Element::Periods { rate, .. } => return Some(rate * every),
            Element::KeepEvery(n) => every *= *n as f64,
            Element::Mixed => {}
        }
    }
    behind.map(|rate| rate * every)
}

/// The decimations of a chain: how many samples at its beginning one is kept of, and the rate in Hz.
fn decimations(elements: &[Element], start: f64) -> Vec<(u64, f64)> {
    let factors = elements.iter().filter_map(|e| match e {
        Element::KeepEvery(n) if *n > 1 => Some(*n),
        _ => None,
    });
    let mut every = 1u64;
    factors
        .map(|n| {
            every = every.saturating_mul(n);
            (every, start / every as f64)
        })
        .collect()
}

/// The frequency to which the decimations of a chain fold a tone of `f` Hz.
pub(super) fn folded(elements: &[Element], start: f64, f: f64) -> f64 {
    decimations(elements, start)
        .iter()
        .fold(f, |f, (_, rate)| (f - rate * (f / rate).round()).abs())
}

/// How many of the frequencies up to `limit` there are, the one with the highest level, and that level.
fn worst(
    frequencies: impl Iterator<Item = f64>,
    limit: f64,
    level: impl Fn(f64) -> f64,
) -> Option<(u64, f64, f64)> {
    // The last image may lie on half the rate, but for rounding.
    let limit = limit * (1.0 + 1e-12);
    frequencies.filter(|f| *f <= limit).fold(None, |found, f| {
        let db = level(f);
        Some(match found {
            Some((n, at, best)) if best >= db => (n + 1, at, best),
            Some((n, ..)) => (n + 1, f, db),
            None => (1, f, db),
        })
    })
}
