//! `Onset`: how samples come up at the start of a point, against their settled value.

use num_complex::Complex64;
use phasemill_engine::flow::{Buffer, Flow, Kind, Port, Samples};
use phasemill_engine::stage::{
    Checker, Closing, Configured, Fault, Kernel, Stage, Told, Work, sampled_input,
};
use phasemill_engine::text::Reader;
use phasemill_engine::units::Unit;
use phasemill_engine::value::{Table, Value};

use crate::math::sums::ComplexMoments;

/// Values of the curve.
const MOST_BINS: u64 = 256;

/// Part of a step that may be left of samples that count as settled.
const SETTLED: f64 = 1e-4;

/// Settled means from which on their scatter says something.
const FEWEST: u64 = 8;

/// The stage.
pub struct Onset;

impl Stage for Onset {
    fn name(&self) -> &'static str {
        "Onset"
    }

    fn doc(&self) -> &'static str {
        "How the samples of a phasor come up at the start of a point: Re(z*conj(Z))/|Z|^2 against time, where Z is the \
         mean of the samples that have settled to 0.01 % by the step response of the chain. Filters begin each point \
         empty, so a steady signal shows the chain's step response here, in means over at most 256 equal times that \
         reach half as far again as the settling. The uncertainty of each is the standard deviation of as long means of \
         the settled samples along Z (common practice, no source). A point that is too short for eight of these, or a \
         chain without a filter behind the mixing, gives no values."
    }

    fn numeric_version(&self) -> u32 {
        2
    }

    fn example(&self) -> &'static str {
        r#"Recipe(
    title: "Does the filter answer a step as it should?",
    inputs: { "detector": Wave(unit: "V"), "chopper": Wave(unit: "V") },
    stages: {
        "clock": Reference(of: "chopper", shape: Square()),
        "product": Mix(of: "detector", with: "clock"),
        "smooth": Filter(of: "product", kind: RcCascade(poles: 2, time_constant: "20 ms")),
        "start": Onset(of: "smooth"),
    },
    results: ["start"],
)"#
    }

    fn read(&self, r: &mut Reader<'_>) -> Box<dyn Configured> {
        r.setting("of", "the phasor").flow();
        Box::new(Settings)
    }
}

struct Settings;

/// How long the curve is, and its means.
#[derive(Clone, Copy, Debug)]
struct Grid {
    rate: f64,
    /// Samples of each mean.
    per: u64,
    /// Means of the curve; none where nothing settles.
    bins: u64,
    /// Means before the samples have settled.
    settled: u64,
}

impl Grid {
    fn of(input: &Flow, rate: f64) -> Self {
        let settling = input.response.settling_time(SETTLED).unwrap_or(0.0);
        let samples = (1.5 * settling * rate).ceil();
        let per = (samples / MOST_BINS as f64).ceil().max(1.0);
        Grid {
            rate,
            per: per as u64,
            bins: (samples / per).ceil() as u64,
            settled: (settling * rate / per).ceil() as u64,
        }
    }
}

impl Configured for Settings {
    fn check(&self, inputs: &[Flow], checker: &mut Checker<'_>) -> Vec<Port> {
        let [input] = inputs else { return Vec::new() };
        if !checker.expect_kind(0, input, &[Kind::Phasor]) {
            return Vec::new();
        }
        let flow = Flow {
            kind: Kind::Curve,
            unit: Unit::one(),
            rate: None,
            length: None,
            convention: None,
            abscissa: Some(("time", Unit::second())),
            scalings: Vec::new(),
            ..input.clone()
        };
        vec![Port::new("", flow)]
    }

    fn method(&self, inputs: &[Told<'_>]) -> Option<String> {
        let of = inputs.first()?.name;
        Some(format!(
            "The samples of {of} at the start of a point were related to their settled mean."
        ))
    }

    fn prepare(&self, inputs: &[Flow]) -> Result<Work, Fault> {
        let (input, rate) = sampled_input(inputs)?;
        let grid = Grid::of(input, rate);
        Ok(Work::Stream(Box::new(move || {
            Box::new(Coming {
                grid,
                bin: ComplexMoments::default(),
                seen: 0,
                curve: Vec::new(),
                settled: ComplexMoments::default(),
            })
        })))
    }
}

struct Coming {
    grid: Grid,
    /// The mean that is filling, and the samples in it, missing ones included.
    bin: ComplexMoments,
    seen: u64,
    /// The means of the start; NaN where all samples are missing.
    curve: Vec<Complex64>,
    /// Of the means that have settled.
    settled: ComplexMoments,
}

impl Kernel for Coming {
    fn run(&mut self, inputs: &[Samples<'_>], _: &mut [Buffer]) -> Result<(), Fault> {
        for z in inputs.first().map_or(&[][..], Samples::phasor) {
            self.bin.push(*z);
            self.seen += 1;
            if !self.seen.is_multiple_of(self.grid.per) {
                continue;
            }
            let bin = std::mem::take(&mut self.bin);
            let whole = bin.missing() == 0;
            let mean = match whole {
                true => bin.mean(),
                false => Complex64::new(f64::NAN, f64::NAN),
            };
            let at = self.seen / self.grid.per - 1;
            if at < self.grid.bins {
                self.curve.push(mean);
            }
            if at >= self.grid.settled && whole {
                self.settled.push(mean);
            }
        }
        Ok(())
    }

    fn finish(&mut self) -> Result<Closing, Fault> {
        let grid = self.grid;
        let centre = |k: u64| (k as f64 + 0.5) * grid.per as f64 / grid.rate - 0.5 / grid.rate;
        let bins = grid.bins.max(1);
        let mut table = Table {
            x: (0..bins).map(centre).collect(),
            y: vec![f64::NAN; bins as usize],
            u: Some(vec![f64::NAN; bins as usize]),
        };
        let end = self.settled.mean();
        let power = end.norm_sqr();
        if grid.bins > 0 && self.settled.count() >= FEWEST && power > 0.0 {
            let [xx, yy, xy] = self.settled.covariance();
            let along = end.re * end.re * xx + end.im * end.im * yy + 2.0 * end.re * end.im * xy;
            let u = along.max(0.0).sqrt() / power;
            table.u = Some(vec![u; bins as usize]);
            for (y, z) in table.y.iter_mut().zip(&self.curve) {
                *y = (z * end.conj()).re / power;
            }
        }
        Ok(Closing::values(vec![Value::Table(table)]))
    }
}

#[cfg(test)]
mod tests {
    use phasemill_engine::response::{Element, Response};
    use phasemill_engine::testing;

    use super::*;

    const RATE: f64 = 100.0;

    /// A phasor behind one pole of 0.2 s.
    fn flow(length: u64) -> Flow {
        let a = libm::exp(-1.0 / (RATE * 0.2));
        Flow {
            rate: Some(RATE),
            length: Some(length),
            response: Response::default()
                .then(Element::Mixed)
                .then(Element::Sections(vec![[1.0 - a, 0.0, 0.0, -a, 0.0]], RATE)),
            ..Flow::new(Kind::Phasor, Unit::volt())
        }
    }

    /// What that pole makes of a step to 3 - 4i: 1 - a^(n+1) of it.
    fn step(length: usize) -> Vec<Complex64> {
        let a = libm::exp(-1.0 / (RATE * 0.2));
        let part = |n: usize| 1.0 - libm::pow(a, (n + 1) as f64);
        (0..length)
            .map(|n| Complex64::new(3.0, -4.0) * part(n))
            .collect()
    }

    fn table(given: &testing::Given) -> Table {
        match given.closing.values.first() {
            Some(Value::Table(table)) => table.clone(),
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn a_pole_comes_up_as_its_step_response() {
        let samples = step(1000);
        let flow = flow(1000);
        let given = testing::run_every_way(
            &Onset,
            r#"Onset(of: "x")"#,
            &[],
            std::slice::from_ref(&flow),
            &[Samples::Phasor(&samples)],
        );
        let found = table(&given.expect("runs"));
        // a^n is below 1e-4 from n = ln(1e4)·0.2·100 = 184.2 on, sample 184: 276 samples, two to a mean.
        assert_eq!(found.x.len(), 138);
        for (k, (x, y)) in found.x.iter().zip(&found.y).enumerate() {
            assert!((x - (2.0 * k as f64 + 0.5) / RATE).abs() < 1e-12);
            let mean = 0.5 * (samples[2 * k] + samples[2 * k + 1]).norm() / 5.0;
            // The settled mean lacks at most 1e-4 of the step.
            assert!((y - mean).abs() < 1.1e-4, "{k}: {y} {mean}");
        }
    }

    #[test]
    fn what_is_too_short_or_missing_has_no_values() {
        let mut samples = step(400);
        let run = |samples: &[Complex64], length: u64| {
            let flows = [flow(length)];
            let inputs = [Samples::Phasor(samples)];
            table(
                &testing::run(&Onset, r#"Onset(of: "x")"#, &[], &flows, &inputs, 64).expect("runs"),
            )
        };
        assert!(run(&samples[..180], 180).y.iter().all(|y| y.is_nan()));
        samples[5] = Complex64::new(f64::NAN, f64::NAN);
        let found = run(&samples, 400);
        let missing: Vec<usize> = (0..found.y.len())
            .filter(|k| found.y[*k].is_nan())
            .collect();
        assert_eq!(missing, [2]);
    }
}
