//! The noise at candidate modulation frequencies, source by source, and where to modulate.

use serde::Serialize;

use super::LOWEST;
use super::sources::Sources;
use crate::bench::Bench;
use crate::diagnostic::counted;

/// Multiples of the mains that are kept away from (IEC 61000-4-7 measures up to the 40th).
const HARMONICS: u32 = 40;

/// How far mains wander: 50 Hz ± 1 % for 99.5 % of a year (EN 50160, 4.2.1; from memory).
const WANDER: f64 = 0.01;

/// Distance to a line, as a multiple of the width 1/T of an average over T (common practice, no source).
const WIDTHS: f64 = 10.0;

/// Samples a period that leave room below half the rate for the product at twice the frequency and for
/// filters (common practice, no source).
const ROOM: f64 = 10.0;

/// Part by which an uncertainty may exceed the best one when a lower frequency is as good: what must
/// follow it has an easier life.
const AS_GOOD: f64 = 0.03;

/// Part by which the noise at a recommended frequency may exceed its floor before that is told.
const ABOVE_FLOOR: f64 = 0.1;

/// Where the candidates lie between two multiples of the mains, as a part of the distance. So neither their
/// second nor their third harmonic falls on one.
const BETWEEN: f64 = 0.46;

/// Candidates a decade.
const A_DECADE: f64 = 5.0;

/// Smallest ratio of one candidate to the next, where both were moved.
const APART: f64 = 1.3;

/// The line that is nearest to a frequency.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Nearest {
    /// What it is.
    pub what: String,
    /// Where it is seen, in Hz, folded if above half the rate.
    pub frequency_hz: f64,
    /// How far away, in Hz.
    pub distance_hz: f64,
    /// How far away it has to be for the average, in Hz, as far as it wanders included.
    pub needed_hz: f64,
}

/// The noise at one frequency.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Budget {
    /// The frequency in Hz.
    pub frequency_hz: f64,
    /// Amplitude density of all noise, in units of the recording per √Hz.
    pub density_unit_per_sqrt_hz: f64,
    /// Each source: name, amplitude density, and part of the power.
    pub sources: Vec<Share>,
    /// The nearest line.
    pub nearest_line: Option<Nearest>,
    /// Whether it lies too near a line for the average.
    pub too_near: bool,
    /// Samples a period.
    pub samples_per_period: f64,
    /// Standard uncertainty of each part after a plain average, in units of the recording.
    pub standard_uncertainty_unit: f64,
    /// The part of that which lines make, at most.
    pub lines_at_most_unit: f64,
}

/// What one source makes of a budget.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Share {
    /// The source.
    pub name: String,
    /// Amplitude density, in units of the recording per √Hz.
    pub density_unit_per_sqrt_hz: f64,
    /// Part of the power, from 0 to 1.
    pub share_of_power: f64,
}

/// Where to modulate, and why.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Advice {
    /// The frequency in Hz; `None` where no candidate will do.
    pub frequency_hz: Option<f64>,
    /// The reasons, one sentence each.
    pub reasons: Vec<String>,
}

/// A line that is to be kept away from.
struct Line {
    what: String,
    /// Where it is seen in Hz.
    at: f64,
    /// How far it wanders in Hz.
    wander: f64,
    /// Peak amplitude, where it is stated.
    amplitude: f64,
}

fn lines(bench: &Bench, sources: &Sources, rate: f64) -> Vec<Line> {
    let folded = |f: f64| (f - rate * (f / rate).round()).abs();
    let tones = sources.tones.iter().map(|tone| Line {
        what: format!("`{}`", tone.name),
        at: folded(tone.frequency),
        wander: 0.0,
        amplitude: tone.amplitude,
    });
    let multiples = bench.mains.into_iter().flat_map(|mains| {
        (1..=HARMONICS).map(move |k| Line {
            what: match k {
                1 => format!("mains {mains} Hz"),
                _ => format!("mains {k} x {mains} Hz"),
            },
            at: folded(f64::from(k) * mains),
            wander: WANDER * f64::from(k) * mains,
            amplitude: 0.0,
        })
    });
    tones.chain(multiples).collect()
}

/// The noise of a bench at a frequency, for an average over `seconds`.
///
/// A plain mean over T has the noise bandwidth 1/(2T), so that a density S leaves the variance S/T in each
/// part of a phasor of peak amplitude. A line at a distance d leaves 1/(πdT) of its amplitude at most.
pub fn budget(bench: &Bench, sources: &Sources, rate: f64, f: f64, seconds: f64) -> Budget {
    let total = sources.density(f);
    let shares = sources
        .names
        .iter()
        .zip(&sources.laws)
        .map(|(name, law)| Share {
            name: name.clone(),
            density_unit_per_sqrt_hz: law.density(f).sqrt(),
            share_of_power: if total > 0.0 {
                law.density(f) / total
            } else {
                0.0
            },
        });
    let lines = lines(bench, sources, rate);
    let distance = |line: &Line| (line.at - f).abs();
    let nearest = lines
        .iter()
        .min_by(|a, b| distance(a).total_cmp(&distance(b)));
    let left = |line: &Line| {
        let part = 1.0 / (std::f64::consts::PI * distance(line) * seconds);
        let left = line.amplitude * part.min(1.0);
        0.5 * left * left
    };
    let lines_power: f64 = lines.iter().map(left).sum();
    let needed = |line: &Line| line.wander + WIDTHS / seconds;
    let near = |line: &Line| distance(line) < needed(line);
    Budget {
        frequency_hz: f,
        density_unit_per_sqrt_hz: total.sqrt(),
        sources: shares.collect(),
        nearest_line: nearest.map(|line| Nearest {
            what: line.what.clone(),
            frequency_hz: line.at,
            distance_hz: distance(line),
            needed_hz: needed(line),
        }),
        // An offset counts as a line at zero.
        too_near: lines.iter().any(near) || f < WIDTHS / seconds,
        samples_per_period: rate / f,
        standard_uncertainty_unit: (total / seconds + lines_power).sqrt(),
        lines_at_most_unit: lines_power.sqrt(),
    }
}

/// Frequencies to choose from in Hz: evenly on a logarithmic scale up to a tenth of the rate, moved away from
/// the multiples of the mains.
pub fn candidates(bench: &Bench, rate: f64) -> Vec<f64> {
    let (start, end) = (1e-4 * rate, rate / ROOM);
    let steps = (A_DECADE * libm::log10(end / start)).round() as i32;
    let mut found: Vec<f64> = Vec::new();
    for step in 0..=steps {
        let f = start * libm::exp10(f64::from(step) / A_DECADE);
        let f = match bench.mains {
            Some(mains) if f >= BETWEEN * mains && f < f64::from(HARMONICS) * mains => {
                ((f / mains - BETWEEN).round() + BETWEEN) * mains
            }
            _ => two_digits(f),
        };
        if f <= end && found.last().is_none_or(|last| f > APART * last) {
            found.push(f);
        }
    }
    found
}

/// A frequency that is easy to say.
fn two_digits(f: f64) -> f64 {
    format!("{f:.1e}").parse().unwrap_or(f)
}

/// Where to modulate among frequencies, each with its budget.
pub fn advise(budgets: &[Budget], sources: &Sources, rate: f64, seconds: f64) -> Advice {
    let mut reasons = Vec::new();
    let roomy = |b: &&Budget| b.samples_per_period >= ROOM;
    let usable: Vec<&Budget> = budgets
        .iter()
        .filter(|b| !b.too_near)
        .filter(roomy)
        .collect();
    let near = budgets.iter().filter(|b| b.too_near).count();
    let best = usable
        .iter()
        .map(|b| b.standard_uncertainty_unit)
        .fold(f64::INFINITY, f64::min);
    let chosen = usable
        .iter()
        .filter(|b| b.standard_uncertainty_unit <= best * (1.0 + AS_GOOD))
        .min_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz));
    if let Some(chosen) = chosen {
        if budgets.len() > 1 {
            reasons.push(format!(
                "the lowest of {} candidates that is far enough from lines, with an uncertainty after {} s within {} % of the best of these",
                budgets.len(),
                short(seconds),
                short(100.0 * AS_GOOD)
            ));
        }
        if let Some(line) = &chosen.nearest_line {
            reasons.push(format!(
                "{} Hz away from {}, where an average of {} s needs {} Hz",
                short(line.distance_hz),
                line.what,
                short(seconds),
                short(line.needed_hz)
            ));
        }
        reasons.push(format!(
            "{} samples a period, which leaves room below half the rate",
            short(chosen.samples_per_period)
        ));
        reasons.extend(sources.below_floor(chosen.frequency_hz, rate));
    } else {
        reasons.push(
            "none of the candidates is far enough from lines and well below half the rate".into(),
        );
    }
    reasons.push(match sources.corner(LOWEST, 0.5 * rate) {
        Some(corner) => format!(
            "noise that falls with frequency equals the rest at {} Hz; far above that a higher frequency gains nothing",
            short(corner)
        ),
        None if sources.laws.iter().any(|law| law.exponent > 0.0) => {
            "noise that falls with frequency does not meet the rest below half the rate".into()
        }
        None => "no noise that falls with frequency is stated, so that the density is the same everywhere".into(),
    });
    let counted = |n: usize| counted(n as u64, "candidate");
    if near > 0 {
        reasons.push(format!(
            "{} too near a line for an average of {} s",
            counted(near),
            short(seconds)
        ));
    }
    let cramped = budgets.iter().filter(|b| !roomy(b)).count();
    if cramped > 0 {
        reasons.push(format!(
            "{} with fewer than {ROOM} samples a period",
            counted(cramped)
        ));
    }
    Advice {
        frequency_hz: chosen.map(|b| b.frequency_hz),
        reasons,
    }
}

impl Sources {
    /// What to say of a frequency in Hz at which noise that falls with frequency still counts, and where it no longer does.
    fn below_floor(&self, f: f64, rate: f64) -> Option<String> {
        let floor = self.floor();
        let times = (self.density(f) / floor).sqrt();
        if floor == 0.0 || times <= 1.0 + ABOVE_FLOOR {
            return None;
        }
        let enough = self.reaches_floor(f, 1.0 + ABOVE_FLOOR)?;
        let how = match enough * ROOM <= rate {
            true => format!("modulate at {} Hz or above", short(enough)),
            false => format!(
                "modulate at {} Hz or above, which needs {} samples/s or more",
                short(enough),
                short(enough * ROOM)
            ),
        };
        Some(format!(
            "the noise at {} Hz is {} times its floor, as it falls with frequency there; for no more than {} % above the \
             floor {how}",
            short(f),
            short(times),
            short(100.0 * ABOVE_FLOOR)
        ))
    }
}

/// Three significant digits, without trailing zeros.
pub(super) fn short(x: f64) -> String {
    let rounded: f64 = format!("{x:.2e}").parse().unwrap_or(x);
    rounded.to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bench(extra: &str) -> Bench {
        let text = format!(
            r#"Bench(title: "made up", noise: {{
                "white": White(density: "100 nV/sqrt(Hz)"),
                "slow": Flicker(density: "100 nV/sqrt(Hz)", corner: "40 Hz"), {extra} }},
                converter: Converter(rate: "50 kHz"), mains: "50 Hz")"#
        );
        let (bench, found) = Bench::parse("bench.ron", &text);
        bench.unwrap_or_else(|| panic!("{found}"))
    }

    fn at(bench: &Bench, f: f64, seconds: f64) -> Budget {
        let rate = bench.converter.rate;
        budget(bench, &Sources::of(bench, rate), rate, f, seconds)
    }

    /// At its corner 1/f noise has half of the power; 100·√2 nV/√Hz over √10 s, worked by hand.
    #[test]
    fn shares_and_uncertainty_by_hand() {
        let budget = at(&bench(""), 40.0, 10.0);
        let shares: Vec<f64> = budget.sources.iter().map(|s| s.share_of_power).collect();
        assert!((shares[0] - 0.5).abs() < 1e-12 && (shares[1] - 0.5).abs() < 1e-12);
        let expected = 1e-7 * (2.0f64 / 10.0).sqrt();
        assert!((budget.standard_uncertainty_unit - expected).abs() < 1e-12 * expected);
        assert_eq!(budget.lines_at_most_unit, 0.0);
        assert_eq!(budget.nearest_line.expect("one").distance_hz, 10.0);
    }

    /// 1 V at 50 Hz, 5 Hz away over 10 s: 1/(50π√2) = 4.50 mV.
    #[test]
    fn lines_count_with_what_an_average_leaves_of_them() {
        let budget = at(
            &bench(r#""hum": Line(frequency: "50 Hz", amplitude: "1 V")"#),
            55.0,
            10.0,
        );
        assert!((budget.lines_at_most_unit - 4.5016e-3).abs() < 1e-6);
        assert!(!budget.too_near);
    }

    #[test]
    fn candidates_keep_away_from_the_mains() {
        let bench = bench("");
        let found = candidates(&bench, 50e3);
        assert!(found.len() > 11 && found.contains(&223.0), "{found:?}");
        assert!(found.iter().all(|f| *f <= 5000.0));
        for f in &found {
            assert!(!at(&bench, *f, 10.0).too_near, "{f}");
        }
        for f in [150.0, 151.0, 401.0, 0.5] {
            assert!(at(&bench, f, 10.0).too_near, "{f}");
        }
        // Folded at 1010 Hz, the 17th multiple of 60 Hz is seen at 10 Hz.
        let rate = 1010.0;
        let mut folding = bench.clone();
        folding.mains = Some(60.0);
        let sources = Sources::of(&folding, rate);
        let near = budget(&folding, &sources, rate, 10.5, 10.0).nearest_line;
        assert_eq!(near.map(|n| n.what), Some("mains 17 x 60 Hz".into()));
    }

    /// White plus 1/f of corner 40 Hz: the power is 1 + 40/f; within 3 % in amplitude of the best at 5 kHz,
    /// which has 1.004, is what lies above 40/(1.0691·... - 1) = 600 Hz, worked by hand.
    #[test]
    fn the_advice_is_the_lowest_that_is_good_enough() {
        let bench = bench("");
        let rate = bench.converter.rate;
        let sources = Sources::of(&bench, rate);
        let all = candidates(&bench, rate);
        let budgets: Vec<Budget> = all.iter().map(|f| at(&bench, *f, 10.0)).collect();
        let advice = advise(&budgets, &sources, rate, 10.0);
        let best = 1.0 + 40.0 / all.last().expect("some");
        let limit = 40.0 / (best * 1.03 * 1.03 - 1.0);
        let expected = all.iter().copied().find(|f| *f >= limit);
        assert_eq!(advice.frequency_hz, expected);
        assert!(
            advice
                .reasons
                .iter()
                .any(|r| r.contains("the rest at 40 Hz")),
            "{advice:?}"
        );
        assert_eq!(advise(&[], &sources, rate, 10.0).frequency_hz, None);
    }

    /// White plus 1/f of corner 40 Hz at 8 Hz: the power is 1 + 40/8 = 6 times the floor, the density 2.449 times; it
    /// is 1.1 times the floor at 40/(1.1² - 1) = 190.5 Hz, which needs ten times as many samples a second. Worked by hand.
    #[test]
    fn a_frequency_below_the_corner_is_advised_against() {
        let bench = Bench {
            mains: None,
            ..bench("")
        };
        let said = |f: f64, rate: f64| {
            let sources = Sources::of(&bench, rate);
            let one = [budget(&bench, &sources, rate, f, 10.0)];
            advise(&one, &sources, rate, 10.0).reasons.join("\n")
        };
        let fast = said(8.0, 50e3);
        let beginning = "the noise at 8 Hz is 2.45 times its floor";
        assert!(fast.contains(beginning), "{fast}");
        assert!(
            fast.contains("10 % above the floor modulate at 190 Hz or above"),
            "{fast}"
        );
        let slow = said(8.0, 1e3);
        assert!(
            slow.contains("190 Hz or above, which needs 1900 samples/s or more"),
            "{slow}"
        );
        // At 223 Hz the density is √(1 + 40/223) = 1.086 times the floor.
        assert!(!said(223.0, 50e3).contains("floor"));
    }
}
