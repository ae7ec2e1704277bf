//! Checks the levels that are stated for the edges of a square reference.

use phasemill_engine::diagnostic::Code;
use phasemill_engine::flow::Flow;
use phasemill_engine::stage::Checker;
use phasemill_engine::units::{Unit, format_quantity};

/// Reports a threshold or hysteresis in another unit than the channel's, and a threshold that no sample reaches.
pub fn check(
    threshold: Option<&(f64, Unit)>,
    hysteresis: Option<&(f64, Unit)>,
    input: &Flow,
    checker: &mut Checker<'_>,
) {
    for (setting, value) in [
        ("shape.threshold", threshold),
        ("shape.hysteresis", hysteresis),
    ] {
        if let Some((_, unit)) = value.filter(|(_, unit)| !unit.same_dimension(&input.unit)) {
            checker.error(
                setting,
                Code::Unit,
                format!("expected a level in {}, found one in {unit}", input.unit),
                "give it in the unit of the channel",
            );
        }
    }
    // What was scaled or filtered may lie anywhere.
    let untouched =
        input.gain == 1.0 && input.scalings.is_empty() && input.response.elements.is_empty();
    if let (Some((level, _)), Some(full), true) = (threshold, input.full_scale, untouched)
        && level.abs() >= full
    {
        let show = |x| format_quantity(x, &input.unit.to_coherent(), 3);
        checker.error(
            "shape.threshold",
            Code::OutOfRange,
            format!(
                "expected a threshold within the full scale of {}, found {}",
                show(full),
                show(*level)
            ),
            "no sample ever crosses it; correct it, or leave it out",
        );
    }
}
