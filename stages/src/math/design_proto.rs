//! Analog low-pass prototypes with a corner at 1 rad/s: Butterworth, Chebyshev, Bessel.
//!
//! Sources: L. D. Paarmann, *Design and Analysis of Analog Filters* (2001), chapters 3–6;
//! the reverse Bessel polynomials after W. E. Thomson, *Proc. IEE* 96 (1949), and
//! H. L. Krall & O. Frink, *Trans. Amer. Math. Soc.* 65 (1949).
//!
//! Real and imaginary parts are computed each to full relative accuracy: the distance of a pole
//! from the imaginary axis is what makes a narrow filter.

use core::f64::consts::{LN_10, PI};

use num_complex::Complex64;

/// An analog low-pass filter with real coefficients.
pub(super) struct Prototype {
    /// Poles in rad/s: one of each conjugate pair (imaginary part > 0), and the real ones.
    pub poles: Vec<Complex64>,
    /// Angular frequencies `y > 0` of the zero pairs `±iy`; all other zeros are at infinity.
    pub zeros: Vec<f64>,
    /// Gain for a constant input.
    pub dc_gain: f64,
}

/// `10^(db/10) − 1`, accurate for small `db`.
pub(super) fn power_excess(db: f64) -> f64 {
    libm::expm1(db * (LN_10 / 10.0))
}

/// Gain for a constant input of an equal-ripple pass band: even orders start in a dip.
pub(super) fn ripple_dc_gain(order: u32, ripple_db: f64) -> f64 {
    if order.is_multiple_of(2) {
        libm::exp(-ripple_db * (LN_10 / 20.0))
    } else {
        1.0
    }
}

/// `(sin θ, cos θ)` for θ = (2i+1)π/2n, i = 0 … ⌈n/2⌉−1: the angles of Butterworth poles from
/// the imaginary axis. The cosine of the middle one of an odd order is exactly zero.
fn angles(order: u32) -> impl Iterator<Item = (f64, f64)> {
    let unit = PI / (2.0 * f64::from(order));
    (0..order.div_ceil(2)).map(move |i| {
        let odd = f64::from(2 * i + 1);
        let sine = libm::sin(unit * odd);
        (sine, libm::sin(unit * (f64::from(order) - odd)))
    })
}

pub(super) fn butterworth(order: u32) -> Prototype {
    Prototype {
        poles: angles(order).map(|(s, c)| Complex64::new(-s, c)).collect(),
        zeros: Vec::new(),
        dc_gain: 1.0,
    }
}

/// Poles on the ellipse of half axes sinh µ and cosh µ, µ = asinh(sharpness)/n.
fn chebyshev_poles(order: u32, sharpness: f64) -> Vec<Complex64> {
    let mu = libm::asinh(sharpness) / f64::from(order);
    let (minor, major) = (libm::sinh(mu), libm::cosh(mu));
    angles(order)
        .map(|(s, c)| Complex64::new(-minor * s, major * c))
        .collect()
}

pub(super) fn chebyshev1(order: u32, ripple_db: f64) -> Prototype {
    Prototype {
        poles: chebyshev_poles(order, 1.0 / power_excess(ripple_db).sqrt()),
        zeros: Vec::new(),
        dc_gain: ripple_dc_gain(order, ripple_db),
    }
}

pub(super) fn chebyshev2(order: u32, attenuation_db: f64) -> Prototype {
    let mirrored = chebyshev_poles(order, power_excess(attenuation_db).sqrt());
    Prototype {
        poles: mirrored.into_iter().map(inverse).collect(),
        zeros: angles(order)
            .filter(|&(_, c)| c > 0.0)
            .map(|(_, c)| 1.0 / c)
            .collect(),
        dc_gain: 1.0,
    }
}

/// The member with imaginary part ≥ 0 of the pair `1/s`, `1/s̄`.
pub(super) fn inverse(s: Complex64) -> Complex64 {
    s / s.norm_sqr()
}

/// Bessel filter whose phase at high frequency is that of the Butterworth filter of corner 1.
pub(super) fn bessel_phase(order: u32) -> Prototype {
    let scale = 1.0 / bessel_radius(order);
    Prototype {
        poles: bessel_roots(order).into_iter().map(|s| s * scale).collect(),
        zeros: Vec::new(),
        dc_gain: 1.0,
    }
}

/// Bessel filter with a power gain of one half at 1 rad/s.
pub(super) fn bessel_magnitude(order: u32) -> Prototype {
    let roots = bessel_roots(order);
    let scale = 1.0 / half_power_frequency(&roots);
    Prototype {
        poles: roots.into_iter().map(|s| s * scale).collect(),
        zeros: Vec::new(),
        dc_gain: 1.0,
    }
}

/// Geometric mean of the roots' moduli: the n-th root of (2n−1)!!, the constant term.
fn bessel_radius(order: u32) -> f64 {
    let constant: f64 = (1..=order).map(|k| f64::from(2 * k - 1)).product();
    libm::pow(constant, 1.0 / f64::from(order))
}

/// Roots of the reverse Bessel polynomial θₙ: one of each conjugate pair, and the real one.
///
/// From s·θ″ − 2(s + n)·θ′ + 2n·θ = 0 follows `Σ_{j≠i} 1/(sᵢ − sⱼ) = 1 + n/sᵢ` for the roots, which is
/// solved by Newton's method. Unlike the polynomial this system is well conditioned (L. Pasquini,
/// *Numer. Math.* 86, 2000), and the roots come out right to the last digit or two.
fn bessel_roots(order: u32) -> Vec<Complex64> {
    // Seven rounds reach the last digit at order 24, fewer below; the others are a reserve.
    const ROUNDS: usize = 10;
    let radius = bessel_radius(order);
    let mut roots = Vec::new();
    for pole in butterworth(order).poles {
        roots.push(pole * radius);
        if pole.im > 0.0 {
            roots.push(pole.conj() * radius);
        }
    }
    let n = f64::from(order);
    for _ in 0..ROUNDS {
        let rows = (0..roots.len()).map(|i| {
            let own = roots[i].inv();
            let mut row = vec![Complex64::default(); roots.len() + 1];
            let (mut slope, mut excess) = (own * own * n, own * n + 1.0);
            for (j, other) in roots.iter().enumerate().filter(|&(j, _)| j != i) {
                let repulsion = (roots[i] - other).inv();
                row[j] = repulsion * repulsion;
                slope -= row[j];
                excess -= repulsion;
            }
            row[i] = slope;
            row[roots.len()] = excess;
            row
        });
        let steps = solve(rows.collect());
        for (root, step) in roots.iter_mut().zip(steps) {
            *root += step;
        }
    }
    // The start is symmetric, so each root is still in its half plane, and a real one comes last.
    if order % 2 == 1
        && let Some(real) = roots.last_mut()
    {
        real.im = 0.0;
    }
    roots.retain(|s| s.im >= 0.0);
    roots
}

/// Solves linear equations, each row holding its coefficients and then its right-hand side, by
/// elimination with row pivoting.
fn solve(mut rows: Vec<Vec<Complex64>>) -> Vec<Complex64> {
    let n = rows.len();
    for k in 0..n {
        let pivot = (k..n)
            .max_by(|&i, &j| rows[i][k].norm_sqr().total_cmp(&rows[j][k].norm_sqr()))
            .unwrap_or(k);
        rows.swap(k, pivot);
        let (above, below) = rows.split_at_mut(k + 1);
        let pivot = &above[k];
        for row in below {
            let factor = row[k] / pivot[k];
            for (entry, above) in row.iter_mut().zip(pivot).skip(k) {
                *entry -= factor * above;
            }
        }
    }
    let mut solution = vec![Complex64::default(); n];
    for k in (0..n).rev() {
        let known: Complex64 = (k + 1..n).map(|j| rows[k][j] * solution[j]).sum();
        solution[k] = (rows[k][n] - known) / rows[k][k];
    }
    solution
}

/// Where an all-pole low-pass filter with a falling magnitude has half its power, by bisection.
fn half_power_frequency(poles: &[Complex64]) -> f64 {
    let power = |w: f64| -> f64 {
        let ratio = |p: &Complex64, w: f64| p.norm_sqr() / (Complex64::new(0.0, w) - p).norm_sqr();
        poles
            .iter()
            .map(|p| ratio(p, w) * if p.im > 0.0 { ratio(p, -w) } else { 1.0 })
            .product()
    };
    let (mut low, mut high) = (0.0, 1.0);
    while power(high) > 0.5 {
        (low, high) = (high, 2.0 * high);
    }
    loop {
        let middle = 0.5 * (low + high);
        if middle <= low || middle >= high {
            return middle;
        }
        if power(middle) > 0.5 {
            low = middle;
        } else {
            high = middle;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn second_order_butterworth_by_hand() {
        let poles = butterworth(2).poles;
        // s² + √2 s + 1.
        assert_eq!(poles.len(), 1);
        assert!((poles[0] - Complex64::new(-0.5, 0.5) * 2f64.sqrt()).norm() < 3e-16);
        assert_eq!(butterworth(1).poles, [Complex64::new(-1.0, 0.0)]);
    }

    #[test]
    fn third_order_chebyshev_by_hand() {
        // With ripple 10 lg 2 dB, ε = 1: |H|² = 1/(1 + T₃²) and the real pole is −sinh(asinh(1)/3).
        let poles = chebyshev1(3, 10.0 * libm::log10(2.0)).poles;
        let by_hand = -libm::sinh(libm::asinh(1.0) / 3.0);
        // Some five roundings, each 1.1e-16 of 0.3.
        assert!((poles[1] - by_hand).norm() < 2e-16);
        // Inverse Chebyshev of order 3: zeros at 1/cos(π/6) = 2/√3.
        let zeros = chebyshev2(3, 40.0).zeros;
        assert_eq!(zeros.len(), 1);
        assert!((zeros[0] - 2.0 / 3f64.sqrt()).abs() < 5e-16);
    }

    #[test]
    fn bessel_roots_by_hand_and_by_vieta() {
        // θ₂ = s² + 3s + 3, roots (−3 ± i√3)/2.
        let second = bessel_roots(2);
        assert!((second[0] - Complex64::new(-1.5, 0.5 * 3f64.sqrt())).norm() < 1e-15);
        for order in 1..=24 {
            let roots = bessel_roots(order);
            let twice = |s: &Complex64| if s.im > 0.0 { 2.0 } else { 1.0 };
            // The sum of the roots is −n(n+1)/2, the sum of their inverses −1.
            let sum: f64 = roots.iter().map(|s| twice(s) * s.re).sum();
            let inverses: f64 = roots.iter().map(|s| twice(s) * s.re / s.norm_sqr()).sum();
            let n = f64::from(order);
            // The system's condition is about 1.4 n and its residual is rounded some n times, so
            // a root is good to 2n² roundings at worst; the sums are no worse, as all terms have
            // the same sign.
            let bound = 2.0 * n * n * f64::EPSILON;
            assert!((sum / (n * (n + 1.0) / 2.0) + 1.0).abs() < bound, "{order}");
            assert!((inverses + 1.0).abs() < bound, "{order}: {inverses}");
        }
    }

    #[test]
    fn half_power_is_where_it_should_be() {
        // θ₂: |H|² = 9/((3 − w²)² + 9w²) = 1/2 at w² = (3√5 − 3)/2.
        let by_hand = (1.5 * (5f64.sqrt() - 1.0)).sqrt();
        // The power is known to ten roundings, and its slope there is about −0.6.
        assert!((half_power_frequency(&bessel_roots(2)) - by_hand).abs() < 3e-15);
    }
}
