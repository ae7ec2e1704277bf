//! What is counted while samples are converted, and what is said of it.

use super::ChannelHeader;
use super::ends::{CutOff, Ends, WINDOW};
use super::spans::Spans;
use super::still::Still;
use crate::diagnostic::counted;
use crate::units::{Unit, format_quantity};

/// Steps of the converter that noise spans which leaves no trace of them. Its error is white, and independent of the
/// signal, where noise of at least about half a step rms dithers it (B. Widrow, I. Kollár, Quantization Noise, Cambridge
/// University Press 2008, from memory). Gaussian noise of 0.6 steps is farther than two steps from its mean once in 1200
/// samples (3.3 standard deviations), so that among [`ENOUGH`] it spans fewer than four steps with a chance below
/// 0.1 %, wherever the mean lies between two codes.
const SPANNED: f64 = 4.0;
/// Samples that have to be looked at for that.
const ENOUGH: u64 = 8192;

/// What was seen in some samples of a point.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Counters {
    /// Samples missing: not a finite number, the code for a missing sample, or in a gap.
    pub missing: u64,
    /// Those of them that are infinite.
    pub infinite: u64,
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
    /// What was seen at both.
    pub ends: Ends,
    /// Where samples stand still.
    pub still: Still,
    /// Where they stick out.
    pub spans: Spans,
}

impl Counters {
    /// Takes in what was seen in later samples. The first of them begins a window of `WINDOW` samples.
    pub fn merge(&mut self, later: &Counters) {
        self.missing += later.missing;
        self.infinite += later.infinite;
        self.clipped += later.clipped;
        self.first_missing = self.first_missing.or(later.first_missing);
        self.first_clipped = self.first_clipped.or(later.first_clipped);
        self.range(later.minimum.zip(later.maximum));
        self.ends.merge(&later.ends);
        self.still.merge(&later.still);
        self.spans.merge(&later.spans);
    }

    /// How many steps of the converter the samples span, where that is something and too little for noise to dither it.
    pub fn spanned(&self, header: &ChannelHeader) -> Option<u64> {
        let range = self.maximum? - self.minimum?;
        let steps = (range / header.step()?).round();
        let few = steps > 0.0 && steps < SPANNED && self.ends.looked_at() >= ENOUGH;
        few.then_some(steps as u64)
    }

    /// Where the signal seems to have been cut off below full scale.
    pub fn cut_off(&self) -> Vec<CutOff> {
        match (self.minimum, self.maximum) {
            (Some(low), Some(high)) if self.clipped == 0 => self.ends.cut_off(low, high).collect(),
            _ => Vec::new(),
        }
    }

    /// What a user is to know of a channel. A reference may well stand at its levels.
    pub fn remarks(&self, header: &ChannelHeader, is_reference: bool) -> Vec<String> {
        let mut remarks = self.oddities(header, is_reference);
        if let (Some(low), Some(high)) = (self.minimum, self.maximum)
            && low == high
        {
            remarks.push(format!(
                "all samples are {}: nothing was recorded; check the cable, the detector and the range of the converter",
                in_unit(low, &header.unit)
            ));
        }
        remarks
    }

    /// What is odd with some of the samples: at full scale, missing, cut off, standing still, in a few
    /// coarse steps, or sticking out.
    pub fn oddities(&self, header: &ChannelHeader, is_reference: bool) -> Vec<String> {
        let unit = &header.unit;
        let mut oddities = Vec::new();
        if let Some(first) = self.first_clipped {
            oddities.push(format!(
                "{} at full scale, the first at sample {first}: amplitudes are too small there",
                counted(self.clipped, "sample")
            ));
        }
        if let Some(first) = self.first_missing {
            let infinite = match self.infinite {
                0 => String::new(),
                n if n == self.missing => " (infinite)".into(),
                n => format!(" ({n} infinite)"),
            };
            oddities.push(format!(
                "{} missing{infinite}, the first at sample {first}",
                counted(self.missing, "sample")
            ));
        }
        if is_reference {
            return oddities;
        }
        for cut in self.cut_off() {
            let which = if cut.is_largest {
                "largest"
            } else {
                "smallest"
            };
            oddities.push(format!(
                "{:.2} % of the samples stand at the {which} value, {}, and hardly any next to it: the signal seems to be cut \
                 off before the converter, so that amplitudes are too small; use less gain there, and record again",
                100.0 * cut.part,
                in_unit(cut.value, unit)
            ));
        }
        if let (Some(steps), Some(step)) = (self.spanned(header), header.step()) {
            oddities.push(format!(
                "the samples span {} of the converter, of {}: noise is below half a step rms and does not dither it, so that \
                 an amplitude of a few steps may come out too small, too large or not at all, which the uncertainty does not \
                 tell; use more gain before the converter, or a smaller range of it, and record again",
                counted(steps, "step"),
                in_unit(step, unit)
            ));
        } else if let Some(first) = self.still.first.filter(|_| self.minimum != self.maximum) {
            oddities.push(format!(
                "at least {} stand still, {WINDOW} or more in a row at one value, the first at or before sample {first}: what a converter or a \
                 buffer that stopped leaves holds no signal, so that amplitudes are too small by its part of the point; \
                 compare with the other channels there, and leave the point out or record again",
                counted(self.still.samples, "sample")
            ));
        }
        if let Some(out) = self.spans.stick_out() {
            let more = match out.windows {
                1 => String::new(),
                all => format!(" ({all} such windows in all)"),
            };
            oddities.push(format!(
                "samples stick out, as a spike or a loose contact does: the window of {WINDOW} samples from sample {} on spans \
                 {}{more}, where no other spans more than {}; averages hold them, which their uncertainty tells only in \
                 part; look at them, and leave the point out or record again",
                out.start,
                in_unit(out.size, unit),
                in_unit(out.others, unit)
            ));
        }
        oddities
    }

    /// Takes in the smallest and largest of some values.
    pub(super) fn range(&mut self, ends: Option<(f64, f64)>) {
        if let Some((low, high)) = ends {
            // Adding 0 makes -0 to 0, whichever of them came first.
            self.minimum = Some(self.minimum.map_or(low, |m| m.min(low)) + 0.0);
            self.maximum = Some(self.maximum.map_or(high, |m| m.max(high)) + 0.0);
        }
    }
}

/// The smallest and largest of some values; eight at a time, which processors do at once.
pub(super) fn ends_of(values: &[f64]) -> Option<(f64, f64)> {
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
    (low <= high).then_some((low, high))
}

fn in_unit(value: f64, unit: &Unit) -> String {
    format_quantity(value, &unit.to_coherent(), 5)
}
