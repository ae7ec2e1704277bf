//! Chains computed together against the same chains followed sample by sample.

use std::sync::Arc;

use num_complex::Complex64;
use proptest::prelude::*;

use crate::flow::{Buffer, Phase};
use crate::stage::{PhaseLine, Phases};

use super::aside::{Aside, Kept};
use super::following::Following;
use super::group::{Chain, Cycles, Filter, Group, Mixing, SLAB, Timed};
use super::sections::Sections;
use super::shapes::{Entering, Shape, polynomials};
use super::taps::Taps;
use super::turns::Turns;
use super::weights::Weights;
use super::windows::Windows;

/// A fixed sequence without pattern, in ±1.
fn samples(count: usize) -> Vec<f64> {
    let fraction = |n: usize| (n as f64 * 0.618_033_988_749_894_9).fract();
    (0..count).map(|n| 2.0 * fraction(n * n) - 1.0).collect()
}

/// A clock whose phase is exact: it counts in 2^-32 cycles.
fn clock(step: f64) -> Cycles {
    let count = (step * 2f64.powi(32)) as u64;
    Arc::new(move |n| ((0x1234_5678 + n * count) & 0xffff_ffff) as f64 / 2f64.powi(32))
}

fn mixed(x: &[f64], cycles: &Cycles) -> Vec<Complex64> {
    let turn = |n: usize| {
        let (sin, cos) = libm::sincos(std::f64::consts::TAU * cycles(n as u64));
        Complex64::new(sin, cos)
    };
    x.iter().enumerate().map(|(n, x)| turn(n) * *x).collect()
}

/// The difference equations as they are written.
fn slow(sections: &[[f64; 5]], mut z: Vec<Complex64>) -> Vec<Complex64> {
    for [b0, b1, b2, a1, a2] in sections {
        let (mut s1, mut s2) = (Complex64::ZERO, Complex64::ZERO);
        for z in &mut z {
            let (x, y) = (*z, *z * b0 + s1);
            (s1, s2) = (x * b1 - y * a1 + s2, x * b2 - y * a2);
            *z = y;
        }
    }
    z
}

/// Four equal RC poles of a time constant in samples.
fn rc(tau: f64, poles: usize) -> Vec<[f64; 5]> {
    let p = libm::exp(-1.0 / tau);
    vec![[1.0 - p, 0.0, 0.0, -p, 0.0]; poles]
}

/// A Butterworth pair of poles by the bilinear transform (Oppenheim & Schafer, ch. 7), corner in parts of the rate.
fn pair(corner: f64, q: f64) -> [f64; 5] {
    let k = libm::tan(std::f64::consts::PI * corner);
    let norm = 1.0 / (1.0 + k / q + k * k);
    let b = k * k * norm;
    [
        b,
        2.0 * b,
        b,
        2.0 * (k * k - 1.0) * norm,
        (1.0 - k / q + k * k) * norm,
    ]
}

/// What a group makes of samples that come in slices of `slice`.
fn run(group: &Group, x: &[f64], slice: usize, less_mean: bool) -> Vec<Vec<Complex64>> {
    let timed = Timed {
        group,
        phases: None,
        begins: 0,
    };
    let mut followings: Vec<Following<'_>> = (0..group.chains.len())
        .map(|chain| Following::new(&timed, chain, less_mean))
        .collect();
    let mut total = 0.0;
    let pedestal = if less_mean { x[0] } else { 0.0 };
    for (index, part) in x.chunks(SLAB as usize).enumerate() {
        let mut slab = timed.slab(index as u64 * SLAB, pedestal);
        part.chunks(slice).for_each(|piece| slab.push(piece));
        let part = slab.finish();
        total += part.total;
        let parts = [part];
        let taken = |f: &mut Following<'_>| f.take(&parts, less_mean).expect("room");
        followings.iter_mut().for_each(taken);
    }
    let mean = total / x.len() as f64;
    let all = followings.into_iter().map(|f| delivered(f.outputs(mean)));
    all.collect()
}

/// All that is kept, in pieces of many sizes.
fn delivered(mut kept: Kept) -> Vec<Complex64> {
    let mut room = Buffer::Phasor(Vec::new());
    let (mut at, mut size) = (0, 1);
    while room.samples().len() as u64 == at {
        let range = at..at + size;
        kept.deliver(range, &mut room).expect("what was laid aside");
        (at, size) = (at + size, 3 * size);
    }
    room.samples().phasor().to_vec()
}

fn chain(sections: &[[f64; 5]], every: u64) -> Chain {
    let sections = Sections::new(sections, every).expect("a short chain");
    Chain {
        filter: Filter::Sections(Box::new(sections)),
        factor: 1.0,
    }
}

fn fir(taps: &[f64], cycles: &Cycles) -> Chain {
    let filter = Filter::Taps(Taps::new(taps, |n| Mixing::Steady(cycles.clone()).ahead(n)));
    Chain {
        filter,
        factor: 2.0,
    }
}

fn agree(fast: &[Complex64], slow: &[Complex64], every: usize, bound: f64) {
    assert_eq!(fast.len(), slow.len().div_ceil(every));
    for (m, z) in fast.iter().enumerate() {
        let difference = (z - slow[m * every]).norm();
        assert!(
            difference <= bound,
            "{m}: {z} against {}, {difference:e}",
            slow[m * every]
        );
    }
}

/// Signals below one: the slow twin rounds by 2^-53 in each of four poles for each sample, gathered over the time
/// constant of up to 15000 samples as its square root; the series is cut below 2e-15.
const BOUND: f64 = 1e-13;

#[test]
fn cascades_equal_their_difference_equations() {
    let x = samples(300_000);
    let cycles = clock(0.013_37);
    let z = mixed(&x, &cycles);
    for (tau, poles, every) in [
        (15_000.0, 4, 2500),
        (3000.0, 1, 100),
        (900.0, 8, 333),
        (20_000.0, 2, 50_000),
        (20.0, 4, 40),
    ] {
        let sections = rc(tau, poles);
        let group = Group::new(
            vec![chain(&sections, every)],
            every,
            Mixing::Steady(cycles.clone()),
        );
        let fast = run(&group, &x, 1 << 14, false);
        agree(&fast[0], &slow(&sections, z.clone()), every as usize, BOUND);
    }
}

/// The twin's own rounding: two poles at a distance ε = π·corner·2/(2q) from one another and from the circle add
/// up what rounds in a sample to 1/ε², here 1e4 and, as a random walk of as many steps, a hundredth of that at most.
#[test]
fn butterworth_equals_its_difference_equation() {
    let x = samples(300_000);
    let cycles = clock(0.2);
    let qs = [0.517_638_090_205, 0.5f64.sqrt(), 1.931_851_652_578];
    let sections: Vec<_> = qs.iter().map(|q| pair(2e-3, *q)).collect();
    let group = Group::new(
        vec![chain(&sections, 250)],
        250,
        Mixing::Steady(cycles.clone()),
    );
    let fast = run(&group, &x, 1 << 14, false);
    agree(&fast[0], &slow(&sections, mixed(&x, &cycles)), 250, 1e-12);
}

/// One after the other and together they give the same bits, a fast one among them.
#[test]
fn chains_do_not_know_of_each_other() {
    let x = samples(280_000);
    let cycles = clock(0.07);
    let z = mixed(&x, &cycles);
    let all = [
        rc(9000.0, 4),
        rc(2000.0, 2),
        vec![pair(1e-3, 0.7)],
        rc(60.0, 3),
    ];
    let chains = all.iter().map(|sections| chain(sections, 700)).collect();
    let group = Group::new(chains, 700, Mixing::Steady(cycles.clone()));
    let fast = run(&group, &x, 777, false);
    for (sections, fast) in all.iter().zip(&fast) {
        agree(fast, &slow(sections, z.clone()), 700, 1e-12);
        let alone = Group::new(
            vec![chain(sections, 700)],
            700,
            Mixing::Steady(cycles.clone()),
        );
        assert_eq!(&run(&alone, &x, 5000, false)[0], fast);
    }
}

/// A pedestal ten thousand times the signal: what is left of it rounds by 2^-53 of itself.
#[test]
fn the_mean_goes_without_a_second_look() {
    let x: Vec<f64> = samples(290_000).iter().map(|x| 1e4 + x).collect();
    let mean = x.iter().sum::<f64>() / x.len() as f64;
    let level: Vec<f64> = x.iter().map(|x| x - mean).collect();
    let cycles = clock(0.013_37);
    let sections = rc(5000.0, 4);
    let taps = samples(1001);
    let chains = vec![chain(&sections, 1000), fir(&taps, &cycles)];
    let group = Group::new(chains, 1000, Mixing::Steady(cycles.clone()));
    let fast = run(&group, &x, 1 << 14, true);
    let z = mixed(&level, &cycles);
    agree(&fast[0], &slow(&sections, z.clone()), 1000, 1e-12);
    let direct = |n: usize| {
        (0..taps.len().min(n + 1))
            .map(|k| z[n - k] * taps[k])
            .sum::<Complex64>()
    };
    for (m, z) in fast[1].iter().enumerate() {
        // A thousand terms below one.
        assert!((z - direct(1000 * m) * 2.0).norm() < 1e-10, "{m}");
    }
}

#[test]
fn taps_longer_than_what_is_left_out_overlap() {
    let x = samples(270_000);
    let cycles = clock(0.25);
    let z = mixed(&x, &cycles);
    let taps = samples(2001);
    let group = Group::new(vec![fir(&taps, &cycles)], 300, Mixing::Steady(cycles));
    let fast = run(&group, &x, 5000, false);
    assert_eq!(fast[0].len(), 900);
    for (m, fast) in fast[0].iter().enumerate() {
        let n = 300 * m;
        let direct: Complex64 = (0..taps.len().min(n + 1)).map(|k| z[n - k] * taps[k]).sum();
        // Two thousand products below one, summed: 2000·2^-53·√2000.
        assert!((fast - direct * 2.0).norm() < 2e-11, "{m}");
    }
}

#[test]
fn every_sample_is_in_one_window() {
    for every in [32, 33, 100, 256, 257, 1000, 2500, 5001] {
        let windows = Windows::new(every);
        assert!(windows.places <= 256 && windows.places.is_multiple_of(16));
        let (mut at, mut window) = (3 * every, windows.of(3 * every));
        for _ in 0..2 * windows.count {
            assert_eq!(window.start, at);
            assert!((1..=windows.places as usize).contains(&window.samples()));
            for sample in window.start..window.end {
                assert_eq!(windows.of(sample), window);
                assert_eq!(
                    windows.is_first(sample, window),
                    sample.is_multiple_of(every)
                );
            }
            (at, window) = (window.end, windows.next(window));
        }
        assert_eq!(at, 5 * every);
    }
}

/// A function of the place at all places of a window.
fn at_all(shape: &Shape) -> Vec<f64> {
    let sign = if shape.odd { -1.0 } else { 1.0 };
    let before = shape.values.iter().rev().map(|v| sign * v);
    before.chain(shape.values.iter().copied()).collect()
}

/// Up to 12 orders on 16 places and more the recurrence keeps them orthogonal but for rounding.
#[test]
fn polynomials_are_orthogonal() {
    for places in [16, 80, 256] {
        let all: Vec<_> = polynomials(places, 12).iter().map(at_all).collect();
        let times = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
        for (i, a) in all.iter().enumerate() {
            for b in &all[..i] {
                let size = (times(a, a) * times(b, b)).sqrt();
                assert!(times(a, b).abs() < 1e-12 * size, "{places} {i}");
            }
        }
    }
}

/// What polynomials leave of the weights is within the tolerance that they are chosen by, and rounding in a dozen
/// of them; a filter too fast for them keeps its own weights.
#[test]
fn weights_are_sums_of_shapes() {
    for (tau, smooth) in [(15_000.0, true), (400.0, true), (20.0, false)] {
        let weights = Weights::new(&rc(tau, 4)).expect("short").by_place(128);
        let largest = weights
            .iter()
            .flatten()
            .fold(0.0f64, |most, w| most.max(w.abs()));
        let entering = Entering::new(&weights);
        let found: Vec<Vec<f64>> = match &entering {
            Entering::Smooth(factors) => {
                let all: Vec<_> = polynomials(128, 12).iter().map(at_all).collect();
                let sum = |factors: &Vec<f64>, place: usize| -> f64 {
                    factors.iter().zip(&all).map(|(f, p)| f * p[place]).sum()
                };
                factors
                    .iter()
                    .map(|f| (0..128).map(|p| sum(f, p)).collect())
                    .collect()
            }
            Entering::Apart(shapes) => shapes
                .iter()
                .map(|[even, odd]| {
                    at_all(even)
                        .iter()
                        .zip(at_all(odd))
                        .map(|(a, b)| a + b)
                        .collect()
                })
                .collect(),
        };
        assert_eq!(matches!(entering, Entering::Smooth(_)), smooth, "{tau}");
        for (found, weights) in found.iter().zip(&weights) {
            for (f, w) in found.iter().zip(weights) {
                assert!((f - w).abs() < 5e-14 * largest, "{tau}: {f:e} {w:e}");
            }
        }
    }
}

/// A clock that changes its pace in the middle of a window.
struct Paces;

impl Phases for Paces {
    fn line(&self, sample: u64) -> PhaseLine {
        let (from, slope, end) = match sample {
            0..1000 => (0.1, 0.013, 1000),
            _ => (0.1 + 1000.0 * 0.013, 0.0171, u64::MAX),
        };
        let cycles = from + (sample - if sample < 1000 { 0 } else { 1000 }) as f64 * slope;
        PhaseLine {
            phase: Phase {
                cycle: cycles.floor() as i64,
                fraction: cycles - cycles.floor(),
            },
            slope,
            end,
        }
    }
}

#[test]
fn turns_are_those_of_the_phases() {
    let mut turns = Turns::new(128);
    turns.fill(&Paces, (3, 2), 940, 1060);
    assert!(
        turns.cosines[..8]
            .iter()
            .chain(&turns.sines[..8])
            .all(|v| *v == 0.0)
    );
    for (place, sample) in (8..).zip(940..1060) {
        let phase = Paces.line(sample).phase;
        let angle = std::f64::consts::TAU * crate::flow::harmonic(phase, 3, 2);
        let (sin, cos) = libm::sincos(angle);
        // Twenty-four products of turns, each rounded by at most two units.
        assert!((turns.cosines[place] - sin).abs() < 2e-14, "{sample}");
        assert!((turns.sines[place] - cos).abs() < 2e-14, "{sample}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(20))]
    #[test]
    fn slices_do_not_change_a_bit(slice in 1..5000usize, every in 32..3000u64, tau in 500.0..20_000.0f64) {
        let x = samples(265_000);
        let cycles = clock(0.113);
        let group = Group::new(vec![chain(&rc(tau, 3), every)], every, Mixing::Steady(cycles));
        prop_assert_eq!(run(&group, &x, slice, true), run(&group, &x, SLAB as usize, true));
    }
}

/// Samples near enough are in memory, more of them in a file; either way they come back bit by bit, in any order.
#[test]
fn what_is_laid_aside_comes_back() {
    let sample = |n: usize| Complex64::new(1.0 / (n as f64 + 0.3), -(n as f64));
    for count in [0, 1, 5000, 100_000] {
        let all: Vec<Complex64> = (0..count).map(sample).collect();
        let ones: Vec<Complex64> = all.iter().map(|z| z * 0.1).collect();
        let mut aside = Aside::new(true);
        for from in (0..count).step_by(777) {
            let now = from..count.min(from + 777);
            aside.take(&all[now.clone()], &ones[now]).expect("room");
        }
        let mut kept = aside.finish(0.5, 2.0);
        let expected: Vec<Complex64> = all
            .iter()
            .zip(&ones)
            .map(|(z, one)| (z - one * 0.5) * 2.0)
            .collect();
        for range in [
            0..count as u64,
            4000..4200,
            0..10,
            99_990..200_000,
            4090..90_000,
        ] {
            let mut room = Buffer::Phasor(Vec::new());
            kept.deliver(range.clone(), &mut room)
                .expect("what was laid aside");
            let within = |at: u64| (at as usize).min(count);
            assert_eq!(
                room.samples().phasor(),
                &expected[within(range.start)..within(range.end)]
            );
        }
    }
}
