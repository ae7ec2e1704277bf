//! Weak light through a chopper: photocurrent of an invented dye film against wavelength, the same with
//! the beam blocked, a few points in a file each, and some in one record.

use std::fs;
use std::path::Path;

use super::times;
use crate::noise::{Noise, Normals, Spectrum};
use crate::store::{Channel, Codes, Recording};
use crate::truth::Truth;
use crate::wave::{Clock, Edges, Hum, evenly, sine, trapezoid, trapezoid_fundamental};
use crate::{DemoError, Settings};

const RATE: f64 = 50_000.0;
const TRANSIMPEDANCE: f64 = 1e8;
const FLANK: f64 = 0.02;
const PHASE: f64 = -25.0;
const PICK_UP: f64 = 4e-3;
const PICK_UP_PHASE: f64 = 70.0;
const NOISE: Spectrum = Spectrum {
    white: 500e-6,
    corner: 40.0,
    flicker: (1.0, 100.0),
    ratio: 10.0,
};

/// Seeds of the recordings.
const SWEEP: u16 = 1;
const BLOCKED: u16 = 2;
const POINTS: u16 = 3;
const RECORD: u16 = 11;

/// Time in seconds that the monochromator takes from one wavelength to the next.
const MOVE: f64 = 0.4;

/// The photocurrent's full step in A at a wavelength in nm: two bands on a small background.
fn full_step(wavelength: f64) -> f64 {
    let band = |centre: f64, width: f64| {
        let distance = (wavelength - centre) / width;
        libm::exp(-0.5 * distance * distance)
    };
    1e-9 * (0.1 + 11.9 * band(478.0, 34.0) + 19.4 * band(592.0, 25.0))
}

/// One point as the bench would take it.
#[derive(Debug, Clone, Copy)]
struct Bench {
    recording: u16,
    point: usize,
    samples: usize,
    step: f64,
    gain: f64,
    stops: bool,
}

struct Taken {
    detector: Vec<f64>,
    chopper: Vec<f64>,
    frequency: f64,
}

impl Bench {
    fn seconds(&self) -> f64 {
        self.samples as f64 / RATE
    }

    fn clock(&self, settings: &Settings) -> Clock {
        let mut normals = Normals::new(settings, self.recording, self.point, 0);
        let seconds = self.seconds();
        Clock {
            start: normals.uniform(),
            frequency: 173.1 + 0.25 * sine(self.point as f64 / 23.0, 0.0),
            swing: 0.05,
            swing_rate: 0.07,
            swing_start: normals.uniform(),
            stop: self
                .stops
                .then(|| (0.5 * seconds, (0.05 * seconds).min(0.5))),
        }
    }

    fn take(&self, settings: &Settings) -> Taken {
        self.take_of(settings, |_| self.step)
    }

    /// With a step that depends on the sample.
    fn take_of(&self, settings: &Settings, step: impl Fn(usize) -> f64) -> Taken {
        let normals = |channel| Normals::new(settings, self.recording, self.point, channel);
        let seconds = self.seconds();
        let clock = self.clock(settings);
        // The sensor's edges take 40 µs and jitter by 4 µs.
        let edges = Edges::new(
            normals(1),
            clock.phase(seconds),
            settings.disturbance(4e-6 * clock.frequency),
            40e-6 * clock.frequency,
        );
        let mut sensor = normals(2);
        let mut noise = Noise::new(normals(3), &NOISE, RATE);
        let hum = Hum::new(
            normals(4),
            &[(50.013, 8e-3), (150.039, 3e-3), (250.065, 1e-3)],
        );
        let on = settings.disturbance(1.0);
        let drift = 0.02 * (normals(5).uniform() - 0.5);

        let mut detector = Vec::with_capacity(self.samples);
        let mut chopper = Vec::with_capacity(self.samples);
        for (sample, time) in times(self.samples, RATE).enumerate() {
            let phase = clock.phase(time);
            let light = step(sample) * self.gain * trapezoid(phase + PHASE / 360.0, FLANK);
            let pick_up = PICK_UP * sine(phase, PICK_UP_PHASE);
            let drifting = drift * time / seconds + 4e-3 * sine(0.06 * time, 0.0);
            let disturbed = on * (drifting + hum.at(time) + noise.draw());
            detector.push(0.35 + light + pick_up + disturbed);
            chopper.push(0.1 + 4.8 * edges.level(phase) + on * 1e-3 * sensor.draw());
        }
        Taken {
            detector,
            chopper,
            frequency: clock.mean_frequency(seconds),
        }
    }
}

fn channels() -> [Channel; 2] {
    ["/detector", "/chopper"].map(|path| Channel::volts(path, Codes::Int16, RATE))
}

/// What is the same at all points.
fn common(title: &str, settings: &Settings) -> Truth {
    let mut truth = Truth::new(title, settings);
    let pick_up = |degrees| PICK_UP * sine(0.0, degrees);
    for (name, unit, value) in [
        ("transimpedance", "V/A", TRANSIMPEDANCE),
        ("flank", "period", FLANK),
        ("phase", "deg", PHASE),
        ("pick_up_real", "V", pick_up(PICK_UP_PHASE + 90.0)),
        ("pick_up_imaginary", "V", pick_up(PICK_UP_PHASE)),
        (
            "white_density",
            "V/sqrt(Hz)",
            settings.disturbance(NOISE.white),
        ),
        ("flicker_corner", "Hz", NOISE.corner),
        ("mains", "Hz", 50.013),
    ] {
        truth.value(name, unit, value);
    }
    truth
}

/// The series of a set of points.
fn series(truth: &mut Truth, wavelengths: &[f64], steps: &[f64], gains: &[f64], clocks: &[f64]) {
    let voltage = |factor: f64| -> Vec<f64> {
        let peak = trapezoid_fundamental(FLANK) * factor;
        steps
            .iter()
            .zip(gains)
            .map(|(step, gain)| step * gain * peak)
            .collect()
    };
    truth.axis("wavelength", "nm", wavelengths);
    truth.series("full_step", "A", steps);
    truth.series("gain", "V/A", gains);
    truth.series("voltage_amplitude", "V", &voltage(1.0));
    truth.series("voltage_real", "V", &voltage(sine(0.0, PHASE + 90.0)));
    truth.series("voltage_imaginary", "V", &voltage(sine(0.0, PHASE)));
    truth.series("chopper_frequency", "Hz", clocks);
}

/// Wavelengths from 400 nm to 700 nm. With eight points or more, one is taken with a gain ten times too
/// high, and one with a chopper that stops half-way.
pub(super) fn sweep(folder: &Path, settings: &Settings) -> Result<(), DemoError> {
    let title = "Photocurrent of a dye film, light chopped";
    let count = settings.points(61);
    let samples = settings.samples(10.0, RATE);
    let place = |sixtieths: usize| (count >= 8).then(|| sixtieths * (count - 1) / 60);
    let (clipped, stopped) = (place(40), place(52));

    let recording = Recording::create(&folder.join("weak-light-sweep.h5"), title)?;
    let wavelengths = evenly(400.0, 700.0, count);
    recording.numbers("/wavelength", "nm", &wavelengths)?;
    let mut sinks = Vec::new();
    for channel in channels() {
        let channel = Channel {
            axis: Some("/wavelength"),
            ..channel
        };
        sinks.push(recording.sweep(channel, count, samples)?);
    }

    let steps: Vec<f64> = wavelengths.iter().map(|w| full_step(*w)).collect();
    let mut gains = vec![TRANSIMPEDANCE; count];
    let mut clocks = Vec::new();
    for point in 0..count {
        if clipped == Some(point) {
            gains[point] *= 10.0;
        }
        let taken = Bench {
            recording: SWEEP,
            point,
            samples,
            step: steps[point],
            gain: gains[point],
            stops: stopped == Some(point),
        }
        .take(settings);
        sinks[0].write(point, &taken.detector)?;
        sinks[1].write(point, &taken.chopper)?;
        clocks.push(taken.frequency);
    }

    let mut truth = common(title, settings);
    series(&mut truth, &wavelengths, &steps, &gains, &clocks);
    if let Some(point) = clipped {
        truth.fault(
            point,
            "clipped: the gain was ten times too high; the level drifts against the clipped top, and the amplitude with it",
        );
    }
    if let Some(point) = stopped {
        truth.fault(point, "the chopper stops half-way");
    }
    truth.write(&folder.join("weak-light-sweep.truth.json"))
}

/// The same bench with the beam blocked: only the pick-up is left.
pub(super) fn blocked(folder: &Path, settings: &Settings) -> Result<(), DemoError> {
    let title = "Photocurrent of a dye film, beam blocked";
    let taken = Bench {
        recording: BLOCKED,
        point: 0,
        samples: settings.samples(10.0, RATE),
        step: 0.0,
        gain: TRANSIMPEDANCE,
        stops: false,
    }
    .take(settings);
    let recording = Recording::create(&folder.join("weak-light-blocked.h5"), title)?;
    let [detector, chopper] = channels();
    recording.channel(&detector, &taken.detector)?;
    recording.channel(&chopper, &taken.chopper)?;
    let mut truth = common(title, settings);
    truth.value("full_step", "A", 0.0);
    truth.value("chopper_frequency", "Hz", taken.frequency);
    truth.write(&folder.join("weak-light-blocked.truth.json"))
}

/// A few wavelengths from 420 nm to 660 nm, a file each.
pub(super) fn points(folder: &Path, settings: &Settings) -> Result<(), DemoError> {
    let title = "Photocurrent of a dye film, light chopped, a file per point";
    let inside = folder.join("weak-light-points");
    // Points of an earlier, longer set would be taken for this one's.
    if inside.exists() {
        fs::remove_dir_all(&inside).map_err(|source| DemoError::Io {
            path: inside.clone(),
            source,
        })?;
    }
    fs::create_dir_all(&inside).map_err(|source| DemoError::Io {
        path: inside.clone(),
        source,
    })?;
    let wavelengths = evenly(420.0, 660.0, settings.points(5));
    let steps: Vec<f64> = wavelengths.iter().map(|w| full_step(*w)).collect();
    let mut clocks = Vec::new();
    for (point, wavelength) in wavelengths.iter().enumerate() {
        let taken = Bench {
            recording: POINTS,
            point,
            samples: settings.samples(2.0, RATE),
            step: steps[point],
            gain: TRANSIMPEDANCE,
            stops: false,
        }
        .take(settings);
        let recording = Recording::create(&inside.join(format!("p{point:02}.h5")), title)?;
        recording.attribute("wavelength", "nm", *wavelength)?;
        let [detector, chopper] = channels();
        recording.channel(&detector, &taken.detector)?;
        recording.channel(&chopper, &taken.chopper)?;
        clocks.push(taken.frequency);
    }
    let mut truth = common(title, settings);
    let gains = vec![TRANSIMPEDANCE; wavelengths.len()];
    series(&mut truth, &wavelengths, &steps, &gains, &clocks);
    truth.write(&folder.join("weak-light-points.truth.json"))
}

/// Wavelengths from 420 nm to 660 nm in one record, with a marker that is high while the monochromator stands.
pub(super) fn record(folder: &Path, settings: &Settings) -> Result<(), DemoError> {
    let title = "Photocurrent of a dye film, light chopped, in one record";
    let wavelengths = evenly(420.0, 660.0, settings.points(9));
    let (stand, pause) = (settings.samples(2.0, RATE), settings.samples(MOVE, RATE));
    let turn = stand + pause;
    let samples = pause + wavelengths.len() * turn;
    // The record begins and ends on the way; a wavelength stands `stand` samples from `pause` of its turn on.
    let at = |sample: usize| {
        let (point, within) = (sample / turn, sample % turn);
        let last = wavelengths.len() - 1;
        let (from, to) = (
            wavelengths[point.saturating_sub(1).min(last)],
            wavelengths[point.min(last)],
        );
        from + (to - from) * (within as f64 / pause as f64).min(1.0)
    };
    let stands = |sample: usize| sample / turn < wavelengths.len() && sample % turn >= pause;
    let taken = Bench {
        recording: RECORD,
        point: 0,
        samples,
        step: 0.0,
        gain: TRANSIMPEDANCE,
        stops: false,
    }
    .take_of(settings, |sample| full_step(at(sample)));
    let marker: Vec<f64> = (0..samples)
        .map(|k| if stands(k) { 5.0 } else { 0.0 })
        .collect();
    let recording = Recording::create(&folder.join("weak-light-record.h5"), title)?;
    recording.numbers("/scan/wavelength", "nm", &wavelengths)?;
    let [detector, chopper] = channels();
    recording.channel(&detector, &taken.detector)?;
    recording.channel(&chopper, &taken.chopper)?;
    recording.channel(&Channel::volts("/scan/stands", Codes::Int16, RATE), &marker)?;
    let steps: Vec<f64> = wavelengths.iter().map(|w| full_step(*w)).collect();
    let count = wavelengths.len();
    let mut truth = common(title, settings);
    series(
        &mut truth,
        &wavelengths,
        &steps,
        &vec![TRANSIMPEDANCE; count],
        &vec![taken.frequency; count],
    );
    truth.write(&folder.join("weak-light-record.truth.json"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wave::tests::project;

    #[test]
    fn noise_free_light_has_the_fundamental_that_the_truth_says() {
        let settings = Settings {
            noise: false,
            ..Settings::default()
        };
        let bench = Bench {
            recording: SWEEP,
            point: 3,
            samples: 50_000,
            step: 12e-9,
            gain: TRANSIMPEDANCE,
            stops: false,
        };
        let clock = bench.clock(&settings);
        let phase: Vec<f64> = times(bench.samples, RATE).map(|t| clock.phase(t)).collect();
        let found = project(&bench.take(&settings).detector, &phase, 1.0);
        let amplitude = 1.2 * trapezoid_fundamental(FLANK);
        let expected = |degrees| {
            amplitude * sine(0.0, PHASE + degrees) + PICK_UP * sine(0.0, PICK_UP_PHASE + degrees)
        };
        // Harmonics near n = k·50000/173 = 289k fold near the fundamental, each at most 1/(n²·π·0.02) of
        // it; in step they would add up to 2·(π²/6)/289²/(0.02π) = 6.3e-4. The offset leaves less than
        // 1/(2·172³) through the window.
        let limit = 6.4e-4 * amplitude;
        assert!((found.0 - expected(90.0)).abs() < limit, "{found:?}");
        assert!((found.1 - expected(0.0)).abs() < limit, "{found:?}");
    }

    #[test]
    fn the_spectrum_stays_within_its_range() {
        let steps: Vec<f64> = evenly(400.0, 700.0, 301)
            .into_iter()
            .map(full_step)
            .collect();
        assert!(steps.iter().all(|h| (0.1e-9..20e-9).contains(h)));
    }
}
