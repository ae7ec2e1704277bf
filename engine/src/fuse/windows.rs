//! How the samples between two that are kept are cut: into windows of equally many places, the last of which ends
//! where they end. The first window may have places in front that hold no sample.

use super::lanes::LANES;

/// Most places of a window.
pub const MOST_PLACES: usize = 256;

/// The windows of a stretch of samples, from one that is kept to the next.
#[derive(Clone, Copy, Debug)]
pub struct Windows {
    /// Samples of a stretch.
    pub every: u64,
    /// Places of a window, a whole number of groups on either side of its middle.
    pub places: u64,
    /// Windows of a stretch.
    pub count: u64,
}

/// A window: its samples, and how many windows of the stretch lie behind it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Window {
    /// The first sample.
    pub start: u64,
    /// Behind the last one.
    pub end: u64,
    /// Windows behind it.
    pub behind: u64,
}

impl Windows {
    /// Windows that hold `every` samples with few places left over.
    pub fn new(every: u64) -> Self {
        let sides = 2 * LANES as u64;
        let count = every.div_ceil(MOST_PLACES as u64);
        let places = every.div_ceil(count * sides) * sides;
        Windows {
            every,
            places,
            count: every.div_ceil(places),
        }
    }

    /// The window that holds a sample.
    pub fn of(&self, sample: u64) -> Window {
        let from = sample - sample % self.every;
        let until = from + self.every;
        let behind = (until - 1 - sample) / self.places;
        let end = until - behind * self.places;
        Window {
            start: end.saturating_sub(self.places).max(from),
            end,
            behind,
        }
    }

    /// The window behind another one.
    pub fn next(&self, window: Window) -> Window {
        let Window { end, behind, .. } = window;
        match behind.checked_sub(1) {
            Some(behind) => Window {
                start: end,
                end: end + self.places,
                behind,
            },
            None => self.of(end),
        }
    }

    /// Whether a sample in a window is the first of its stretch.
    pub fn is_first(&self, sample: u64, window: Window) -> bool {
        sample == window.start && window.behind + 1 == self.count
    }
}

impl Window {
    /// How many samples it has.
    pub fn samples(&self) -> usize {
        (self.end - self.start) as usize
    }
}
