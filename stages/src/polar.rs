//! `Polar`: amplitude and phase of a phasor.

use num_complex::Complex64;
use phasemill_engine::flow::{Buffer, Flow, Kind, Port, Samples};
use phasemill_engine::stage::{Checker, Configured, Fault, Kernel, Stage, Told, Work};
use phasemill_engine::text::Reader;
use phasemill_engine::units::Unit;
use phasemill_engine::value::{Estimate, Value};

/// The stage.
pub struct Polar;

impl Stage for Polar {
    fn name(&self) -> &'static str {
        "Polar"
    }

    fn doc(&self) -> &'static str {
        "Amplitude R = sqrt(X^2 + Y^2) and phase atan2(Y, X), from -180 to 180 degrees, of a phasor or a complex \
         estimate X + iY. Uncertainties are propagated to first order (JCGM 100:2008, 5.1). That is good for an \
         amplitude of many standard uncertainties; near zero R is biased high and the phase has no meaning \
         (Rice distribution), so keep X and Y as well. An amplitude of exactly zero, as of a background point less \
         itself, has no phase."
    }

    fn example(&self) -> &'static str {
        r#"Recipe(
    title: "Amplitude and phase of a chopped signal",
    inputs: { "detector": Wave(unit: "V"), "chopper": Wave(unit: "V") },
    stages: {
        "clock": Reference(of: "chopper", shape: Square()),
        "product": Mix(of: "detector", with: "clock"),
        "answer": Average(of: "product"),
        "polar": Polar(of: "answer"),
    },
    results: ["polar"],
)"#
    }

    fn read(&self, r: &mut Reader<'_>) -> Box<dyn Configured> {
        r.setting("of", "the phasor or complex estimate").flow();
        let radians = r
            .setting("phase_in", "unit of the phase")
            .default("Degrees")
            .choice(|c| {
                c.variant("Degrees", "degrees", |_| false)
                    .variant("Radians", "radians", |_| true);
            });
        Box::new(Settings {
            radians: radians.unwrap_or(false),
        })
    }
}

struct Settings {
    radians: bool,
}

impl Configured for Settings {
    fn check(&self, inputs: &[Flow], checker: &mut Checker<'_>) -> Vec<Port> {
        let [input] = inputs else { return Vec::new() };
        if !checker.expect_kind(0, input, &[Kind::Phasor, Kind::ComplexEstimate]) {
            return Vec::new();
        }
        let kind = if input.kind == Kind::Phasor {
            Kind::Wave
        } else {
            Kind::Estimate
        };
        let unit = if self.radians {
            Unit::radian()
        } else {
            Unit::degree()
        };
        let amplitude = Flow {
            kind,
            ..input.clone()
        };
        let phase = Flow {
            kind,
            unit,
            convention: None,
            scalings: Vec::new(),
            ..input.clone()
        };
        vec![Port::new("amplitude", amplitude), Port::new("phase", phase)]
    }

    fn method(&self, inputs: &[Told<'_>]) -> Option<String> {
        let of = inputs.first()?.name;
        let unit = if self.radians { "radians" } else { "degrees" };
        Some(format!(
            "Amplitude and phase of {of} were computed, the phase in {unit}."
        ))
    }

    fn prepare(&self, inputs: &[Flow]) -> Result<Work, Fault> {
        Ok(match inputs.first().map(|f| f.kind) {
            Some(Kind::Phasor) => Work::Stream(Box::new(|| Box::new(Turning))),
            _ => Work::Point(Box::new(polar)),
        })
    }
}

fn polar(inputs: &[&Value]) -> Result<Vec<Value>, Fault> {
    let Some(estimate) = inputs.first().and_then(|v| v.estimate()) else {
        return Ok(Vec::new());
    };
    let z = estimate.value;
    let size = libm::hypot(z.re, z.im);
    if size == 0.0 {
        // A background point less itself: no phase, and no first-order uncertainty.
        let none = [0.0, f64::NAN].map(|x| Value::Estimate(Estimate::real(x)));
        return Ok(none.to_vec());
    }
    let amplitude = Estimate::propagate(&[estimate], size.into(), |_, d| {
        ((z.conj() * d).re / size).into()
    });
    let angle = libm::atan2(z.im, z.re);
    let phase = Estimate::propagate(&[estimate], angle.into(), |_, d| {
        ((z.conj() * d).im / (size * size)).into()
    });
    Ok(vec![Value::Estimate(amplitude), Value::Estimate(phase)])
}

struct Turning;

impl Kernel for Turning {
    fn run(&mut self, inputs: &[Samples<'_>], outputs: &mut [Buffer]) -> Result<(), Fault> {
        let (Some(Samples::Phasor(samples)), [Buffer::Wave(amplitude), Buffer::Wave(phase)]) =
            (inputs.first(), outputs)
        else {
            return Ok(());
        };
        amplitude.extend(samples.iter().map(|z: &Complex64| libm::hypot(z.re, z.im)));
        phase.extend(samples.iter().map(|z| libm::atan2(z.im, z.re)));
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use phasemill_engine::testing;
    use phasemill_engine::value::{About, Part, Reach};

    use super::*;

    /// 3 + 4i: amplitude 5, phase atan2(4, 3), worked by hand.
    #[test]
    fn samples_become_amplitude_and_phase() {
        let z = [Complex64::new(3.0, 4.0), Complex64::new(-1.0, 0.0)];
        let flows = [Flow::new(Kind::Phasor, Unit::one())];
        let given = testing::run_every_way(
            &Polar,
            r#"Polar(of: "z")"#,
            &[],
            &flows,
            &[Samples::Phasor(&z)],
        )
        .expect("runs");
        assert_eq!(given.buffers[0].samples().wave(), [5.0, 1.0]);
        assert!((given.buffers[1].samples().wave()[0] - 0.927_295_218_001_612_2).abs() < 1e-15);
        assert_eq!(given.buffers[1].samples().wave()[1], std::f64::consts::PI);
    }

    /// A change along the phasor moves the amplitude only, one across it the phase only.
    #[test]
    fn uncertainty_splits_into_along_and_across() {
        let along = Complex64::new(0.6, 0.8) * 0.1;
        let about = About::scatter("s", Reach::Node, 9.0);
        let parts = vec![
            Part::new(&about, 0, along),
            Part::new(&about, 1, along * Complex64::i()),
        ];
        let z = Value::Estimate(Estimate {
            parts: Some(parts),
            ..Estimate::bare(Complex64::new(3.0, 4.0))
        });
        let flows = [Flow::new(Kind::ComplexEstimate, Unit::one())];
        let (_, values) =
            testing::evaluate(&Polar, r#"Polar(of: "z")"#, &[], &flows, &[&z]).expect("runs");
        let u: Vec<f64> = values
            .iter()
            .filter_map(|v| v.estimate()?.standard_uncertainty())
            .map(|u| u.re)
            .collect();
        assert!(
            (u[0] - 0.1).abs() < 1e-15 && (u[1] - 0.02).abs() < 1e-15,
            "{u:?}"
        );
    }
}
