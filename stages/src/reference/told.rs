//! How a reference was taken, as a sentence.

use std::f64::consts::TAU;

use phasemill_engine::lineage::stated;
use phasemill_engine::stage::Told;

use super::{Settings, Shape};

impl Settings {
    pub(super) fn told(&self, inputs: &[Told<'_>]) -> Option<String> {
        let of = inputs.first()?.name;
        let near = |near: &Option<f64>| match near {
            Some(f) => format!(", near {}", stated(*f, "Hz")),
            None => String::new(),
        };
        let mut text = match &self.shape {
            Shape::Square { falling, .. } => format!(
                "The phase of the reference was taken from the {} edges of {of}, found with hysteresis and placed \
                 between samples by linear interpolation",
                if *falling { "falling" } else { "rising" }
            ),
            Shape::Sine { near: f, periods } => format!(
                "The phase of the reference was taken from three-parameter sine fits (IEEE Std 1057) to {of} over \
                 blocks of {periods} periods{}",
                near(f)
            ),
            Shape::Stated { frequency, phase } => format!(
                "A reference of {} with a phase of {} at the first sample was computed",
                stated(*frequency, "Hz"),
                stated(phase * TAU, "deg")
            ),
            Shape::Free { near: f } => format!(
                "No reference was recorded: its frequency and phase were taken from a four-parameter sine fit \
                 (IEEE Std 1057) to {of} itself{}",
                near(f)
            ),
        };
        if let (Some(f), false) = (self.expect, matches!(self.shape, Shape::Stated { .. })) {
            text += &format!(
                "; a frequency more than {} from {} would have been rejected",
                stated(self.tolerance, "%"),
                stated(f, "Hz")
            );
        }
        Some(text + ".")
    }
}
