//! `WeightedMean`: the mean of the points of a series.

use num_complex::Complex64;
use phasemill_engine::flow::{Flow, Kind, Port};
use phasemill_engine::response::Response;
use phasemill_engine::stage::{
    Checker, Configured, Fault, Series, SeriesAxis, Stage, Told, TrialWork, Work,
};
use phasemill_engine::text::Reader;
use phasemill_engine::units::Unit;
use phasemill_engine::value::Value;

use crate::compare::directions;
use crate::math::gls::{Observations, expect_series, own, too_close};
use crate::math::turns::Differing;

/// The stage.
pub struct WeightedMean;

impl Stage for WeightedMean {
    fn name(&self) -> &'static str {
        "WeightedMean"
    }

    fn doc(&self) -> &'static str {
        "The mean of all points of a series of real or complex estimates, weighted by their uncertainties and \
         covariances. It is (1'V^-1 1)^-1 1'V^-1 y, the generalised least-squares mean (Aitken, Proc. R. Soc. Edinburgh \
         55, 42 (1935)); for independent points the weights are 1/u^2. V holds what the points share, as the \
         noise of a background, but not constants, which act on all: an uncertain factor would pull the mean down \
         (D'Agostini, Nucl. Instrum. Methods A 346, 306 (1994)). They are in the uncertainty of the mean, as every \
         source of a point is, and the mean stays correlated with what it is made of. `chi_square` is that of \
         the residuals, `p` the probability of as much or more by chance, `birge` the Birge ratio sqrt(chi_square/degrees \
         of freedom) (Birge, Phys. Rev. 40, 207 (1932)): one well above 1 says that the points scatter \
         more than their uncertainties, which is not made up for. The probability counts the degrees of freedom of \
         the uncertainties, as that of `Compare` does. Phases relative to a clock are taken as many turns further as \
         brings them nearest to the first."
    }

    // 3: phases go on beyond half a turn.
    fn numeric_version(&self) -> u32 {
        3
    }

    fn example(&self) -> &'static str {
        r#"Recipe(
    title: "One level from repeated points",
    inputs: { "detector": Wave(unit: "V") },
    stages: {
        "level": Average(of: "detector", over: Blocks("1 s")),
        "mean": WeightedMean(of: "level"),
    },
    results: ["level", "mean"],
)"#
    }

    fn read(&self, r: &mut Reader<'_>) -> Box<dyn Configured> {
        r.setting("of", "the series of estimates").flow();
        Box::new(Settings)
    }
}

struct Settings;

/// Chi-square and what follows from it, one for all points.
pub(crate) fn test_ports(input: &Flow) -> [Port; 3] {
    let number = Flow {
        kind: Kind::Estimate,
        unit: Unit::one(),
        evaluated: false,
        convention: None,
        clock: None,
        response: Response::default(),
        ..input.clone()
    };
    ["chi_square", "p", "birge"].map(|name| Port::new(name, number.clone()).single().bare())
}

impl Configured for Settings {
    fn check(&self, inputs: &[Flow], checker: &mut Checker<'_>) -> Vec<Port> {
        let [input] = inputs else { return Vec::new() };
        let kinds = [Kind::Estimate, Kind::ComplexEstimate];
        if !expect_series(0, input, &kinds, 2, checker) {
            return Vec::new();
        }
        let mean = Port::new("", input.clone()).single();
        std::iter::once(mean).chain(test_ports(input)).collect()
    }

    fn method(&self, inputs: &[Told<'_>]) -> Option<String> {
        let of = inputs.first()?.name;
        Some(format!(
            "The points of {of} were averaged with weights from their uncertainties and covariances (generalised least \
             squares)."
        ))
    }

    fn prepare(&self, inputs: &[Flow]) -> Result<Work, Fault> {
        let complex = inputs.first().is_some_and(|f| f.kind.is_complex());
        let differing = Differing::of(inputs.first());
        Ok(Work::Series(Box::new(Mean {
            differing,
            directions: directions(complex),
        })))
    }
}

struct Mean {
    differing: Differing,
    /// The parts that values have.
    directions: &'static [Complex64],
}

impl Mean {
    /// The terms of a row: every part has a mean of its own.
    fn terms(&self, row: usize, terms: &mut [f64]) {
        terms[row % self.directions.len()] = 1.0;
    }
}

impl Series for Mean {
    fn run(
        &self,
        inputs: &[&[Option<Value>]],
        _: &SeriesAxis,
    ) -> Result<Vec<Vec<Option<Value>>>, Fault> {
        let series = inputs.first().copied().unwrap_or(&[]);
        let series = self.differing.about_the_first(series);
        let observed = Observations::new(&series, self.directions);
        let count = self.directions.len();
        let found = observed.solve(count, own, |row, terms| self.terms(row, terms))?;
        let mut mean = found.estimate(self.directions);
        mean.value = self.differing.near(mean.value, Complex64::ZERO);
        let all = std::iter::once(mean).chain(found.tests());
        Ok(all.map(|e| vec![Some(Value::Estimate(e))]).collect())
    }

    fn remarks(&self, values: &[Vec<Option<Value>>]) -> Vec<String> {
        too_close(values)
    }

    fn trials(&self, run: &[&[Option<Value>]], _: &SeriesAxis) -> Result<Box<TrialWork>, Fault> {
        let series = run.first().copied().unwrap_or(&[]);
        let differing = self.differing;
        let series = differing.about_the_first(series).into_owned();
        let observed = Observations::new(&series, self.directions);
        let count = self.directions.len();
        let weights = observed.weights(count, own, |row, terms| self.terms(row, terms))?;
        let (places, directions) = (observed.places(), self.directions);
        Ok(Box::new(move |inputs| {
            let near = differing.near_run(inputs.first()?, &series);
            let found = weights.solve(places.values(&near)?).ok()?;
            let all = std::iter::once(found.sum(directions)).chain(found.tests().map(Into::into));
            Some(all.map(|x| vec![Some(x)]).collect())
        }))
    }
}

#[cfg(test)]
mod tests {
    use phasemill_engine::value::{About, Estimate, Part, Reach};

    use super::*;

    fn point(value: f64, own: f64, gain: f64, which: usize) -> Option<Value> {
        let noise = About::scatter(format!("point {which}"), Reach::Node, 9.0);
        let shared = About::constant("gain", None);
        Some(Value::Estimate(Estimate {
            parts: Some(vec![
                Part::new(&noise, 0, own),
                Part::new(&shared, 0, gain * value),
            ]),
            ..Estimate::real(value)
        }))
    }

    fn mean(series: &[Option<Value>]) -> Vec<Estimate> {
        let flow = Flow::new(Kind::Estimate, Unit::one());
        let Ok(Work::Series(work)) = Settings.prepare(&[flow]) else {
            panic!("a series")
        };
        let values = work.run(&[series], &SeriesAxis::default()).expect("runs");
        let one = |v: &Vec<Option<Value>>| v[0].as_ref()?.estimate().cloned();
        values.iter().map(|v| one(v).expect("a value")).collect()
    }

    /// 1.0(1) and 1.5(2): weights 100 and 25, mean 1.1, u = 1/sqrt(125), chi-square 100·0.01 + 25·0.16 = 5; by hand.
    #[test]
    fn weights_are_inverse_squares() {
        let found = mean(&[point(1.0, 0.1, 0.0, 0), None, point(1.5, 0.2, 0.0, 1)]);
        let u = found[0].standard_uncertainty().expect("evaluated").re;
        assert!((found[0].value.re - 1.1).abs() < 1e-15);
        assert!((u - 125f64.sqrt().recip()).abs() < 1e-15);
        assert!(
            (found[1].value.re - 5.0).abs() < 1e-13
                && (found[3].value.re - 5f64.sqrt()).abs() < 1e-13
        );
    }

    /// 1.0 and 1.5, each to 10 % of its own and to 20 % of a factor: 1.154, not below both; the factor's 20 % of
    /// it stay in its uncertainty. Weights 100 and 44.4, by hand.
    #[test]
    fn a_common_factor_does_not_pull_the_mean() {
        let found = mean(&[point(1.0, 0.1, 0.2, 0), point(1.5, 0.15, 0.2, 1)]);
        let expected = (100.0 + 1.5 / 0.0225) / (100.0 + 1.0 / 0.0225);
        assert!((found[0].value.re - expected).abs() < 1e-14);
        let u = found[0].standard_uncertainty().expect("evaluated").re;
        let own = 1.0 / (100.0 + 1.0 / 0.0225);
        assert!((u * u - own - 0.04 * expected * expected).abs() < 1e-15);
    }
}
