//! `Polar`: amplitude and phase of a phasor.

use num_complex::Complex64;
use phasemill_engine::flow::{Buffer, Companions, Flow, Kind, Port, Samples};
use phasemill_engine::response::Response;
use phasemill_engine::stage::{Checker, Configured, Fault, Kernel, PointWork, Stage, Told, Work};
use phasemill_engine::text::Reader;
use phasemill_engine::units::Unit;
use phasemill_engine::value::{Estimate, Value};

use crate::math::amplitudes::Amplitudes;
use crate::math::plane::Findings;

/// The stage.
pub struct Polar;

impl Stage for Polar {
    fn name(&self) -> &'static str {
        "Polar"
    }

    fn doc(&self) -> &'static str {
        "Amplitude and phase of a phasor or a complex estimate z = X + iY: R = sqrt(X^2 + Y^2) and atan2(Y, X), from \
         -180 to 180 degrees. Noise makes R too large (Rice distribution). Of an estimate with an evaluated \
         uncertainty the amplitude is therefore the one whose median R is the R found, which is too large as often \
         as too small (the median estimator of Simmons & Stewart, Astron. Astrophys. 142, 100 (1985), here for any \
         covariance and with Student's t); it is 0 where R is below its median without a signal. For many \
         standard uncertainties it is R less u^2/(2R), u that across. Standard uncertainties are those of \
         first-order propagation (JCGM 100:2008, 5.1), right for such amplitudes only; what holds near zero too \
         are the further outputs. `p` is the probability of such an X + iY, or one farther out, without a signal \
         (Hotelling's T^2, Ann. Math. Stat. 2, 360 (1931); exact for independent normal samples), `detected` is 1 \
         where p is at most 0.05 and else 0. `low` and `high` are the 95 % coverage interval of the amplitude, \
         `low` 0 unless detected; `limit` is the amplitude that is not exceeded at 95 %, from the bivariate t \
         distribution about z. They hold for 95 % or more of all measurements, for small amplitudes often more. \
         `phase_low` and `phase_high` are the 95 % coverage interval of the phase (Fieller, J. R. Stat. Soc. B 16, \
         175 (1954), exact), missing (NaN) where it is undetermined. Where X and Y have several sources of \
         uncertainty, degrees of freedom are combined after Krishnamoorthy & Yu, Stat. Probab. Lett. 66, 161 (2004); \
         gains and their phases count as factors, which make no signal of noise and do not bias R. \
         Amplitudes that are drawn (`run --monte-carlo`) have the same coverage interval: above the median they are the \
         modulus of what is drawn, below it the amplitude that Rice's distribution gives for its probability. \
         All but R and phase are missing where the uncertainty vanishes in some direction or has one degree of \
         freedom. A value of exactly zero, as of a background point less itself, has no phase."
    }

    fn example(&self) -> &'static str {
        r#"Recipe(
    title: "Amplitude and phase of a chopped signal",
    inputs: { "detector": Wave(unit: "V"), "chopper": Wave(unit: "V") },
    stages: {
        "clock": Reference(of: "chopper", shape: Square()),
        "product": Mix(of: "detector", with: "clock"),
        "answer": Average(of: "product"),
        "polar": Polar(of: "answer"),
    },
    results: ["polar"],
)"#
    }

    fn numeric_version(&self) -> u32 {
        3
    }

    fn read(&self, r: &mut Reader<'_>) -> Box<dyn Configured> {
        r.setting("of", "the phasor or complex estimate").flow();
        let radians = r
            .setting("phase_in", "unit of the phase")
            .default("Degrees")
            .choice(|c| {
                c.variant("Degrees", "degrees", |_| false)
                    .variant("Radians", "radians", |_| true);
            });
        Box::new(Settings {
            radians: radians.unwrap_or(false),
        })
    }
}

struct Settings {
    radians: bool,
}

impl Configured for Settings {
    fn check(&self, inputs: &[Flow], checker: &mut Checker<'_>) -> Vec<Port> {
        let [input] = inputs else { return Vec::new() };
        if !checker.expect_kind(0, input, &[Kind::Phasor, Kind::ComplexEstimate]) {
            return Vec::new();
        }
        let kind = if input.kind == Kind::Phasor {
            Kind::Wave
        } else {
            Kind::Estimate
        };
        let unit = if self.radians {
            Unit::radian()
        } else {
            Unit::degree()
        };
        let amplitude = Flow {
            kind,
            ..input.clone()
        };
        let phase = Flow {
            kind,
            unit,
            convention: None,
            scalings: Vec::new(),
            gain: 1.0,
            // The phase of a ratio is a difference, relative to no clock.
            clock: input.clock.clone().filter(|_| input.convention.is_some()),
            ..input.clone()
        };
        if input.kind == Kind::Phasor || !input.evaluated {
            return vec![Port::new("amplitude", amplitude), Port::new("phase", phase)];
        }
        // They are no signal behind the chain any more.
        let bound = |of: &Flow| Flow {
            evaluated: false,
            clock: None,
            response: Response::default(),
            ..of.clone()
        };
        let number = Flow {
            unit: Unit::one(),
            ..bound(&phase)
        };
        let ends = |low, high, limit| Companions {
            low,
            high,
            detected: DETECTED,
            limit,
        };
        vec![
            Port::new("amplitude", amplitude.clone()).with(ends(2, 3, Some(8))),
            Port::new("phase", phase.clone()).with(ends(4, 5, None)),
            Port::new("low", bound(&amplitude)).bare(),
            Port::new("high", bound(&amplitude)).bare(),
            Port::new("phase_low", bound(&phase)).bare(),
            Port::new("phase_high", bound(&phase)).bare(),
            Port::new("p", number.clone()).bare(),
            Port::new("detected", number).bare(),
            Port::new("limit", bound(&amplitude)).bare(),
        ]
    }

    fn method(&self, inputs: &[Told<'_>]) -> Option<String> {
        let Told { name: of, flow } = inputs.first()?;
        let unit = if self.radians { "radians" } else { "degrees" };
        let corrected = match flow.evaluated && flow.kind == Kind::ComplexEstimate {
            true => {
                "; the amplitude was freed of its bias in noise by the median of the Rice distribution"
            }
            false => "",
        };
        Some(format!(
            "Amplitude and phase of {of} were computed, the phase in {unit}{corrected}."
        ))
    }

    fn drawn(&self, inputs: &[Flow], run: &[&Value]) -> Option<Box<PointWork>> {
        let evaluated = inputs.first().is_some_and(|f| f.evaluated);
        let estimate = run.first()?.estimate().filter(|_| evaluated)?;
        let amplitudes = Amplitudes::of(estimate)?;
        Some(Box::new(move |values| {
            let mut all = polar(values, evaluated);
            if let Some(Value::Estimate(amplitude)) = all.first_mut() {
                amplitude.value = amplitudes.at(amplitude.value.re).into();
            }
            Ok(all)
        }))
    }

    fn prepare(&self, inputs: &[Flow]) -> Result<Work, Fault> {
        Ok(match inputs.first() {
            Some(input) if input.kind == Kind::Phasor => {
                Work::Stream(Box::new(|| Box::new(Turning)))
            }
            input => {
                let evaluated = input.is_some_and(|f| f.evaluated);
                Work::Point(Box::new(move |values| Ok(polar(values, evaluated))))
            }
        })
    }
}

/// Index of the output `detected`.
const DETECTED: usize = 7;

fn polar(inputs: &[&Value], evaluated: bool) -> Vec<Value> {
    let Some(estimate) = inputs.first().and_then(|v| v.estimate()) else {
        return Vec::new();
    };
    let found = Findings::of(estimate).filter(|_| evaluated);
    let z = estimate.value;
    let size = libm::hypot(z.re, z.im);
    let amplitude = found.map_or(size, |f| f.amplitude);
    let angle = libm::atan2(z.im, z.re);
    let [amplitude, phase] = if size == 0.0 {
        // A background point less itself: no phase, and no first-order uncertainty.
        [amplitude, f64::NAN].map(Estimate::real)
    } else {
        [
            Estimate::propagate(&[estimate], amplitude.into(), |_, d| {
                ((z.conj() * d).re / size).into()
            }),
            Estimate::propagate(&[estimate], angle.into(), |_, d| {
                ((z.conj() * d).im / (size * size)).into()
            }),
        ]
    };
    let further = match found {
        Some(f) => {
            let [low, high] = f.interval;
            let turn = f.phase.filter(|_| size > 0.0);
            let [phase_low, phase_high] =
                turn.map_or([f64::NAN; 2], |ends| ends.map(|d| angle + d));
            let detected = if f.detected() { 1.0 } else { 0.0 };
            [low, high, phase_low, phase_high, f.p, detected, f.limit]
        }
        None => [f64::NAN; 7],
    };
    let further = further
        .into_iter()
        .filter(|_| evaluated)
        .map(Estimate::real);
    [amplitude, phase]
        .into_iter()
        .chain(further)
        .map(Value::Estimate)
        .collect()
}

struct Turning;

impl Kernel for Turning {
    fn run(&mut self, inputs: &[Samples<'_>], outputs: &mut [Buffer]) -> Result<(), Fault> {
        let (Some(Samples::Phasor(samples)), [Buffer::Wave(amplitude), Buffer::Wave(phase)]) =
            (inputs.first(), outputs)
        else {
            return Ok(());
        };
        amplitude.extend(samples.iter().map(|z: &Complex64| libm::hypot(z.re, z.im)));
        phase.extend(samples.iter().map(|z| libm::atan2(z.im, z.re)));
        Ok(())
    }
}

#[cfg(test)]
mod tests;
