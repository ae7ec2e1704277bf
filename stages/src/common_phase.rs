//! `CommonPhase`: the phase that all points of a series have in common.

use num_complex::Complex64;
use phasemill_engine::flow::{Flow, Kind, Port};
use phasemill_engine::stage::{
    Checker, Configured, Fault, Series, SeriesAxis, Stage, Told, TrialWork, Work,
};
use phasemill_engine::text::Reader;
use phasemill_engine::units::Unit;
use phasemill_engine::value::{Estimate, Value};

use crate::math::gls::{Observations, expect_series, own, too_close};
use crate::math::gls_weights::{Solved, Weights};
use crate::weighted_mean::test_ports;

/// The stage.
pub struct CommonPhase;

impl Stage for CommonPhase {
    fn name(&self) -> &'static str {
        "CommonPhase"
    }

    fn doc(&self) -> &'static str {
        "The phase that all points of a series of complex estimates have in common, as that of a set-up, and the series turned by it. With z[k] = a[k]*exp(i*phi) and real amplitudes a[k] of either sign, phi makes the \
         quadrature parts of z[k]*exp(-i*phi) smallest, by generalised least squares with their covariance \
         (Aitken, Proc. R. Soc. Edinburgh 55, 42 (1935); derived: quadrature parts change by -a[k] per radian). \
         It begins at half the argument of the sum of z[k]^2 over variance and is refined (Gauss-Newton). Of the \
         two phases half a turn apart it is the one for which the amplitudes sum to a positive number. Noise of \
         weak points adds little, since the weight goes with the amplitude. `turned` holds the amplitudes as \
         in-phase parts and stays correlated with the phase; one combination of its quadrature parts is zero whatever \
         was measured, so a mean or a fit takes the in-phase parts alone (`Parts`). `chi_square` is that of the quadrature parts left, \
         with one degree of freedom less than points, `p` the probability of as much or more if the phase is \
         common, `birge` is sqrt(chi_square/degrees of freedom); the probability counts the \
         degrees of freedom of the uncertainties, as that of `Compare` does."
    }

    fn numeric_version(&self) -> u32 {
        3
    }

    fn example(&self) -> &'static str {
        r#"Recipe(
    title: "A sweep with the phase of the set-up taken out",
    inputs: { "detector": Wave(unit: "V"), "chopper": Wave(unit: "V") },
    stages: {
        "clock": Reference(of: "chopper", shape: Square()),
        "product": Mix(of: "detector", with: "clock"),
        "answer": Average(of: "product", over: Blocks("1 s")),
        "set-up": CommonPhase(of: "answer"),
    },
    results: ["set-up"],
)"#
    }

    fn read(&self, r: &mut Reader<'_>) -> Box<dyn Configured> {
        r.setting("of", "the series of complex estimates").flow();
        Box::new(Settings)
    }
}

struct Settings;

/// Refinements; each squares what is left of the error, from a start that is right for equal variances.
const ROUNDS: u32 = 8;

impl Configured for Settings {
    fn check(&self, inputs: &[Flow], checker: &mut Checker<'_>) -> Vec<Port> {
        let [input] = inputs else { return Vec::new() };
        if !expect_series(0, input, &[Kind::ComplexEstimate], 2, checker) {
            return Vec::new();
        }
        let phase = Flow {
            kind: Kind::Estimate,
            unit: Unit::degree(),
            convention: None,
            ..input.clone()
        };
        let ports = [
            Port::new("phase", phase).single(),
            Port::new("turned", input.clone()),
        ];
        ports.into_iter().chain(test_ports(input)).collect()
    }

    fn method(&self, inputs: &[Told<'_>]) -> Option<String> {
        let of = inputs.first()?.name;
        Some(format!(
            "The phase common to all points of {of} was fitted by generalised least squares, and the points were turned \
             by it."
        ))
    }

    fn prepare(&self, _: &[Flow]) -> Result<Work, Fault> {
        Ok(Work::Series(Box::new(Settings)))
    }
}

fn unit(phase: f64) -> Complex64 {
    Complex64::new(libm::cos(phase), libm::sin(phase))
}

/// Between -180 and 180 degrees.
fn wrapped(phase: f64) -> f64 {
    phase - std::f64::consts::TAU * (phase / std::f64::consts::TAU).round()
}

/// Where the search for the phase ends.
struct Found {
    /// What the quadrature parts were seen along, turned by a quarter.
    turn: Complex64,
    /// The same, or its opposite: what all points are turned back by.
    by: Complex64,
    /// The phase before the last step.
    phase: f64,
    /// The last step, and how well it fits.
    solved: Solved,
}

/// Searches the phase of values with these variances; `quadratures` solves for a step of the phase from a turn.
fn search(
    values: &[Complex64],
    variances: &[f64],
    quadratures: impl Fn(Complex64) -> Result<Solved, Fault>,
) -> Result<Found, Fault> {
    let weighted = |(z, variance): (&Complex64, &f64)| z * z / variance;
    let square: Complex64 = values.iter().zip(variances).map(weighted).sum();
    let mut phi = 0.5 * libm::atan2(square.im, square.re);
    let mut step = f64::INFINITY;
    for _ in 0..ROUNDS {
        let turn = unit(phi);
        let solved = quadratures(turn)?;
        step = solved.coefficients[0];
        if step.abs() > 1e-9 {
            phi += step;
            continue;
        }
        let sum: f64 = values.iter().map(|z| (turn.conj() * z).re).sum();
        let (opposite, sign) = match sum < 0.0 {
            true => (std::f64::consts::PI, -1.0),
            false => (0.0, 1.0),
        };
        return Ok(Found {
            turn,
            by: turn * sign,
            phase: phi + opposite,
            solved,
        });
    }
    Err(Fault::Numeric {
        what: "common phase",
        why: format!(
            "it still moves by {step:.1e} rad after {ROUNDS} rounds; the series holds no signal"
        ),
    })
}

/// A series with what a search takes from it.
struct Points<'e> {
    series: &'e [Option<Value>],
    values: Vec<Complex64>,
    variances: Vec<f64>,
}

impl<'e> Points<'e> {
    fn of(series: &'e [Option<Value>]) -> Self {
        let observed = Observations::new(series, &[Complex64::ONE]);
        let estimates = observed.estimates();
        let variance = |e: &&Estimate| e.covariance().map_or(1.0, |[rr, ii, _]| rr + ii);
        Points {
            series,
            values: estimates.iter().map(|e| e.value).collect(),
            variances: estimates.iter().map(variance).collect(),
        }
    }

    /// The quadrature parts behind a turn.
    fn quadratures(&self, turn: Complex64) -> Observations<'e> {
        Observations::new(self.series, &[Complex64::I * turn])
    }

    /// Writes what a quadrature part changes by per radian, which is the amplitude.
    fn terms(&self, turn: Complex64) -> impl Fn(usize, &mut [f64]) {
        move |row, terms| terms[0] = (turn.conj() * self.values[row]).re
    }

    fn search(&self) -> Result<Found, Fault> {
        search(&self.values, &self.variances, |turn| {
            let observed = self.quadratures(turn);
            let weights = observed.weights(1, own, self.terms(turn))?;
            weights.solve(observed.values())
        })
    }
}

impl Series for Settings {
    fn run(
        &self,
        inputs: &[&[Option<Value>]],
        _: &SeriesAxis,
    ) -> Result<Vec<Vec<Option<Value>>>, Fault> {
        common_phase(inputs.first().copied().unwrap_or(&[]))
    }

    fn remarks(&self, values: &[Vec<Option<Value>>]) -> Vec<String> {
        too_close(values)
    }

    fn trials(&self, run: &[&[Option<Value>]], _: &SeriesAxis) -> Result<Box<TrialWork>, Fault> {
        let series = run.first().copied().unwrap_or(&[]);
        let points = Points::of(series);
        let known = points.search()?.turn;
        let of_run = points.quadratures(known);
        let law = of_run.weights(1, own, points.terms(known))?.law().clone();
        // Quadrature and in-phase parts behind the turn of the run. That of a trial is close to it, so that little
        // cancels where the covariance is turned.
        let both = Observations::new(series, &[Complex64::I * known, known]);
        let (covariance, places) = (both.covariance(own), both.points.clone());
        let variances = points.variances;
        Ok(Box::new(move |inputs| {
            let series = inputs.first()?;
            let value = |k: &usize| *series.get(*k)?;
            let values: Vec<Complex64> = places.iter().map(value).collect::<Option<_>>()?;
            let n = values.len();
            let found = search(&values, &variances, |turn| {
                let across = turned(&covariance, n, turn * known.conj());
                let term =
                    |row: usize, terms: &mut [f64]| terms[0] = (turn.conj() * values[row]).re;
                let weights = Weights::new(across, n, 1, term).map_err(|_| Fault::Numeric {
                    what: "common phase",
                    why: "quadrature parts without an uncertainty of their own".into(),
                })?;
                let part = |z: &Complex64| ((Complex64::I * turn).conj() * z).re;
                let weights = weights.with_law(law.clone());
                weights.solve(values.iter().map(part).collect())
            });
            let found = found.ok()?;
            let phase = wrapped(found.solved.coefficients[0] + found.phase);
            let back = found.by.conj();
            let turned = series.iter().map(|z| Some((*z)? * back)).collect();
            let tests = found.solved.tests().map(|x| vec![Some(x.into())]);
            let all = [vec![Some(phase.into())], turned];
            Some(all.into_iter().chain(tests).collect())
        }))
    }
}

/// Covariance of the quadrature parts of `n` points behind a further turn, from that of quadrature and in-phase parts
/// of each: q*cos - p*sin.
fn turned(both: &[f64], n: usize, turn: Complex64) -> Vec<f64> {
    let (c, s) = (turn.re, turn.im);
    let at = |i: usize, j: usize| both[i * 2 * n + j];
    let pairs = (0..n).flat_map(|i| (0..n).map(move |j| (2 * i, 2 * j)));
    let all = pairs.map(|(i, j)| {
        let mixed = at(i, j + 1) + at(i + 1, j);
        c * c * at(i, j) - c * s * mixed + s * s * at(i + 1, j + 1)
    });
    all.collect()
}

fn common_phase(series: &[Option<Value>]) -> Result<Vec<Vec<Option<Value>>>, Fault> {
    let points = Points::of(series);
    let Found {
        turn, by, phase, ..
    } = points.search()?;
    let observed = points.quadratures(turn);
    let found = observed.solve(1, own, points.terms(turn))?;
    let step = found.estimate(&[Complex64::ONE]);
    let phase = Estimate {
        value: wrapped(step.value.re + phase).into(),
        ..step
    };
    let back = |z: &Estimate| {
        let value = z.value * by.conj();
        Estimate::propagate(&[z, &phase], value, |input, d| match input {
            0 => d * by.conj(),
            _ => value * Complex64::new(0.0, -d.re),
        })
    };
    let turned = series
        .iter()
        .map(|v| Some(Value::Estimate(back(v.as_ref()?.estimate()?))));
    let turned: Vec<Option<Value>> = turned.collect();
    let tests = found.tests().map(|e| vec![Some(Value::Estimate(e))]);
    let one = vec![Some(Value::Estimate(phase))];
    Ok([one, turned].into_iter().chain(tests).collect())
}

#[cfg(test)]
mod tests {
    use phasemill_engine::value::{About, Part, Reach};

    use super::*;

    fn point(value: Complex64, u: f64, which: usize) -> Option<Value> {
        let about = About::scatter(format!("point {which}"), Reach::Node, 9.0);
        let parts = vec![
            Part::new(&about, 0, u),
            Part::new(&about, 1, Complex64::I * u),
        ];
        Some(Value::Estimate(Estimate {
            parts: Some(parts),
            ..Estimate::bare(value)
        }))
    }

    /// Amplitudes 3, -1, 4 at 0.4 rad without scatter: the phase, u = 0.1/sqrt(26), and the amplitudes; by hand.
    #[test]
    fn amplitudes_of_either_sign_share_a_phase() {
        let amplitudes = [3.0, -1.0, 4.0];
        for turn in [0.4, 2.9, -1.6] {
            let series: Vec<_> = amplitudes
                .iter()
                .enumerate()
                .map(|(k, a)| point(unit(turn) * a, 0.1, k))
                .collect();
            let found = common_phase(&series).expect("a phase");
            let at = |port: usize, k: usize| {
                found[port][k]
                    .as_ref()
                    .and_then(Value::estimate)
                    .expect("a value")
            };
            let phase = at(0, 0);
            assert!((phase.value.re - turn).abs() < 1e-14, "{}", phase.value);
            let u = phase.standard_uncertainty().expect("evaluated").re;
            assert!((u - 0.1 / 26f64.sqrt()).abs() < 1e-14, "{u}");
            for (k, a) in amplitudes.iter().enumerate() {
                assert!((at(1, k).value - Complex64::from(*a)).norm() < 1e-14);
            }
            assert!(at(2, 0).value.re < 1e-20);
        }
    }

    /// Two points of amplitude 10 and phases 0.01 either way, each known to 0.01 rad: chi-square 2, by hand.
    #[test]
    fn phases_that_differ_show_in_chi_square() {
        let series = [
            point(unit(0.01) * 10.0, 0.1, 0),
            point(unit(-0.01) * 10.0, 0.1, 1),
        ];
        let found = common_phase(&series).expect("a phase");
        let chi = found[2][0]
            .as_ref()
            .and_then(Value::estimate)
            .expect("a value")
            .value
            .re;
        // The sine of 0.01 is smaller by 1.7e-5 of it.
        assert!((chi - 2.0).abs() < 1e-4, "{chi}");
    }
}
