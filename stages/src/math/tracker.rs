//! A reference from a sine channel: its phase in blocks of some periods, joined by straight lines.
//!
//! Each block gets a three-parameter sine fit (IEEE Std 1057), at first at the frequency found in the first
//! 2^18 samples that hold a sine, or as many as hold a steady one, then at that of the last blocks where it has moved. The
//! phases of the blocks, unwrapped, are the knots of the clock. Drift is followed as long as the phase
//! moves by less than half a cycle from what the last blocks tell; noise is averaged over a block.

use std::f64::consts::TAU;

use num_complex::Complex64;
use phasemill_engine::flow::Phase;

use super::clock::{ClockModel, Knot, advanced, cycles_between};
use super::edges::deviation;
use super::overtones::Overtones;
use super::sinefit::{self, SineError, SineFit};
use super::slips::{Slip, broken_at, slips, stretches};
use super::tones::{Oscillator, SamplePhase};

/// Samples that are looked at together for the frequency.
const WINDOW: usize = 1 << 18;

/// A sine that is so many times larger than the one before shows that the one before was a disturbance.
const LARGER: f64 = 4.0;

/// Chance of noise being taken for a sine; small, since parts of a record are tried one after the other.
const CHANCE: f64 = 1e-4;

/// Periods in a block where nothing else is asked for.
pub const PERIODS: u32 = 10;

/// Fewest samples from which the frequency is found.
const SHORTEST: usize = 64;

/// Cycles over a block by which the frequency may be off before the next blocks are fitted at another.
const RETUNE: f64 = 0.01;

/// Blocks whose amplitude is below this part of that of the strong ones hold no reference.
const DROPPED: f64 = 0.3;

/// Follows the phase of a sine.
#[derive(Clone, Debug)]
pub struct Tracker {
    rate: f64,
    near: Option<f64>,
    /// In a block; fewer for a record of few periods.
    periods: f64,
    window: Vec<f64>,
    /// Samples before the window.
    passed: u64,
    lock: Option<Lock>,
    failed: Option<SineError>,
}

/// The sine that is followed.
#[derive(Clone, Debug)]
struct Lock {
    offset: f64,
    amplitude: f64,
    /// Mean distance from the offset over the window in which the sine was found.
    distance: f64,
    overtones: Overtones,
    blocks: Blocks,
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
    /// Median peak amplitude of the blocks that hold the reference, in the unit of the channel.
    pub amplitude: f64,
    /// Stretches without a reference, in samples.
    pub lost: Vec<(f64, f64)>,
    /// Slips, which are left out of frequency, spread and jitter.
    pub slips: Vec<Slip>,
    /// Periods in a block.
    pub periods: f64,
    /// What it holds beside the sine.
    pub overtones: Overtones,
}

impl Tracked {
    /// The part of an amplitude at the frequency that is lost where the jitter is noise of the channel, so that the
    /// signal does not follow it.
    ///
    /// Phases of two blocks with independent errors of variance s² have on the line between them, at a part w of the
    /// way, the variance ((1 - w)² + w²)·s², on average 2s²/3; and phases of a variance v leave exp(-v/2) of an
    /// amplitude (the characteristic function of a normal variable).
    pub fn loss(&self) -> f64 {
        let s = TAU * self.jitter;
        -libm::expm1(-s * s / 3.0)
    }
}

impl Tracker {
    /// A tracker for a sample rate in Hz, with the frequency looked for near a given one if that is known, and so many
    /// periods in a block.
    pub fn new(rate: f64, near: Option<f64>, periods: u32) -> Self {
        Tracker {
            rate,
            near,
            periods: f64::from(periods),
            window: Vec::new(),
            passed: 0,
            lock: None,
            failed: None,
        }
    }

    /// Takes the next samples; missing ones are left out.
    pub fn push(&mut self, mut samples: &[f64]) {
        while !samples.is_empty() {
            let (now, later) = samples.split_at(samples.len().min(WINDOW - self.window.len()));
            self.window.extend_from_slice(now);
            samples = later;
            if self.window.len() == WINDOW {
                self.look();
            }
        }
    }

    fn look(&mut self) {
        let mut window = std::mem::take(&mut self.window);
        let locked = self.lock.as_ref();
        // A reference may begin late. The mean distance does not mind single spikes.
        if locked.is_none_or(|l| mean_distance(&window, l.offset) > LARGER * l.distance) {
            let larger =
                |fit: &SineFit| locked.is_none_or(|l| fit.amplitude > LARGER * l.amplitude);
            match self.sine_in(&window) {
                Ok((fit, part)) if larger(&fit) => {
                    let overtones = Overtones::of(&window[..part], &fit, self.rate);
                    self.lock = Some(self.lock_on(&fit, &window, overtones));
                }
                Ok(_) => {}
                Err(error) => self.failed = self.failed.take().or(Some(error)),
            }
        }
        if let Some(lock) = &mut self.lock {
            window.iter().for_each(|x| lock.blocks.step(*x));
        }
        self.passed += window.len() as u64;
        window.clear();
        self.window = window;
    }

    /// The sine in the window, and in how many of its first samples. A frequency that drifts has none over a long stretch, but
    /// does over a shorter one.
    fn sine_in(&self, window: &[f64]) -> Result<(SineFit, usize), SineError> {
        let accepted = |part: &[f64]| {
            let fit = sinefit::fit(part, self.rate, self.near)?;
            let (rate, duration) = (self.rate, part.len() as f64 / self.rate);
            let (low, high) = self
                .near
                .map_or((1.0 / duration, 0.5 * rate), |f| (0.8 * f, 1.2 * f));
            match stands_out(&fit, rate, self.near) {
                true => Ok((fit, part.len())),
                false => Err(SineError::NoTone { low, high }),
            }
        };
        let whole = accepted(window);
        let parts = std::iter::successors(Some(window.len() / 2), |n| Some(n / 2));
        let shorter = parts
            .take_while(|n| whole.is_err() && *n >= SHORTEST)
            .find_map(|n| accepted(&window[..n]).ok());
        shorter.map_or(whole.clone(), Ok)
    }

    fn lock_on(&self, fit: &SineFit, window: &[f64], overtones: Overtones) -> Lock {
        let periods = fit.frequency * window.len() as f64 / self.rate;
        let per_block = self.periods.min(periods / 4.0).max(1.0);
        let length = (per_block * self.rate / fit.frequency).round().max(4.0) as u64;
        Lock {
            offset: fit.offset,
            amplitude: fit.amplitude,
            distance: mean_distance(window, fit.offset),
            overtones,
            blocks: Blocks::new(fit.frequency, self.rate, length, self.passed),
        }
    }

    /// The phase that was followed.
    ///
    /// # Errors
    /// [`SineError`] when there is no sine, or too little of it.
    pub fn finish(mut self) -> Result<Tracked, SineError> {
        self.look();
        match (self.lock, self.failed) {
            (Some(lock), _) => Ok(Tracked {
                overtones: lock.overtones,
                ..lock.blocks.finish()?
            }),
            (None, error) => Err(error.unwrap_or(SineError::TooFew(0))),
        }
    }
}

/// Whether the chance of finding a line as strong as the fitted one in white noise is small, when all
/// frequencies that can be told apart are tried (Scargle, Astrophys. J. 263, 1982): the ratio of the
/// line's power to that of the rest is F-distributed with 2 and n - 4 degrees of freedom.
pub fn stands_out(fit: &SineFit, rate: f64, near: Option<f64>) -> bool {
    let samples = (fit.count + fit.missing) as f64;
    let tried = near.map_or(0.5 * samples, |f| 0.4 * f * samples / rate);
    let freedom = fit.count as f64 - 4.0;
    let rest = fit.residual_sd * fit.residual_sd;
    let ratio = 0.25 * fit.amplitude * fit.amplitude * fit.count as f64 / rest;
    let chance = -0.5 * freedom * libm::log1p(2.0 * ratio / freedom);
    chance + libm::log(tried.max(1.0)) < libm::log(CHANCE)
}

fn mean_distance(samples: &[f64], offset: f64) -> f64 {
    let there = samples.iter().filter(|x| x.is_finite());
    let (count, sum) = there.fold((0u64, 0.0), |(n, s), x| (n + 1, s + (x - offset).abs()));
    sum / count.max(1) as f64
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
    /// Index in the record of the first sample, from which the others are counted here.
    origin: f64,
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
    fn new(frequency: f64, rate: f64, length: u64, origin: u64) -> Self {
        let oscillator = Oscillator::new(frequency, rate, 0.0);
        Blocks {
            frequency,
            rate,
            length,
            origin: origin as f64,
            oscillator,
            seen: 0,
            current: Block::default(),
            done: Vec::new(),
            last: None,
        }
    }

    fn step(&mut self, x: f64) {
        if x.is_finite() {
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
        if self.seen.is_multiple_of(self.length) {
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
        // The reference may be off most of the time; what it is when on, a tenth of the blocks tell.
        let strong = sizes.get(sizes.len() * 9 / 10).copied().unwrap_or(0.0);
        let kept = sizes.partition_point(|size| *size < DROPPED * strong);
        let amplitude = sizes[kept..].get((sizes.len() - kept) / 2).copied();
        let amplitude = amplitude.unwrap_or(0.0);
        let mut lost: Vec<(f64, f64)> = Vec::new();
        let mut knots: Vec<Knot> = Vec::new();
        let mut before = self
            .done
            .first()
            .map_or(self.frequency, |first| first.frequency);
        for (k, found) in self.done.iter().enumerate() {
            let start = k as u64 * self.length;
            let there = |z: &Complex64| z.norm() >= DROPPED * strong && z.norm() > 0.0;
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
        knots.iter_mut().for_each(|knot| knot.at += self.origin);
        lost.iter_mut().for_each(|(from, to)| {
            *from += self.origin;
            *to += self.origin;
        });
        Ok(self.quality(knots, amplitude, lost))
    }

    fn quality(&self, knots: Vec<Knot>, amplitude: f64, lost: Vec<(f64, f64)>) -> Tracked {
        // A slip within a block turns the phase of that by a part of it.
        let slips = slips(&knots, 2, 0.0);
        let held = broken_at(&knots, &slips, 2);
        let pairs = || held.windows(2).filter(|p| !p[0].broken);
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
        let squares: Vec<f64> = held
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
        // The outermost blocks of each stretch.
        let ends = (2.0 * stretches(&held) as f64).sqrt() * jitter * self.rate / samples;
        let spread = deviation(local.iter().copied());
        drop(held);
        // At most half a block and half a block's rest lie beyond the outermost knots.
        let reach = self.length as f64 * self.frequency / self.rate + 1.5;
        Tracked {
            frequency: self.rate * cycles / samples,
            frequency_u: ends,
            spread,
            jitter,
            amplitude,
            lost,
            slips,
            periods: self.length as f64 * self.frequency / self.rate,
            clock: ClockModel::new(knots, reach),
            overtones: Overtones::default(),
        }
    }
}

/// Cycles from `b` to `a`, of which only the fraction of `a` is known, nearest to what is expected.
fn unwrapped(a: Phase, b: Phase, expected: f64) -> f64 {
    let part = a.fraction - b.fraction;
    part + (expected - part).round()
}

#[cfg(test)]
#[path = "tracker_tests.rs"]
mod tests;
