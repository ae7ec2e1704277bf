//! Amplitudes of values that are drawn about an estimate (JCGM 101:2008), so that their coverage intervals are those
//! that [`Findings`](super::plane::Findings) states.
//!
//! The modulus of z plus drawn noise is too large, R being so already. What the modulus says of the upper end of an
//! interval holds nevertheless, for `Findings` takes it from there; the lower ends come from Rice's distribution: the
//! amplitude from which R would come out as it did, or greater, with the probability that the modulus drawn has of coming
//! out as it did, or smaller. Both ways meet at the median, where the amplitude jumps from that freed of its
//! bias to the modulus.

use phasemill_engine::value::Estimate;

use super::plane::{LARGE, Plane, amplitude_plane, zero};

/// Places between which amplitudes are joined by straight lines.
const PLACES: u32 = 64;

/// How far below the amplitude they begin, in standard uncertainties along the value.
const FAR: f64 = 8.0;

/// From moduli to amplitudes.
#[derive(Clone, Debug)]
pub struct Amplitudes {
    /// The median of the modulus.
    middle: f64,
    /// Modulus and amplitude, in order, up to the median.
    places: Vec<(f64, f64)>,
}

impl Amplitudes {
    /// Those about an estimate; `None` where `Findings` has none.
    pub fn of(estimate: &Estimate) -> Option<Self> {
        let plane = amplitude_plane(estimate)?;
        let size = plane.size();
        let far = FAR * plane.along().sqrt();
        let part = |k: u32| f64::from(k) / f64::from(PLACES);
        if size > LARGE * plane.spread() {
            let place = |k: u32| {
                let x = -far * (1.0 - part(k));
                let bent = plane.curvature(x);
                (size + x + bent, size + x - bent)
            };
            let places: Vec<(f64, f64)> = (0..=PLACES).map(place).collect();
            let middle = places.last()?.0;
            return Some(Amplitudes { middle, places });
        }
        let middle = plane.bound(0.5);
        let top = plane.amplitude_that_exceeds(0.5);
        let bottom = (top - far).max(0.0);
        let place = |k: u32| {
            let amplitude = bottom + (top - bottom) * part(k);
            let probability = plane.outside(amplitude, size);
            (plane.modulus_below(probability, middle), amplitude)
        };
        let places = if top > 0.0 {
            (0..=PLACES).map(place).collect()
        } else {
            vec![(middle, 0.0)]
        };
        Some(Amplitudes { middle, places })
    }

    /// The amplitude of a value of this modulus.
    pub fn at(&self, modulus: f64) -> f64 {
        if modulus >= self.middle {
            return modulus;
        }
        let above = self.places.partition_point(|(r, _)| *r < modulus);
        let place = |k: usize| self.places.get(k).copied();
        match (above.checked_sub(1).and_then(place), place(above)) {
            (Some((r, a)), Some((s, b))) => a + (b - a) * (modulus - r) / (s - r),
            (None, Some((r, a))) => (a - (r - modulus)).max(0.0),
            (Some((_, a)), None) => a,
            (None, None) => modulus,
        }
    }
}

impl Plane {
    /// The modulus that a value drawn about z stays below with a probability of up to a half.
    fn modulus_below(&self, probability: f64, middle: f64) -> f64 {
        if probability >= 0.5 {
            return middle;
        }
        let below = |radius: f64| match radius < self.size() {
            true => self.inside(self.size(), radius) - probability,
            false => 1.0 - self.outside(self.size(), radius) - probability,
        };
        zero(0.0, middle, below)
    }
}

#[cfg(test)]
mod tests {
    use num_complex::Complex64;
    use phasemill_engine::value::{About, Part, Reach};
    use rand_chacha::ChaCha8Rng;
    use rand_chacha::rand_core::{Rng, SeedableRng};

    use super::super::plane::Findings;
    use super::*;

    fn noisy(size: f64, [a, b, c]: [f64; 3], freedom: f64) -> Estimate {
        let about = About::scatter("s", Reach::Node, freedom);
        Estimate {
            parts: Some(vec![
                Part::new(&about, 0, Complex64::new(a, c)),
                Part::new(&about, 1, Complex64::new(0.0, b)),
            ]),
            ..Estimate::bare(size.into())
        }
    }

    /// Of amplitudes drawn from the bivariate t distribution about z, as many lie below and above the ends that
    /// `Findings` states as these say, within four binomial standard errors, at any signal-to-noise ratio. An end
    /// of zero has those below it which are zero.
    #[test]
    fn ends_of_drawn_amplitudes_are_those_stated() {
        let trials = 40_000;
        let allowed = 4.0 * (0.025 * 0.975 / f64::from(trials)).sqrt();
        let mut random = ChaCha8Rng::seed_from_u64(5);
        let mut unit = move || (random.next_u64() >> 11) as f64 / (1u64 << 53) as f64;
        for (shape, freedom) in [([1.0, 1.0, 0.0], 6.0), ([1.0, 1.5, 0.8], 20.0)] {
            for ratio in [0.5, 1.0, 2.0, 3.0, 5.0, 20.0, 200.0] {
                let z = noisy(ratio, shape, freedom);
                let (stated, drawn) = (
                    Findings::of(&z).expect("stated"),
                    Amplitudes::of(&z).expect("drawn"),
                );
                let (mut below, mut above, mut zeros) = (0, 0, 0);
                for _ in 0..trials {
                    // Radii of the bivariate t by inverting (1 + r²/ν)^(-ν/2).
                    let u = 1.0 - unit();
                    let r = (freedom * (libm::pow(u, -2.0 / freedom) - 1.0)).sqrt();
                    let angle = std::f64::consts::TAU * unit();
                    let (x, y) = (r * libm::cos(angle), r * libm::sin(angle));
                    let [a, b, c] = shape;
                    let found = drawn.at(libm::hypot(ratio + a * x, c * x + b * y));
                    below += i32::from(found < stated.interval[0]);
                    above += i32::from(found > stated.interval[1]);
                    zeros += i32::from(found == 0.0);
                }
                let part = |n: i32| f64::from(n) / f64::from(trials);
                println!(
                    "{ratio} {freedom}: {} {} {}",
                    part(below),
                    part(above),
                    part(zeros)
                );
                assert!((part(above) - 0.025).abs() < allowed, "{ratio}");
                match stated.interval[0] > 0.0 {
                    true => assert!((part(below) - 0.025).abs() < allowed, "{ratio}"),
                    false => assert!(part(zeros) > 0.025 - allowed, "{ratio}"),
                }
            }
        }
    }

    /// Where noise is small, amplitudes drawn about 100 are what is drawn along it, less the bias below the median.
    #[test]
    fn strong_amplitudes_follow_their_modulus() {
        let drawn = Amplitudes::of(&noisy(100.0, [1.0, 1.0, 0.0], f64::INFINITY)).expect("drawn");
        // 1/(2·100) is the bias of R for unit variance.
        for x in [-3.0, -1.5, -0.1] {
            let found = drawn.at(100.0 + x);
            assert!((found - (100.0 + x - 0.01)).abs() < 1e-4, "{found}");
        }
        assert_eq!(drawn.at(101.0), 101.0);
    }
}
