//! `Cartesian`: a complex estimate from an amplitude and a phase.

use num_complex::Complex64;
use phasemill_engine::diagnostic::Code;
use phasemill_engine::flow::{Flow, Kind, Port};
use phasemill_engine::stage::{Checker, Configured, Fault, Stage, Told, Work};
use phasemill_engine::text::Reader;
use phasemill_engine::units::Unit;
use phasemill_engine::value::{Estimate, Value};

/// The stage.
pub struct Cartesian;

impl Stage for Cartesian {
    fn name(&self) -> &'static str {
        "Cartesian"
    }

    fn doc(&self) -> &'static str {
        "The complex estimate A*exp(i*phi) of an amplitude A and a phase phi, as an impedance of its modulus and \
         angle: in-phase part A*cos(phi), quadrature part A*sin(phi). Uncertainties are propagated to first order \
         with what both share (JCGM 100:2008, 5.2); its annex H.2 is an example."
    }

    fn example(&self) -> &'static str {
        r#"Recipe(
    title: "Resistance and reactance from voltage, current and phase",
    inputs: { "voltage": Wave(unit: "V"), "current": Wave(unit: "A"), "angle": Wave(unit: "rad") },
    stages: {
        "V": Average(of: "voltage", over: Blocks("1 s")),
        "I": Average(of: "current", over: Blocks("1 s")),
        "phi": Average(of: "angle", over: Blocks("1 s")),
        "modulus": Combine(of: ["V", "I"], by: Ratio),
        "impedance": Cartesian(amplitude: "modulus", phase: "phi"),
    },
    results: ["impedance"],
)"#
    }

    fn read(&self, r: &mut Reader<'_>) -> Box<dyn Configured> {
        r.setting("amplitude", "the amplitude").flow();
        r.setting("phase", "the phase, an angle").flow();
        Box::new(Settings)
    }
}

struct Settings;

impl Configured for Settings {
    fn check(&self, inputs: &[Flow], checker: &mut Checker<'_>) -> Vec<Port> {
        let [amplitude, phase] = inputs else {
            return Vec::new();
        };
        if !checker.expect_kind(0, amplitude, &[Kind::Estimate])
            | !checker.expect_kind(1, phase, &[Kind::Estimate])
        {
            return Vec::new();
        }
        if !phase.unit.same_dimension(&Unit::radian()) {
            let message = format!("expected an angle, found an estimate in {}", phase.unit);
            let help = "declare the unit of its input, as in `Wave(unit: \"rad\")`";
            checker.error("phase", Code::Unit, message, help);
        }
        let flow = Flow {
            kind: Kind::ComplexEstimate,
            evaluated: amplitude.evaluated && phase.evaluated,
            ..amplitude.clone()
        };
        vec![Port::new("", flow)]
    }

    fn method(&self, inputs: &[Told<'_>]) -> Option<String> {
        let [amplitude, phase] = inputs else {
            return None;
        };
        let (amplitude, phase) = (amplitude.name, phase.name);
        Some(format!(
            "A complex number was made of {amplitude} as its amplitude and {phase} as its phase."
        ))
    }

    fn prepare(&self, _: &[Flow]) -> Result<Work, Fault> {
        Ok(Work::Point(Box::new(|values| {
            let mut estimates = values.iter().filter_map(|v| v.estimate());
            let (Some(amplitude), Some(phase)) = (estimates.next(), estimates.next()) else {
                return Ok(Vec::new());
            };
            let phi = phase.value.re;
            let turn = Complex64::new(libm::cos(phi), libm::sin(phi));
            let value = turn * amplitude.value.re;
            let effect = |input: usize, d: Complex64| match input {
                0 => turn * d.re,
                _ => Complex64::I * value * d.re,
            };
            let made = Estimate::propagate(&[amplitude, phase], value, effect);
            Ok(vec![Value::Estimate(made)])
        })))
    }
}

#[cfg(test)]
mod tests {
    use phasemill_engine::testing;
    use phasemill_engine::value::{About, Part, Reach};

    use super::*;

    /// 2(0.1) at 90 degrees known to 0.03 rad is 2i with 0.1 along and 0.06 across, by hand.
    #[test]
    fn amplitude_acts_along_and_phase_across() {
        let estimate = |value: f64, u: f64, name: &str| {
            let about = About::scatter(name, Reach::Node, 9.0);
            Value::Estimate(Estimate {
                parts: Some(vec![Part::new(&about, 0, u)]),
                ..Estimate::real(value)
            })
        };
        let (a, phi) = (
            estimate(2.0, 0.1, "a"),
            estimate(std::f64::consts::FRAC_PI_2, 0.03, "phi"),
        );
        let flows = [
            Flow::new(Kind::Estimate, Unit::volt()),
            Flow::new(Kind::Estimate, Unit::radian()),
        ];
        let text = r#"Cartesian(amplitude: "a", phase: "phi")"#;
        let (found, values) =
            testing::evaluate(&Cartesian, text, &[], &flows, &[&a, &phi]).expect("runs");
        assert!(found.is_empty(), "{found}");
        let z = values[0].estimate().expect("a value");
        let u = z.standard_uncertainty().expect("evaluated");
        // The cosine of the double nearest to a right angle is 6e-17.
        assert!((z.value - Complex64::new(0.0, 2.0)).norm() < 2e-16);
        assert!((u.im - 0.1).abs() < 1e-15 && (u.re - 0.06).abs() < 1e-15);
    }

    #[test]
    fn a_phase_is_an_angle() {
        let flows = [
            Flow::new(Kind::Estimate, Unit::volt()),
            Flow::new(Kind::Estimate, Unit::volt()),
        ];
        let text = r#"Cartesian(amplitude: "a", phase: "phi")"#;
        let (found, _) = testing::check(&Cartesian, text, &[], &flows);
        let codes: Vec<Code> = found.iter().map(|d| d.code).collect();
        assert_eq!(codes, [Code::Unit]);
    }
}
