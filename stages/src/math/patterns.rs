//! Whether what is averaged is more than noise: a line among stretches, and a ripple of the reference that the
//! ends of a mean cut off.

use std::collections::VecDeque;
use std::f64::consts::{PI, TAU};

use num_complex::Complex64;

/// Probability with which chance gives a finding, in either of the tests: small, since a sweep asks for hundreds of them.
pub const CHANCE: f64 = 2e-5;

/// Fewest frequencies among which a line is looked for.
const FEWEST_FREQUENCIES: usize = 5;

/// A line among deviations that follow each other.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// Cycles from one deviation to the next, from -1/2 to 1/2.
    pub frequency: f64,
    /// Its part of the sum of squares.
    pub part: f64,
}

/// The strongest line of deviations from their mean, where white noise has one as strong less than half as often as
/// [`CHANCE`] says, since lines are looked for in two ways: Fisher's test of the largest ordinate of a periodogram against their sum (Proc. R. Soc. Lond. A 125,
/// 54 (1929)). Those of a real sequence are counted on one side, without that at half the rate.
pub fn line(deviations: &[Complex64]) -> Option<Line> {
    let (line, chance) = strongest(deviations)?;
    (chance < 0.5 * CHANCE).then_some(line)
}

/// The strongest line, and the chance that white noise has one as strong.
fn strongest(deviations: &[Complex64]) -> Option<(Line, f64)> {
    let n = deviations.len();
    let real = deviations.iter().all(|d| d.im == 0.0);
    let count = if real {
        n.saturating_sub(1) / 2
    } else {
        n.saturating_sub(1)
    };
    if count < FEWEST_FREQUENCIES {
        return None;
    }
    let turn = |k: usize| {
        let (sin, cos) = libm::sincos(-TAU * k as f64 / n as f64);
        Complex64::new(cos, sin)
    };
    let turns: Vec<Complex64> = (0..n).map(turn).collect();
    let power = |j: usize| {
        let terms = deviations.iter().enumerate();
        let sum: Complex64 = terms.map(|(k, d)| d * turns[j * k % n]).sum();
        sum.norm_sqr()
    };
    let (mut all, mut largest, mut place) = (0.0, 0.0, 0);
    for j in 1..=count {
        let own = power(j);
        all += own;
        if own > largest {
            (largest, place) = (own, j);
        }
    }
    let part = largest / all;
    let frequency = if 2 * place > n {
        place as f64 - n as f64
    } else {
        place as f64
    };
    let found = Line {
        frequency: frequency / n as f64,
        part,
    };
    Some((found, chance_of_part(part, count)))
}

/// Probability that the largest of n equal exponential variables is more than a part g of their sum.
pub fn chance_of_part(g: f64, n: usize) -> f64 {
    let (mut sum, mut choose, mut sign) = (0.0, 1.0, 1.0);
    for j in 1..=n {
        let rest = 1.0 - j as f64 * g;
        if rest <= 0.0 {
            break;
        }
        choose *= (n - j + 1) as f64 / j as f64;
        let term = choose * libm::pow(rest, (n - 1) as f64);
        sum += sign * term;
        sign = -sign;
        // Terms alternate and fall where the sum matters.
        if term < 1e-12 {
            break;
        }
    }
    sum.clamp(0.0, 1.0)
}

/// The samples at both ends of a mean, to see what a ripple of a known period leaves in it.
#[derive(Clone, Debug)]
pub struct Ends {
    period: f64,
    room: usize,
    first: Vec<Complex64>,
    last: VecDeque<Complex64>,
    seen: u64,
}

impl Ends {
    /// For a ripple of so many samples a period; `None` where it is no ripple, or too slow.
    pub fn new(period: f64) -> Option<Self> {
        const SAMPLES: f64 = 64.0;
        let room = ((SAMPLES / period).ceil() * period).round();
        (period > 2.0 && room <= 4096.0).then(|| Ends {
            period,
            room: room as usize,
            first: Vec::new(),
            last: VecDeque::new(),
            seen: 0,
        })
    }

    /// Takes the next samples.
    pub fn extend(&mut self, samples: &[Complex64]) {
        self.seen += samples.len() as u64;
        let missing = self.room - self.first.len();
        self.first
            .extend_from_slice(&samples[..missing.min(samples.len())]);
        let last = &samples[samples.len().saturating_sub(self.room)..];
        let over = (self.last.len() + last.len()).saturating_sub(self.room);
        self.last.drain(..over);
        self.last.extend(last);
    }

    /// By how much a level in front of a mixing, or its drift, shifts the mean: such a level c is a ripple c·e^{-iωt}
    /// behind it, and the mean of n samples of that, c slowly changing, is what both ends cut off, (c_a - c_b·e^{-iωn})/(n·(1 -
    /// e^{-iω})). `variance` is that of the samples; what noise of that variance gives less often than [`CHANCE`] says is
    /// found. `None` otherwise, for a short mean, and where samples at an end are missing.
    pub fn shift(&self, variance: f64) -> Option<f64> {
        let n = self.seen as f64;
        if self.seen < 4 * self.room as u64 {
            return None;
        }
        let ripple = |samples: &mut dyn Iterator<Item = &Complex64>, from: f64| -> Complex64 {
            let turned = samples.zip(0u32..).map(|(z, k)| {
                let cycles = (from + f64::from(k)) / self.period;
                let (sin, cos) = libm::sincos(TAU * (cycles - cycles.floor()));
                z * Complex64::new(cos, sin)
            });
            turned.sum::<Complex64>() / self.room as f64
        };
        let a = ripple(&mut self.first.iter(), 0.0);
        let b = ripple(&mut self.last.iter(), n - self.room as f64);
        let cycles = n / self.period;
        let (sin, cos) = libm::sincos(TAU * (cycles - cycles.floor()));
        let left = (a - b * Complex64::new(cos, -sin)).norm_sqr();
        let noise = 2.0 * variance / self.room as f64;
        // The square of a complex normal variable exceeds x times its mean with the probability e^-x.
        let found = left > noise * -libm::log(CHANCE);
        found.then(|| left.sqrt() / (n * 2.0 * libm::sin(PI / self.period)))
    }
}

#[cfg(test)]
mod tests {
    use rand_chacha::ChaCha8Rng;
    use rand_chacha::rand_core::{Rng, SeedableRng};

    use super::*;

    fn normal(random: &mut ChaCha8Rng) -> Complex64 {
        let mut unit = || ((random.next_u64() >> 11) as f64 + 0.5) / (1u64 << 53) as f64;
        let (r, angle) = ((-2.0 * libm::log(unit())).sqrt(), TAU * unit());
        Complex64::new(r * libm::cos(angle), r * libm::sin(angle))
    }

    /// Fisher's table: of n = 10 ordinates the largest exceeds 0.4450 of the sum in 5 % of all cases, of 30 it
    /// exceeds 0.1978 (Fisher 1929, Davis 1941; here from memory and to four digits), and of two 0.975.
    #[test]
    fn chances_are_those_of_fishers_table() {
        for (n, g) in [(2, 0.975), (10, 0.4450), (30, 0.1978)] {
            let found = chance_of_part(g, n);
            assert!((found - 0.05).abs() < 1e-3, "{n}: {found}");
        }
    }

    /// In white noise as often as its chance says: of 40 000 sequences 20 at a chance of 1 in 2000, within four times
    /// sqrt(20).
    #[test]
    fn noise_has_a_line_as_rarely_as_stated() {
        let mut random = ChaCha8Rng::seed_from_u64(3);
        for real in [false, true] {
            let mut found = 0;
            for _ in 0..40_000 {
                let z = (0..24).map(|_| normal(&mut random));
                let z: Vec<Complex64> = z.map(|z| if real { z.re.into() } else { z }).collect();
                let mean = z.iter().sum::<Complex64>() / 24.0;
                let off: Vec<Complex64> = z.iter().map(|z| z - mean).collect();
                let (_, chance) = strongest(&off).expect("many");
                found += u32::from(chance < 1.0 / 2000.0);
            }
            assert!((2..=38).contains(&found), "{real}: {found}");
        }
    }

    #[test]
    fn a_line_is_found_where_it_is() {
        let mut random = ChaCha8Rng::seed_from_u64(4);
        let each = (0..30u32).map(|k| {
            let (sin, cos) = libm::sincos(-TAU * 0.2 * f64::from(k));
            normal(&mut random) + 3.0 * Complex64::new(cos, sin)
        });
        let found = line(&each.collect::<Vec<_>>()).expect("a line");
        assert_eq!(found.frequency, -0.2);
    }

    /// A level that runs from -3 to 3 behind a mixing at 1/11.4 of the rate, in noise of variance 1 in each part: the mean is
    /// shifted by what it is without noise, known to some 1/sqrt(64) of 3 at each end; noise alone shifts nothing.
    #[test]
    fn a_drift_is_seen_in_the_ends() {
        let (period, n) = (11.4, 900u32);
        let mut random = ChaCha8Rng::seed_from_u64(6);
        let ripple = |k: u32| {
            let (sin, cos) = libm::sincos(-TAU * f64::from(k) / period);
            Complex64::new(cos, sin) * (6.0 * f64::from(k) / f64::from(n) - 3.0)
        };
        let exact = (0..n).map(ripple).sum::<Complex64>().norm() / f64::from(n);
        let (mut drifting, mut plain) = (
            Ends::new(period).expect("short"),
            Ends::new(period).expect("short"),
        );
        for k in 0..n {
            let noise = normal(&mut random);
            drifting.extend(&[noise + ripple(k)]);
            plain.extend(&[noise]);
        }
        let found = drifting.shift(2.0 + 3.0).expect("found");
        assert!((found / exact - 1.0).abs() < 0.25, "{found} {exact}");
        assert_eq!(plain.shift(2.0), None);
    }
}
