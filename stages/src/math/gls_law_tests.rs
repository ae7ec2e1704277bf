//! Whether p is uniform where nothing is wrong: false alarms at 1 % and 5 % are as many, for means, lines and
//! differences of few degrees of freedom.

use num_complex::Complex64;
use phasemill_engine::value::{About, Estimate, Part, Reach, Value};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

use super::super::gls::{Observations, own};

/// Box & Muller (1958): two at a time.
fn normal(random: &mut ChaCha8Rng) -> Complex64 {
    let mut unit = || (random.next_u64() >> 11) as f64 / (1u64 << 53) as f64;
    let radius = (-2.0 * libm::log(1.0 - unit())).sqrt();
    let turn = std::f64::consts::TAU * unit();
    Complex64::new(radius * libm::cos(turn), radius * libm::sin(turn))
}

/// A series of nothing but noise: how many points, the degrees of freedom of each, and those of noise of the same size
/// that all have in common and of a constant.
struct Noise {
    points: usize,
    freedom: u32,
    shared: Option<u32>,
    constant: bool,
}

/// Components that estimate a covariance of one with so many degrees of freedom (Wishart).
fn scatter(name: &str, freedom: u32, random: &mut ChaCha8Rng) -> Vec<Part> {
    let about = About::scatter(name, Reach::Point, f64::from(freedom));
    let size = f64::from(freedom).sqrt().recip();
    (0..freedom)
        .map(|k| Part::new(&about, k, normal(random) * size))
        .collect()
}

impl Noise {
    fn series(&self, random: &mut ChaCha8Rng) -> Vec<Option<Value>> {
        let shared = self
            .shared
            .map(|n| (normal(random), scatter("background", n, random)));
        let all = normal(random);
        let one = |k: usize| {
            let size = 1.0 + 0.5 * (k % 3) as f64;
            let mut value = normal(random) * size;
            let mut parts = scatter(&format!("point {k}"), self.freedom, random);
            parts.iter_mut().for_each(|p| p.effect *= size);
            if let Some((noise, of_all)) = &shared {
                value += noise;
                parts.extend(of_all.iter().cloned());
            }
            if self.constant {
                let about = About::constant("gain", None);
                value += 0.3 * all.re;
                parts.push(Part::new(&about, 0, 0.3));
            }
            Some(Value::Estimate(Estimate {
                parts: Some(parts),
                ..Estimate::bare(value)
            }))
        };
        (0..self.points).map(one).collect()
    }

    /// Parts of so many series whose p is below 1 % and 5 %, with something real in the first value.
    fn alarms(&self, series: u32, unknowns: usize, complex: bool, real: f64) -> [f64; 2] {
        let mut random = ChaCha8Rng::seed_from_u64(20261126);
        let directions: &[Complex64] = if complex {
            &[Complex64::ONE, Complex64::I]
        } else {
            &[Complex64::ONE]
        };
        let mut alarms = [0.0; 2];
        for _ in 0..series {
            let mut series = self.series(&mut random);
            if let Some(Value::Estimate(first)) = &mut series[0] {
                first.value += real;
            }
            let observed = Observations::new(&series, directions);
            let design = |row: usize, terms: &mut [f64]| {
                for (power, term) in (0..).zip(terms) {
                    *term = libm::pow(row as f64, f64::from(power));
                }
            };
            // Without unknowns it is a comparison, in which constants count.
            let solved = match unknowns {
                0 => observed.solve(0, |_| true, design),
                _ => observed.solve(unknowns, own, design),
            };
            let p = solved.expect("a solution").tests()[1].value.re;
            for (count, level) in alarms.iter_mut().zip([0.01, 0.05]) {
                *count += if p < level { 1.0 } else { 0.0 };
            }
        }
        alarms.map(|count| count / f64::from(series))
    }
}

/// Four standard deviations of a binomial share, which chance passes in one of 16000 cases, beside the allowance that
/// each case states for what the law leaves out.
#[track_caller]
fn uniform(noise: Noise, unknowns: usize, complex: bool, series: u32, allowance: f64) {
    let found = noise.alarms(series, unknowns, complex, 0.0);
    for (found, level) in found.into_iter().zip([0.01f64, 0.05]) {
        let chance = 4.0 * (level * (1.0 - level) / f64::from(series)).sqrt();
        println!("{} x {}: {found} at {level}", noise.points, noise.freedom);
        assert!(
            (found - level).abs() <= chance + allowance * level,
            "{found} instead of {level}"
        );
    }
}

const fn alone(points: usize, freedom: u32) -> Noise {
    Noise {
        points,
        freedom,
        shared: None,
        constant: false,
    }
}

/// Independent complex values: the law is exact.
#[test]
fn false_alarms_of_independent_values_are_as_many_as_stated() {
    uniform(alone(60, 17), 0, true, 800, 0.0);
    uniform(alone(2, 6), 0, true, 8000, 0.0);
    uniform(alone(5, 3), 0, true, 4000, 0.0);
    uniform(alone(7, 2), 0, false, 4000, 0.0);
}

#[test]
fn false_alarms_of_values_that_share_sources_are_as_many_as_stated() {
    let noise = |points, freedom, shared, constant| Noise {
        points,
        freedom,
        shared,
        constant,
    };
    uniform(noise(20, 9, Some(9), false), 0, false, 2000, 0.3);
    uniform(noise(20, 17, None, true), 0, true, 1000, 0.3);
}

#[test]
fn false_alarms_of_fits_are_as_many_as_stated() {
    uniform(alone(2, 6), 1, false, 8000, 0.3);
    uniform(alone(10, 9), 1, false, 3000, 0.3);
    uniform(alone(20, 9), 2, false, 2000, 0.3);
}

/// Something of 12 standard uncertainties in one of 60 points of 17 degrees of freedom: it adds 144 to chi-square, and
/// 175 with 17/(17 - 3) for the mean of an inverse covariance. The limit at 5 % is 38 above the mean, with a deviation
/// of 22 (471 as the variance of sixty T^2(2, 17), by the moments of F). What is added deviates by 60, a part sqrt(2/17)
/// of it from the estimate of the covariance, and by 29 from the noise, 2·12·sqrt(17/14)·1.1: 137 is two deviations of
/// all, so that nine in ten and more are found.
#[test]
fn what_is_there_is_found() {
    let [_, found] = alone(60, 17).alarms(200, 0, true, 12.0);
    assert!(found > 0.9, "{found}");
}
