//! Resistance by a low-frequency bridge: the same current through a known resistor and the sample.

use std::f64::consts::PI;
use std::path::Path;

use super::times;
use crate::noise::{Noise, Normals, Spectrum};
use crate::store::{Channel, Codes, Recording};
use crate::truth::Truth;
use crate::wave::{Clock, Hum, evenly, sine};
use crate::{DemoError, Settings};

const NUMBER: u16 = 5;
const RATE: f64 = 2_000.0;
const FREQUENCY: f64 = 13.7;
const KNOWN: f64 = 1_000.0;
const CURRENT: f64 = 100e-6;
const CAPACITANCE: f64 = 100e-9;
const NOISE: f64 = 200e-9;

/// Resistance in Ω at a temperature in K: a smooth transition at 182 K.
fn resistance(temperature: f64) -> f64 {
    12.0 + 838.0 / (1.0 + libm::exp(-(temperature - 182.0) / 14.0))
}

/// Real and imaginary part in Ω of the resistance with the leads' capacitance beside it, R/(1 + iωRC).
fn impedance(resistance: f64) -> (f64, f64) {
    let q = 2.0 * PI * FREQUENCY * resistance * CAPACITANCE;
    let real = resistance / (1.0 + q * q);
    (real, -q * real)
}

fn clock(settings: &Settings, point: usize) -> Clock {
    Clock {
        start: Normals::new(settings, NUMBER, point, 0).uniform(),
        frequency: FREQUENCY,
        ..Clock::default()
    }
}

fn take(settings: &Settings, point: usize, samples: usize, resistance: f64) -> [Vec<f64>; 2] {
    let normals = |channel| Normals::new(settings, NUMBER, point, channel);
    let clock = clock(settings, point);
    let (real, imaginary) = impedance(resistance);
    let spectrum = Spectrum {
        corner: 3.0,
        flicker: (0.1, 20.0),
        ..Spectrum::white(NOISE)
    };
    let mut drive = Noise::new(normals(1), &spectrum, RATE);
    let mut sample = Noise::new(normals(2), &spectrum, RATE);
    let lines = [(50.02, 20e-6), (150.06, 6e-6)];
    let hums = [3, 4].map(|channel| Hum::new(normals(channel), &lines));
    let on = settings.disturbance(1.0);
    let mut taken = [Vec::with_capacity(samples), Vec::with_capacity(samples)];
    for time in times(samples, RATE) {
        let phase = clock.phase(time);
        let (sine, cosine) = (sine(phase, 0.0), sine(phase, 90.0));
        let disturbed = [
            on * (hums[0].at(time) + drive.draw()),
            on * (hums[1].at(time) + sample.draw()),
        ];
        taken[0].push(150e-6 + CURRENT * KNOWN * sine + disturbed[0]);
        taken[1].push(-80e-6 + CURRENT * (real * sine + imaginary * cosine) + disturbed[1]);
    }
    taken
}

pub(super) fn write(folder: &Path, settings: &Settings) -> Result<(), DemoError> {
    let title = "Resistance of a film against temperature, by a low-frequency bridge";
    let temperatures = evenly(80.0, 300.0, settings.points(12));
    let samples = settings.samples(20.0, RATE);
    let recording = Recording::create(&folder.join("bridge-sweep.h5"), title)?;
    recording.numbers("/temperature", "K", &temperatures)?;
    let mut sinks = Vec::new();
    for path in ["/drive", "/sample"] {
        let channel = Channel {
            axis: Some("/temperature"),
            ..Channel::volts(path, Codes::Float64, RATE)
        };
        sinks.push(recording.sweep(channel, temperatures.len(), samples)?);
    }
    let resistances: Vec<f64> = temperatures.iter().map(|t| resistance(*t)).collect();
    for (point, resistance) in resistances.iter().enumerate() {
        for (sink, values) in sinks
            .iter()
            .zip(take(settings, point, samples, *resistance))
        {
            sink.write(point, &values)?;
        }
    }

    let (real, imaginary): (Vec<f64>, Vec<f64>) = resistances.iter().map(|r| impedance(*r)).unzip();
    let mut truth = Truth::new(title, settings);
    truth.value("frequency", "Hz", FREQUENCY);
    truth.value("known_resistor", "Ohm", KNOWN);
    truth.value("current", "A", CURRENT);
    truth.value("drive_amplitude", "V", CURRENT * KNOWN);
    truth.value("capacitance", "F", CAPACITANCE);
    truth.value("white_density", "V/sqrt(Hz)", settings.disturbance(NOISE));
    truth.axis("temperature", "K", &temperatures);
    truth.series("resistance", "Ohm", &resistances);
    truth.series("impedance_real", "Ohm", &real);
    truth.series("impedance_imaginary", "Ohm", &imaginary);
    truth.write(&folder.join("bridge-sweep.truth.json"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wave::tests::project;

    #[test]
    fn noise_free_ratio_is_the_impedance() {
        let settings = Settings {
            noise: false,
            ..Settings::default()
        };
        let clock = clock(&settings, 2);
        let phase: Vec<f64> = times(40_000, RATE).map(|t| clock.phase(t)).collect();
        let [drive, sample] = take(&settings, 2, 40_000, 500.0);
        let (drive, lag) = project(&drive, &phase, 1.0);
        let sample = project(&sample, &phase, 1.0);
        // A Hann window of 273 periods lets 1/(2·273³) = 2.5e-8 of the offset, a thousandth of the
        // amplitude, through, and less of the image at twice the frequency.
        assert!(
            (drive - 0.1).abs() < 3e-9 && lag.abs() < 3e-9,
            "{drive} {lag}"
        );
        let q = 2.0 * PI * 13.7 * 500.0 * 100e-9;
        assert!((sample.0 - 0.05 / (1.0 + q * q)).abs() < 3e-9, "{sample:?}");
        assert!(
            (sample.1 + q * 0.05 / (1.0 + q * q)).abs() < 3e-9,
            "{sample:?}"
        );
    }
}
