//! A record of any length as a few hundred means that follow it smoothly, so that what is too fast for them leaves no
//! trace in them.
//!
//! The mean over a piece, one number a piece, shows a ripple of any frequency as a slow wave: a mean lets of it through what
//! falls as 1/f, and with so few numbers it folds to where it is not. Each mean here is taken over four pieces, with the weights of a
//! cubic B-spline, which fall as 1/f⁴ and have zeros of fourth order at all multiples of the pieces' rate. A spline
//! of twice the width is a sum of five others (de Boor, A Practical Guide to Splines, ch. IX), so that pieces can be joined in
//! pairs while samples come.

use num_complex::Complex64;
use phasemill_engine::response::NoiseShape;

/// Pieces of which there are never as many; then pairs are joined.
const MOST: usize = 512;

/// Pieces that a spline spans.
const SPAN: usize = 4;

/// The splines, times eight, that make one of twice the width.
const JOINED: [f64; SPAN + 1] = [1.0, 4.0, 6.0, 4.0, 1.0];

/// Cells, at most, in which the covariances of noise are summed over a piece.
const CELLS: f64 = 8.0;

/// A weighted sum of samples, and the sum of the weights of those that are there.
type Weighed = (Complex64, f64);

/// Smooth means of a record.
#[derive(Clone, Debug)]
pub struct Smooth {
    /// Samples of a piece.
    length: f64,
    /// From each piece on over [`SPAN`] of them, the last of which are filling.
    sums: Vec<Weighed>,
    /// The same of those that get samples of the piece that is filling, the latest last.
    filling: [Weighed; SPAN],
    seen: u64,
}

impl Smooth {
    /// With pieces of at least `base` samples.
    pub fn new(base: f64) -> Self {
        Smooth {
            length: base.max(1.0),
            sums: Vec::new(),
            filling: [(Complex64::ZERO, 0.0); SPAN],
            seen: 0,
        }
    }

    /// Takes the next samples.
    pub fn extend(&mut self, mut samples: &[Complex64]) {
        while !samples.is_empty() {
            let start = self.length * self.sums.len() as f64;
            // A sample counts where its middle is.
            let end = (start + self.length - 0.5).ceil() as u64;
            let room = end.saturating_sub(self.seen);
            let (now, later) = samples.split_at(samples.len().min(room as usize));
            let inverse = 1.0 / self.length;
            for (z, at) in now.iter().zip(self.seen..).filter(|(z, _)| !z.re.is_nan()) {
                let weights = splines((at as f64 + 0.5 - start) * inverse);
                for ((sum, all), weight) in self.filling.iter_mut().zip(weights) {
                    *sum += z * weight;
                    *all += weight;
                }
            }
            self.seen += now.len() as u64;
            samples = later;
            if self.seen >= end {
                self.end_piece();
            }
        }
    }

    fn end_piece(&mut self) {
        self.sums.push((Complex64::ZERO, 0.0));
        let last = self.sums.len().saturating_sub(SPAN);
        let missing = SPAN - (self.sums.len() - last);
        for (sum, now) in self.sums[last..].iter_mut().zip(&self.filling[missing..]) {
            *sum = (sum.0 + now.0, sum.1 + now.1);
        }
        self.filling = [(Complex64::ZERO, 0.0); SPAN];
        if self.sums.len() == MOST {
            self.length *= 2.0;
            let joined = |first: usize| {
                let parts = self.sums[first..].iter().zip(JOINED);
                parts.fold((Complex64::ZERO, 0.0), |all, ((sum, weight), share)| {
                    (
                        all.0 + sum * (0.125 * share),
                        all.1 + weight * 0.125 * share,
                    )
                })
            };
            self.sums = (0..MOST).step_by(2).map(joined).collect();
        }
    }

    /// Samples from one mean to the next.
    pub fn apart(&self) -> f64 {
        self.length
    }

    /// Means of which all pieces are there.
    fn count(&self) -> usize {
        (self.sums.len() + 1).saturating_sub(SPAN)
    }

    /// The means, of which one is missing that has less than half the weight of all samples.
    pub fn means(&self) -> Vec<Option<Complex64>> {
        let half = 0.5 * self.length;
        let mean = |(sum, all): &Weighed| (*all >= half).then(|| sum / *all);
        self.sums[..self.count()].iter().map(mean).collect()
    }

    /// Waves of k half turns over all means that next to nothing folds on: those up to a quarter of the rate of means, since
    /// what folds there has a frequency of three quarters of it or more, of which (sin(x)/x)⁴, x = 3π/4, is left, 0.8 %. Means
    /// of single samples fold nothing.
    pub fn waves(&self) -> usize {
        match self.length < 2.0 {
            true => self.count(),
            false => self.count() / 2,
        }
    }

    /// The covariances of means k apart, where noise of this shape comes at `rate`, as far as it remembers.
    pub fn covariances(&self, shape: &NoiseShape, rate: f64) -> Vec<f64> {
        let cells = self.length.round().clamp(1.0, CELLS);
        let cell = self.length / (cells * rate);
        let cells = cells as usize;
        let weight = |k: usize| {
            let place = ((k % cells) as f64 + 0.5) / cells as f64;
            splines(place)[SPAN - 1 - k / cells] / cells as f64
        };
        let weights: Vec<f64> = (0..SPAN * cells).map(weight).collect();
        let products = |lag: usize| -> f64 {
            let later = weights[lag..].iter();
            weights.iter().zip(later).map(|(a, b)| a * b).sum()
        };
        let products: Vec<f64> = (0..weights.len()).map(products).collect();
        let memory = (shape.memory() / cell).ceil() as usize + 1;
        let lags = self.count().min(memory / cells + SPAN + 1);
        let own = |k: usize| shape.covariance(cell, k as f64 * cell);
        let own: Vec<f64> = (0..(lags + SPAN) * cells).map(own).collect();
        let covariance = |lag: usize| {
            let terms = products.iter().enumerate().skip(1).map(|(k, product)| {
                product * (own[lag * cells + k] + own[(lag * cells).abs_diff(k)])
            });
            products[0] * own[lag * cells] + terms.sum::<f64>()
        };
        (0..lags).map(covariance).collect()
    }
}

/// The cubic B-splines at a part of a piece: of one that ends with it, and so on to one that begins.
fn splines(u: f64) -> [f64; SPAN] {
    let (rest, sixth) = (1.0 - u, 1.0 / 6.0);
    let inner = |u: f64| (4.0 + u * u * (3.0 * u - 6.0)) * sixth;
    [
        rest * rest * rest * sixth,
        inner(u),
        inner(rest),
        u * u * u * sixth,
    ]
}

#[cfg(test)]
#[path = "smooth_tests.rs"]
mod tests;
