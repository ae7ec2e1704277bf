//! From ratios of deviation and stated uncertainty to probabilities: Student's t and chi-square.

use serde::Serialize;

use crate::statistics::{chi_square_above, normal_quantile, student_t_above};

/// Probability of a deviation of `t` standard uncertainties or more, to either side, where the uncertainty
/// has so many degrees of freedom (Student's t).
pub fn chance(t: f64, freedom: f64) -> f64 {
    2.0 * student_t_above(t.abs(), freedom)
}

/// The deviation of a normal quantity that is as improbable as one of `t` stated uncertainties: with it,
/// ratios of different degrees of freedom can be added up.
pub fn normal_score(t: f64, freedom: f64) -> f64 {
    let above = student_t_above(t.abs(), freedom);
    // Below the smallest double the score no longer matters: 38 standard deviations.
    normal_quantile(above.max(f64::MIN_POSITIVE))
        .abs()
        .copysign(t)
}

/// A sum of squares of normal scores against what independent ones give.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct ChiSquare {
    /// The sum.
    pub value: f64,
    /// How many scores.
    pub count: usize,
    /// Probability of a sum this large or larger if the stated uncertainties are right.
    pub chance_above: f64,
    /// Probability of a sum this small or smaller.
    pub chance_below: f64,
}

impl ChiSquare {
    /// Adds up scores; `None` when there are none.
    pub fn of(scores: &[f64]) -> Option<Self> {
        let value: f64 = scores.iter().map(|s| s * s).sum();
        (!scores.is_empty() && value.is_finite()).then(|| {
            let above = chi_square_above(value, scores.len() as f64);
            ChiSquare {
                value,
                count: scores.len(),
                chance_above: above,
                chance_below: 1.0 - above,
            }
        })
    }

    /// True scatter over stated uncertainty, as far as the sum tells it.
    pub fn ratio(&self) -> f64 {
        (self.value / self.count as f64).sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// With infinitely many degrees of freedom a score is the ratio itself but for rounding; with few it is
    /// smaller: the 95 % points of both laws are 2.262157 for 9 degrees of freedom (JCGM 100:2008, table G.2,
    /// has 2.26) and 1.959964, to a millionth here.
    #[test]
    fn scores_undo_the_heavy_tails() {
        for t in [-3.0, -0.5, 0.25, 2.0] {
            assert!((normal_score(t, f64::INFINITY) - t).abs() < 1e-12);
        }
        assert!((normal_score(2.262_157, 9.0) - 1.959_964).abs() < 2e-6);
        assert!((chance(-2.262_157, 9.0) - 0.05).abs() < 1e-6);
    }

    /// Two scores: the chance of a sum above x is exp(-x/2) (chi-square with two degrees of freedom).
    #[test]
    fn two_squares_by_hand() {
        let found = ChiSquare::of(&[1.0, -2.0]).expect("two");
        assert_eq!((found.value, found.count), (5.0, 2));
        assert!((found.chance_above - libm::exp(-2.5)).abs() < 1e-14);
        assert!((found.chance_below - 1.0 + libm::exp(-2.5)).abs() < 1e-14);
        assert!((found.ratio() - 2.5f64.sqrt()).abs() < 1e-15);
        assert_eq!(ChiSquare::of(&[]), None);
    }
}
