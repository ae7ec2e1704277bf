//! The sources of a bench as power densities and tones, each with its name.

use crate::bench::{Bench, Gain, Noise};
use crate::response::PowerLaw;

/// Boltzmann constant in J/K, exact (BIPM, The International System of Units, 9th edition, 2019).
pub const BOLTZMANN: f64 = 1.380_649e-23;

/// Elementary charge in C, exact (the same).
pub const CHARGE: f64 = 1.602_176_634e-19;

/// The name of what the converter adds.
pub const QUANTISATION: &str = "quantisation";

/// A steady tone.
#[derive(Clone, Debug, PartialEq)]
pub struct Tone {
    /// Its name.
    pub name: String,
    /// Frequency in Hz.
    pub frequency: f64,
    /// Peak amplitude in units of the recording.
    pub amplitude: f64,
}

/// What a bench adds to its signal, in the order of the text, the converter last.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Sources {
    /// Names of the sources of noise.
    pub names: Vec<String>,
    /// Their one-sided power densities in squared units of the recording per Hz.
    pub laws: Vec<PowerLaw>,
    /// Tones.
    pub tones: Vec<Tone>,
}

impl Sources {
    /// The sources of a bench that converts at `rate` Hz.
    ///
    /// Rounding to steps q adds q²/12, spread evenly up to half the rate, where the noise before the
    /// converter moves over steps (Widrow, Kollár & Liu, IEEE Trans. Instrum. Meas. 45, 353, 1996).
    pub fn of(bench: &Bench, rate: f64) -> Self {
        let mut all = Sources::default();
        for source in &bench.sources {
            match power(&source.noise) {
                Ok(law) => all.add(&source.name, law),
                Err((frequency, amplitude)) => all.tones.push(Tone {
                    name: source.name.clone(),
                    frequency,
                    amplitude,
                }),
            }
        }
        if let Some(step) = bench.converter.step() {
            let at_1_hz = step * step / 12.0 / (0.5 * rate);
            let exponent = 0.0;
            all.add(QUANTISATION, PowerLaw { at_1_hz, exponent });
        }
        all
    }

    fn add(&mut self, name: &str, law: PowerLaw) {
        self.names.push(name.to_owned());
        self.laws.push(law);
    }

    /// Power density of all noise at `f` Hz.
    pub fn density(&self, f: f64) -> f64 {
        self.laws.iter().map(|law| law.density(f)).sum()
    }

    /// Frequency in Hz at which noise that falls with frequency equals the rest, between two frequencies.
    pub fn corner(&self, low: f64, high: f64) -> Option<f64> {
        let excess = |f: f64| {
            let part =
                |law: &PowerLaw| law.density(f) * if law.exponent > 0.0 { 1.0 } else { -1.0 };
            self.laws.iter().map(part).sum::<f64>()
        };
        if !(excess(low) > 0.0 && excess(high) < 0.0) {
            return None;
        }
        let (mut low, mut high) = (low, high);
        // The root is looked for on a logarithmic scale; each step halves the distance.
        for _ in 0..60 {
            let middle = (low * high).sqrt();
            if excess(middle) > 0.0 {
                low = middle;
            } else {
                high = middle;
            }
        }
        Some((low * high).sqrt())
    }

    /// Power density of the noise that is the same at all frequencies.
    pub fn floor(&self) -> f64 {
        let white = self.laws.iter().filter(|law| law.exponent == 0.0);
        white.map(|law| law.at_1_hz).sum()
    }

    /// The frequency in Hz above `low` from which on the density, as an amplitude, is no more than `times` its floor;
    /// `None` where there is no floor.
    pub fn reaches_floor(&self, low: f64, times: f64) -> Option<f64> {
        let limit = times * times * self.floor();
        let falls = |f: f64| self.density(f) > limit;
        if limit == 0.0 {
            return None;
        }
        let mut high = low;
        while falls(high) {
            high *= 2.0;
        }
        let mut low = low;
        // Each step halves the distance on a logarithmic scale.
        for _ in 0..60 {
            let middle = (low * high).sqrt();
            if falls(middle) {
                low = middle;
            } else {
                high = middle;
            }
        }
        Some(high)
    }

    /// Power of the noise that reaches the converter, between two frequencies in Hz.
    pub fn before_converter(&self, low: f64, high: f64) -> f64 {
        let analogue = self.laws.iter().zip(&self.names);
        let analogue = analogue.filter(|(_, name)| *name != QUANTISATION);
        analogue.map(|(law, _)| law.between(low, high)).sum()
    }
}

/// The power density of a source, or frequency and amplitude of a tone.
fn power(noise: &Noise) -> Result<PowerLaw, (f64, f64)> {
    let white = |power: f64| PowerLaw {
        at_1_hz: power,
        exponent: 0.0,
    };
    Ok(match *noise {
        Noise::White { density } => white(density * density),
        Noise::Flicker {
            density,
            corner,
            exponent,
        } => PowerLaw {
            at_1_hz: density * density * libm::pow(corner, exponent),
            exponent,
        },
        // Johnson (Phys. Rev. 32, 97, 1928), Nyquist (Phys. Rev. 32, 110, 1928).
        Noise::Johnson {
            resistance,
            temperature,
            gain,
        } => white(match gain {
            Gain::Voltage(gain) => 4.0 * BOLTZMANN * temperature * resistance * (gain * gain),
            Gain::Current(gain) => 4.0 * BOLTZMANN * temperature / resistance * (gain * gain),
        }),
        // Schottky (Ann. Phys. 362, 541, 1918).
        Noise::Shot { current, gain } => white(2.0 * CHARGE * current * (gain * gain)),
        Noise::Line {
            frequency,
            amplitude,
        } => return Err((frequency, amplitude)),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn density(noise: Noise) -> f64 {
        power(&noise).expect("no tone").density(1234.5).sqrt()
    }

    /// √(4kTR) and √(2qI) worked with k and q of the SI of 2019 to seven digits: 1 kΩ at 300 K has
    /// √(4·1.380649e-23·300·1000) = 4.070354 nV/√Hz, 1 µA has √(2·1.602176634e-19·1e-6) = 0.5660700 pA/√Hz.
    #[test]
    fn thermal_and_shot_noise_by_hand() {
        let resistor = |gain| Noise::Johnson {
            resistance: 1e3,
            temperature: 300.0,
            gain,
        };
        let voltage = density(resistor(Gain::Voltage(1.0)));
        assert!((voltage - 4.070354e-9).abs() < 1e-15, "{voltage:e}");
        // The current through 1 kΩ that has the same voltage across it.
        let current = density(resistor(Gain::Current(1e3)));
        assert!((current - voltage).abs() < 1e-15 * voltage * 10.0);
        let shot = density(Noise::Shot {
            current: 1e-6,
            gain: 1.0,
        });
        assert!((shot - 0.5660700e-12).abs() < 1e-19, "{shot:e}");
    }

    #[test]
    fn flicker_noise_has_its_density_at_its_corner() {
        let flicker = |corner: f64| {
            power(&Noise::Flicker {
                density: 2e-8,
                corner,
                exponent: 1.3,
            })
            .expect("no tone")
        };
        let at = flicker(30.0).density(30.0).sqrt();
        // Two powers and a root, each good to some 1e-16.
        assert!((at - 2e-8).abs() < 1e-15 * 2e-8 * 4.0);
        let sources = Sources {
            names: vec!["a".into(), "b".into()],
            laws: vec![
                flicker(30.0),
                PowerLaw {
                    at_1_hz: 4e-16,
                    exponent: 0.0,
                },
            ],
            tones: Vec::new(),
        };
        let corner = sources.corner(1e-3, 1e4).expect("one");
        assert!((corner - 30.0).abs() < 1e-9, "{corner}");
        assert_eq!(sources.corner(100.0, 1e4), None);
    }
}
