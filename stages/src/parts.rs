//! `Parts`: the in-phase and the quadrature part of a phasor, each by itself.

use phasemill_engine::flow::{Buffer, Flow, Kind, Port, Samples};
use phasemill_engine::stage::{Checker, Configured, Fault, Kernel, Stage, Told, Work};
use phasemill_engine::text::Reader;
use phasemill_engine::value::{Estimate, Value};

/// The stage.
pub struct Parts;

impl Stage for Parts {
    fn name(&self) -> &'static str {
        "Parts"
    }

    fn doc(&self) -> &'static str {
        "The in-phase part X and the quadrature part Y of a phasor or a complex estimate X + iY, as two real flows. \
         Estimates stay correlated as they were (JCGM 100:2008, 5.2). Of an impedance they are resistance and \
         reactance."
    }

    fn example(&self) -> &'static str {
        r#"Recipe(
    title: "In-phase and quadrature part of a signal",
    inputs: { "detector": Wave(unit: "V"), "chopper": Wave(unit: "V") },
    stages: {
        "clock": Reference(of: "chopper", shape: Square()),
        "product": Mix(of: "detector", with: "clock"),
        "answer": Average(of: "product", over: Blocks("1 s")),
        "parts": Parts(of: "answer"),
    },
    results: ["parts"],
)"#
    }

    fn read(&self, r: &mut Reader<'_>) -> Box<dyn Configured> {
        r.setting("of", "the phasor or complex estimate").flow();
        Box::new(Settings)
    }
}

struct Settings;

impl Configured for Settings {
    fn check(&self, inputs: &[Flow], checker: &mut Checker<'_>) -> Vec<Port> {
        let [input] = inputs else { return Vec::new() };
        if !checker.expect_kind(0, input, &[Kind::Phasor, Kind::ComplexEstimate]) {
            return Vec::new();
        }
        let kind = match input.kind {
            Kind::Phasor => Kind::Wave,
            _ => Kind::Estimate,
        };
        let flow = Flow {
            kind,
            ..input.clone()
        };
        ["in_phase", "quadrature"]
            .map(|n| Port::new(n, flow.clone()))
            .into()
    }

    fn method(&self, inputs: &[Told<'_>]) -> Option<String> {
        let of = inputs.first()?.name;
        Some(format!(
            "The in-phase and the quadrature part of {of} were taken."
        ))
    }

    fn prepare(&self, inputs: &[Flow]) -> Result<Work, Fault> {
        Ok(match inputs.first().map(|f| f.kind) {
            Some(Kind::Phasor) => Work::Stream(Box::new(|| Box::new(Parting))),
            _ => Work::Point(Box::new(|values| {
                let Some(z) = values.first().and_then(|v| v.estimate()) else {
                    return Ok(Vec::new());
                };
                let scatter = z.scatter;
                let real = |value: f64, scatter: Option<f64>, effect: fn(f64, f64) -> f64| {
                    let part =
                        Estimate::propagate(&[z], value.into(), |_, d| effect(d.re, d.im).into());
                    Value::Estimate(Estimate {
                        scatter: scatter.map(Into::into),
                        ..part
                    })
                };
                Ok(vec![
                    real(z.value.re, scatter.map(|s| s.re), |re, _| re),
                    real(z.value.im, scatter.map(|s| s.im), |_, im| im),
                ])
            })),
        })
    }
}

struct Parting;

impl Kernel for Parting {
    fn run(&mut self, inputs: &[Samples<'_>], outputs: &mut [Buffer]) -> Result<(), Fault> {
        if let (Some(Samples::Phasor(samples)), [Buffer::Wave(x), Buffer::Wave(y)]) =
            (inputs.first(), outputs)
        {
            x.extend(samples.iter().map(|z| z.re));
            y.extend(samples.iter().map(|z| z.im));
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use num_complex::Complex64;
    use phasemill_engine::testing;
    use phasemill_engine::units::Unit;
    use phasemill_engine::value::{About, Part, Reach};

    use super::*;

    #[test]
    fn samples_are_parted() {
        let z = [Complex64::new(3.0, -4.0), Complex64::new(-1.0, 0.5)];
        let flows = [Flow::new(Kind::Phasor, Unit::one())];
        let inputs = [Samples::Phasor(&z)];
        let given = testing::run_every_way(&Parts, r#"Parts(of: "z")"#, &[], &flows, &inputs)
            .expect("runs");
        assert_eq!(given.buffers[0].samples().wave(), [3.0, -1.0]);
        assert_eq!(given.buffers[1].samples().wave(), [-4.0, 0.5]);
    }

    /// One source of both parts: each has its share and they stay correlated.
    #[test]
    fn estimates_keep_what_they_share() {
        let about = About::scatter("s", Reach::Node, 9.0);
        let z = Value::Estimate(Estimate {
            parts: Some(vec![Part::new(&about, 0, Complex64::new(0.3, -0.4))]),
            ..Estimate::bare(Complex64::new(5.0, 6.0))
        });
        let flows = [Flow::new(Kind::ComplexEstimate, Unit::one())];
        let (_, values) =
            testing::evaluate(&Parts, r#"Parts(of: "z")"#, &[], &flows, &[&z]).expect("runs");
        let part = |k: usize| {
            values[k]
                .estimate()
                .and_then(|e| e.parts.clone())
                .expect("evaluated")
        };
        assert_eq!(part(0)[0].effect, 0.3.into());
        assert_eq!(part(1)[0].effect, (-0.4).into());
        assert_eq!(part(0)[0].source, part(1)[0].source);
    }
}
