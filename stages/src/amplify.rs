//! `Amplify`: multiplies or divides by a constant, and changes how an amplitude is stated.

use std::f64::consts::{PI, SQRT_2};

use phasemill_engine::constant::Constant;
use phasemill_engine::diagnostic::Code;
use phasemill_engine::flow::{Buffer, Convention, Flow, Kind, Port, Samples, Scaling};
use phasemill_engine::stage::{Checker, Configured, Fault, Kernel, Stage, Work};
use phasemill_engine::text::{Range, Reader};
use phasemill_engine::value::{Estimate, Value};

/// The stage.
pub struct Amplify;

impl Stage for Amplify {
    fn name(&self) -> &'static str {
        "Amplify"
    }

    fn doc(&self) -> &'static str {
        "Multiplies a wave, phasor or estimate by a constant, divides it by one, or both; a constant in dB is the \
         amplitude ratio 10^(x/20). `express_as` changes how an amplitude is stated: peak A, rms A/sqrt(2), or the \
         full step H of a chopped quantity. A square between 0 and H that is up for the part d of a period has at \
         harmonic n the peak amplitude 2H|sin(pi n d)|/(n pi), which is 2H/pi for d = 1/2 and n = 1 (derived, \
         Fourier series); linear flanks that each take the part r of a period multiply this by \
         sin(pi n r)/(pi n r) (derived; the flanks turn the square into its average over their length). The \
         constants' uncertainties go into every estimate made from the flow."
    }

    fn example(&self) -> &'static str {
        r#"Recipe(
    title: "Photocurrent of a chopped light beam, full step",
    inputs: { "detector": Wave(unit: "V"), "chopper": Wave(unit: "V") },
    constants: { "transimpedance": Constant(value: "1.000e8 V/A", standard_uncertainty: "0.5 %", source: "invented") },
    stages: {
        "clock": Reference(of: "chopper", shape: Square()),
        "product": Mix(of: "detector", with: "clock"),
        "voltage": Average(of: "product", over: Blocks("1 s")),
        "current": Amplify(of: "voltage", divide_by: "transimpedance", express_as: FullStep(chopping: Square())),
    },
    results: ["current"],
)"#
    }

    fn read(&self, r: &mut Reader<'_>) -> Box<dyn Configured> {
        r.setting("of", "the flow").flow();
        let multiply = r
            .setting("multiply_by", "a constant's name, or a quantity")
            .optional()
            .map(|s| s.factor());
        let divide = r
            .setting("divide_by", "a constant's name, or a quantity")
            .optional()
            .map(|s| s.factor());
        let express = r
            .setting("express_as", "how the amplitude is stated afterwards")
            .optional()
            .and_then(|s| {
                s.choice(|c| {
                    c.variant("Peak", "peak amplitude", |_| Express::Peak)
                        .variant("Rms", "root mean square", |_| Express::Rms)
                        .variant("FullStep", "full step of a chopped quantity", |r| {
                            let shape = r
                                .setting("chopping", "shape of the chopped quantity")
                                .choice(read_chopping);
                            let (duty, flank) = shape.unwrap_or((0.5, 0.0));
                            Express::Step { duty, flank }
                        });
                })
            });
        if let Some(zero) = divide.as_ref().filter(|c| c.value == 0.0) {
            let message = format!("expected a divisor other than zero, found {}", zero.text);
            r.fault("divide_by", Code::OutOfRange, message, "check the constant");
        }
        Box::new(Settings {
            multiply,
            divide,
            express,
        })
    }
}

fn read_chopping(c: &mut phasemill_engine::text::Choice<'_, (f64, f64)>) {
    let duty = |r: &mut Reader<'_>| {
        r.setting("duty", "part of a period for which the quantity is up")
            .default("\"50 %\"")
            .quantity("1", Range::Inside(0.0, 1.0))
    };
    c.variant("Square", "up and down at once", |r| (duty(r), 0.0))
        .variant("Trapezoid", "linear flanks", |r| {
            let flank = r.setting("flank", "part of a period that each flank takes");
            let flank = flank.quantity("1", Range::Between(0.0, 0.5));
            (duty(r), flank)
        });
}

#[derive(Clone, Copy, PartialEq)]
enum Express {
    Peak,
    Rms,
    Step { duty: f64, flank: f64 },
}

#[derive(Clone)]
struct Settings {
    multiply: Option<Constant>,
    divide: Option<Constant>,
    express: Option<Express>,
}

impl Settings {
    /// What the values are multiplied by to state the amplitude otherwise.
    fn restated(&self, input: &Flow) -> f64 {
        let Some(express) = self.express else {
            return 1.0;
        };
        let to_peak = if input.convention == Some(Convention::Rms) {
            SQRT_2
        } else {
            1.0
        };
        to_peak
            * match express {
                Express::Peak => 1.0,
                Express::Rms => 1.0 / SQRT_2,
                Express::Step { duty, flank } => {
                    1.0 / peak_of_unit_step(input.clock.as_ref().map_or(1, |c| c.1), duty, flank)
                }
            }
    }

    /// The total factor in SI units.
    fn factor(&self, input: &Flow) -> f64 {
        let multiply = self.multiply.as_ref().map_or(1.0, |c| c.value);
        let divide = self.divide.as_ref().map_or(1.0, |c| c.value);
        multiply / divide * self.restated(input)
    }

    fn scalings(&self) -> impl Iterator<Item = Scaling> {
        let named = |c: &Option<Constant>, power: i32| {
            let constant = c.as_ref().filter(|c| !c.name.is_empty())?;
            Some(Scaling {
                constant: constant.name.clone(),
                source: constant.about(),
                power,
            })
        };
        named(&self.multiply, 1)
            .into_iter()
            .chain(named(&self.divide, -1))
    }
}

/// Peak amplitude at harmonic n of a trapezoid between 0 and 1.
fn peak_of_unit_step(n: u32, duty: f64, flank: f64) -> f64 {
    let n = f64::from(n);
    let square = 2.0 * libm::sin(PI * n * duty).abs() / (PI * n);
    let x = PI * n * flank;
    let averaged = if x == 0.0 { 1.0 } else { libm::sin(x) / x };
    square * averaged.abs()
}

impl Configured for Settings {
    fn check(&self, inputs: &[Flow], checker: &mut Checker<'_>) -> Vec<Port> {
        let [input] = inputs else { return Vec::new() };
        let kinds = [
            Kind::Wave,
            Kind::Phasor,
            Kind::Estimate,
            Kind::ComplexEstimate,
        ];
        if !checker.expect_kind(0, input, &kinds) {
            return Vec::new();
        }
        let mut flow = input.clone();
        let units = [("multiply_by", &self.multiply), ("divide_by", &self.divide)];
        for (setting, constant) in units {
            let Some(constant) = constant else { continue };
            let unit = match setting {
                "multiply_by" => flow.unit.mul(&constant.unit),
                _ => flow.unit.div(&constant.unit),
            };
            match unit {
                Ok(unit) => flow.unit = unit,
                Err(e) => checker.error(
                    setting,
                    Code::Unit,
                    e.to_string(),
                    "check the constant's unit",
                ),
            }
        }
        if let Some(express) = self.express {
            match (input.convention, express) {
                (None, _) => checker.error(
                    "express_as",
                    Code::Unit,
                    "expected a flow with an amplitude, as made by `Mix`; found one without",
                    "express the amplitude after mixing",
                ),
                (Some(Convention::Step), _) => checker.error(
                    "express_as",
                    Code::Unit,
                    "expected a peak or rms amplitude, found a full step",
                    "express the amplitude once",
                ),
                (_, Express::Step { .. }) if input.switched => checker.error(
                    "express_as",
                    Code::OutOfRange,
                    "expected the fundamental of a chopped quantity, found a product with the reference's sign, to which its harmonics answer too",
                    "mix in quadrature, or take twice the height of the switched square",
                ),
                (_, Express::Step { duty, flank }) => {
                    let harmonic = input.clock.as_ref().map_or((1, 1), |(_, n, m)| (*n, *m));
                    let peak = peak_of_unit_step(harmonic.0, duty, flank);
                    if flank > duty.min(1.0 - duty) {
                        checker.error(
                            "express_as",
                            Code::OutOfRange,
                            format!("expected flanks no longer than the quantity is up or down, found {flank} of a period at a duty of {duty}"),
                            "check `flank` and `duty`; such a quantity never reaches its full step",
                        );
                    }
                    // Below a millionth of the step, rounding of duty and flank would rule the answer.
                    if harmonic.1 != 1 || peak < 1e-6 {
                        checker.error(
                            "express_as",
                            Code::OutOfRange,
                            format!(
                                "expected a harmonic at which the chopped quantity has an amplitude, found harmonic {}/{}",
                                harmonic.0, harmonic.1
                            ),
                            "use the fundamental, or another duty",
                        );
                    }
                }
                _ => {}
            }
            flow.convention = Some(match express {
                Express::Peak => Convention::Peak,
                Express::Rms => Convention::Rms,
                Express::Step { .. } => Convention::Step,
            });
        }
        if self.multiply.is_none() && self.divide.is_none() && self.express.is_none() {
            checker.error(
                "of",
                Code::MissingSetting,
                "expected one of `multiply_by`, `divide_by` and `express_as`, found none",
                "say what to do, as in `divide_by: \"gain\"`",
            );
        }
        if input.kind.is_sampled() {
            let pure = [(&self.multiply, 1.0), (&self.divide, -1.0)];
            let pure = pure
                .into_iter()
                .filter_map(|(c, power)| Some((c.as_ref()?, power)));
            for (constant, power) in pure.filter(|(c, _)| c.unit.is_dimensionless()) {
                flow.gain *= libm::pow(constant.value.abs(), power);
            }
        }
        // An estimate gets the constants' uncertainty here; samples carry it to the estimate made of them.
        if input.kind.is_sampled() {
            for scaling in self.scalings() {
                match flow
                    .scalings
                    .iter_mut()
                    .find(|s| s.constant == scaling.constant)
                {
                    Some(known) => known.power += scaling.power,
                    None => flow.scalings.push(scaling),
                }
            }
            flow.scalings.retain(|s| s.power != 0);
        }
        vec![Port::new("", flow)]
    }

    fn prepare(&self, inputs: &[Flow]) -> Result<Work, Fault> {
        let Some(input) = inputs.first() else {
            return Err(Fault::TooFew {
                what: "inputs",
                needed: 1,
                found: 0,
            });
        };
        let factor = self.factor(input);
        if input.kind.is_sampled() {
            return Ok(Work::Stream(Box::new(move || Box::new(Amplifying(factor)))));
        }
        let scalings: Vec<Scaling> = self.scalings().collect();
        Ok(Work::Point(Box::new(move |values| {
            let Some(z) = values.first().and_then(|v| v.estimate()) else {
                return Ok(Vec::new());
            };
            // Each constant is an input of its own, so that it is told apart or found to be shared.
            let constants: Vec<Estimate> = scalings.iter().map(relative).collect();
            let all: Vec<&Estimate> = std::iter::once(z).chain(&constants).collect();
            let value = z.value * factor;
            let mut scaled =
                Estimate::propagate(
                    &all,
                    value,
                    |input, d| if input == 0 { d * factor } else { value * d },
                );
            scaled.scatter = z.scatter.map(|s| s * factor.abs());
            scaled.count = z.count;
            Ok(vec![Value::Estimate(scaled)])
        })))
    }
}

/// The relative change of a value by a constant, as an estimate around zero.
fn relative(scaling: &Scaling) -> Estimate {
    Estimate {
        parts: Some(scaling.part(1.0.into()).into_iter().collect()),
        ..Estimate::real(0.0)
    }
}

struct Amplifying(f64);

impl Kernel for Amplifying {
    fn run(&mut self, inputs: &[Samples<'_>], outputs: &mut [Buffer]) -> Result<(), Fault> {
        match (inputs.first(), outputs.first_mut()) {
            (Some(Samples::Wave(samples)), Some(Buffer::Wave(out))) => {
                out.extend(samples.iter().map(|x| x * self.0))
            }
            (Some(Samples::Phasor(samples)), Some(Buffer::Phasor(out))) => {
                out.extend(samples.iter().map(|z| z * self.0))
            }
            _ => {}
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use num_complex::Complex64;
    use phasemill_engine::testing;
    use phasemill_engine::units::Unit;
    use phasemill_engine::value::{About, Part, Reach};

    use super::*;

    fn phasor() -> Flow {
        Flow {
            convention: Some(Convention::Peak),
            clock: Some(("clock".into(), 1, 1)),
            ..Flow::new(Kind::Phasor, Unit::parse("V").expect("a unit"))
        }
    }

    fn gain() -> Constant {
        let value = phasemill_engine::units::Quantity::parse("2e8 V/A").expect("a quantity");
        Constant {
            name: "gain".into(),
            standard_uncertainty: Some(2e6),
            ..Constant::exact(value)
        }
    }

    #[test]
    fn volts_over_volts_per_ampere_are_amperes() {
        let z = [Complex64::new(4.0, -2.0)];
        let text = r#"Amplify(of: "x", divide_by: "gain")"#;
        let given = testing::run_every_way(
            &Amplify,
            text,
            &[gain()],
            &[phasor()],
            &[Samples::Phasor(&z)],
        )
        .expect("runs");
        assert_eq!(
            given.buffers[0].samples().phasor(),
            [Complex64::new(4.0, -2.0) / 2e8]
        );
        assert_eq!(given.ports[0].flow.unit, Unit::parse("A").expect("a unit"));
        let part = given.ports[0].flow.scalings[0].part(100.0.into());
        assert_eq!(part.expect("stated").effect, (-1.0).into());
    }

    /// A square of height H and 50 % duty has the fundamental 2H/π; at other duties and with flanks the
    /// factor is checked against the Fourier integral of the waveform, summed slowly.
    #[test]
    fn the_full_step_is_found_again() {
        assert!((peak_of_unit_step(1, 0.5, 0.0) - 2.0 / PI).abs() < 1e-15);
        for (n, duty, flank) in [
            (1, 0.5, 0.1),
            (1, 0.3, 0.05),
            (3, 0.5, 0.02),
            (2, 0.4, 0.07),
        ] {
            let steps = 200_000;
            let sum: Complex64 = (0..steps)
                .map(|i| (f64::from(i) + 0.5) / f64::from(steps))
                .map(|t| Complex64::from_polar(trapezoid(t, duty, flank), -TAU * f64::from(n) * t))
                .sum();
            let slow = 2.0 * sum.norm() / f64::from(steps);
            // The midpoint rule on a waveform with kinks errs by about (1/steps)².
            assert!(
                (slow - peak_of_unit_step(n, duty, flank)).abs() < 1e-8,
                "{n} {duty} {flank}: {slow}"
            );
        }
    }

    /// A trapezoid, up between `flank/2` and `duty - flank/2`, with linear flanks around 0 and `duty`.
    fn trapezoid(t: f64, duty: f64, flank: f64) -> f64 {
        let t = if t > 1.0 - 0.5 * flank { t - 1.0 } else { t };
        if t < 0.5 * flank {
            t / flank + 0.5
        } else if t < duty - 0.5 * flank {
            1.0
        } else if t < duty + 0.5 * flank {
            0.5 - (t - duty) / flank
        } else {
            0.0
        }
    }

    #[test]
    fn peak_becomes_rms() {
        let z = [Complex64::new(SQRT_2, 0.0)];
        let text = r#"Amplify(of: "x", express_as: Rms)"#;
        let given =
            testing::run_every_way(&Amplify, text, &[], &[phasor()], &[Samples::Phasor(&z)])
                .expect("runs");
        assert!((given.buffers[0].samples().phasor()[0].re - 1.0).abs() < 1e-15);
        assert_eq!(given.ports[0].flow.convention, Some(Convention::Rms));
    }

    #[test]
    fn an_even_harmonic_of_a_symmetric_square_has_no_step() {
        let flow = Flow {
            clock: Some(("clock".into(), 2, 1)),
            ..phasor()
        };
        let text = r#"Amplify(of: "x", express_as: FullStep(chopping: Square()))"#;
        let (found, _) = testing::check(&Amplify, text, &[], &[flow]);
        assert_eq!(
            found.iter().map(|d| d.code).collect::<Vec<_>>(),
            [Code::OutOfRange]
        );
    }

    /// An estimate with 3 % of its own and 4 % of the gain has 5 %, by hand.
    #[test]
    fn the_gain_adds_its_share() {
        let own = About::scatter("own", Reach::Node, 9.0);
        let parts = Some(vec![Part::new(&own, 0, 0.03)]);
        let z = Value::Estimate(Estimate {
            parts,
            ..Estimate::real(1.0)
        });
        let constant = Constant {
            standard_uncertainty: Some(8e6),
            ..gain()
        };
        let flow = Flow {
            kind: Kind::Estimate,
            ..phasor()
        };
        let text = r#"Amplify(of: "x", multiply_by: "gain")"#;
        let (_, values) =
            testing::evaluate(&Amplify, text, &[constant], &[flow], &[&z]).expect("runs");
        let scaled = values[0].estimate().expect("a value");
        let relative = scaled.standard_uncertainty().expect("evaluated").re / scaled.value.re;
        assert!((relative - 0.05).abs() < 1e-15, "{relative}");
    }
}
