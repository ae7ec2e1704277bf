//! `Decimate`: keeps every n-th sample.

use num_complex::Complex64;
use phasemill_engine::diagnostic::Code;
use phasemill_engine::flow::{Buffer, Flow, Kind, Phase, Port, Samples};
use phasemill_engine::response::Element;
use phasemill_engine::stage::{
    Checker, Configured, Fault, Follows, Kernel, Linear, Stage, Told, Work,
};
use phasemill_engine::text::{Range, Reader};

/// Part by which the new rate may be off the one asked for: clocks of recorders are good to some 100 ppm, those of
/// their computers to ten times that (common practice, no source).
const OFF: f64 = 1e-3;

/// The stage.
pub struct Decimate;

impl Stage for Decimate {
    fn name(&self) -> &'static str {
        "Decimate"
    }

    fn doc(&self) -> &'static str {
        "Keeps the first and then every n-th sample of a wave, phasor or clock: y[k] = x[n*k]. It does not \
         filter: what lies above half the new rate folds down (sampling theorem), so filter first. `to` takes the \
         nearest whole n, and the flow has the true rate, that of the input over n. Since a recorder's rate may have been \
         measured, as 49 999.7 Hz, that rate may be 0.1 % off the one asked for (for 200 Hz it is 199.9988 Hz, n = 250); \
         farther off it is refused, and `by` says n."
    }

    fn numeric_version(&self) -> u32 {
        6
    }

    fn example(&self) -> &'static str {
        r#"Recipe(
    title: "Slow copy of a detector's level",
    inputs: { "detector": Wave(unit: "V") },
    stages: {
        "smooth": Filter(of: "detector", kind: RcCascade(poles: 4, time_constant: "20 ms")),
        "slow": Decimate(of: "smooth", to: "100 Hz"),
    },
    results: ["slow"],
)"#
    }

    fn read(&self, r: &mut Reader<'_>) -> Box<dyn Configured> {
        r.setting("of", "the flow to be decimated").flow();
        let to = r
            .setting("to", "new sample rate")
            .optional()
            .map(|s| s.quantity("Hz", Range::Positive));
        let by = r
            .setting("by", "keep one sample of this many")
            .optional()
            .map(|s| s.integer(1, 1 << 40) as u64);
        if to.is_some() == by.is_some() {
            let found = if to.is_some() { "both" } else { "neither" };
            let message = format!("expected one of `to` and `by`, found {found}");
            r.fault(
                "by",
                Code::MissingSetting,
                message,
                "give the new rate (`to`) or the factor (`by`)",
            );
        }
        Box::new(Settings { to, by })
    }
}

struct Settings {
    /// Hz.
    to: Option<f64>,
    by: Option<u64>,
}

impl Settings {
    /// The factor; `Err` with the ratio when that is not whole.
    fn factor(&self, rate: f64) -> Result<u64, f64> {
        let Some(to) = self.to else {
            return Ok(self.by.unwrap_or(1));
        };
        let ratio = rate / to;
        let whole = ratio.round();
        // Rates are decimal texts, so what is meant to be just within may be beyond by rounding.
        if whole >= 1.0 && (ratio - whole).abs() <= OFF * whole * (1.0 + 1e-9) {
            Ok(whole as u64)
        } else {
            Err(ratio)
        }
    }
}

impl Configured for Settings {
    fn check(&self, inputs: &[Flow], checker: &mut Checker<'_>) -> Vec<Port> {
        let [input] = inputs else { return Vec::new() };
        if !checker.expect_kind(0, input, &[Kind::Wave, Kind::Phasor, Kind::Clock]) {
            return Vec::new();
        }
        let mut flow = input.clone();
        if let Some(rate) = input.rate {
            match self.factor(rate) {
                Ok(factor) => {
                    flow.rate = Some(rate / factor as f64);
                    flow.length = input.length.map(|n| n.div_ceil(factor));
                    flow.response = flow.response.then(Element::KeepEvery(factor));
                    if factor > 1 {
                        // A short gap may fall between the samples that are kept.
                        (flow.missing.gap, flow.missing.longest) = (None, None);
                    }
                }
                Err(ratio) => {
                    let low = (ratio.floor() as u64).max(1);
                    let told = |by: u64| format!("`by: {by}` for {}", hertz(rate / by as f64));
                    let help = match ratio < 1.0 {
                        true => "decimation only lowers a rate; choose a lower one".to_owned(),
                        false => format!("write {} or {}", told(low), told(low + 1)),
                    };
                    let message = format!(
                        "expected a rate within {} % of {} over a whole number, found {}",
                        100.0 * OFF,
                        hertz(rate),
                        hertz(rate / ratio)
                    );
                    checker.error("to", Code::Rate, message, help);
                }
            }
        }
        vec![Port::new("", flow)]
    }

    fn follows(&self, _: &[Flow]) -> Option<Follows> {
        Some(Follows::Times(Complex64::ONE))
    }

    fn method(&self, inputs: &[Told<'_>]) -> Option<String> {
        let of = inputs.first()?.name;
        let rate = inputs.first()?.flow.rate?;
        let factor = self.factor(rate).ok()?;
        Some(format!(
            "One of {factor} samples of {of} was kept, which gives a rate of {}.",
            hertz(rate / factor as f64)
        ))
    }

    fn linear(&self, inputs: &[Flow]) -> Option<Linear> {
        let input = inputs.first()?;
        let factor = self.factor(input.rate?).ok()?;
        (input.kind != Kind::Clock).then_some(Linear::Keep(factor))
    }

    fn prepare(&self, inputs: &[Flow]) -> Result<Work, Fault> {
        let rate = inputs.first().and_then(|f| f.rate).unwrap_or(1.0);
        let factor = self.factor(rate).unwrap_or(1);
        Ok(Work::Stream(Box::new(move || {
            Box::new(Keeping { factor, next: 0 })
        })))
    }
}

/// A rate as it is told: measured ones have many digits.
fn hertz(rate: f64) -> String {
    let rounded = format!("{rate:.8e}").parse().unwrap_or(rate);
    format!("{rounded} Hz")
}

struct Keeping {
    factor: u64,
    /// Samples to pass over before the next that is kept.
    next: u64,
}

impl Keeping {
    fn keep<T: Copy>(&mut self, samples: &[T], out: &mut Vec<T>) {
        let length = samples.len() as u64;
        out.extend(
            samples
                .iter()
                .skip(self.next as usize)
                .step_by(self.factor as usize),
        );
        if self.next >= length {
            self.next -= length;
        } else {
            let behind = (length - self.next) % self.factor;
            self.next = if behind == 0 { 0 } else { self.factor - behind };
        }
    }
}

impl Kernel for Keeping {
    fn run(&mut self, inputs: &[Samples<'_>], outputs: &mut [Buffer]) -> Result<(), Fault> {
        match (inputs.first(), outputs.first_mut()) {
            (Some(Samples::Wave(s)), Some(Buffer::Wave(out))) => self.keep::<f64>(s, out),
            (Some(Samples::Phasor(s)), Some(Buffer::Phasor(out))) => self.keep::<Complex64>(s, out),
            (Some(Samples::Clock(s)), Some(Buffer::Clock(out))) => self.keep::<Phase>(s, out),
            _ => {}
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use phasemill_engine::testing;
    use phasemill_engine::units::Unit;

    use super::*;

    fn flow(rate: f64) -> Flow {
        Flow {
            rate: Some(rate),
            length: Some(23),
            ..Flow::new(Kind::Wave, Unit::one())
        }
    }

    #[test]
    fn keeps_the_first_and_every_fifth() {
        let x: Vec<f64> = (0..23).map(f64::from).collect();
        for text in [
            r#"Decimate(of: "x", by: 5)"#,
            r#"Decimate(of: "x", to: "20 Hz")"#,
        ] {
            let given =
                testing::run_every_way(&Decimate, text, &[], &[flow(100.0)], &[Samples::Wave(&x)])
                    .expect("runs");
            assert_eq!(
                given.buffers[0].samples().wave(),
                [0.0, 5.0, 10.0, 15.0, 20.0]
            );
            assert_eq!(
                (given.ports[0].flow.rate, given.ports[0].flow.length),
                (Some(20.0), Some(5))
            );
        }
    }

    #[test]
    fn a_broken_ratio_is_refused_with_the_nearest_that_fit() {
        let (found, _) = testing::check(
            &Decimate,
            r#"Decimate(of: "x", to: "30 Hz")"#,
            &[],
            &[flow(100.0)],
        );
        let text = found.to_string();
        assert!(
            text.contains("within 0.1 % of 100 Hz over a whole number, found 30 Hz"),
            "{text}"
        );
        assert!(
            text.contains("`by: 3` for 33.3333333 Hz or `by: 4` for 25 Hz"),
            "{text}"
        );
    }

    /// 49 999.7/200 = 249.9985 takes one of 250; 50 kHz to 1001 Hz is 49.95, 0.1 % off 50, and to 1001.1 Hz more.
    #[test]
    fn a_measured_rate_takes_the_nearest_factor_and_tells_the_true_rate() {
        let check = |rate: f64, to: &str| {
            let text = format!(r#"Decimate(of: "x", to: "{to}")"#);
            testing::check(&Decimate, &text, &[], &[flow(rate)])
        };
        let (found, ports) = check(49_999.7, "200 Hz");
        assert!(found.is_empty(), "{found}");
        assert_eq!(ports[0].flow.rate, Some(49_999.7 / 250.0));
        assert!(check(50e3, "1001 Hz").0.is_empty());
        assert!(check(50e3, "1001.1 Hz").0.has_errors());
    }

    #[test]
    fn rate_and_factor_exclude_each_other() {
        for text in [
            r#"Decimate(of: "x")"#,
            r#"Decimate(of: "x", by: 2, to: "50 Hz")"#,
        ] {
            let (found, _) = testing::check(&Decimate, text, &[], &[flow(100.0)]);
            assert_eq!(found.len(), 1, "{found}");
        }
    }
}
