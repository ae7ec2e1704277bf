//! Constants of a recipe: a quantity with its standard uncertainty and where it came from.

use std::sync::Arc;

use crate::diagnostic::{Code, Diagnostics};
use crate::text::{Piece, Reader};
use crate::units::{Quantity, Unit};
use crate::value::{About, Quantified};

/// A constant, or a quantity written in its place.
#[derive(Clone, Debug, PartialEq)]
pub struct Constant {
    /// The name in the recipe; empty for a quantity written in place.
    pub name: String,
    /// The value in SI units.
    pub value: f64,
    /// The unit it was written in.
    pub unit: Unit,
    /// The text it was written as.
    pub text: String,
    /// Whether it was written as a level in dB, and so is a ratio.
    pub is_level: bool,
    /// Standard uncertainty in SI units; `None` when the recipe states none.
    pub standard_uncertainty: Option<f64>,
    /// Where the value comes from, as the recipe says.
    pub source: String,
}

impl Constant {
    /// The pure number 1.
    pub fn one() -> Self {
        Self {
            name: String::new(),
            value: 1.0,
            unit: Unit::one(),
            text: "1".into(),
            is_level: false,
            standard_uncertainty: None,
            source: String::new(),
        }
    }

    /// A quantity written in place, without a stated uncertainty.
    pub fn exact(quantity: Quantity) -> Self {
        // A level in dB is an amplitude ratio once it is a factor.
        let is_level = quantity.is_level();
        let (value, unit) = match is_level {
            true => (quantity.to_ratio_amplitude(), Unit::one()),
            false => (quantity.value, quantity.unit),
        };
        Self {
            value,
            unit,
            text: quantity.text,
            is_level,
            ..Self::one()
        }
    }

    /// The constant as a source of uncertainty; `None` for a quantity written in place, and where the
    /// recipe states no uncertainty.
    pub fn about(&self) -> Option<Arc<About>> {
        let quantity = Quantified {
            value: self.value,
            standard_uncertainty: self.standard_uncertainty?,
            unit: self.unit.clone(),
        };
        (!self.name.is_empty()).then(|| About::constant(&self.name, Some(quantity)))
    }

    /// The value as it enters a derivation key.
    pub fn canonical(&self) -> String {
        let u = self
            .standard_uncertainty
            .map_or("none".into(), |u| format!("{u:?}"));
        format!("{:?} (u {u}) {}", self.value, self.unit.ascii())
    }

    /// Reads `Constant(value: "1.000e8 V/A", standard_uncertainty: "0.5 %", source: "calibration")`.
    pub fn read(name: String, piece: &Piece) -> (Self, Diagnostics) {
        if piece.name() != Some("Constant") {
            let mut diagnostics = Diagnostics::default();
            let expected = "`Constant(value: \"...\")`";
            diagnostics.push(piece.wrong_type(expected));
            return (
                Self {
                    name,
                    ..Self::one()
                },
                diagnostics,
            );
        }
        let (constant, found) = Reader::read(piece, &[], |r| {
            let mut constant = r.setting("value", "value with unit").factor();
            constant.source = r
                .setting("source", "where the value comes from")
                .default("\"\"")
                .text();
            constant.standard_uncertainty = r
                .setting(
                    "standard_uncertainty",
                    "standard uncertainty, in the unit of the value or relative, in %",
                )
                .optional()
                .map(|s| s.factor())
                .and_then(|u| {
                    // A level of x dB is the ratio 10^(x/20) here; to first order it is relative, x·ln(10)/20.
                    let absolute = if u.text.trim_end().ends_with("dB") {
                        libm::log(u.value) * constant.value.abs()
                    } else if u.unit.is_dimensionless() && !constant.unit.is_dimensionless()
                        || u.text.contains('%')
                    {
                        u.value * constant.value.abs()
                    } else {
                        u.value
                    };
                    let fits = u.unit.is_dimensionless() || u.unit.same_dimension(&constant.unit);
                    if !fits || absolute < 0.0 || absolute.is_nan() {
                        let message = format!(
                            "expected an uncertainty of zero or more in {} or in %, found `{}`",
                            constant.unit, u.text
                        );
                        r.fault(
                            "standard_uncertainty",
                            Code::Unit,
                            message,
                            "for example \"0.5 %\"",
                        );
                        return None;
                    }
                    Some(absolute)
                });
            constant
        });
        (Self { name, ..constant }, found.diagnostics)
    }
}
