//! The mean over the last whole periods of a clock, sample by sample.
//!
//! The samples are joined by straight lines, and the integral is taken from the instant at which the
//! phase was exactly n cycles less, interpolated between two samples. For a sine of T samples a period
//! what is left of its ripple is of order (1/T)³ (error of linear interpolation over one cell).

use std::collections::VecDeque;

use phasemill_engine::flow::Phase;
use phasemill_engine::stage::Fault;

use super::gaps::Guard;
use super::sos::Sample;

/// The running mean.
#[derive(Clone, Debug)]
pub struct PeriodMean<S> {
    periods: i64,
    guard: Option<Guard>,
    /// Samples of the window: phase, value, and the integral up to them in two parts.
    window: VecDeque<Knot<S>>,
}

#[derive(Clone, Copy, Debug)]
struct Knot<S> {
    phase: Phase,
    value: S,
    integral: S,
    /// What rounding took from `integral`, so that the difference of two is exact to the last bits
    /// however long the record.
    rest: S,
}

/// Most samples of a window, so that memory stays bounded.
pub const LONGEST: usize = 1 << 24;

/// Cycles from `b` to `a`.
fn cycles(a: Phase, b: Phase) -> f64 {
    (a.cycle - b.cycle) as f64 + (a.fraction - b.fraction)
}

impl<S: Sample> PeriodMean<S> {
    /// A mean over this many periods.
    pub fn new(periods: u32) -> Self {
        PeriodMean {
            periods: i64::from(periods),
            guard: None,
            window: VecDeque::new(),
        }
    }

    /// Forgets the past.
    pub fn reset(&mut self) {
        self.window.clear();
    }

    /// Appends one output per sample; missing until the periods are full. `guard` is the one to begin
    /// with.
    pub fn process(
        &mut self,
        samples: &[S],
        clock: &[Phase],
        guard: &Guard,
        out: &mut Vec<S>,
    ) -> Result<(), Fault> {
        let mut watch = self.guard.take().unwrap_or_else(|| guard.clone());
        for (x, phase) in samples.iter().zip(clock) {
            let missing = x.is_missing() || phase.fraction.is_nan();
            if watch.take(missing)? {
                self.reset();
            }
            if self.window.len() > LONGEST {
                let why =
                    format!("more than {LONGEST} samples; take fewer periods, or decimate first");
                return Err(Fault::Numeric {
                    what: "mean over whole periods",
                    why,
                });
            }
            out.push(if missing {
                S::MISSING
            } else {
                self.step(*x, *phase)
            });
        }
        self.guard = Some(watch);
        Ok(())
    }

    fn step(&mut self, value: S, phase: Phase) -> S {
        let newest = match self.window.back() {
            None => Knot {
                phase,
                value,
                integral: S::default(),
                rest: S::default(),
            },
            Some(last) => {
                let area = (last.value + value) * 0.5 + last.rest;
                let integral = last.integral + area;
                // Fast two-sum after Dekker (1971); the order of the terms does not matter much here,
                // since what is lost twice is below 2^-100 of the sum.
                let rest = area - (integral - last.integral);
                Knot {
                    phase,
                    value,
                    integral,
                    rest,
                }
            }
        };
        self.window.push_back(newest);
        let start = Phase {
            cycle: phase.cycle - self.periods,
            ..phase
        };
        while self
            .window
            .get(1)
            .is_some_and(|second| cycles(second.phase, start) <= 0.0)
        {
            self.window.pop_front();
        }
        match (self.window.front(), self.window.get(1)) {
            (Some(a), Some(b)) if cycles(a.phase, start) <= 0.0 => {
                let part = cycles(start, a.phase) / cycles(b.phase, a.phase);
                // The integral of a straight line over the part of a cell that lies before the start.
                let at_start = a.value + (b.value - a.value) * part;
                let before = (a.value + at_start) * (0.5 * part);
                let total = (newest.integral - a.integral) + (newest.rest - a.rest) - before;
                total * (1.0 / ((self.window.len() - 1) as f64 - part))
            }
            _ => S::MISSING,
        }
    }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use super::super::gaps::Gaps;
    use super::*;

    fn run(periods: u32, per_period: f64, signal: impl Fn(f64) -> f64) -> Vec<f64> {
        let phases: Vec<f64> = (0..4000).map(|i| f64::from(i) / per_period).collect();
        let clock: Vec<Phase> = phases
            .iter()
            .map(|p| Phase {
                cycle: p.floor() as i64,
                fraction: p - p.floor(),
            })
            .collect();
        let samples: Vec<f64> = phases.iter().map(|p| signal(*p)).collect();
        let mut out = Vec::new();
        let guard = Guard::new(Gaps::Refuse, 0);
        PeriodMean::new(periods)
            .process(&samples, &clock, &guard, &mut out)
            .expect("no gap");
        out
    }

    /// 20 samples a period exactly: the trapezoidal rule over whole periods of a sine is exact.
    #[test]
    fn ripple_is_gone_when_a_period_is_whole_samples() {
        let out = run(2, 20.0, |p| {
            3.0 + libm::sin(TAU * 2.0 * p) + libm::cos(TAU * p)
        });
        assert!(out[..40].iter().all(|x| x.is_nan()));
        // Phases near 200 are rounded to 2^-46 cycles or 5.7e-13 samples at the window's start, where a
        // value of up to 5 enters the mean of 40: 7e-14; sums round to 40 · 5 · 2^-53 ≈ 2.2e-14.
        assert!(
            out[40..].iter().all(|x| (x - 3.0).abs() < 1e-13),
            "{}",
            out[41]
        );
    }

    /// Between samples the rest of the ripple at twice the frequency is below (4π/T)³/12 of it, the
    /// error of linear interpolation over one cell against the length of the period.
    #[test]
    fn ripple_is_small_when_a_period_is_not() {
        let per_period = 288.7;
        let out = run(1, per_period, |p| libm::sin(TAU * 2.0 * p));
        let bound = (2.0 * TAU / per_period).powi(3) / 12.0;
        let worst = out
            .iter()
            .filter(|x| !x.is_nan())
            .fold(0.0f64, |w, x| w.max(x.abs()));
        assert!(worst > 0.0 && worst < bound, "{worst} {bound}");
    }

    /// A ramp's mean over the last period is its value half a period ago.
    #[test]
    fn a_ramp_is_delayed_by_half_a_period() {
        let out = run(1, 33.3, |p| p);
        let last = 3999.0 / 33.3;
        assert!((out[3999] - (last - 0.5)).abs() < 1e-11, "{}", out[3999]);
    }
}
