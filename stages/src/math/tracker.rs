//! A reference from a sine channel: its phase in blocks of some periods, joined by straight lines.
//!
//! Each block gets a three-parameter sine fit (IEEE Std 1057) at the frequency found in the first 2^18
//! samples; the phases of the blocks, unwrapped, are the knots of the clock. Slow drift is followed,
//! noise is averaged over a block.

use std::f64::consts::TAU;

use num_complex::Complex64;
use phasemill_engine::flow::Phase;

use super::clock::{ClockModel, Knot, advanced, cycles_between};
use super::edges::deviation;
use super::sinefit::{self, SineError};
use super::tones::Oscillator;

/// Samples from which the frequency is found.
const FIRST: usize = 1 << 18;

/// Periods in a block; fewer for a record of few periods.
const PERIODS: f64 = 10.0;

/// Blocks whose amplitude is below this part of the median hold no reference.
const DROPPED: f64 = 0.3;

/// Follows the phase of a sine.
#[derive(Clone, Debug)]
pub struct Tracker {
    rate: f64,
    near: Option<f64>,
    first: Vec<f64>,
    blocks: Option<Blocks>,
    failed: Option<SineError>,
}

/// A sine channel, followed.
#[derive(Clone, Debug)]
pub struct Tracked {
    /// The phase: whole at the rising zero crossings of the sine.
    pub clock: ClockModel,
    /// Mean frequency in Hz.
    pub frequency: f64,
    /// Its standard uncertainty from the scatter of the blocks' phases.
    pub frequency_u: f64,
    /// Standard deviation of the frequency from block to block, in Hz.
    pub spread: f64,
    /// Root mean square deviation of a block's phase from the line through its neighbours, in cycles.
    pub jitter: f64,
    /// Median peak amplitude, in the unit of the channel.
    pub amplitude: f64,
    /// Stretches without a reference, in samples.
    pub lost: Vec<(f64, f64)>,
}

impl Tracker {
    /// A tracker for a sample rate in Hz, with the frequency looked for near a given one if that is known.
    pub fn new(rate: f64, near: Option<f64>) -> Self {
        Tracker {
            rate,
            near,
            first: Vec::new(),
            blocks: None,
            failed: None,
        }
    }

    /// Takes the next samples; missing ones are left out.
    pub fn push(&mut self, samples: &[f64]) {
        for x in samples {
            match &mut self.blocks {
                Some(blocks) => blocks.step(*x),
                None if self.failed.is_none() => {
                    self.first.push(*x);
                    if self.first.len() == FIRST {
                        self.begin();
                    }
                }
                None => {}
            }
        }
    }

    fn begin(&mut self) {
        match sinefit::fit(&self.first, self.rate, self.near) {
            Ok(fit) => {
                let periods = fit.frequency * self.first.len() as f64 / self.rate;
                let per_block = PERIODS.min(periods / 4.0).max(1.0);
                let length = (per_block * self.rate / fit.frequency).round().max(4.0) as u64;
                let mut blocks = Blocks::new(fit.frequency, self.rate, length);
                self.first.iter().for_each(|x| blocks.step(*x));
                self.blocks = Some(blocks);
            }
            Err(error) => self.failed = Some(error),
        }
        self.first = Vec::new();
    }

    /// The phase that was followed.
    ///
    /// # Errors
    /// [`SineError`] when there is no sine, or too little of it.
    pub fn finish(mut self) -> Result<Tracked, SineError> {
        if self.blocks.is_none() && self.failed.is_none() {
            self.begin();
        }
        match (self.blocks, self.failed) {
            (Some(blocks), _) => blocks.finish(),
            (None, error) => Err(error.unwrap_or(SineError::TooFew(0))),
        }
    }
}

/// Sums of one block: of cosine, sine, their squares and products, and of the samples with them.
#[derive(Clone, Copy, Debug, Default)]
struct Block {
    n: f64,
    c: f64,
    s: f64,
    cc: f64,
    cs: f64,
    ss: f64,
    x: f64,
    xc: f64,
    xs: f64,
}

#[derive(Clone, Debug)]
struct Blocks {
    frequency: f64,
    rate: f64,
    length: u64,
    oscillator: Oscillator,
    seen: u64,
    current: Block,
    /// Length and phasor of each block; `None` where most samples were missing.
    phasors: Vec<(u64, Option<Complex64>)>,
}

impl Block {
    /// Amplitude and phase of a·sin(ψ + θ) as a·e^{iθ}, beside an offset.
    fn solve(&self) -> Option<Complex64> {
        let centred = |ab: f64, a: f64, b: f64| ab - a * b / self.n;
        let (cc, cs, ss) = (
            centred(self.cc, self.c, self.c),
            centred(self.cs, self.c, self.s),
            centred(self.ss, self.s, self.s),
        );
        let (xc, xs) = (
            centred(self.xc, self.x, self.c),
            centred(self.xs, self.x, self.s),
        );
        let determinant = cc * ss - cs * cs;
        let (a, b) = (
            (xc * ss - xs * cs) / determinant,
            (xs * cc - xc * cs) / determinant,
        );
        // a·cos ψ + b·sin ψ = A·sin(ψ + θ) with A·e^{iθ} = b + i·a.
        (a.is_finite() && b.is_finite()).then(|| Complex64::new(b, a))
    }
}

impl Blocks {
    fn new(frequency: f64, rate: f64, length: u64) -> Self {
        let oscillator = Oscillator::new(frequency, rate, 0.0);
        Blocks {
            frequency,
            rate,
            length,
            oscillator,
            seen: 0,
            current: Block::default(),
            phasors: Vec::new(),
        }
    }

    fn step(&mut self, x: f64) {
        if !x.is_nan() {
            let turn = self.oscillator.at(self.seen);
            let (c, s, b) = (turn.re, turn.im, &mut self.current);
            b.n += 1.0;
            b.c += c;
            b.s += s;
            b.cc += c * c;
            b.cs += c * s;
            b.ss += s * s;
            b.x += x;
            b.xc += x * c;
            b.xs += x * s;
        }
        self.seen += 1;
        if self.seen % self.length == 0 {
            self.close(self.length);
        }
    }

    fn close(&mut self, length: u64) {
        let enough = self.current.n * 2.0 > length as f64;
        self.phasors
            .push((length, self.current.solve().filter(|_| enough)));
        self.current = Block::default();
    }

    fn finish(mut self) -> Result<Tracked, SineError> {
        // The rest of the record is a block of its own when it is long enough to have a phase.
        let rest = self.seen % self.length;
        if 2 * rest >= self.length {
            self.close(rest);
        }
        let mut sizes: Vec<f64> = self
            .phasors
            .iter()
            .filter_map(|(_, z)| *z)
            .map(|z| z.norm())
            .collect();
        sizes.sort_unstable_by(f64::total_cmp);
        let amplitude = sizes.get(sizes.len() / 2).copied().unwrap_or(0.0);
        let mut lost: Vec<(f64, f64)> = Vec::new();
        let mut knots: Vec<Knot> = Vec::new();
        for (k, (length, phasor)) in self.phasors.iter().enumerate() {
            let (start, length) = ((k as u64 * self.length) as f64, *length as f64);
            let Some(z) = phasor.filter(|z| z.norm() >= DROPPED * amplitude && z.norm() > 0.0)
            else {
                let end = start + length;
                match lost.last_mut().filter(|(_, until)| *until == start) {
                    Some(stretch) => stretch.1 = end,
                    None => lost.push((start, end)),
                }
                if let Some(last) = knots.last_mut() {
                    last.broken = true;
                }
                continue;
            };
            let at = start + 0.5 * (length - 1.0);
            let carrier = advanced(
                Phase {
                    cycle: 0,
                    fraction: 0.0,
                },
                at * (self.frequency / self.rate),
            );
            let turned = libm::atan2(z.im, z.re) / TAU;
            let mut phase = advanced(carrier, turned);
            if let Some(last) = knots.last() {
                // Unwrap: the block's phase relative to the carrier moves by less than half a cycle.
                let expected = (at - last.at) * (self.frequency / self.rate);
                phase.cycle -= (cycles_between(phase, last.phase) - expected).round() as i64;
            }
            knots.push(Knot {
                at,
                phase,
                broken: false,
            });
        }
        if knots.len() < 2 {
            return Err(SineError::TooFew(self.seen));
        }
        Ok(self.quality(knots, amplitude, lost))
    }

    fn quality(&self, knots: Vec<Knot>, amplitude: f64, lost: Vec<(f64, f64)>) -> Tracked {
        let pairs = || knots.windows(2).filter(|p| !p[0].broken);
        let (cycles, samples) = pairs().fold((0.0, 0.0), |(c, s), p| {
            (
                c + cycles_between(p[1].phase, p[0].phase),
                s + (p[1].at - p[0].at),
            )
        });
        let local: Vec<f64> = pairs()
            .map(|p| self.rate * cycles_between(p[1].phase, p[0].phase) / (p[1].at - p[0].at))
            .collect();
        let residuals: Vec<f64> = knots
            .windows(3)
            .filter(|t| !t[0].broken && !t[1].broken)
            .map(|t| {
                0.5 * cycles_between(t[1].phase, t[0].phase)
                    - 0.5 * cycles_between(t[2].phase, t[1].phase)
            })
            .collect();
        let squares: f64 = residuals.iter().map(|r| r * r).sum();
        // As for edges: the deviation from the middle of two neighbours has 3/2 of the variance.
        let jitter = (squares / residuals.len().max(1) as f64 / 1.5).sqrt();
        // At most half a block and half a block's rest lie beyond the outermost knots.
        let reach = self.length as f64 * self.frequency / self.rate + 1.5;
        Tracked {
            frequency: self.rate * cycles / samples,
            frequency_u: std::f64::consts::SQRT_2 * jitter * self.rate / samples,
            spread: deviation(local.iter().copied()),
            jitter,
            amplitude,
            lost,
            clock: ClockModel::new(knots, reach),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tracked(rate: f64, samples: &[f64], slice: usize) -> Tracked {
        let mut tracker = Tracker::new(rate, None);
        samples.chunks(slice).for_each(|part| tracker.push(part));
        tracker.finish().expect("a sine")
    }

    fn total(p: Phase) -> f64 {
        p.cycle as f64 + p.fraction
    }

    /// A pure sine leaves rounding only: phases of 20000/50000·173 cycles, of which a double holds
    /// 1e-14, from sums of 2900 terms that round to about 1e-13.
    #[test]
    fn a_pure_sine_is_followed_exactly() {
        let samples: Vec<f64> = (0..20_000)
            .map(|i| 0.3 + 2.0 * libm::sin(TAU * (173.0 * f64::from(i) / 50e3) + 1.0))
            .collect();
        let mut found = tracked(50e3, &samples, 20_000);
        assert!((found.frequency - 173.0).abs() < 1e-9 && (found.amplitude - 2.0).abs() < 1e-10);
        for i in [0u64, 777, 10_000, 19_999] {
            let exact = 173.0 * i as f64 / 50e3 + 1.0 / TAU;
            assert!((total(found.clock.phase(i)) - exact).abs() < 1e-11, "{i}");
        }
        let mut cut = tracked(50e3, &samples, 7);
        assert_eq!(cut.clock.phase(12_345), found.clock.phase(12_345));
    }

    /// A frequency that drifts by 1 % over the record, so that blocks of 10 periods are off by up to
    /// d = 0.05 cycles from end to end. The product at twice the frequency then does not cancel in a
    /// block, d/(4π·10) = 4e-4 cycles; straight lines between blocks err by the curvature, 1e-9 cycles
    /// per sample² · 1000²/8 = 1.25e-4, and a block's mean by 1000²/24 of it, 4e-5.
    #[test]
    fn drift_is_followed() {
        let (f, rate, n) = (100.0, 10e3, 100_000);
        let phase = |i: f64| f * i / rate * (1.0 + 0.005 * i / f64::from(n));
        let samples: Vec<f64> = (0..n)
            .map(|i| libm::sin(TAU * phase(f64::from(i))))
            .collect();
        let mut found = tracked(rate, &samples, 4096);
        let worst = (1000..99_000u64)
            .step_by(97)
            .map(|i| {
                let off = total(found.clock.phase(i)) - phase(i as f64);
                (off - off.round()).abs()
            })
            .fold(0.0, f64::max);
        assert!(worst < 5.7e-4, "{worst}");
    }

    #[test]
    fn a_stop_is_lost_and_told() {
        let mut samples: Vec<f64> = (0..20_000)
            .map(|i| libm::sin(TAU * f64::from(i) / 50.0))
            .collect();
        samples[8_000..12_000].fill(0.0);
        let mut found = tracked(1e3, &samples, 1000);
        assert_eq!(found.lost, [(8_000.0, 12_000.0)]);
        assert!(found.clock.phase(10_000).fraction.is_nan());
        assert!((found.clock.phase(15_010).fraction - 0.2).abs() < 1e-9);
    }
}
