//! What is left unknown of a clock whose edges jump from level to level within a sample.
//!
//! Such an edge, put midway between the two samples, is off by anything up to half a sample. From edge to edge its true
//! place between the samples goes on by the part of the period beyond whole samples. Where that brings it everywhere,
//! the errors average out over a record, but blur the phase on the way there; where sampling keeps step with the
//! reference, all edges are off alike and nothing in the samples tells by how much.

use std::f64::consts::{PI, TAU};

use super::clock::{Knot, cycles_between};

/// What is unknown of the places of edges, once they are fitted.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Places {
    /// By how much all are off alike: a standard deviation in samples, at most 1/√12.
    pub common: f64,
    /// Variance of the clock about that, in samples², between the edges by straight lines.
    pub apart: f64,
}

/// Harmonics of the places that are summed up: those left out are 0.6 % of the variance of an even distribution.
const HARMONICS: u32 = 100;

/// Variance about a line, in samples², beyond which a train wanders by more than places that alternate between two
/// samples do.
const WANDERS: f64 = 0.25;

impl Places {
    /// Of a train of edges that jump.
    ///
    /// An error e(t) with the period of a sample, even from -1/2 to 1/2, has the Fourier series of a sawtooth, whose
    /// harmonic h has the variance 1/(2π²h²) (any handbook). Of the mean over edges at places t it keeps the square
    /// of |mean of exp(2πiht)|, a geometric sum along a line of places. All harmonics together are 1/12, the variance
    /// of a rectangular distribution (JCGM 100:2008, 4.3.7), and where places are spread evenly over q parts of a
    /// sample 1/(12q²) is left. A train that wanders by more than a sample spreads its places by itself.
    ///
    /// Errors of two edges that follow have the correlation r = 1 - 6d(1 - d) for a period of d beyond whole samples,
    /// that of a sawtooth and the same moved by d. On the line between them the variance is (2 + r)/3 of that
    /// of one on average, and what is common to all is no blur.
    pub fn of(train: &[Knot]) -> Places {
        let runs = train.chunk_by(|before, _| !before.broken);
        let (mut kept, mut variance, mut all) = ([0.0; HARMONICS as usize], 0.0, 0.0);
        for run in runs.filter(|run| run.len() > 1) {
            let (period, about) = line(run);
            let weight = run.len() as f64;
            let beyond = period - period.floor();
            let steady = about <= WANDERS;
            let like = match steady {
                true => 1.0 - 6.0 * beyond * (1.0 - beyond),
                false => 0.0,
            };
            all += weight;
            variance += weight * (2.0 + like) / 36.0;
            if steady {
                for (sum, h) in kept.iter_mut().zip(1..) {
                    *sum += weight * resultant(f64::from(h) * period, weight);
                }
            }
        }
        if all == 0.0 {
            return Places::default();
        }
        let squares = kept.iter().zip(1..).map(|(sum, h): (&f64, u32)| {
            let part = sum / all / f64::from(h);
            part * part
        });
        let common = squares.sum::<f64>() / (2.0 * PI * PI);
        Places {
            common: common.sqrt(),
            apart: (variance / all - common).max(0.0),
        }
    }

    /// The part of an amplitude that is lost to the blur, at `frequency` cycles per sample: phases of a variance s² in
    /// rad² leave exp(-s²/2), to the second order whatever their distribution.
    pub fn loss(&self, frequency: f64) -> f64 {
        let turn = TAU * frequency;
        -libm::expm1(-0.5 * turn * turn * self.apart)
    }
}

/// The most that an amplitude can lose to edges that jump, at `frequency` cycles per sample: where one period after the
/// other is nearly a whole number of samples, and all places are passed nevertheless.
pub fn most_lost(frequency: f64) -> f64 {
    let apart = 1.0 / 12.0;
    Places { common: 0.0, apart }.loss(frequency)
}

/// Samples per cycle by least squares, and the variance of edges about the line.
fn line(run: &[Knot]) -> (f64, f64) {
    let first = run[0];
    let places = run
        .iter()
        .map(|k| (cycles_between(k.phase, first.phase), k.at - first.at));
    let n = run.len() as f64;
    let (x, y) = places
        .clone()
        .fold((0.0, 0.0), |(x, y), p| (x + p.0, y + p.1));
    let (x, y) = (x / n, y / n);
    let (xx, xy) = places.clone().fold((0.0, 0.0), |(xx, xy), p| {
        (xx + (p.0 - x) * (p.0 - x), xy + (p.0 - x) * (p.1 - y))
    });
    let period = xy / xx;
    let squares = places.map(|p| {
        let off = p.1 - y - period * (p.0 - x);
        off * off
    });
    (period, squares.sum::<f64>() / n)
}

/// Size of the mean of `count` turns that go on by so many cycles each.
fn resultant(cycles: f64, count: f64) -> f64 {
    let part = cycles - cycles.round();
    let below = libm::sin(PI * part);
    // The quotient of the sines is 1 within rounding there.
    if (count * part).abs() < 1e-6 {
        return 1.0;
    }
    (libm::sin(PI * part * count) / (count * below)).abs()
}

#[cfg(test)]
mod tests {
    use phasemill_engine::flow::Phase;

    use super::*;

    /// Edges of a clock of this period, each put midway between the samples that it falls between.
    fn jumps(period: f64, start: f64, count: i64) -> Vec<Knot> {
        let knot = |cycle| Knot {
            at: (start + period * cycle as f64).ceil() - 0.5,
            phase: Phase {
                cycle,
                fraction: 0.0,
            },
            broken: false,
        };
        (0..count).map(knot).collect()
    }

    /// Against the errors themselves: over 1000 starts, the standard deviation of the mean error, and the variance on
    /// the lines about it. The mean of 1000 even starts is good to 1/1000 of a sample; harmonics that are left out are
    /// 0.3 % of the standard deviation. Errors on a line vary in time with the period, so a fit of 2000
    /// periods leaves 1/2000 of a sample.
    #[test]
    fn errors_of_edges_that_jump_are_as_told() {
        for (period, whole) in [
            (10.0, 1),
            (10.5, 2),
            (31.2, 5),
            (10.2955, 10_000),
            (5.0728, 10_000),
        ] {
            let count = 2000;
            let (mut squares, mut within) = (0.0, 0.0);
            for k in 0..1000 {
                let start = 7.0 + (f64::from(k) + 0.5) / 1000.0;
                let errors: Vec<f64> = jumps(period, start, count)
                    .iter()
                    .map(|knot| knot.at - start - period * knot.phase.cycle as f64)
                    .collect();
                let mean = errors.iter().sum::<f64>() / count as f64;
                squares += mean * mean / 1000.0;
                // The integral of ((1 - w)a + wb)² over w is (a² + ab + b²)/3.
                let lines = errors.windows(2).map(|e| {
                    let (a, b) = (e[0] - mean, e[1] - mean);
                    (a * a + a * b + b * b) / 3.0
                });
                within += lines.sum::<f64>() / (count - 1) as f64 / 1000.0;
            }
            let told = Places::of(&jumps(period, 7.123, count));
            let common = squares.sqrt();
            assert!(
                (told.common - common).abs() < 2e-3,
                "{period}: {told:?} {common}"
            );
            assert!((told.common - 1.0 / 12f64.sqrt() / f64::from(whole)).abs() < 2e-3);
            assert!(
                (told.apart - within).abs() < 1e-3,
                "{period}: {told:?} {within}"
            );
        }
    }

    /// Places that creep over a part D of a sample keep sin(πD)/(πD) of the first harmonic; over a whole one they are
    /// spread. The line through edges that jump once is the steeper the nearer to the middle they do, up to 3/2 of a
    /// sample for one that creeps over less, so a train in which none jumps counts as one that keeps step. Three
    /// jumps tell the line to a tenth, and of 2.7 to 3.3 samples a tenth of the first harmonic is kept: 0.0236 in all.
    #[test]
    fn a_slow_creep_averages_what_it_passes() {
        let creeping = |over: f64| Places::of(&jumps(10.0 + over / 4000.0, 7.01, 4000)).common;
        assert!((creeping(0.5) - 0.2887).abs() < 2e-3);
        assert!(creeping(3.0) < 0.025, "{}", creeping(3.0));
        assert!(creeping(30.3) < 0.005, "{}", creeping(30.3));
    }

    /// A stop between two stretches that keep step leaves each as unknown as before; one that wanders is spread.
    #[test]
    fn stretches_count_by_themselves() {
        let mut train = jumps(10.0, 7.3, 1000);
        train[499].broken = true;
        train[500..].iter_mut().for_each(|knot| knot.at += 123.0);
        assert!((Places::of(&train).common - 0.2887).abs() < 2e-3);
        for (knot, k) in train.iter_mut().zip(0..) {
            knot.at += (3.0 * libm::sin(f64::from(k) / 50.0)).round();
        }
        let wandering = Places::of(&train);
        assert_eq!(wandering.common, 0.0);
        assert!((wandering.apart - 1.0 / 18.0).abs() < 1e-12);
    }

    /// The numbers of a simulation with sines, 20 s at 1 kS/s: 0.88 % lost at 97.13 Hz and 5.5 % at 197.13 Hz, told here
    /// to the second order in phases of up to 0.31 and 0.62 rad, so within their fourth powers over 24.
    #[test]
    fn amplitudes_are_lost_as_simulated() {
        for (frequency, lost) in [(0.09713, 0.0088), (0.19713, 0.055)] {
            let train = jumps(1.0 / frequency, 7.2, 2000);
            let told = Places::of(&train).loss(frequency);
            let fourth = libm::pow(PI * frequency, 4.0) / 24.0;
            assert!((told - lost).abs() < fourth.max(5e-4), "{told} for {lost}");
        }
    }
}
