//! A bridge fed with a current that a switch turns round forty times a second.

use std::f64::consts::PI;
use std::path::Path;

use super::times;
use crate::noise::{Noise, Normals, Spectrum};
use crate::store::{Channel, Codes, Recording};
use crate::truth::Truth;
use crate::wave::Clock;
use crate::{DemoError, Settings};

const NUMBER: u16 = 7;
const RATE: f64 = 10_000.0;
const IMBALANCE: f64 = 3.2e-6;
const THERMAL: f64 = 12e-6;
const NOISE: f64 = 20e-9;
const CLOCK: Clock = Clock {
    // 250 samples are one period; the edges fall half-way between two samples.
    start: 0.302,
    frequency: 40.0,
    swing: 0.0,
    swing_rate: 0.0,
    swing_start: 0.0,
    stop: None,
};

/// Voltages of the bridge and of the switch.
fn take(settings: &Settings, samples: usize) -> [Vec<f64>; 2] {
    let spectrum = Spectrum {
        corner: 5.0,
        flicker: (0.1, 50.0),
        ..Spectrum::white(NOISE)
    };
    let mut noise = Noise::new(Normals::new(settings, NUMBER, 0, 0), &spectrum, RATE);
    let mut source = Normals::new(settings, NUMBER, 0, 1);
    let on = settings.disturbance(1.0);
    let seconds = samples as f64 / RATE;
    let mut taken = [Vec::with_capacity(samples), Vec::with_capacity(samples)];
    for time in times(samples, RATE) {
        let phase = CLOCK.phase(time);
        let sign = if phase - phase.floor() < 0.5 {
            1.0
        } else {
            -1.0
        };
        let warming = on * 0.5e-6 * time / seconds;
        taken[0].push(IMBALANCE * sign + THERMAL + warming + on * noise.draw());
        taken[1].push(sign + on * 0.5e-3 * source.draw());
    }
    taken
}

pub(super) fn write(folder: &Path, settings: &Settings) -> Result<(), DemoError> {
    let title = "Imbalance of a switched bridge";
    let [bridge, switch] = take(settings, settings.samples(10.0, RATE));
    let recording = Recording::create(&folder.join("switched-bridge.h5"), title)?;
    let channel = |path| Channel::volts(path, Codes::Int32, RATE);
    let fine = Channel {
        full_scale: Some(1e-3),
        ..channel("/bridge")
    };
    recording.channel(&fine, &bridge)?;
    recording.channel(&channel("/switch"), &switch)?;
    let mut truth = Truth::new(title, settings);
    truth.value("switching_frequency", "Hz", CLOCK.frequency);
    truth.value("imbalance", "V", IMBALANCE);
    truth.value("fundamental_amplitude", "V", 4.0 / PI * IMBALANCE);
    truth.value("thermal_voltage", "V", THERMAL);
    truth.value("white_density", "V/sqrt(Hz)", settings.disturbance(NOISE));
    truth.write(&folder.join("switched-bridge.truth.json"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn noise_free_product_with_the_switch_is_the_imbalance() {
        let settings = Settings {
            noise: false,
            ..Settings::default()
        };
        let [bridge, switch] = take(&settings, 10_000);
        let sum: f64 = bridge.iter().zip(&switch).map(|(b, s)| b * s).sum();
        // Forty whole periods with as many samples up as down: the thermal voltage cancels but for the
        // rounding of 10000 sums of 1.2e-5 · 1e4.
        assert!((sum / 1e4 - 3.2e-6).abs() < 1e4 * 0.12 * f64::EPSILON / 1e4);
    }

    #[test]
    fn edges_fall_between_samples() {
        let settings = Settings {
            noise: false,
            ..Settings::default()
        };
        let [_, switch] = take(&settings, 250);
        assert!(switch.iter().all(|s| s.abs() == 1.0));
        let up = switch.iter().filter(|s| **s > 0.0).count();
        assert_eq!(up, 125);
    }
}
