//! `Mix`: multiplies by a reference, so that a signal at its frequency becomes a steady value.

use std::f64::consts::{FRAC_PI_2, SQRT_2, TAU};

use num_complex::Complex64;
use phasemill_engine::diagnostic::Code;
use phasemill_engine::flow::{Buffer, Convention, Flow, Kind, Phase, Port, Samples};
use phasemill_engine::response::Element;
use phasemill_engine::stage::{
    Checker, Configured, Fault, Follows, Kernel, Linear, Stage, Told, Work,
};
use phasemill_engine::text::Reader;

use crate::math::clock::{cycles_between, harmonic, told_harmonic};

/// The stage.
pub struct Mix;

impl Stage for Mix {
    fn name(&self) -> &'static str {
        "Mix"
    }

    fn doc(&self) -> &'static str {
        "Multiplies a wave by a harmonic of a reference clock. With phase p in cycles, the reference is \
         r = sin(2*pi*p), and a signal A*sin(2*pi*(n/m)*p + theta) becomes the phasor A*exp(i*theta); theta > 0 \
         when the signal leads. `Quadrature`: z = 2*x*(sin + i*cos), whose mean is A*exp(i*theta) and whose \
         ripple lies at twice the frequency (derived from the product formulas of sine and cosine). \
         `Switching`: multiplies by the signs of sine and cosine instead, and so also answers to odd \
         harmonics k with weight 1/k (Fourier series of a square wave); scaled by pi/2 for a sine signal, or by \
         1 so that a square signal of amplitude H gives H. A sample belongs to the half cycle in which it \
         was taken, so a switch between two samples moves by up to half a sample. A missing sample or an \
         unknown phase gives a missing sample. The in-phase part of a switched square falls in a straight \
         line with its phase, so set that phase to zero. What filters the wave before it is mixed also turns \
         its phase. With a divisor m the phase is known up to multiples of 360/m degrees, since any of m \
         cycles may come first."
    }

    fn example(&self) -> &'static str {
        r#"Recipe(
    title: "Light through a chopper, amplitude and phase",
    inputs: { "detector": Wave(unit: "V"), "chopper": Wave(unit: "V") },
    stages: {
        "clock": Reference(of: "chopper", shape: Square()),
        "product": Mix(of: "detector", with: "clock"),
        "answer": Average(of: "product"),
    },
    results: ["answer"],
)"#
    }

    fn read(&self, r: &mut Reader<'_>) -> Box<dyn Configured> {
        r.setting("of", "the wave to be mixed").flow();
        r.setting("with", "the reference clock").flow();
        let harmonic = r
            .setting("harmonic", "n of the harmonic n/m of the reference")
            .default("1")
            .integer(1, 1000);
        let divisor = r
            .setting("divisor", "m of the harmonic n/m of the reference")
            .default("1")
            .integer(1, 1000);
        let switching = r
            .setting("by", "what to multiply by")
            .default("Quadrature")
            .choice(|c| {
                c.variant("Quadrature", "sine and cosine", |_| None)
                    .variant("Switching", "signs of sine and cosine", |r| {
                        r.setting("signal", "shape of the signal, which sets the scale")
                            .default("Sine")
                            .choice(|c| {
                                c.variant("Sine", "a sine of amplitude A gives A", |_| FRAC_PI_2)
                                    .variant("Square", "a square of amplitude H gives H", |_| 1.0);
                            })
                    });
            });
        let rms = r
            .setting("amplitude", "how the amplitude is stated")
            .default("Peak")
            .choice(|c| {
                c.variant("Peak", "peak amplitude", |_| false).variant(
                    "Rms",
                    "root mean square",
                    |_| true,
                );
            });
        let square = switching.flatten() == Some(1.0);
        if square && rms == Some(true) {
            let message = "expected the height of a square signal, found its rms asked for";
            let help = "a square of +-H has the rms H; leave `amplitude` out";
            r.fault("amplitude", Code::Unit, message, help);
        }
        Box::new(Settings {
            harmonic: harmonic as u32,
            divisor: divisor as u32,
            switching: switching.flatten(),
            rms: rms.unwrap_or(false),
        })
    }
}

#[derive(Clone, Copy)]
struct Settings {
    harmonic: u32,
    divisor: u32,
    /// Scale of the ±1 product; `None` for quadrature.
    switching: Option<f64>,
    rms: bool,
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
        let ratio = f64::from(self.harmonic) / f64::from(self.divisor);
        if let (Some(f), Some(rate)) = (clock.frequency.or(clock.expected), wave.rate)
            && f * ratio >= 0.5 * rate
        {
            checker.error(
                "harmonic",
                Code::Rate,
                format!(
                    "expected a frequency below half the sample rate, {} Hz, found {} Hz",
                    0.5 * rate,
                    f * ratio
                ),
                "choose a lower harmonic, or record faster",
            );
        }
        let name = clock
            .clock
            .as_ref()
            .map_or(String::new(), |(name, ..)| name.clone());
        let flow = Flow {
            kind: Kind::Phasor,
            convention: Some(if self.rms {
                Convention::Rms
            } else {
                Convention::Peak
            }),
            clock: Some((name, self.harmonic, self.divisor)),
            frequency: clock.frequency,
            expected: clock.expected,
            switched: self.switching.is_some(),
            response: wave.response.clone().then(Element::Mixed),
            ..wave.clone()
        };
        vec![Port::new("", flow)]
    }

    fn follows(&self, _: &[Flow]) -> Option<Follows> {
        let scale = if self.rms { 1.0 / SQRT_2 } else { 1.0 };
        Some(Follows::Times(
            (scale * self.switching.unwrap_or(1.0)).into(),
        ))
    }

    fn method(&self, inputs: &[Told<'_>]) -> Option<String> {
        let of = inputs.first()?.name;
        let clock = inputs.get(1)?.name;
        let at = told_harmonic(self.harmonic, self.divisor);
        let with = match self.switching {
            None => "sine and cosine",
            Some(_) => "the signs of sine and cosine",
        };
        let stated = match (self.switching, self.rms) {
            (Some(1.0), _) => "scaled to the height of a square signal",
            (_, true) => "scaled to rms amplitude",
            (_, false) => "scaled to peak amplitude",
        };
        Some(format!(
            "{of} was multiplied with {with} at {at} of the reference {clock}, which gives in-phase and quadrature \
             part, {stated}."
        ))
    }

    fn linear(&self, _: &[Flow]) -> Option<Linear> {
        let scale = if self.rms { SQRT_2 } else { 2.0 };
        self.switching.is_none().then_some(Linear::Mixed {
            harmonic: self.harmonic,
            divisor: self.divisor,
            scale,
        })
    }

    fn prepare(&self, _: &[Flow]) -> Result<Work, Fault> {
        let settings = *self;
        Ok(Work::Stream(Box::new(move || {
            let last = Phase::UNKNOWN;
            Box::new(Mixing { settings, last })
        })))
    }
}

struct Mixing {
    settings: Settings,
    /// Phase of the last sample.
    last: Phase,
}

impl Mixing {
    /// The check knows a stated frequency only; a measured one is seen here, from sample to sample.
    fn keep_below_half_the_rate(&mut self, clock: &[Phase]) -> Result<(), Fault> {
        let ratio = f64::from(self.settings.harmonic) / f64::from(self.settings.divisor);
        for phase in clock {
            let step = cycles_between(*phase, self.last) * ratio;
            self.last = *phase;
            if step.abs() >= 0.5 {
                return Err(Fault::Reference {
                    found: format!(
                        "the harmonic runs by {step:.3} cycles from sample to sample, expected below 0.5"
                    ),
                    remedy: "choose a lower harmonic, or record faster",
                });
            }
        }
        Ok(())
    }
}

impl Kernel for Mixing {
    fn run(&mut self, inputs: &[Samples<'_>], outputs: &mut [Buffer]) -> Result<(), Fault> {
        let ([wave, clock], Some(out)) = (inputs, outputs.first_mut().and_then(Buffer::phasor))
        else {
            return Ok(());
        };
        self.keep_below_half_the_rate(clock.clock())?;
        let settings = self.settings;
        let rms = if settings.rms { SQRT_2 } else { 1.0 };
        let pairs = wave.wave().iter().zip(clock.clock());
        match settings.switching {
            None => out.extend(pairs.map(|(x, phase)| {
                let (sin, cos) =
                    libm::sincos(TAU * harmonic(*phase, settings.harmonic, settings.divisor));
                Complex64::new(2.0 * x * sin / rms, 2.0 * x * cos / rms)
            })),
            Some(scale) => out.extend(pairs.map(|(x, phase)| {
                let p = harmonic(*phase, settings.harmonic, settings.divisor);
                Complex64::new(
                    scale * x * sign_of_sine(p) / rms,
                    scale * x * sign_of_sine((p + 0.25) % 1.0) / rms,
                )
            })),
        }
        Ok(())
    }
}

fn sign_of_sine(p: f64) -> f64 {
    if p.is_nan() {
        f64::NAN
    } else if p < 0.5 {
        1.0
    } else {
        -1.0
    }
}

#[cfg(test)]
mod tests {
    use phasemill_engine::testing;
    use phasemill_engine::units::Unit;

    use super::*;

    const SAMPLES: usize = 1000;

    fn flows() -> [Flow; 2] {
        [
            Flow::new(Kind::Wave, Unit::one()),
            Flow::new(Kind::Clock, Unit::one()),
        ]
    }

    /// Ten cycles of the reference over a thousand samples.
    fn clock() -> Vec<Phase> {
        (0..SAMPLES)
            .map(|i| Phase {
                cycle: (i / 100) as i64,
                fraction: (i % 100) as f64 / 100.0,
            })
            .collect()
    }

    fn mean(text: &str, signal: impl Fn(f64) -> f64) -> Complex64 {
        let wave: Vec<f64> = (0..SAMPLES)
            .map(|i| signal(TAU * i as f64 / 100.0))
            .collect();
        let given = testing::run_every_way(
            &Mix,
            text,
            &[],
            &flows(),
            &[Samples::Wave(&wave), Samples::Clock(&clock())],
        )
        .expect("a stage that runs");
        let out = given.buffers[0].samples().phasor().to_vec();
        out.iter().sum::<Complex64>() / out.len() as f64
    }

    /// A whole number of cycles averages to A·e^{iθ}; the sum of 1000 terms of size 2A rounds to no
    /// worse than 1000 · 2 · 2^-53 ≈ 2.3e-13.
    #[test]
    fn a_settled_phasor_is_amplitude_and_lead() {
        let z = mean(r#"Mix(of: "x", with: "c")"#, |t| 3.0 * libm::sin(t + 0.4));
        assert!((z - Complex64::from_polar(3.0, 0.4)).norm() < 1e-12, "{z}");
        let z = mean(r#"Mix(of: "x", with: "c", harmonic: 3)"#, |t| {
            3.0 * libm::sin(3.0 * t - 1.0)
        });
        assert!((z - Complex64::from_polar(3.0, -1.0)).norm() < 1e-12, "{z}");
        let z = mean(r#"Mix(of: "x", with: "c", harmonic: 3, divisor: 2)"#, |t| {
            libm::sin(1.5 * t)
        });
        assert!((z - Complex64::new(1.0, 0.0)).norm() < 1e-12, "{z}");
        let z = mean(r#"Mix(of: "x", with: "c", amplitude: Rms)"#, |t| {
            SQRT_2 * libm::sin(t)
        });
        assert!((z - Complex64::new(1.0, 0.0)).norm() < 1e-12, "{z}");
    }

    /// Odd harmonics answer with weight 1/k (common practice; Fourier series of a square wave). With
    /// 100 samples a cycle the sampled square's weights differ from 1/k by about (πk/100)²/6.
    #[test]
    fn switching_answers_to_odd_harmonics() {
        for k in [1, 3, 5, 7] {
            let z = mean(r#"Mix(of: "x", with: "c", by: Switching())"#, |t| {
                libm::sin(f64::from(k) * t)
            });
            let bound = (TAU * f64::from(k) / 200.0).powi(2) + 2.0 * f64::from(k) / 100.0;
            assert!((z.re * f64::from(k) - 1.0).abs() < bound, "{k}: {z}");
        }
        for k in [2, 4] {
            let z = mean(r#"Mix(of: "x", with: "c", by: Switching())"#, |t| {
                libm::sin(f64::from(k) * t)
            });
            assert!(z.norm() < 1e-12, "{k}: {z}");
        }
    }

    #[test]
    fn a_square_of_height_h_switches_to_h() {
        let square = |t: f64| {
            if (t / TAU + 1e-9) % 1.0 < 0.5 {
                0.7
            } else {
                -0.7
            }
        };
        let z = mean(
            r#"Mix(of: "x", with: "c", by: Switching(signal: Square))"#,
            square,
        );
        assert!((z.re - 0.7).abs() < 1e-12, "{z}");
    }

    /// Ten cycles over a thousand samples: the fiftieth harmonic has two samples a cycle.
    #[test]
    fn a_harmonic_of_a_measured_clock_above_half_the_rate_is_a_fault() {
        let wave = vec![1.0; SAMPLES];
        let inputs = [Samples::Wave(&wave), Samples::Clock(&clock())];
        for (harmonic, good) in [(49, true), (50, false)] {
            let text = format!(r#"Mix(of: "x", with: "c", harmonic: {harmonic})"#);
            let given = testing::run_every_way(&Mix, &text, &[], &flows(), &inputs);
            assert_eq!(given.is_ok(), good, "{harmonic}");
        }
    }

    #[test]
    fn a_square_has_a_height_and_no_rms() {
        let text = r#"Mix(of: "x", with: "c", by: Switching(signal: Square), amplitude: Rms)"#;
        let (found, _) = testing::check(&Mix, text, &[], &flows());
        assert_eq!(
            found.iter().map(|d| d.code).collect::<Vec<_>>(),
            [Code::Unit]
        );
    }

    #[test]
    fn a_harmonic_above_half_the_rate_is_refused() {
        let mut flows = flows();
        flows[0].rate = Some(1000.0);
        flows[1].frequency = Some(300.0);
        let (found, _) =
            testing::check(&Mix, r#"Mix(of: "x", with: "c", harmonic: 2)"#, &[], &flows);
        assert_eq!(
            found.iter().map(|d| d.code).collect::<Vec<_>>(),
            [Code::Rate]
        );
    }
}
