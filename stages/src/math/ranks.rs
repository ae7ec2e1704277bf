//! Values by their rank among many, without putting all of them in order.
//!
//! Values are counted by where they lie between the smallest and the largest; only those of the place that holds a
//! rank are looked at again. What is found is the very value that sorting finds.

use multiversion::multiversion;

/// Values for each place, and most places.
const SHARE: usize = 16;
const MOST_PLACES: usize = 1 << 12;

/// Finite values that ranks are asked of.
pub struct Ranks<'v> {
    values: &'v [f64],
    /// By value: its place.
    places: Vec<u16>,
    /// By place: values that lie before it; behind the last one, all.
    before: Vec<usize>,
}

impl<'v> Ranks<'v> {
    /// Ranks among finite values.
    pub fn new(values: &'v [f64]) -> Self {
        let count = (values.len() / SHARE).clamp(1, MOST_PLACES);
        let (low, high) = extent(values);
        let mut places = vec![0; values.len()];
        place(values, low, high, count, &mut places);
        let mut before = vec![0; count + 1];
        for at in &places {
            before[usize::from(*at) + 1] += 1;
        }
        for at in 0..count {
            before[at + 1] += before[at];
        }
        Ranks {
            values,
            places,
            before,
        }
    }

    /// The value of a rank in ascending order, from 0; `None` behind the last.
    pub fn of(&self, rank: usize) -> Option<f64> {
        let place = self.before.partition_point(|n| *n <= rank).checked_sub(1)?;
        let own = self.before.get(place + 1)? - self.before[place];
        // One more, for what is written and not kept.
        let mut found = vec![0.0; own + 1];
        let mut count = 0;
        for (x, at) in self.values.iter().zip(&self.places) {
            found[count] = *x;
            count += usize::from(usize::from(*at) == place);
        }
        found.truncate(own);
        let at = rank - self.before[place];
        Some(ranked(&mut found, at))
    }
}

/// Lanes that are compared side by side.
const SIDE: usize = 16;

/// The smallest and the largest of samples that come bit by bit.
#[derive(Clone, Debug)]
pub struct Extent {
    low: [f64; SIDE],
    high: [f64; SIDE],
}

impl Default for Extent {
    fn default() -> Self {
        Extent {
            low: [f64::MAX; SIDE],
            high: [f64::MIN; SIDE],
        }
    }
}

impl Extent {
    /// Takes more samples; missing ones are passed over.
    pub fn widen(&mut self, samples: &[f64]) {
        widen(&mut self.low, &mut self.high, samples);
    }

    /// The smallest and the largest.
    pub fn ends(&self) -> (f64, f64) {
        let low = self.low.iter().copied().fold(f64::MAX, f64::min);
        (low, self.high.iter().copied().fold(f64::MIN, f64::max))
    }
}

/// The smallest and the largest of samples; missing ones are passed over.
pub fn extent(samples: &[f64]) -> (f64, f64) {
    let mut extent = Extent::default();
    extent.widen(samples);
    extent.ends()
}

/// Compiled for what the processor has, with the same bits.
#[multiversion(targets("x86_64+avx2+avx512f+avx512vl", "x86_64+avx2"))]
fn widen(low: &mut [f64; SIDE], high: &mut [f64; SIDE], samples: &[f64]) {
    let (groups, rest) = samples.as_chunks::<SIDE>();
    for group in groups {
        *low = std::array::from_fn(|l| if group[l] < low[l] { group[l] } else { low[l] });
        *high = std::array::from_fn(|l| {
            if group[l] > high[l] {
                group[l]
            } else {
                high[l]
            }
        });
    }
    for ((low, high), x) in low.iter_mut().zip(high).zip(rest) {
        *low = if x < low { *x } else { *low };
        *high = if x > high { *x } else { *high };
    }
}

/// Where values lie between the smallest and the largest, in so many places. Rounding keeps their order, and so does
/// a range that overflows or vanishes.
#[multiversion(targets("x86_64+avx2+avx512f+avx512vl", "x86_64+avx2"))]
fn place(values: &[f64], low: f64, high: f64, count: usize, places: &mut [u16]) {
    let scale = count as f64 / (high - low);
    let last = (count - 1) as f64;
    for (place, x) in places.iter_mut().zip(values) {
        let at = (x - low) * scale;
        // Zero times infinity is no number, and stands where zero does.
        let at = if at > 0.0 { at } else { 0.0 };
        let at = if at < last { at } else { last };
        *place = at as u16;
    }
}

/// The value of a rank in ascending order, before which no larger one then stands.
pub fn ranked(values: &mut [f64], rank: usize) -> f64 {
    *values.select_nth_unstable_by(rank, f64::total_cmp).1
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// Every value, as sorting finds it.
    fn check(values: &[f64]) {
        let mut sorted = values.to_vec();
        sorted.sort_unstable_by(f64::total_cmp);
        let ranks = Ranks::new(values);
        for (rank, x) in sorted.iter().enumerate() {
            let found = ranks.of(rank).map(f64::to_bits);
            assert_eq!(found, Some(x.to_bits()), "{rank} of {}", values.len());
        }
        assert_eq!(ranks.of(values.len()), None);
    }

    #[test]
    fn ranges_that_overflow_or_vanish_keep_their_order() {
        check(&[]);
        check(&[3.0]);
        check(&[0.0, -0.0, 0.0, -0.0]);
        let tiny = f64::from_bits(1);
        let alike = |x: f64| (0..100).map(move |n| if n % 3 == 0 { x } else { -x });
        check(&alike(f64::MAX).collect::<Vec<_>>());
        check(&alike(tiny).collect::<Vec<_>>());
        check(
            &(0..100)
                .map(|n| tiny * f64::from(n * 37 % 100))
                .collect::<Vec<_>>(),
        );
    }

    proptest! {
        #[test]
        fn ranks_are_those_of_sorting(
            values in prop::collection::vec(prop::num::f64::NORMAL | prop::num::f64::ZERO, 0..400),
            near in prop::collection::vec(-1e3..1e3f64, 0..400),
        ) {
            check(&values);
            check(&near);
        }

        #[test]
        fn ends_are_the_smallest_and_the_largest(
            mut samples in prop::collection::vec(-1e3..1e3f64, 1..100),
            cut in 0..100usize,
            missing in 0..100usize,
        ) {
            if let Some(sample) = samples.get_mut(missing) {
                *sample = f64::NAN;
            }
            let (first, second) = samples.split_at(cut.min(samples.len()));
            let mut pieces = Extent::default();
            pieces.widen(first);
            pieces.widen(second);
            let there = samples.iter().copied().filter(|x| !x.is_nan());
            let low = there.clone().fold(f64::MAX, f64::min);
            let high = there.fold(f64::MIN, f64::max);
            prop_assert_eq!(pieces.ends(), (low, high));
            prop_assert_eq!(extent(&samples), (low, high));
        }
    }
}
