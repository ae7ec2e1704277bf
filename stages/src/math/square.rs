//! A square or pulse channel as it streams by: its levels, and its edges.

use std::borrow::Cow;

use super::edges::EdgeTrain;
use super::finder::{EdgeFinder, FoundEdges, LooseEdges};
use super::ranks::{Extent, Ranks, extent};

/// Thresholds of a square channel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Levels {
    /// Where an edge is placed.
    pub threshold: f64,
    /// Width of the band around it that must be crossed in full.
    pub hysteresis: f64,
    /// How far apart the levels are; infinite where that is not looked for.
    pub step: f64,
}

impl Levels {
    /// Levels from a stretch of samples: the threshold midway between the medians of the low and the
    /// high samples, and a fifth of their distance as hysteresis. The first cut between low and high
    /// is midway between the outermost thousandths, so single spikes do not move it. `None` when the
    /// samples do not have two levels.
    pub fn of(samples: &[f64]) -> Option<Levels> {
        let there = finite(samples);
        let last = there.len().checked_sub(1)? as f64;
        let ranks = Ranks::new(&there);
        let low = ranks.of((last * 0.001) as usize)?;
        let high = ranks.of((last * 0.999) as usize)?;
        let middle = low + 0.5 * (high - low);
        let below = there.iter().filter(|x| **x < middle).count();
        let above = there.len() - below;
        if high <= low || below == 0 || above == 0 {
            return None;
        }
        let (low, high) = (ranks.of(below / 2)?, ranks.of(below + above / 2)?);
        Some(Levels {
            threshold: low + 0.5 * (high - low),
            hysteresis: HYSTERESIS * (high - low),
            step: high - low,
        })
    }
}

/// The samples that are there.
fn finite(samples: &[f64]) -> Cow<'_, [f64]> {
    let there = samples.iter().filter(|x| x.is_finite());
    match there.clone().count() == samples.len() {
        true => Cow::Borrowed(samples),
        false => Cow::Owned(there.copied().collect()),
    }
}

/// Hysteresis as a part of the step between the levels (common practice, no source).
const HYSTERESIS: f64 = 0.2;

/// Samples that are looked at together for their levels.
pub(super) const WINDOW: usize = 1 << 20;

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
    /// Hysteresis of the levels that were found; without end where none are looked for.
    found: f64,
    finder: Option<EdgeFinder>,
}

impl SquareChannel {
    /// A channel whose threshold and hysteresis are found where they are not given.
    pub fn new(threshold: Option<f64>, hysteresis: Option<f64>, falling: bool) -> Self {
        let given = threshold.zip(hysteresis);
        let levels = given.map(|(threshold, hysteresis)| Levels {
            threshold,
            hysteresis,
            step: f64::INFINITY,
        });
        SquareChannel {
            threshold,
            hysteresis,
            falling,
            window: Vec::new(),
            gathering: levels.is_none(),
            passed: 0,
            found: if levels.is_some() { f64::INFINITY } else { 0.0 },
            finder: levels.map(|levels| EdgeFinder::new(levels, falling, 0)),
        }
    }

    /// Takes the next samples.
    pub fn push(&mut self, mut samples: &[f64]) {
        while !samples.is_empty() {
            let wanted = if self.gathering { WINDOW } else { GLANCE };
            let missing = wanted - self.window.len();
            let (now, later) = samples.split_at(samples.len().min(missing));
            self.window.extend_from_slice(now);
            samples = later;
            if self.window.len() < wanted {
                continue;
            }
            if self.gathering {
                self.look();
            } else if self.is_wide(&self.window) {
                self.gathering = true;
            } else {
                self.advance();
            }
        }
    }

    /// What was found.
    pub fn finish(mut self) -> FoundEdges {
        self.look();
        self.finder
            .map_or_else(FoundEdges::default, EdgeFinder::finish)
    }

    /// Looks at the slab that begins at a sample by itself, where levels are known.
    pub fn slab(&self, start: u64) -> Option<SquareSlab> {
        let known = !self.gathering && self.found > 0.0;
        let finder = self.finder.as_ref().filter(|_| known)?;
        Some(SquareSlab {
            start,
            seen: 0,
            found: self.found,
            extent: Extent::default(),
            wide: false,
            edges: LooseEdges::new(finder, start),
        })
    }

    /// Takes the next samples as a slab that was looked at by itself, if that gives what they give; whether it did.
    pub fn take(&mut self, slab: SquareSlab) -> bool {
        let follows = slab.start == self.passed && self.window.is_empty() && !self.gathering;
        let whole = slab.seen.is_multiple_of(GLANCE) && !slab.wide;
        let Some(finder) = self.finder.as_mut().filter(|_| follows && whole) else {
            return false;
        };
        let taken = slab.found == self.found && finder.join(slab.edges);
        self.passed += if taken { slab.seen as u64 } else { 0 };
        taken
    }

    /// Looks for levels in what was gathered, and for edges.
    fn look(&mut self) {
        let window = std::mem::take(&mut self.window);
        if let Some(levels) = self.levels(&window) {
            self.finder = Some(EdgeFinder::new(levels, self.falling, self.passed));
        }
        self.window = window;
        self.advance();
        self.gathering = self.finder.is_none();
    }

    /// Looks for edges in what was gathered.
    fn advance(&mut self) {
        if let Some(finder) = &mut self.finder {
            finder.push(&self.window);
        }
        self.passed += self.window.len() as u64;
        self.window.clear();
    }

    /// Whether samples scatter so widely that the levels may be others.
    fn is_wide(&self, samples: &[f64]) -> bool {
        let (mut low, mut high) = extent(samples);
        if low.is_infinite() || high.is_infinite() {
            (low, high) = extent(&finite(samples));
        }
        is_wide((low, high), self.found)
    }

    /// Levels to go on with from here, unless those there are will do.
    fn levels(&mut self, window: &[f64]) -> Option<Levels> {
        let steady = |finder: &EdgeFinder| {
            EdgeTrain::analyse(finder.edges()).is_some_and(|train| train.is_steady())
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
            step: self.found / HYSTERESIS,
        })
    }
}

/// Whether samples between such ends scatter so widely that their levels may be others than those found.
fn is_wide((low, high): (f64, f64), found: f64) -> bool {
    HYSTERESIS * (high - low) > LARGER * found
}

/// A slab of a square channel that is looked at by itself.
#[derive(Clone, Debug)]
pub struct SquareSlab {
    start: u64,
    /// Samples so far.
    seen: usize,
    /// Hysteresis of the levels that were found when it began.
    found: f64,
    /// Ends of what was seen of a glance.
    extent: Extent,
    /// Whether the levels may be others.
    wide: bool,
    edges: LooseEdges,
}

impl SquareSlab {
    /// Samples so far.
    pub fn seen(&self) -> u64 {
        self.seen as u64
    }

    /// Takes the next samples of the slab.
    pub fn push(&mut self, samples: &[f64]) {
        self.edges.push(samples);
        let mut rest = samples;
        while !rest.is_empty() {
            let missing = GLANCE - self.seen % GLANCE;
            let (now, later) = rest.split_at(rest.len().min(missing));
            self.extent.widen(now);
            self.seen += now.len();
            if now.len() == missing {
                let (low, high) = std::mem::take(&mut self.extent).ends();
                self.wide |= low.is_infinite() || high.is_infinite();
                self.wide |= is_wide((low, high), self.found);
            }
            rest = later;
        }
    }
}

#[cfg(test)]
#[path = "square_tests.rs"]
mod tests;
