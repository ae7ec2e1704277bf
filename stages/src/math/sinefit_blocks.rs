//! A long record reduced to sums over blocks at a frequency close to that of its sine.
//!
//! Per block the sums of x·e^{-iφ}, e^{-iφ} and e^{-2iφ} are kept, φ being the phase at the close
//! frequency. Turned by the small difference to another frequency, they give the normal equations of the
//! least-squares fit there, missing samples included. A block turns as a whole, about the mean time of
//! its samples; a difference of δ rad per block takes δ²/24 off the amplitude, which the first estimate
//! keeps below 1e-6, and does not move the frequency.

use std::f64::consts::TAU;

use num_complex::Complex64;
use rustfft::FftPlannerScalar;

use super::lsq::Total;
use super::sinefit::{MOST_ITERATIONS, Settled, SineError, SineFit, settled_change};
use super::tones::Oscillator;

/// Most blocks; neighbours are merged when there are more.
const MOST_BLOCKS: usize = 4096;

/// Sums over the samples of a block that are not missing.
#[derive(Clone, Copy, Debug, Default)]
struct Block {
    count: f64,
    /// Sum of the sample numbers.
    times: f64,
    /// Sums of x·e^{-iφ}, e^{-iφ} and e^{-2iφ}.
    product: Complex64,
    single: Complex64,
    double: Complex64,
    /// Sum of x.
    level: f64,
}

impl Block {
    fn plus(self, other: Block) -> Block {
        Block {
            count: self.count + other.count,
            times: self.times + other.times,
            product: self.product + other.product,
            single: self.single + other.single,
            double: self.double + other.double,
            level: self.level + other.level,
        }
    }
}

/// Sums over a record.
pub(super) struct Blocks {
    rate: f64,
    /// Samples in which that frequency was found.
    kept: usize,
    frequency: f64,
    /// Taken from every sample, to keep the sums small.
    pedestal: f64,
    oscillator: Oscillator,
    /// Samples of a block.
    length: u64,
    done: Vec<Block>,
    filling: Block,
    next: u64,
    squares: Total,
}

impl Blocks {
    /// At the frequency and on the offset of `close`, with blocks of such a length that `kept` samples
    /// fill them all.
    pub fn new(rate: f64, close: &SineFit, kept: usize) -> Self {
        Blocks {
            rate,
            kept,
            frequency: close.frequency,
            pedestal: close.offset,
            oscillator: Oscillator::new(close.frequency, rate, 0.0),
            length: (kept / MOST_BLOCKS).max(1) as u64,
            done: Vec::with_capacity(MOST_BLOCKS + 1),
            filling: Block::default(),
            next: 0,
            squares: Total::default(),
        }
    }

    /// Takes the next samples.
    pub fn push(&mut self, samples: &[f64]) {
        for x in samples {
            if !x.is_nan() {
                let x = x - self.pedestal;
                let e = self.oscillator.at(self.next).conj();
                self.filling.count += 1.0;
                self.filling.times += self.next as f64;
                self.filling.product += x * e;
                self.filling.single += e;
                self.filling.double += e * e;
                self.filling.level += x;
                self.squares.add(x * x);
            }
            self.next += 1;
            if self.next.is_multiple_of(self.length) {
                self.done.push(std::mem::take(&mut self.filling));
                if self.done.len() == MOST_BLOCKS {
                    self.done = self
                        .done
                        .chunks(2)
                        .map(|pair| pair.iter().fold(Block::default(), |a, b| a.plus(*b)))
                        .collect();
                    self.length *= 2;
                }
            }
        }
    }

    /// The fit.
    pub fn finish(mut self) -> Result<SineFit, SineError> {
        let rest = std::mem::take(&mut self.filling);
        self.done.push(rest);
        let total = self.done.iter().fold(Block::default(), |a, b| a.plus(*b));
        let middle = (total.times / total.count).round();
        let mut turn = self.coarse_turn();
        let duration = self.next as f64 / self.rate;
        let mut slope = None;
        for _ in 0..MOST_ITERATIONS {
            let equations = self.equations(turn, middle, slope);
            let (solution, root) = solve(&equations).ok_or(SineError::Unsettled(self.frequency))?;
            let [offset, cos, sin, change] = solution;
            let first = slope.is_none();
            slope = Some((cos, sin));
            if first {
                continue;
            }
            turn += change;
            let change = change * self.rate / TAU;
            let frequency = self.frequency + turn * self.rate / TAU;
            if !(frequency > 0.0 && frequency < 0.5 * self.rate) {
                break;
            }
            if change.abs() <= settled_change(frequency, duration) {
                let right = &equations.right;
                let explained: f64 = solution.iter().zip(right).map(|(s, r)| s * r).sum();
                let residual = (self.squares.value() - explained).max(0.0);
                let hertz = |row: [f64; 4]| row.map(|g| g * self.rate / TAU);
                let settled = Settled {
                    offset: self.pedestal + offset,
                    cos,
                    sin,
                    frequency,
                    start: -turn * middle,
                    middle: middle / self.rate,
                    residual_sd: (residual / (total.count - 4.0)).sqrt(),
                    count: total.count as u64,
                    root: [root[0], root[1], root[2], hertz(root[3])],
                };
                return Ok(settled.fit(self.next - total.count as u64));
            }
        }
        Err(SineError::Unsettled(self.frequency))
    }

    /// The peak of the spectrum of the blocks, in rad per sample, within the half cycle over the first
    /// samples that their own fit leaves open.
    fn coarse_turn(&self) -> f64 {
        let size = 4 * self.done.len().next_power_of_two();
        let mut spectrum = vec![Complex64::default(); size];
        spectrum
            .iter_mut()
            .zip(&self.done)
            .for_each(|(z, block)| *z = block.product);
        FftPlannerScalar::new()
            .plan_fft_forward(size)
            .process(&mut spectrum);
        let power = |k: i64| {
            spectrum
                .get(k.rem_euclid(size as i64) as usize)
                .map_or(0.0, Complex64::norm_sqr)
        };
        let widest = (size as u64 * self.length / (2 * self.kept as u64)).max(1) as i64;
        let peak =
            (-widest..=widest).fold(0, |best, k| if power(k) > power(best) { k } else { best });
        peak as f64 * TAU / size as f64 / self.length as f64
    }

    /// The normal equations for offset, cosine, sine and turn, or without the turn while the first two
    /// amplitudes are not known.
    fn equations(&self, turn: f64, middle: f64, slope: Option<(f64, f64)>) -> Equations {
        let mut e = Equations::default();
        for block in self.done.iter().filter(|b| b.count > 0.0) {
            let t = block.times / block.count - middle;
            let (sin, cos) = libm::sincos(turn * t);
            let e1 = Complex64::new(cos, -sin);
            let (x, one, two) = (
                block.product * e1,
                block.single * e1,
                block.double * e1 * e1,
            );
            let (c, s) = (one.re, -one.im);
            let (cc, ss, cs) = (
                0.5 * (block.count + two.re),
                0.5 * (block.count - two.re),
                -0.5 * two.im,
            );
            e.add(0, &[block.count, c, s], block.level);
            e.add(1, &[c, cc, cs], x.re);
            e.add(2, &[s, cs, ss], -x.im);
            // The column of the turn is t·(b·cos - a·sin).
            if let Some((a, b)) = slope {
                let (g, gc, gs) = (b * c - a * s, b * cc - a * cs, b * cs - a * ss);
                e.add(
                    3,
                    &[t * g, t * gc, t * gs, t * t * (b * gc - a * gs)],
                    t * (b * x.re + a * x.im),
                );
            }
        }
        if slope.is_none() {
            e.lower[3][3] = 1.0;
        }
        e
    }
}

/// Normal equations of four unknowns: the lower triangle, and the right-hand sides.
#[derive(Default)]
struct Equations {
    lower: [[f64; 4]; 4],
    right: [f64; 4],
}

impl Equations {
    fn add(&mut self, i: usize, row: &[f64], right: f64) {
        self.lower[i]
            .iter_mut()
            .zip(row)
            .for_each(|(sum, x)| *sum += x);
        self.right[i] += right;
    }
}

/// The solution and a root of the inverse, by Cholesky factors (Golub & Van Loan, 4.2) of the matrix
/// scaled to a unit diagonal; `None` when it is not positive definite.
fn solve(e: &Equations) -> Option<([f64; 4], [[f64; 4]; 4])> {
    let scale: [f64; 4] = std::array::from_fn(|i| 1.0 / e.lower[i][i].sqrt());
    let mut l = [[0.0; 4]; 4];
    for i in 0..4 {
        for j in 0..=i {
            let known: f64 = (0..j).map(|k| l[i][k] * l[j][k]).sum();
            let rest = e.lower[i][j] * scale[i] * scale[j] - known;
            l[i][j] = if i == j { rest.sqrt() } else { rest / l[j][j] };
        }
        if l[i][i].is_nan() || l[i][i] <= 1e-6 {
            return None;
        }
    }
    // Column by column of the inverse of the factor; its transpose, scaled back, is the root.
    let mut inverse = [[0.0; 4]; 4];
    for k in 0..4 {
        inverse[k][k] = 1.0 / l[k][k];
        for i in k + 1..4 {
            let known: f64 = (k..i).map(|m| l[i][m] * inverse[m][k]).sum();
            inverse[i][k] = -known / l[i][i];
        }
    }
    let root: [[f64; 4]; 4] =
        std::array::from_fn(|i| std::array::from_fn(|k| scale[i] * inverse[k][i]));
    let along: [f64; 4] = std::array::from_fn(|k| (0..4).map(|i| root[i][k] * e.right[i]).sum());
    Some((
        std::array::from_fn(|i| (0..4).map(|k| root[i][k] * along[k]).sum()),
        root,
    ))
}
