//! A reference from a sine channel: its phase in blocks of some periods, joined by straight lines.
//!
//! Each block gets a three-parameter sine fit (IEEE Std 1057), at first at the frequency found in the first
//! 2^18 samples or as many as hold a steady one, then at that of the last blocks where it has moved. The
//! phases of the blocks, unwrapped, are the knots of the clock. Drift is followed as long as the phase
//! moves by less than half a cycle from what the last blocks tell; noise is averaged over a block.

use std::f64::consts::TAU;

use num_complex::Complex64;
use phasemill_engine::flow::Phase;

use super::clock::{ClockModel, Knot, advanced, cycles_between};
use super::edges::deviation;
use super::sinefit::{self, SineError};
use super::tones::{Oscillator, SamplePhase};

/// Samples from which the frequency is found.
const FIRST: usize = 1 << 18;

/// Periods in a block; fewer for a record of few periods.
const PERIODS: f64 = 10.0;

/// Fewest samples from which the frequency is found.
const SHORTEST: usize = 64;

/// Cycles over a block by which the frequency may be off before the next blocks are fitted at another.
const RETUNE: f64 = 0.01;

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
        // A frequency that drifts has none over a long stretch, but does over a shorter one.
        let mut found = sinefit::fit(&self.first, self.rate, self.near);
        let mut part = self.first.len() / 2;
        while matches!(found, Err(SineError::Unsettled(_))) && part >= SHORTEST {
            found = sinefit::fit(&self.first[..part], self.rate, self.near);
            part /= 2;
        }
        match found {
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
    xx: f64,
}

/// What a block was found to hold.
#[derive(Clone, Copy, Debug)]
struct Found {
    /// Samples, missing ones included.
    length: u64,
    /// Frequency in Hz at which it was fitted.
    frequency: f64,
    /// Amplitude and phase against that frequency; `None` where most samples were missing.
    phasor: Option<Complex64>,
}

#[derive(Clone, Debug)]
struct Blocks {
    /// Hz, of the block that fills; it follows a drift.
    frequency: f64,
    rate: f64,
    length: u64,
    oscillator: Oscillator,
    seen: u64,
    current: Block,
    done: Vec<Found>,
    /// Place and phase of the last block whose phase was told well.
    last: Option<(f64, Phase)>,
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

    /// Whether the phase is told to 0.1 rad, so that a frequency may be taken from it: the variance of a
    /// phase is 2s²/(A²n) for residuals of variance s² (Rife & Boorstyn 1974).
    fn tells(&self, z: Complex64) -> bool {
        let power = 0.5 * z.norm_sqr();
        let residual = (self.xx - self.x * self.x / self.n) / self.n - power;
        residual.max(0.0) < 0.01 * self.n * power
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
            done: Vec::new(),
            last: None,
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
            b.xx += x * x;
        }
        self.seen += 1;
        if self.seen % self.length == 0 {
            self.close(self.length);
        }
    }

    fn close(&mut self, length: u64) {
        let block = std::mem::take(&mut self.current);
        let enough = block.n * 2.0 > length as f64;
        let found = Found {
            length,
            frequency: self.frequency,
            phasor: block.solve().filter(|_| enough),
        };
        self.done.push(found);
        if let Some(z) = found.phasor.filter(|z| block.tells(*z)) {
            self.follow(found, z);
        }
    }

    /// Takes the frequency from the last two blocks for those that follow.
    fn follow(&mut self, found: Found, z: Complex64) {
        let start = self.seen - found.length;
        let (at, phase) = (self.middle(start, found), self.phase(start, found, z));
        if let Some((before, last)) = self.last {
            let steps = at - before;
            let frequency =
                unwrapped(phase, last, steps * found.frequency / self.rate) * self.rate / steps;
            let off = (frequency - self.frequency).abs() * self.length as f64 / self.rate;
            // Over a stretch without a phase whole cycles may be lost.
            let joined = steps <= 1.5 * self.length as f64;
            if joined && off > RETUNE && frequency > 0.0 && frequency < 0.5 * self.rate {
                self.frequency = frequency;
                self.oscillator = Oscillator::new(frequency, self.rate, 0.0);
            }
        }
        self.last = Some((at, phase));
    }

    /// The middle of a block, in samples.
    fn middle(&self, start: u64, found: Found) -> f64 {
        start as f64 + 0.5 * (found.length as f64 - 1.0)
    }

    /// The phase at the middle of a block, up to whole cycles: that of its carrier, at half a sample's
    /// resolution, and what was found against it.
    fn phase(&self, start: u64, found: Found, z: Complex64) -> Phase {
        let carrier = SamplePhase::new(found.frequency, 2.0 * self.rate, 0.0);
        let fraction = carrier.at(2 * start + found.length - 1);
        let zero = Phase { cycle: 0, fraction };
        let turned = advanced(zero, libm::atan2(z.im, z.re) / TAU);
        Phase { cycle: 0, ..turned }
    }

    fn finish(mut self) -> Result<Tracked, SineError> {
        // The rest of the record is a block of its own when it is long enough to have a phase.
        let rest = self.seen % self.length;
        if 2 * rest >= self.length {
            self.close(rest);
        }
        let phasors = self.done.iter().filter_map(|found| found.phasor);
        let mut sizes: Vec<f64> = phasors.map(|z| z.norm()).collect();
        sizes.sort_unstable_by(f64::total_cmp);
        let amplitude = sizes.get(sizes.len() / 2).copied().unwrap_or(0.0);
        let mut lost: Vec<(f64, f64)> = Vec::new();
        let mut knots: Vec<Knot> = Vec::new();
        let mut before = self
            .done
            .first()
            .map_or(self.frequency, |first| first.frequency);
        for (k, found) in self.done.iter().enumerate() {
            let start = k as u64 * self.length;
            let there = |z: &Complex64| z.norm() >= DROPPED * amplitude && z.norm() > 0.0;
            let Some(z) = found.phasor.filter(there) else {
                let (start, end) = (start as f64, (start + found.length) as f64);
                match lost.last_mut().filter(|(_, until)| *until == start) {
                    Some(stretch) => stretch.1 = end,
                    None => lost.push((start, end)),
                }
                if let Some(last) = knots.last_mut() {
                    last.broken = true;
                }
                continue;
            };
            let (at, mut phase) = (self.middle(start, *found), self.phase(start, *found, z));
            // The frequencies of the two blocks tell the whole cycles between them.
            let expected = |steps: f64| steps * 0.5 * (before + found.frequency) / self.rate;
            let (origin, steps) = knots.last().map_or(
                (
                    Phase {
                        cycle: 0,
                        fraction: 0.0,
                    },
                    at,
                ),
                |last| (last.phase, at - last.at),
            );
            let cycles = unwrapped(phase, origin, expected(steps));
            phase.cycle =
                (origin.cycle as f64 + (origin.fraction - phase.fraction) + cycles).round() as i64;
            before = found.frequency;
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
        // A phase deviates from the line through its neighbours, which lie at parts w and 1 - w of their
        // distance, with 1 + w² + (1 - w)² of the variance of a single one.
        let squares: Vec<f64> = knots
            .windows(3)
            .filter(|t| !t[0].broken && !t[1].broken)
            .map(|t| {
                let w = (t[1].at - t[0].at) / (t[2].at - t[0].at);
                let (before, after) = (
                    cycles_between(t[1].phase, t[0].phase),
                    cycles_between(t[2].phase, t[1].phase),
                );
                let off = (1.0 - w) * before - w * after;
                off * off / (1.0 + w * w + (1.0 - w) * (1.0 - w))
            })
            .collect();
        let jitter = (squares.iter().sum::<f64>() / squares.len().max(1) as f64).sqrt();
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

/// Cycles from `b` to `a`, of which only the fraction of `a` is known, nearest to what is expected.
fn unwrapped(a: Phase, b: Phase, expected: f64) -> f64 {
    let part = a.fraction - b.fraction;
    part + (expected - part).round()
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

    /// Worst deviation from the true phase, cycles counted, over the samples with a phase, from the
    /// second block to the last but one.
    fn worst(found: &mut Tracked, samples: u32, phase: impl Fn(f64) -> f64) -> f64 {
        let off = |i: u32| total(found.clock.phase(u64::from(i))) - phase(f64::from(i));
        (1500..samples - 1500)
            .step_by(97)
            .map(off)
            .filter(|off| !off.is_nan())
            .fold(0.0, |w, off| f64::max(w, off.abs()))
    }

    /// A frequency that rises by 20 % in a minute, c = 2·0.01·0.1/600000 = 3.3e-9 cycles per sample². Over
    /// blocks of h = 1000 samples straight lines err by c·h²/8 = 4.2e-4 and a block's mean by c·h²/24 =
    /// 1.4e-4, of which the product at twice the frequency, of 10 cycles, does not cancel one in 20: 0.3e-4.
    /// A block is fitted at a frequency that is off by up to `RETUNE` and what two and a half blocks
    /// move it, 0.018 cycles, which leaves 0.018/(4π·10) = 1.5e-4. Together 7.4e-4; a lost cycle would be 1.
    #[test]
    fn a_large_drift_is_followed() {
        let samples = 600_000;
        let phase = |i: f64| 0.01 * i * (1.0 + 0.1 * i / f64::from(samples));
        let record: Vec<f64> = (0..samples)
            .map(|i| libm::sin(TAU * phase(f64::from(i))))
            .collect();
        let mut found = tracked(10e3, &record, 4096);
        assert!(found.lost.is_empty());
        let worst = worst(&mut found, samples, phase);
        assert!(worst < 7.4e-4, "{worst}");
    }

    /// Steady for the first 2^18 samples, then rising by 10 %: more than half a cycle in a block, so that
    /// a fixed carrier would lose one cycle per block. As above with c = 0.001/337856 = 3e-9: 6.6e-4.
    #[test]
    fn a_late_drift_loses_no_cycle() {
        let (samples, bend) = (600_000, 262_144.0);
        let phase = |i: f64| {
            0.01 * i + 0.005 * 0.1 * (i - bend).max(0.0).powi(2) / (f64::from(samples) - bend)
        };
        let record: Vec<f64> = (0..samples)
            .map(|i| libm::sin(TAU * phase(f64::from(i))))
            .collect();
        let mut found = tracked(10e3, &record, 4096);
        let worst = worst(&mut found, samples, phase);
        assert!(found.lost.is_empty() && worst < 6.6e-4, "{worst}");
    }

    /// White noise of σ = A: the phase of a block of 1000 samples is known to sqrt(2/1000) rad (Rife &
    /// Boorstyn 1974), 7.1e-3 cycles, and the jitter of 300 blocks, two in three of whose squares are
    /// independent, scatters by 1/sqrt(2·200) = 5 %; four times that is allowed. The last block is shorter.
    #[test]
    fn the_jitter_is_that_of_the_noise() {
        let mut state = 9u64;
        let mut random = || {
            state = state
                .wrapping_mul(6364136223846793005)
                .wrapping_add(1442695040888963407);
            (state >> 11) as f64 / (1u64 << 53) as f64
        };
        let mut noise = || (0..12).map(|_| random()).sum::<f64>() - 6.0;
        let record: Vec<f64> = (0..300_600)
            .map(|i| libm::sin(TAU * 0.01 * f64::from(i)) + noise())
            .collect();
        let found = tracked(10e3, &record, 4096);
        let expected = libm::sqrt(2.0 / 1000.0) / TAU;
        assert!(
            (found.jitter / expected - 1.0).abs() < 0.2,
            "{}",
            found.jitter / expected
        );
    }

    /// Without noise there is no jitter, however short the last block: rounding only.
    #[test]
    fn a_short_last_block_is_no_jitter() {
        let record: Vec<f64> = (0..20_700)
            .map(|i| libm::sin(TAU * 0.01 * f64::from(i)))
            .collect();
        let found = tracked(10e3, &record, 4096);
        assert!(found.jitter < 1e-12, "{}", found.jitter);
    }

    #[test]
    fn a_drift_is_followed_alike_in_any_slicing() {
        let phase = |i: f64| 0.01 * i * (1.0 + 0.05 * i / 3e5);
        let record: Vec<f64> = (0..300_000)
            .map(|i| libm::sin(TAU * phase(f64::from(i))))
            .collect();
        let mut whole = tracked(10e3, &record, record.len());
        let mut cut = tracked(10e3, &record, 777);
        for i in (0..300_000).step_by(997) {
            assert_eq!(whole.clock.phase(i), cut.clock.phase(i));
        }
    }
}
