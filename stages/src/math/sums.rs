//! Compensated sums over streams: moments of real and complex samples, and a straight line.
//!
//! Values are taken relative to the first one, so that a large pedestal costs no digits, and summed
//! with their rounding errors (Neumaier, Z. angew. Math. Mech. 54, 1974), one by one, so that the bits
//! do not depend on how the stream is cut. Missing samples (NaN) are left out and counted.

use num_complex::Complex64;

/// A sum that keeps what rounding takes from it.
#[derive(Clone, Copy, Debug, Default)]
pub struct Sum {
    sum: f64,
    rest: f64,
}

impl Sum {
    /// Adds a term.
    pub fn add(&mut self, x: f64) {
        let t = self.sum + x;
        self.rest += if self.sum.abs() >= x.abs() {
            (self.sum - t) + x
        } else {
            (x - t) + self.sum
        };
        self.sum = t;
    }

    /// The sum.
    pub fn value(&self) -> f64 {
        self.sum + self.rest
    }
}

/// Count, mean and covariance of complex samples; of real ones when the imaginary parts are zero.
#[derive(Clone, Debug, Default)]
pub struct ComplexMoments {
    count: u64,
    missing: u64,
    origin: Complex64,
    x: Sum,
    y: Sum,
    xx: Sum,
    yy: Sum,
    xy: Sum,
}

impl ComplexMoments {
    /// Takes a sample.
    pub fn push(&mut self, z: Complex64) {
        if z.re.is_nan() || z.im.is_nan() {
            self.missing += 1;
            return;
        }
        if self.count == 0 {
            self.origin = z;
        }
        self.count += 1;
        let d = z - self.origin;
        self.x.add(d.re);
        self.y.add(d.im);
        self.xx.add(d.re * d.re);
        self.yy.add(d.im * d.im);
        self.xy.add(d.re * d.im);
    }

    /// Samples that were there.
    pub fn count(&self) -> u64 {
        self.count
    }

    /// Samples that were missing.
    pub fn missing(&self) -> u64 {
        self.missing
    }

    /// The mean; NaN without samples.
    pub fn mean(&self) -> Complex64 {
        let n = self.count as f64;
        self.origin + Complex64::new(self.x.value() / n, self.y.value() / n)
    }

    /// Variances of the real and imaginary part and their covariance, with n - 1; zeros for fewer than
    /// two samples.
    pub fn covariance(&self) -> [f64; 3] {
        if self.count < 2 {
            return [0.0; 3];
        }
        let n = self.count as f64;
        let central =
            |sum: &Sum, a: &Sum, b: &Sum| (sum.value() - a.value() * b.value() / n) / (n - 1.0);
        let xx = central(&self.xx, &self.x, &self.x).max(0.0);
        let yy = central(&self.yy, &self.y, &self.y).max(0.0);
        [xx, yy, central(&self.xy, &self.x, &self.y)]
    }
}

/// A straight line through real samples against their index, by least squares.
#[derive(Clone, Debug, Default)]
pub struct LineSums {
    seen: u64,
    count: u64,
    first: u64,
    origin: f64,
    t: Sum,
    tt: Sum,
    x: Sum,
    tx: Sum,
}

impl LineSums {
    /// Takes a sample.
    pub fn push(&mut self, x: f64) {
        self.seen += 1;
        if x.is_nan() {
            return;
        }
        if self.count == 0 {
            self.first = self.seen - 1;
            self.origin = x;
        }
        self.count += 1;
        let (t, d) = ((self.seen - 1 - self.first) as f64, x - self.origin);
        self.t.add(t);
        self.tt.add(t * t);
        self.x.add(d);
        self.tx.add(t * d);
    }

    /// Samples that were there.
    pub fn count(&self) -> u64 {
        self.count
    }

    /// Samples that were missing.
    pub fn missing(&self) -> u64 {
        self.seen - self.count
    }

    /// Samples, missing ones included.
    pub fn seen(&self) -> u64 {
        self.seen
    }

    /// The mean; `None` without samples.
    pub fn mean(&self) -> Option<f64> {
        (self.count > 0).then(|| self.origin + self.x.value() / self.count as f64)
    }

    /// Value at index 0 and change per sample; `None` for fewer than two samples.
    pub fn line(&self) -> Option<(f64, f64)> {
        if self.count < 2 {
            return None;
        }
        let n = self.count as f64;
        let slope = (self.tx.value() - self.t.value() * self.x.value() / n)
            / (self.tt.value() - self.t.value() * self.t.value() / n);
        let at_first = self.origin + (self.x.value() - slope * self.t.value()) / n;
        Some((at_first - slope * self.first as f64, slope))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::math::reference_data::{certified, read};

    /// NIST Statistical Reference Datasets, univariate summary statistics. The mean and standard deviation
    /// of the data as doubles hold are met to the digits that doubles can give: in NumAcc3 and NumAcc4
    /// the decimals .1, .2, .3 on a pedestal of 1e6 and 1e7 are themselves rounded by up to 2^-33 and
    /// 2^-30, which is 1e-9 and 1e-8 of the certified deviation of 0.1.
    #[test]
    fn certified_means_and_deviations() {
        for (name, tolerance) in [
            ("Lew", 1e-13),
            ("Lottery", 1e-13),
            ("Mavro", 1e-11),
            ("Michelso", 1e-11),
            ("NumAcc1", 1e-13),
            ("NumAcc2", 1e-13),
            ("NumAcc3", 1e-8),
            ("NumAcc4", 1e-7),
        ] {
            let Some(text) = read(&format!("{name}.dat")) else {
                return;
            };
            let (values, mean, deviation) = certified(&text);
            let mut moments = ComplexMoments::default();
            values
                .iter()
                .for_each(|x| moments.push(Complex64::new(*x, 0.0)));
            assert!(
                (moments.mean().re - mean).abs() <= 1e-14 * mean.abs(),
                "{name}: {}",
                moments.mean().re
            );
            let found = moments.covariance()[0].sqrt();
            assert!(
                (found - deviation).abs() <= tolerance * deviation,
                "{name}: {found} for {deviation}"
            );
        }
    }

    #[test]
    fn a_line_is_found_again_behind_gaps() {
        let mut sums = LineSums::default();
        for i in 0..1000 {
            let missing = i < 5 || i % 7 == 0;
            sums.push(if missing {
                f64::NAN
            } else {
                1e6 + 0.25 * f64::from(i)
            });
        }
        // All numbers are multiples of 1/4 below 2^53, so only the last division rounds.
        let (start, slope) = sums.line().expect("a line");
        assert!(
            (start - 1e6).abs() < 1e-9 && (slope - 0.25).abs() < 1e-14,
            "{start} {slope}"
        );
    }

    /// (1, 2), (3, 0), (5, 4): variances 4 and 4, covariance 2, by hand.
    #[test]
    fn a_covariance_worked_by_hand() {
        let mut moments = ComplexMoments::default();
        [(1.0, 2.0), (3.0, 0.0), (f64::NAN, 1.0), (5.0, 4.0)]
            .map(|(x, y)| moments.push(Complex64::new(x, y)));
        assert_eq!(
            (moments.mean(), moments.covariance()),
            (Complex64::new(3.0, 2.0), [4.0, 4.0, 2.0])
        );
        assert_eq!((moments.count(), moments.missing()), (3, 1));
    }
}
