//! Nothing but noise: white, 1/f, mains lines and a slow drift.

use std::path::Path;

use super::times;
use crate::noise::{Noise, Normals, Spectrum};
use crate::store::{Channel, Codes, Recording};
use crate::truth::Truth;
use crate::wave::Hum;
use crate::{DemoError, Settings};

const NUMBER: u16 = 8;
const RATE: f64 = 10_000.0;
const OFFSET: f64 = 1e-3;
const DRIFT: f64 = 50e-9;
const NOISE: Spectrum = Spectrum {
    white: 100e-9,
    corner: 12.0,
    flicker: (0.01, 1_000.0),
    ratio: 4.0,
};
const LINES: [(f64, f64); 3] = [(50.0, 5e-6), (100.0, 1.5e-6), (150.0, 3e-6)];

pub(super) fn write(folder: &Path, settings: &Settings) -> Result<(), DemoError> {
    let title = "Noise of a quiet detector";
    let normals = |channel| Normals::new(settings, NUMBER, 0, channel);
    let mut noise = Noise::new(normals(0), &NOISE, RATE);
    let hum = Hum::new(normals(1), &LINES);
    let on = settings.disturbance(1.0);
    let values: Vec<f64> = times(settings.samples(60.0, RATE), RATE)
        .map(|time| OFFSET + on * (DRIFT * time + hum.at(time) + noise.draw()))
        .collect();

    let channel = Channel {
        deflate: true,
        full_scale: Some(0.01),
        ..Channel::volts("/detector", Codes::Float32, RATE)
    };
    Recording::create(&folder.join("noise.h5"), title)?.channel(&channel, &values)?;
    let mut truth = Truth::new(title, settings);
    truth.value(
        "white_density",
        "V/sqrt(Hz)",
        settings.disturbance(NOISE.white),
    );
    truth.value("flicker_corner", "Hz", NOISE.corner);
    truth.value("flicker_lowest", "Hz", NOISE.flicker.0);
    truth.value("flicker_highest", "Hz", NOISE.flicker.1);
    truth.value("offset", "V", OFFSET);
    truth.value("drift", "V/s", settings.disturbance(DRIFT));
    for (frequency, amplitude) in LINES {
        let name = format!("mains_{frequency}_amplitude");
        truth.value(&name, "V", settings.disturbance(amplitude));
    }
    truth.write(&folder.join("noise.truth.json"))
}
