//! Windows that are sums of cosines, by their coefficients.
//!
//! w(j) = Σ (-1)^k c_k cos(2πkj/N), j = 0 to N - 1, the periodic form for transforms of length N.
//! Coefficients and names of the flat-top and Nuttall windows: Heinzel, Rüdiger & Schilling, *Spectrum
//! and spectral density estimation by the DFT* (2002), appendix C, which names their first sources.

use super::tones::unit_vector;

/// A window.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Window {
    /// The name.
    pub name: &'static str,
    /// What it is good for.
    pub meaning: &'static str,
    /// c_0, c_1, ...
    pub coefficients: &'static [f64],
}

impl Window {
    /// Its `length` values.
    pub fn values(&self, length: usize) -> Vec<f64> {
        let value = |j: usize| {
            let terms = self.coefficients.iter().enumerate().map(|(k, c)| {
                let sign = if k % 2 == 0 { 1.0 } else { -1.0 };
                // Whole turns are taken out exactly.
                sign * c * unit_vector((k * j % length) as f64 / length as f64).re
            });
            terms.sum()
        };
        (0..length).map(value).collect()
    }
}

/// Every window there is.
pub const WINDOWS: &[Window] = &[
    Window {
        name: "Rectangular",
        meaning: "no window; side lobes 13 dB down",
        coefficients: &[1.0],
    },
    Window {
        name: "Hann",
        meaning: "side lobes 31 dB down, falling fast; a good first choice",
        coefficients: &[0.5, 0.5],
    },
    Window {
        name: "Hamming",
        meaning: "side lobes 43 dB down",
        coefficients: &[0.54, 0.46],
    },
    Window {
        name: "BlackmanHarris",
        meaning: "side lobes 92 dB down",
        coefficients: &[0.35875, 0.48829, 0.14128, 0.01168],
    },
    Window {
        name: "Nuttall3",
        meaning: "side lobes 47 dB down, falling fastest",
        coefficients: &[0.375, 0.5, 0.125],
    },
    Window {
        name: "Nuttall3a",
        meaning: "side lobes 64 dB down",
        coefficients: &[0.40897, 0.5, 0.09103],
    },
    Window {
        name: "Nuttall3b",
        meaning: "side lobes 71 dB down",
        coefficients: &[0.4243801, 0.4973406, 0.0782793],
    },
    Window {
        name: "Nuttall4",
        meaning: "side lobes 61 dB down, falling fastest",
        coefficients: &[0.3125, 0.46875, 0.1875, 0.03125],
    },
    Window {
        name: "Nuttall4a",
        meaning: "side lobes 83 dB down",
        coefficients: &[0.338946, 0.481973, 0.161054, 0.018027],
    },
    Window {
        name: "Nuttall4b",
        meaning: "side lobes 93 dB down",
        coefficients: &[0.355768, 0.487396, 0.144232, 0.012604],
    },
    Window {
        name: "Nuttall4c",
        meaning: "side lobes 98 dB down",
        coefficients: &[0.3635819, 0.4891775, 0.1365995, 0.0106411],
    },
    Window {
        name: "Hft95",
        meaning: "flat top within 0.0044 dB, side lobes 95 dB down",
        coefficients: &[1.0, 1.9383379, 1.3045202, 0.402827, 0.0350665],
    },
    Window {
        name: "Hft90d",
        meaning: "flat top within 0.0039 dB, side lobes 90 dB down and falling",
        coefficients: &[1.0, 1.942604, 1.340318, 0.440811, 0.043097],
    },
    Window {
        name: "Hft116d",
        meaning: "flat top within 0.0028 dB, side lobes 117 dB down and falling",
        coefficients: &[1.0, 1.9575375, 1.4780705, 0.6367431, 0.1228389, 0.0066288],
    },
    Window {
        name: "Hft144d",
        meaning: "flat top within 0.0021 dB, side lobes 144 dB down and falling",
        coefficients: &[
            1.0, 1.96760033, 1.57983607, 0.81123644, 0.22583558, 0.02773848, 0.0009036,
        ],
    },
    Window {
        name: "Hft169d",
        meaning: "flat top within 0.0017 dB, side lobes 169 dB down and falling",
        coefficients: &[
            1.0, 1.97441843, 1.65409888, 0.95788186, 0.3367342, 0.06364622, 0.00521942, 0.00010599,
        ],
    },
    Window {
        name: "Hft196d",
        meaning: "flat top within 0.0013 dB, side lobes 196 dB down and falling",
        coefficients: &[
            1.0,
            1.97928042,
            1.710288951,
            1.081629853,
            0.448734314,
            0.112376628,
            0.015122992,
            0.000871252,
            1.1896e-05,
        ],
    },
    Window {
        name: "Hft223d",
        meaning: "flat top within 0.0011 dB, side lobes 223 dB down and falling",
        coefficients: &[
            1.0,
            1.98298997309,
            1.75556083063,
            1.19037717712,
            0.56155440797,
            0.17296769663,
            0.03233247087,
            0.00324954578,
            0.0001380104,
            1.32725e-06,
        ],
    },
    Window {
        name: "Hft248d",
        meaning: "flat top within 0.0009 dB, side lobes 248 dB down and falling",
        coefficients: &[
            1.0,
            1.985844164102,
            1.791176438506,
            1.282075284005,
            0.667777530266,
            0.240160796576,
            0.056656381764,
            0.008134974479,
            0.00062454465,
            1.9808998e-05,
            1.32974e-07,
        ],
    },
];

#[cfg(test)]
mod tests {
    use num_complex::Complex64;

    use super::*;

    /// Gain in dB at a frequency of `bins` bin widths, relative to that at 0, by the sum itself.
    fn gain(values: &[f64], bins: f64) -> f64 {
        let turn = -std::f64::consts::TAU * bins / values.len() as f64;
        let sum: Complex64 = values
            .iter()
            .enumerate()
            .map(|(j, w)| w * Complex64::cis(turn * j as f64))
            .sum();
        20.0 * (sum.norm() / values.iter().sum::<f64>()).log10()
    }

    /// Heinzel, Rüdiger & Schilling (2002), appendix C, and the values computed from the coefficients
    /// for N = 2048 beside them. Half of the last digit: 5e-7 in the noise bandwidth and the gain half a
    /// bin off; 5e-7 bins of the place where the gain is -3 dB and falls by at most 6 dB a bin is 3e-6 dB.
    #[test]
    fn figures_agree_with_the_published_ones() {
        let folder = std::env::var("PHASEMILL_REFERENCE_DATA").unwrap_or_else(|_| {
            concat!(env!("CARGO_MANIFEST_DIR"), "/../../shared/reference-data").into()
        });
        let Ok(text) = std::fs::read_to_string(format!("{folder}/windows_heinzel2002.csv")) else {
            eprintln!("skipped: reference data not found");
            return;
        };
        let mut seen = 0;
        for line in text
            .lines()
            .filter(|l| !l.starts_with('#') && !l.starts_with("name,"))
        {
            let cells: Vec<&str> = line.split(',').collect();
            let coefficients: Vec<f64> = cells[1]
                .split(';')
                .filter_map(|c| c.trim().parse().ok())
                .collect();
            if coefficients.is_empty() {
                continue;
            }
            let key = |name: &str| name.to_lowercase().replace(['_', ' '], "");
            let name = match key(cells[0]).as_str() {
                "hanning" => "hann".to_owned(),
                "blackmanharris92db" => "blackmanharris".to_owned(),
                other => other.to_owned(),
            };
            let window = WINDOWS
                .iter()
                .find(|w| key(w.name) == name)
                .expect("a window of that name");
            assert_eq!(window.coefficients, coefficients, "{name}");
            let number = |i: usize| cells[i].parse::<f64>().expect("a number");
            let values = window.values(2048);
            let sum: f64 = values.iter().sum();
            let squares: f64 = values.iter().map(|w| w * w).sum();
            let bandwidth = 2048.0 * squares / (sum * sum);
            assert!(
                (bandwidth - number(8)).abs() < 5.1e-7,
                "{name}: {bandwidth}"
            );
            assert!(
                (bandwidth - number(3)).abs() < 5.1e-5,
                "{name}: {bandwidth}"
            );
            assert!((gain(&values, 0.5) - number(11)).abs() < 5.1e-7, "{name}");
            assert!(
                (gain(&values, 0.5 * number(9)) + 3.0).abs() < 3e-6,
                "{name}"
            );
            seen += 1;
        }
        assert_eq!(seen, WINDOWS.len() - 1);
    }

    /// Hann, N = 4: 0, 1/2, 1, 1/2 by hand, exactly.
    #[test]
    fn the_form_is_periodic() {
        let values = |name: &str, length| {
            WINDOWS
                .iter()
                .find(|w| w.name == name)
                .map(|w| w.values(length))
        };
        assert_eq!(values("Hann", 4), Some(vec![0.0, 0.5, 1.0, 0.5]));
        assert_eq!(values("Rectangular", 3), Some(vec![1.0; 3]));
    }
}
