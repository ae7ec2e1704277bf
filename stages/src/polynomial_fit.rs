//! `PolynomialFit`: a straight line or polynomial through a series, against its axis.

use num_complex::Complex64;
use phasemill_engine::constant::Constant;
use phasemill_engine::diagnostic::Code;
use phasemill_engine::flow::{Flow, Kind, Port};
use phasemill_engine::stage::{
    Checker, Configured, Fault, Series, SeriesAxis, Stage, Told, TrialWork, Work,
};
use phasemill_engine::text::Reader;
use phasemill_engine::units::{Unit, UnitError};
use phasemill_engine::value::{Estimate, Value};

use crate::math::gls::{Observations, expect_series, own, too_close};
use crate::math::turns::Differing;
use crate::weighted_mean::test_ports;

/// Highest order; more needs another set of functions to stay well-conditioned.
const HIGHEST: i64 = 8;

/// The stage.
pub struct PolynomialFit;

impl Stage for PolynomialFit {
    fn name(&self) -> &'static str {
        "PolynomialFit"
    }

    fn doc(&self) -> &'static str {
        "A straight line or polynomial y = c0 + c1*x + c2*x^2 + ... through a series of real estimates against the \
         axis of the points. Coefficients come from generalised least squares with the covariance V of the points, \
         c = (X'V^-1 X)^-1 X'V^-1 y (Aitken, Proc. R. Soc. Edinburgh 55, 42 (1935)). Without an axis x is the number \
         of the point, from 0. `c0`, `c1`, ... are correlated with each other and with what they are made of; \
         `value` is the polynomial at `at`, extrapolated where that lies outside, for which the uncertainty \
         takes the polynomial as true. V holds what the points share, as the noise of a background, but not \
         constants, which act on all and are in the uncertainties alone (D'Agostini, Nucl. Instrum. Methods A 346, \
         306 (1994)). `chi_square` is that of the residuals, `p` the probability of as much or more by chance, \
         which counts the degrees of freedom of the uncertainties as that of `Compare` does, `birge` is sqrt(chi_square/degrees of freedom). \
         Phases relative to a clock go on over several turns: each is taken nearest to the one before."
    }

    // 3: phases go on beyond half a turn.
    fn numeric_version(&self) -> u32 {
        3
    }

    fn example(&self) -> &'static str {
        r#"Recipe(
    title: "Drift of a level from point to point, and where it will be at the tenth",
    inputs: { "detector": Wave(unit: "V") },
    stages: {
        "level": Average(of: "detector", over: Blocks("1 s")),
        "line": PolynomialFit(of: "level", at: "10"),
    },
    results: ["level", "line"],
)"#
    }

    fn read(&self, r: &mut Reader<'_>) -> Box<dyn Configured> {
        r.setting("of", "the series of real estimates").flow();
        let order = r
            .setting("order", "highest power; 1 is a straight line")
            .default("1")
            .integer(1, HIGHEST);
        let axis = r
            .setting("axis", "unit of the axis")
            .default("\"1\"")
            .text_at();
        let unit = axis.and_then(|(text, _)| match Unit::parse(&text) {
            Ok(unit) => Some(unit),
            Err(e) => {
                let help = "write the unit of the axis, as in \"nm\"";
                r.fault("axis", Code::Unit, e.to_string(), help);
                None
            }
        });
        let unit = unit.unwrap_or_else(Unit::one);
        let at = r
            .setting("at", "place on the axis at which the polynomial is wanted")
            .optional()
            .map(|s| s.factor());
        if let Some(at) = at.as_ref().filter(|at| !at.unit.same_dimension(&unit)) {
            let message = format!("expected a place in {unit}, found `{}`", at.text);
            let help = "give it in the unit of the axis, and that as `axis`";
            r.fault("at", Code::Unit, message, help);
        }
        Box::new(Settings {
            order: order as usize,
            unit,
            at,
        })
    }
}

#[derive(Clone)]
struct Settings {
    order: usize,
    unit: Unit,
    at: Option<Constant>,
}

impl Settings {
    /// Unit of the coefficient of x^power, as a person would write it.
    fn unit_of(&self, input: &Flow, power: usize) -> Result<Unit, UnitError> {
        if power == 0 || self.unit == Unit::one() {
            return Ok(input.unit.clone());
        }
        let factor = |unit: &Unit| match unit.ascii() {
            text if text.chars().all(char::is_alphanumeric) => text,
            text => format!("({text})"),
        };
        let exponent = match power {
            1 => String::new(),
            power => format!("^{power}"),
        };
        Unit::parse(&format!(
            "{}/{}{exponent}",
            factor(&input.unit),
            factor(&self.unit)
        ))
    }

    /// Places of the points in SI units.
    fn places(&self, axis: &SeriesAxis, points: usize) -> Result<Vec<f64>, Fault> {
        let unfit = |found: String| Fault::Numeric {
            what: "polynomial",
            why: format!("expected an axis in {}, found {found}", self.unit),
        };
        if axis.values.is_empty() {
            let bare = self.unit.is_dimensionless();
            let places = (0..points).map(|k| k as f64 * self.unit.si_factor());
            return match bare {
                true => Ok(places.collect()),
                false => Err(unfit(
                    "none; leave `axis` out, and x is the number of the point".into(),
                )),
            };
        }
        let unit = match axis.unit.as_str() {
            "" => self.unit.clone(),
            text => Unit::parse(text).map_err(|e| {
                unfit(format!(
                    "{}; correct the unit of the axis",
                    e.found_in(text)
                ))
            })?,
        };
        if !unit.same_dimension(&self.unit) {
            return Err(unfit(format!("one in {unit}; state its unit as `axis`")));
        }
        Ok(axis.values.iter().map(|x| x * unit.si_factor()).collect())
    }
}

impl Configured for Settings {
    fn check(&self, inputs: &[Flow], checker: &mut Checker<'_>) -> Vec<Port> {
        let [input] = inputs else { return Vec::new() };
        let needed = self.order as u64 + 1;
        if !expect_series(0, input, &[Kind::Estimate], needed, checker) {
            return Vec::new();
        }
        let mut ports = Vec::new();
        for power in 0..=self.order {
            match self.unit_of(input, power) {
                Ok(unit) => {
                    let flow = Flow {
                        unit,
                        convention: input.convention.filter(|_| power == 0),
                        ..input.clone()
                    };
                    ports.push(Port::given(format!("c{power}"), flow).single());
                }
                Err(e) => {
                    let help = "choose a lower order, or an axis in another unit";
                    checker.error("order", Code::Unit, e.to_string(), help);
                    return Vec::new();
                }
            }
        }
        if self.at.is_some() {
            ports.push(Port::new("value", input.clone()).single());
        }
        ports.into_iter().chain(test_ports(input)).collect()
    }

    fn method(&self, inputs: &[Told<'_>]) -> Option<String> {
        let of = inputs.first()?.name;
        let what = match self.order {
            1 => "A straight line".to_owned(),
            order => format!("A polynomial of order {order}"),
        };
        Some(format!(
            "{what} was fitted to the points of {of} by generalised least squares with their covariance."
        ))
    }

    fn prepare(&self, inputs: &[Flow]) -> Result<Work, Fault> {
        let differing = Differing::of(inputs.first());
        let settings = self.clone();
        Ok(Work::Series(Box::new(Fitting {
            settings,
            differing,
        })))
    }
}

struct Fitting {
    settings: Settings,
    differing: Differing,
}

impl Series for Fitting {
    fn run(
        &self,
        inputs: &[&[Option<Value>]],
        axis: &SeriesAxis,
    ) -> Result<Vec<Vec<Option<Value>>>, Fault> {
        let series = inputs.first().copied().unwrap_or(&[]);
        let Settings { order, at, .. } = &self.settings;
        let places = self.settings.places(axis, series.len())?;
        let series = self.differing.unwound(series);
        let found = fitted(&series, &places, *order, at.as_ref().map(|at| at.value))?;
        Ok(found
            .into_iter()
            .map(|e| vec![Some(Value::Estimate(e))])
            .collect())
    }

    fn remarks(&self, values: &[Vec<Option<Value>>]) -> Vec<String> {
        too_close(values)
    }

    fn trials(&self, run: &[&[Option<Value>]], axis: &SeriesAxis) -> Result<Box<TrialWork>, Fault> {
        let Settings { order, at, .. } = &self.settings;
        let series = run.first().copied().unwrap_or(&[]);
        let places = self.settings.places(axis, series.len())?;
        let differing = self.differing;
        let series = differing.unwound(series).into_owned();
        let observed = observed(&series, &places);
        let powers = Powers::of(&observed, &places, *order);
        let weights = observed.weights(powers.count, own, |row, terms| powers.terms(row, terms))?;
        let sums = powers.sums(at.as_ref().map(|at| at.value));
        let places = observed.places();
        Ok(Box::new(move |inputs| {
            let near = differing.near_run(inputs.first()?, &series);
            let found = weights.solve(places.values(&near)?).ok()?;
            let all = sums.iter().map(|sum| found.sum(sum));
            let all = all.chain(found.tests().map(Into::into));
            Some(all.map(|x| vec![Some(x)]).collect())
        }))
    }
}

/// The points whose place is known; others are no points.
fn observed<'e>(series: &'e [Option<Value>], places: &[f64]) -> Observations<'e> {
    Observations::of_points(series, &[Complex64::ONE], |k| {
        places.get(k).is_some_and(|x| x.is_finite())
    })
}

/// Powers of t = (x - middle)/half, which lie between -1 and 1, whatever the axis.
struct Powers {
    count: usize,
    middle: f64,
    half: f64,
    /// Of each row.
    t: Vec<f64>,
}

impl Powers {
    fn of(observed: &Observations<'_>, places: &[f64], order: usize) -> Self {
        let place = || observed.points.iter().map(|k| places[*k]);
        let (low, high) = place().fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), x| {
            (a.min(x), b.max(x))
        });
        let middle = 0.5 * (low + high);
        let half = if high > low { 0.5 * (high - low) } else { 1.0 };
        Powers {
            count: order + 1,
            middle,
            half,
            t: place().map(|x| (x - middle) / half).collect(),
        }
    }

    fn terms(&self, row: usize, terms: &mut [f64]) {
        let mut power = 1.0;
        for term in terms {
            *term = power;
            power *= self.t[row];
        }
    }

    /// What sums of these powers are the coefficients of x, from the lowest on, and the value at a place, if wanted.
    fn sums(&self, at: Option<f64>) -> Vec<Vec<Complex64>> {
        let of_power = |power| {
            (0..self.count)
                .map(|k| expanded(k, power, self.middle, self.half).into())
                .collect()
        };
        let mut all: Vec<Vec<Complex64>> = (0..self.count).map(of_power).collect();
        if let Some(at) = at {
            let t = (at - self.middle) / self.half;
            let powers = std::iter::successors(Some(1.0), |p| Some(p * t));
            all.push(powers.take(self.count).map(Into::into).collect());
        }
        all
    }
}

/// Coefficients from the lowest power on, the value at a place, if wanted, and the tests.
fn fitted(
    series: &[Option<Value>],
    places: &[f64],
    order: usize,
    at: Option<f64>,
) -> Result<Vec<Estimate>, Fault> {
    let observed = observed(series, places);
    let powers = Powers::of(&observed, places, order);
    let found = observed.solve(powers.count, own, |row, terms| powers.terms(row, terms))?;
    let sums = powers.sums(at);
    let all = sums.iter().map(|sum| found.estimate(sum));
    Ok(all.chain(found.tests()).collect())
}

/// The coefficient of x^power in ((x - middle)/half)^k.
fn expanded(k: usize, power: usize, middle: f64, half: f64) -> f64 {
    if power > k {
        return 0.0;
    }
    let mut term = 1.0;
    for i in 0..k - power {
        term *= -middle * (k - i) as f64 / (i + 1) as f64;
    }
    (0..k).fold(term, |t, _| t / half)
}

#[cfg(test)]
mod tests;
