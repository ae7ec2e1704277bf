//! A driven beam whose drive drifts, recorded without a reference.

use std::path::Path;

use super::times;
use crate::noise::{Noise, Normals, Spectrum};
use crate::store::{Channel, Codes, Recording};
use crate::truth::Truth;
use crate::wave::{Clock, sine};
use crate::{DemoError, Settings};

const NUMBER: u16 = 9;
const RATE: f64 = 1_000.0;
const AMPLITUDE: f64 = 85e-9;
const NOISE: f64 = 2e-9;

fn clock(settings: &Settings) -> Clock {
    Clock {
        start: Normals::new(settings, NUMBER, 0, 0).uniform(),
        frequency: 21.3,
        swing: 0.01,
        swing_rate: 1.0 / 47.0,
        swing_start: 0.1,
        stop: None,
    }
}

fn take(settings: &Settings, samples: usize) -> Vec<f64> {
    let clock = clock(settings);
    let normals = Normals::new(settings, NUMBER, 0, 1);
    let mut noise = Noise::new(normals, &Spectrum::white(NOISE), RATE);
    let on = settings.disturbance(1.0);
    times(samples, RATE)
        .map(|time| {
            let sagging = on * 30e-9 * sine(time / 80.0, 0.0);
            40e-9 + AMPLITUDE * sine(clock.phase(time), 0.0) + sagging + on * noise.draw()
        })
        .collect()
}

pub(super) fn write(folder: &Path, settings: &Settings) -> Result<(), DemoError> {
    let title = "Deflection of a driven beam, the drive drifting";
    let samples = settings.samples(60.0, RATE);
    let channel = Channel {
        units: "m",
        full_scale: Some(1e-6),
        ..Channel::volts("/deflection", Codes::Float64, RATE)
    };
    Recording::create(&folder.join("drifting-beam.h5"), title)?
        .channel(&channel, &take(settings, samples))?;
    // Frequency: f + swing·sin(2π(rate·t + start)); phase of the signal at time 0: start_phase cycles.
    let clock = clock(settings);
    let mut truth = Truth::new(title, settings);
    truth.value("amplitude", "m", AMPLITUDE);
    truth.value(
        "mean_frequency",
        "Hz",
        clock.mean_frequency(samples as f64 / RATE),
    );
    truth.value("middle_frequency", "Hz", clock.frequency);
    truth.value("frequency_swing", "Hz", clock.swing);
    truth.value("swing_rate", "Hz", clock.swing_rate);
    truth.value("swing_start", "cycle", clock.swing_start);
    truth.value("start_phase", "cycle", clock.start);
    truth.value("white_density", "m/sqrt(Hz)", settings.disturbance(NOISE));
    truth.write(&folder.join("drifting-beam.truth.json"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wave::tests::project;

    #[test]
    fn noise_free_deflection_has_the_amplitude_of_the_truth() {
        let settings = Settings {
            noise: false,
            ..Settings::default()
        };
        let clock = clock(&settings);
        let phase: Vec<f64> = times(20_000, RATE).map(|t| clock.phase(t)).collect();
        let (real, imaginary) = project(&take(&settings, 20_000), &phase, 1.0);
        // A Hann window of 425 periods lets 1/425³ = 1.3e-8 of the offset of 40 nm through. The swing,
        // 5e-4 of the frequency, weighs the samples unevenly, but so slowly that nothing mixes.
        assert!((real - AMPLITUDE).abs() < 2e-8 * AMPLITUDE, "{real}");
        assert!(imaginary.abs() < 2e-8 * AMPLITUDE, "{imaginary}");
    }
}
