//! A gain and phase against frequency, as a calibration certificate tabulates them.

use std::sync::Arc;

use num_complex::Complex64;

use super::{Constant, read_origin};
use crate::diagnostic::Code;
use crate::text::{Range, Reader};
use crate::value::{About, Part};

/// A complex gain at some frequencies, ascending.
#[derive(Clone, Debug, PartialEq)]
pub struct GainTable {
    /// Frequencies in Hz.
    pub frequency: Vec<f64>,
    /// Gains in SI units.
    pub gain: Vec<f64>,
    /// Phases in radians; positive where the output leads.
    pub phase: Vec<f64>,
    /// What is known of the uncertainty; `None` when the recipe states none.
    pub uncertainty: Option<TableUncertainty>,
}

/// Standard uncertainties of a table: relative ones of the gain, and of the phase in radians.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TableUncertainty {
    /// Of each entry by itself.
    pub own: GainAndPhase,
    /// Common to all entries.
    pub common: GainAndPhase,
}

/// A relative uncertainty of a gain and one of its phase.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct GainAndPhase {
    /// Relative, of the gain.
    pub gain: f64,
    /// In radians, of the phase.
    pub phase: f64,
}

/// The gain at one frequency.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Interpolated {
    /// The complex gain in SI units.
    pub gain: Complex64,
    /// Relative change of the complex gain with a relative change of the frequency.
    pub slope: Complex64,
    /// The entry below, and how much it and the next one weigh.
    pub weights: (usize, [f64; 2]),
}

impl GainTable {
    /// Lowest and highest frequency in Hz.
    pub fn range(&self) -> (f64, f64) {
        let ends = (self.frequency.first(), self.frequency.last());
        (*ends.0.unwrap_or(&f64::NAN), *ends.1.unwrap_or(&f64::NAN))
    }

    /// The gain at a frequency in Hz: logarithm of the gain, and phase, on straight lines against the
    /// logarithm of the frequency, so that slopes in dB per octave stay what they are. `None` outside the table.
    pub fn at(&self, frequency: f64) -> Option<Interpolated> {
        let (low, high) = self.range();
        if !(low..=high).contains(&frequency) {
            return None;
        }
        let above = self.frequency.partition_point(|f| *f <= frequency);
        let k = above
            .saturating_sub(1)
            .min(self.frequency.len().checked_sub(2)?);
        let step = libm::log(self.frequency[k + 1] / self.frequency[k]);
        let w = libm::log(frequency / self.frequency[k]) / step;
        let rise = libm::log(self.gain[k + 1] / self.gain[k]);
        let turn = self.phase[k + 1] - self.phase[k];
        let size = self.gain[k] * libm::exp(w * rise);
        let phase = self.phase[k] + w * turn;
        Some(Interpolated {
            gain: Complex64::new(size * libm::cos(phase), size * libm::sin(phase)),
            slope: Complex64::new(rise, turn) / step,
            weights: (k, [1.0 - w, w]),
        })
    }

    /// What the stated uncertainties do to the logarithm of the gain there: real parts are relative changes
    /// of its size, imaginary ones turn it. Two neighbours share their entries, all share the common part.
    pub fn parts(&self, about: &Arc<About>, found: &Interpolated) -> Vec<Part> {
        let Some(u) = self.uncertainty else {
            return Vec::new();
        };
        let (below, weights) = found.weights;
        let entries = weights.iter().zip(below..);
        let own = entries.map(|(w, k)| (u.own.gain * w, u.own.phase * w, 2 + 2 * k as u32));
        let all = std::iter::once((u.common.gain, u.common.phase, 0)).chain(own);
        let both = all.flat_map(|(gain, phase, index)| {
            [
                Part::new(about, index, gain),
                Part::new(about, index + 1, Complex64::new(0.0, phase)),
            ]
        });
        both.filter(|p| p.effect.norm_sqr() > 0.0).collect()
    }

    pub(super) fn uncertainty_in_words(&self) -> String {
        let Some(u) = self.uncertainty else {
            return "not stated".into();
        };
        let pair = |c: GainAndPhase| {
            format!(
                "{} % and {} deg",
                shown(100.0 * c.gain),
                shown(c.phase.to_degrees())
            )
        };
        format!("{} of each entry, {} common", pair(u.own), pair(u.common))
    }

    pub(super) fn canonical(&self) -> String {
        let u = self.uncertainty.map_or("none".into(), |u| {
            format!(
                "{:?}, {:?} each and {:?}, {:?} common",
                u.own.gain, u.own.phase, u.common.gain, u.common.phase
            )
        });
        format!(
            "table of {:?} Hz, {:?}, {:?} rad (u {u})",
            self.frequency, self.gain, self.phase
        )
    }
}

/// A percentage or an angle, without the digits that its conversion left.
fn shown(x: f64) -> f64 {
    (x * 1e9).round() / 1e9
}

/// Reads `Table(frequency: ["10 Hz", ...], gain: ["1.02e6 V/A", ...], phase: ["-1.2 deg", ...], ...)`.
pub(super) fn read(r: &mut Reader<'_>) -> Constant {
    let frequency = r
        .setting("frequency", "frequencies, ascending")
        .quantities("Hz", Range::Positive);
    let gains = r
        .setting("gain", "gain at each of them, of one dimension")
        .factors();
    let phase = r
        .setting(
            "phase",
            "phase at each of them, positive where the output leads; 0 where left out",
        )
        .optional()
        .map(|s| s.quantities("deg", Range::Any));
    let part = |r: &mut Reader<'_>, name, doc, unit| {
        let given = r.setting(name, doc).optional();
        given.map(|s| s.quantity(unit, Range::NotNegative))
    };
    let own = part(
        r,
        "standard_uncertainty",
        "relative standard uncertainty of each gain by itself",
        "1",
    );
    let own_phase = part(
        r,
        "phase_uncertainty",
        "standard uncertainty of each phase by itself",
        "deg",
    );
    let common = part(
        r,
        "common_uncertainty",
        "relative standard uncertainty common to all gains",
        "1",
    );
    let common_phase = part(
        r,
        "common_phase_uncertainty",
        "standard uncertainty common to all phases",
        "deg",
    );
    let mut refuse = |setting: &str, code, message: String, help: &str| {
        r.fault(setting, code, message, help);
    };
    let count = frequency.len();
    if count < 2 || frequency.windows(2).any(|f| f[0] >= f[1]) {
        let message =
            format!("expected two frequencies or more, each above the one before, found {count}");
        refuse(
            "frequency",
            Code::OutOfRange,
            message,
            "sort the table, and name each frequency once",
        );
    }
    let phase = phase.unwrap_or_else(|| vec![0.0; count]);
    for (setting, found) in [("gain", gains.len()), ("phase", phase.len())] {
        if found != count {
            let message =
                format!("expected as many entries as frequencies, {count}, found {found}");
            refuse(
                setting,
                Code::OutOfRange,
                message,
                "give one entry per frequency",
            );
        }
    }
    let first = gains.first().cloned().unwrap_or_else(Constant::one);
    if let Some(other) = gains.iter().find(|g| !g.unit.same_dimension(&first.unit)) {
        let message = format!("expected gains in {}, found `{}`", first.unit, other.text);
        refuse(
            "gain",
            Code::Unit,
            message,
            "give all gains in units of one dimension",
        );
    }
    if let Some(other) = gains.iter().find(|g| g.value <= 0.0) {
        let message = format!("expected gains greater than zero, found `{}`", other.text);
        refuse(
            "gain",
            Code::OutOfRange,
            message,
            "put a change of sign into the phase, as 180 deg",
        );
    }
    let stated = own.or(own_phase).or(common).or(common_phase).is_some();
    let pair = |gain: Option<f64>, phase: Option<f64>| GainAndPhase {
        gain: gain.unwrap_or(0.0),
        phase: phase.unwrap_or(0.0),
    };
    let text = format!(
        "{} to {} at {count} frequencies",
        first.text,
        gains.last().map_or("", |g| &g.text)
    );
    let table = GainTable {
        frequency,
        gain: gains.iter().map(|g| g.value).collect(),
        phase,
        uncertainty: stated.then(|| TableUncertainty {
            own: pair(own, own_phase),
            common: pair(common, common_phase),
        }),
    };
    let mut constant = Constant {
        text,
        table: Some(Arc::new(table)),
        ..first
    };
    read_origin(r, &mut constant);
    constant
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table() -> GainTable {
        GainTable {
            frequency: vec![10.0, 100.0, 1000.0],
            gain: vec![8.0, 2.0, 0.2],
            phase: vec![0.0, -0.4, -0.8],
            uncertainty: None,
        }
    }

    /// Half a decade above 10 Hz: gain sqrt(8·2) = 4, phase -0.2, slope ln(1/4)/ln(10), by hand.
    #[test]
    fn interpolates_on_straight_lines_of_logarithms() {
        let found = table().at(1000.0f64.sqrt()).expect("inside");
        // Logarithm and exponential round by an ulp or so each.
        assert!((found.gain - Complex64::from_polar(4.0, -0.2)).norm() < 1e-14);
        assert!(
            (found.slope - Complex64::new(-0.602_059_991_327_962_4, -0.4 / libm::log(10.0))).norm()
                < 1e-14
        );
        assert_eq!(found.weights.0, 0);
    }

    #[test]
    fn entries_are_met_and_nothing_is_known_outside() {
        for (f, gain) in [(10.0, 8.0), (100.0, 2.0), (1000.0, 0.2)] {
            let found = table().at(f).expect("inside").gain.norm();
            assert!((found / gain - 1.0).abs() < 1e-15, "{f}: {found}");
        }
        for f in [9.999, 1000.001, f64::NAN] {
            assert_eq!(table().at(f), None);
        }
    }
}
