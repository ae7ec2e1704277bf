//! `Repeats`: whether points that come to the same place of a sweep again agree.

use phasemill_engine::diagnostic::Code;
use phasemill_engine::flow::{Flow, Kind, Port};
use phasemill_engine::stage::{
    Checker, Configured, Fault, Series, SeriesAxis, Stage, Told, TrialWork, Work,
};
use phasemill_engine::text::{Range, Reader};
use phasemill_engine::value::Value;

use crate::compare::{directions, tested, tested_in_trials};
use crate::math::gls::{expect_series, too_close};
use crate::math::turns::Differing;
use crate::weighted_mean::test_ports;

/// Part of the largest place by which places may differ that are rounded otherwise.
const ROUNDING: f64 = 1e-9;

/// The stage.
pub struct Repeats;

impl Stage for Repeats {
    fn name(&self) -> &'static str {
        "Repeats"
    }

    fn doc(&self) -> &'static str {
        "Whether points at the same place along the axis agree within their uncertainties, as those of a sweep up \
         and down again do where nothing drifts, lags behind or has changed meanwhile. `difference` is each point less \
         the first at its place, in the order in which they were taken, and nothing where it is the first; \
         `chi_square` is d'V^-1 d of all differences d with their covariance V, which has what they share, `p` the \
         probability of as much or more if all points at a place are the same, and `birge` is \
         sqrt(chi_square/degrees of freedom), of which there is one per difference, two for complex estimates \
         (generalised least squares; Aitken, Proc. R. Soc. Edinburgh 55, 42 (1935); it does not matter which of the points \
         at a place the others are held against). The probability counts the degrees of freedom of the uncertainties, as \
         that of `Compare` does; what is below 1e-10 comes out as that. Phases relative to a clock differ by half a \
         turn at most. A p that is small says that the points scatter by more than is stated of each, so \
         that a mean over the repeats is less certain than it seems."
    }

    fn example(&self) -> &'static str {
        r#"Recipe(
    title: "Whether a sweep up and down gives the same",
    inputs: { "x": Wave(unit: "V") },
    stages: {
        "level": Average(of: "x", over: Blocks("1 s")),
        "again": Repeats(of: "level"),
    },
    results: ["level", "again"],
)"#
    }

    fn read(&self, r: &mut Reader<'_>) -> Box<dyn Configured> {
        r.setting("of", "the series").flow();
        let doc =
            "how far above the lowest of them places may be that count as one, in the axis' unit";
        let within = r.setting("within", doc).default("0");
        Box::new(Settings {
            within: within.number(Range::NotNegative),
        })
    }
}

struct Settings {
    within: f64,
}

impl Configured for Settings {
    fn check(&self, inputs: &[Flow], checker: &mut Checker<'_>) -> Vec<Port> {
        let [input] = inputs else { return Vec::new() };
        let kinds = [Kind::Estimate, Kind::ComplexEstimate];
        if !expect_series(0, input, &kinds, 2, checker) {
            return Vec::new();
        }
        if input.axis == Some(false) {
            let message = "expected points along an axis, found a recording without one";
            let help = "name the axis in the recording or the wiring";
            checker.error("of", Code::UnknownName, message, help);
        }
        let difference = Port::new("difference", input.clone());
        (std::iter::once(difference).chain(test_ports(input))).collect()
    }

    fn method(&self, inputs: &[Told<'_>]) -> Option<String> {
        let of = inputs.first()?.name;
        Some(format!(
            "Points of {of} at the same place along the axis were held against the first there, by chi-square of the \
             differences with their full covariance."
        ))
    }

    fn prepare(&self, inputs: &[Flow]) -> Result<Work, Fault> {
        let complex = inputs.first().is_some_and(|f| f.kind.is_complex());
        Ok(Work::Series(Box::new(Repeating {
            differing: Differing::of(inputs.first()),
            complex,
            within: self.within,
        })))
    }
}

struct Repeating {
    differing: Differing,
    complex: bool,
    within: f64,
}

impl Repeating {
    /// For every point that has a value, the first one at its place, unless it is that itself.
    fn firsts(
        &self,
        series: &[Option<Value>],
        axis: &SeriesAxis,
    ) -> Result<Vec<Option<usize>>, Fault> {
        let place = |point: usize| axis.values.get(point).copied().unwrap_or(f64::NAN);
        let mut points: Vec<usize> = (0..series.len())
            .filter(|p| series[*p].is_some() && place(*p).is_finite())
            .collect();
        let largest = points.iter().map(|p| place(*p).abs()).fold(0.0, f64::max);
        let apart = self.within + ROUNDING * largest;
        points.sort_by(|a, b| place(*a).total_cmp(&place(*b)).then(a.cmp(b)));
        let mut firsts = vec![None; series.len()];
        let mut rest = points.as_slice();
        while let Some(lowest) = rest.first() {
            let count = rest.partition_point(|p| place(*p) - place(*lowest) <= apart);
            let (together, others) = rest.split_at(count);
            let first = together.iter().copied().min();
            for point in together.iter().filter(|p| Some(**p) != first) {
                firsts[*point] = first;
            }
            rest = others;
        }
        match firsts.iter().any(Option::is_some) {
            true => Ok(firsts),
            false => Err(Fault::Numeric {
                what: "repeats",
                why: format!(
                    "expected points that come to the same place along `{}` again, found {} points at as many places; say \
                     how far apart they may be as `within`",
                    axis.name,
                    points.len()
                ),
            }),
        }
    }
}

/// Each point less the first at its place.
fn differences(
    differing: Differing,
    series: &[Option<Value>],
    firsts: &[Option<usize>],
) -> Vec<Option<Value>> {
    let less = |point: usize| {
        let (later, first) = (series[point].as_ref()?, series[firsts[point]?].as_ref()?);
        let (later, first) = (later.estimate()?, first.estimate()?);
        Some(differing.less_of(later, first))
    };
    (0..series.len()).map(less).collect()
}

impl Series for Repeating {
    fn run(
        &self,
        inputs: &[&[Option<Value>]],
        axis: &SeriesAxis,
    ) -> Result<Vec<Vec<Option<Value>>>, Fault> {
        let [series] = inputs else {
            return Ok(Vec::new());
        };
        let difference = differences(self.differing, series, &self.firsts(series, axis)?);
        tested(difference, directions(self.complex))
    }

    fn remarks(&self, values: &[Vec<Option<Value>>]) -> Vec<String> {
        too_close(values)
    }

    fn trials(&self, run: &[&[Option<Value>]], axis: &SeriesAxis) -> Result<Box<TrialWork>, Fault> {
        let [series] = run else {
            return Ok(Box::new(|_| None));
        };
        let firsts = self.firsts(series, axis)?;
        let differing = self.differing;
        let difference = differences(differing, series, &firsts);
        tested_in_trials(&difference, directions(self.complex), move |inputs| {
            let series = inputs.first()?;
            let less = |(point, first): (usize, &Option<usize>)| {
                Some(differing.less(series[point]?, series[(*first)?]?))
            };
            Some(firsts.iter().enumerate().map(less).collect())
        })
    }
}

#[cfg(test)]
mod tests {
    use phasemill_engine::testing;
    use phasemill_engine::units::Unit;
    use phasemill_engine::value::{About, Estimate, Part, Reach};

    use super::*;

    /// Points with known uncertainties of their own, and one that all share.
    fn series(values: &[Option<f64>], own: f64, shared: f64) -> Vec<Option<Value>> {
        let point = |(k, value): (usize, &Option<f64>)| {
            let noise = About::scatter(format!("noise {k}"), Reach::Node, f64::INFINITY);
            let gain = About::constant("gain", None);
            let parts = vec![Part::new(&noise, 0, own), Part::new(&gain, 0, shared)];
            Some(Value::Estimate(Estimate {
                parts: Some(parts),
                ..Estimate::real((*value)?)
            }))
        };
        values.iter().enumerate().map(point).collect()
    }

    fn work(within: &str) -> Box<dyn Series> {
        let flow = Flow {
            evaluated: true,
            ..Flow::new(Kind::Estimate, Unit::one())
        };
        let text = format!("Repeats(of: \"x\", within: {within})");
        let work = testing::series(&Repeats, &text, &[], &[flow]);
        work.expect("it prepares").expect("a series")
    }

    fn axis(values: &[f64]) -> SeriesAxis {
        SeriesAxis {
            name: "x".into(),
            unit: "nm".into(),
            values: values.to_vec(),
        }
    }

    fn reals(values: &[Option<Value>]) -> Vec<Option<f64>> {
        let real = |v: &Option<Value>| Some(v.as_ref()?.estimate()?.value.re);
        values.iter().map(real).collect()
    }

    /// Up and down over three places and up to the second again: differences 0.2 of the second, -0.3 of the first, 0.5 of
    /// the second less its first. What all share cancels. With variance 1 of each point those of the second place have V
    /// = [[2, 1], [1, 2]] and V⁻¹ = [[2, -1], [-1, 2]]/3, so chi-square is 0.09/2 + (2·0.04 - 2·0.1 + 2·0.25)/3.
    #[test]
    fn points_are_held_against_the_first_at_their_place() {
        let values = [1.0, 2.0, 3.0, 2.2, 0.7, 2.5].map(Some);
        let places = [400.0, 410.0, 420.0, 410.0, 400.0, 410.0];
        let found = work("0").run(&[&series(&values, 1.0, 7.0)], &axis(&places));
        let found = found.expect("runs");
        let differences = reals(&found[0]);
        let expected = [None, None, None, Some(0.2), Some(-0.3), Some(0.5)];
        for (found, expected) in differences.iter().zip(expected) {
            assert_eq!(found.is_some(), expected.is_some());
            let off = found.unwrap_or(0.0) - expected.unwrap_or(0.0);
            assert!(off.abs() < 1e-15);
        }
        let by_hand = 0.09 / 2.0 + (2.0 * 0.04 - 2.0 * 0.1 + 2.0 * 0.25) / 3.0;
        let number = |k: usize| reals(&found[k])[0].expect("a number");
        assert!((number(1) / by_hand - 1.0).abs() < 1e-13);
        assert!((number(3) / (by_hand / 3.0).sqrt() - 1.0).abs() < 1e-13);
    }

    /// A point without a value is none, and the next at its place is the first.
    #[test]
    fn points_without_a_value_are_left_out() {
        let values = [None, Some(5.0), Some(6.0), Some(8.0)];
        let found = work("0").run(
            &[&series(&values, 1.0, 0.0)],
            &axis(&[400.0, 410.0, 400.0, 400.0]),
        );
        let found = found.expect("runs");
        assert_eq!(reals(&found[0]), [None, None, None, Some(2.0)]);
    }

    #[test]
    fn places_are_one_within_what_is_stated() {
        let values = [1.0, 2.0, 1.5].map(Some);
        let places = axis(&[400.0, 410.0, 400.4]);
        let points = series(&values, 1.0, 0.0);
        let fault = work("0").run(&[&points], &places).unwrap_err();
        assert!(
            fault
                .to_string()
                .contains("found 3 points at as many places"),
            "{fault}"
        );
        let found = work("0.5").run(&[&points], &places).expect("runs");
        assert_eq!(reals(&found[0]), [None, None, Some(0.5)]);
        // 0.1 + 0.2 is not 0.3, and is the same place.
        let rounded = axis(&[0.3, 5.0, 0.1 + 0.2]);
        assert!(work("0").run(&[&points], &rounded).is_ok());
    }
}
