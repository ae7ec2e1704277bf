//! Numbers that are drawn from distributions.

use std::f64::consts::TAU;

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::Rng;

use crate::constant::Distribution;
use crate::value::{About, Evaluation};

/// The factor by which all components of a source are drawn too far apart because its uncertainty is known
/// from few degrees of freedom: that of the scaled and shifted t distribution (JCGM 101:2008, 6.4.9.2 and,
/// for several components, JCGM 102:2011, 5.3.2).
pub(super) fn spread(about: &About, random: &mut ChaCha8Rng) -> f64 {
    let freedom = about.degrees_of_freedom;
    let normal =
        about.evaluation == Evaluation::Statistical || about.distribution == Distribution::Normal;
    if !normal || !freedom.is_finite() {
        return 1.0;
    }
    (freedom / chi_square(freedom, random)).sqrt()
}

/// A draw of mean 0 and variance 1.
pub(super) fn drawn(distribution: Distribution, random: &mut ChaCha8Rng) -> f64 {
    match distribution {
        Distribution::Normal => normal(random),
        Distribution::Rectangular => (2.0 * unit(random) - 1.0) * distribution.divisor(),
        Distribution::Triangular => (unit(random) + unit(random) - 1.0) * distribution.divisor(),
        Distribution::Arcsine => libm::sin(TAU * unit(random)) * distribution.divisor(),
    }
}

/// Equally likely from 0 to below 1.
fn unit(random: &mut ChaCha8Rng) -> f64 {
    (random.next_u64() >> 11) as f64 * (1.0 / (1u64 << 53) as f64)
}

/// Standard normal (Box and Muller, Ann. Math. Stat. 29, 610, 1958).
fn normal(random: &mut ChaCha8Rng) -> f64 {
    let (a, b) = (1.0 - unit(random), unit(random));
    (-2.0 * libm::log(a)).sqrt() * libm::cos(TAU * b)
}

/// Chi-square, as twice a gamma variable of half the degrees of freedom (Marsaglia and Tsang, ACM Trans. Math.
/// Softw. 26, 363, 2000).
fn chi_square(freedom: f64, random: &mut ChaCha8Rng) -> f64 {
    let shape = 0.5 * freedom;
    // Below 1 the method needs a larger shape and a power (their section 6).
    let (shape, boost) = if shape < 1.0 {
        (shape + 1.0, libm::pow(1.0 - unit(random), 1.0 / shape))
    } else {
        (shape, 1.0)
    };
    let d = shape - 1.0 / 3.0;
    let c = 1.0 / (9.0 * d).sqrt();
    loop {
        let x = normal(random);
        let v = 1.0 + c * x;
        let v = v * v * v;
        let u = 1.0 - unit(random);
        if v > 0.0 && libm::log(u) < 0.5 * x * x + d * (1.0 - v + libm::log(v)) {
            return 2.0 * d * v * boost;
        }
    }
}

#[cfg(test)]
mod tests {
    use rand_chacha::rand_core::SeedableRng;

    use super::*;

    /// Moments of each distribution: mean 0 and variance 1, which over n draws are known to sqrt(1/n) and
    /// sqrt((k - 1)/n), with k the fourth moment, at most 3: within 5 of these.
    #[test]
    fn draws_have_mean_zero_and_variance_one() {
        let mut random = ChaCha8Rng::seed_from_u64(1);
        let n = 200_000;
        for distribution in [
            Distribution::Normal,
            Distribution::Rectangular,
            Distribution::Triangular,
            Distribution::Arcsine,
        ] {
            let draws = (0..n).map(|_| drawn(distribution, &mut random));
            let (sum, square) = draws.fold((0.0, 0.0), |(s, q), x| (s + x, q + x * x));
            let n = f64::from(n);
            assert!((sum / n).abs() < 5.0 / n.sqrt(), "{distribution:?}");
            assert!(
                (square / n - 1.0).abs() < 5.0 * (2.0 / n).sqrt(),
                "{distribution:?}"
            );
        }
    }

    /// Chi-square of n degrees of freedom has mean n and variance 2n (its fourth central moment is 12n(n + 4)):
    /// within 5 standard deviations of what so many draws tell.
    #[test]
    fn chi_square_has_its_moments() {
        let mut random = ChaCha8Rng::seed_from_u64(2);
        let draws = 200_000;
        for n in [1.0, 2.0, 7.5, 31.0] {
            let all: Vec<f64> = (0..draws).map(|_| chi_square(n, &mut random)).collect();
            let m = f64::from(draws);
            let mean = all.iter().sum::<f64>() / m;
            let variance = all.iter().map(|x| (x - n) * (x - n)).sum::<f64>() / m;
            assert!((mean - n).abs() < 5.0 * (2.0 * n / m).sqrt(), "{n} {mean}");
            let of_variance = (12.0 * n * (n + 4.0) - 4.0 * n * n) / m;
            assert!(
                (variance - 2.0 * n).abs() < 5.0 * of_variance.sqrt(),
                "{n} {variance}"
            );
        }
    }
}
