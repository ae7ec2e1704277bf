//! Tests of the train that edges make.

use proptest::prelude::*;

use super::*;

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
pub(crate) fn random(mut state: u64) -> impl FnMut() -> f64 {
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

/// A train whose period drifts and jitters, with pulses missing and extra, stops, and changes of speed.
fn any_train() -> impl Strategy<Value = Vec<f64>> {
    let piece = (
        20.0..80.0f64,
        -0.002..0.002f64,
        0.0..0.2f64,
        0..80usize,
        0..6u8,
    );
    let unit = prop::collection::vec(-0.5..0.5f64, 80);
    prop::collection::vec((piece, unit), 1..8).prop_map(|pieces| {
        let (mut at, mut edges) = (0.0, Vec::new());
        for ((period, drift, jitter, count, end), unit) in pieces {
            for (k, off) in unit.iter().take(count).enumerate() {
                at += period * (1.0 + drift * k as f64);
                edges.push(at + jitter * period * off);
            }
            match end {
                0 => at += 30.0 * period,
                1 => at += period,
                2 => edges.push(at + 0.4 * period),
                _ => {}
            }
        }
        edges.sort_unstable_by(f64::total_cmp);
        edges
    })
}

proptest! {
    /// Pulses that are taken in strides are those that are taken one by one.
    #[test]
    fn strides_are_many_steps(edges in any_train()) {
        let mut walk = Walk::new(&edges, 50.0);
        walk.run();
        let mut twin = Walk::new(&edges, 50.0);
        let mut next = twin.begin(0, 0);
        while let Some(here) = next.filter(|here| here + 1 < edges.len()) {
            next = twin.step(here);
        }
        prop_assert_eq!(walk.train, twin.train);
        prop_assert_eq!(walk.missing, twin.missing);
        prop_assert_eq!(walk.extra, twin.extra);
        prop_assert_eq!(walk.lost, twin.lost);
    }
}
