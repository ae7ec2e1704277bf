//! `ToneFit`: fits tones of stated frequencies, a level and a slope to the samples of a point.

mod told;

use num_complex::Complex64;
use phasemill_engine::diagnostic::Code;
use phasemill_engine::flow::{Buffer, Convention, Flow, Kind, Port, Samples};
use phasemill_engine::lineage::stated;
use phasemill_engine::stage::{
    Checker, Closing, Configured, Fault, Kernel, Stage, Told, Work, sampled_input,
};
use phasemill_engine::text::{Range, Reader};
use phasemill_engine::units::Unit;
use phasemill_engine::value::{About, Estimate, Part, Reach, Value};

mod lines;

use crate::math::lsq::LsqError;
use crate::math::tones::{Fitted, Term, ToneError, ToneModel, ToneSolver};

/// The stage.
pub struct ToneFit;

impl Stage for ToneFit {
    fn name(&self) -> &'static str {
        "ToneFit"
    }

    fn doc(&self) -> &'static str {
        "Fits a level, a slope and tones of stated frequencies together, by linear least squares: \
         x(t) = c + d*t + sum A*sin(2*pi*f*t + theta), with t in seconds from `origin`, itself counted from \
         the first sample of the point. Unlike a product and a mean, it also holds where samples are \
         missing and where tones are close or do not fill whole cycles (for one tone it is the three-parameter \
         sine fit of IEEE Std 1057; for many, the harmonic analysis of tides, Foreman 1977). A port per line, \
         named as the line, gives A*exp(i*theta) with peak amplitude A; `constant`, `slope` and `residual` give the \
         level at the origin, the slope per second and the standard deviation of the residuals. \
         Uncertainties and correlations are those of s^2*(D'D)^-1, which holds for residuals that are \
         independent of each other; noise that grows towards a line's frequency makes them too small. Missing \
         samples are left out and counted."
    }

    fn example(&self) -> &'static str {
        r#"Recipe(
    title: "Mains hum and its third harmonic, fitted beside a signal of known frequency",
    inputs: { "detector": Wave(unit: "V") },
    stages: {
        "fit": ToneFit(of: "detector", lines: { "signal": "83 Hz", "hum": "50 Hz", "hum3": "150 Hz" }),
    },
    results: ["fit.signal", "fit.hum", "fit.hum3", "fit.residual"],
)"#
    }

    fn read(&self, r: &mut Reader<'_>) -> Box<dyn Configured> {
        r.setting("of", "the wave").flow();
        let lines = r
            .setting("lines", "frequency of each line, by name")
            .named_quantities("Hz", Range::Positive);
        let lines: Vec<(String, f64)> = lines.into_iter().map(|(name, f)| (name.text, f)).collect();
        let trend = r
            .setting("trend", "what the lines stand on")
            .default("Constant")
            .choice(|c| {
                c.variant("Constant", "a level", |_| (true, false))
                    .variant("Line", "a level and a slope", |_| (true, true))
                    .variant("Nothing", "nothing", |_| (false, false));
            });
        let origin = r
            .setting("origin", "time of phase zero, from the first sample")
            .default("\"0 s\"")
            .quantity("s", Range::Any);
        if let Some((code, message, help)) = lines::fault_of(&lines) {
            r.fault("lines", code, message, help);
        }
        let (constant, slope) = trend.unwrap_or((true, false));
        Box::new(Settings {
            lines,
            constant,
            slope,
            origin,
        })
    }
}

#[derive(Clone)]
struct Settings {
    lines: Vec<(String, f64)>,
    constant: bool,
    slope: bool,
    /// Seconds.
    origin: f64,
}

impl Settings {
    fn unknowns(&self) -> u64 {
        2 * self.lines.len() as u64 + u64::from(self.constant) + u64::from(self.slope)
    }

    fn model(&self, rate: f64) -> ToneModel {
        ToneModel {
            frequencies: self.lines.iter().map(|(_, f)| *f).collect(),
            rate,
            origin: self.origin,
            constant: self.constant,
            slope: self.slope,
        }
    }

    fn check_lines(&self, input: &Flow, checker: &mut Checker<'_>) {
        if self.lines.is_empty() {
            checker.error(
                "lines",
                Code::MissingSetting,
                "expected at least one line, found none",
                "name a line and its frequency",
            );
        }
        if let Some(rate) = input.rate {
            for (name, f) in self.lines.iter().filter(|(_, f)| *f >= 0.5 * rate) {
                checker.error(
                    "lines",
                    Code::Rate,
                    format!("expected frequencies below half the sample rate, {} Hz, found {f} Hz for `{name}`", 0.5 * rate),
                    "leave the line out, or record faster",
                );
            }
        }
        if let Some(length) = input.length.filter(|length| *length <= self.unknowns()) {
            checker.error(
                "lines",
                Code::Time,
                format!(
                    "expected more samples than the {} unknowns, found {length}",
                    self.unknowns()
                ),
                "fit fewer lines, or record longer points",
            );
        }
        if !checker.failed() {
            self.check_apart(input, checker);
        }
    }

    /// Reports lines that are too close to each other, or to the level and slope, for the length of a point.
    fn check_apart(&self, input: &Flow, checker: &mut Checker<'_>) {
        let (Some(rate), Some(length)) = (input.rate, input.length) else {
            return;
        };
        let duration = length as f64 / rate;
        // The level counts as a line at zero.
        let level = (self.constant || self.slope).then_some(("the level".to_owned(), 0.0));
        let named = self.lines.iter().map(|(name, f)| (format!("`{name}`"), *f));
        let lines: Vec<(String, f64)> = level.into_iter().chain(named).collect();
        let pairs = lines.iter().enumerate().filter_map(|(i, (name, f))| {
            let close = |(_, other): &&(String, f64)| (f - other).abs() * duration < 1.0;
            Some((name, &lines[..i].iter().find(close)?.0))
        });
        let pairs: Vec<(&String, &String)> = pairs.collect();
        if pairs.is_empty() {
            return;
        }
        if let Err(ToneError::Dependent(term)) = self.model(rate).told_apart(length) {
            checker.error(
                "lines",
                Code::Time,
                format!(
                    "expected terms that differ over the {} of a point, found that {}",
                    stated(duration, "s"),
                    self.in_words(term)
                ),
                "record longer points, or leave it out",
            );
            return;
        }
        for (name, other) in pairs {
            checker.warn(
                "lines",
                Code::Time,
                format!(
                    "{other} and {name} do not part by a whole cycle in the {} of a point",
                    stated(duration, "s")
                ),
                "their estimates are strongly correlated and uncertain; record longer points, or leave one out",
            );
        }
    }

    /// That a term cannot be told.
    fn in_words(&self, term: Term) -> String {
        match term {
            Term::Cosine(i) | Term::Sine(i) => {
                let name = self.lines.get(i).map_or("", |(name, _)| name.as_str());
                format!("line `{name}` cannot be told from the terms before it")
            }
            Term::Constant | Term::Slope => "the slope cannot be told from the level".into(),
        }
    }
}

impl Configured for Settings {
    fn check(&self, inputs: &[Flow], checker: &mut Checker<'_>) -> Vec<Port> {
        let [input] = inputs else { return Vec::new() };
        if !checker.expect_kind(0, input, &[Kind::Wave]) {
            return Vec::new();
        }
        self.check_lines(input, checker);
        let flow = |kind: Kind| Flow {
            kind,
            rate: None,
            length: None,
            convention: None,
            ..input.clone()
        };
        let line = Flow {
            convention: Some(Convention::Peak),
            evaluated: true,
            ..flow(Kind::ComplexEstimate)
        };
        let mut ports: Vec<Port> = self
            .lines
            .iter()
            .map(|(name, _)| Port::given(name.as_str(), line.clone()))
            .collect();
        if self.constant {
            ports.push(Port::new("constant", flow(Kind::Estimate)));
        }
        if self.slope {
            match input.unit.div(&Unit::second()) {
                Ok(unit) => ports.push(Port::new(
                    "slope",
                    Flow {
                        unit,
                        ..flow(Kind::Estimate)
                    },
                )),
                Err(error) => checker.error(
                    "of",
                    Code::Unit,
                    error.to_string(),
                    "convert the wave to a simpler unit first",
                ),
            }
        }
        ports.push(Port::new("residual", flow(Kind::Estimate)));
        ports
    }

    fn method(&self, inputs: &[Told<'_>]) -> Option<String> {
        self.told(inputs)
    }

    fn prepare(&self, inputs: &[Flow]) -> Result<Work, Fault> {
        let (_, rate) = sampled_input(inputs)?;
        let settings = self.clone();
        let solver = ToneSolver::new(self.model(rate)).map_err(|e| self.fault(e))?;
        Ok(Work::Stream(Box::new(move || {
            Box::new(Fitting {
                settings: settings.clone(),
                solver: solver.clone(),
            })
        })))
    }
}

impl Settings {
    fn fault(&self, error: ToneError) -> Fault {
        let why = match error {
            ToneError::Fit(LsqError::TooFew { found, .. }) => return self.too_few(found),
            ToneError::Dependent(term) => {
                format!(
                    "{}; record longer points, or leave it out",
                    self.in_words(term)
                )
            }
            other => other.to_string(),
        };
        Fault::Numeric {
            what: "fit of tones",
            why,
        }
    }

    fn too_few(&self, found: u64) -> Fault {
        Fault::TooFew {
            what: "samples that are not missing",
            needed: self.unknowns() + 1,
            found,
        }
    }
}

struct Fitting {
    settings: Settings,
    solver: ToneSolver,
}

impl Kernel for Fitting {
    fn run(&mut self, inputs: &[Samples<'_>], _: &mut [Buffer]) -> Result<(), Fault> {
        inputs
            .iter()
            .take(1)
            .for_each(|samples| self.solver.push(samples.wave()));
        Ok(())
    }

    fn finish(&mut self) -> Result<Closing, Fault> {
        let tones = self
            .solver
            .clone()
            .finish()
            .map_err(|e| self.settings.fault(e))?;
        let (fit, missing) = (tones.fit(), tones.missing());
        let Some(residual) = fit.residual_sd() else {
            return Err(self.settings.too_few(fit.rows));
        };
        let degrees_of_freedom = fit.degrees_of_freedom() as f64;
        let estimate = |value: Complex64, parts: Option<Vec<Part>>| {
            Value::Estimate(Estimate {
                value,
                parts,
                scatter: None,
                count: Some(fit.rows),
                missing,
                drawn: None,
            })
        };
        let about = About::scatter("residuals", Reach::Node, degrees_of_freedom);
        let fitted = |fitted: Fitted| {
            let effects = fitted
                .effects
                .into_iter()
                .enumerate()
                .filter(|(_, effect)| effect.norm_sqr() > 0.0);
            let parts = effects.map(|(k, effect)| Part::new(&about, k as u32, effect));
            estimate(fitted.value, Some(parts.collect()))
        };
        let mut values: Vec<Value> = (0..self.settings.lines.len())
            .map(|i| fitted(tones.tone(i)))
            .collect();
        values.extend(tones.constant().map(fitted));
        values.extend(tones.slope().map(fitted));
        values.push(estimate(residual.into(), None));
        Ok(Closing::values(values))
    }
}

#[cfg(test)]
mod tests {
    use phasemill_engine::testing;

    use super::*;

    const TWO: &str =
        r#"ToneFit(of: "x", lines: { "a": "7.3 Hz", "b": "12 Hz" }, trend: Line, origin: "1.7 s")"#;

    fn flow(rate: f64, length: u64) -> Flow {
        Flow {
            rate: Some(rate),
            length: Some(length),
            ..Flow::new(Kind::Wave, Unit::parse("V").expect("a unit"))
        }
    }

    fn estimates(
        text: &str,
        rate: f64,
        samples: &[f64],
    ) -> Result<(Vec<Port>, Vec<Estimate>), Fault> {
        let flows = [flow(rate, samples.len() as u64)];
        let given = testing::run_every_way(&ToneFit, text, &[], &flows, &[Samples::Wave(samples)])?;
        assert!(!given.diagnostics.has_errors(), "{}", given.diagnostics);
        Ok((
            given.ports,
            given
                .closing
                .values
                .iter()
                .filter_map(|v| v.estimate().cloned())
                .collect(),
        ))
    }

    /// An exact record with gaps gives back its terms. The slope's column is 500 rows long with a
    /// condition below 1e3: 500·1e3·1.1e-16 = 6e-11 at worst.
    #[test]
    fn a_port_per_line_gives_its_tone() {
        let tone = |f: f64, a: f64, theta: f64, t: f64| {
            a * libm::sin(std::f64::consts::TAU * f * t + theta)
        };
        let mut samples: Vec<f64> = (0..500)
            .map(|n| f64::from(n) / 100.0 - 1.7)
            .map(|t| 2.0 - 0.5 * t + tone(7.3, 3.0, 0.4, t) + tone(12.0, 0.1, -2.0, t))
            .collect();
        samples[100..150].fill(f64::NAN);
        let (ports, found) = estimates(TWO, 100.0, &samples).expect("a fit");
        let names: Vec<&str> = ports.iter().map(Port::name).collect();
        assert_eq!(names, ["a", "b", "constant", "slope", "residual"]);
        let slope = Unit::parse("V/s").expect("a unit");
        assert!(
            ports
                .iter()
                .enumerate()
                .all(|(i, p)| (p.flow.unit == slope) == (i == 3))
        );
        let expected = [
            Complex64::from_polar(3.0, 0.4),
            Complex64::from_polar(0.1, -2.0),
            2.0.into(),
            (-0.5).into(),
            0.0.into(),
        ];
        for (estimate, expected) in found.iter().zip(expected) {
            assert!((estimate.value - expected).norm() < 6e-11, "{estimate:?}");
            assert_eq!((estimate.count, estimate.missing), (Some(450), 50));
        }
    }

    /// x = 0, 3, 2, -1, 1, 3 at 4 Hz with a line at 1 Hz, worked by hand: sin (0, 1, 0, -1, 0, 1) with cos
    /// (1, 0, -1, 0, 1, 0) gives, without a level, sin coefficient 7/3 and cos coefficient -1/3; RSS 24 - 49/3
    /// - 1/3 = 22/3 with 4 degrees of freedom, and both variances 22/12/3.
    #[test]
    fn a_fit_worked_by_hand() {
        let text = r#"ToneFit(of: "x", lines: { "a": "1 Hz" }, trend: Nothing)"#;
        let (_, found) = estimates(text, 4.0, &[0.0, 3.0, 2.0, -1.0, 1.0, 3.0]).expect("a fit");
        // A dozen roundings of numbers below 10.
        let near = |a: f64, b: f64| assert!((a - b).abs() < 1e-14, "{a} {b}");
        near(found[0].value.re, 7.0 / 3.0);
        near(found[0].value.im, -1.0 / 3.0);
        near(found[1].value.re, (11.0f64 / 6.0).sqrt());
        let [rr, ii, ri] = found[0].covariance().expect("evaluated");
        near(rr, 11.0 / 18.0);
        near(ii, 11.0 / 18.0);
        near(ri, 0.0);
        assert_eq!(
            found[0].parts.as_ref().expect("evaluated")[0]
                .source
                .about
                .degrees_of_freedom,
            4.0
        );
    }

    /// The difference of two close lines is much better known than the independent sum of their
    /// uncertainties would say, or much worse: the shared sources tell.
    #[test]
    fn lines_of_one_fit_are_correlated() {
        let samples: Vec<f64> = (0..60u64).map(|n| (n * n % 13) as f64).collect();
        let text = r#"ToneFit(of: "x", lines: { "a": "0.1 Hz", "b": "0.11 Hz" })"#;
        let (_, found) = estimates(text, 1.0, &samples).expect("a fit");
        let sum = Estimate::propagate(
            &[&found[0], &found[1]],
            found[0].value + found[1].value,
            |_, d| d,
        );
        let apart = |e: &Estimate| e.covariance().expect("evaluated")[0];
        let ratio = apart(&sum) / (apart(&found[0]) + apart(&found[1]));
        assert!(!(0.9..1.1).contains(&ratio), "{ratio}");
    }

    #[test]
    fn too_few_samples_are_a_fault() {
        let mut samples = [1.0; 12];
        samples[5..].fill(f64::NAN);
        let fault = Fault::TooFew {
            what: "samples that are not missing",
            needed: 6,
            found: 5,
        };
        let text = r#"ToneFit(of: "x", lines: { "a": "0.1 Hz", "b": "0.3 Hz" })"#;
        assert_eq!(estimates(text, 1.0, &samples).expect_err("too few"), fault);
    }

    #[test]
    fn bad_lines_are_refused() {
        let codes = |text: &str, flow: Flow| {
            let (found, _) = testing::check(&ToneFit, text, &[], &[flow]);
            found.iter().map(|d| d.code).collect::<Vec<_>>()
        };
        assert_eq!(codes(TWO, flow(24.0, 1000)), [Code::Rate]);
        assert_eq!(codes(TWO, flow(1000.0, 6)), [Code::Time]);
        assert_eq!(codes(TWO, flow(100.0, 1000)), []);
        assert_eq!(
            codes(r#"ToneFit(of: "x", lines: {})"#, flow(1.0, 100)),
            [Code::MissingSetting]
        );
        let twice = r#"ToneFit(of: "x", lines: { "a": "7 Hz", "b": "7 Hz" })"#;
        assert_eq!(codes(twice, flow(100.0, 100)), [Code::Duplicate]);
        let slope = r#"ToneFit(of: "x", lines: { "slope": "7 Hz" })"#;
        assert_eq!(codes(slope, flow(100.0, 100)), [Code::UnknownName]);
    }
}
