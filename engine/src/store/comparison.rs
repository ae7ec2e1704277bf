//! Comparisons of chains in a result file.

use hdf5::Group;

use super::StoreError;
use super::noted::{Noted, Notes, Room};
use super::write::{ResultWriter, points_axis, unicode};
use crate::compare::{Chain, Comparison, Difference, GROUP, PointValue};
use crate::stage::SeriesAxis;

/// Names that a group holds beside its axis.
const TAKEN: [&str; 5] = ["chain", "amplitude", "phase", "record", "detected"];

impl ResultWriter {
    /// Writes the comparison of an entry as the NXdata group `/comparison/ENTRY`.
    ///
    /// `amplitude`, `phase`, `in_phase` and `quadrature` (a real result has `amplitude` alone), their standard
    /// uncertainties in `<name>_errors`, `detected` (1 or 0), and
    /// `difference_in_phase`, `difference_quadrature` and `difference_amplitude` to the first chain with their
    /// `_errors` have the shape `[chain, point]`; `chain` holds the names of the chains and the other axis is that
    /// of the entry's results. Of the shape `[chain]` are `settling` (s, to 1 %), `noise_bandwidth` and
    /// `value_noise_bandwidth` (Hz), `delay` (s), `uncertainty` and `noise` (root mean squares over the points),
    /// `noise_known_to` (its standard uncertainty as a part of it),
    /// `unbeaten` (1 or 0), `chi_square`, `degrees_of_freedom`, `p`,
    /// `largest_point`, `largest_amplitude` and `largest_amplitude_errors`, and the texts `said`, `verdict`,
    /// `output` and `difference_output`. What is not known is NaN. The attribute `recommended` says which
    /// chain fits what was asked for, where something was. `record` is all of it as JSON, which
    /// [`crate::compare::saved`] reads.
    ///
    /// # Errors
    /// [`StoreError::Write`].
    pub fn comparison(&mut self, entry: &str, found: &Comparison) -> Result<(), StoreError> {
        // Texts, numbers and lists always have a JSON form.
        let record = serde_json::to_string_pretty(found).unwrap_or_default();
        let path = format!("{GROUP}/{entry}/record");
        self.text(&path, &record)?;
        self.attempt(|file| {
            let group = file.group(&format!("{GROUP}/{entry}"))?;
            let class = unicode("NXdata")?;
            group.attr("NX_class")?.write_scalar(&class)?;
            // It is none of the outputs, whose values are hashed as they are written.
            let group = Noted::again(group, Notes::default(), Room::of(0));
            Writing { group, found }.all()
        })
    }
}

struct Writing<'w> {
    group: Noted<Group>,
    found: &'w Comparison,
}

impl Writing<'_> {
    fn all(&self) -> hdf5::Result<()> {
        let found = self.found;
        let axis = SeriesAxis {
            name: found.axis.name.clone(),
            unit: found.axis.unit.clone(),
            values: found.axis.values.clone(),
        };
        let axis = points_axis(&self.group, &axis, found.points, &TAKEN)?;
        self.group.set_text("signal", "amplitude")?;
        self.group.set_texts("axes", &["chain", &axis])?;
        if let Some(recommended) = &found.recommended {
            self.group.set_text("recommended", &recommended.reason)?;
        }
        self.names("chain", |c| c.name.clone())?;
        self.names("said", |c| c.said.clone())?;
        self.names("verdict", |c| c.verdict.clone())?;
        self.names("output", |c| c.output.clone())?;
        self.names("difference_output", |c| c.difference_output.clone())?;
        self.of_points()?;
        self.of_chains()
    }

    fn names(&self, name: &str, of: impl Fn(&Chain) -> String) -> hdf5::Result<()> {
        let all: Vec<String> = self.found.chains.iter().map(of).collect();
        self.group.texts(name, &all)
    }

    fn per_point(
        &self,
        name: &str,
        unit: &str,
        of: impl Fn(&Chain, usize) -> Option<f64>,
    ) -> hdf5::Result<()> {
        let (chains, points) = (&self.found.chains, self.found.points);
        let all = chains.iter().flat_map(|c| (0..points).map(move |p| (c, p)));
        let all: Vec<f64> = all.map(|(c, p)| of(c, p).unwrap_or(f64::NAN)).collect();
        let shape = [chains.len(), points];
        self.group.numbers(name, &shape, &all, unit).map(drop)
    }

    fn per_chain(
        &self,
        name: &str,
        unit: &str,
        of: impl Fn(&Chain) -> Option<f64>,
    ) -> hdf5::Result<()> {
        let chains = &self.found.chains;
        let all: Vec<f64> = chains.iter().map(|c| of(c).unwrap_or(f64::NAN)).collect();
        self.group
            .numbers(name, &[chains.len()], &all, unit)
            .map(drop)
    }

    fn of_points(&self) -> hdf5::Result<()> {
        let unit = self.found.unit.as_str();
        let value = |of: fn(&PointValue) -> Option<f64>| {
            move |c: &Chain, p: usize| of(c.values.get(p)?.as_ref()?)
        };
        let difference = |of: fn(&Difference) -> Option<f64>| {
            move |c: &Chain, p: usize| of(c.differences.get(p)?.as_ref()?)
        };
        self.per_point("amplitude", unit, value(|v| Some(v.amplitude)))?;
        self.per_point("amplitude_errors", unit, value(|v| v.amplitude_u))?;
        self.per_point(
            "difference_amplitude",
            unit,
            difference(|d| Some(d.amplitude)),
        )?;
        self.per_point(
            "difference_amplitude_errors",
            unit,
            difference(|d| d.amplitude_u),
        )?;
        if self.found.complex {
            self.per_point("phase", "deg", value(|v| v.phase))?;
            self.per_point("phase_errors", "deg", value(|v| v.phase_u))?;
            self.per_point("in_phase", unit, value(|v| Some(v.value[0])))?;
            self.per_point("in_phase_errors", unit, value(|v| Some(v.u?[0])))?;
            self.per_point("quadrature", unit, value(|v| Some(v.value[1])))?;
            self.per_point("quadrature_errors", unit, value(|v| Some(v.u?[1])))?;
            self.per_point(
                "difference_in_phase",
                unit,
                difference(|d| Some(d.value[0])),
            )?;
            self.per_point(
                "difference_in_phase_errors",
                unit,
                difference(|d| Some(d.u?[0])),
            )?;
            self.per_point(
                "difference_quadrature",
                unit,
                difference(|d| Some(d.value[1])),
            )?;
            self.per_point(
                "difference_quadrature_errors",
                unit,
                difference(|d| Some(d.u?[1])),
            )?;
        }
        self.per_point("detected", "1", |c, p| {
            flag(c.values.get(p)?.as_ref()?.detected)
        })
    }

    fn of_chains(&self) -> hdf5::Result<()> {
        let unit = self.found.unit.as_str();
        self.per_chain("settling", "s", Chain::settles)?;
        self.per_chain("noise_bandwidth", "Hz", |c| c.noise_bandwidth)?;
        self.per_chain("value_noise_bandwidth", "Hz", |c| c.value_noise_bandwidth)?;
        self.per_chain("delay", "s", |c| c.delay)?;
        self.per_chain("uncertainty", unit, |c| c.uncertainty)?;
        self.per_chain("noise", unit, |c| c.noise)?;
        self.per_chain("noise_known_to", "1", |c| c.noise_known_to)?;
        self.per_chain("chi_square", "1", |c| Some(c.agreement?.chi_square))?;
        self.per_chain("p", "1", |c| Some(c.agreement?.p))?;
        self.per_chain("largest_amplitude", unit, |c| Some(c.largest?.height))?;
        self.per_chain("largest_amplitude_errors", unit, |c| c.largest?.height_u)?;
        self.per_chain("degrees_of_freedom", "1", |c| {
            Some(c.agreement?.degrees_of_freedom as f64)
        })?;
        self.per_chain("largest_point", "1", |c| Some(c.largest?.point as f64))?;
        self.per_chain("unbeaten", "1", |c| flag(c.unbeaten))
    }
}

/// Yes or no as a number.
fn flag(is: Option<bool>) -> Option<f64> {
    is.map(|is| f64::from(u8::from(is)))
}
