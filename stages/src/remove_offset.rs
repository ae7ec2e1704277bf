//! `RemoveOffset`: takes the offset away, as a mean, a straight line, or everything slow.

use phasemill_engine::diagnostic::Code;
use phasemill_engine::flow::{Buffer, Flow, Kind, Port, Samples};
use phasemill_engine::lineage::stated;
use phasemill_engine::response::{Element, Response};
use phasemill_engine::stage::{
    Checker, Closing, Configured, Fault, Follows, Kernel, Linear, Stage, Survey, Told, Work,
    sampled_input,
};
use phasemill_engine::text::{Range, Reader};
use phasemill_engine::units::{Unit, format_quantity};
use phasemill_engine::value::{Estimate, Value};

use crate::math::gaps::{Event, Gaps, Guard, read_gaps};
use crate::math::rc_notch::rc_highpass;
use crate::math::sos::Cascade;
use crate::math::sums::LineSums;

/// The stage.
pub struct RemoveOffset;

impl Stage for RemoveOffset {
    fn name(&self) -> &'static str {
        "RemoveOffset"
    }

    fn doc(&self) -> &'static str {
        "Takes the offset of a wave away. An offset that is left becomes a ripple at the reference frequency \
         after mixing, and would be amplified with the signal. `Mean`: the mean of the point. `Line`: a \
         straight line by least squares over the point, which also takes a steady drift. `HighPass`: one RC \
         high-pass pole, from rest. `Mean` and `Line` look at the whole point first; missing samples are left \
         out and passed on as missing. The output `offset` is what was taken away: the mean, or the line's \
         value in the middle of the point."
    }

    fn example(&self) -> &'static str {
        r#"Recipe(
    title: "Detector without its offset and drift",
    inputs: { "detector": Wave(unit: "V") },
    stages: { "ac": RemoveOffset(of: "detector", method: Line) },
    results: ["ac"],
)"#
    }

    fn read(&self, r: &mut Reader<'_>) -> Box<dyn Configured> {
        r.setting("of", "the wave").flow();
        let method = r
            .setting("method", "what is taken away")
            .default("Mean")
            .choice(|c| {
                c.variant("Mean", "the mean of the point", |_| Method::Mean)
                    .variant("Line", "a straight line", |_| Method::Line)
                    .variant("HighPass", "everything slow", |r| Method::HighPass {
                        corner: r
                            .setting("corner", "3 dB corner")
                            .quantity("Hz", Range::Positive),
                        gaps: read_gaps(r),
                    });
            });
        Box::new(Settings {
            method: method.unwrap_or(Method::Mean),
        })
    }
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Method {
    Mean,
    Line,
    /// Corner in Hz.
    HighPass {
        corner: f64,
        gaps: Gaps,
    },
}

struct Settings {
    method: Method,
}

/// The high-pass section as a chain's element.
fn element(corner: f64, rate: f64) -> Result<Element, String> {
    let section = rc_highpass(corner, rate).map_err(|e| e.to_string())?;
    Ok(Element::Sections(vec![section.coefficients()], rate))
}

impl Configured for Settings {
    fn check(&self, inputs: &[Flow], checker: &mut Checker<'_>) -> Vec<Port> {
        let [input] = inputs else { return Vec::new() };
        if !checker.expect_kind(0, input, &[Kind::Wave]) {
            return Vec::new();
        }
        if input.gain > 1.0 {
            let cost = match input.full_scale {
                Some(full) => {
                    let show = |x| format_quantity(x, &input.unit, 3);
                    let (before, after) = (show(full), show(full * input.gain));
                    format!("; one within the full scale of {before} becomes up to {after}")
                }
                None => String::new(),
            };
            checker.warn(
                "of",
                Code::Order,
                format!(
                    "the offset is amplified {} times before it is taken away{cost}",
                    format_quantity(input.gain, &Unit::one(), 3)
                ),
                "remove the offset first and amplify then, so that the gain is spent on the signal",
            );
        }
        if let (Method::Line, Some(found)) = (self.method, input.length.filter(|n| *n < 2)) {
            checker.error(
                "method",
                Code::Time,
                format!("expected at least 2 samples for a line, found {found}"),
                "record longer points, or remove the mean",
            );
        }
        let mut flow = Flow {
            gain: 1.0,
            // Phases about their mean are relative to that.
            clock: input
                .clock
                .clone()
                .filter(|_| input.zero_of_phase().is_none()),
            ..input.clone()
        };
        // What a high-pass leaves of the level is in its response.
        if let Some(amplitudes) = &mut flow.amplitudes
            && !matches!(self.method, Method::HighPass { .. })
        {
            amplitudes.level = Some(0.0);
        }
        if let Method::HighPass { gaps, .. } = self.method {
            gaps.check(input, checker);
        }
        if let (Method::HighPass { corner, .. }, Some(rate)) = (self.method, input.rate) {
            match element(corner, rate) {
                Ok(element) => flow.response = flow.response.then(element),
                Err(message) => checker.error(
                    "method.corner",
                    Code::Design,
                    message,
                    "choose a lower corner",
                ),
            }
        }
        let mut ports = vec![Port::new("", flow)];
        if !matches!(self.method, Method::HighPass { .. }) {
            let removed = Flow {
                kind: Kind::Estimate,
                rate: None,
                length: None,
                ..input.clone()
            };
            ports.push(Port::new("offset", removed));
        }
        ports
    }

    fn follows(&self, _: &[Flow]) -> Option<Follows> {
        Some(match self.method {
            Method::HighPass { .. } => Follows::Times(1.0.into()),
            _ => Follows::WithoutLevel,
        })
    }

    fn method(&self, inputs: &[Told<'_>]) -> Option<String> {
        let of = inputs.first()?.name;
        Some(match self.method {
            Method::Mean => format!("The mean of each point was subtracted from {of}."),
            Method::Line => format!(
                "A straight line, fitted by least squares to each point, was subtracted from {of}."
            ),
            Method::HighPass { corner, .. } => format!(
                "{of} was high-pass filtered by one RC pole with a corner at {}.",
                stated(corner, "Hz")
            ),
        })
    }

    fn linear(&self, _: &[Flow]) -> Option<Linear> {
        (self.method == Method::Mean).then_some(Linear::LessMean)
    }

    fn prepare(&self, inputs: &[Flow]) -> Result<Work, Fault> {
        let (_, rate) = sampled_input(inputs)?;
        match self.method {
            Method::HighPass { corner, gaps } => {
                let wrong = |why: String| Fault::Numeric {
                    what: "high-pass",
                    why,
                };
                let section = rc_highpass(corner, rate).map_err(|e| wrong(e.to_string()))?;
                let alone = Response::default().then(element(corner, rate).map_err(wrong)?);
                let settling = alone
                    .settling_time(1e-4)
                    .map_or(u64::MAX, |t| (t * rate).ceil() as u64);
                let guard = Guard::new(gaps, settling);
                Ok(Work::Stream(Box::new(move || {
                    Box::new(HighPass {
                        cascade: Cascade::new(&[section]),
                        guard: guard.clone(),
                    })
                })))
            }
            method => Ok(Work::Survey(Box::new(move || {
                Box::new(Looking {
                    line: method == Method::Line,
                    sums: LineSums::default(),
                })
            }))),
        }
    }
}

struct Looking {
    line: bool,
    sums: LineSums,
}

impl Survey for Looking {
    fn look(&mut self, inputs: &[Samples<'_>]) -> Result<(), Fault> {
        let samples = inputs.first().map_or(&[][..], |s| s.wave());
        samples.iter().for_each(|x| self.sums.push(*x));
        Ok(())
    }

    fn kernel(&mut self) -> Result<Box<dyn Kernel>, Fault> {
        let needed = if self.line { 2 } else { 1 };
        let too_few = Fault::TooFew {
            what: "samples",
            needed,
            found: self.sums.count(),
        };
        let (start, slope) = match self.line {
            true => self.sums.line().ok_or(too_few)?,
            false => (self.sums.mean().ok_or(too_few)?, 0.0),
        };
        let middle = start + slope * 0.5 * (self.sums.seen().max(1) - 1) as f64;
        Ok(Box::new(Subtracting {
            start,
            slope,
            middle,
            next: 0,
            count: self.sums.count(),
            missing: self.sums.missing(),
        }))
    }
}

struct Subtracting {
    start: f64,
    slope: f64,
    middle: f64,
    next: u64,
    count: u64,
    missing: u64,
}

impl Kernel for Subtracting {
    fn run(&mut self, inputs: &[Samples<'_>], outputs: &mut [Buffer]) -> Result<(), Fault> {
        let (Some(Samples::Wave(samples)), Some(Buffer::Wave(out))) =
            (inputs.first(), outputs.first_mut())
        else {
            return Ok(());
        };
        let from = self.next;
        out.extend(
            samples
                .iter()
                .zip(from..)
                .map(|(x, i)| x - (self.start + self.slope * i as f64)),
        );
        self.next += samples.len() as u64;
        Ok(())
    }

    fn finish(&mut self) -> Result<Closing, Fault> {
        let offset = Estimate {
            count: Some(self.count),
            missing: self.missing,
            ..Estimate::real(self.middle)
        };
        Ok(Closing::values(vec![Value::Estimate(offset)]))
    }
}

struct HighPass {
    cascade: Cascade<f64>,
    guard: Guard,
}

impl Kernel for HighPass {
    fn run(&mut self, inputs: &[Samples<'_>], outputs: &mut [Buffer]) -> Result<(), Fault> {
        let (Some(Samples::Wave(samples)), Some(Buffer::Wave(out))) =
            (inputs.first(), outputs.first_mut())
        else {
            return Ok(());
        };
        let cascade = &mut self.cascade;
        self.guard.run(samples, out, |event, part| match event {
            Event::Restart => cascade.reset(),
            Event::Filter => cascade.process(part),
        })
    }
}

#[cfg(test)]
mod tests {
    use phasemill_engine::testing;
    use phasemill_engine::units::Unit;

    use super::*;

    fn run(text: &str, samples: &[f64]) -> Result<(Vec<f64>, Option<f64>), Fault> {
        let flow = Flow {
            rate: Some(100.0),
            ..Flow::new(Kind::Wave, Unit::one())
        };
        let given =
            testing::run_every_way(&RemoveOffset, text, &[], &[flow], &[Samples::Wave(samples)])?;
        let offset = given
            .closing
            .values
            .first()
            .and_then(|v| v.estimate())
            .map(|e| e.value.re);
        Ok((given.buffers[0].samples().wave().to_vec(), offset))
    }

    #[test]
    fn the_mean_goes_and_gaps_stay() {
        let (out, offset) =
            run(r#"RemoveOffset(of: "x")"#, &[1.0, f64::NAN, 2.0, 6.0]).expect("runs");
        assert_eq!(
            (out[0], out[2], out[3], offset),
            (-2.0, -1.0, 3.0, Some(3.0))
        );
        assert!(out[1].is_nan());
    }

    #[test]
    fn a_line_goes_and_its_middle_is_told() {
        let samples: Vec<f64> = (0..11).map(|i| 5.0 + 0.5 * f64::from(i)).collect();
        let (out, offset) = run(r#"RemoveOffset(of: "x", method: Line)"#, &samples).expect("runs");
        // Values below 16 and eleven terms: rounding below 11 · 16 · 2^-53.
        assert!(out.iter().all(|x| x.abs() < 2e-14) && (offset.expect("told") - 7.5).abs() < 2e-14);
    }

    #[test]
    fn all_missing_is_a_fault() {
        let fault = run(r#"RemoveOffset(of: "x")"#, &[f64::NAN; 3]).expect_err("no mean");
        assert_eq!(
            fault,
            Fault::TooFew {
                what: "samples",
                needed: 1,
                found: 0
            }
        );
    }

    /// With the pole a = e^(-2πf/rate) = e^-0.01 and the gain (1 + a)/2 at half the rate, a constant from rest
    /// gives (1 + a)/2·aⁿ, worked by hand; a hundred roundings of numbers up to 1 are below 2e-14. The corner
    /// is 1/2π Hz to 3e-9, which a hundred times moves the exponent by 3e-9.
    #[test]
    fn a_high_pass_forgets_a_constant() {
        let (out, offset) = run(
            r#"RemoveOffset(of: "x", method: HighPass(corner: "0.159154943 Hz"))"#,
            &[1.0; 2000],
        )
        .expect("runs");
        for n in [0, 1, 100, 1999] {
            let exact = 0.5 * (1.0 + libm::exp(-0.01)) * libm::exp(-0.01 * n as f64);
            assert!((out[n] - exact).abs() < 1e-8, "{n}: {}", out[n]);
        }
        assert_eq!(offset, None);
    }

    #[test]
    fn a_gap_is_refused_or_restarts_the_high_pass() {
        let mut samples = vec![1.0; 400];
        samples[100] = f64::NAN;
        let text = r#"RemoveOffset(of: "x", method: HighPass(corner: "5 Hz"))"#;
        let fault = run(text, &samples).expect_err("a gap");
        assert!(matches!(fault, Fault::Gap { sample: 100, .. }), "{fault}");
        let text = r#"RemoveOffset(of: "x", method: HighPass(corner: "5 Hz", gaps: Restart))"#;
        let (out, _) = run(text, &samples).expect("restarts");
        let known: Vec<usize> = (0..400).filter(|i| !out[*i].is_nan()).collect();
        // From rest a step settles to 1e-4 within ln(1e4)/(2π·5/100) = 29.3 samples.
        let behind = known
            .iter()
            .find(|i| **i > 100)
            .expect("samples behind the gap");
        assert_eq!(known[99], 99);
        assert!((130..=132).contains(behind), "{behind}");
        assert!(out[*behind].abs() <= 1e-4);
    }

    /// The least-squares line of 1, 3, missing, 4 at 0, 1, 2, 3: mean 8/3 at 4/3, slope (Σtx - ΣtΣx/n)/(Σt² -
    /// (Σt)²/n) = (15 - 32/3)/(10 - 16/3) = 13/14; in the middle, at 1.5, 8/3 + 13/84; by hand.
    #[test]
    fn a_line_worked_by_hand() {
        let text = r#"RemoveOffset(of: "x", method: Line)"#;
        let (out, offset) = run(text, &[1.0, 3.0, f64::NAN, 4.0]).expect("runs");
        let line = |t: f64| 8.0 / 3.0 + 13.0 / 14.0 * (t - 4.0 / 3.0);
        assert!((offset.expect("told") - line(1.5)).abs() < 1e-15);
        assert!(out[2].is_nan());
        for (t, x) in [(0, 1.0), (1, 3.0), (3, 4.0)] {
            assert!((out[t] - (x - line(t as f64))).abs() < 2e-15, "{t}");
        }
    }

    #[test]
    fn a_corner_above_half_the_rate_is_refused() {
        let flow = Flow {
            rate: Some(100.0),
            ..Flow::new(Kind::Wave, Unit::one())
        };
        let text = r#"RemoveOffset(of: "x", method: HighPass(corner: "60 Hz"))"#;
        let (found, _) = testing::check(&RemoveOffset, text, &[], &[flow]);
        assert_eq!(
            found.iter().map(|d| d.code).collect::<Vec<_>>(),
            [Code::Design]
        );
    }
}
