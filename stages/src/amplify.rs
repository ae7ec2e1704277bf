//! `Amplify`: multiplies or divides by a constant, and changes how an amplitude is stated.

mod tabulated;
mod told;

use std::f64::consts::{PI, SQRT_2};

use num_complex::Complex64;
use phasemill_engine::constant::Constant;
use phasemill_engine::diagnostic::Code;
use phasemill_engine::flow::{Buffer, Convention, Flow, Kind, Port, Samples, Scaling};
use phasemill_engine::stage::{
    Checker, ClockFound, Configured, Fault, Follows, Kernel, Linear, Stage, Told, Work,
};
use phasemill_engine::text::{Range, Reader};
use phasemill_engine::value::{Estimate, Value};

use tabulated::Tabulated;

/// A full step that is off by more than this part is remarked on.
const STEP_OFF: f64 = 0.01;

/// The stage.
pub struct Amplify;

impl Stage for Amplify {
    fn name(&self) -> &'static str {
        "Amplify"
    }

    fn doc(&self) -> &'static str {
        "Multiplies a wave, phasor or estimate by a constant, divides it by one, or both; a constant in dB is the \
         amplitude ratio 10^(x/20). A table of gain and phase, as of a preamplifier, is taken at the frequency of \
         the signal, n/m times that of the clock: what the reference states, or `frequency`. Between its entries \
         the logarithm of the gain and the phase lie on straight lines against the logarithm of the frequency; what \
         that leaves out is not in the uncertainty, so tabulate densely. The uncertainty of its gain acts along the \
         value and that of its phase across; neighbours share their entries, and all the common part. `express_as` changes how an amplitude is stated: peak A, rms A/sqrt(2), or the \
         full step H of a chopped quantity. A square between 0 and H that is up for the part d of a period has at \
         harmonic n the peak amplitude 2H|sin(pi n d)|/(n pi), which is 2H/pi for d = 1/2 and n = 1 (derived, \
         Fourier series); linear flanks that each take the part r of a period multiply this by \
         sin(pi n r)/(pi n r) (derived; the flanks turn the square into its average over their length). A square \
         reference that is up for another part of a cycle, so that the step would be off by more than 1 %, is remarked on. The \
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
        let measured = r
            .setting(
                "frequency",
                "frequency of the clock, for a table; by default the one that the reference states",
            )
            .optional()
            .map(|s| s.flow());
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
        let table = [(&multiply, 1), (&divide, -1)];
        let table = table.map(|(c, power)| Tabulated::new(c.as_ref()?, power));
        let tables: Vec<Tabulated> = table.into_iter().flatten().collect();
        if measured.is_some() && tables.is_empty() {
            let message = "expected a table that needs a frequency, found none";
            r.fault("frequency", Code::Unused, message, "leave `frequency` out");
        }
        Box::new(Settings {
            multiply,
            divide,
            express,
            tables,
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
    /// Constants that depend on frequency.
    tables: Vec<Tabulated>,
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
        // The gain of a table is known at the frequency of the point only.
        let plain = |c: &Option<Constant>| match c {
            Some(c) if c.table.is_none() => c.value,
            _ => 1.0,
        };
        plain(&self.multiply) / plain(&self.divide) * self.restated(input)
    }

    fn scalings(&self) -> impl Iterator<Item = Scaling> {
        let named = |c: &Option<Constant>, power: i32| {
            let plain = |c: &&Constant| !c.name.is_empty() && c.table.is_none();
            let constant = c.as_ref().filter(plain)?;
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
        let Some(input) = inputs.first() else {
            return Vec::new();
        };
        let kinds = [
            Kind::Wave,
            Kind::Phasor,
            Kind::Estimate,
            Kind::ComplexEstimate,
        ];
        let kinds = match self.tables.is_empty() {
            true => &kinds[..],
            false => &[Kind::ComplexEstimate],
        };
        if !checker.expect_kind(0, input, kinds) {
            return Vec::new();
        }
        for table in &self.tables {
            table.check(input, inputs.get(1), checker);
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

    fn follows(&self, inputs: &[Flow]) -> Option<Follows> {
        Some(Follows::Times(self.factor(inputs.first()?).into()))
    }

    fn method(&self, inputs: &[Told<'_>]) -> Option<String> {
        self.told(inputs)
    }

    fn beside(&self, input: &Flow, clock: &ClockFound) -> Option<String> {
        let (Some(Express::Step { duty, flank }), Some((up, off))) = (self.express, clock.up)
        else {
            return None;
        };
        let harmonic = input.clock.as_ref().map_or(1, |(_, n, _)| *n);
        let peak = |duty| peak_of_unit_step(harmonic, duty, flank);
        let factor = peak(up) / peak(duty);
        let differs = (up - duty).abs() > off && (factor - 1.0).abs() > STEP_OFF;
        differs.then(|| {
            format!(
                "the reference is up for {:.1} % of a cycle, and the full step is told for {:.1} %: if what is measured is \
                 up for as long as the reference, the step told is {factor:.3} of the true one; state `duty: \"{:.1} %\"` \
                 in `chopping` then",
                100.0 * up,
                100.0 * duty,
                100.0 * up
            )
        })
    }

    fn linear(&self, inputs: &[Flow]) -> Option<Linear> {
        let input = inputs.first().filter(|i| i.kind.is_sampled())?;
        Some(Linear::Times(self.factor(input)))
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
        let (tables, flow) = (self.tables.clone(), input.clone());
        Ok(Work::Point(Box::new(move |values| {
            let mut estimates = values.iter().filter_map(|v| v.estimate());
            let Some(z) = estimates.next() else {
                return Ok(Vec::new());
            };
            // Each constant is an input of its own, so that it is told apart or found to be shared.
            let mut changes: Vec<Estimate> = scalings.iter().map(relative).collect();
            let mut factor = Complex64::from(factor);
            let measured = estimates.next();
            for table in &tables {
                let (gain, change) = table.at(&flow, measured)?;
                factor *= gain;
                changes.push(change);
            }
            let all: Vec<&Estimate> = std::iter::once(z).chain(&changes).collect();
            let value = z.value * factor;
            let mut scaled =
                Estimate::propagate(
                    &all,
                    value,
                    |input, d| if input == 0 { d * factor } else { value * d },
                );
            scaled.scatter = z.scatter.map(|s| s * libm::hypot(factor.re, factor.im));
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
mod tests;
