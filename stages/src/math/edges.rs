//! A reference from a square or pulse channel: levels, edges, and the train that they make.

use std::collections::VecDeque;

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

/// Periods whose median tells the period now.
const RECENT: usize = 9;

impl EdgeTrain {
    /// Puts edges in order; `None` when there are fewer than three that belong together.
    pub fn analyse(edges: &[f64]) -> Option<EdgeTrain> {
        let mut intervals: Vec<f64> = edges.windows(2).map(|w| w[1] - w[0]).collect();
        let overall = median(&mut intervals)?;
        let mut walk = Walk {
            period: overall,
            recent: VecDeque::new(),
            train: Vec::new(),
            missing: Vec::new(),
            extra: Vec::new(),
            lost: Vec::new(),
        };
        walk.run(edges);
        walk.finish()
    }
}

fn median(values: &mut [f64]) -> Option<f64> {
    values.sort_unstable_by(f64::total_cmp);
    values.get(values.len() / 2).copied()
}

struct Walk {
    period: f64,
    recent: VecDeque<f64>,
    train: Vec<Knot>,
    missing: Vec<(f64, u64)>,
    extra: Vec<f64>,
    lost: Vec<(f64, f64)>,
}

impl Walk {
    fn run(&mut self, edges: &[f64]) {
        let Some(first) = edges.first() else { return };
        let start = Phase {
            cycle: 0,
            fraction: 0.0,
        };
        self.train.push(Knot {
            at: *first,
            phase: start,
            broken: false,
        });
        let mut next = 1;
        while next < edges.len() {
            let here = self.train[self.train.len() - 1];
            let distance = |k: usize| (edges[k] - here.at) / self.period;
            // Of the edges up to one period and a bit, the one nearest to a period is the pulse.
            let near = (next..edges.len()).take_while(|&k| distance(k) < 1.0 + TOLERANCE);
            let best = near.min_by(|&a, &b| {
                (distance(a) - 1.0)
                    .abs()
                    .total_cmp(&(distance(b) - 1.0).abs())
            });
            let chosen = match best {
                Some(k) if (distance(k) - 1.0).abs() <= TOLERANCE => k,
                // All of them came too early: they are extra, and what follows is looked at.
                Some(k) => {
                    self.extra.extend_from_slice(&edges[next..=k]);
                    next = k + 1;
                    continue;
                }
                None => next,
            };
            self.extra.extend_from_slice(&edges[next..chosen]);
            self.accept(here, edges[chosen], distance(chosen));
            next = chosen + 1;
        }
    }

    fn accept(&mut self, here: Knot, at: f64, distance: f64) {
        let periods = distance.round();
        let fits = (distance - periods).abs() <= TOLERANCE && periods <= BRIDGED;
        let phase = Phase {
            cycle: here.phase.cycle + periods as i64,
            fraction: 0.0,
        };
        if !fits {
            if let Some(last) = self.train.last_mut() {
                last.broken = true;
            }
            self.lost.push((here.at, at));
        } else if periods > 1.0 {
            self.missing
                .push((here.at + self.period, periods as u64 - 1));
        } else {
            self.recent.push_back(at - here.at);
            if self.recent.len() == RECENT {
                let mut window: Vec<f64> = self.recent.iter().copied().collect();
                self.period = median(&mut window).unwrap_or(self.period);
                self.recent.pop_front();
            }
        }
        self.train.push(Knot {
            at,
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
}
