//! `Rotate`: turns phasors by a phase.

mod known;

use num_complex::Complex64;
use phasemill_engine::constant::Constant;
use phasemill_engine::diagnostic::Code;
use phasemill_engine::flow::{Buffer, Flow, Kind, Port, Samples};
use phasemill_engine::stage::{
    Checker, Configured, Fault, Follows, Kernel, Series, SeriesAxis, Stage, Told, TrialWork, Work,
};
use phasemill_engine::text::{Range, Reader};
use phasemill_engine::value::{Estimate, Value};

use crate::math::points::{PointChoice, read_point};
use known::Known;

/// The stage.
pub struct Rotate;

impl Stage for Rotate {
    fn name(&self) -> &'static str {
        "Rotate"
    }

    fn doc(&self) -> &'static str {
        "Turns a phasor or complex estimate z by a phase phi, z*exp(i*phi). `Phase` is a stated one. `Delay` takes the \
         time t by which the signal is recorded later than the reference, as by a converter that reads its channels in \
         turn: phi = 2*pi*f*t at the frequency f of the signal, n/m times that of the clock, which the reference \
         states or `frequency` tells. `OntoInPhase` brings the value of one point of a series onto the positive \
         in-phase axis, phi = -arg z[point]. The uncertainty of a constant that states phase or time turns alike all \
         that it turns, and so does that of the point's phase (first order, JCGM 100:2008, 5.2)."
    }

    fn example(&self) -> &'static str {
        r#"Recipe(
    title: "Chopped signal with the phase of the set-up taken out",
    inputs: { "detector": Wave(unit: "V"), "chopper": Wave(unit: "V") },
    stages: {
        "clock": Reference(of: "chopper", shape: Square()),
        "product": Mix(of: "detector", with: "clock"),
        "answer": Average(of: "product"),
        "turned": Rotate(of: "answer", by: Phase("-12.5 deg")),
    },
    results: ["turned"],
)"#
    }

    fn read(&self, r: &mut Reader<'_>) -> Box<dyn Configured> {
        r.setting("of", "the phasor or complex estimate").flow();
        let by = r.setting("by", "how far to turn").choice(|c| {
            c.variant("Phase", "a stated phase", |r| {
                By::Known(Known::phase(
                    &r.setting("", "phase").constant("deg", Range::Any),
                ))
            })
            .variant(
                "Delay",
                "the time by which the signal is recorded late",
                |r| {
                    let doc = "time; less than zero where the reference is late";
                    By::Known(Known::delay(&r.setting("", doc).constant("s", Range::Any)))
                },
            )
            .variant(
                "OntoInPhase",
                "the phase that puts one point on the in-phase axis",
                |r| By::Point(read_point(r, "point")),
            );
        });
        let measured = r
            .setting(
                "frequency",
                "frequency of the clock, for a delay; by default the one that the reference states",
            )
            .optional()
            .map(|s| s.flow());
        let by = by.unwrap_or(By::Known(Known::phase(&Constant::one())));
        if measured.is_some() && !matches!(&by, By::Known(known) if known.is_delay()) {
            let message = "expected a delay that needs a frequency, found none";
            r.fault("frequency", Code::Unused, message, "leave `frequency` out");
        }
        Box::new(Settings { by })
    }
}

#[derive(Clone)]
enum By {
    Known(Known),
    Point(PointChoice),
}

struct Settings {
    by: By,
}

impl Configured for Settings {
    fn check(&self, inputs: &[Flow], checker: &mut Checker<'_>) -> Vec<Port> {
        let Some(input) = inputs.first() else {
            return Vec::new();
        };
        if !checker.expect_kind(0, input, &[Kind::Phasor, Kind::ComplexEstimate]) {
            return Vec::new();
        }
        match &self.by {
            By::Known(known) => known.check(input, inputs.get(1), checker),
            By::Point(point) => {
                if checker.expect_kind(0, input, &[Kind::ComplexEstimate]) {
                    point.check("by.point", input, checker);
                }
            }
        }
        vec![Port::new("", input.clone())]
    }

    fn follows(&self, _: &[Flow]) -> Option<Follows> {
        match &self.by {
            By::Known(known) => Some(Follows::Times(unit(known.stated_phase()?))),
            By::Point(_) => None,
        }
    }

    fn method(&self, inputs: &[Told<'_>]) -> Option<String> {
        let of = inputs.first()?.name;
        Some(match &self.by {
            By::Known(known) => known.told(of),
            By::Point(point) => format!(
                "The phase of {of} was turned so that the point {} lies on the in-phase axis.",
                point.told()
            ),
        })
    }

    fn prepare(&self, inputs: &[Flow]) -> Result<Work, Fault> {
        let Some(input) = inputs.first() else {
            return Err(Fault::TooFew {
                what: "inputs",
                needed: 1,
                found: 0,
            });
        };
        Ok(match self.by.clone() {
            By::Known(known) if input.kind == Kind::Phasor => {
                let turn = unit(known.stated_phase().unwrap_or(f64::NAN));
                Work::Stream(Box::new(move || Box::new(Turning(turn))))
            }
            By::Known(known) => {
                let flow = input.clone();
                Work::Point(Box::new(move |values| {
                    let mut estimates = values.iter().filter_map(|v| v.estimate());
                    let Some(z) = estimates.next() else {
                        return Ok(Vec::new());
                    };
                    let turned = known.turned(z, &flow, estimates.next());
                    Ok(vec![Value::Estimate(turned)])
                }))
            }
            By::Point(point) => Work::Series(Box::new(OntoInPhase(point))),
        })
    }
}

/// By the phase that puts this point on the in-phase axis.
struct OntoInPhase(PointChoice);

impl Series for OntoInPhase {
    fn run(
        &self,
        inputs: &[&[Option<Value>]],
        axis: &SeriesAxis,
    ) -> Result<Vec<Vec<Option<Value>>>, Fault> {
        let series = inputs.first().copied().unwrap_or(&[]);
        let (_, pivot) = self.0.find(series, axis)?;
        if pivot.value.norm() == 0.0 {
            return Err(Fault::Point {
                wanted: "with a phase".into(),
                found: "an amplitude of zero".into(),
            });
        }
        let turned = series.iter().map(|v| {
            v.as_ref()?
                .estimate()
                .map(|z| Value::Estimate(onto(z, pivot)))
        });
        Ok(vec![turned.collect()])
    }

    fn trials(&self, run: &[&[Option<Value>]], axis: &SeriesAxis) -> Result<Box<TrialWork>, Fault> {
        self.0.trial(run, axis, |pivot| {
            let turn = (pivot.norm() > 0.0).then(|| back(pivot))?;
            Some(move |z| z * turn)
        })
    }
}

fn unit(phase: f64) -> Complex64 {
    Complex64::new(libm::cos(phase), libm::sin(phase))
}

/// What turns a number onto the in-phase axis.
fn back(pivot: Complex64) -> Complex64 {
    pivot.conj() / libm::hypot(pivot.re, pivot.im)
}

/// `z` turned by the phase that brings `pivot` onto the in-phase axis.
fn onto(z: &Estimate, pivot: &Estimate) -> Estimate {
    let p = pivot.value;
    let turn = back(p);
    let value = z.value * turn;
    Estimate::propagate(&[z, pivot], value, |input, d| match input {
        0 => d * turn,
        // The pivot's phase changes by Im(p* d)/|p|², and the result turns back by as much.
        _ => value * Complex64::new(0.0, -(p.conj() * d).im / p.norm_sqr()),
    })
}

struct Turning(Complex64);

impl Kernel for Turning {
    fn run(&mut self, inputs: &[Samples<'_>], outputs: &mut [Buffer]) -> Result<(), Fault> {
        if let (Some(Samples::Phasor(samples)), Some(Buffer::Phasor(out))) =
            (inputs.first(), outputs.first_mut())
        {
            out.extend(samples.iter().map(|z| z * self.0));
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

    #[test]
    fn a_quarter_turn_swaps_the_axes() {
        let z = [Complex64::new(2.0, 1.0)];
        let flows = [Flow::new(Kind::Phasor, Unit::one())];
        let given = testing::run_every_way(
            &Rotate,
            r#"Rotate(of: "z", by: Phase("90 deg"))"#,
            &[],
            &flows,
            &[Samples::Phasor(&z)],
        )
        .expect("runs");
        // Two roundings of cosine and sine, each below 2^-53 relative to 2.
        assert!(
            (given.buffers[0].samples().phasor()[0] - Complex64::new(-1.0, 2.0)).norm() < 1e-15
        );
    }

    /// The pivot itself loses its quadrature part and that part's uncertainty altogether.
    #[test]
    fn the_pivot_lies_on_the_axis_without_uncertainty_across() {
        let about = About::scatter("s", Reach::Node, 9.0);
        let parts = vec![
            Part::new(&about, 0, Complex64::new(0.1, 0.0)),
            Part::new(&about, 1, Complex64::new(0.0, 0.2)),
        ];
        let pivot = Estimate {
            parts: Some(parts),
            ..Estimate::bare(Complex64::new(3.0, 4.0))
        };
        let turned = onto(&pivot, &pivot);
        let u = turned.standard_uncertainty().expect("evaluated");
        assert!((turned.value - Complex64::new(5.0, 0.0)).norm() < 1e-14);
        // Along the phasor: sqrt((0.6·0.1)² + (0.8·0.2)²), by hand.
        assert!(
            (u.re - (0.0036f64 + 0.0256).sqrt()).abs() < 1e-14 && u.im < 1e-15,
            "{u}"
        );
    }
}
