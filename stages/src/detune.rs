//! `Detune`: moves a reference clock by a frequency.

use phasemill_engine::diagnostic::Code;
use phasemill_engine::flow::{Buffer, Flow, Kind, Phase, Port, Samples};
use phasemill_engine::lineage::stated;
use phasemill_engine::stage::{
    Checker, Configured, Fault, Kernel, Stage, Told, Work, sampled_input,
};
use phasemill_engine::text::{Range, Reader};

use crate::math::clock::advanced;

/// The stage.
pub struct Detune;

impl Stage for Detune {
    fn name(&self) -> &'static str {
        "Detune"
    }

    fn doc(&self) -> &'static str {
        "Moves a reference clock by a frequency d, which may be negative: the phase becomes p + d*t, with t \
         counted from the first sample of the point. Mixing with the moved clock shows what lies beside the \
         signal, where nothing is expected: the noise, a line that was overlooked, or how much of a \
         neighbour gets through (common practice, no source). What the reference does, its jitter and its \
         drift, stays in it, and so does what its phases are off by alike. An unknown phase stays unknown. The mean over a time T sees nothing of a \
         steady signal that lies a whole multiple of 1/T away (derived, zeros of the sine over its argument)."
    }

    // 2: what is relative to a moved clock is as uncertain in phase as what is relative to the clock itself.
    fn numeric_version(&self) -> u32 {
        2
    }

    fn example(&self) -> &'static str {
        r#"Recipe(
    title: "Is there anything 5 Hz above the chopper's frequency?",
    inputs: { "detector": Wave(unit: "V"), "chopper": Wave(unit: "V") },
    stages: {
        "clock": Reference(of: "chopper", shape: Square()),
        "beside": Detune(of: "clock", by: "5 Hz"),
        "product": Mix(of: "detector", with: "beside"),
        "answer": Average(of: "product"),
    },
    results: ["answer"],
)"#
    }

    fn read(&self, r: &mut Reader<'_>) -> Box<dyn Configured> {
        r.setting("of", "the reference clock").flow();
        let by = r.setting("by", "by how much; a negative one moves down");
        Box::new(Settings {
            by: by.quantity("Hz", Range::Any),
        })
    }
}

struct Settings {
    /// Hz.
    by: f64,
}

impl Configured for Settings {
    fn check(&self, inputs: &[Flow], checker: &mut Checker<'_>) -> Vec<Port> {
        let [input] = inputs else { return Vec::new() };
        if !checker.expect_kind(0, input, &[Kind::Clock]) {
            return Vec::new();
        }
        let moved = |f: Option<f64>| f.map(|f| f + self.by);
        let (frequency, expected) = (moved(input.frequency), moved(input.expected));
        if let Some(f) = frequency.or(expected).filter(|f| *f <= 0.0) {
            checker.error(
                "by",
                Code::OutOfRange,
                format!("expected a clock that still runs forwards, found {f} Hz"),
                "move it down by less than its frequency",
            );
        }
        let flow = Flow {
            clock: Some((checker.stage().to_owned(), 1, 1)),
            frequency,
            expected,
            ..input.clone()
        };
        vec![Port::new("", flow)]
    }

    fn method(&self, inputs: &[Told<'_>]) -> Option<String> {
        let of = inputs.first()?.name;
        let by = stated(self.by, "Hz");
        Some(format!(
            "The frequency of the reference {of} was moved by {by}."
        ))
    }

    fn prepare(&self, inputs: &[Flow]) -> Result<Work, Fault> {
        let (_, rate) = sampled_input(inputs)?;
        let step = self.by / rate;
        Ok(Work::Stream(Box::new(move || {
            Box::new(Moving { step, next: 0 })
        })))
    }
}

struct Moving {
    /// Cycles per sample.
    step: f64,
    next: u64,
}

impl Kernel for Moving {
    fn run(&mut self, inputs: &[Samples<'_>], outputs: &mut [Buffer]) -> Result<(), Fault> {
        let (Some(clock), Some(out)) = (
            inputs.first().map(Samples::clock),
            outputs.first_mut().and_then(Buffer::clock),
        ) else {
            return Ok(());
        };
        out.extend((self.next..).zip(clock).map(|(i, phase)| {
            if phase.fraction.is_nan() {
                Phase::UNKNOWN
            } else {
                advanced(*phase, i as f64 * self.step)
            }
        }));
        self.next += clock.len() as u64;
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use phasemill_engine::testing;
    use phasemill_engine::units::Unit;

    use super::*;

    fn clock() -> Flow {
        Flow {
            rate: Some(4.0),
            frequency: Some(1.0),
            ..Flow::new(Kind::Clock, Unit::one())
        }
    }

    /// Quarter cycles at 4 Hz moved by 1 Hz are half cycles, and by -0.5 Hz eighths: by hand.
    #[test]
    fn the_phase_runs_faster_or_slower() {
        let phases: Vec<Phase> = (0..9)
            .map(|i| match i {
                6 => Phase::UNKNOWN,
                i => Phase {
                    cycle: i / 4,
                    fraction: (i % 4) as f64 / 4.0,
                },
            })
            .collect();
        for (by, each) in [("1 Hz", 0.5), ("-0.5 Hz", 0.125)] {
            let text = format!("Detune(of: \"c\", by: \"{by}\")");
            let given =
                testing::run_every_way(&Detune, &text, &[], &[clock()], &[Samples::Clock(&phases)])
                    .expect("runs");
            for (i, phase) in given.buffers[0].samples().clock().iter().enumerate() {
                let cycles = phase.cycle as f64 + phase.fraction;
                match i {
                    6 => assert!(cycles.is_nan()),
                    i => assert_eq!(cycles, each * i as f64),
                }
            }
            let flow = &given.ports[0].flow;
            assert_eq!(flow.frequency, Some(4.0 * each));
        }
    }

    #[test]
    fn a_clock_that_would_run_backwards_is_refused() {
        let text = "Detune(of: \"c\", by: \"-1.5 Hz\")";
        let (found, _) = testing::check(&Detune, text, &[], &[clock()]);
        let codes: Vec<Code> = found.iter().map(|d| d.code).collect();
        assert_eq!(codes, [Code::OutOfRange]);
    }
}
