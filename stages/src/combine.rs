//! `Combine`: sum, difference, product or ratio of flows.

mod told;

use num_complex::Complex64;
use phasemill_engine::diagnostic::Code;
use phasemill_engine::flow::{Buffer, Flow, Kind, Port, Samples, Scaling};
use phasemill_engine::stage::{Checker, Configured, Fault, Kernel, Stage, Told, Work};
use phasemill_engine::text::Reader;
use phasemill_engine::units::Unit;
use phasemill_engine::value::{Estimate, Value};

use crate::math::turns::Differing;

/// The stage.
pub struct Combine;

impl Stage for Combine {
    fn name(&self) -> &'static str {
        "Combine"
    }

    fn doc(&self) -> &'static str {
        "Sum, difference (the first less the others), product or ratio (the first over the second) of flows of \
         the same kind: waves or phasors sample by sample, estimates point by point. Complex flows are combined \
         as complex numbers. Terms of a sum or difference need the same dimension and amplitude convention, \
         and phasors the same harmonic. A complex estimate may be multiplied or divided by a real one. Estimates propagate their uncertainty to first order with \
         what they share (JCGM 100:2008, 5.2): a constant that scales both cancels from their ratio. An estimate \
         of a recording with a single point is combined with every point of another. The difference of phases relative to \
         a clock is the nearest one, within half a turn."
    }

    // 2: phases differ by half a turn at most.
    fn numeric_version(&self) -> u32 {
        2
    }

    fn example(&self) -> &'static str {
        r#"Recipe(
    title: "Transmission: signal over monitor",
    inputs: { "signal": Wave(unit: "V"), "monitor": Wave(unit: "V") },
    stages: {
        "signal level": Average(of: "signal"),
        "monitor level": Average(of: "monitor"),
        "transmission": Combine(of: ["signal level", "monitor level"], by: Ratio),
    },
    results: ["transmission"],
)"#
    }

    fn read(&self, r: &mut Reader<'_>) -> Box<dyn Configured> {
        let count = r.setting("of", "the flows, in order").flows();
        let by = r.setting("by", "the operation").choice(|c| {
            c.variant("Sum", "a + b + ...", |_| By::Sum)
                .variant("Difference", "a - b - ...", |_| By::Difference)
                .variant("Product", "a * b * ...", |_| By::Product)
                .variant("Ratio", "a / b", |_| By::Ratio);
        });
        let by = by.unwrap_or(By::Sum);
        if count < 2 || (by == By::Ratio && count != 2) {
            let expected = if by == By::Ratio {
                "two flows"
            } else {
                "two flows or more"
            };
            r.fault(
                "of",
                Code::OutOfRange,
                format!("expected {expected}, found {count}"),
                "list them, as in `of: [\"a\", \"b\"]`",
            );
        }
        Box::new(Settings { by })
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum By {
    Sum,
    Difference,
    Product,
    Ratio,
}

impl By {
    fn is_linear(self) -> bool {
        matches!(self, By::Sum | By::Difference)
    }

    fn apply(self, a: Complex64, b: Complex64) -> Complex64 {
        match self {
            By::Sum => a + b,
            By::Difference => a - b,
            By::Product => a * b,
            By::Ratio => a / b,
        }
    }

    fn apply_real(self, a: f64, b: f64) -> f64 {
        match self {
            By::Sum => a + b,
            By::Difference => a - b,
            By::Product => a * b,
            By::Ratio => a / b,
        }
    }
}

#[derive(Clone, Copy)]
struct Settings {
    by: By,
}

impl Settings {
    fn join(&self, a: Flow, b: &Flow, index: usize, checker: &mut Checker<'_>) -> Flow {
        // A complex estimate may be multiplied or divided by a real one, such as a level.
        let scaled =
            !self.by.is_linear() && a.kind == Kind::ComplexEstimate && b.kind == Kind::Estimate;
        if a.kind != b.kind && !scaled {
            checker.expect_kind(index, b, &[a.kind]);
            return a;
        }
        let mut refuse =
            |code, message: String, help: &str| checker.error("of", code, message, help);
        if a.convention.is_some() && b.convention.is_some() && a.convention != b.convention {
            let name = |f: &Flow| f.convention.map_or(String::new(), |c| c.to_string());
            let message = format!(
                "expected amplitudes stated alike, found {} and {}",
                name(&a),
                name(b)
            );
            refuse(
                Code::Unit,
                message,
                "bring one of them to the other's convention with `Amplify(express_as: ...)`",
            );
        }
        if self.by.is_linear() {
            if !a.unit.same_dimension(&b.unit) {
                let message = format!(
                    "expected units of one dimension, found {} and {}",
                    a.unit, b.unit
                );
                refuse(
                    Code::Unit,
                    message,
                    "scale one of them with `Amplify` first",
                );
            }
            if a.kind.is_complex() && harmonic(&a) != harmonic(b) {
                let message = "expected phasors of one harmonic, found different ones".to_owned();
                refuse(Code::WrongFlow, message, "mix both with the same harmonic");
            }
            if !a.kind.is_complex() || harmonic(&a) == harmonic(b) {
                compare_phases(&a, b, checker);
            }
            let mut refuse =
                |code, message: String, help: &str| checker.error("of", code, message, help);
            if a.kind.is_sampled() && a.scalings != b.scalings {
                let message = "expected samples scaled by the same constants, found different ones"
                    .to_owned();
                refuse(
                    Code::WrongFlow,
                    message,
                    "combine the averages, which keep each constant's uncertainty",
                );
            }
            let response = a.response.clone().slower(b.response.clone());
            return Flow {
                response,
                gain: a.gain.max(b.gain),
                evaluated: a.evaluated && b.evaluated,
                ..a
            };
        }
        let unit = match self.by {
            By::Ratio => a.unit.div(&b.unit),
            _ => a.unit.mul(&b.unit),
        };
        let unit = unit.unwrap_or_else(|e| {
            refuse(Code::Unit, e.to_string(), "check the units of the flows");
            a.unit.clone()
        });
        compare_phases(&a, b, checker);
        // The product or ratio of two amplitudes is none; with a plain number it stays one.
        let convention = a.convention.filter(|_| b.convention.is_none());
        let power = if self.by == By::Ratio { -1 } else { 1 };
        let scalings = joined(&a.scalings, &b.scalings, power);
        let response = a.response.clone().slower(b.response.clone());
        Flow {
            unit,
            convention,
            scalings,
            response,
            evaluated: a.evaluated && b.evaluated,
            ..a
        }
    }
}

/// Warns of phases that are relative to different references or harmonics: those of phasors, and phases
/// that were taken of them.
fn compare_phases(a: &Flow, b: &Flow, checker: &mut Checker<'_>) {
    let (Some((first, n, m)), Some((second, k, l))) = (&a.clock, &b.clock) else {
        return;
    };
    let angle = |f: &Flow| f.unit.same_dimension(&Unit::degree());
    let phases = a.kind.is_complex() && b.kind.is_complex() || angle(a) && angle(b);
    // The clocks of two recordings are two by necessity; those of one are so by choice.
    let message = if !phases || a.recordings != b.recordings {
        return;
    } else if first != second {
        format!("the phases are relative to different references, `{first}` and `{second}`")
    } else if (n, m) != (k, l) {
        format!("the phases are relative to different harmonics, {n}/{m} and {k}/{l} of `{first}`")
    } else {
        return;
    };
    checker.warn(
        "of",
        Code::Reference,
        message,
        "they have no common zero; mix both with one clock and harmonic, or combine amplitudes",
    );
}

fn harmonic(flow: &Flow) -> Option<(u32, u32)> {
    flow.clock.as_ref().map(|(_, n, m)| (*n, *m))
}

/// Constants of a product or ratio; those that cancel are gone.
fn joined(a: &[Scaling], b: &[Scaling], power: i32) -> Vec<Scaling> {
    let mut all = a.to_vec();
    for scaling in b {
        match all.iter_mut().find(|s| s.constant == scaling.constant) {
            Some(known) => known.power += power * scaling.power,
            None => all.push(Scaling {
                power: power * scaling.power,
                ..scaling.clone()
            }),
        }
    }
    all.retain(|s| s.power != 0);
    all
}

impl Configured for Settings {
    fn check(&self, inputs: &[Flow], checker: &mut Checker<'_>) -> Vec<Port> {
        let Some((first, others)) = inputs.split_first() else {
            return Vec::new();
        };
        if !checker.expect_kind(
            0,
            first,
            &[
                Kind::Wave,
                Kind::Phasor,
                Kind::Estimate,
                Kind::ComplexEstimate,
            ],
        ) {
            return Vec::new();
        }
        let flow = others
            .iter()
            .enumerate()
            .fold(first.clone(), |a, (i, b)| self.join(a, b, i + 1, checker));
        vec![Port::new("", flow)]
    }

    fn method(&self, inputs: &[Told<'_>]) -> Option<String> {
        self.told(inputs)
    }

    fn prepare(&self, inputs: &[Flow]) -> Result<Work, Fault> {
        let by = self.by;
        Ok(match inputs.first().map(|f| f.kind.is_sampled()) {
            Some(true) => Work::Stream(Box::new(move || Box::new(Combining(by)))),
            _ => {
                let differing = Differing::of(inputs.first());
                Work::Point(Box::new(move |values| combined(by, differing, values)))
            }
        })
    }
}

fn combined(by: By, differing: Differing, values: &[&Value]) -> Result<Vec<Value>, Fault> {
    let estimates: Vec<&Estimate> = values.iter().filter_map(|v| v.estimate()).collect();
    let Some((first, others)) = estimates.split_first() else {
        return Ok(Vec::new());
    };
    let mut result = (*first).clone();
    for other in others {
        let (a, b) = (result.value, other.value);
        if by == By::Ratio && b.norm() == 0.0 {
            return Err(Fault::Numeric {
                what: "ratio",
                why: "the divisor is exactly zero".into(),
            });
        }
        let value = match by {
            By::Difference => differing.less(a, b),
            _ => by.apply(a, b),
        };
        result = Estimate::propagate(&[&result, other], value, |input, d| match (by, input) {
            (By::Sum, _) | (By::Difference, 0) => d,
            (By::Difference, _) => -d,
            (By::Product, 0) => d * b,
            (By::Product, _) => a * d,
            (By::Ratio, 0) => d / b,
            (By::Ratio, _) => -(a / b) * (d / b),
        });
    }
    Ok(vec![Value::Estimate(result)])
}

struct Combining(By);

impl Kernel for Combining {
    fn run(&mut self, inputs: &[Samples<'_>], outputs: &mut [Buffer]) -> Result<(), Fault> {
        let by = self.0;
        match (inputs.split_first(), outputs.first_mut()) {
            (Some((Samples::Wave(first), others)), Some(Buffer::Wave(out))) => {
                out.extend_from_slice(first);
                for other in others {
                    out.iter_mut()
                        .zip(other.wave())
                        .for_each(|(a, b)| *a = by.apply_real(*a, *b));
                }
            }
            (Some((Samples::Phasor(first), others)), Some(Buffer::Phasor(out))) => {
                out.extend_from_slice(first);
                for other in others {
                    out.iter_mut()
                        .zip(other.phasor())
                        .for_each(|(a, b)| *a = by.apply(*a, *b));
                }
            }
            _ => {}
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {

    use phasemill_engine::testing;
    use phasemill_engine::units::Unit;
    use phasemill_engine::value::{About, Part, Reach};

    use super::*;

    fn wave(unit: &str) -> Flow {
        Flow::new(Kind::Wave, Unit::parse(unit).expect("a unit"))
    }

    #[test]
    fn samples_combine_one_by_one() {
        let (a, b) = ([6.0, 8.0], [2.0, -4.0]);
        for (by, expected) in [
            ("Sum", [8.0, 4.0]),
            ("Difference", [4.0, 12.0]),
            ("Product", [12.0, -32.0]),
            ("Ratio", [3.0, -2.0]),
        ] {
            let text = format!(r#"Combine(of: ["a", "b"], by: {by})"#);
            let inputs = [Samples::Wave(&a), Samples::Wave(&b)];
            let given =
                testing::run_every_way(&Combine, &text, &[], &[wave("V"), wave("V")], &inputs)
                    .expect("runs");
            assert_eq!(given.buffers[0].samples().wave(), expected, "{by}");
        }
    }

    #[test]
    fn volts_and_amperes_do_not_add_but_divide() {
        let flows = [wave("V"), wave("A")];
        let (found, _) =
            testing::check(&Combine, r#"Combine(of: ["a", "b"], by: Sum)"#, &[], &flows);
        assert_eq!(
            found.iter().map(|d| d.code).collect::<Vec<_>>(),
            [Code::Unit]
        );
        let (found, ports) = testing::check(
            &Combine,
            r#"Combine(of: ["a", "b"], by: Ratio)"#,
            &[],
            &flows,
        );
        assert!(found.is_empty(), "{found}");
        assert!(
            ports[0]
                .flow
                .unit
                .same_dimension(&Unit::parse("Ohm").expect("a unit"))
        );
    }

    fn with_gain(value: f64) -> Value {
        let gain = About::constant("gain", None);
        let own = About::scatter(format!("own {value}"), Reach::Node, 9.0);
        let parts = vec![Part::new(&gain, 0, 0.01 * value), Part::new(&own, 0, 0.1)];
        Value::Estimate(Estimate {
            parts: Some(parts),
            ..Estimate::real(value)
        })
    }

    /// A gain known to 1 % that scales both drops out of their ratio; u = sqrt(0.01² + ...)/4 by hand.
    #[test]
    fn what_both_share_cancels_from_the_ratio() {
        let flows = [
            Flow::new(Kind::Estimate, Unit::one()),
            Flow::new(Kind::Estimate, Unit::one()),
        ];
        let (a, b) = (with_gain(8.0), with_gain(4.0));
        let (_, values) = testing::evaluate(
            &Combine,
            r#"Combine(of: ["a", "b"], by: Ratio)"#,
            &[],
            &flows,
            &[&a, &b],
        )
        .expect("runs");
        let u = values[0]
            .estimate()
            .and_then(Estimate::standard_uncertainty)
            .expect("evaluated")
            .re;
        // d(a/b): 0.1/4 from a, 0.1·8/16 from b, nothing from the gain.
        assert!(
            (u - (0.025f64 * 0.025 + 0.05 * 0.05).sqrt()).abs() < 1e-15,
            "{u}"
        );
    }

    /// (6 + 2i) over a level of 2 is 3 + i, by hand; the other way round has no meaning here.
    #[test]
    fn a_complex_estimate_over_a_real_one() {
        let volt = || Unit::parse("V").expect("a unit");
        let complex = Flow::new(Kind::ComplexEstimate, volt());
        let flows = [complex.clone(), Flow::new(Kind::Estimate, volt())];
        let text = r#"Combine(of: ["a", "b"], by: Ratio)"#;
        let (a, b) = (
            Estimate::bare(Complex64::new(6.0, 2.0)),
            Estimate::real(2.0),
        );
        let (a, b) = (Value::Estimate(a), Value::Estimate(b));
        let (found, values) =
            testing::evaluate(&Combine, text, &[], &flows, &[&a, &b]).expect("runs");
        assert!(found.is_empty(), "{found}");
        assert_eq!(
            values[0].estimate().map(|e| e.value),
            Some(Complex64::new(3.0, 1.0))
        );
        let (found, _) = testing::check(&Combine, text, &[], &[flows[1].clone(), complex]);
        assert_eq!(
            found.iter().map(|d| d.code).collect::<Vec<_>>(),
            [Code::WrongFlow]
        );
    }

    #[test]
    fn one_flow_is_not_enough() {
        let (found, _) = testing::check(
            &Combine,
            r#"Combine(of: ["a"], by: Sum)"#,
            &[],
            &[wave("V")],
        );
        assert_eq!(found.len(), 1, "{found}");
    }
}
