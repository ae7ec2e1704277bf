//! `Stability`: Allan deviation against averaging time.

use phasemill_engine::diagnostic::Code;
use phasemill_engine::flow::{Buffer, Flow, Kind, Port, Samples};
use phasemill_engine::stage::{
    Checker, Closing, Configured, Fault, Kernel, Stage, Told, Work, sampled_input,
};
use phasemill_engine::text::{Range, Reader};
use phasemill_engine::units::Unit;
use phasemill_engine::value::{Table, Value};

use crate::math::allan::{AllanError, Deviation, Record};

/// Most samples of a point: they are all kept, 24 bytes each.
const MOST_SAMPLES: u64 = 1 << 24;

/// The stage.
pub struct Stability;

impl Stage for Stability {
    fn name(&self) -> &'static str {
        "Stability"
    }

    fn doc(&self) -> &'static str {
        "Allan deviation of a wave against averaging time: the root of half the mean square of the difference of \
         two averages that follow each other. Every sample is taken as an average over one sample interval, \
         as frequencies from a counter or values behind a decimating filter are; the deviation is in the unit of the \
         wave. It falls as 1/sqrt(time) for white noise and rises with drift, so its minimum is the longest useful \
         averaging time. `Plain`, `Overlapping` and `Modified` as in Riley, NIST SP 1065 (2008), 5.2. Its \
         uncertainty depends on the kind of noise and is not evaluated. Every sample must be there; at most 2^24."
    }

    fn example(&self) -> &'static str {
        r#"Recipe(
    title: "How long to average: stability of a detector's level",
    inputs: { "level": Wave(unit: "V") },
    stages: { "stability": Stability(of: "level") },
    results: ["stability"],
)"#
    }

    fn read(&self, r: &mut Reader<'_>) -> Box<dyn Configured> {
        r.setting("of", "the wave").flow();
        let kind = r
            .setting("kind", "which averages are compared")
            .default("Overlapping")
            .choice(|c| {
                c.variant("Plain", "averages that follow each other", |_| {
                    Deviation::Plain
                })
                .variant("Overlapping", "averages from every sample on", |_| {
                    Deviation::Overlapping
                })
                .variant(
                    "Modified",
                    "as `Overlapping`, averaged once more",
                    |_| Deviation::Modified,
                );
            });
        let listed = r
            .setting("averages", "averaging times")
            .default("Octaves")
            .choice(|c| {
                c.variant(
                    "Octaves",
                    "1, 2, 4, ... sample intervals, as far as the record goes",
                    |_| None,
                )
                .variant("Listed", "stated times", |r| {
                    Some(r.setting("", "times").quantities("s", Range::Positive))
                });
            });
        let listed = listed.flatten();
        if listed.as_ref().is_some_and(Vec::is_empty) {
            r.fault(
                "averages",
                Code::MissingSetting,
                "expected at least one averaging time, found none",
                "name one, or use `Octaves`",
            );
        }
        Box::new(Settings {
            kind: kind.unwrap_or(Deviation::Overlapping),
            listed,
        })
    }
}

#[derive(Clone)]
struct Settings {
    kind: Deviation,
    /// Averaging times in seconds; `None` for octaves.
    listed: Option<Vec<f64>>,
}

impl Settings {
    fn check_times(&self, input: &Flow, checker: &mut Checker<'_>) {
        if let Some(found) = input.length.filter(|n| *n > MOST_SAMPLES) {
            checker.error(
                "of",
                Code::Limit,
                format!("expected at most {MOST_SAMPLES} samples, found {found}"),
                "decimate or average first",
            );
        }
        let least = self.kind.samples_needed(1);
        if let Some(found) = input.length.filter(|n| *n < least) {
            checker.error(
                "of",
                Code::Time,
                format!("expected at least {least} samples, found {found}"),
                "record longer points",
            );
        }
        let Some(rate) = input.rate else { return };
        for time in self.listed.iter().flatten() {
            let (samples, whole) = (time * rate, (time * rate).round());
            // A stated time and a stated rate each hold to a part in 1e9 or better.
            if whole < 1.0 || (samples - whole).abs() > 1e-9 * samples {
                let interval = 1.0 / rate;
                checker.error(
                    "averages",
                    Code::Time,
                    format!(
                        "expected multiples of the sample interval, {interval} s, found {time} s"
                    ),
                    "choose the nearest multiple",
                );
            } else if let Some(length) = input
                .length
                .filter(|n| self.kind.samples_needed(whole as u64) > *n)
            {
                let needed = self.kind.samples_needed(whole as u64);
                checker.error(
                    "averages",
                    Code::Time,
                    format!("expected averaging times for which the {length} samples of a point are enough, found {time} s, which needs {needed}"),
                    "choose a shorter time, or record longer points",
                );
            }
        }
    }
}

impl Configured for Settings {
    fn check(&self, inputs: &[Flow], checker: &mut Checker<'_>) -> Vec<Port> {
        let [input] = inputs else { return Vec::new() };
        if !checker.expect_kind(0, input, &[Kind::Wave]) {
            return Vec::new();
        }
        self.check_times(input, checker);
        let gap = input.missing.gap;
        if gap.is_some() || input.missing.late {
            let found = match gap {
                Some(first) => format!("a gap in the sample times at sample {first}"),
                None => "a mean over whole periods before it, which begins late".to_owned(),
            };
            checker.error(
                "of",
                Code::Time,
                format!("expected every sample, found {found}"),
                "use a stretch without gaps, or take the stability before such a mean",
            );
        }
        let abscissa = Some(("averaging_time", Unit::second()));
        let flow = Flow {
            kind: Kind::Curve,
            rate: None,
            length: None,
            convention: None,
            abscissa,
            ..input.clone()
        };
        vec![Port::new("", flow)]
    }

    fn method(&self, inputs: &[Told<'_>]) -> Option<String> {
        let of = inputs.first()?.name;
        let kind = match self.kind {
            Deviation::Plain => "Allan deviation",
            Deviation::Overlapping => "overlapping Allan deviation",
            Deviation::Modified => "modified Allan deviation",
        };
        Some(format!(
            "The {kind} of {of} was computed against averaging time (Riley, NIST SP 1065, 2008)."
        ))
    }

    fn prepare(&self, inputs: &[Flow]) -> Result<Work, Fault> {
        let (_, rate) = sampled_input(inputs)?;
        let settings = self.clone();
        Ok(Work::Stream(Box::new(move || {
            Box::new(Comparing {
                settings: settings.clone(),
                rate,
                record: Record::new(MOST_SAMPLES as usize),
            })
        })))
    }
}

struct Comparing {
    settings: Settings,
    rate: f64,
    record: Record,
}

impl Kernel for Comparing {
    fn run(&mut self, inputs: &[Samples<'_>], _: &mut [Buffer]) -> Result<(), Fault> {
        inputs
            .iter()
            .take(1)
            .try_for_each(|samples| self.record.push(samples.wave()))
            .map_err(fault)
    }

    fn finish(&mut self) -> Result<Closing, Fault> {
        let record = std::mem::replace(&mut self.record, Record::new(0));
        let kind = self.settings.kind;
        let averages = match &self.settings.listed {
            Some(times) => times
                .iter()
                .map(|t| (t * self.rate).round() as u64)
                .collect(),
            None => record.octaves(kind),
        };
        if averages.is_empty() {
            return Err(Fault::TooFew {
                what: "samples",
                needed: kind.samples_needed(1),
                found: record.count(),
            });
        }
        let y = record.deviations(kind, &averages).map_err(fault)?;
        let x = averages.iter().map(|m| *m as f64 / self.rate).collect();
        Ok(Closing::values(vec![Value::Table(Table { x, y, u: None })]))
    }
}

fn fault(error: AllanError) -> Fault {
    match error {
        AllanError::Gap(sample) => Fault::Gap {
            sample,
            remedy: "fill the gaps first, or use a stretch without any",
        },
        AllanError::TooFew { needed, found, .. } => Fault::TooFew {
            what: "samples",
            needed,
            found,
        },
        AllanError::TooMany(_) => Fault::Numeric {
            what: "stability",
            why: error.to_string(),
        },
    }
}

#[cfg(test)]
mod tests {
    use phasemill_engine::testing;

    use super::*;

    const NINE: [f64; 9] = [
        892.0, 809.0, 823.0, 798.0, 671.0, 644.0, 883.0, 903.0, 677.0,
    ];

    fn flow(rate: f64, length: u64) -> Flow {
        Flow {
            rate: Some(rate),
            length: Some(length),
            ..Flow::new(Kind::Wave, Unit::parse("V").expect("a unit"))
        }
    }

    fn table(text: &str, rate: f64, samples: &[f64]) -> Result<Table, Fault> {
        let flows = [flow(rate, samples.len() as u64)];
        let mut given =
            testing::run_every_way(&Stability, text, &[], &flows, &[Samples::Wave(samples)])?;
        assert!(!given.diagnostics.has_errors(), "{}", given.diagnostics);
        assert_eq!(
            given.ports[0].flow.abscissa,
            Some(("averaging_time", Unit::second()))
        );
        match given.closing.values.pop() {
            Some(Value::Table(table)) => Ok(table),
            _ => panic!("expected a table"),
        }
    }

    /// NIST SP 1065 (2008), table 31: nine values, printed with seven digits.
    #[test]
    fn the_nine_values_of_the_handbook() {
        for (kind, expected) in [
            ("Plain", 115.8082),
            ("Overlapping", 85.95287),
            ("Modified", 74.78849),
        ] {
            let text =
                format!(r#"Stability(of: "x", kind: {kind}, averages: Listed(["0.5 s", "1 s"]))"#);
            let found = table(&text, 2.0, &NINE).expect("deviations");
            assert_eq!((found.x, found.u), (vec![0.5, 1.0], None));
            for (a, b) in found.y.iter().zip([91.22945, expected]) {
                assert!((a / b - 1.0).abs() < 5e-7, "{kind} {a} {b}");
            }
        }
        let found = table(r#"Stability(of: "x")"#, 2.0, &NINE).expect("deviations");
        assert_eq!(found.x, [0.5, 1.0, 2.0]);
    }

    #[test]
    fn a_missing_sample_is_named() {
        let mut samples = NINE;
        samples[4] = f64::NAN;
        let fault = table(r#"Stability(of: "x")"#, 1.0, &samples).expect_err("a gap");
        assert!(matches!(fault, Fault::Gap { sample: 4, .. }), "{fault}");
    }

    #[test]
    fn times_that_do_not_fit_are_refused() {
        let codes = |text: &str, flow: Flow| {
            let (found, _) = testing::check(&Stability, text, &[], &[flow]);
            found.iter().map(|d| d.code).collect::<Vec<_>>()
        };
        let text = r#"Stability(of: "x", averages: Listed(["0.3 s", "5 s"]))"#;
        assert_eq!(codes(text, flow(10.0, 100)), []);
        assert_eq!(codes(text, flow(10.0, 99)), [Code::Time]);
        assert_eq!(codes(text, flow(1.0, 100)), [Code::Time]);
        assert_eq!(codes(r#"Stability(of: "x")"#, flow(1.0, 1)), [Code::Time]);
        assert_eq!(
            codes(r#"Stability(of: "x")"#, flow(1.0, 1 << 25)),
            [Code::Limit]
        );
        assert_eq!(
            codes(r#"Stability(of: "x", averages: Listed([]))"#, flow(1.0, 9)),
            [Code::MissingSetting]
        );
    }
}
