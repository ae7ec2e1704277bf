//! A modulated response: an absorption line scanned with its tuning modulated by a sine.

use std::path::Path;

use super::times;
use crate::noise::{Noise, Normals, Spectrum};
use crate::store::{Channel, Codes, Recording};
use crate::truth::Truth;
use crate::wave::{Clock, Hum, evenly, sine};
use crate::{DemoError, Settings};

const NUMBER: u16 = 4;
const RATE: f64 = 20_000.0;
const FREQUENCY: f64 = 613.0;
const LEVEL: f64 = 2.0;
const SLOPE: f64 = 0.01;
const DEPTH: f64 = 0.05;
const WIDTH: f64 = 2.2;
const SWING: f64 = 2.0;
/// Lag of the detector in cycles of the modulation; twice as much at its second harmonic.
const LAG: f64 = 8.0 / 360.0;
const NOISE: f64 = 30e-6;

/// Voltage at a detuning in GHz: a Lorentzian dip on a level that slopes.
fn response(detuning: f64) -> f64 {
    let ratio = detuning / WIDTH;
    LEVEL * (1.0 + SLOPE * detuning) * (1.0 - DEPTH / (1.0 + ratio * ratio))
}

fn detector(detuning: f64, phase: f64) -> f64 {
    response(detuning + SWING * sine(phase - LAG, 0.0))
}

/// A·cos θ and A·sin θ of a harmonic, by Fourier's integral. The response is smooth and periodic in the
/// phase, so the sum over evenly spaced phases converges geometrically: its poles are at a distance of
/// at least asinh(2.2/(10 + 2)) = 0.18 rad from the real axis, and e^(−0.18·1024) is below rounding.
fn harmonic(detuning: f64, number: f64) -> (f64, f64) {
    let count = 1024;
    let (mut real, mut imaginary) = (0.0, 0.0);
    for k in 0..count {
        let phase = f64::from(k) / f64::from(count);
        let value = detector(detuning, phase) * 2.0 / f64::from(count);
        real += value * sine(number * phase, 0.0);
        imaginary += value * sine(number * phase, 90.0);
    }
    (real, imaginary)
}

fn take(settings: &Settings, point: usize, samples: usize, detuning: f64) -> [Vec<f64>; 2] {
    let normals = |channel| Normals::new(settings, NUMBER, point, channel);
    let clock = clock(settings, point);
    let mut source = Noise::new(normals(1), &Spectrum::white(5e-6), RATE);
    let mut noise = Noise::new(normals(2), &Spectrum::white(NOISE), RATE);
    let hum = Hum::new(normals(3), &[(49.98, 2e-3), (149.94, 0.5e-3)]);
    let on = settings.disturbance(1.0);
    let mut taken = [Vec::with_capacity(samples), Vec::with_capacity(samples)];
    for time in times(samples, RATE) {
        let phase = clock.phase(time);
        taken[0].push(sine(phase, 0.0) + on * source.draw());
        taken[1].push(detector(detuning, phase) + on * (hum.at(time) + noise.draw()));
    }
    taken
}

fn clock(settings: &Settings, point: usize) -> Clock {
    Clock {
        start: Normals::new(settings, NUMBER, point, 0).uniform(),
        frequency: FREQUENCY,
        ..Clock::default()
    }
}

pub(super) fn write(folder: &Path, settings: &Settings) -> Result<(), DemoError> {
    let title = "Modulated response of an absorption line";
    let detunings = evenly(-10.0, 10.0, settings.points(41));
    let samples = settings.samples(2.0, RATE);
    let recording = Recording::create(&folder.join("modulated-response.h5"), title)?;
    recording.numbers("/detuning", "GHz", &detunings)?;
    let mut sinks = Vec::new();
    for path in ["/reference", "/detector"] {
        let channel = Channel {
            axis: Some("/detuning"),
            deflate: true,
            ..Channel::volts(path, Codes::Float32, RATE)
        };
        sinks.push(recording.sweep(channel, detunings.len(), samples)?);
    }
    for (point, detuning) in detunings.iter().enumerate() {
        for (sink, values) in sinks.iter().zip(take(settings, point, samples, *detuning)) {
            sink.write(point, &values)?;
        }
    }

    let mut truth = Truth::new(title, settings);
    truth.value("modulation_frequency", "Hz", FREQUENCY);
    truth.value("modulation_swing", "GHz", SWING);
    truth.value("line_half_width", "GHz", WIDTH);
    truth.value("line_depth", "1", DEPTH);
    truth.value("white_density", "V/sqrt(Hz)", settings.disturbance(NOISE));
    truth.axis("detuning", "GHz", &detunings);
    for (name, number) in [("first", 1.0), ("second", 2.0)] {
        let parts: Vec<_> = detunings.iter().map(|d| harmonic(*d, number)).collect();
        let real: Vec<f64> = parts.iter().map(|p| p.0).collect();
        let imaginary: Vec<f64> = parts.iter().map(|p| p.1).collect();
        let amplitude: Vec<f64> = parts.iter().map(|p| libm::hypot(p.0, p.1)).collect();
        truth.series(&format!("{name}_real"), "V", &real);
        truth.series(&format!("{name}_imaginary"), "V", &imaginary);
        truth.series(&format!("{name}_amplitude"), "V", &amplitude);
    }
    truth.write(&folder.join("modulated-response.truth.json"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wave::tests::project;

    #[test]
    fn noise_free_harmonics_are_those_of_the_truth() {
        let settings = Settings {
            noise: false,
            ..Settings::default()
        };
        let clock = clock(&settings, 5);
        let phase: Vec<f64> = times(10_000, RATE).map(|t| clock.phase(t)).collect();
        let [_, values] = take(&settings, 5, 10_000, -1.3);
        for number in [1.0, 2.0] {
            let found = project(&values, &phase, number);
            let expected = harmonic(-1.3, number);
            // Level of 2 V through the side lobes of a Hann window of 306 periods: 2/(2·306³) = 3.5e-8.
            // Harmonics that fold are beyond the sixteenth; the line's fall as e^(−0.7n), 1e-6 of 0.1 V.
            assert!(
                (found.0 - expected.0).abs() < 3e-7,
                "{found:?} {expected:?}"
            );
            assert!(
                (found.1 - expected.1).abs() < 3e-7,
                "{found:?} {expected:?}"
            );
        }
    }

    #[test]
    fn harmonics_of_a_small_swing_are_derivatives() {
        // Far from the line only the slope is left: first harmonic 2 V · 0.01/GHz · 2 GHz, and no second.
        // The line's share is at most 0.05·2 V·4·(2.2/90)² = 2.4e-4.
        let (real, imaginary) = harmonic(90.0, 1.0);
        assert!((libm::hypot(real, imaginary) - LEVEL * SLOPE * SWING).abs() < 2.4e-4);
        let (real, imaginary) = harmonic(90.0, 2.0);
        assert!(libm::hypot(real, imaginary) < 2.4e-4);
    }
}
