//! Cascaded sums over short segments of samples: all that a slow filter needs to know of them.
//!
//! In a segment, sums are taken of the samples times a cosine and a sine, in four lanes of every fourth sample:
//! `S0 += x`, and each higher order adds up the one below it, so that at the end `S_k = Σ C(q, k)·x`, where q
//! counts the groups behind the sample. A filter whose weights hardly change over the segment is a short series in
//! these binomials (Newton's forward differences; Abramowitz & Stegun 25.2.28), however many filters there are.
//!
//! The order of the additions is that of the samples from the start of the segment, whoever runs it.

use multiversion::multiversion;

/// Samples that are summed side by side.
pub const LANES: usize = 4;

/// Orders of sums, the plain one included.
pub const ORDERS: usize = 8;

/// Groups of a whole segment.
pub const GROUPS: usize = 32;

/// Samples of a group.
pub type Group = [f64; LANES];

/// Sums of the samples times a cosine and a sine.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Sums {
    /// With the cosine, by order and lane.
    pub cosine: [Group; ORDERS],
    /// With the sine.
    pub sine: [Group; ORDERS],
}

/// Adds groups of samples, each less `pedestal` and times its cosines and sines, and adds the samples to `plain`.
#[inline(always)]
pub fn add(
    sums: &mut Sums,
    plain: &mut Group,
    samples: &[Group],
    pedestal: f64,
    cosines: &[Group],
    sines: &[Group],
) {
    // One after the other, so that all orders of each fit the processor's registers.
    add_times(&mut sums.cosine, samples, pedestal, cosines);
    add_times(&mut sums.sine, samples, pedestal, sines);
    add_plain(plain, samples, pedestal);
}

/// Adds groups of samples, each less `pedestal` and times its factors, to sums of all orders.
#[inline(always)]
fn add_times(sums: &mut [Group; ORDERS], samples: &[Group], pedestal: f64, factors: &[Group]) {
    let mut orders = *sums;
    for (x, factor) in samples.iter().zip(factors) {
        raise(&mut orders);
        for lane in 0..LANES {
            orders[0][lane] += (x[lane] - pedestal) * factor[lane];
        }
    }
    *sums = orders;
}

/// Adds samples to their sum.
#[multiversion(targets("x86_64+avx2+avx512f+avx512vl", "x86_64+avx2"))]
pub fn sum(samples: &[f64]) -> f64 {
    let mut sums = [[0.0; LANES]; 4];
    let (groups, rest) = samples.as_chunks::<{ 4 * LANES }>();
    for group in groups {
        for (sum, x) in sums.as_flattened_mut().iter_mut().zip(group) {
            *sum += x;
        }
    }
    for (sum, x) in sums.as_flattened_mut().iter_mut().zip(rest) {
        *sum += x;
    }
    let [a, b, c, d] = sums.map(across);
    (a + b) + (c + d)
}

/// Goes on by so many groups without samples.
#[inline(always)]
pub fn pass(sums: &mut Sums, groups: usize) {
    for _ in 0..groups {
        raise(&mut sums.cosine);
        raise(&mut sums.sine);
    }
}

/// Every order takes in the one below, as it was.
#[inline(always)]
fn raise(orders: &mut [Group; ORDERS]) {
    for order in (1..ORDERS).rev() {
        let below = orders[order - 1];
        let lanes = orders[order].iter_mut().zip(below);
        lanes.for_each(|(above, below)| *above += below);
    }
}

/// Adds groups of samples, each less `pedestal`.
#[inline(always)]
pub fn add_plain(plain: &mut Group, samples: &[Group], pedestal: f64) {
    for x in samples {
        for lane in 0..LANES {
            plain[lane] += x[lane] - pedestal;
        }
    }
}

/// Adds groups of samples, each less `pedestal` and times its weights, to two sums.
#[inline(always)]
pub fn add_weighed(
    sums: &mut [Group; 2],
    samples: &[Group],
    pedestal: f64,
    cosines: &[Group],
    sines: &[Group],
) {
    let [mut re, mut im] = *sums;
    for ((x, cos), sin) in samples.iter().zip(cosines).zip(sines) {
        for lane in 0..LANES {
            let x = x[lane] - pedestal;
            re[lane] += x * cos[lane];
            im[lane] += x * sin[lane];
        }
    }
    *sums = [re, im];
}

/// The same with real weights and the samples' own turns, cosines and sines.
#[inline(always)]
pub fn add_turned(
    sums: &mut [Group; 2],
    samples: &[Group],
    pedestal: f64,
    weights: &[Group],
    turns: (&[Group], &[Group]),
) {
    let [mut re, mut im] = *sums;
    let turns = turns.0.iter().zip(turns.1);
    for ((x, w), (cos, sin)) in samples.iter().zip(weights).zip(turns) {
        for lane in 0..LANES {
            let x = (x[lane] - pedestal) * w[lane];
            re[lane] += x * cos[lane];
            im[lane] += x * sin[lane];
        }
    }
    *sums = [re, im];
}

/// The sum over the lanes.
#[inline(always)]
pub fn across([a, b, c, d]: Group) -> f64 {
    (a + b) + (c + d)
}

/// The sum of the products of weights and sums, in a fixed order.
#[inline(always)]
pub fn weighed(weights: &[Group; ORDERS], sums: &Sums) -> [f64; 2] {
    let (mut re, mut im) = ([0.0; LANES], [0.0; LANES]);
    for ((w, c), s) in weights.iter().zip(&sums.cosine).zip(&sums.sine) {
        for lane in 0..LANES {
            re[lane] += w[lane] * c[lane];
            im[lane] += w[lane] * s[lane];
        }
    }
    [across(re), across(im)]
}
