//! Analog elliptic (Cauer) low-pass prototype with a pass-band edge at 1 rad/s.
//!
//! Sources: S. Darlington, *J. Math. Phys.* 18 (1939); S. J. Orfanidis, *Lecture Notes on Elliptic
//! Filter Design* (2006); DLMF chapters 19, 20 and 22 for the functions. Every modulus is carried
//! together with its complement, so that nothing cancels when one of them is nearly 1.

use core::f64::consts::{FRAC_PI_2, PI};

use num_complex::Complex64;

use super::design_proto::Prototype;
use super::design_proto::power_excess;
use super::design_proto::ripple_dc_gain;

/// The prototype of the given order with pass-band ripple and stop-band attenuation in dB,
/// `0 < ripple_db < attenuation_db`.
pub(super) fn elliptic(order: u32, ripple_db: f64, attenuation_db: f64) -> Prototype {
    let n = f64::from(order);
    let (pass, stop) = (power_excess(ripple_db), power_excess(attenuation_db));
    // Squares of the discrimination k₁ = εp/εs and of its complement.
    let k1_sq = pass / stop;
    let complement_sq = (1.0 + pass) * power_excess(attenuation_db - ripple_db) / stop;
    let quarter = carlson_rf(0.0, complement_sq, 1.0);
    let quarter_complement = carlson_rf(0.0, k1_sq, 1.0);

    // The degree equation K'/K = K₁'/(n K₁) gives the nome, and the nome the selectivity k.
    let ratio = quarter_complement / (n * quarter);
    let modulus = Modulus {
        k: modulus_from_nome(libm::exp(-PI * ratio)),
        complement: modulus_from_nome(libm::exp(-PI / ratio)),
    };

    // The argument v with sc(v K₁', k₁') = 1/εp, in units of K₁', and 1 − v.
    let inverse_sc = |e_sq: f64| carlson_rf(e_sq, e_sq + k1_sq, 1.0 + e_sq) / quarter_complement;
    let v = jacobi(inverse_sc(pass), inverse_sc(1.0 / stop), modulus.swapped());

    let mut prototype = Prototype {
        poles: Vec::new(),
        zeros: Vec::new(),
        dc_gain: ripple_dc_gain(order, ripple_db),
    };
    for j in ((order + 1) % 2..order).step_by(2) {
        let u = jacobi(f64::from(j) / n, f64::from(order - j) / n, modulus);
        // 1 − (dn(u) sn(v))², written as a sum of squares.
        let cross = modulus.k * u.sn * v.sn;
        let scale = 1.0 / (v.cn * v.cn + cross * cross);
        prototype.poles.push(Complex64::new(
            -u.cn * u.dn * v.sn * v.cn * scale,
            u.sn * v.dn * scale,
        ));
        if j > 0 {
            prototype.zeros.push(1.0 / (modulus.k * u.sn));
        }
    }
    prototype
}

/// An elliptic modulus k and its complement √(1 − k²).
#[derive(Clone, Copy)]
struct Modulus {
    k: f64,
    complement: f64,
}

impl Modulus {
    fn swapped(self) -> Self {
        Self {
            k: self.complement,
            complement: self.k,
        }
    }
}

/// k = (θ₂(q)/θ₃(q))², DLMF 22.2.2; all terms are positive.
fn modulus_from_nome(q: f64) -> f64 {
    let (mut top, mut bottom) = (1.0, 1.0);
    // q^(m²) and q^(m(m+1)), from the powers before.
    let (mut power, mut square) = (1.0, 1.0);
    loop {
        square *= power * power * q;
        power *= q;
        let term = square * power;
        let grown = bottom + 2.0 * square;
        if grown == bottom && top + term == top {
            let root = top / bottom;
            return 4.0 * q.sqrt() * root * root;
        }
        (top, bottom) = (top + term, grown);
    }
}

/// Carlson's symmetric integral R_F(x, y, z) by duplication, DLMF 19.36.1.
fn carlson_rf(mut x: f64, mut y: f64, mut z: f64) -> f64 {
    loop {
        let mean = (x + y + z) / 3.0;
        let (dx, dy, dz) = (1.0 - x / mean, 1.0 - y / mean, 1.0 - z / mean);
        // The first term left out is 3/44 of a product of five of these, below 1e-16.
        if dx.abs().max(dy.abs()).max(dz.abs()) < 1e-3 {
            let e2 = dx * dy - dz * dz;
            let e3 = dx * dy * dz;
            let series = 1.0 - e2 / 10.0 + e3 / 14.0 + e2 * e2 / 24.0;
            return series / mean.sqrt();
        }
        let (rx, ry, rz) = (x.sqrt(), y.sqrt(), z.sqrt());
        let shift = rx * ry + ry * rz + rz * rx;
        (x, y, z) = (0.25 * (x + shift), 0.25 * (y + shift), 0.25 * (z + shift));
    }
}

struct Jacobi {
    sn: f64,
    cn: f64,
    dn: f64,
}

/// Jacobi's functions at the real argument `u` in units of the quarter period, `0 ≤ u ≤ 1`, given
/// together with `rest = 1 − u`; by descending Landen transformations, DLMF 22.7.
fn jacobi(u: f64, rest: f64, modulus: Modulus) -> Jacobi {
    let mut steps = Vec::new();
    let mut at = modulus;
    while at.k > f64::EPSILON / 4.0 {
        let root = at.k / (1.0 + at.complement);
        at = Modulus {
            k: root * root,
            complement: 2.0 * at.complement.sqrt() / (1.0 + at.complement),
        };
        steps.push(at);
    }
    let start = Jacobi {
        sn: libm::sin(FRAC_PI_2 * u),
        cn: libm::sin(FRAC_PI_2 * rest),
        dn: 1.0,
    };
    steps.iter().rev().fold(start, |w, step| {
        let k = step.k;
        let scale = 1.0 / (1.0 + k * w.sn * w.sn);
        // 1 − k sn², written so that it keeps its digits where both are nearly 1.
        let fall = step.complement * step.complement / (1.0 + k) + k * w.cn * w.cn;
        Jacobi {
            sn: (1.0 + k) * w.sn * scale,
            cn: w.cn * w.dn * scale,
            dn: fall * scale,
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// |H(iw)|² from poles and zeros.
    fn power(prototype: &Prototype, w: f64) -> f64 {
        let at_dc: f64 = prototype.dc_gain * prototype.dc_gain;
        let square = |p: Complex64| (Complex64::new(0.0, w) - p).norm_sqr() / p.norm_sqr();
        let poles: f64 = prototype
            .poles
            .iter()
            .map(|&p| square(p) * if p.im > 0.0 { square(p.conj()) } else { 1.0 })
            .product();
        let zeros: f64 = prototype
            .zeros
            .iter()
            .map(|z| (1.0 - (w / z) * (w / z)) * (1.0 - (w / z) * (w / z)))
            .product();
        at_dc * zeros / poles
    }

    #[test]
    fn integrals_against_hand_worked_values() {
        // R_F(x, x, x) = x^(−1/2); R_F(0, 1, 1) = π/2.
        assert_eq!(carlson_rf(4.0, 4.0, 4.0), 0.5);
        assert!((carlson_rf(0.0, 1.0, 1.0) - FRAC_PI_2).abs() < 5e-16);
        // DLMF 19.20.2, from memory: R_F(0, 1, 2) = Γ(1/4)²/(4√(2π)) = 1.31102 87771 46059 …
        assert!((carlson_rf(0.0, 1.0, 2.0) - 1.311_028_777_146_059_9).abs() < 5e-16);
        // The nome of k² = 1/2 is e^(−π).
        assert!((modulus_from_nome(libm::exp(-PI)) - 0.5f64.sqrt()).abs() < 3e-16);
    }

    #[test]
    fn jacobi_at_half_the_quarter_period() {
        // DLMF table 22.5.2: sn = (1 + k')^(−1/2), cn = (k'/(1 + k'))^(1/2), dn = k'^(1/2).
        for (k, complement) in [(0.6f64, 0.8f64), (0.8, 0.6), (1.0, 1e-9), (1e-9, 1.0)] {
            let w = jacobi(0.5, 0.5, Modulus { k, complement });
            // Five steps at most, each of some ten roundings.
            let close = |a: f64, b: f64| (a / b - 1.0).abs() < 1e-14;
            assert!(close(w.sn, 1.0 / (1.0 + complement).sqrt()), "{k}");
            assert!(close(w.cn, (complement / (1.0 + complement)).sqrt()), "{k}");
            assert!(close(w.dn, complement.sqrt()), "{k}");
        }
    }

    /// How much the power may be off, relatively, when each root is off by some fifty roundings,
    /// the length of the computation behind it.
    fn slack(prototype: &Prototype, w: f64) -> f64 {
        let at = Complex64::new(0.0, w);
        let poles = prototype.poles.iter().map(|p| w / (at - p).norm());
        let zeros = prototype.zeros.iter().map(|z| w / (z - w).abs());
        // Squares double it, and so do the conjugates.
        4.0 * 50.0 * f64::EPSILON * (1.0 + poles.chain(zeros).sum::<f64>())
    }

    #[test]
    fn pass_and_stop_bands_keep_their_promise() {
        for order in 1..=12 {
            for (ripple, attenuation) in [(0.01, 20.0), (0.5, 60.0), (3.0, 120.0), (1.0, 20.0)] {
                let prototype = elliptic(order, ripple, attenuation);
                let floor = 1.0 / (1.0 + power_excess(ripple));
                let ceiling = 1.0 / (1.0 + power_excess(attenuation));
                // The edge itself lies at the ripple, and nothing within falls below.
                let edge = power(&prototype, 1.0) / floor;
                assert!(
                    (edge - 1.0).abs() < slack(&prototype, 1.0),
                    "{order}: {edge}"
                );
                for step in 0..=200 {
                    let w = f64::from(step) / 200.0;
                    let (value, slack) = (power(&prototype, w), slack(&prototype, w));
                    assert!(value > floor * (1.0 - slack) && value < 1.0 + slack);
                }
                // In the stop band every lobe reaches the same height: beyond the last zero, for
                // even orders, that is the value at infinity.
                if order % 2 == 0 {
                    let far = power(&prototype, 1e12) / ceiling;
                    assert!(
                        (far - 1.0).abs() < slack(&prototype, 1e12),
                        "{order}: {far}"
                    );
                }
            }
        }
    }
}
