//! The train that the edges of a reference make.

use phasemill_engine::flow::Phase;

use super::clock::{ClockModel, Knot};
use super::places::Places;
use super::ranks::ranked;
use super::slips::{Slip, broken_at, slips, stretches};

/// A train of edges, put in order.
#[derive(Clone, Debug)]
pub struct EdgeTrain {
    /// The phase, a whole number at each edge.
    pub clock: ClockModel,
    /// Edges, extra ones included.
    pub edges: usize,
    /// Mean frequency over the stretches that hold together, in cycles per sample.
    pub frequency: f64,
    /// Standard uncertainty of the mean frequency, from the jitter of the outermost edges; or how far it is from the
    /// usual one, where that is another.
    pub frequency_u: f64,
    /// The frequency of most periods, where many pulses are missing or extra and the mean is another: then cycles were
    /// counted wrongly.
    pub usual: Option<f64>,
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
    /// Slips, which are left out of frequency, spread and jitter.
    pub slips: Vec<Slip>,
    /// What is unknown of the edges' places, should they jump from level to level.
    pub places: Places,
}

/// Most periods without an edge that are bridged.
const BRIDGED: f64 = 10.0;

/// How far from a whole number of periods an edge may come.
const TOLERANCE: f64 = 0.35;

/// Pulses in a row whose median tells the period up to now.
const RECENT: usize = 9;

/// Intervals from which the period ahead is told, if three of four agree within a fifth.
const AHEAD: usize = 12;

/// How far from the period pulses may come, as a part of it, for no other edge to be considered: intervals that are so
/// much alike are within the tolerance of each other's medians, and two of them are beyond it.
const ALIKE: f64 = 0.05;

/// Part of a period by which one edge must fit better than an earlier one to begin with.
const CLEARLY: f64 = 0.1;

/// Pulses missing, extra or lost that are more than one in so many edges make the count of cycles doubtful.
const DOUBTFUL: usize = 100;

/// Intervals below this part of those that fill most of the time are bounces.
const BOUNCE: f64 = 0.25;

impl EdgeTrain {
    /// Whether this is the train of a reference. Edges anywhere in the period, or a phase that is lost
    /// again and again, are noise: at least one edge in thirteen loses it there, and fewer than one in a
    /// hundred in a bad but usable train.
    pub fn is_steady(&self) -> bool {
        20 * self.lost.len() <= self.edges && self.jitter <= 0.15
    }

    /// Puts edges in order; `None` when there are fewer than three that belong together.
    ///
    /// An edge is the next pulse when it comes one period after the last, by the median of the latest
    /// pulses, so that a drift is followed. Where the intervals ahead agree on another period, the speed
    /// has changed, and pulses are not missing or extra but come at the new one.
    pub fn analyse(edges: &[f64]) -> Option<EdgeTrain> {
        let (overall, _) = typical(edges)?;
        let mut walk = Walk::new(edges, overall);
        walk.run();
        walk.finish()
    }
}

/// The lower median.
fn median(values: &mut [f64]) -> Option<f64> {
    let middle = values.len().checked_sub(1)? / 2;
    Some(ranked(values, middle))
}

/// The lower median of the intervals without bounces, and whether the intervals agree with it. Missing
/// pulses may make up nearly half of the intervals, and every pulse may bounce.
fn typical(edges: &[f64]) -> Option<(f64, bool)> {
    let mut intervals: Vec<f64> = edges.windows(2).map(|w| w[1] - w[0]).collect();
    // The longest may be stops; of the others, those that fill half of the time are no bounces.
    let stops = if intervals.len() > 3 {
        1 + intervals.len() / AHEAD
    } else {
        0
    };
    let filling = intervals.len() - stops;
    let longest = ranked(&mut intervals, filling.checked_sub(1)?);
    let bounces = |most: f64| intervals.iter().any(|interval| *interval < BOUNCE * most);
    // Where none would be a bounce beside the longest of those, there are none.
    if bounces(longest) {
        intervals[..filling].sort_unstable_by(f64::total_cmp);
        let half = 0.5 * intervals[..filling].iter().sum::<f64>();
        let mut filled = 0.0;
        let most = *intervals[..filling].iter().find(|interval| {
            filled += **interval;
            filled >= half
        })?;
        intervals.retain(|interval| *interval >= BOUNCE * most);
    }
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

impl<'e> Walk<'e> {
    fn new(edges: &'e [f64], overall: f64) -> Self {
        Walk {
            edges,
            overall,
            recent: Vec::new(),
            train: Vec::with_capacity(edges.len()),
            missing: Vec::new(),
            extra: Vec::new(),
            lost: Vec::new(),
        }
    }

    fn run(&mut self) {
        let mut next = self.begin(0, 0);
        while let Some(here) = next.map(|here| self.stride(here)) {
            next = match here + 1 < self.edges.len() {
                true => self.step(here),
                false => None,
            };
        }
    }

    /// Takes the pulses that follow as long as the latest, they and those ahead of them come at intervals that are
    /// all alike: each is the next edge. Where they end.
    fn stride(&mut self, here: usize) -> usize {
        let edges = &self.edges[here..];
        let mut recent = self.recent.clone();
        let latest = median(&mut recent).filter(|_| recent.len() == RECENT);
        let Some(period) = latest else {
            return here;
        };
        let alike = |interval: &f64| (interval - period).abs() <= ALIKE * period;
        if !recent.iter().all(alike) {
            return here;
        }
        let intervals = edges.windows(2).map(|w| w[1] - w[0]);
        let ahead = intervals.take_while(alike).count();
        // At the end of the train the last intervals tell as much as there is to be told.
        let taken = match ahead.checked_sub(AHEAD) {
            Some(_) if ahead + 1 == edges.len() => ahead,
            Some(taken) => taken,
            None => return here,
        };
        let latest = &edges[taken.saturating_sub(RECENT)..=taken];
        self.recent.extend(latest.windows(2).map(|w| w[1] - w[0]));
        self.recent.drain(..self.recent.len() - RECENT);
        (here + 1..=here + taken).for_each(|pulse| self.put(pulse, 1));
        here + taken
    }

    /// The period at an edge, and another one that begins there or soon.
    fn periods(&self, here: usize) -> (f64, Option<f64>) {
        // At the end of the train the last intervals tell as much as there is to be told.
        let from = here.min(self.edges.len().saturating_sub(AHEAD + 1));
        let behind = (from + AHEAD + 1).min(self.edges.len());
        let edges = &self.edges[from..behind];
        let mut recent = [0.0; RECENT];
        let recent = &mut recent[..self.recent.len()];
        recent.copy_from_slice(&self.recent);
        let latest = median(recent).filter(|_| self.recent.len() >= 3);
        // Where all that is ahead is as before, so is what is typical of it.
        let goes_on = |period: &f64| {
            let mut ahead = edges.windows(2).map(|w| (w[1] - w[0]) / period - 1.0);
            ahead.all(|off| off.abs() <= TOLERANCE)
        };
        if let Some(period) = latest.filter(goes_on) {
            return (period, None);
        }
        let ahead = typical(edges).filter(|(_, agreed)| *agreed);
        let ahead = ahead.map(|(period, _)| period);
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
        // How far the nearest of the edges that follow is from one period on; zero where none follows.
        let misfit = |here: usize| {
            let (at, (period, _)) = (self.edges[here], self.periods(here));
            let later = self.edges[here + 1..].iter().map(|t| (t - at) / period);
            let near = later.take_while(|d| *d < 1.0 + TOLERANCE);
            near.map(|d| (d - 1.0).abs())
                .reduce(f64::min)
                .unwrap_or(0.0)
        };
        let good = (from..self.edges.len()).find(|here| misfit(*here) < TOLERANCE)?;
        // Another edge of the same period that fits clearly better is the pulse.
        let end = self.edges[good] + (1.0 - TOLERANCE) * self.periods(good).0;
        let same = || (good..self.edges.len()).take_while(|k| self.edges[*k] < end);
        let best = same().map(misfit).reduce(f64::min).unwrap_or(0.0);
        let first = same().find(|here| misfit(*here) < best + CLEARLY)?;
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
        // Edges that jump are off by up to half a sample each.
        let slips = slips(&self.train, 1, 2.0 / self.overall);
        let held = broken_at(&self.train, &slips, 1);
        let whole = |pair: &&[Knot]| !pair[0].broken;
        let pairs = || held.windows(2).filter(whole);
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
        let residuals = held
            .windows(3)
            .filter(|t| !t[0].broken && !t[1].broken)
            .filter(|t| t[2].phase.cycle - t[0].phase.cycle == 2)
            .map(|t| (t[1].at - 0.5 * (t[0].at + t[2].at)) * frequency);
        let (count, squares) = residuals.fold((0u64, 0.0), |(n, s), r| (n + 1, s + r * r));
        let jitter = (squares / count.max(1) as f64 / 1.5).sqrt();
        let spread = deviation(local.clone());
        // The outermost edges of each stretch.
        let ends = (2.0 * stretches(&held) as f64).sqrt() * jitter / samples;
        let places = Places::of(&held);
        let mut paces: Vec<f64> = local.collect();
        let usual = median(&mut paces)?;
        drop(held);
        let doubtful = self.missing.len() + self.extra.len() + self.lost.len();
        // Where many edges come between or are missing, cycles may be counted wrongly.
        let off = (1.0 / frequency - 1.0 / usual).abs();
        let wrong = DOUBTFUL * doubtful > self.edges.len() && off > (0.01 / usual).max(1.0);
        Some(EdgeTrain {
            edges: self.edges.len(),
            frequency,
            frequency_u: match wrong {
                true => ends.max((frequency - usual).abs()),
                false => ends,
            },
            usual: wrong.then_some(usual),
            spread,
            jitter,
            missing: self.missing,
            extra: self.extra,
            lost: self.lost,
            slips,
            places,
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
#[path = "edges_tests.rs"]
pub(crate) mod tests;
