//! `Background`: subtracts the value of one point from every point of a series.

use phasemill_engine::flow::{Flow, Kind, Port};
use phasemill_engine::stage::{
    Checker, Configured, Fault, Series, SeriesAxis, Stage, Told, TrialWork, Work,
};
use phasemill_engine::text::Reader;
use phasemill_engine::value::{Estimate, Value};

use crate::math::points::{PointChoice, read_point};

/// The stage.
pub struct Background;

impl Stage for Background {
    fn name(&self) -> &'static str {
        "Background"
    }

    fn doc(&self) -> &'static str {
        "Subtracts the value of one point of a sweep, such as one taken with the beam blocked, from every \
         point: z[k] - z[background]. Complex estimates are subtracted as complex numbers, since pick-up at the \
         reference frequency has a phase of its own (common practice, no source). The background's uncertainty \
         is shared by all points (JCGM 100:2008, 5.2); the background point itself becomes exactly zero."
    }

    fn example(&self) -> &'static str {
        r#"Recipe(
    title: "Chopped signal less the pick-up seen at the first point",
    inputs: { "detector": Wave(unit: "V"), "chopper": Wave(unit: "V") },
    stages: {
        "clock": Reference(of: "chopper", shape: Square()),
        "product": Mix(of: "detector", with: "clock"),
        "answer": Average(of: "product"),
        "net": Background(of: "answer", point: Index(0)),
    },
    results: ["net"],
)"#
    }

    fn read(&self, r: &mut Reader<'_>) -> Box<dyn Configured> {
        r.setting("of", "the estimate").flow();
        Box::new(Settings {
            point: read_point(r, "point"),
        })
    }
}

struct Settings {
    point: PointChoice,
}

impl Configured for Settings {
    fn check(&self, inputs: &[Flow], checker: &mut Checker<'_>) -> Vec<Port> {
        let [input] = inputs else { return Vec::new() };
        if !checker.expect_kind(0, input, &[Kind::Estimate, Kind::ComplexEstimate]) {
            return Vec::new();
        }
        self.point.check("point", input, checker);
        vec![Port::new("", input.clone())]
    }

    fn method(&self, inputs: &[Told<'_>]) -> Option<String> {
        let of = inputs.first()?.name;
        Some(format!(
            "The value of {of} at the point {} was subtracted from all points{}.",
            self.point.told(),
            match inputs.first()?.flow.kind {
                Kind::ComplexEstimate => ", as a complex number",
                _ => "",
            }
        ))
    }

    fn prepare(&self, _: &[Flow]) -> Result<Work, Fault> {
        Ok(Work::Series(Box::new(Less(self.point.clone()))))
    }
}

/// Less the value of this point.
struct Less(PointChoice);

impl Series for Less {
    fn run(
        &self,
        inputs: &[&[Option<Value>]],
        axis: &SeriesAxis,
    ) -> Result<Vec<Vec<Option<Value>>>, Fault> {
        let series = inputs.first().copied().unwrap_or(&[]);
        let background = self.0.find(series, axis)?.1;
        let less = |z: &Estimate| {
            let value = z.value - background.value;
            Estimate::propagate(
                &[z, background],
                value,
                |input, d| if input == 0 { d } else { -d },
            )
        };
        let net = series
            .iter()
            .map(|v| v.as_ref()?.estimate().map(|z| Value::Estimate(less(z))));
        Ok(vec![net.collect()])
    }

    fn trials(&self, run: &[&[Option<Value>]], axis: &SeriesAxis) -> Result<Box<TrialWork>, Fault> {
        self.0
            .trial(run, axis, |background| Some(move |z| z - background))
    }
}

#[cfg(test)]
mod tests {
    use num_complex::Complex64;
    use phasemill_engine::value::{About, Part, Reach};

    use super::*;

    fn point(value: Complex64, u: f64, name: &str) -> Option<Value> {
        let about = About::scatter(name, Reach::Node, 9.0);
        let parts = Some(vec![Part::new(&about, 0, u)]);
        Some(Value::Estimate(Estimate {
            parts,
            ..Estimate::bare(value)
        }))
    }

    /// 5+2i less 1+1i is 4+1i with u = sqrt(0.3² + 0.4²) = 0.5, by hand; a failed point stays failed.
    #[test]
    fn subtracts_as_complex_numbers_with_the_shared_uncertainty() {
        let series = [
            point(Complex64::new(1.0, 1.0), 0.4, "b"),
            point(Complex64::new(5.0, 2.0), 0.3, "a"),
            None,
        ];
        let Ok(Work::Series(work)) = Settings {
            point: PointChoice::Index(0),
        }
        .prepare(&[]) else {
            panic!("a series")
        };
        let net = work
            .run(&[&series], &SeriesAxis::default())
            .expect("runs")
            .remove(0);
        let estimate = |k: usize| net[k].as_ref().and_then(Value::estimate).expect("a value");
        assert_eq!(estimate(1).value, Complex64::new(4.0, 1.0));
        assert!((estimate(1).standard_uncertainty().expect("evaluated").re - 0.5).abs() < 1e-15);
        assert_eq!(
            estimate(0).standard_uncertainty().expect("evaluated").re,
            0.0
        );
        assert!(net[2].is_none());
    }

    #[test]
    fn a_failed_background_point_is_named() {
        let Ok(Work::Series(work)) = Settings {
            point: PointChoice::Index(0),
        }
        .prepare(&[]) else {
            panic!("a series")
        };
        let fault = work
            .run(&[&[None]], &SeriesAxis::default())
            .expect_err("no background");
        assert_eq!(
            fault.to_string(),
            "expected a usable point of index 0, found that point 0 gave no value"
        );
    }
}
