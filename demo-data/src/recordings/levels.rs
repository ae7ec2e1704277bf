//! Invented hourly water levels with tides in them, with hours that are missing and hours without a value.

use std::ops::Range;
use std::path::Path;

use crate::noise::{Noise, Normals, Spectrum};
use crate::store::{Channel, Codes, Recording};
use crate::truth::Truth;
use crate::wave::sine;
use crate::{DemoError, Settings};

const NUMBER: u16 = 10;
const HOURS: usize = 1559;
const MEAN: f64 = 3.45;
/// Hours without a row, and rows without a value.
const LEFT_OUT: [Range<usize>; 2] = [720..728, 1100..1101];
const NO_VALUE: [Range<usize>; 3] = [300..313, 541..542, 1404..1410];

/// Name, frequency in cycles per hour, and an invented amplitude in m and phase in degrees at hour 0.
/// The frequencies are those of the tide-generating potential (Doodson, Proc. R. Soc. A 100, 1921).
const LINES: [(&str, f64, f64, f64); 5] = [
    ("M2", 0.080_511_400_7, 1.312, 48.0),
    ("S2", 0.083_333_333_3, 0.427, -71.0),
    ("N2", 0.078_999_248_8, 0.268, 133.0),
    ("O1", 0.038_730_654_4, 0.104, 12.0),
    ("K1", 0.041_780_746_2, 0.131, -154.0),
];

fn tide(hour: f64) -> f64 {
    let line = |(_, frequency, amplitude, phase): &(_, f64, f64, f64)| {
        amplitude * sine(frequency * hour, *phase)
    };
    MEAN + LINES.iter().map(line).sum::<f64>()
}

/// Hours and levels of the rows there are.
fn take(settings: &Settings) -> [Vec<f64>; 2] {
    let within = |ranges: &[Range<usize>], hour| ranges.iter().any(|r| r.contains(&hour));
    // Rates and frequencies are per hour here. White noise of 3 cm, and weather that turns in days.
    let spectrum = Spectrum {
        corner: 0.02,
        flicker: (0.002, 0.02),
        ..Spectrum::white(0.03 * 2.0_f64.sqrt())
    };
    let mut noise = Noise::new(Normals::new(settings, NUMBER, 0, 0), &spectrum, 1.0);
    let mut taken = [Vec::new(), Vec::new()];
    for hour in 0..HOURS {
        let level = tide(hour as f64) + settings.disturbance(noise.draw());
        if !within(&LEFT_OUT, hour) {
            let missing = within(&NO_VALUE, hour);
            taken[0].push(hour as f64);
            taken[1].push(if missing { f64::NAN } else { level });
        }
    }
    taken
}

pub(super) fn write(folder: &Path, settings: &Settings) -> Result<(), DemoError> {
    let title = "Hourly water levels at an invented harbour";
    let [times, levels] = take(settings);
    let recording = Recording::create(&folder.join("hourly-levels.h5"), title)?;
    recording.numbers("/time", "h", &times)?;
    let channel = Channel {
        path: "/level",
        units: "m",
        codes: Codes::Float64,
        full_scale: None,
        rate: None,
        axis: None,
        deflate: false,
    };
    recording.channel(&channel, &levels)?;
    let mut truth = Truth::new(title, settings);
    truth.value("mean", "m", MEAN);
    truth.value("hours", "h", HOURS as f64);
    truth.value("rows", "1", levels.len() as f64);
    let valid = levels.iter().filter(|l| l.is_finite()).count();
    truth.value("valid_rows", "1", valid as f64);
    for (name, frequency, amplitude, phase) in LINES {
        truth.value(&format!("{name}_frequency"), "1/h", frequency);
        truth.value(&format!("{name}_amplitude"), "m", amplitude);
        truth.value(&format!("{name}_phase"), "deg", phase);
    }
    truth.write(&folder.join("hourly-levels.truth.json"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_are_left_out_and_emptied_as_said() {
        let [times, levels] = take(&Settings::default());
        assert_eq!(times.len(), 1559 - 9);
        assert_eq!(levels.iter().filter(|l| l.is_nan()).count(), 20);
        assert!(times.windows(2).all(|w| w[1] > w[0]));
    }

    #[test]
    fn noise_free_levels_are_the_tide() {
        let settings = Settings {
            noise: false,
            ..Settings::default()
        };
        let [times, levels] = take(&settings);
        // By hand at hour 0: mean and the sum of A·sin θ.
        let radians = |degrees: f64| degrees * std::f64::consts::PI / 180.0;
        let expected: f64 = 3.45
            + LINES
                .iter()
                .map(|l| l.2 * libm::sin(radians(l.3)))
                .sum::<f64>();
        // Both sums round five terms of at most 5 m.
        assert!((levels[0] - expected).abs() < 10.0 * 5.0 * f64::EPSILON);
        for (time, level) in times.iter().zip(&levels) {
            assert!(level.is_nan() || level.to_bits() == tide(*time).to_bits());
        }
    }
}
