//! `AddTone`: adds a known tone to a wave, to see what a recipe makes of it.

use std::f64::consts::TAU;

use phasemill_engine::constant::Constant;
use phasemill_engine::diagnostic::Code;
use phasemill_engine::flow::{Buffer, Flow, Kind, Phase, Port, Samples};
use phasemill_engine::lineage::stated;
use phasemill_engine::stage::{Checker, Closing, Configured, Fault, Kernel, Stage, Told, Work};
use phasemill_engine::text::{Range, Reader};

use crate::math::clock::{harmonic, told_harmonic};

/// The stage.
pub struct AddTone;

impl Stage for AddTone {
    fn name(&self) -> &'static str {
        "AddTone"
    }

    fn doc(&self) -> &'static str {
        "Adds a known tone to a wave, so that it can be seen what of it comes back. With the phase p of a \
         reference clock in cycles, `Sine` adds A*sin(2*pi*(n/m)*p + theta), and `Square` adds +A in the first \
         half of each cycle of the same phase and -A in the second. The tone follows the clock's jitter and \
         drift as a signal does that the reference drives. It begins with the first sample of a point, as a \
         signal does after a step of the sweep. Where the converter's full scale is known the sum ends there, \
         as in the converter, and samples cut off in this way are told; the sum is not rounded to codes of \
         the converter, since the recorded noise has done that already (a step q of the converter adds \
         q^2/12 to the variance; Bennett 1948). Where the phase is unknown no tone is added, and that is \
         told. `phasemill challenge` adds such tones to a recording by itself."
    }

    fn example(&self) -> &'static str {
        r#"Recipe(
    title: "What comes back of a known tone?",
    inputs: { "detector": Wave(unit: "V"), "chopper": Wave(unit: "V") },
    stages: {
        "clock": Reference(of: "chopper", shape: Square()),
        "known": AddTone(to: "detector", follow: "clock", amplitude: "1 mV", phase: "30 deg"),
        "product": Mix(of: "known", with: "clock"),
        "answer": Average(of: "product"),
    },
    results: ["answer"],
)"#
    }

    fn read(&self, r: &mut Reader<'_>) -> Box<dyn Configured> {
        r.setting("to", "the wave").flow();
        r.setting("follow", "the reference clock that the tone follows")
            .flow();
        let amplitude = r
            .setting("amplitude", "peak amplitude A, in the unit of the wave")
            .factor();
        let phase = r
            .setting("phase", "phase theta; positive when the tone leads")
            .default("\"0 deg\"")
            .quantity("deg", Range::Any);
        let n = r
            .setting("harmonic", "n of the harmonic n/m of the reference")
            .default("1")
            .integer(1, 1000);
        let m = r
            .setting("divisor", "m of the harmonic n/m of the reference")
            .default("1")
            .integer(1, 1000);
        let square = r.setting("shape", "its shape").default("Sine").choice(|c| {
            c.variant("Sine", "a sine", |_| false).variant(
                "Square",
                "a square of +A and -A",
                |_| true,
            );
        });
        Box::new(Settings {
            amplitude,
            phase,
            ratio: (n as u32, m as u32),
            square: square.unwrap_or(false),
        })
    }
}

#[derive(Clone)]
struct Settings {
    /// In SI units.
    amplitude: Constant,
    /// Radians.
    phase: f64,
    /// n and m of the harmonic n/m.
    ratio: (u32, u32),
    square: bool,
}

impl Configured for Settings {
    fn check(&self, inputs: &[Flow], checker: &mut Checker<'_>) -> Vec<Port> {
        let [wave, clock] = inputs else {
            return Vec::new();
        };
        if !checker.expect_kind(0, wave, &[Kind::Wave])
            | !checker.expect_kind(1, clock, &[Kind::Clock])
        {
            return Vec::new();
        }
        if !self.amplitude.unit.same_dimension(&wave.unit) {
            checker.error(
                "amplitude",
                Code::Unit,
                format!(
                    "expected an amplitude in {}, found one in {}",
                    wave.unit, self.amplitude.unit
                ),
                "give it in the unit of the wave",
            );
        } else if self.amplitude.celsius.is_some() {
            checker.error(
                "amplitude",
                Code::Unit,
                format!(
                    "expected an amplitude such as \"0.5 K\", found the temperature {}",
                    self.amplitude.text
                ),
                "an amplitude is a difference, in K; the zero of °C is no part of one",
            );
        }
        let f = clock.frequency.or(clock.expected);
        let f = f.map(|f| f * f64::from(self.ratio.0) / f64::from(self.ratio.1));
        if let (Some(f), Some(rate)) = (f, wave.rate)
            && f >= 0.5 * rate
        {
            checker.error(
                "harmonic",
                Code::Rate,
                format!(
                    "expected a frequency below half the sample rate, {} Hz, found {f} Hz",
                    0.5 * rate
                ),
                "choose a lower harmonic, or record faster",
            );
        }
        vec![Port::new("", wave.clone())]
    }

    fn method(&self, inputs: &[Told<'_>]) -> Option<String> {
        let (to, clock) = (inputs.first()?.name, inputs.get(1)?.name);
        let shape = if self.square { "square" } else { "sine" };
        let at = told_harmonic(self.ratio.0, self.ratio.1);
        Some(format!(
            "A {shape} of amplitude {} and phase {} at {at} of the reference {clock} was added to {to}.",
            self.amplitude.text,
            stated(self.phase, "deg")
        ))
    }

    fn prepare(&self, inputs: &[Flow]) -> Result<Work, Fault> {
        let settings = self.clone();
        let full_scale = inputs.first().and_then(|f| f.full_scale);
        Ok(Work::Stream(Box::new(move || {
            Box::new(Adding {
                settings: settings.clone(),
                full_scale: full_scale.unwrap_or(f64::INFINITY),
                clipped: 0,
                silent: 0,
            })
        })))
    }
}

struct Adding {
    settings: Settings,
    full_scale: f64,
    /// Samples that the tone drove to full scale.
    clipped: u64,
    /// Samples without a tone.
    silent: u64,
}

impl Adding {
    fn tone(&self, phase: Phase) -> f64 {
        let Settings {
            amplitude,
            phase: theta,
            ratio: (n, m),
            square,
        } = &self.settings;
        let p = harmonic(phase, *n, *m);
        if !square {
            return amplitude.value * libm::sin(TAU * p + theta);
        }
        let turned = p + theta / TAU;
        let up = turned - turned.floor() < 0.5;
        if up {
            amplitude.value
        } else {
            -amplitude.value
        }
    }

    fn sum(&mut self, x: f64, phase: Phase) -> f64 {
        if phase.fraction.is_nan() {
            self.silent += 1;
            return x;
        }
        let sum = x + self.tone(phase);
        if sum.abs() <= self.full_scale || x.abs() > self.full_scale || sum.is_nan() {
            return sum;
        }
        self.clipped += 1;
        self.full_scale.copysign(sum)
    }
}

impl Kernel for Adding {
    fn run(&mut self, inputs: &[Samples<'_>], outputs: &mut [Buffer]) -> Result<(), Fault> {
        let ([wave, clock], Some(out)) = (inputs, outputs.first_mut().and_then(Buffer::wave))
        else {
            return Ok(());
        };
        for (x, phase) in wave.wave().iter().zip(clock.clock()) {
            out.push(self.sum(*x, *phase));
        }
        Ok(())
    }

    fn finish(&mut self) -> Result<Closing, Fault> {
        let clipped = (self.clipped > 0).then(|| {
            format!(
                "samples cut off at full scale with the tone added: {}",
                self.clipped
            )
        });
        let silent = (self.silent > 0).then(|| {
            format!(
                "samples without a tone, since the phase is unknown there: {}",
                self.silent
            )
        });
        Ok(Closing {
            values: Vec::new(),
            remarks: clipped.into_iter().chain(silent).collect(),
            ..Closing::default()
        })
    }
}

#[cfg(test)]
mod tests {
    use phasemill_engine::testing;
    use phasemill_engine::units::Unit;

    use super::*;

    fn flows(full_scale: Option<f64>) -> [Flow; 2] {
        let wave = Flow {
            full_scale,
            ..Flow::new(Kind::Wave, Unit::volt())
        };
        [wave, Flow::new(Kind::Clock, Unit::one())]
    }

    /// Eight samples to a cycle, the last one without a phase.
    fn phases() -> Vec<Phase> {
        let known = (0..16).map(|i| Phase {
            cycle: i / 8,
            fraction: (i % 8) as f64 / 8.0,
        });
        known.chain([Phase::UNKNOWN]).collect()
    }

    fn added(text: &str, full_scale: Option<f64>, x: f64) -> (Vec<f64>, Vec<String>) {
        let (x, phases) = (vec![x; 17], phases());
        let inputs = [Samples::Wave(&x), Samples::Clock(&phases)];
        let given = testing::run_every_way(&AddTone, text, &[], &flows(full_scale), &inputs);
        let given = given.expect("runs");
        assert!(!given.diagnostics.has_errors(), "{}", given.diagnostics);
        (
            given.buffers[0].samples().wave().to_vec(),
            given.closing.remarks,
        )
    }

    /// Two thirds of a cycle each eighth of the reference's with n/m = 2/1, by the formula; the last sample is
    /// left as it is. Sines of arguments below 2·2π + 1 carry 13·2^-53 of their argument's rounding.
    #[test]
    fn a_tone_follows_the_harmonic() {
        let text =
            r#"AddTone(to: "x", follow: "c", amplitude: "2 mV", phase: "1 rad", harmonic: 2)"#;
        let (sum, remarks) = added(text, None, 0.5);
        for (i, y) in sum.iter().enumerate().take(16) {
            let exact = 0.5 + 2e-3 * libm::sin(TAU * 2.0 * i as f64 / 8.0 + 1.0);
            assert!(
                (y - exact).abs() < 2e-3 * 13.0 * f64::EPSILON + 1e-16,
                "{i}"
            );
        }
        assert_eq!(sum[16], 0.5);
        assert_eq!(
            remarks,
            ["samples without a tone, since the phase is unknown there: 1"]
        );
    }

    /// Up for four eighths from a quarter cycle before the edge, where the phase leads by 90 degrees; and cut
    /// off at full scale, at 1 of 1.3: by hand.
    #[test]
    fn a_square_leads_and_is_cut_off_at_full_scale() {
        let text =
            r#"AddTone(to: "x", follow: "c", amplitude: "0.8 V", phase: "90 deg", shape: Square)"#;
        let (sum, remarks) = added(text, Some(1.0), 0.5);
        let (up, down) = (1.0, 0.5 - 0.8);
        assert_eq!(sum[..8], [up, up, down, down, down, down, up, up]);
        assert_eq!(
            remarks[0],
            "samples cut off at full scale with the tone added: 8"
        );
    }

    #[test]
    fn an_amplitude_in_another_unit_is_refused() {
        let text = r#"AddTone(to: "x", follow: "c", amplitude: "1 nA")"#;
        let (found, _) = testing::check(&AddTone, text, &[], &flows(None));
        let codes: Vec<Code> = found.iter().map(|d| d.code).collect();
        assert_eq!(codes, [Code::Unit]);
    }

    /// 0.5 °C is the temperature 273.65 K, and no tone is meant to be as large as that.
    #[test]
    fn a_temperature_is_no_amplitude() {
        let mut flows = flows(None);
        flows[0].unit = Unit::parse("K").expect("a unit");
        for (amplitude, codes) in [("0.5 °C", &[Code::Unit][..]), ("0.5 K", &[])] {
            let text = format!(r#"AddTone(to: "x", follow: "c", amplitude: "{amplitude}")"#);
            let (found, _) = testing::check(&AddTone, &text, &[], &flows);
            let found: Vec<Code> = found.iter().map(|d| d.code).collect();
            assert_eq!(found, codes, "{amplitude}");
        }
    }
}
