//! Two excitations at once, seen by one detector.

use std::path::Path;

use super::times;
use crate::noise::{Noise, Normals, Spectrum};
use crate::store::{Channel, Codes, Recording};
use crate::truth::Truth;
use crate::wave::{Clock, Hum, sine};
use crate::{DemoError, Settings};

const NUMBER: u16 = 6;
const RATE: f64 = 20_000.0;
const NOISE: f64 = 2e-6;

/// Name, frequency in Hz, peak amplitude in V and phase in degrees.
const TONES: [(&str, f64, f64, f64); 2] = [
    ("first", 311.0, 1.2e-3, -15.0),
    ("second", 487.0, 0.8e-3, 40.0),
];

fn clocks(settings: &Settings) -> [Clock; 2] {
    let mut normals = Normals::new(settings, NUMBER, 0, 0);
    TONES.map(|(_, frequency, ..)| Clock {
        start: normals.uniform(),
        frequency,
        ..Clock::default()
    })
}

/// Detector, first and second reference.
fn take(settings: &Settings, samples: usize) -> [Vec<f64>; 3] {
    let normals = |channel| Normals::new(settings, NUMBER, 0, channel);
    let clocks = clocks(settings);
    let mut noise = Noise::new(normals(1), &Spectrum::white(NOISE), RATE);
    let mut sources = [2, 3].map(|c| Noise::new(normals(c), &Spectrum::white(5e-6), RATE));
    let hum = Hum::new(normals(4), &[(50.0, 0.4e-3), (150.0, 0.1e-3)]);
    let on = settings.disturbance(1.0);
    let mut taken = [(); 3].map(|()| Vec::with_capacity(samples));
    for time in times(samples, RATE) {
        let mut detector = 20e-3 + on * (hum.at(time) + noise.draw());
        for (i, (_, _, amplitude, phase)) in TONES.iter().enumerate() {
            let cycles = clocks[i].phase(time);
            detector += amplitude * sine(cycles, *phase);
            taken[i + 1].push(sine(cycles, 0.0) + on * sources[i].draw());
        }
        taken[0].push(detector);
    }
    taken
}

pub(super) fn write(folder: &Path, settings: &Settings) -> Result<(), DemoError> {
    let title = "Response to two excitations at different frequencies";
    let recording = Recording::create(&folder.join("two-tone.h5"), title)?;
    let taken = take(settings, settings.samples(10.0, RATE));
    for (path, values) in ["/detector", "/first", "/second"].into_iter().zip(&taken) {
        recording.channel(&Channel::volts(path, Codes::Float32, RATE), values)?;
    }
    let mut truth = Truth::new(title, settings);
    for (name, frequency, amplitude, phase) in TONES {
        truth.value(&format!("{name}_frequency"), "Hz", frequency);
        truth.value(&format!("{name}_amplitude"), "V", amplitude);
        truth.value(&format!("{name}_rms"), "V", amplitude / 2.0_f64.sqrt());
        truth.value(&format!("{name}_phase"), "deg", phase);
    }
    truth.value("offset", "V", 20e-3);
    truth.value("white_density", "V/sqrt(Hz)", settings.disturbance(NOISE));
    truth.write(&folder.join("two-tone.truth.json"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wave::tests::project;

    #[test]
    fn noise_free_tones_are_those_of_the_truth() {
        let settings = Settings {
            noise: false,
            ..Settings::default()
        };
        let [detector, ..] = take(&settings, 20_000);
        for (clock, (_, _, amplitude, degrees)) in clocks(&settings).iter().zip(TONES) {
            let phase: Vec<f64> = times(20_000, RATE).map(|t| clock.phase(t)).collect();
            let (real, imaginary) = project(&detector, &phase, 1.0);
            // The offset is 310 periods of the window away and leaves 2·0.02/(2·310³) = 7e-10; the other
            // tone is 176 away and leaves 1.2e-3/(2·176³) = 1.1e-10.
            assert!((real - amplitude * sine(0.0, degrees + 90.0)).abs() < 1e-9);
            assert!((imaginary - amplitude * sine(0.0, degrees)).abs() < 1e-9);
        }
    }
}
