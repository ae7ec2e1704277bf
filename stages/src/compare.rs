//! `Compare`: whether two series agree.

use num_complex::Complex64;
use phasemill_engine::compare::Agreement;
use phasemill_engine::diagnostic::Code;
use phasemill_engine::flow::{Flow, Kind, Port};
use phasemill_engine::stage::{
    Checker, Configured, Fault, Series, SeriesAxis, Stage, Told, TrialWork, Work,
};
use phasemill_engine::text::Reader;
use phasemill_engine::value::Value;

use crate::math::gls::{Observations, expect_series, too_close};
use crate::math::turns::Differing;
use crate::weighted_mean::test_ports;

/// The stage.
pub struct Compare;

impl Stage for Compare {
    fn name(&self) -> &'static str {
        "Compare"
    }

    fn doc(&self) -> &'static str {
        "Whether two series of estimates agree within their uncertainties. `difference` is the first less the \
         second, point by point, `chi_square` is d'V^-1 d of all differences d with their covariance V, `p` the \
         probability of as much or more if both are the same, and `birge` is sqrt(chi_square/degrees of freedom), \
         of which there is one per point, two for complex estimates (generalised least squares; Aitken, Proc. R. \
         Soc. Edinburgh 55, 42 (1935)). What both share, as a gain or a background, cancels as far as it does \
         (JCGM 100:2008, 5.2). Points that either series lacks are left out. The probability \
         counts the degrees of freedom of the uncertainties. Where these are infinite it is that of a chi-square; a \
         point whose covariance has one estimate contributes Hotelling's T^2 (Ann. Math. Stat. 2, 360 (1931)), and \
         independent points their sum, which is exact for normal noise; of points that share noise, or have \
         uncertainties from several sources, it is right to first order in one over the degrees of freedom (James, \
         Biometrika 41, 19 (1954)). What is below 1e-10 comes out as that. Phases relative to a clock differ by half a \
         turn at most."
    }

    // 3: phases differ by half a turn at most.
    fn numeric_version(&self) -> u32 {
        3
    }

    fn example(&self) -> &'static str {
        r#"Recipe(
    title: "Whether two detectors see the same",
    inputs: { "left": Wave(unit: "V"), "right": Wave(unit: "V") },
    stages: {
        "left level": Average(of: "left", over: Blocks("1 s")),
        "right level": Average(of: "right", over: Blocks("1 s")),
        "agreement": Compare(of: ["left level", "right level"]),
    },
    results: ["agreement"],
)"#
    }

    fn read(&self, r: &mut Reader<'_>) -> Box<dyn Configured> {
        let found = r.setting("of", "the two series").flows();
        if found != 2 {
            let message = format!("expected two flows, found {found}");
            let help = "list them, as in `of: [\"up\", \"down\"]`";
            r.fault("of", Code::OutOfRange, message, help);
        }
        Box::new(Settings)
    }
}

struct Settings;

impl Configured for Settings {
    fn check(&self, inputs: &[Flow], checker: &mut Checker<'_>) -> Vec<Port> {
        let [a, b] = inputs else { return Vec::new() };
        let kinds = [Kind::Estimate, Kind::ComplexEstimate];
        if !expect_series(0, a, &kinds, 1, checker) || !expect_series(1, b, &[a.kind], 1, checker) {
            return Vec::new();
        }
        if !a.unit.same_dimension(&b.unit) || a.convention != b.convention {
            let message = format!(
                "expected estimates of one dimension and convention, found {} and {}",
                shown(a),
                shown(b)
            );
            let help = "bring one of them to the other's with `Amplify` first";
            checker.error("of", Code::Unit, message, help);
        }
        let difference = Port::new("difference", a.clone());
        std::iter::once(difference).chain(test_ports(a)).collect()
    }

    fn method(&self, inputs: &[Told<'_>]) -> Option<String> {
        let [a, b] = inputs else { return None };
        let (a, b) = (a.name, b.name);
        Some(format!(
            "{a} and {b} were compared by chi-square of their differences with the full covariance of these."
        ))
    }

    fn prepare(&self, inputs: &[Flow]) -> Result<Work, Fault> {
        let complex = inputs.first().is_some_and(|f| f.kind.is_complex());
        Ok(Work::Series(Box::new(Agreeing {
            differing: Differing::of(inputs.first()),
            directions: directions(complex),
        })))
    }
}

struct Agreeing {
    differing: Differing,
    directions: &'static [Complex64],
}

/// The value of a point. A recording of one point is compared with every point of the other.
fn at<T>(series: &[Option<T>], point: usize) -> Option<&T> {
    let value = series.get(if series.len() == 1 { 0 } else { point });
    value.and_then(Option::as_ref)
}

/// The first series less the second, point by point.
fn difference(
    differing: Differing,
    a: &[Option<Value>],
    b: &[Option<Value>],
) -> Vec<Option<Value>> {
    let less = |point: usize| {
        let (x, y) = (at(a, point)?.estimate()?, at(b, point)?.estimate()?);
        Some(differing.less_of(x, y))
    };
    (0..a.len().max(b.len())).map(less).collect()
}

/// Differences, and whether they are zero within their uncertainties.
pub(crate) fn tested(
    difference: Vec<Option<Value>>,
    directions: &[Complex64],
) -> Result<Vec<Vec<Option<Value>>>, Fault> {
    let observed = Observations::new(&difference, directions);
    let tests = observed.solve(0, |_| true, |_, _| {})?.tests();
    let tests = tests.map(|e| vec![Some(Value::Estimate(e))]);
    Ok(std::iter::once(difference).chain(tests).collect())
}

/// The same in trials, with the weights of the differences of the run; `drawn` makes differences of what is drawn.
pub(crate) fn tested_in_trials(
    difference: &[Option<Value>],
    directions: &[Complex64],
    drawn: impl Fn(&[Vec<Option<Complex64>>]) -> Option<Vec<Option<Complex64>>> + Send + Sync + 'static,
) -> Result<Box<TrialWork>, Fault> {
    let observed = Observations::new(difference, directions);
    let weights = observed.weights(0, |_| true, |_, _| {})?;
    let places = observed.places();
    Ok(Box::new(move |inputs| {
        let difference = drawn(inputs)?;
        let tests = weights.solve(places.values(&difference)?).ok()?.tests();
        let tests = tests.map(|x| vec![Some(x.into())]);
        Some(std::iter::once(difference).chain(tests).collect())
    }))
}

impl Series for Agreeing {
    fn run(
        &self,
        inputs: &[&[Option<Value>]],
        _: &SeriesAxis,
    ) -> Result<Vec<Vec<Option<Value>>>, Fault> {
        let [a, b] = inputs else {
            return Ok(Vec::new());
        };
        tested(difference(self.differing, a, b), self.directions)
    }

    fn remarks(&self, values: &[Vec<Option<Value>>]) -> Vec<String> {
        too_close(values)
    }

    fn trials(&self, run: &[&[Option<Value>]], _: &SeriesAxis) -> Result<Box<TrialWork>, Fault> {
        let [a, b] = run else {
            return Ok(Box::new(|_| None));
        };
        let differing = self.differing;
        let difference = difference(differing, a, b);
        tested_in_trials(&difference, self.directions, move |inputs| {
            let [a, b] = inputs else { return None };
            let less = |point| Some(differing.less(*at(a, point)?, *at(b, point)?));
            Some((0..a.len().max(b.len())).map(less).collect())
        })
    }
}

/// The parts that estimates have.
pub(crate) fn directions(complex: bool) -> &'static [Complex64] {
    match complex {
        true => &[Complex64::ONE, Complex64::I],
        false => &[Complex64::ONE],
    }
}

/// Whether differences are zero within their uncertainties, as the stage tests it; points without a value are
/// left out.
///
/// # Errors
/// Why that cannot be told.
pub fn agreement(differences: &[Option<Value>], complex: bool) -> Result<Agreement, String> {
    let observed = Observations::new(differences, directions(complex));
    let solution = observed.solve(0, |_| true, |_, _| {});
    let solution = solution.map_err(|fault| fault.to_string())?;
    let [chi_square, p, _] = solution.tests().map(|e| e.value.re);
    Ok(Agreement {
        chi_square,
        degrees_of_freedom: solution.solved.degrees_of_freedom,
        p,
    })
}

fn shown(flow: &Flow) -> String {
    match flow.convention {
        Some(convention) => format!("{} ({convention})", flow.unit),
        None => flow.unit.to_string(),
    }
}

#[cfg(test)]
mod tests {
    use phasemill_engine::statistics::{Ratio, ratios_above};
    use phasemill_engine::units::Unit;
    use phasemill_engine::value::{About, Estimate, Part, Reach};

    use super::*;

    fn point(value: f64, noise: f64, name: &str) -> Option<Value> {
        let own = About::scatter(name, Reach::Node, 9.0);
        let gain = About::constant("gain", None);
        Some(Value::Estimate(Estimate {
            parts: Some(vec![
                Part::new(&own, 0, noise),
                Part::new(&gain, 0, 0.5 * value),
            ]),
            ..Estimate::real(value)
        }))
    }

    /// Six differences of 0.01 standard uncertainties, each from nine degrees of freedom, are closer together than chance
    /// makes them in one of 1000; those of one standard uncertainty are not, nor are four.
    #[test]
    fn differences_that_are_too_small_are_remarked_on() {
        let flow = Flow::new(Kind::Estimate, Unit::one());
        let Ok(Work::Series(work)) = Settings.prepare(&[flow.clone(), flow]) else {
            panic!("a series")
        };
        let remarks = |count: usize, apart: f64| {
            let series = |which: &str, off: f64| -> Vec<Option<Value>> {
                let one = |k: usize| {
                    let noise = About::scatter(format!("{which}{k}"), Reach::Node, 9.0);
                    let parts = Some(vec![Part::new(&noise, 0, 0.5f64.sqrt())]);
                    Some(Value::Estimate(Estimate {
                        parts,
                        ..Estimate::real(k as f64 + off)
                    }))
                };
                (0..count).map(one).collect()
            };
            let (a, b) = (series("a", 0.0), series("b", apart));
            let values = work.run(&[&a, &b], &SeriesAxis::default()).expect("runs");
            work.remarks(&values)
        };
        let told = remarks(6, 0.01);
        assert_eq!(told.len(), 1);
        // 6·0.01² = 0.0006.
        assert!(
            told[0].starts_with("chi-square is 0.000600 over 6 degrees of freedom"),
            "{told:?}"
        );
        assert!(remarks(6, 1.0).is_empty() && remarks(4, 0.01).is_empty());
    }

    /// Differences 0.5 and -1 of variances 0.3² + 0.4² and as much, and 0.5 of each of a gain that does not cancel
    /// altogether: d'V⁻¹d of a two by two matrix, by hand: V = [[.25 + .0625, -.125], [-.125, .25 + .25]].
    #[test]
    fn what_is_shared_cancels_as_far_as_it_does() {
        let a = [point(4.5, 0.3, "a0"), point(3.0, 0.3, "a1"), None];
        let b = [
            point(4.0, 0.4, "b0"),
            point(4.0, 0.4, "b1"),
            point(1.0, 0.4, "b2"),
        ];
        let flow = Flow::new(Kind::Estimate, Unit::one());
        let Ok(Work::Series(work)) = Settings.prepare(&[flow.clone(), flow]) else {
            panic!("a series")
        };
        let found = work.run(&[&a, &b], &SeriesAxis::default()).expect("runs");
        let (v, w, c): (f64, f64, f64) = (0.3125, 0.5, -0.125);
        let by_hand = (w * 0.25 + v * 1.0 + 2.0 * c * 0.5) / (v * w - c * c);
        let number = |k: usize| {
            found[k][0]
                .as_ref()
                .and_then(Value::estimate)
                .expect("a value")
                .value
                .re
        };
        assert!((number(1) / by_hand - 1.0).abs() < 1e-14);
        // Own noise from two sources of 9 degrees of freedom each: of each number it takes up its variance times the
        // diagonal of V⁻¹, and the gain what is left.
        let inverse = [w, v].map(|x| x / (v * w - c * c));
        let own = inverse.map(|x| {
            let [a, b] = [0.09 * x, 0.16 * x];
            let squares = (a * a + b * b) / 9.0;
            Ratio::estimated(a + b, 2.0 * squares, 3.0 * squares)
        });
        let gain = Ratio::known(2.0 - 0.25 * (inverse[0] + inverse[1]));
        let p = ratios_above(by_hand, &[own[0], own[1], gain]);
        assert!((number(2) / p - 1.0).abs() < 1e-9, "{} {p}", number(2));
        assert!(found[0][2].is_none() && number(0) == 0.5);
    }
}
