//! Places at which a clock slips: it goes on as before, but a part of a cycle early or late, as where samples were lost
//! or a source jumped. A mean frequency across such a place is that of no stretch.

use std::borrow::Cow;

use super::clock::{Knot, cycles_between};
use super::ranks::ranked;

/// A slip.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Slip {
    /// Knot before it.
    pub knot: usize,
    /// Where, in samples.
    pub at: f64,
    /// Cycles by which the clock falls behind; less than zero where it gets ahead.
    pub cycles: f64,
}

/// Pairs of knots on each side that tell the pace there: by their median, of three at least.
const AROUND: usize = 9;
const FEWEST: usize = 3;

/// A slip is larger than so many times what the pace changes by from pair to pair as a rule. Normal jitter exceeds ten
/// times its median less than once in 10^10.
const CLEARLY: f64 = 10.0;

/// Cycles that a slip has at least.
const LEAST: f64 = 0.03;

/// More slips than one in so many pairs are jitter.
const OFTEN: usize = 20;

/// The slips of a clock, each between two knots that are `span` pairs apart, and of `least` cycles at least.
pub fn slips(knots: &[Knot], span: usize, least: f64) -> Vec<Slip> {
    let pair = |k: usize| {
        let (a, b) = (&knots[k], &knots[k + 1]);
        (cycles_between(b.phase, a.phase), b.at - a.at)
    };
    let count = knots.len().saturating_sub(1);
    let paces: Vec<f64> = (0..count)
        .map(|k| match pair(k) {
            _ if knots[k].broken => f64::NAN,
            (cycles, samples) => cycles / samples,
        })
        .collect();
    let mut changes: Vec<f64> = (1..count)
        .map(|k| (paces[k] - paces[k - 1]).abs() * pair(k).1)
        .filter(|change| !change.is_nan())
        .collect();
    if changes.len() < 2 * FEWEST {
        return Vec::new();
    }
    let middle = changes.len() / 2;
    let usual = ranked(&mut changes, middle);
    let most = (CLEARLY * usual).max(least).max(LEAST);
    // Cycles that pairs fall behind a pace.
    let behind = |pairs: std::ops::Range<usize>, pace: f64| -> f64 {
        pairs
            .map(&pair)
            .map(|(cycles, samples)| pace * samples - cycles)
            .sum()
    };
    let slip = |k: usize| {
        let end = k + span;
        let near = [paces[k.checked_sub(1)?], *paces.get(end)?];
        // Medians are taken only where the neighbours alone tell of a slip.
        let clear = |pace: &f64| behind(k..end, *pace).abs() > most;
        if !near.iter().all(clear) {
            return None;
        }
        let whole = |k: &usize| !knots[*k].broken;
        let before = (0..k)
            .rev()
            .take(AROUND)
            .take_while(whole)
            .collect::<Vec<_>>();
        let after = (end..count)
            .take(AROUND)
            .take_while(whole)
            .collect::<Vec<_>>();
        let pace = |pairs: &[usize]| {
            let mut paces: Vec<f64> = pairs.iter().map(|k| paces[*k]).collect();
            let middle = paces.len() / 2;
            (paces.len() >= FEWEST).then(|| ranked(&mut paces, middle))
        };
        let (before, after) = (pace(&before)?, pace(&after)?);
        // At a change of pace one side fits, and within one that goes on neither, but they disagree.
        let sides = [before, after].map(|pace| behind(k..end, pace));
        if (sides[0] - sides[1]).abs() > 0.5 * sides[0].abs().max(sides[1].abs()) {
            return None;
        }
        let (cycles, pace) = match sides[0].abs() < sides[1].abs() {
            true => (sides[0], before),
            false => (sides[1], after),
        };
        // A single knot that is out of place is made up for by the next.
        let lasting = behind(k.saturating_sub(2)..(end + 2).min(count), pace) / cycles;
        (cycles.abs() > most && lasting > 0.5).then_some((cycles, k))
    };
    let mut found = Vec::new();
    let mut k = 0;
    while k + span <= count {
        let Some((mut cycles, mut knot)) = slip(k) else {
            k += 1;
            continue;
        };
        // Of the windows that hold a part of it, the one with most.
        if span > 1
            && let Some(next) = slip(k + 1).filter(|next| next.0.abs() > cycles.abs())
        {
            (cycles, knot) = next;
        }
        let at = 0.5 * (knots[knot].at + knots[knot + span].at);
        found.push(Slip { knot, at, cycles });
        k = knot + span;
    }
    if found.len() * OFTEN > count {
        found.clear();
    }
    found
}

/// The knots with a break at each slip.
pub fn broken_at<'k>(knots: &'k [Knot], slips: &[Slip], span: usize) -> Cow<'k, [Knot]> {
    let mut broken = Cow::Borrowed(knots);
    for slip in slips {
        for knot in &mut broken.to_mut()[slip.knot..slip.knot + span] {
            knot.broken = true;
        }
    }
    broken
}

/// Stretches of two knots or more.
pub fn stretches(knots: &[Knot]) -> usize {
    let runs = knots.chunk_by(|before, _| !before.broken);
    runs.filter(|run| run.len() > 1).count()
}

#[cfg(test)]
mod tests {
    use phasemill_engine::flow::Phase;

    use super::super::edges::tests::random;
    use super::*;

    fn train(intervals: impl IntoIterator<Item = f64>) -> Vec<Knot> {
        let mut at = 5.0;
        let intervals = std::iter::once(0.0).chain(intervals).zip(0..);
        intervals
            .map(|(interval, cycle)| {
                at += interval;
                Knot {
                    at,
                    phase: Phase {
                        cycle,
                        fraction: 0.0,
                    },
                    broken: false,
                }
            })
            .collect()
    }

    /// Numbers that are nearly normal, of unit variance.
    fn normal(random: &mut impl FnMut() -> f64) -> f64 {
        (0..12).map(|_| random()).sum::<f64>() - 6.0
    }

    /// Periods of 73 samples with edges off by 0.3 % of one; a third of a cycle more at one of them, and a quarter less
    /// at another. Two edges are off there, and the pace is a median: three thousandths for each.
    #[test]
    fn slips_are_found_and_sized() {
        let mut random = random(4);
        let places: Vec<f64> = (0..2000).map(|_| 0.22 * normal(&mut random)).collect();
        let intervals = |k: usize| {
            let slip = match k {
                700 => 0.3,
                1500 => -0.25,
                _ => 0.0,
            };
            73.0 * (1.0 + slip) + places[k + 1] - places[k]
        };
        let knots = train((0..1999).map(intervals));
        let found = slips(&knots, 1, 0.0);
        assert_eq!(
            found.iter().map(|s| s.knot).collect::<Vec<_>>(),
            [700, 1500]
        );
        assert!((found[0].cycles - 0.3).abs() < 0.02 && (found[1].cycles + 0.25).abs() < 0.02);
        assert_eq!(stretches(&broken_at(&knots, &found, 1)), 3);
    }

    /// Jitter of 3 % of a period, a single pulse that is a fifth of a cycle late, a change of speed, a stop, a steady drift and
    /// steps of one sample in ten are none.
    #[test]
    fn what_is_made_up_for_or_lasts_is_no_slip() {
        let mut random = random(8);
        let places: Vec<f64> = (0..100_000).map(|_| 0.03 * normal(&mut random)).collect();
        let jitter = (0..99_999).map(|k| 1.0 + places[k + 1] - places[k]);
        assert_eq!(slips(&train(jitter), 1, 0.0), []);
        let late = |k| match k {
            50 => 1.2,
            51 => 0.8,
            _ => 1.0,
        };
        assert_eq!(slips(&train((0..100).map(late)), 1, 0.0), []);
        let speed = |k| if k < 50 { 1.0 } else { 1.25 };
        assert_eq!(slips(&train((0..100).map(speed)), 1, 0.0), []);
        // Something that spins down and stops: each period a tenth longer than the one before.
        let stop = |k: i32| libm::pow(1.1, f64::from((k - 500).max(0)));
        assert_eq!(slips(&train((0..520).map(stop)), 1, 0.0), []);
        let drift = |k| 50.0 * libm::pow(0.2, f64::from(k) / 2000.0);
        assert_eq!(slips(&train((0..2000).map(drift)), 1, 0.0), []);
        let whole = |k| if k % 7 == 3 { 11.0 } else { 10.0 };
        assert_eq!(slips(&train((0..500).map(whole)), 1, 0.2), []);
    }

    /// A slip in the middle of a block is spread over two pairs.
    #[test]
    fn a_slip_within_a_block_is_one() {
        let pairs = |k| match k {
            50 => 731.0 + 0.12 * 73.1,
            51 => 731.0 + 0.18 * 73.1,
            _ => 731.0,
        };
        let mut knots = train((0..100).map(pairs));
        for (knot, k) in knots.iter_mut().zip(0..) {
            knot.phase.cycle = 10 * k;
        }
        let found = slips(&knots, 2, 0.0);
        assert!(found.len() == 1 && found[0].knot == 50, "{found:?}");
        assert!((found[0].cycles - 0.3).abs() < 1e-9);
    }
}
