//! What a plan takes for granted, and where that is doubtful.

use super::LOWEST;
use super::sources::Sources;
use crate::bench::Bench;
use crate::units::format_quantity;

/// Noise of this part of a step makes rounding a source of white noise of its own: the error of the mean
/// that is left is at most q/π·e^{-2π²σ²/q²}, 0.2 % of a step (Widrow, Kollár & Liu, IEEE Trans. Instrum. Meas.
/// 45, 353, 1996, for normal noise).
const DITHER: f64 = 0.5;

/// Standard deviations of noise that a range should hold above the signal (common practice, no source).
const CREST: f64 = 5.0;

/// Sentences of caution about a bench that converts at `rate` Hz and averages for `seconds`.
pub fn cautions(bench: &Bench, sources: &Sources, rate: f64, seconds: f64) -> Vec<String> {
    let show = |x: f64| format_quantity(x, &bench.unit.to_coherent(), 3);
    let nyquist = 0.5 * rate;
    let mut all = Vec::new();
    let slow = LOWEST.max(1.0 / seconds).min(nyquist);
    let rms = sources.before_converter(slow, nyquist).sqrt();
    if let Some(step) = bench.converter.step()
        && rms < DITHER * step
    {
        all.push(format!(
            "the noise before the converter, {} rms, is below half a step of {}: it does not dither it, and what rounding adds is no noise that averages away; amplify before the converter, or use more bits",
            show(rms),
            show(step)
        ));
    }
    if let Some(full_scale) = bench.converter.full_scale {
        let lines: f64 = sources.tones.iter().map(|t| t.amplitude).sum();
        let reached = bench.offset.abs() + bench.signal.unwrap_or(0.0) + lines + CREST * rms;
        if reached > full_scale {
            all.push(format!(
                "offset, signal, lines and {CREST} times the noise reach {}, beyond the full scale of {}: samples will be clipped; remove the offset before the gain, or amplify less",
                show(reached),
                show(full_scale)
            ));
        }
    }
    if bench.sources.is_empty() {
        all.push("no source of noise is stated, so that only the converter counts".into());
    }
    all.push(format!(
        "noise above {} is taken to be kept out by a filter before the converter; without one it folds and adds",
        format_quantity(nyquist, &crate::units::Unit::hertz(), 4)
    ));
    all.push("what is modulated must follow: check how chopper, lamp, sample and amplifier answer at the frequency".into());
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    fn said(noise: &str, offset: &str) -> String {
        let text = format!(
            r#"Bench(title: "made up", signal: "1 V", offset: "{offset}",
                noise: {{ "white": White(density: "{noise}/sqrt(Hz)") }},
                converter: Converter(rate: "20 kHz", full_scale: "8 V", bits: 12))"#
        );
        let (bench, found) = Bench::parse("bench.ron", &text);
        let bench = bench.unwrap_or_else(|| panic!("{found}"));
        cautions(&bench, &Sources::of(&bench, 20e3), 20e3, 10.0).join("\n")
    }

    /// A step is 16 V/4096 = 3.906 mV; noise of 20 µV/√Hz in 10 kHz has 2 mV rms, above half of it, and
    /// 19 µV/√Hz has 1.9 mV, below; worked by hand.
    #[test]
    fn noise_of_less_than_half_a_step_does_not_dither() {
        assert!(!said("20 uV", "0 V").contains("dither"));
        let found = said("19 uV", "0 V");
        assert!(
            found.contains("1.90 mV rms, is below half a step of 3.91 mV"),
            "{found}"
        );
    }

    /// 6.5 V + 1 V + 5·0.1 V = 8 V fits, and a little more does not; 1 mV/√Hz in 10 kHz has 0.1 V rms.
    #[test]
    fn what_leaves_the_range_is_told() {
        assert!(!said("1 mV", "6.49 V").contains("clipped"));
        let found = said("1 mV", "-6.51 V");
        assert!(
            found.contains("reach 8.01 V, beyond the full scale of 8.00 V"),
            "{found}"
        );
    }
}
