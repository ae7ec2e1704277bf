//! Sums in twice the working precision, and what follows from them: moments and a straight line.
//!
//! Each sum is kept as a value and what rounding took from it (Dekker 1971; Knuth, *The Art of Computer
//! Programming* 2, 4.2.2), about 32 digits. Samples enter one by one, so any slicing gives the same
//! bits. Missing (NaN) samples are left out and counted.

use num_complex::Complex64;

/// A sum of numbers or of products, good to about 32 digits of its largest partial sum. Factors of
/// products must be below 1e150.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Sum {
    high: f64,
    low: f64,
}

impl Sum {
    /// Adds a number.
    pub fn add(&mut self, x: f64) {
        let (sum, lost) = exact_sum(self.high, x);
        let low = self.low + lost;
        self.high = sum + low;
        self.low = low - (self.high - sum);
    }

    /// Adds a product.
    pub fn add_product(&mut self, a: f64, b: f64) {
        let (product, low) = exact_product(a, b);
        self.add(product);
        self.add(low);
    }

    /// The sum, rounded once.
    pub fn value(&self) -> f64 {
        self.high + self.low
    }

    fn over(self, n: f64) -> Sum {
        let quotient = self.high / n;
        let (back, low) = exact_product(quotient, n);
        let mut result = Sum {
            high: quotient,
            low: 0.0,
        };
        result.add((((self.high - back) - low) + self.low) / n);
        result
    }

    fn minus_product(mut self, a: Sum, b: Sum) -> Sum {
        self.add_product(-a.high, b.high);
        self.add(-(a.high * b.low + a.low * b.high));
        self
    }
}

/// The sum and its rounding error (Knuth 1969).
fn exact_sum(a: f64, b: f64) -> (f64, f64) {
    let sum = a + b;
    let part = sum - a;
    (sum, (a - (sum - part)) + (b - part))
}

/// The product and its rounding error (Dekker 1971), each factor split in halves (Veltkamp 1968); for factors below
/// 1e290.
pub fn exact_product(a: f64, b: f64) -> (f64, f64) {
    let split = |x: f64| {
        let c = 134_217_729.0 * x;
        let high = c - (c - x);
        (high, x - high)
    };
    let product = a * b;
    let ((ah, al), (bh, bl)) = (split(a), split(b));
    (product, ((ah * bh - product) + ah * bl + al * bh) + al * bl)
}

/// (Σab - ΣaΣb/n)/(n - 1); zero for fewer than two samples.
fn covariance(products: Sum, a: Sum, b: Sum, count: u64) -> f64 {
    if count < 2 {
        return 0.0;
    }
    products
        .minus_product(a.over(count as f64), b)
        .over((count - 1) as f64)
        .value()
}

/// Mean, scatter and extremes of real samples.
#[derive(Clone, Debug)]
pub struct Moments {
    count: u64,
    missing: u64,
    /// The first sample, taken from all, so that a pedestal costs no digits.
    shift: f64,
    sum: Sum,
    squares: Sum,
    min: f64,
    max: f64,
}

impl Default for Moments {
    fn default() -> Self {
        let zero = Sum::default();
        Moments {
            count: 0,
            missing: 0,
            shift: 0.0,
            sum: zero,
            squares: zero,
            min: f64::INFINITY,
            max: f64::NEG_INFINITY,
        }
    }
}

impl Moments {
    /// Takes a sample.
    pub fn push(&mut self, x: f64) {
        if x.is_nan() {
            self.missing += 1;
            return;
        }
        if self.count == 0 {
            self.shift = x;
        }
        self.count += 1;
        let (d, rest) = exact_sum(x, -self.shift);
        self.sum.add(d);
        self.sum.add(rest);
        self.squares.add_product(d, d);
        self.squares.add(2.0 * d * rest);
        self.min = self.min.min(x);
        self.max = self.max.max(x);
    }

    /// Takes the next samples.
    pub fn extend(&mut self, samples: &[f64]) {
        samples.iter().for_each(|x| self.push(*x));
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
    pub fn mean(&self) -> f64 {
        mean(self.sum, self.shift, self.count)
    }

    /// Sample variance (n - 1); zero for fewer than two samples.
    pub fn variance(&self) -> f64 {
        covariance(self.squares, self.sum, self.sum, self.count)
    }

    /// Sample standard deviation (n - 1); zero for fewer than two samples.
    pub fn sd(&self) -> f64 {
        self.variance().sqrt()
    }

    /// Smallest sample; infinite without samples.
    pub fn min(&self) -> f64 {
        self.min
    }

    /// Largest sample; minus infinite without samples.
    pub fn max(&self) -> f64 {
        self.max
    }
}

fn mean(sum: Sum, shift: f64, count: u64) -> f64 {
    if count == 0 {
        return f64::NAN;
    }
    let mut mean = sum.over(count as f64);
    mean.add(shift);
    mean.value()
}

/// Sums side by side, of which what rounding takes is gathered and joined in the end: good to n²·2^-106 of the sizes of
/// the n numbers that were added (Ogita, Rump, Oishi, SIAM J. Sci. Comput. 26, 1955 (2005), Sum2). One addition does not
/// wait for all of the one before.
#[derive(Clone, Copy, Debug)]
struct Gathered<const N: usize> {
    high: [f64; N],
    low: [f64; N],
}

impl<const N: usize> Default for Gathered<N> {
    fn default() -> Self {
        Gathered {
            high: [0.0; N],
            low: [0.0; N],
        }
    }
}

impl<const N: usize> Gathered<N> {
    /// Adds numbers, each with what rounding took of it.
    fn add(&mut self, numbers: [f64; N], rests: [f64; N]) {
        for i in 0..N {
            let (sum, lost) = exact_sum(self.high[i], numbers[i]);
            self.high[i] = sum;
            self.low[i] += lost + rests[i];
        }
    }

    fn sums(&self) -> [Sum; N] {
        std::array::from_fn(|i| {
            let mut sum = Sum::default();
            sum.add(self.high[i]);
            sum.add(self.low[i]);
            sum
        })
    }
}

/// Parts of a complex sample's distance from the first one, and what rounding took of them.
type Parts = ([f64; 2], [f64; 2]);

/// Mean of complex samples. One of which either part is missing counts as missing.
#[derive(Clone, Debug, Default)]
pub struct ComplexMean {
    count: u64,
    missing: u64,
    /// The first sample.
    shift: Complex64,
    sums: Gathered<2>,
}

impl ComplexMean {
    /// Takes a sample; `None` for a missing one.
    fn take(&mut self, z: Complex64) -> Option<Parts> {
        if z.re.is_nan() || z.im.is_nan() {
            self.missing += 1;
            return None;
        }
        if self.count == 0 {
            self.shift = z;
        }
        self.count += 1;
        let (x, x_rest) = exact_sum(z.re, -self.shift.re);
        let (y, y_rest) = exact_sum(z.im, -self.shift.im);
        let parts = ([x, y], [x_rest, y_rest]);
        self.sums.add(parts.0, parts.1);
        Some(parts)
    }

    /// Takes the next samples.
    pub fn extend(&mut self, samples: &[Complex64]) {
        for z in samples {
            self.take(*z);
        }
    }

    /// Samples that were there.
    pub fn count(&self) -> u64 {
        self.count
    }

    /// The mean; NaN without samples.
    pub fn mean(&self) -> Complex64 {
        let [x, y] = self.sums.sums();
        Complex64::new(
            mean(x, self.shift.re, self.count),
            mean(y, self.shift.im, self.count),
        )
    }
}

/// Mean and covariance of complex samples.
#[derive(Clone, Debug, Default)]
pub struct ComplexMoments {
    mean: ComplexMean,
    /// Squares of the real and of the imaginary part, and their product.
    products: Gathered<3>,
}

impl ComplexMoments {
    /// Takes a sample.
    pub fn push(&mut self, z: Complex64) {
        let Some(([x, y], [x_rest, y_rest])) = self.mean.take(z) else {
            return;
        };
        let (xx, xx_low) = exact_product(x, x);
        let (yy, yy_low) = exact_product(y, y);
        let (xy, xy_low) = exact_product(x, y);
        let rests = [
            xx_low + 2.0 * x * x_rest,
            yy_low + 2.0 * y * y_rest,
            xy_low + (x * y_rest + x_rest * y),
        ];
        self.products.add([xx, yy, xy], rests);
    }

    /// Takes the next samples.
    pub fn extend(&mut self, samples: &[Complex64]) {
        samples.iter().for_each(|z| self.push(*z));
    }

    /// Samples that were there.
    pub fn count(&self) -> u64 {
        self.mean.count
    }

    /// Samples that were missing.
    pub fn missing(&self) -> u64 {
        self.mean.missing
    }

    /// The mean; NaN without samples.
    pub fn mean(&self) -> Complex64 {
        self.mean.mean()
    }

    /// Sample covariance (n - 1): of the real part, of the imaginary part, and between the two; zeros
    /// for fewer than two samples.
    pub fn covariance(&self) -> [f64; 3] {
        let ([x, y], [xx, yy, xy]) = (self.mean.sums.sums(), self.products.sums());
        [(xx, x, x), (yy, y, y), (xy, x, y)]
            .map(|(products, a, b)| covariance(products, a, b, self.mean.count))
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

/// Lag-1 autocorrelation Σdᵢdᵢ₊₁/Σdᵢ² of the deviations from the mean, as NIST StRD defines it. Pairs
/// with a missing sample are left out; NaN when all samples are equal or there are none.
pub fn lag1(samples: &[f64]) -> f64 {
    let shift = samples
        .iter()
        .copied()
        .find(|x| !x.is_nan())
        .unwrap_or(f64::NAN);
    let mut mean = Moments::default();
    samples.iter().for_each(|x| mean.push(x - shift));
    let mean = mean.mean();
    let (mut squares, mut products) = (Sum::default(), Sum::default());
    let mut last = f64::NAN;
    for x in samples {
        let d = (x - shift) - mean;
        if !d.is_nan() {
            squares.add_product(d, d);
        }
        if !(d * last).is_nan() {
            products.add_product(d, last);
        }
        last = d;
    }
    products.value() / squares.value()
}

#[cfg(test)]
#[path = "sums_tests.rs"]
mod tests;
