//! Samples that stand still: a converter or a buffer that stopped goes on giving one value, or zeros.
//!
//! Noise that dithers the converter never leaves a window of samples at one value, so that a window of which all samples
//! are there, alike and not at full scale was not measured, or only without noise. Only whole windows that lie at fixed samples
//! are counted, so that what is found does not depend on how samples are read, as long as they are read in their order or
//! apart where windows end.

use super::ends::WINDOW;

/// Where samples stand still.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Still {
    /// Samples in windows of one value.
    pub samples: u64,
    /// Index in the point of the first of them.
    pub first: Option<u64>,
    /// Where a window that stood still so far goes on, and its value.
    begun: Option<(u64, f64)>,
}

impl Still {
    /// Takes in the next samples of a window, `count` of them from `at`, and their value where they all have one.
    pub(super) fn take(&mut self, at: u64, count: usize, value: Option<f64>) {
        let goes_on = |value: &f64| at.is_multiple_of(WINDOW) || self.begun == Some((at, *value));
        let end = at + count as u64;
        self.begun = value.filter(goes_on).map(|value| (end, value));
        if self.begun.is_some() && end.is_multiple_of(WINDOW) {
            self.begun = None;
            self.samples += WINDOW;
            self.first.get_or_insert(end - WINDOW);
        }
    }

    /// Takes in what was seen from the beginning of a later window on.
    pub(super) fn merge(&mut self, later: &Still) {
        self.samples += later.samples;
        self.first = self.first.or(later.first);
        self.begun = later.begun;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What is found in values, read in pieces of a length that end where windows do.
    fn found(values: &[f64], length: usize) -> Still {
        let mut still = Still::default();
        let mut at = 0;
        for window in values.chunks(WINDOW as usize) {
            for piece in window.chunks(length) {
                let alike = piece.iter().all(|v| *v == piece[0]);
                still.take(at, piece.len(), alike.then_some(piece[0]));
                at += piece.len() as u64;
            }
        }
        still
    }

    #[test]
    fn whole_windows_of_one_value_are_counted_however_they_are_read() {
        let window = WINDOW as usize;
        let moving = |i: usize| i as f64;
        // Still from within window 1 to within window 4, and in all of window 6 but its last sample.
        let mut values: Vec<f64> = (0..8 * window).map(moving).collect();
        values[window + 5..4 * window + 100].fill(3.0);
        values[6 * window..7 * window - 1].fill(7.0);
        for length in [1, 7, 1000, window] {
            let still = found(&values, length);
            assert_eq!(
                (still.samples, still.first),
                (2 * WINDOW, Some(2 * WINDOW)),
                "{length}"
            );
        }
        // Two values within a window, each of which stands still.
        values[window..2 * window].fill(1.0);
        values[window + 1000..2 * window].fill(2.0);
        for length in [1, 500, 1000, window] {
            assert_eq!(found(&values, length).samples, 2 * WINDOW, "{length}");
        }
    }

    #[test]
    fn a_window_that_a_gap_interrupts_is_not_whole() {
        let mut still = Still::default();
        still.take(0, 100, Some(1.0));
        still.take(200, WINDOW as usize - 200, Some(1.0));
        assert_eq!(still, Still::default());
        let mut later = Still::default();
        later.take(WINDOW, WINDOW as usize, Some(1.0));
        still.merge(&later);
        assert_eq!((still.samples, still.first), (WINDOW, Some(WINDOW)));
    }
}
