//! What is counted while samples are converted.

/// What was seen in some samples of a point.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Counters {
    /// Samples missing: not a finite number, the code for a missing sample, or in a gap.
    pub missing: u64,
    /// Samples at full scale, or within one code of it.
    pub clipped: u64,
    /// Index of the first missing sample in the point.
    pub first_missing: Option<u64>,
    /// Index of the first sample at full scale in the point.
    pub first_clipped: Option<u64>,
    /// Smallest value, in SI units.
    pub minimum: Option<f64>,
    /// Largest value, in SI units.
    pub maximum: Option<f64>,
}

impl Counters {
    /// Takes in what was seen in later samples.
    pub fn merge(&mut self, later: &Counters) {
        self.missing += later.missing;
        self.clipped += later.clipped;
        self.first_missing = self.first_missing.or(later.first_missing);
        self.first_clipped = self.first_clipped.or(later.first_clipped);
        self.range(later.minimum.as_slice());
        self.range(later.maximum.as_slice());
    }

    /// Takes in the range of some values; eight at a time, which processors do at once.
    pub(super) fn range(&mut self, values: &[f64]) {
        let mut low = [f64::INFINITY; 8];
        let mut high = [f64::NEG_INFINITY; 8];
        let (eights, rest) = values.as_chunks::<8>();
        let mut take = |lane: usize, value: f64| {
            // NaN is neither below nor above.
            low[lane] = if value < low[lane] { value } else { low[lane] };
            high[lane] = if value > high[lane] {
                value
            } else {
                high[lane]
            };
        };
        for eight in eights {
            for (lane, &value) in eight.iter().enumerate() {
                take(lane, value);
            }
        }
        rest.iter().for_each(|&value| take(0, value));
        let low = low.into_iter().fold(f64::INFINITY, f64::min);
        let high = high.into_iter().fold(f64::NEG_INFINITY, f64::max);
        if low <= high {
            // Adding 0 makes -0 to 0, whichever of them came first.
            self.minimum = Some(self.minimum.map_or(low, |m| m.min(low)) + 0.0);
            self.maximum = Some(self.maximum.map_or(high, |m| m.max(high)) + 0.0);
        }
    }
}
