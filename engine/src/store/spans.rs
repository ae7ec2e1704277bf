//! Samples that stick out: a spike, a loose contact, something that was switched.
//!
//! Noise and signals span about as much in every window of a recording. Where a few windows span many times more than
//! all others, something else happened there. Only whole windows that lie at fixed samples are looked at, so that what is
//! found does not depend on how samples are read, as long as they are read in their order or apart where windows end.

use super::ends::WINDOW;

/// Windows that may stick out.
const FEW: usize = 16;

/// How many times more they span than all others. Gaussian noise spans some seven standard deviations in a window, so that a
/// spike of 70 of them is found. Among 200 000 samples it shifts their mean by seven times 1/sqrt(n) of it (common practice,
/// no source).
const TIMES: f64 = 10.0;

/// At most one window in so many may stick out.
const OF: u64 = 8;

/// How much the samples of a window span.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Span {
    size: f64,
    /// First sample of the window.
    start: u64,
}

/// What windows span.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Spans {
    /// The largest, the largest first.
    largest: [Span; FEW + 1],
    windows: u64,
    /// Where a window goes on that was whole so far, and its smallest and largest value.
    begun: Option<(u64, f64, f64)>,
}

/// Windows that stick out.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SticksOut {
    /// How many.
    pub windows: usize,
    /// First sample of the one that spans most.
    pub start: u64,
    /// What that one spans.
    pub size: f64,
    /// The most that any other window spans.
    pub others: f64,
}

impl Spans {
    /// Takes in the next samples of a window, `count` of them from `at`, and the smallest and largest value, where all of
    /// them are there.
    pub(super) fn take(&mut self, at: u64, count: usize, ends: Option<(f64, f64)>) {
        let goes_on = self.begun.take().filter(|(next, ..)| *next == at);
        let before = match (at.is_multiple_of(WINDOW), goes_on) {
            (true, _) => Some((f64::INFINITY, f64::NEG_INFINITY)),
            (false, before) => before.map(|(_, low, high)| (low, high)),
        };
        let Some(((low, high), (least, most))) = before.zip(ends) else {
            return;
        };
        let (low, high, end) = (low.min(least), high.max(most), at + count as u64);
        if end.is_multiple_of(WINDOW) {
            self.windows += 1;
            self.insert(Span {
                size: high - low,
                start: end - WINDOW,
            });
        } else {
            self.begun = Some((end, low, high));
        }
    }

    fn insert(&mut self, span: Span) {
        // Of equal ones the first stays before the others.
        let place = self.largest.partition_point(|held| held.size >= span.size);
        if let Some(behind) = self.largest.get_mut(place..) {
            behind.rotate_right(usize::from(!behind.is_empty()));
            if let Some(held) = behind.first_mut() {
                *held = span;
            }
        }
    }

    /// Takes in what was seen from the beginning of a later window on.
    pub(super) fn merge(&mut self, later: &Spans) {
        later.largest.iter().for_each(|span| self.insert(*span));
        self.windows += later.windows;
        self.begun = later.begun;
    }

    /// The windows that stick out, if some do.
    pub fn stick_out(&self) -> Option<SticksOut> {
        let most = FEW.min((self.windows / OF) as usize);
        let pairs = self.largest.windows(2).take(most).zip(1..);
        let apart = |(pair, _): &(&[Span], usize)| match pair {
            [large, next] => next.size > 0.0 && large.size >= TIMES * next.size,
            _ => false,
        };
        let (pair, windows) = pairs.filter(apart).last()?;
        let [first, ..] = self.largest;
        Some(SticksOut {
            windows,
            start: first.start,
            size: first.size,
            others: pair.last()?.size,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What is found in values, read in pieces of a length that end where windows do, on so many threads.
    fn found(values: &[f64], length: usize, threads: usize) -> Option<SticksOut> {
        let window = WINDOW as usize;
        let mut all = Spans::default();
        let share = (values.len() / window).div_ceil(threads) * window;
        for (part, values) in values.chunks(share).enumerate() {
            let mut own = Spans::default();
            let mut at = (part * share) as u64;
            for window in values.chunks(window) {
                for piece in window.chunks(length) {
                    let low = piece.iter().copied().fold(f64::INFINITY, f64::min);
                    let high = piece.iter().copied().fold(f64::NEG_INFINITY, f64::max);
                    own.take(at, piece.len(), Some((low, high)));
                    at += piece.len() as u64;
                }
            }
            all.merge(&own);
        }
        all.stick_out()
    }

    #[test]
    fn spikes_are_found_however_samples_are_read() {
        let window = WINDOW as usize;
        // Alternates by 2, and by up to a tenth more in later windows.
        let sign = |i: usize| 1.0 - 2.0 * (i % 2) as f64;
        let mut values: Vec<f64> = (0..40 * window)
            .map(|i| sign(i) * (1.0 + i as f64 / (400 * window) as f64))
            .collect();
        for length in [1, 1000, window] {
            assert_eq!(found(&values, length, 1), None);
        }
        values[3 * window + 1] = 40.0;
        values[30 * window + 7] = -90.0;
        let expected = SticksOut {
            windows: 2,
            start: 30 * WINDOW,
            size: 90.0 + (1.0 + (31 * window - 2) as f64 / (400 * window) as f64),
            others: 2.0 * (1.0 + (40 * window - 2) as f64 / (400 * window) as f64)
                + 1.0 / (400 * window) as f64,
        };
        for (length, threads) in [(1, 1), (1000, 1), (window, 1), (window, 3), (100, 7)] {
            let found = found(&values, length, threads).expect("found");
            assert_eq!((found.windows, found.start), (2, 30 * WINDOW));
            // A few roundings of numbers near 100.
            assert!((found.size - expected.size).abs() < 1e-12, "{found:?}");
            assert!((found.others - expected.others).abs() < 1e-12, "{found:?}");
        }
    }

    #[test]
    fn what_happens_often_does_not_stick_out() {
        let window = WINDOW as usize;
        let mut values: Vec<f64> = (0..40 * window).map(|i| (i % 3) as f64).collect();
        (0..6).for_each(|w| values[6 * w * window] = 100.0);
        assert_eq!(found(&values, window, 1), None);
        values[0] = 0.0;
        assert_eq!(found(&values, window, 1).map(|f| f.windows), Some(5));
    }

    #[test]
    fn a_window_in_which_samples_are_missing_is_not_looked_at() {
        let mut spans = Spans::default();
        for window in 0..20 {
            let at = window * WINDOW;
            spans.take(at, 1000, Some((0.0, 1.0)));
            let whole = window != 5;
            spans.take(at + 1000, 48, whole.then_some((0.0, 1.0)));
            spans.take(at + 1048, 1000, Some((0.0, if whole { 1.0 } else { 90.0 })));
        }
        assert_eq!((spans.windows, spans.stick_out()), (19, None));
    }
}
