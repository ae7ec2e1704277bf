//! Reference phase against sample index: from knots at which it is known, or from a stated frequency.

use std::sync::Arc;

use phasemill_engine::flow::Phase;
pub use phasemill_engine::flow::harmonic;
use phasemill_engine::stage::{PhaseLine, Phases};

/// A place at which the phase is known.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Knot {
    /// Sample index, with a fraction between samples.
    pub at: f64,
    /// The phase.
    pub phase: Phase,
    /// Whether the phase is unknown from here to the next knot.
    pub broken: bool,
}

/// Phase between knots by straight lines, and for a short way beyond the outermost.
#[derive(Clone, Debug)]
pub struct ClockModel {
    knots: Arc<Vec<Knot>>,
    /// Cycles per sample before the first knot and behind the last, from up to [`END_KNOTS`] intervals.
    slopes: (f64, f64),
    /// Cycles beyond the outermost knots for which the phase is still told.
    reach: f64,
    /// Knot before or at the last sample asked for.
    cursor: usize,
}

/// Intervals from which the frequency beyond the ends is told, so that one edge's jitter matters less.
const END_KNOTS: usize = 8;

/// Cycles from `b` to `a`.
pub fn cycles_between(a: Phase, b: Phase) -> f64 {
    (a.cycle - b.cycle) as f64 + (a.fraction - b.fraction)
}

impl ClockModel {
    /// A model from knots in ascending order, of which there are at least two.
    pub fn new(knots: Vec<Knot>, reach: f64) -> Self {
        let whole = |knots: &mut dyn Iterator<Item = &Knot>| {
            let near = knots.take(END_KNOTS);
            near.take_while(|k| !k.broken).count()
        };
        let whole_from_start = whole(&mut knots.iter());
        let whole_to_end = whole(&mut knots.iter().rev().skip(1));
        let last = knots.len().saturating_sub(1);
        let slopes = (
            slope(&knots, 0, whole_from_start.min(last)),
            slope(&knots, last - whole_to_end, last),
        );
        ClockModel {
            knots: Arc::new(knots),
            slopes,
            reach,
            cursor: 0,
        }
    }

    /// First and last place in samples at which the phase is told, stops in between left aside.
    pub fn told(&self) -> (f64, f64) {
        let (Some(first), Some(last)) = (self.knots.first(), self.knots.last()) else {
            return (f64::NAN, f64::NAN);
        };
        // Beyond a knot next to a stop nothing is told.
        let reach = |knot: &Knot, slope: f64| {
            let samples = self.reach / slope;
            if knot.broken || samples.is_nan() {
                0.0
            } else {
                samples
            }
        };
        (
            first.at - reach(first, self.slopes.0),
            last.at + reach(last, self.slopes.1),
        )
    }

    /// The phase at sample `i`. Fast for ascending samples; the same for any order.
    pub fn phase(&mut self, i: u64) -> Phase {
        let x = i as f64;
        let knots = &self.knots;
        if knots.get(self.cursor).is_some_and(|k| k.at > x) {
            self.cursor = knots.partition_point(|k| k.at <= x).saturating_sub(1);
        }
        while self.cursor + 2 < knots.len() && knots[self.cursor + 1].at <= x {
            self.cursor += 1;
        }
        self.line_from(self.cursor, i).phase
    }

    /// How the phase goes on from sample `i`, of which the knot before or at it is known.
    fn line_from(&self, knot: usize, i: u64) -> PhaseLine {
        let x = i as f64;
        let unknown = PhaseLine {
            phase: Phase::UNKNOWN,
            slope: f64::NAN,
            end: i + 1,
        };
        let knots = &self.knots;
        let (Some(first), Some(last)) = (knots.first(), knots.last()) else {
            return unknown;
        };
        // The first sample at or behind a place.
        let behind = |at: f64| (at.ceil() as u64).max(i + 1);
        let outside = if x < first.at {
            Some((first, self.slopes.0, behind(first.at)))
        } else if x > last.at {
            Some((last, self.slopes.1, u64::MAX))
        } else {
            None
        };
        if let Some((end, slope, until)) = outside {
            let cycles = (x - end.at) * slope;
            let known = cycles.abs() <= self.reach && !end.broken;
            // Behind the last knot the phase is told for so many cycles.
            let told = end.at + self.reach / slope;
            let until = if until == u64::MAX {
                (told.floor() as u64 + 1).max(i + 1)
            } else {
                until
            };
            return match known {
                true => PhaseLine {
                    phase: advanced(end.phase, cycles),
                    slope,
                    end: until,
                },
                false => unknown,
            };
        }
        let a = knots[knot];
        match knots.get(knot + 1) {
            Some(b) if !a.broken => {
                let slope = slope(knots, knot, knot + 1);
                PhaseLine {
                    phase: advanced(a.phase, (x - a.at) * slope),
                    slope,
                    end: behind(b.at),
                }
            }
            _ if a.at == x => PhaseLine {
                phase: a.phase,
                ..unknown
            },
            _ => unknown,
        }
    }
}

impl Phases for ClockModel {
    fn line(&self, i: u64) -> PhaseLine {
        // The last knot has no line of its own to go on with.
        let most = self.knots.len().saturating_sub(2);
        self.line_from(self.knot_before(i as f64).min(most), i)
    }

    fn line_behind(&self, i: u64, place: &mut usize) -> PhaseLine {
        let x = i as f64;
        let is_behind = |knot: usize| self.knots.get(knot).is_some_and(|k| k.at <= x);
        let holds = |knot: &usize| is_behind(*knot) && !is_behind(knot + 1);
        let next = (*place..*place + 2).find(holds);
        let most = self.knots.len().saturating_sub(2);
        *place = next.unwrap_or_else(|| self.knot_before(x)).min(most);
        self.line_from(*place, i)
    }
}

/// Knots on either side of where one is expected that are looked at first.
const AROUND: usize = 8;

impl ClockModel {
    /// The last knot at or before a place; the first where there is none.
    fn knot_before(&self, x: f64) -> usize {
        let knots = &self.knots;
        let (Some(first), Some(last)) = (knots.first(), knots.last()) else {
            return 0;
        };
        // A clock hardly changes its pace, so its knots are nearly evenly spaced.
        let part = (x - first.at) / (last.at - first.at);
        let expected = (part * knots.len() as f64) as usize;
        let from = expected.saturating_sub(AROUND).min(knots.len());
        let to = (from + 2 * AROUND).min(knots.len());
        let begins = from == 0 || knots[from - 1].at <= x;
        let ends = knots.get(to).is_none_or(|k| k.at > x);
        let behind = match begins && ends {
            true => from + knots[from..to].partition_point(|k| k.at <= x),
            false => knots.partition_point(|k| k.at <= x),
        };
        behind.saturating_sub(1)
    }
}

/// Cycles per sample between two knots; NaN between a knot and itself.
fn slope(knots: &[Knot], from: usize, to: usize) -> f64 {
    match (knots.get(from), knots.get(to)) {
        (Some(a), Some(b)) => cycles_between(b.phase, a.phase) / (b.at - a.at),
        _ => f64::NAN,
    }
}

/// The harmonic n/m, as a sentence speaks of it.
pub fn told_harmonic(n: u32, m: u32) -> String {
    match (n, m) {
        (1, 1) => "the frequency".to_owned(),
        (n, 1) => format!("harmonic {n}"),
        (n, m) => format!("{n}/{m} of the frequency"),
    }
}

/// A phase so many cycles on.
pub fn advanced(phase: Phase, cycles: f64) -> Phase {
    let sum = phase.fraction + cycles;
    let whole = sum.floor();
    let fraction = sum - whole;
    // The difference of two doubles just below a whole number can round up to one.
    if fraction >= 1.0 {
        return Phase {
            cycle: phase.cycle + whole as i64 + 1,
            fraction: 0.0,
        };
    }
    Phase {
        cycle: phase.cycle + whole as i64,
        fraction,
    }
}

/// The phase of a stated frequency, counted in whole numbers, so that it does not drift: after 10^12
/// samples it is within 3e-27 cycles of exact before it is rounded to a double.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct StatedClock {
    /// Cycles per sample, in units of 2^-128.
    step: u128,
    /// Phase at sample 0, in units of 2^-128 cycles.
    start: u128,
}

impl StatedClock {
    /// A clock of `frequency` Hz at `rate` samples per second, below half of it, whose phase at sample
    /// 0 is `phase` cycles.
    pub fn new(frequency: f64, rate: f64, phase: f64) -> Self {
        let fraction = phase - phase.floor();
        // 2^128 · fraction: the product with a power of two is exact.
        let start = (fraction * 2f64.powi(128)) as u128;
        StatedClock {
            step: ratio(frequency, rate),
            start,
        }
    }

    /// The phase at sample `i`, within 2^-53 cycles, the fraction being cut to what a double holds.
    pub fn phase(&self, i: u64) -> Phase {
        const HALF: u128 = u64::MAX as u128;
        // The product of 128 and 64 bits, by halves: `upper` counts in 2^-64 cycles.
        let i = u128::from(i);
        let lower = (self.step & HALF) * i;
        let upper = (self.step >> 64) * i + (lower >> 64);
        let (part, carry) = ((upper << 64) | (lower & HALF)).overflowing_add(self.start);
        Phase {
            cycle: (upper >> 64) as i64 + i64::from(carry),
            fraction: (part >> 75) as f64 / 2f64.powi(53),
        }
    }
}

impl Phases for StatedClock {
    fn line(&self, sample: u64) -> PhaseLine {
        PhaseLine {
            phase: self.phase(sample),
            slope: self.step as f64 / 2f64.powi(128),
            end: u64::MAX,
        }
    }
}

/// The integer below 2^128·a/b, for 0 < a < b, by long division of the mantissas.
fn ratio(a: f64, b: f64) -> u128 {
    let ((ma, ea), (mb, eb)) = (parts(a), parts(b));
    let (mut quotient, mut remainder) = (ma / mb, ma % mb);
    for _ in 0..128 + ea - eb {
        remainder <<= 1;
        quotient = (quotient << 1) | u128::from(remainder >= mb);
        if remainder >= mb {
            remainder -= mb;
        }
    }
    quotient
}

/// Mantissa as a whole number, and exponent.
fn parts(x: f64) -> (u128, i32) {
    let (mantissa, exponent) = libm::frexp(x);
    ((mantissa * 2f64.powi(53)) as u128, exponent - 53)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Whoever follows lines of the phase meets the phase of every sample, before the first knot, behind the last
    /// and at stops too.
    #[test]
    fn lines_give_the_phase_of_every_sample() {
        let knots = [
            knot(3.5, 0, false),
            knot(13.25, 1, false),
            knot(23.0, 2, true),
            knot(60.75, 5, false),
            knot(70.5, 6, false),
        ];
        let mut model = ClockModel::new(knots.to_vec(), 1.5);
        let (mut i, mut place) = (0, 0);
        while i < 100 {
            let line = model.line(i);
            let behind = model.line_behind(i, &mut place);
            assert_eq!(format!("{behind:?}"), format!("{line:?}"), "{i}");
            assert!(line.end > i, "{i}");
            for n in i..line.end.min(100) {
                let (told, on) = (model.phase(n), (n - i) as f64 * line.slope);
                let on = if n == i { 0.0 } else { on };
                let apart = cycles_between(told, advanced(line.phase, on));
                let unknown = told.fraction.is_nan() && line.phase.fraction.is_nan();
                // A few roundings of numbers below 10 cycles.
                assert!(unknown || apart.abs() < 1e-14, "{n}: {told:?} {line:?}");
            }
            i = line.end;
        }
    }

    /// Where the pace changes by a factor and stops, the knot is not where it is expected, and is found all the same.
    #[test]
    fn the_knot_before_a_place_is_the_one_that_a_search_finds() {
        let mut at = 0.0;
        let pace = |k: i64| match k {
            100..150 => 3.0,
            150 => 5000.0,
            _ => 10.0 + (k % 3) as f64 * 0.1,
        };
        let next = |k: i64| {
            at += pace(k);
            knot(at, k, k == 150)
        };
        let knots: Vec<Knot> = (0..400).map(next).collect();
        for count in [1, 2, 20, 400] {
            let model = ClockModel::new(knots[..count].to_vec(), 1.5);
            for i in 0..9000 {
                let x = f64::from(i);
                let found = model.knots.partition_point(|k| k.at <= x).saturating_sub(1);
                assert_eq!(model.knot_before(x), found, "{count} {i}");
            }
        }
    }

    fn knot(at: f64, cycle: i64, broken: bool) -> Knot {
        Knot {
            at,
            phase: Phase {
                cycle,
                fraction: 0.0,
            },
            broken,
        }
    }

    #[test]
    fn phases_lie_on_straight_lines_and_end_within_reach() {
        let mut model = ClockModel::new(
            vec![
                knot(10.0, 0, false),
                knot(20.0, 1, true),
                knot(60.0, 9, false),
                knot(80.0, 10, false),
            ],
            1.5,
        );
        let shown = |m: &mut ClockModel, i| {
            let p = m.phase(i);
            p.cycle as f64 + p.fraction
        };
        assert_eq!(shown(&mut model, 15), 0.5);
        assert_eq!(shown(&mut model, 5), -0.5);
        assert_eq!(shown(&mut model, 70), 9.5);
        assert_eq!(shown(&mut model, 100), 11.0);
        assert_eq!(model.told(), (10.0 - 15.0, 80.0 + 30.0));
        assert_eq!(shown(&mut model, 110), 11.5);
        assert!(shown(&mut model, 40).is_nan(), "inside the break");
        assert!(shown(&mut model, 200).is_nan(), "out of reach");
        assert_eq!(
            shown(&mut model, 20),
            1.0,
            "the break begins behind its knot"
        );
        // Asked in another order it gives the same.
        assert_eq!(shown(&mut model, 15), 0.5);
    }

    /// At sample 10^12, 173 Hz at 50 kHz are 3 460 000 000 cycles exactly; and at 10^12 + 1 the fraction
    /// is 173/50000.
    #[test]
    fn a_stated_clock_does_not_drift() {
        let clock = StatedClock::new(173.0, 50e3, 0.0);
        let total = |p: Phase, cycles: i64| (p.cycle - cycles) as f64 + p.fraction;
        assert!(total(clock.phase(1_000_000_000_000), 3_460_000_000).abs() < 1e-12);
        assert!(
            (total(clock.phase(1_000_000_000_001), 3_460_000_000) - 173.0 / 50e3).abs() < 1e-12
        );
        // A third of the rate, with a phase: exact rational arithmetic says i/3 + 1/4.
        let clock = StatedClock::new(1.0, 3.0, 0.25);
        for i in [0u64, 1, 2, 1_000_000_000_000] {
            let exact = (i % 3) as f64 / 3.0 + 0.25;
            assert!(
                (total(clock.phase(i), (i / 3) as i64) - exact).abs() < 1e-12,
                "{i}"
            );
        }
    }

    /// Against exact whole numbers: a double is a whole number over a power of two, so the fraction of
    /// i·f/rate is a remainder. The step is cut by 2^-128, which 10^12 samples make 2^-88; cutting the
    /// fraction takes up to 2^-53, and rounding of the quotient compared with half of that.
    #[test]
    fn a_stated_clock_agrees_with_whole_numbers_far_out() {
        for (frequency, rate) in [
            (173.1, 100e3),
            (0.1, 3.0),
            (12345.678, 50e3),
            (1e-3, 1e6),
            (0.3, 1.0),
        ] {
            let ((mf, ef), (mr, er)) = (parts(frequency), parts(rate));
            let whole = mr << (er - ef);
            let clock = StatedClock::new(frequency, rate, 0.0);
            for i in [0u64, 1, 1_000_003, 999_999_999_989, 1_000_000_000_000] {
                let product = u128::from(i) * mf;
                let phase = clock.phase(i);
                let off = phase.fraction - (product % whole) as f64 / whole as f64;
                assert!(
                    (off - off.round()).abs() <= 1.5 * 2f64.powi(-53),
                    "{frequency} {i}: {off}"
                );
                if off.abs() < 0.5 {
                    assert_eq!(phase.cycle as u128, product / whole, "{frequency} {i}");
                }
            }
        }
    }
}
