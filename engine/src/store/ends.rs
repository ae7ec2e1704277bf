//! How many samples stand at the smallest and the largest value: whether a signal was cut off there.
//!
//! Where a stage before the converter is full, many samples stand at one value, and the value next to it is rare, since
//! the signal passes it on its way only. Nothing that is whole looks so:
//!
//! - The density of noise falls towards its ends, so that the last value is not more frequent than the one before,
//!   but by chance: that of 69 samples in both at most 5 have the value before has a probability of 2 * 10^-14 (binomial
//!   law, p = 1/2), and of more samples a smaller one.
//! - A smooth signal turns round at its ends along a parabola. Where steps are fine against the turn it is within the
//!   next step for sqrt(2) - 1 of the time for which it is within the last one, at the least. Where they are coarse r
//!   samples in a row stand at the last value, over at most the width of the last step, and beside them, on either
//!   side, at least the whole part of (sqrt(2) - 1) (r - 1) / 2 samples at the next, or one value more, whence at most
//!   r = 10 for two, which is 5; for r up to 5 there is one more value, which is 5 again.
//! - Two levels have their neighbour far away, or it belongs to the edges and both ends are crowded. Numbers of a few
//!   steps have few others. Nor is a quiet channel cut off that stands at one value but for rare pulses.
//!
//! Counting takes time, so only the first samples of a point are looked at and then one window in [`EVERY`]. Windows lie
//! at fixed samples, and counts of values do not depend on the order, so that what is found does not depend on how
//! samples are read.

/// Samples of a window.
pub(super) const WINDOW: u64 = 2048;
/// Windows at the beginning that are all looked at,
const FIRST: u64 = 4;
/// and of those behind, one in as many.
const EVERY: u64 = 64;
/// Fewest samples at the end of the range.
const FEWEST: u64 = 64;
/// Times as many samples at the end as at the value next to it: twice what a whole signal can have, and more.
const MOST_WHOLE: u64 = 12;
/// Steps from the end to its neighbour that the range has at least.
const STEPS: f64 = 16.0;
/// Part of the samples at the end that are elsewhere, and not next to it, at the least.
const OTHERS: f64 = 0.01;
/// Part of the samples at both ends together from which on these are two levels and not the ends of a signal.
const TWO_LEVELS: f64 = 0.8;

/// Whether a window is looked at: that of this sample.
pub(super) fn is_looked_at(sample: u64) -> bool {
    let window = sample / WINDOW;
    window < FIRST || window.is_multiple_of(EVERY)
}

/// The largest value of some samples and the one next to it, and how many samples have them.
#[derive(Clone, Copy, Debug, PartialEq)]
struct End {
    last: (f64, u64),
    next: (f64, u64),
}

impl Default for End {
    fn default() -> Self {
        End {
            last: (f64::NEG_INFINITY, 0),
            next: (f64::NEG_INFINITY, 0),
        }
    }
}

impl End {
    #[inline]
    fn take(&mut self, value: f64, count: u64) {
        // NaN is not, nor what most samples are.
        if value >= self.next.0 {
            if value > self.last.0 {
                self.next = self.last;
                self.last = (value, count);
            } else if value == self.last.0 {
                self.last.1 += count;
            } else if value > self.next.0 {
                self.next = (value, count);
            } else {
                self.next.1 += count;
            }
        }
    }

    fn merge(&mut self, other: &End) {
        for (value, count) in [other.last, other.next] {
            if count > 0 {
                self.take(value, count);
            }
        }
    }

    /// Whether so many samples at the end are improbable, of all that were looked at, for a range of values.
    fn is_crowded(&self, all: u64, range: f64) -> bool {
        let (last, next) = (self.last, self.next);
        let others = (all - last.1 - next.1) as f64;
        last.1 >= FEWEST
            && others >= OTHERS * last.1 as f64
            && next.1 > 0
            && last.1 > MOST_WHOLE * next.1
            && STEPS * (last.0 - next.0) <= range
    }
}

/// What was seen at both ends of the range.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Ends {
    high: End,
    /// Of the values with the opposite sign.
    low: End,
    /// Samples that were looked at and are there.
    looked_at: u64,
}

/// A value at which a signal was cut off.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CutOff {
    /// The value, in SI units.
    pub value: f64,
    /// Whether it is the largest, and not the smallest.
    pub is_largest: bool,
    /// Part of the samples that stand there.
    pub part: f64,
}

impl Ends {
    /// Takes in the samples of a window.
    pub(super) fn look(&mut self, values: &[f64]) {
        for &value in values {
            self.high.take(value, 1);
            self.low.take(-value, 1);
            self.looked_at += u64::from(!value.is_nan());
        }
    }

    /// Samples that were looked at and are there.
    pub(super) fn looked_at(&self) -> u64 {
        self.looked_at
    }

    pub(super) fn merge(&mut self, later: &Ends) {
        self.high.merge(&later.high);
        self.low.merge(&later.low);
        self.looked_at += later.looked_at;
    }

    /// Where the signal seems to have been cut off, for the range of all samples.
    pub(super) fn cut_off(&self, low: f64, high: f64) -> impl Iterator<Item = CutOff> {
        let part = |end: &End| end.last.1 as f64 / self.looked_at as f64;
        let crowded = move |end: &End, limit| {
            end.last.0 == limit && end.is_crowded(self.looked_at, high - low)
        };
        let levels = crowded(&self.low, -low)
            && crowded(&self.high, high)
            && part(&self.high) + part(&self.low) >= TWO_LEVELS;
        [(&self.low, -low, -1.0), (&self.high, high, 1.0)]
            .into_iter()
            // What was not looked at may go further.
            .filter(move |(end, limit, _)| !levels && crowded(end, *limit))
            .map(move |(end, limit, sign)| CutOff {
                value: sign * limit,
                is_largest: sign > 0.0,
                part: part(end),
            })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What is found in samples, looked at in pieces of different lengths.
    fn found(samples: &[f64]) -> Vec<CutOff> {
        let low = samples.iter().copied().fold(f64::INFINITY, f64::min);
        let high = samples.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let all = |length: usize| {
            let mut all = Ends::default();
            for piece in samples.chunks(length) {
                let mut ends = Ends::default();
                ends.look(piece);
                all.merge(&ends);
            }
            all
        };
        let whole = all(samples.len());
        for length in [1, 7, 1000] {
            assert_eq!(all(length), whole);
        }
        whole.cut_off(low, high).collect()
    }

    /// Gaussian numbers from uniform ones (Box and Muller, Ann. Math. Stat. 29, 610 (1958)).
    fn gaussian(count: usize) -> Vec<f64> {
        let mut state = 7u64;
        let mut uniform = move || {
            // A linear congruential sequence (constants from memory of common practice).
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            ((state >> 11) as f64 + 0.5) / (1u64 << 53) as f64
        };
        (0..count)
            .map(|_| {
                let (a, b) = (uniform(), uniform());
                (-2.0 * libm::log(a)).sqrt() * libm::cos(std::f64::consts::TAU * b)
            })
            .collect()
    }

    fn sine(count: usize, cycles_per_sample: f64, amplitude: f64) -> Vec<f64> {
        let angle = |i: usize| std::f64::consts::TAU * cycles_per_sample * i as f64;
        (0..count)
            .map(|i| amplitude * libm::sin(angle(i) + 0.3))
            .collect()
    }

    #[test]
    fn noise_is_whole_however_coarse_its_steps_are() {
        let noise = gaussian(200_000);
        for sigma in [0.05, 0.1, 0.2, 0.3, 0.5, 1.0, 2.0, 5.0, 30.0, 1000.0] {
            for offset in [0.0, 0.3, 0.49, 0.9] {
                let codes: Vec<f64> = noise.iter().map(|x| (sigma * x + offset).round()).collect();
                assert_eq!(found(&codes), [], "{sigma} steps, offset {offset}");
            }
        }
        assert_eq!(found(&noise), []);
    }

    #[test]
    fn sines_are_whole_at_any_rate_and_in_any_steps() {
        for cycles in [
            1e-4,
            17.0 / 50_000.0,
            0.00346,
            0.01,
            0.02,
            0.0625,
            0.125,
            0.2371,
        ] {
            for amplitude in [0.7, 3.0, 20.0, 100.0, 1000.0, 12_345.0, 1e6] {
                let fine = sine(100_000, cycles, amplitude);
                assert_eq!(found(&fine), [], "{cycles}, {amplitude}");
                let codes: Vec<f64> = fine.iter().map(|x| x.round()).collect();
                assert_eq!(found(&codes), [], "{cycles}, {amplitude} steps");
            }
        }
    }

    #[test]
    fn levels_are_whole_with_and_without_noise_and_slow_edges() {
        let square: Vec<f64> = (0..100_000)
            .map(|i| if i % 289 < 100 { 5000.0 } else { 0.0 })
            .collect();
        assert_eq!(found(&square), []);
        let noise = gaussian(square.len());
        let noisy: Vec<f64> = square
            .iter()
            .zip(&noise)
            .map(|(x, n)| x + n.round())
            .collect();
        assert_eq!(found(&noisy), []);
        // An edge that takes ten samples, met at any of its places.
        let ramp = |i: usize| ((i as f64 * 0.00346).fract() - 0.5).abs() * 280.0 - 70.0;
        let edges: Vec<f64> = (0..100_000)
            .map(|i| (500.0 * ramp(i).clamp(-5.0, 5.0)).round())
            .collect();
        assert_eq!(found(&edges), []);
        assert_eq!(found(&[3.0; 5000]), []);
    }

    #[test]
    fn what_is_cut_off_is_found_with_its_value_and_part() {
        let noise = gaussian(100_000);
        let cut: Vec<f64> = noise
            .iter()
            .map(|x| (300.0 * x).round().clamp(-400.0, 900.0))
            .collect();
        let all = found(&cut);
        // Beyond 4/3 sigma are 9.12 % of a Gaussian, beyond 3 sigma 0.135 %; of 100 000 within five times sqrt(n).
        assert_eq!(
            all.iter()
                .map(|c| (c.value, c.is_largest))
                .collect::<Vec<_>>(),
            [(-400.0, false), (900.0, true)]
        );
        assert!(
            (all[0].part - 0.0912).abs() < 5.0 * (0.0912f64 / 1e5).sqrt(),
            "{all:?}"
        );
        assert!(
            (all[1].part - 0.00135).abs() < 5.0 * (0.00135f64 / 1e5).sqrt(),
            "{all:?}"
        );
        let top: Vec<f64> = sine(100_000, 0.00346, 1000.0)
            .iter()
            .map(|x| x.round().min(900.0))
            .collect();
        // Above 0.9 of its amplitude a sine is for acos(0.9)/pi = 14.36 % of the time.
        assert!(
            matches!(found(&top)[..], [CutOff { value: 900.0, is_largest: true, part }] if (part - 0.1436).abs() < 1e-3)
        );
        // Chopped light that fills the amplifier, with edges of ten samples, beside noise in the dark.
        let light = |i: usize| ((i as f64 * 0.00346).fract() - 0.5).abs() * 280.0 - 70.0;
        let chopped = |shift: f64| -> Vec<f64> {
            let one = |(i, n): (usize, &f64)| {
                let level = 1000.0 * ((light(i) + shift).clamp(-5.0, 5.0) + 5.0);
                (level + 100.0 * n).round().min(9000.0)
            };
            noise.iter().enumerate().map(one).collect()
        };
        // Half of the time, and all but a tenth of it.
        for (shift, least) in [(0.0, 0.4), (62.0, 0.9)] {
            let all = found(&chopped(shift));
            assert!(
                matches!(all[..], [CutOff { value: 9000.0, is_largest: true, part }] if part > least),
                "{all:?}"
            );
        }
    }

    #[test]
    fn a_quiet_channel_with_rare_pulses_is_whole() {
        let pulses: Vec<f64> = (0..100_000)
            .map(|i| match i % 1000 {
                0 => -200.0 - (i / 1000) as f64,
                1 => -1.0,
                _ => 0.0,
            })
            .collect();
        assert_eq!(found(&pulses), []);
    }

    #[test]
    fn what_is_looked_at_lies_at_fixed_samples() {
        let looked_at: Vec<u64> = (0..70 * WINDOW).filter(|i| is_looked_at(*i)).collect();
        let windows = [0, 1, 2, 3, 64].map(|w| w * WINDOW..(w + 1) * WINDOW);
        assert_eq!(looked_at, windows.into_iter().flatten().collect::<Vec<_>>());
    }
}
