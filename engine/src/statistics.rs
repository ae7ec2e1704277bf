//! Probabilities and quantiles of the normal, Student's t, Fisher's F and the chi-square distribution, and the law
//! of chi-square where uncertainties are estimates.
//!
//! They rest on `libm` alone, so that a coverage factor has the same bits on every machine. Incomplete
//! gamma and beta functions come from their series and continued fractions (NIST Digital Library of
//! Mathematical Functions, 8.11.4, 8.9.2, 8.17.22), their factors from Loader, "Fast and accurate
//! computation of binomial probabilities" (2000), which keeps them right for many degrees of freedom.
//! Arguments outside a domain give NaN.

mod ratios;

use std::f64::consts::{SQRT_2, TAU};

pub use ratios::{Law, Ratio, SMALLEST, ratios_above};

/// Whether a chi-square with a probability `p` of as much or more by chance is too good: less than one of 1000 is so small
/// by chance, over enough degrees of freedom to say so (both common practice, no source).
pub fn too_good(p: f64, degrees_of_freedom: f64) -> bool {
    p > 0.999 && degrees_of_freedom >= 5.0
}

/// From here on Student's t is taken through Wallace's normal deviate: its error, of relative order
/// 1/dof^2, is below the rounding that the continued fraction collects.
const MANY: f64 = 1e7;

/// Terms after which a series or continued fraction is given up; some 10 sqrt(dof) are needed.
const MOST_TERMS: u32 = 1_000_000;

/// Probability that a standard normal variable exceeds `z`.
pub fn normal_above(z: f64) -> f64 {
    0.5 * libm::erfc(z / SQRT_2)
}

/// The value that a standard normal variable stays below with this probability.
pub fn normal_quantile(probability: f64) -> f64 {
    symmetric_quantile(probability, normal_above)
}

/// Probability that Student's t exceeds `t`. The degrees of freedom need be neither whole nor finite.
pub fn student_t_above(t: f64, degrees_of_freedom: f64) -> f64 {
    let dof = degrees_of_freedom;
    if t.is_nan() || dof.is_nan() || dof <= 0.0 {
        return f64::NAN;
    }
    if t < 0.0 {
        return 1.0 - student_t_above(-t, dof);
    }
    if dof == f64::INFINITY {
        return normal_above(t);
    }
    let square = t * t;
    if square == f64::INFINITY {
        return 0.0;
    }
    if dof >= MANY {
        // D. L. Wallace, Ann. Math. Stat. 30, 1121 (1959).
        let deviate = (dof * libm::log1p(square / dof)).sqrt();
        return normal_above(deviate * (8.0 * dof + 1.0) / (8.0 * dof + 3.0));
    }
    let (x, y) = (dof / (dof + square), square / (dof + square));
    0.5 * incomplete_beta(0.5 * dof, 0.5, x, y)
}

/// The value that Student's t stays below with this probability: `student_t_quantile(0.975, dof)` is
/// the coverage factor of a two-sided 95 % interval (JCGM 100:2008, G.3).
pub fn student_t_quantile(probability: f64, degrees_of_freedom: f64) -> f64 {
    symmetric_quantile(probability, |t| student_t_above(t, degrees_of_freedom))
}

/// Probability that the ratio of two estimates of one variance, of so many degrees of freedom each, exceeds `f`: the upper
/// tail of Fisher's F.
pub fn f_above(f: f64, numerator: f64, denominator: f64) -> f64 {
    let (a, b) = (numerator, denominator);
    if f.is_nan() || !(a > 0.0 && b > 0.0) {
        return f64::NAN;
    }
    if f <= 0.0 {
        return 1.0;
    }
    // An estimate of endless degrees of freedom is the variance itself.
    let a = a.min(MANY);
    let b = b.min(MANY);
    let whole = a * f + b;
    incomplete_beta(0.5 * b, 0.5 * a, b / whole, a * f / whole)
}

/// Probability that chi-square exceeds `x`.
pub fn chi_square_above(x: f64, degrees_of_freedom: f64) -> f64 {
    chi_square(x, degrees_of_freedom)[1]
}

/// The value that chi-square stays below with this probability.
pub fn chi_square_quantile(probability: f64, degrees_of_freedom: f64) -> f64 {
    if !(0.0..=1.0).contains(&probability) {
        return f64::NAN;
    }
    // The smaller of both tails is compared, the other has lost its digits.
    if probability < 0.5 {
        crossing(|x| chi_square(x, degrees_of_freedom)[0] >= probability)
    } else {
        crossing(|x| chi_square(x, degrees_of_freedom)[1] <= 1.0 - probability)
    }
}

/// Probabilities that chi-square stays below and that it exceeds `x`.
fn chi_square(x: f64, dof: f64) -> [f64; 2] {
    if x.is_nan() || dof.is_nan() || dof <= 0.0 || dof == f64::INFINITY {
        return [f64::NAN; 2];
    }
    if x <= 0.0 {
        return [0.0, 1.0];
    }
    if x == f64::INFINITY {
        return [1.0, 0.0];
    }
    let (a, x) = (0.5 * dof, 0.5 * x);
    let factor = poisson(a, x);
    if x < a + 1.0 {
        let (mut sum, mut term, mut n) = (1.0, 1.0, a);
        for _ in 0..MOST_TERMS {
            n += 1.0;
            term *= x / n;
            sum += term;
            if term < sum * f64::EPSILON / 4.0 {
                break;
            }
        }
        let below = (factor * sum).min(1.0);
        [below, 1.0 - below]
    } else {
        let fraction = continued_fraction(x + 1.0 - a, |n| (-n * (n - a), x + 1.0 - a + 2.0 * n));
        let above = (factor * a / fraction).min(1.0);
        [1.0 - above, above]
    }
}

/// I_x(a, b), with y = 1 - x given as well, so that it keeps its digits.
fn incomplete_beta(a: f64, b: f64, x: f64, y: f64) -> f64 {
    if x * (a + b + 2.0) > a + 1.0 {
        return 1.0 - incomplete_beta_below(b, a, y, x);
    }
    incomplete_beta_below(a, b, x, y)
}

/// The same for x up to about its mean, where the continued fraction converges fast.
fn incomplete_beta_below(a: f64, b: f64, x: f64, y: f64) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    let n = a + b;
    let exponent = stirling_rest(n)
        - stirling_rest(a)
        - stirling_rest(b)
        - deviance(a, n * x)
        - deviance(b, n * y);
    let binomial = (n / (TAU * a * b)).sqrt() * libm::exp(exponent);
    // The even part of 8.17.22, in the form of DiDonato & Morris, ACM Trans. Math. Softw. 18, 360
    // (1992), eq. 9: its terms do not cancel.
    let terms = |m: f64| {
        let along = a + 2.0 * m;
        let odd = m * (b - m) * x / (along - 1.0);
        let numerator = (a + m - 1.0) * (n + m - 1.0) * x / (along - 1.0) * odd;
        let rest = (a + m) * (a * y - b * x + 1.0 + m * (1.0 + y)) / (along + 1.0);
        (numerator, m + odd + rest)
    };
    let first = a * (a * y - b * x + 1.0) / (a + 1.0);
    (binomial * a * b / n / continued_fraction(first, terms)).min(1.0)
}

/// b0 + a1/(b1 + a2/(b2 + ...)) with (a, b) of each n = 1, 2, ... (modified Lentz method: Thompson &
/// Barnett, J. Comput. Phys. 64, 490 (1986)).
fn continued_fraction(first: f64, terms: impl Fn(f64) -> (f64, f64)) -> f64 {
    const TINY: f64 = 1e-300;
    let kept = |v: f64| if v == 0.0 { TINY } else { v };
    let mut value = kept(first);
    let (mut c, mut d) = (value, 0.0);
    for n in 1..MOST_TERMS {
        let (a, b) = terms(f64::from(n));
        d = 1.0 / kept(b + a * d);
        c = kept(b + a / c);
        let factor = c * d;
        value *= factor;
        if (factor - 1.0).abs() < f64::EPSILON {
            break;
        }
    }
    value
}

/// x^a exp(-x)/Γ(a + 1), for a > 0.
fn poisson(a: f64, x: f64) -> f64 {
    libm::exp(-stirling_rest(a) - deviance(a, x)) / (TAU * a).sqrt()
}

/// ln Γ(n + 1) less Stirling's (n + 1/2) ln n - n + ln(2π)/2.
fn stirling_rest(n: f64) -> f64 {
    if n < 16.0 {
        let stirling = (n + 0.5) * libm::log(n) - n + 0.5 * libm::log(TAU);
        return libm::lgamma(n + 1.0) - stirling;
    }
    // The next term, 691/360360 n^-11, is below 2e-16.
    let s = 1.0 / (n * n);
    let series = 1.0 / 1680.0 - s / 1188.0;
    (1.0 / 12.0 - s * (1.0 / 360.0 - s * (1.0 / 1260.0 - s * series))) / n
}

/// a ln(a/x) + x - a, for a > 0.
fn deviance(a: f64, x: f64) -> f64 {
    if x <= 0.0 {
        return f64::INFINITY;
    }
    let difference = a - x;
    if difference.abs() >= 0.1 * (a + x) {
        return a * libm::log(a / x) - difference;
    }
    let v = difference / (a + x);
    let mut sum = difference * v;
    let mut power = 2.0 * a * v;
    for k in 1..1000 {
        power *= v * v;
        let next = sum + power / f64::from(2 * k + 1);
        if next == sum {
            break;
        }
        sum = next;
    }
    sum
}

/// Quantile of a distribution that is symmetric about zero.
fn symmetric_quantile(probability: f64, above: impl Fn(f64) -> f64) -> f64 {
    if !(0.0..=1.0).contains(&probability) || above(0.0).is_nan() {
        return f64::NAN;
    }
    if probability == 0.5 {
        return 0.0;
    }
    let tail = probability.min(1.0 - probability);
    let size = match tail > 0.0 {
        true => crossing(|t| above(t) <= tail),
        false => f64::INFINITY,
    };
    if probability < 0.5 { -size } else { size }
}

/// The smallest double from zero on for which a monotone condition holds, by bisection.
fn crossing(holds: impl Fn(f64) -> bool) -> f64 {
    if holds(0.0) {
        return 0.0;
    }
    let mut high = 1.0;
    while !holds(high) {
        high *= 2.0;
        if high == f64::INFINITY {
            return high;
        }
    }
    // Down to the scale of the answer first, which may be tiny.
    while high > f64::MIN_POSITIVE && holds(high / 2.0) {
        high /= 2.0;
    }
    let mut low = high / 2.0;
    if holds(low) {
        low = 0.0;
    }
    loop {
        let middle = low + (high - low) / 2.0;
        if middle <= low || middle >= high {
            return high;
        }
        if holds(middle) {
            high = middle;
        } else {
            low = middle;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// JCGM 100:2008, table G.2, to its two decimals.
    #[test]
    fn coverage_factors_of_the_guide() {
        let table = [
            (1.0, 12.71, 13.97, 63.66),
            (2.0, 4.30, 4.53, 9.92),
            (5.0, 2.57, 2.65, 4.03),
            (10.0, 2.23, 2.28, 3.17),
            (50.0, 2.01, 2.05, 2.68),
            (100.0, 1.984, 2.025, 2.626),
            (f64::INFINITY, 1.960, 2.000, 2.576),
        ];
        for (dof, k95, k9545, k99) in table {
            for (p, k) in [(0.95, k95), (0.9545, k9545), (0.99, k99)] {
                let found = student_t_quantile(0.5 + p / 2.0, dof);
                // Printed to two or three decimals.
                let half = if dof < 100.0 { 0.005 } else { 0.0005 };
                assert!((found - k).abs() <= half * 1.001, "{dof}, {p}: {found}");
            }
        }
    }

    /// Closed forms: t of one and of two degrees of freedom, chi-square of two.
    #[test]
    fn closed_forms_are_met() {
        for k in 1..200 {
            let x = 0.05 * f64::from(k);
            let one = 0.5 - libm::atan(x) / std::f64::consts::PI;
            let root = (2.0 + x * x).sqrt();
            // 1/2 - x/(2 root) without its cancellation.
            let two = 1.0 / (root * (root + x));
            let close = |found: f64, expected: f64| {
                // Some ten roundings in factor and fraction, each of 1.1e-16, and cancellation by 10 in `one`.
                assert!(
                    (found / expected - 1.0).abs() < 2e-14,
                    "{x}: {found} {expected}"
                );
            };
            close(student_t_above(x, 1.0), one);
            close(student_t_above(x, 2.0), two);
            close(chi_square_above(x, 2.0), libm::exp(-x / 2.0));
        }
    }

    #[test]
    fn quantiles_invert_probabilities() {
        for dof in [0.7, 1.0, 3.5, 40.0, 1e4, 1e6] {
            for p in [1e-9, 0.025, 0.3, 0.5, 0.8, 0.999] {
                let t = student_t_quantile(p, dof);
                let x = chi_square_quantile(p, dof);
                // The quantile is the next double, and chi-square's relative spacing of 2.2e-16 is
                // sqrt(dof/2) times as much beside its width: 2e-13 at most here, with density and
                // rounding of the sums below 1e-12.
                let same = |found: f64| (found / (1.0 - p) - 1.0).abs() < 1e-12;
                assert!(same(student_t_above(t, dof)), "{dof} {p}: {t}");
                assert!(same(chi_square_above(x, dof)), "{dof} {p}: {x}");
            }
        }
    }

    #[test]
    fn what_has_no_answer_is_not_a_number() {
        assert!(normal_quantile(1.5).is_nan());
        assert!(student_t_quantile(0.975, 0.0).is_nan());
        assert!(student_t_quantile(0.975, f64::NAN).is_nan());
        assert!(student_t_above(f64::NAN, 3.0).is_nan());
        assert!(chi_square_above(1.0, f64::INFINITY).is_nan());
        assert_eq!(student_t_quantile(1.0, 3.0), f64::INFINITY);
        assert_eq!(chi_square_quantile(0.0, 3.0), 0.0);
    }
}
