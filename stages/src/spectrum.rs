//! `Spectrum`: spectral density of a wave, averaged over segments.

use phasemill_engine::diagnostic::Code;
use phasemill_engine::flow::{Buffer, Flow, Kind, Port, Samples};
use phasemill_engine::lineage::stated;
use phasemill_engine::stage::{
    Checker, Closing, Configured, Fault, Kernel, Stage, Told, Work, sampled_input,
};
use phasemill_engine::text::{Range, Reader};
use phasemill_engine::units::{Unit, UnitError};
use phasemill_engine::value::{Table, Value};

use crate::math::spectral::{
    Detrend, LONGEST_SEGMENT, MOST_OVERLAP, Segments, SpectrumError, Welch,
};
use crate::math::windows::{WINDOWS, Window};

/// The stage.
pub struct Spectrum;

impl Stage for Spectrum {
    fn name(&self) -> &'static str {
        "Spectrum"
    }

    fn doc(&self) -> &'static str {
        "One-sided spectral density of a wave: the mean of the periodograms 2*|sum w*x*exp(-2*pi*i*k*j/N)|^2 / \
         (rate * sum w^2) of overlapping segments (Welch 1967), without the factor 2 at frequency 0 and at half \
         the sample rate. Its integral is the variance. `quantity: Amplitude` gives the square root, in the \
         unit per root hertz. The uncertainty is that of Gaussian noise whose density is even over the width \
         of the window, with the overlap counted in (Welch 1967); the height of a line is not a density, and \
         depends on the window's noise bandwidth. Windows: Heinzel, Ruediger & Schilling 2002. Segments with \
         missing samples are left out and counted, and so are samples behind the last whole segment."
    }

    fn example(&self) -> &'static str {
        r#"Recipe(
    title: "Noise of a detector against frequency",
    inputs: { "detector": Wave(unit: "V") },
    stages: { "noise": Spectrum(of: "detector", segment: "1 s") },
    results: ["noise"],
)"#
    }

    fn read(&self, r: &mut Reader<'_>) -> Box<dyn Configured> {
        r.setting("of", "the wave").flow();
        let segment = r
            .setting(
                "segment",
                "length of a segment; its inverse is the step of frequency",
            )
            .quantity("s", Range::Positive);
        let overlap = r
            .setting("overlap", "part that a segment shares with the next")
            .default("\"50 %\"");
        let overlap = overlap.quantity("1", Range::Between(0.0, 0.96));
        let window = r
            .setting("window", "weights within a segment")
            .default("Hann")
            .choice(|c| {
                for window in WINDOWS {
                    c.variant(window.name, window.meaning, |_| *window);
                }
            });
        let detrend = r
            .setting("detrend", "what is taken from each segment first")
            .default("Mean")
            .choice(|c| {
                c.variant("Mean", "its mean", |_| Detrend::Mean)
                    .variant("Line", "its straight line", |_| Detrend::Line)
                    .variant("Nothing", "nothing", |_| Detrend::Nothing);
            });
        let power = r
            .setting("quantity", "what is given")
            .default("Amplitude")
            .choice(|c| {
                c.variant(
                    "Amplitude",
                    "root of the power density, as in V/sqrt(Hz)",
                    |_| false,
                )
                .variant("Power", "power density, as in V^2/Hz", |_| true);
            });
        Box::new(Settings {
            segment,
            overlap,
            window: window.or(WINDOWS.first().copied()),
            detrend: detrend.unwrap_or(Detrend::Mean),
            power: power.unwrap_or(false),
        })
    }
}

#[derive(Clone, Copy)]
struct Settings {
    /// Seconds.
    segment: f64,
    overlap: f64,
    window: Option<Window>,
    detrend: Detrend,
    power: bool,
}

impl Settings {
    /// Samples of a segment.
    fn length(&self, rate: f64) -> usize {
        (self.segment * rate).round() as usize
    }

    fn unit(&self, input: &Unit) -> Result<Unit, UnitError> {
        let power = input.mul(input)?.div(&Unit::hertz())?;
        if self.power { Ok(power) } else { power.sqrt() }
    }

    /// Samples of the longest stretch that can be there, as far as headers tell.
    fn longest(&self, input: &Flow) -> Option<u64> {
        let late = (input.missing.held * input.rate?).floor() as u64;
        let rest = input.length.map(|samples| samples.saturating_sub(late));
        [rest, input.missing.longest].into_iter().flatten().min()
    }

    fn check_length(&self, input: &Flow, checker: &mut Checker<'_>) {
        let Some(length) = input.rate.map(|rate| self.length(rate)) else {
            return;
        };
        if !(2..=LONGEST_SEGMENT).contains(&length) {
            checker.error(
                "segment",
                Code::Limit,
                format!("expected segments of 2 to {LONGEST_SEGMENT} samples, found {length}"),
                "choose another length, or decimate first",
            );
        } else if let Some(samples) = input.length.filter(|samples| *samples < length as u64) {
            checker.error(
                "segment",
                Code::Time,
                format!("expected a segment that fits the {samples} samples of a point, found {length} samples"),
                "choose shorter segments, or record longer points",
            );
        } else if let Some(found) = self.longest(input).filter(|found| *found < length as u64) {
            checker.error(
                "segment",
                Code::Time,
                format!("expected a segment that fits the {found} samples in a row that are there, found {length} samples"),
                "choose shorter segments",
            );
        }
    }
}

impl Configured for Settings {
    fn check(&self, inputs: &[Flow], checker: &mut Checker<'_>) -> Vec<Port> {
        let [input] = inputs else { return Vec::new() };
        if !checker.expect_kind(0, input, &[Kind::Wave]) {
            return Vec::new();
        }
        self.check_length(input, checker);
        let unit = match self.unit(&input.unit) {
            Ok(unit) => unit,
            Err(error) => {
                checker.error(
                    "of",
                    Code::Unit,
                    error.to_string(),
                    "convert the wave to a simpler unit first",
                );
                return Vec::new();
            }
        };
        let mut flow = Flow {
            kind: Kind::Density,
            evaluated: true,
            unit,
            rate: None,
            length: None,
            convention: None,
            abscissa: Some(("frequency", Unit::hertz())),
            ..input.clone()
        };
        if self.power {
            flow.scalings.iter_mut().for_each(|s| s.power *= 2);
        }
        vec![Port::new("", flow)]
    }

    fn method(&self, inputs: &[Told<'_>]) -> Option<String> {
        let of = inputs.first()?.name;
        let window = self.window?.name;
        let what = if self.power {
            "power spectral density"
        } else {
            "amplitude spectral density"
        };
        let detrend = match self.detrend {
            Detrend::Nothing => "",
            Detrend::Mean => ", the mean of each taken away first",
            Detrend::Line => ", a straight line taken from each first",
        };
        Some(format!(
            "The one-sided {what} of {of} is the mean of the periodograms of segments of {} with an overlap of {} and \
             the {window} window{detrend} (Welch 1967).",
            stated(self.segment, "s"),
            stated(self.overlap, "%")
        ))
    }

    fn prepare(&self, inputs: &[Flow]) -> Result<Work, Fault> {
        let (_, rate) = sampled_input(inputs)?;
        let window = self.window.ok_or(Fault::TooFew {
            what: "windows",
            needed: 1,
            found: 0,
        })?;
        let length = self.length(rate);
        let step = (length as f64 * (1.0 - self.overlap)).round() as usize;
        let step = step.clamp(length.div_ceil(MOST_OVERLAP).max(1), length.max(1));
        let segments = Segments {
            length,
            step,
            window,
            detrend: self.detrend,
        };
        let welch = Welch::new(segments, rate).map_err(fault)?;
        let power = self.power;
        Ok(Work::Stream(Box::new(move || {
            Box::new(Averaging {
                welch: welch.clone(),
                power,
            })
        })))
    }
}

fn fault(error: SpectrumError) -> Fault {
    match error {
        SpectrumError::Empty { .. } => Fault::TooFew {
            what: "whole segments without missing samples",
            needed: 1,
            found: 0,
        },
        other => Fault::Numeric {
            what: "spectral density",
            why: other.to_string(),
        },
    }
}

struct Averaging {
    welch: Welch,
    power: bool,
}

impl Kernel for Averaging {
    fn run(&mut self, inputs: &[Samples<'_>], _: &mut [Buffer]) -> Result<(), Fault> {
        inputs
            .iter()
            .take(1)
            .for_each(|samples| self.welch.push(samples.wave()));
        Ok(())
    }

    fn finish(&mut self) -> Result<Closing, Fault> {
        let found = self.welch.finish().map_err(fault)?;
        let pairs = found.density.iter().zip(&found.relative_uncertainty);
        // The root has half the relative uncertainty.
        let (y, u) = match self.power {
            true => pairs.map(|(s, r)| (*s, s * r)).unzip(),
            false => pairs.map(|(s, r)| (s.sqrt(), 0.5 * s.sqrt() * r)).unzip(),
        };
        let remarks = (found.skipped > 0).then(|| {
            let all = found.segments + found.skipped;
            format!(
                "{} of {all} segments were left out, since samples were missing in them",
                found.skipped
            )
        });
        let table = Table {
            x: found.frequency,
            y,
            u: Some(u),
        };
        Ok(Closing {
            values: vec![Value::Table(table)],
            remarks: remarks.into_iter().collect(),
            ..Closing::default()
        })
    }
}

#[cfg(test)]
mod tests {
    use phasemill_engine::testing;

    use super::*;

    fn flow(rate: f64, length: u64) -> Flow {
        Flow {
            rate: Some(rate),
            length: Some(length),
            ..Flow::new(Kind::Wave, Unit::parse("V").expect("a unit"))
        }
    }

    fn table(text: &str, rate: f64, samples: &[f64]) -> Result<(Port, Table, Vec<String>), Fault> {
        let flows = [flow(rate, samples.len() as u64)];
        let mut given =
            testing::run_every_way(&Spectrum, text, &[], &flows, &[Samples::Wave(samples)])?;
        assert!(!given.diagnostics.has_errors(), "{}", given.diagnostics);
        match given.closing.values.pop() {
            Some(Value::Table(table)) => Ok((given.ports.remove(0), table, given.closing.remarks)),
            _ => panic!("expected a table"),
        }
    }

    const BY_HAND: &str = r#"Spectrum(of: "x", segment: "1 s", overlap: "0 %", window: Rectangular, detrend: Nothing, quantity: Power)"#;

    /// 2, 0, -2, 0 at 4 Hz: X = (0, 4, 0, 4), so 2·16/(4·4) = 2 V²/Hz at 1 Hz, which is the variance 2 over
    /// 1 Hz; two such segments and one of zeros: 4/3, u = 1/sqrt(3) of it; by hand.
    #[test]
    fn a_density_worked_by_hand() {
        let samples = [2.0, 0.0, -2.0, 0.0, 0.0, 0.0, 0.0, 0.0, 2.0, 0.0, -2.0, 0.0];
        let (port, found, _) = table(BY_HAND, 4.0, &samples).expect("a density");
        assert_eq!(port.flow.unit, Unit::parse("V^2/Hz").expect("a unit"));
        assert_eq!(port.flow.abscissa, Some(("frequency", Unit::hertz())));
        assert_eq!(found.x, [0.0, 1.0, 2.0]);
        // A dozen roundings of numbers near 1.
        assert!(
            (found.y[1] - 4.0 / 3.0).abs() < 1e-14 && found.y[0].abs() + found.y[2].abs() < 1e-14,
            "{found:?}"
        );
        assert!((found.u.expect("known")[1] - 4.0 / 3.0 / 3f64.sqrt()).abs() < 1e-14);
        let root = BY_HAND.replace("Power", "Amplitude");
        let (port, found, _) = table(&root, 4.0, &samples).expect("a density");
        assert_eq!(port.flow.unit, Unit::parse("V/sqrt(Hz)").expect("a unit"));
        assert!((found.y[1] - (4.0f64 / 3.0).sqrt()).abs() < 1e-14);
        assert!((found.u.expect("known")[1] - 0.5 * (4.0f64 / 9.0).sqrt()).abs() < 1e-14);
    }

    #[test]
    fn segments_with_missing_samples_are_remarked() {
        let mut samples: Vec<f64> = (0..100u64).map(|n| (n * n % 13) as f64).collect();
        samples[50] = f64::NAN;
        let text = r#"Spectrum(of: "x", segment: "10 s")"#;
        let (_, _, remarks) = table(text, 1.0, &samples).expect("a density");
        assert_eq!(
            remarks,
            ["2 of 19 segments were left out, since samples were missing in them"]
        );
        samples.fill(f64::NAN);
        let fault = Fault::TooFew {
            what: "whole segments without missing samples",
            needed: 1,
            found: 0,
        };
        assert_eq!(table(text, 1.0, &samples).expect_err("no density"), fault);
    }

    #[test]
    fn segments_that_do_not_fit_are_refused() {
        let codes = |text: &str, flow: Flow| {
            let (found, _) = testing::check(&Spectrum, text, &[], &[flow]);
            found.iter().map(|d| d.code).collect::<Vec<_>>()
        };
        let text = r#"Spectrum(of: "x", segment: "10 s", window: Hft95)"#;
        assert_eq!(codes(text, flow(1.0, 9)), [Code::Time]);
        assert_eq!(codes(text, flow(0.1, 9)), [Code::Limit]);
        assert_eq!(codes(text, flow(1e8, 1 << 40)), [Code::Limit]);
        assert_eq!(
            codes(
                text,
                Flow {
                    rate: None,
                    length: None,
                    ..flow(1.0, 1)
                }
            ),
            []
        );
        assert_eq!(
            codes(
                r#"Spectrum(of: "x", segment: "10 s", overlap: "97 %")"#,
                flow(1.0, 99)
            ),
            [Code::OutOfRange]
        );
    }
}
