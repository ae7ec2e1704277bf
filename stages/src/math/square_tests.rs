//! Tests of a square channel: its levels, and its edges, however it is cut.

use proptest::prelude::*;

use super::super::edges::tests::random;
use super::super::finder::FoundEdges;
use super::*;

fn square(edges: &[(f64, f64)], samples: usize) -> Vec<f64> {
    (0..samples)
        .map(|i| {
            if edges
                .iter()
                .any(|(up, down)| (i as f64) >= *up && (i as f64) < *down)
            {
                5.0
            } else {
                0.2
            }
        })
        .collect()
}

#[test]
fn levels_of_a_narrow_pulse_with_spikes() {
    let mut samples = square(&[(100.0, 130.0), (600.0, 630.0)], 1000);
    samples[300] = 400.0;
    let levels = Levels::of(&samples).expect("two levels");
    assert!(
        (levels.threshold - 2.6).abs() < 1e-12 && (levels.hysteresis - 0.96).abs() < 1e-12,
        "{levels:?}"
    );
    assert_eq!(Levels::of(&[1.0; 50]), None);
    assert_eq!(Levels::of(&[f64::NAN; 50]), None);
}

/// A ramp from 0 to 1 between samples 10 and 20 crosses 0.55 at 15.5, by hand.
#[test]
fn edges_lie_between_samples() {
    let samples: Vec<f64> = (0..40)
        .map(|i| ((f64::from(i) - 10.0) / 10.0).clamp(0.0, 1.0))
        .collect();
    let levels = Levels {
        threshold: 0.55,
        hysteresis: 0.2,
        step: 1.0,
    };
    for slice in [1, 3, 40] {
        let mut finder = EdgeFinder::new(levels, false, 0);
        samples.chunks(slice).for_each(|part| finder.push(part));
        let found = finder.finish();
        let edges = &found.at;
        assert!(
            (edges[0] - 15.5).abs() < 1e-12 && edges.len() == 1,
            "{edges:?}"
        );
        assert_eq!((found.up, found.jumps), (24.0 / 40.0, 0));
    }
    let falling: Vec<f64> = samples.iter().rev().copied().collect();
    let mut finder = EdgeFinder::new(levels, true, 0);
    finder.push(&falling);
    assert!((finder.finish().at[0] - 23.5).abs() < 1e-12);
}

#[test]
fn bounces_within_the_band_are_one_edge() {
    let mut finder = EdgeFinder::new(
        Levels {
            threshold: 0.5,
            hysteresis: 0.4,
            step: 1.0,
        },
        false,
        0,
    );
    finder.push(&[0.0, 0.6, 0.4, 0.6, 1.0, 0.6, 0.4, 1.0]);
    let edges = finder.finish().at;
    // Crossings at 0.8333 and 2.5; their middle.
    assert!(
        (edges[0] - (5.0 / 6.0 + 2.5) / 2.0).abs() < 1e-12 && edges.len() == 1,
        "{edges:?}"
    );
}

/// The frequency of a sine channel that is cut at a threshold wanders; every edge is found once, so the
/// cycles counted are those that passed, here against a twin that looks only for sign changes.
#[test]
fn edges_are_the_sign_changes() {
    let phase = |i: f64| i / 40.0 + 3.0 * libm::sin(i / 900.0) + 0.1;
    let samples: Vec<f64> = (0..20_000)
        .map(|i| libm::sin(std::f64::consts::TAU * phase(f64::from(i))))
        .collect();
    let mut finder = EdgeFinder::new(
        Levels {
            threshold: 0.0,
            hysteresis: 0.2,
            step: 1.0,
        },
        false,
        0,
    );
    finder.push(&samples);
    let edges = finder.finish().at;
    let twin: Vec<f64> = samples
        .windows(2)
        .enumerate()
        .filter(|(_, w)| w[0] <= 0.0 && w[1] > 0.0)
        .map(|(i, w)| i as f64 - w[0] / (w[1] - w[0]))
        .collect();
    // The same straight line written in two ways, at places below 2^15: 2^-37 at most.
    assert!(
        edges.len() == twin.len() && edges.iter().zip(&twin).all(|(a, b)| (a - b).abs() < 1e-11)
    );
}

/// Samples that need no second look are passed over; the edges and counts are those of a look at each.
#[test]
fn groups_of_samples_give_what_single_ones_give() {
    let mut random = random(11);
    let mut samples = Vec::new();
    while samples.len() < 20_000 {
        let level = [0.2, 5.0, 2.5, 2.7, 2.1][(random() * 5.0) as usize];
        let length = (random() * 60.0) as usize;
        samples.extend((0..length).map(|_| level + 0.3 * random()));
        if random() < 0.1 {
            samples.push([f64::NAN, f64::INFINITY, f64::NEG_INFINITY][(random() * 3.0) as usize]);
        }
    }
    let levels = Levels {
        threshold: 2.6,
        hysteresis: 0.9,
        step: 1.0,
    };
    for falling in [false, true] {
        let mut groups = EdgeFinder::new(levels, falling, 7);
        samples.chunks(97).for_each(|slice| groups.push(slice));
        let mut single = EdgeFinder::new(levels, falling, 7);
        samples.iter().for_each(|x| single.push(&[*x]));
        let (groups, single) = (groups.finish(), single.finish());
        assert!(single.at.len() > 50 && single.jumps > 0);
        assert_eq!(groups, single);
    }
}

#[test]
fn infinite_samples_are_missing() {
    let levels = Levels {
        threshold: 0.5,
        hysteresis: 0.2,
        step: 1.0,
    };
    let mut finder = EdgeFinder::new(levels, false, 0);
    finder.push(&[0.0, f64::INFINITY, 0.0, 1.0, f64::NEG_INFINITY, 1.0]);
    let found = finder.finish();
    assert_eq!((found.at, found.up), (vec![2.5], 0.5));
}

/// Two and a half windows in which the pulses begin after the first, behind noise of a thousandth.
#[test]
fn pulses_that_begin_late_are_found() {
    let mut state = 1u32;
    let samples: Vec<f64> = (0..5 * WINDOW / 2)
        .map(|i| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let up = i > WINDOW + 1000 && i % 1000 < 500;
            f64::from(u8::from(up)) + 1e-3 * f64::from(state >> 8) / f64::from(1 << 24)
        })
        .collect();
    let found = |slice: usize| {
        let mut channel = SquareChannel::new(None, None, false);
        samples.chunks(slice).for_each(|part| channel.push(part));
        channel.finish()
    };
    let whole = found(samples.len());
    let FoundEdges { at: edges, up, .. } = &whole;
    // Whole thousands from the next one on; noise moves an edge by a thousandth of a sample.
    let first = (WINDOW + 1000).next_multiple_of(1000);
    assert_eq!(edges.len(), (samples.len() - first).div_ceil(1000));
    for (k, at) in edges.iter().enumerate() {
        let exact = (first + 1000 * k) as f64 - 0.5;
        assert!((at - exact).abs() <= 1e-3, "{at} for {exact}");
    }
    // Half of what passed since the second window, but for the thousand samples before the first pulse.
    assert!((up - 0.5).abs() < 1e-3, "{up}");
    assert_eq!(found(777_777), whole);
}

#[test]
fn given_levels_need_no_second_level() {
    let mut channel = SquareChannel::new(Some(0.5), Some(0.1), true);
    channel.push(&[1.0, 1.0, 0.0, 0.0]);
    let found = channel.finish();
    assert_eq!((found.at, found.up), (vec![1.5], 0.5));
    let mut channel = SquareChannel::new(None, None, false);
    channel.push(&[1.0; 100]);
    assert_eq!(channel.finish(), FoundEdges::default());
}

/// Pulses of ten times the height from the second window on, as when a gain is changed half-way: no edge goes.
#[test]
fn another_gain_is_the_same_train() {
    let samples: Vec<f64> = (0..2 * WINDOW)
        .map(|i| {
            let height = if i < WINDOW { 1.0 } else { 10.0 };
            height * f64::from(u8::from(i % 1000 < 500))
        })
        .collect();
    let mut channel = SquareChannel::new(None, None, false);
    channel.push(&samples);
    let edges = channel.finish().at;
    // At every whole thousand but for the first sample, which has none before it.
    assert_eq!(edges.len(), (2 * WINDOW - 1) / 1000);
    assert!(
        edges
            .iter()
            .zip(1..)
            .all(|(at, k)| (at - 1000.0 * f64::from(k)).abs() <= 1.0)
    );
}

/// Levels that come in runs of up to `longest` samples, with noise, and now and then a sample that is none.
fn runs(seed: u64, count: usize, longest: f64) -> Vec<f64> {
    let mut random = random(seed);
    let mut samples = Vec::new();
    while samples.len() < count {
        let level = [0.2, 5.0, 2.5, 2.7, 2.1][(random() * 5.0) as usize];
        let length = (random() * longest) as usize;
        samples.extend((0..length).map(|_| level + 0.3 * random()));
        if random() < 0.1 {
            samples.push([f64::NAN, f64::INFINITY, f64::NEG_INFINITY][(random() * 3.0) as usize]);
        }
    }
    samples.truncate(count);
    samples
}

proptest! {
    /// Slabs that are looked at by themselves, wherever they are cut, give the edges and counts of one piece.
    #[test]
    fn edges_do_not_mind_seams(
        seed in any::<u64>(),
        longest in 2.0..60.0f64,
        slab in 1..300usize,
        piece in 1..100usize,
        falling in any::<bool>(),
        hysteresis in 0.0..1.0f64,
    ) {
        let samples = runs(seed, 2000, longest);
        let levels = Levels { threshold: 2.6, hysteresis, step: 2.0 };
        let mut whole = EdgeFinder::new(levels, falling, 7);
        whole.push(&samples);
        let mut finder = EdgeFinder::new(levels, falling, 7);
        let slabs = samples.chunks(slab).enumerate();
        let slabs: Vec<(&[f64], LooseEdges)> = slabs
            .map(|(index, samples)| {
                let mut edges = LooseEdges::new(&finder, (7 + index * slab) as u64);
                samples.chunks(piece).for_each(|x| edges.push(x));
                (samples, edges)
            })
            .collect();
        for (samples, slab) in slabs {
            if !finder.join(slab) {
                finder.push(samples);
            }
        }
        prop_assert_eq!(finder.finish(), whole.finish());
    }
}

/// What a channel finds in slabs that are looked at by themselves, four at a time, and how many of them it took.
fn apart(mut channel: SquareChannel, samples: &[f64], slab: usize) -> (FoundEdges, usize) {
    let mut taken = 0;
    let mut at = 0;
    while at < samples.len() {
        let slabs = samples[at..].chunks(slab).take(4).scan(at, |at, x| {
            let start = *at;
            *at += x.len();
            Some((x, channel.slab(start as u64)?))
        });
        let slabs: Vec<(&[f64], SquareSlab)> = slabs.collect();
        if slabs.is_empty() {
            let end = samples.len().min(at + slab);
            channel.push(&samples[at..end]);
            at = end;
        }
        for (samples, mut slab) in slabs {
            samples.chunks(777).for_each(|x| slab.push(x));
            match channel.take(slab) {
                true => taken += 1,
                false => channel.push(samples),
            }
            at += samples.len();
        }
    }
    (channel.finish(), taken)
}

/// A channel in one piece and in slabs; of these so many are looked at by themselves.
fn check_slabs(channel: &SquareChannel, samples: &[f64], slab: usize, taken: usize) {
    let mut whole = channel.clone();
    whole.push(samples);
    let whole = whole.finish();
    assert!(whole.at.len() > 100, "{}", whole.at.len());
    let (found, count) = apart(channel.clone(), samples, slab);
    assert_eq!(count, taken);
    // Thousands of edges would be printed.
    assert!(
        found == whole,
        "{} edges for {}",
        found.at.len(),
        whole.at.len()
    );
}

/// Three windows of pulses with noise; one of the slabs is wholly within the band, in one a sample is infinite, and
/// the last is no whole number of glances.
#[test]
fn a_channel_does_not_mind_slabs() {
    let mut random = random(5);
    let mut samples: Vec<f64> = (0..3 * WINDOW - 5000)
        .map(|i| f64::from(u8::from(i % 977 < 300)) + 0.02 * random())
        .collect();
    let slab = 4 * GLANCE;
    samples[WINDOW + slab..WINDOW + 2 * slab].fill(0.5);
    samples[WINDOW + 3 * slab + 17] = f64::INFINITY;
    samples[WINDOW + 5 * slab + 17] = f64::NAN;
    for falling in [false, true] {
        let found = SquareChannel::new(None, None, falling);
        check_slabs(&found, &samples, slab, 2 * WINDOW / slab - 3);
        // Glances are cut where slabs are not.
        check_slabs(&found, &samples, slab + 1, 0);
        let given = SquareChannel::new(Some(0.5), Some(0.2), falling);
        check_slabs(&given, &samples, slab, 3 * WINDOW / slab - 3);
        // Without a hysteresis every slab may hold other levels.
        check_slabs(
            &SquareChannel::new(Some(0.5), None, falling),
            &samples,
            slab,
            2 * WINDOW / slab - 3,
        );
    }
}

/// Slabs that were begun when other levels were known do not count: pulses that begin late, and ones of ten times the
/// height half-way, which go on as the same train.
#[test]
fn slabs_with_other_levels_are_looked_at_again() {
    let slab = 8 * GLANCE;
    let pulses = |from: usize, low: f64, high: f64| -> Vec<f64> {
        let mut random = random(9);
        let up = |i| f64::from(u8::from(i % 1000 < 500));
        (0..4 * WINDOW)
            .map(|i| up(i) * if i < from { low } else { high } + 1e-3 * random())
            .collect()
    };
    // Four slabs tell the first levels, and four the next, which are looked for where a slab holds more.
    for (from, low) in [(WINDOW + 3 * slab + 1000, 0.0), (2 * WINDOW, 1.0)] {
        let samples = pulses(from, low, 10.0);
        check_slabs(&SquareChannel::new(None, None, false), &samples, slab, 8);
    }
}

/// A logic level jumps wherever between samples it does; a ramp of 1.3 samples, of which one takes 1/1.3 of the step at
/// most, never does. One of a single sample gives 1 - d of the step for a foot at the distance d from the nearest
/// sample, which is 0.8 or more for two places of five, here with an error of one edge in a run of about seven periods.
#[test]
fn edges_that_jump_are_told_from_those_with_samples_on_them() {
    let edge = |t: f64, rise: f64| 5.0 * (0.5 + t / rise).clamp(0.0, 1.0);
    let found = |rise: f64| {
        let pulse = |i: i32| {
            let t = (f64::from(i) + 0.304) % 97.13;
            edge(t - 20.0, rise) - edge(t - 70.0, rise)
        };
        let mut channel = SquareChannel::new(None, None, false);
        channel.push(&(0..50_000).map(pulse).collect::<Vec<_>>());
        channel.finish()
    };
    let counted = |rise: f64| {
        let found = found(rise);
        (found.jumps, found.at.len())
    };
    assert_eq!(counted(1e-9), (515, 515));
    assert_eq!(counted(1.3), (0, 515));
    let (jumps, edges) = counted(1.0);
    assert!(jumps.abs_diff(206) < 515 / 7 && edges == 515, "{jumps}");
}
