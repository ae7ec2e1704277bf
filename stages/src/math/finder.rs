//! Edges in a stream of samples, or in a slab of which it is not known yet what comes before.

use multiversion::multiversion;

use super::square::Levels;

/// Samples that are compared side by side.
const SIDE: usize = 16;

/// An edge jumps if it takes at least this part of the step between the levels from one sample to the next: where
/// between the two it is cannot be told then.
const JUMP: f64 = 0.8;

/// What was found in a stream.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct FoundEdges {
    /// Places of the edges, in samples.
    pub at: Vec<f64>,
    /// How many of them jump from level to level within a sample.
    pub jumps: usize,
    /// Part of the samples above the threshold.
    pub up: f64,
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
    jumps: usize,
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
            jumps: 0,
            ups: 0,
            there: 0,
        }
    }

    /// Takes the next samples.
    pub fn push(&mut self, samples: &[f64]) {
        find(self, samples);
    }

    /// Edges up to now, in samples.
    pub fn edges(&self) -> &[f64] {
        &self.edges
    }

    /// Takes a slab that was looked at by itself and follows; whether it could be. Where its levels are others or it
    /// stays within the band, none of its samples is taken.
    pub fn join(&mut self, slab: LooseEdges) -> bool {
        let Some(behind) = slab.finder.filter(|f| f.levels == self.levels) else {
            return false;
        };
        self.push(&slab.head);
        self.edges.extend(behind.edges);
        self.jumps += behind.jumps;
        self.ups += behind.ups;
        self.there += behind.there;
        (self.high, self.crossing) = (behind.high, behind.crossing);
        (self.last, self.next) = (behind.last, behind.next);
        true
    }

    /// Takes the samples to begin with that lie beyond the band where the channel already is: nothing is to be looked
    /// for there. The others are left.
    #[inline(always)]
    fn pass<'s>(&mut self, samples: &'s [f64]) -> &'s [f64] {
        let Some(high) = self.high else {
            return samples;
        };
        let above = high != self.falling;
        let [low, high] = self.levels.ends(self.levels.threshold);
        let count = match above {
            true => lie_between(samples, high, f64::INFINITY),
            false => lie_between(samples, f64::NEG_INFINITY, low),
        };
        let (passed, others) = samples.split_at(count);
        if let Some(last) = passed.last() {
            let count = count as u64;
            self.next += count;
            self.there += count;
            self.ups += if above { count } else { 0 };
            self.last = if self.falling { -last } else { *last };
            self.crossing = None;
        }
        others
    }

    /// Takes a sample; whether it lies beyond the band.
    fn step(&mut self, sample: f64) -> bool {
        let i = self.next as f64;
        self.next += 1;
        if !sample.is_finite() {
            self.last = f64::NAN;
            return false;
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
        let [low, high] = self.levels.ends(threshold);
        let jumps = x - self.last >= JUMP * self.levels.step;
        self.last = x;
        if x <= high && x >= low {
            return false;
        }
        if x > high
            && let (Some(false), Some((first, last))) = (self.high, self.crossing)
        {
            // Noise on a slow edge crosses several times, as often early as late.
            self.edges.push(0.5 * (first + last));
            self.jumps += usize::from(jumps);
        }
        self.high = Some(x > high);
        self.crossing = None;
        true
    }

    /// What was found.
    pub fn finish(self) -> FoundEdges {
        FoundEdges {
            at: self.edges,
            jumps: self.jumps,
            up: self.ups as f64 / self.there.max(1) as f64,
        }
    }
}

impl Levels {
    /// The ends of the band around a threshold.
    fn ends(&self, threshold: f64) -> [f64; 2] {
        let half = 0.5 * self.hysteresis;
        [threshold - half, threshold + half]
    }
}

/// Finds edges among the next samples; compiled for what the processor has, with the same bits.
#[multiversion(targets("x86_64+avx2+avx512f+avx512vl", "x86_64+avx2"))]
fn find(finder: &mut EdgeFinder, samples: &[f64]) {
    let mut left = finder.pass(samples);
    while let Some((now, later)) = left.split_first() {
        left = match finder.step(*now) {
            true => finder.pass(later),
            false => later,
        };
    }
}

/// How many samples to begin with lie between two ends.
#[inline(always)]
fn lie_between(samples: &[f64], low: f64, high: f64) -> usize {
    let lies = |x: &f64| (*x > low) & (*x < high);
    let (groups, _) = samples.as_chunks::<SIDE>();
    let mut count = 0;
    for group in groups {
        let mut all = true;
        for x in group {
            all &= lies(x);
        }
        if !all {
            break;
        }
        count += SIDE;
    }
    while samples.get(count).is_some_and(lies) {
        count += 1;
    }
    count
}

/// Edges of a slab by itself. Behind the first sample beyond the band it is of no matter what comes before the slab;
/// up to there samples are held until that is known.
#[derive(Clone, Debug)]
pub struct LooseEdges {
    /// Has taken no sample.
    empty: EdgeFinder,
    /// Samples up to the first beyond the band.
    head: Vec<f64>,
    /// Takes those behind it.
    finder: Option<EdgeFinder>,
}

/// Most samples that are held.
const MOST_HELD: usize = 1 << 15;

impl LooseEdges {
    /// Looks for edges as a finder does, in a slab whose first sample has the index `first`.
    pub fn new(like: &EdgeFinder, first: u64) -> Self {
        LooseEdges {
            empty: EdgeFinder::new(like.levels, like.falling, first),
            head: Vec::new(),
            finder: None,
        }
    }

    /// Takes the next samples of the slab.
    pub fn push(&mut self, mut samples: &[f64]) {
        if self.finder.is_none() && self.head.len() < MOST_HELD {
            let mut first = self.empty.clone();
            let held = samples.iter().position(|x| first.step(*x));
            let (head, behind) = samples.split_at(held.map_or(samples.len(), |at| at + 1));
            self.head.extend_from_slice(head);
            self.empty.next += head.len() as u64;
            samples = behind;
            self.finder = held.map(|_| EdgeFinder {
                high: first.high,
                last: first.last,
                ..self.empty.clone()
            });
        }
        if let Some(finder) = &mut self.finder {
            finder.push(samples);
        }
    }
}
