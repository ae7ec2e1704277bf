//! Tests of a reference from a square channel.

use super::*;
use crate::math::square::{EdgeFinder, Levels, SquareChannel, WINDOW};

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
    };
    for slice in [1, 3, 40] {
        let mut finder = EdgeFinder::new(levels, false, 0);
        samples.chunks(slice).for_each(|part| finder.push(part));
        let (edges, high) = finder.finish();
        assert!(
            (edges[0] - 15.5).abs() < 1e-12 && edges.len() == 1,
            "{edges:?}"
        );
        assert_eq!(high, 24.0 / 40.0);
    }
    let falling: Vec<f64> = samples.iter().rev().copied().collect();
    let mut finder = EdgeFinder::new(levels, true, 0);
    finder.push(&falling);
    assert!((finder.finish().0[0] - 23.5).abs() < 1e-12);
}

#[test]
fn bounces_within_the_band_are_one_edge() {
    let mut finder = EdgeFinder::new(
        Levels {
            threshold: 0.5,
            hysteresis: 0.4,
        },
        false,
        0,
    );
    finder.push(&[0.0, 0.6, 0.4, 0.6, 1.0, 0.6, 0.4, 1.0]);
    let (edges, _) = finder.finish();
    // Crossings at 0.8333 and 2.5; their middle.
    assert!(
        (edges[0] - (5.0 / 6.0 + 2.5) / 2.0).abs() < 1e-12 && edges.len() == 1,
        "{edges:?}"
    );
}

#[test]
fn missing_and_extra_pulses_are_told_and_not_followed() {
    let mut edges: Vec<f64> = (0..100).map(|k| 10.0 + 50.0 * f64::from(k)).collect();
    edges.remove(60);
    edges.insert(30, edges[29] + 13.0);
    edges.insert(20, edges[19] + 41.0);
    let mut train = EdgeTrain::analyse(&edges).expect("a train");
    assert_eq!(
        train.extra,
        [10.0 + 50.0 * 19.0 + 41.0, 10.0 + 50.0 * 29.0 + 13.0]
    );
    assert_eq!(train.missing, [(10.0 + 50.0 * 60.0, 1)]);
    assert!(train.lost.is_empty());
    assert!((train.frequency - 0.02).abs() < 1e-15 && train.jitter < 1e-12);
    let phase = train.clock.phase(10 + 50 * 60 + 25);
    assert_eq!((phase.cycle, phase.fraction), (60, 0.5));
}

#[test]
fn a_stop_loses_the_phase_and_says_where() {
    let edges: Vec<f64> = (0..40)
        .map(|k| f64::from(k) * 50.0 + if k < 20 { 0.0 } else { 5000.0 })
        .collect();
    let mut train = EdgeTrain::analyse(&edges).expect("a train");
    assert_eq!(train.lost, [(950.0, 6000.0)]);
    assert!(train.clock.phase(3000).fraction.is_nan());
    assert_eq!(train.clock.phase(6025).fraction, 0.5);
}

#[test]
fn a_slow_drift_is_followed() {
    // The period doubles over 2000 periods.
    let mut at = 0.0;
    let edges: Vec<f64> = (0..2000)
        .map(|k| {
            at += 50.0 * (1.0 + f64::from(k) / 2000.0);
            at
        })
        .collect();
    let train = EdgeTrain::analyse(&edges).expect("a train");
    assert!(train.missing.is_empty() && train.extra.is_empty() && train.lost.is_empty());
}

/// Edges 50 samples apart by whole numbers, so that everything is exact.
fn steady(count: u32) -> Vec<f64> {
    (0..count).map(|k| 10.0 + 50.0 * f64::from(k)).collect()
}

/// Every pulse bounces once, twice or three times: more edges are bounces than pulses.
#[test]
fn bounces_of_every_pulse_are_left_out() {
    for bounces in [&[3.0][..], &[1.5, 3.0], &[1.0, 2.0, 4.0]] {
        let with = |t: f64| std::iter::once(t).chain(bounces.iter().map(move |d| t + d));
        let edges: Vec<f64> = steady(400).into_iter().flat_map(with).collect();
        let train = EdgeTrain::analyse(&edges).expect("a train");
        assert_eq!(train.extra.len(), 400 * bounces.len());
        assert!(train.missing.is_empty() && train.lost.is_empty());
        assert!((train.frequency - 0.02).abs() < 1e-15 && train.jitter < 1e-12);
    }
}

/// Three of ten pulses are missing, so that three of seven intervals are of two periods.
#[test]
fn three_of_ten_pulses_may_be_missing() {
    let edges = steady(301);
    let kept = edges
        .iter()
        .enumerate()
        .filter(|(k, _)| !matches!(k % 10, 2 | 5 | 8));
    let edges: Vec<f64> = kept.map(|(_, t)| *t).collect();
    let train = EdgeTrain::analyse(&edges).expect("a train");
    assert!(train.extra.is_empty() && train.lost.is_empty());
    assert_eq!(train.missing.len(), 90);
    assert!((train.frequency - 0.02).abs() < 1e-15);
}

/// A speed that changes at once, by whole and by other ratios: every interval is one period.
#[test]
fn a_change_of_speed_is_followed() {
    for after in [
        20.0, 25.0, 30.0, 32.0, 35.0, 65.0, 70.0, 75.0, 80.0, 90.0, 100.0, 125.0,
    ] {
        let at = |k: u32| f64::from(k.min(200)) * 50.0 + f64::from(k.max(200) - 200) * after;
        let edges: Vec<f64> = (0..=400).map(at).collect();
        let mut train = EdgeTrain::analyse(&edges).expect("a train");
        assert!(
            train.missing.is_empty() && train.extra.is_empty() && train.lost.is_empty(),
            "{after}"
        );
        let phase = train.clock.phase(edges[399] as u64);
        assert_eq!((phase.cycle, phase.fraction), (399, 0.0), "{after}");
    }
}

/// The period falls to a fifth over 2000 periods, by 0.08 % from one to the next.
#[test]
fn a_large_drift_is_followed() {
    let mut at = 0.0;
    let next = |k: i32| {
        at += 50.0 * libm::pow(0.2, f64::from(k) / 2000.0);
        at
    };
    let edges: Vec<f64> = (0..2000).map(next).collect();
    let train = EdgeTrain::analyse(&edges).expect("a train");
    assert!(train.missing.is_empty() && train.extra.is_empty() && train.lost.is_empty());
}

#[test]
fn an_edge_before_the_first_pulse_is_left_out() {
    let mut edges = steady(100);
    edges.insert(0, -10.0);
    let train = EdgeTrain::analyse(&edges).expect("a train");
    assert_eq!(train.extra, [-10.0]);
    assert!(train.lost.is_empty());
}

/// Numbers from 0 to 1 by a congruential generator (Knuth's MMIX constants).
fn random(mut state: u64) -> impl FnMut() -> f64 {
    move || {
        state = state
            .wrapping_mul(6364136223846793005)
            .wrapping_add(1442695040888963407);
        (state >> 11) as f64 / (1u64 << 53) as f64
    }
}

/// Pulses with 2 % jitter, of which a twentieth is missing and half bounces within a tenth of a
/// period. The phase is wrong where an edge that bounced was missing from among those that tell it: at
/// most in a twentieth of a twentieth of the periods, 0.25 %. A line between edges of jitter 0.02 is
/// off by at most five times that.
#[test]
fn a_bad_train_gives_a_good_phase() {
    let (mut wrong, mut all) = (0, 0);
    for seed in 0..20 {
        let mut random = random(1 + 7919 * seed);
        let mut edges = Vec::new();
        for k in 0..1000 {
            let jitter: f64 = (0..12).map(|_| random()).sum::<f64>() - 6.0;
            let at = 10.0 + 50.0 * f64::from(k) + jitter;
            if random() >= 0.05 {
                edges.push(at);
                if random() < 0.5 {
                    edges.push(at + 0.5 + 4.5 * random());
                }
            }
        }
        edges.sort_unstable_by(f64::total_cmp);
        let mut train = EdgeTrain::analyse(&edges).expect("a train");
        for i in (100..49_000u32).step_by(13) {
            let phase = train.clock.phase(u64::from(i));
            let off = phase.fraction - (f64::from(i) - 10.0) / 50.0;
            let good = (off - off.round()).abs() <= 0.1;
            wrong += u32::from(!good);
            all += 1;
        }
    }
    assert!(400 * wrong <= all, "{wrong} of {all}");
}

/// Edges at random places fall between the periods in one of three cases (1 - 2·0.35), while a
/// train with all of the above loses one in a hundred at most: one in twenty tells the two apart.
#[test]
fn noise_loses_the_phase_again_and_again() {
    for seed in 0..100 {
        let mut random = random(1 + 31 * seed);
        let mut at = 0.0;
        let next = |_| {
            at -= 20.0 * libm::log(1.0 - random());
            at
        };
        let edges: Vec<f64> = (0..400).map(next).collect();
        let train = EdgeTrain::analyse(&edges);
        assert!(
            train.is_none_or(|train| 20 * train.lost.len() > edges.len()),
            "{seed}"
        );
    }
}

/// Edges after intervals that `period` tells, from sample 0.
fn train(count: usize, period: impl Fn(usize) -> f64) -> Vec<f64> {
    let mut at = 0.0;
    (0..count)
        .map(|k| {
            at += period(k);
            at
        })
        .collect()
}

#[test]
fn a_pulse_too_many_at_the_start_does_not_shift_the_phase() {
    for early in [15.0, 30.0, 60.0] {
        let mut edges = train(50, |_| 100.0);
        edges.insert(0, 100.0 - early);
        let mut found = EdgeTrain::analyse(&edges).expect("a train");
        assert_eq!(found.extra, [100.0 - early]);
        assert_eq!(
            (found.clock.phase(150).fraction, found.lost.len()),
            (0.5, 0)
        );
    }
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
        },
        false,
        0,
    );
    finder.push(&samples);
    let (edges, _) = finder.finish();
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
    };
    for falling in [false, true] {
        let mut groups = EdgeFinder::new(levels, falling, 7);
        samples.chunks(97).for_each(|slice| groups.push(slice));
        let mut single = EdgeFinder::new(levels, falling, 7);
        samples.iter().for_each(|x| single.push(&[*x]));
        let (groups, single) = (groups.finish(), single.finish());
        assert!(single.0.len() > 50);
        assert_eq!(groups, single);
    }
}

#[test]
fn infinite_samples_are_missing() {
    let levels = Levels {
        threshold: 0.5,
        hysteresis: 0.2,
    };
    let mut finder = EdgeFinder::new(levels, false, 0);
    finder.push(&[0.0, f64::INFINITY, 0.0, 1.0, f64::NEG_INFINITY, 1.0]);
    assert_eq!(finder.finish(), (vec![2.5], 0.5));
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
    let (edges, up) = found(samples.len());
    // Whole thousands from the next one on; noise moves an edge by a thousandth of a sample.
    let first = (WINDOW + 1000).next_multiple_of(1000);
    assert_eq!(edges.len(), (samples.len() - first).div_ceil(1000));
    for (k, at) in edges.iter().enumerate() {
        let exact = (first + 1000 * k) as f64 - 0.5;
        assert!((at - exact).abs() <= 1e-3, "{at} for {exact}");
    }
    // Half of what passed since the second window, but for the thousand samples before the first pulse.
    assert!((up - 0.5).abs() < 1e-3, "{up}");
    assert_eq!(found(777_777), (edges, up));
}

#[test]
fn given_levels_need_no_second_level() {
    let mut channel = SquareChannel::new(Some(0.5), Some(0.1), true);
    channel.push(&[1.0, 1.0, 0.0, 0.0]);
    assert_eq!(channel.finish(), (vec![1.5], 0.5));
    let mut channel = SquareChannel::new(None, None, false);
    channel.push(&[1.0; 100]);
    assert_eq!(channel.finish(), (vec![], 0.0));
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
    let (edges, _) = channel.finish();
    // At every whole thousand but for the first sample, which has none before it.
    assert_eq!(edges.len(), (2 * WINDOW - 1) / 1000);
    assert!(
        edges
            .iter()
            .zip(1..)
            .all(|(at, k)| (at - 1000.0 * f64::from(k)).abs() <= 1.0)
    );
}
