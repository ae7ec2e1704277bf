//! A reference from a square or pulse channel: levels, edges, and the train that they make.

use phasemill_engine::flow::Phase;

use super::clock::{ClockModel, Knot};

/// Thresholds of a square channel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Levels {
    /// Where an edge is placed.
    pub threshold: f64,
    /// Width of the band around it that must be crossed in full.
    pub hysteresis: f64,
}

impl Levels {
    /// Levels from a stretch of samples: the threshold midway between the medians of the low and the
    /// high samples, and a fifth of their distance as hysteresis. The first cut between low and high
    /// is midway between the outermost thousandths, so single spikes do not move it. `None` when the
    /// samples do not have two levels.
    pub fn of(samples: &[f64]) -> Option<Levels> {
        let mut sorted: Vec<f64> = samples.iter().copied().filter(|x| x.is_finite()).collect();
        sorted.sort_unstable_by(f64::total_cmp);
        let at = |part: f64| {
            sorted
                .get(((sorted.len().max(1) - 1) as f64 * part) as usize)
                .copied()
        };
        let (low, high) = (at(0.001)?, at(0.999)?);
        let middle = low + 0.5 * (high - low);
        let split = sorted.partition_point(|x| *x < middle);
        if high <= low || split == 0 || split == sorted.len() {
            return None;
        }
        let low = sorted[split / 2];
        let high = sorted[split + (sorted.len() - split) / 2];
        Some(Levels {
            threshold: low + 0.5 * (high - low),
            hysteresis: 0.2 * (high - low),
        })
    }
}

/// Finds edges in a stream.
#[derive(Clone, Debug)]
pub struct EdgeFinder {
    levels: Levels,
    falling: bool,
    high: Option<bool>,
    last: f64,
    seen: u64,
    /// First and last crossing of the threshold since the other level was left.
    crossing: Option<(f64, f64)>,
    edges: Vec<f64>,
    highs: u64,
    missing: u64,
}

impl EdgeFinder {
    /// A finder of rising edges, or of falling ones.
    pub fn new(levels: Levels, falling: bool) -> Self {
        EdgeFinder {
            levels,
            falling,
            high: None,
            last: f64::NAN,
            seen: 0,
            crossing: None,
            edges: Vec::new(),
            highs: 0,
            missing: 0,
        }
    }

    /// Takes the next samples.
    pub fn push(&mut self, samples: &[f64]) {
        samples.iter().for_each(|x| self.step(*x));
    }

    fn step(&mut self, sample: f64) {
        let i = self.seen as f64;
        self.seen += 1;
        if sample.is_nan() {
            self.missing += 1;
            self.last = f64::NAN;
            return;
        }
        // A falling edge is a rising one of the channel turned over.
        let (x, threshold) = match self.falling {
            true => (-sample, -self.levels.threshold),
            false => (sample, self.levels.threshold),
        };
        self.highs += u64::from(x > threshold);
        if self.last <= threshold && x > threshold {
            // Straight line between the two samples.
            let at = i - (x - threshold) / (x - self.last);
            let first = self.crossing.map_or(at, |(first, _)| first);
            self.crossing = Some((first, at));
        }
        let half = 0.5 * self.levels.hysteresis;
        if x > threshold + half {
            if let (Some(false), Some((first, last))) = (self.high, self.crossing) {
                // Noise on a slow edge crosses several times, as often early as late.
                self.edges.push(0.5 * (first + last));
            }
            self.high = Some(true);
            self.crossing = None;
        } else if x < threshold - half {
            self.high = Some(false);
            self.crossing = None;
        }
        self.last = x;
    }

    /// What the edges make.
    pub fn finish(self) -> (Vec<f64>, f64) {
        let there = self.seen - self.missing;
        (self.edges, self.highs as f64 / there.max(1) as f64)
    }
}

/// A train of edges, put in order.
#[derive(Clone, Debug)]
pub struct EdgeTrain {
    /// The phase, a whole number at each edge.
    pub clock: ClockModel,
    /// Mean frequency over the stretches that hold together, in cycles per sample.
    pub frequency: f64,
    /// Standard uncertainty of the mean frequency from the jitter of the outermost edges.
    pub frequency_u: f64,
    /// Standard deviation of the frequency from period to period.
    pub spread: f64,
    /// Root mean square deviation of an edge from the line through its neighbours, in cycles.
    pub jitter: f64,
    /// Places and numbers of pulses that were missing and are bridged.
    pub missing: Vec<(f64, u64)>,
    /// Places of pulses that came between and are left out.
    pub extra: Vec<f64>,
    /// Stretches over which the phase is lost.
    pub lost: Vec<(f64, f64)>,
}

/// Most periods without an edge that are bridged.
const BRIDGED: f64 = 10.0;

/// How far from a whole number of periods an edge may come.
const TOLERANCE: f64 = 0.35;

/// Pulses in a row whose median tells the period up to now.
const RECENT: usize = 9;

/// Intervals from which the period ahead is told, if three of four agree within a fifth.
const AHEAD: usize = 12;

/// Intervals below this part of those that fill most of the time are bounces.
const BOUNCE: f64 = 0.25;

impl EdgeTrain {
    /// Puts edges in order; `None` when there are fewer than three that belong together.
    ///
    /// An edge is the next pulse when it comes one period after the last, by the median of the latest
    /// pulses, so that a drift is followed. Where the intervals ahead agree on another period, the speed
    /// has changed, and pulses are not missing or extra but come at the new one.
    pub fn analyse(edges: &[f64]) -> Option<EdgeTrain> {
        let (overall, _) = typical(edges)?;
        let mut walk = Walk {
            edges,
            overall,
            recent: Vec::new(),
            train: Vec::new(),
            missing: Vec::new(),
            extra: Vec::new(),
            lost: Vec::new(),
        };
        walk.run();
        walk.finish()
    }
}

/// The lower median.
fn median(values: &mut [f64]) -> Option<f64> {
    values.sort_unstable_by(f64::total_cmp);
    values.get(values.len().saturating_sub(1) / 2).copied()
}

/// The lower median of the intervals without bounces, and whether the intervals agree with it. Missing
/// pulses may make up nearly half of the intervals, and every pulse may bounce.
fn typical(edges: &[f64]) -> Option<(f64, bool)> {
    let mut intervals: Vec<f64> = edges.windows(2).map(|w| w[1] - w[0]).collect();
    intervals.sort_unstable_by(f64::total_cmp);
    // The longest may be stops; of the others, those that fill half of the time are no bounces.
    let stops = if intervals.len() > 3 {
        1 + intervals.len() / AHEAD
    } else {
        0
    };
    let filling = &intervals[..intervals.len() - stops];
    let half = 0.5 * filling.iter().sum::<f64>();
    let mut filled = 0.0;
    let most = filling.iter().find(|interval| {
        filled += **interval;
        filled >= half
    })?;
    let shortest = BOUNCE * most;
    intervals.retain(|interval| *interval >= shortest);
    let period = median(&mut intervals)?;
    let agreeing = intervals
        .iter()
        .filter(|i| (*i / period - 1.0).abs() <= 0.2)
        .count();
    Some((period, agreeing >= 3 && 4 * agreeing >= 3 * intervals.len()))
}

struct Walk<'e> {
    edges: &'e [f64],
    /// The typical period of the whole train.
    overall: f64,
    /// Intervals of the latest pulses that followed each other.
    recent: Vec<f64>,
    train: Vec<Knot>,
    missing: Vec<(f64, u64)>,
    extra: Vec<f64>,
    lost: Vec<(f64, f64)>,
}

impl Walk<'_> {
    fn run(&mut self) {
        let mut next = self.begin(0, 0);
        while let Some(here) = next.filter(|here| here + 1 < self.edges.len()) {
            next = self.step(here);
        }
    }

    /// The period at an edge, and another one that begins there or soon.
    fn periods(&self, here: usize) -> (f64, Option<f64>) {
        // At the end of the train the last intervals tell as much as there is to be told.
        let from = here.min(self.edges.len().saturating_sub(AHEAD + 1));
        let behind = (from + AHEAD + 1).min(self.edges.len());
        let ahead = typical(&self.edges[from..behind]).filter(|(_, agreed)| *agreed);
        let ahead = ahead.map(|(period, _)| period);
        let latest = median(&mut self.recent.clone()).filter(|_| self.recent.len() >= 3);
        let period = latest.or(ahead).unwrap_or(self.overall);
        (
            period,
            ahead.filter(|new| (new / period - 1.0).abs() > TOLERANCE),
        )
    }

    /// Takes the pulse that follows; the edge to go on from.
    fn step(&mut self, here: usize) -> Option<usize> {
        let edges = self.edges;
        let (at, next) = (edges[here], here + 1);
        let (period, change) = self.periods(here);
        let off = |k: usize, period: f64| ((edges[k] - at) / period - 1.0).abs();
        let longest = change.unwrap_or(period).max(period);
        let shortest = change.unwrap_or(period).min(period);
        let reach = at + (1.0 + TOLERANCE) * longest;
        let near = || (next..edges.len()).take_while(move |k| edges[*k] < reach);
        // Two pulses at one speed may look like one at the other, so the first that fits is taken.
        let close = |k: &usize, period: f64| off(*k, period) <= 0.5 * TOLERANCE;
        let changed = change.and_then(|new| near().find(|k| close(k, period) || close(k, new)));
        let nearest = near().min_by(|a, b| off(*a, period).total_cmp(&off(*b, period)));
        let Some(pulse) = changed.or(nearest.filter(|k| off(*k, period) <= TOLERANCE)) else {
            let behind = near().find(|k| edges[*k] >= at + (1.0 - TOLERANCE) * shortest);
            let behind = behind.unwrap_or(next + near().count());
            // Those before came too early to be pulses.
            self.extra.extend_from_slice(&edges[next..behind]);
            return self.skip(here, behind, [period, change.unwrap_or(period)]);
        };
        if off(pulse, period) > TOLERANCE || self.recent.len() == RECENT {
            let kept = if off(pulse, period) > TOLERANCE {
                0
            } else {
                RECENT - 1
            };
            self.recent.drain(..self.recent.len() - kept);
        }
        self.extra.extend_from_slice(&edges[next..pulse]);
        self.recent.push(edges[pulse] - at);
        self.put(pulse, 1);
        Some(pulse)
    }

    /// Takes an edge that is not one period away: over missing pulses, or after a stop.
    fn skip(&mut self, here: usize, next: usize, periods: [f64; 2]) -> Option<usize> {
        let (at, to) = (self.edges[here], *self.edges.get(next)?);
        for period in periods {
            let distance = (to - at) / period;
            let whole = distance.round();
            if (2.0..=BRIDGED).contains(&whole) && (distance - whole).abs() <= TOLERANCE {
                self.missing.push((at + period, whole as u64 - 1));
                self.put(next, whole as i64);
                return Some(next);
            }
        }
        if let Some(last) = self.train.last_mut() {
            last.broken = true;
        }
        self.lost.push((at, to));
        self.recent.clear();
        let cycles = ((to - at) / periods[0]).round().max(1.0) as i64;
        self.begin(next, cycles)
    }

    /// Begins, or begins anew behind a stop, at the first edge that another follows as a pulse should.
    fn begin(&mut self, from: usize, cycles: i64) -> Option<usize> {
        let good = |here: usize| {
            let (at, (period, _)) = (self.edges[here], self.periods(here));
            let mut near = self.edges[here + 1..]
                .iter()
                .take_while(|t| **t - at < (1.0 + TOLERANCE) * period)
                .peekable();
            near.peek().is_none() || near.any(|t| t - at > (1.0 - TOLERANCE) * period)
        };
        let first = (from..self.edges.len()).find(|here| good(*here))?;
        self.extra.extend_from_slice(&self.edges[from..first]);
        self.put(first, cycles);
        Some(first)
    }

    fn put(&mut self, edge: usize, cycles: i64) {
        let cycle = self
            .train
            .last()
            .map_or(0, |last| last.phase.cycle + cycles);
        let phase = Phase {
            cycle,
            fraction: 0.0,
        };
        self.train.push(Knot {
            at: self.edges[edge],
            phase,
            broken: false,
        });
    }

    fn finish(self) -> Option<EdgeTrain> {
        let whole = |pair: &&[Knot]| !pair[0].broken;
        let pairs = || self.train.windows(2).filter(whole);
        let (mut cycles, mut samples) = (0i64, 0.0);
        for pair in pairs() {
            cycles += pair[1].phase.cycle - pair[0].phase.cycle;
            samples += pair[1].at - pair[0].at;
        }
        if cycles < 2 {
            return None;
        }
        let frequency = cycles as f64 / samples;
        let local =
            pairs().map(|p| (p[1].phase.cycle - p[0].phase.cycle) as f64 / (p[1].at - p[0].at));
        // An edge between two others at equal distance deviates from their middle with 3/2 of the
        // variance of a single edge.
        let residuals = self
            .train
            .windows(3)
            .filter(|t| !t[0].broken && !t[1].broken)
            .filter(|t| t[2].phase.cycle - t[0].phase.cycle == 2)
            .map(|t| (t[1].at - 0.5 * (t[0].at + t[2].at)) * frequency);
        let (count, squares) = residuals.fold((0u64, 0.0), |(n, s), r| (n + 1, s + r * r));
        let jitter = (squares / count.max(1) as f64 / 1.5).sqrt();
        let spread = deviation(local);
        Some(EdgeTrain {
            frequency,
            frequency_u: std::f64::consts::SQRT_2 * jitter / samples,
            spread,
            jitter,
            missing: self.missing,
            extra: self.extra,
            lost: self.lost,
            clock: ClockModel::new(self.train, 1.5),
        })
    }
}

/// Standard deviation with n - 1; zero for fewer than two values.
pub fn deviation(values: impl Iterator<Item = f64> + Clone) -> f64 {
    let (count, sum) = values.clone().fold((0u64, 0.0), |(n, s), x| (n + 1, s + x));
    if count < 2 {
        return 0.0;
    }
    let mean = sum / count as f64;
    let squares: f64 = values.map(|x| (x - mean) * (x - mean)).sum();
    (squares / (count - 1) as f64).sqrt()
}

#[cfg(test)]
mod tests {
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
        };
        for slice in [1, 3, 40] {
            let mut finder = EdgeFinder::new(levels, false);
            samples.chunks(slice).for_each(|part| finder.push(part));
            let (edges, high) = finder.finish();
            assert!(
                (edges[0] - 15.5).abs() < 1e-12 && edges.len() == 1,
                "{edges:?}"
            );
            assert_eq!(high, 24.0 / 40.0);
        }
        let falling: Vec<f64> = samples.iter().rev().copied().collect();
        let mut finder = EdgeFinder::new(levels, true);
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
}
