//! A square or pulse channel as it streams by: its levels, and its edges.

use super::edges::EdgeTrain;

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
        let there = samples.iter().copied().filter(|x| x.is_finite());
        let mut there: Vec<f64> = there.collect();
        let last = there.len().checked_sub(1)? as f64;
        let [low, high] = [0.001, 0.999].map(|part| ranked(&mut there, (last * part) as usize));
        let middle = low + 0.5 * (high - low);
        let (mut below, mut above): (Vec<f64>, Vec<f64>) =
            there.into_iter().partition(|x| *x < middle);
        if high <= low || below.is_empty() || above.is_empty() {
            return None;
        }
        let [low, high] = [&mut below, &mut above].map(|side| {
            let middle = side.len() / 2;
            ranked(side, middle)
        });
        Some(Levels {
            threshold: low + 0.5 * (high - low),
            hysteresis: HYSTERESIS * (high - low),
        })
    }
}

/// The value of a rank in ascending order.
fn ranked(values: &mut [f64], rank: usize) -> f64 {
    *values.select_nth_unstable_by(rank, f64::total_cmp).1
}

/// Hysteresis as a part of the step between the levels (common practice, no source).
const HYSTERESIS: f64 = 0.2;

/// Samples that are looked at together for their levels.
pub(super) const WINDOW: usize = 1 << 20;

/// Samples that are compared side by side.
const SIDE: usize = 16;

/// Samples that are looked at together for whether they scatter more widely than the levels say.
const GLANCE: usize = 1 << 15;

/// A step that is so many times larger than the one before shows that the one before was noise.
const LARGER: f64 = 4.0;

/// A square channel as it streams by: its levels, then its edges.
///
/// The levels are those of the first 2^20 samples that have any. Samples that scatter four times as
/// widely later on, and whose levels in the 2^20 from there on are four times as far apart, show that the reference
/// had not yet begun, and the edges found until then go, unless they make a steady train of another gain.
#[derive(Clone, Debug)]
pub struct SquareChannel {
    threshold: Option<f64>,
    hysteresis: Option<f64>,
    falling: bool,
    window: Vec<f64>,
    /// Whether levels are looked for in what is gathered, or only how widely it scatters.
    gathering: bool,
    passed: u64,
    /// Hysteresis of the levels that were found.
    found: f64,
    finder: Option<EdgeFinder>,
}

impl SquareChannel {
    /// A channel whose threshold and hysteresis are found where they are not given.
    pub fn new(threshold: Option<f64>, hysteresis: Option<f64>, falling: bool) -> Self {
        SquareChannel {
            threshold,
            hysteresis,
            falling,
            window: Vec::new(),
            gathering: threshold.is_none() || hysteresis.is_none(),
            passed: 0,
            found: 0.0,
            finder: None,
        }
    }

    /// Takes the next samples.
    pub fn push(&mut self, mut samples: &[f64]) {
        while !samples.is_empty() {
            let wanted = if self.gathering { WINDOW } else { GLANCE };
            let (now, later) = samples.split_at(samples.len().min(wanted - self.window.len()));
            self.window.extend_from_slice(now);
            samples = later;
            if self.window.len() < wanted {
                continue;
            }
            if !self.gathering && self.is_wide(&self.window) {
                self.gathering = true;
            } else {
                self.look();
            }
        }
    }

    /// Edges, and the part of the samples that was up.
    pub fn finish(mut self) -> (Vec<f64>, f64) {
        self.look();
        self.finder.map_or((Vec::new(), 0.0), EdgeFinder::finish)
    }

    fn look(&mut self) {
        let mut window = std::mem::take(&mut self.window);
        if let Some(levels) = self.levels(&window) {
            self.finder = Some(EdgeFinder::new(levels, self.falling, self.passed));
        }
        if let Some(finder) = &mut self.finder {
            finder.push(&window);
        }
        self.gathering = self.finder.is_none();
        self.passed += window.len() as u64;
        window.clear();
        self.window = window;
    }

    /// Whether samples scatter so widely that the levels may be others.
    fn is_wide(&self, samples: &[f64]) -> bool {
        if self.threshold.is_some() && self.hysteresis.is_some() {
            return false;
        }
        let (mut low, mut high) = extent(samples);
        if low.is_infinite() || high.is_infinite() {
            let there = samples.iter().copied().filter(|x| x.is_finite());
            (low, high) = extent(&there.collect::<Vec<f64>>());
        }
        HYSTERESIS * (high - low) > LARGER * self.found
    }

    /// Levels to go on with from here, unless those there are will do.
    fn levels(&mut self, window: &[f64]) -> Option<Levels> {
        let steady = |finder: &EdgeFinder| {
            EdgeTrain::analyse(&finder.edges).is_some_and(|train| train.is_steady())
        };
        let larger = self
            .is_wide(window)
            .then(|| Levels::of(window))
            .flatten()
            .filter(|l| l.hysteresis > LARGER * self.found);
        // A steady train goes on through a larger step, which then is not looked at again.
        let refused = larger.is_some() && self.finder.as_ref().is_some_and(steady);
        if refused {
            self.found = larger.map_or(self.found, |l| l.hysteresis);
        }
        let better = larger.filter(|_| !refused);
        if better.is_none() && (self.finder.is_some() || self.threshold.is_none()) {
            return None;
        }
        self.found = better.map_or(self.found, |l| l.hysteresis);
        Some(Levels {
            threshold: self.threshold.or(better.map(|l| l.threshold))?,
            hysteresis: self.hysteresis.unwrap_or(self.found),
        })
    }
}

/// The smallest and the largest of samples that are known.
fn extent(samples: &[f64]) -> (f64, f64) {
    let (mut low, mut high) = ([f64::MAX; SIDE], [f64::MIN; SIDE]);
    for group in samples.chunks(SIDE) {
        for ((low, high), x) in low.iter_mut().zip(&mut high).zip(group) {
            *low = if x < low { *x } else { *low };
            *high = if x > high { *x } else { *high };
        }
    }
    let low = low.into_iter().fold(f64::MAX, f64::min);
    (low, high.into_iter().fold(f64::MIN, f64::max))
}

/// Finds edges in a stream.
#[derive(Clone, Debug)]
pub struct EdgeFinder {
    levels: Levels,
    falling: bool,
    high: Option<bool>,
    last: f64,
    /// Index of the next sample.
    next: u64,
    /// First and last crossing of the threshold since the other level was left.
    crossing: Option<(f64, f64)>,
    edges: Vec<f64>,
    ups: u64,
    there: u64,
}

impl EdgeFinder {
    /// A finder of rising edges, or of falling ones, whose first sample has the index `first`.
    pub fn new(levels: Levels, falling: bool, first: u64) -> Self {
        EdgeFinder {
            levels,
            falling,
            high: None,
            last: f64::NAN,
            next: first,
            crossing: None,
            edges: Vec::new(),
            ups: 0,
            there: 0,
        }
    }

    /// Takes the next samples.
    pub fn push(&mut self, samples: &[f64]) {
        for group in samples.chunks(SIDE) {
            if !self.pass(group) {
                group.iter().for_each(|x| self.step(*x));
            }
        }
    }

    /// Takes samples that all lie beyond the band where the channel already is: nothing is to be looked for there.
    fn pass(&mut self, group: &[f64]) -> bool {
        let Levels {
            threshold,
            hysteresis,
        } = self.levels;
        let (Some(high), Some(last)) = (self.high, group.last()) else {
            return false;
        };
        let above = high != self.falling;
        let end = if above {
            threshold + 0.5 * hysteresis
        } else {
            threshold - 0.5 * hysteresis
        };
        let beyond = match above {
            true => group
                .iter()
                .fold(true, |all, x| all & (*x > end) & (*x <= f64::MAX)),
            false => group
                .iter()
                .fold(true, |all, x| all & (*x < end) & (*x >= f64::MIN)),
        };
        if beyond {
            let count = group.len() as u64;
            self.next += count;
            self.there += count;
            self.ups += if above { count } else { 0 };
            self.last = if self.falling { -last } else { *last };
            self.crossing = None;
        }
        beyond
    }

    fn step(&mut self, sample: f64) {
        let i = self.next as f64;
        self.next += 1;
        if !sample.is_finite() {
            self.last = f64::NAN;
            return;
        }
        self.there += 1;
        self.ups += u64::from(sample > self.levels.threshold);
        // A falling edge is a rising one of the channel turned over.
        let (x, threshold) = match self.falling {
            true => (-sample, -self.levels.threshold),
            false => (sample, self.levels.threshold),
        };
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

    /// Edges in samples, and the part of the samples above the threshold.
    pub fn finish(self) -> (Vec<f64>, f64) {
        (self.edges, self.ups as f64 / self.there.max(1) as f64)
    }
}
