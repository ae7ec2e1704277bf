//! The law of chi-square where the uncertainties are estimates: sums of ratios of independent chi-squares.
//!
//! p numbers over an estimated covariance of n degrees of freedom give no chi-square but Hotelling's T^2, n times the
//! ratio of a chi-square of p to one of n - p + 1 degrees of freedom (Hotelling, Ann. Math. Stat. 2, 360 (1931);
//! Anderson, *An Introduction to Multivariate Statistical Analysis*, 3rd ed., 5.2), and independent groups of numbers a
//! sum of such terms. Its probability comes from inverting its Laplace transform along a hyperbola around the negative
//! axis, on which alone it is singular (Weideman & Trefethen, Math. Comp. 76, 1341 (2007)).

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};

use num_complex::Complex64;

use super::{chi_square_above, f_above};

/// The least probability that comes out of a sum of several terms, for as little or less: what the inversion leaves.
pub const SMALLEST: f64 = 1e-10;

/// Bound of the probability of as little, below which it is taken to be nothing.
const NOTHING: f64 = 1e-8;

/// Step along the hyperbola, and by how much its branches lean to the left. The integrand is analytic for angles from 0
/// to 90 degrees, and for many numbers small up to 45 degrees, so that half a right angle less the lean and the lean
/// itself bound the error of the sum over steps: by exp(-2 pi ANGLE/STEP) = 1e-17.
const STEP: f64 = 0.05;
const ANGLE: f64 = std::f64::consts::PI / 10.0;

/// Size of the hyperbola, by the place at which the law is wanted: it passes the axis at half of that.
const SIZE: f64 = 4.0;

/// Size of terms, against the largest, that no longer count, and most steps until then; far fewer are needed.
const TINY: f64 = 1e-14;
const MOST_STEPS: u32 = 1000;

/// `scale` times the ratio of a chi-square of `numbers` to one of `freedom` degrees of freedom, which need not be whole;
/// of endless ones it is the chi-square of `numbers` alone.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ratio {
    numbers: f64,
    freedom: f64,
    scale: f64,
}

impl Ratio {
    /// Chi-square: numbers whose covariance is known.
    pub fn known(numbers: f64) -> Self {
        Ratio {
            numbers,
            freedom: f64::INFINITY,
            scale: 1.0,
        }
    }

    /// The ratio for numbers of which estimates from several independent sources make up the covariance.
    ///
    /// `raised` and `spread` are sums over sources of (a^2 + b)/n and (a^2 + 2b)/n: n the degrees of freedom of a source, a
    /// and b the traces of its share of the covariance, by the inverse of the whole, and of the square of that. These two
    /// give the law to first order in 1/n (James, Biometrika 41, 19 (1954)). The ratio has that first order, is T^2 where
    /// there is one source, and for one number is Student's t, squared, with the effective degrees of freedom of Welch
    /// and Satterthwaite (JCGM 100:2008, G.4.1).
    pub fn estimated(numbers: f64, raised: f64, spread: f64) -> Self {
        if spread <= 0.0 {
            return Self::known(numbers);
        }
        let effective = numbers * (numbers + 2.0) / spread;
        // Fewer than one make no covariance of so many numbers.
        let freedom = (effective - numbers + 1.0).max(1.0);
        Ratio {
            numbers,
            freedom,
            scale: freedom - 2.0 + raised * effective / numbers,
        }
    }

    /// The ratio for numbers with one estimate of their covariance, of so many degrees of freedom: T^2.
    pub fn hotelling(numbers: f64, degrees_of_freedom: f64) -> Self {
        let square = numbers * numbers;
        let raised = (square + numbers) / degrees_of_freedom;
        Self::estimated(
            numbers,
            raised,
            (square + 2.0 * numbers) / degrees_of_freedom,
        )
    }

    fn is_known(&self) -> bool {
        self.freedom == f64::INFINITY
    }

    /// Values of the scale over its chi-square, with their probabilities: the trapezoidal rule in the logarithm of the
    /// latter, whose density is exp(freedom/2 (t - exp(t))) there.
    fn spread(&self) -> Vec<(f64, f64)> {
        let half = 0.5 * self.freedom;
        // The step is a part of the width of the density, and of the distance of what is integrated from its singularity.
        let step = f64::min(0.2, 0.5 / half.sqrt());
        let least = libm::log(TINY);
        let at = |k: i32| {
            let t = f64::from(k) * step;
            (t, half * (t - libm::expm1(t)))
        };
        let counts = |&(_, density): &(f64, f64)| density > least;
        let down = (1..).map(|k| at(-k)).take_while(counts);
        let both = (0..).map(at).take_while(counts).chain(down);
        let all: Vec<(f64, f64)> = both
            .map(|(t, density)| {
                let factor = self.scale / self.freedom * libm::exp(-t);
                (factor, libm::exp(density))
            })
            .collect();
        let sum: f64 = all.iter().map(|(_, w)| w).sum();
        all.into_iter().map(|(s, w)| (s, w / sum)).collect()
    }
}

/// Logarithm, by `libm` so that its bits are the same everywhere.
fn ln(z: Complex64) -> Complex64 {
    Complex64::new(libm::log(libm::hypot(z.re, z.im)), libm::atan2(z.im, z.re))
}

fn exp(z: Complex64) -> Complex64 {
    libm::exp(z.re) * Complex64::new(libm::cos(z.im), libm::sin(z.im))
}

/// (1 + 2qs)^(-numbers/2): the Laplace transform of s times chi-square.
fn transform(q: Complex64, s: f64, numbers: f64) -> Complex64 {
    let base = 1.0 + 2.0 * s * q;
    match numbers {
        2.0 => base.inv(),
        _ => exp(-0.5 * numbers * ln(base)),
    }
}

/// Probability that a sum of independent ratios exceeds `x`: [`Law::above`].
pub fn ratios_above(x: f64, ratios: &[Ratio]) -> f64 {
    Law::new(ratios.to_vec()).above(x)
}

/// The law of a sum of independent ratios. What it takes to ask at one place serves those near it, so that many
/// probabilities cost little.
#[derive(Debug)]
pub struct Law {
    ratios: Vec<Ratio>,
    /// By the number of steps of a place from one.
    lines: Mutex<BTreeMap<i32, Arc<Line>>>,
}

/// How much of a factor of two lies between places of which each has its own hyperbola.
const PLACES: f64 = 16.0;

impl Law {
    /// Of these ratios.
    pub fn new(ratios: Vec<Ratio>) -> Self {
        Law {
            ratios,
            lines: Mutex::new(BTreeMap::new()),
        }
    }

    /// Probability that the sum exceeds `x`. One ratio alone, and chi-squares alone, have their closed laws; of other sums
    /// it is right to 1e-10 above the median and to 1e-7 below it, and [`SMALLEST`] stands for what is
    /// less. NaN without a ratio, or with one of nothing.
    pub fn above(&self, x: f64) -> f64 {
        let legal = |r: &Ratio| r.numbers > 0.0 && r.freedom > 0.0 && r.scale > 0.0;
        if x.is_nan() || self.ratios.is_empty() || !self.ratios.iter().all(legal) {
            return f64::NAN;
        }
        let known = self.ratios.iter().filter(|r| r.is_known());
        let known: f64 = known.map(|r| r.numbers).sum();
        let mut estimated = self.ratios.iter().filter(|r| !r.is_known());
        match (estimated.next(), estimated.next()) {
            (None, _) => chi_square_above(x, known),
            (Some(one), None) if known == 0.0 => {
                let f = x / one.numbers * one.freedom / one.scale;
                f_above(f, one.numbers, one.freedom)
            }
            _ => self.inverted(x),
        }
    }

    fn inverted(&self, x: f64) -> f64 {
        if x <= 0.0 {
            return 1.0;
        }
        if x == f64::INFINITY {
            return SMALLEST;
        }
        let place = (libm::log2(x) * PLACES).floor();
        let mut lines = match self.lines.lock() {
            Ok(lines) => lines,
            Err(poisoned) => poisoned.into_inner(),
        };
        let line = lines.entry(place as i32).or_insert_with(|| {
            let sum = Sum::new(&self.ratios);
            Arc::new(sum.line(libm::exp2(place / PLACES)))
        });
        let line = line.clone();
        drop(lines);
        line.above(x)
    }
}

/// A sum of ratios, ready to be transformed.
struct Sum {
    known: f64,
    groups: Vec<Alike>,
}

/// Ratios that are alike.
struct Alike {
    count: f64,
    numbers: f64,
    /// How the scale of each is spread.
    spread: Vec<(f64, f64)>,
}

impl Sum {
    fn new(ratios: &[Ratio]) -> Self {
        let known = ratios.iter().filter(|r| r.is_known());
        let estimated: Vec<Ratio> = ratios.iter().filter(|r| !r.is_known()).copied().collect();
        let alike = estimated.chunk_by(PartialEq::eq);
        let group = |g: &[Ratio]| {
            Some(Alike {
                count: g.len() as f64,
                numbers: g.first()?.numbers,
                spread: g.first()?.spread(),
            })
        };
        Sum {
            known: known.map(|r| r.numbers).sum(),
            groups: alike.filter_map(group).collect(),
        }
    }

    /// Logarithm of the Laplace transform.
    fn ln_transform(&self, q: Complex64) -> Complex64 {
        let of = |g: &Alike| {
            let each = g
                .spread
                .iter()
                .map(|(s, w)| *w * transform(q, *s, g.numbers));
            g.count * ln(each.sum())
        };
        let estimated: Complex64 = self.groups.iter().map(of).sum();
        estimated - 0.5 * self.known * ln(1.0 + 2.0 * q)
    }

    /// The transform along the hyperbola for places from `x` on.
    fn line(&self, x: f64) -> Line {
        let mut line = Line {
            x,
            nodes: Vec::new(),
        };
        // Far below the bulk the integrand would grow before it falls; Chernoff's bound says how far that is.
        let all: f64 = self.groups.iter().map(|g| g.count * g.numbers).sum();
        let q = 0.5 * ((all + self.known) / x - 1.0);
        if q > 0.0 && q * x + self.ln_transform(q.into()).re < libm::log(NOTHING) {
            return line;
        }
        let (sin, cos) = (libm::sin(ANGLE), libm::cos(ANGLE));
        let mut largest = f64::NEG_INFINITY;
        for k in 0..MOST_STEPS {
            let u = (f64::from(k) + 0.5) * STEP;
            let (sinh, cosh) = (libm::sinh(u), libm::cosh(u));
            let place = SIZE * Complex64::new(1.0 - sin * cosh, cos * sinh);
            let along = SIZE * Complex64::new(-sin * sinh, cos * cosh);
            let factor = self.ln_transform(place / x) + ln(along / place);
            line.nodes.push((place, factor));
            let now = (place + factor).re;
            largest = largest.max(now);
            if now < largest + libm::log(TINY) {
                break;
            }
        }
        line
    }
}

/// A Laplace transform along a hyperbola.
#[derive(Debug)]
struct Line {
    x: f64,
    /// Arguments of the transform times `x`, and logarithms of what is summed; none where the sum is hardly ever as small.
    nodes: Vec<(Complex64, Complex64)>,
}

impl Line {
    fn above(&self, x: f64) -> f64 {
        let term =
            |(place, factor): &(Complex64, Complex64)| exp(*place * (x / self.x) + factor).im;
        let below: f64 = self.nodes.iter().map(term).sum();
        (1.0 - below * STEP / std::f64::consts::PI).clamp(SMALLEST, 1.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Where the closed laws are known, inversion gives them: one T^2 of few and of many degrees of freedom, and a
    /// chi-square from parts.
    #[test]
    fn inversion_meets_the_closed_laws() {
        let check = |x: f64, closed: f64, sum: Law| {
            let found = sum.inverted(x);
            let bound = if closed < 0.5 { 1e-10 } else { 1e-7 };
            assert!(
                (found - closed.max(SMALLEST)).abs() < bound,
                "{x}: {found:e} {closed:e}"
            );
        };
        for (p, n) in [
            (1.0, 1.0),
            (2.0, 2.0),
            (2.0, 17.0),
            (1.0, 3.5),
            (5.0, 9.0),
            (2.0, 1e6),
            (120.0, 519.0),
        ] {
            let one = Ratio::hotelling(p, n);
            assert!(
                (one.freedom - (n - p + 1.0)).abs() < 1e-9 * n
                    && (one.scale / n - 1.0).abs() < 1e-9
            );
            for k in -8..12 {
                let x = p * libm::exp2(f64::from(k));
                check(x, ratios_above(x, &[one]), Law::new(vec![one]));
            }
        }
        for n in [1.0, 2.0, 7.0, 120.0, 2000.0] {
            for k in 1..40 {
                let x = 0.1 * f64::from(k) * n;
                check(
                    x,
                    chi_square_above(x, n),
                    Law::new(vec![Ratio::known(0.25 * n), Ratio::known(0.75 * n)]),
                );
            }
        }
    }

    /// The sum of two T^2 of two numbers, by integrating the density of one over the tail of the other: densities
    /// follow from (1 + x/n)^-((n - 1)/2), the tail of T^2(2, n).
    #[test]
    fn a_sum_of_two_by_hand() {
        let tail = |x: f64, n: f64| libm::exp(-0.5 * (n - 1.0) * libm::log1p(x / n));
        let (m, n) = (3.0, 6.0);
        for x in [0.5, 4.0, 20.0, 300.0] {
            // Simpson's rule over 20000 pieces: (x/20000)^4 x times the fourth derivative of order one, over 180.
            let pieces = 20_000;
            let h = x / f64::from(pieces);
            let f = |k: i32| {
                let t = f64::from(k) * h;
                0.5 * (m - 1.0) / (m + t) * tail(t, m) * tail(x - t, n)
            };
            let inner: f64 = (1..pieces).map(|k| f64::from(2 + 2 * (k % 2)) * f(k)).sum();
            let by_hand = tail(x, m) + h / 3.0 * (f(0) + inner + f(pieces));
            let found = ratios_above(x, &[Ratio::hotelling(2.0, m), Ratio::hotelling(2.0, n)]);
            assert!((found - by_hand).abs() < 1e-10, "{x}: {found} {by_hand}");
        }
    }

    /// One number of two sources is Student's t with the effective degrees of freedom of G.4.1.
    #[test]
    fn one_number_has_the_degrees_of_freedom_of_the_guide() {
        let shares = [(0.3, 4.0), (0.5, 9.0), (0.2, f64::INFINITY)];
        let sum: f64 = shares.iter().map(|(w, n)| w * w / n).sum();
        let ratio = Ratio::estimated(1.0, 2.0 * sum, 3.0 * sum);
        let found = ratios_above(6.25, &[ratio]);
        let expected = 2.0 * crate::statistics::student_t_above(2.5, 1.0 / sum);
        assert!((found / expected - 1.0).abs() < 1e-12, "{found} {expected}");
    }

    #[test]
    fn what_has_no_answer_is_not_a_number() {
        assert!(ratios_above(1.0, &[]).is_nan());
        assert!(ratios_above(f64::NAN, &[Ratio::known(2.0)]).is_nan());
        assert!(ratios_above(1.0, &[Ratio::known(0.0)]).is_nan());
        let two = [Ratio::hotelling(2.0, 3.0), Ratio::known(1.0)];
        assert_eq!(ratios_above(-1.0, &two), 1.0);
        assert_eq!(ratios_above(1e300, &two), SMALLEST);
    }
}
