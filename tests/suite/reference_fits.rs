//! Fits of tones to measured data: NIST StRD "Lew" (a driven beam) and "ENSO" (air pressure).

use std::f64::consts::{PI, TAU};

use num_complex::Complex64;

use super::reference_statistics::certified;
use super::support_reference::{Bench, near, published};

/// C, cosine, sine and residual SD of a fit.
struct Fit {
    constant: f64,
    cosine: f64,
    sine: f64,
    residual: f64,
}

/// A line A e^{iθ} stands for A sin(2πft + θ) = A sin θ cos 2πft + A cos θ sin 2πft.
fn tone(bench: &Bench, frequency: f64, origin: f64) -> Fit {
    let stage = format!(
        r#""fit": ToneFit(of: "y", lines: {{ "drive": "{frequency} Hz" }}, origin: "{origin} s")"#
    );
    let found = bench.run(&stage, &["fit"]);
    let line = found.complex("fit.drive");
    Fit {
        constant: found.value("fit.constant"),
        cosine: line.im,
        sine: line.re,
        residual: found.value("fit.residual"),
    }
}

/// Deflections at t = 1 … 200, so that the first sample lies at 1 s and the origin at -1 s from it.
fn beam() -> Option<Bench> {
    let (values, ..) = certified(&published("Lew.dat")?);
    Some(Bench::new(1.0, &[("y", &values)]))
}

/// The least-squares minimum of C + A sin(2πft + φ) over the Lew data, computed with 40 digits from the
/// published data for t = 1 … 200. (The sinusoid printed in the NIST/SEMATECH e-Handbook, 1.4.2.5, is not
/// the minimum: its residual SD is 155.83, that of the minimum 134.07.)
const MINIMUM: [f64; 5] = [
    -178.768157514633,
    343.288565420,
    0.301807036138662,
    -1.31392205097224,
    134.066400936,
];

#[test]
fn a_free_frequency_is_the_minimum() {
    let Some(bench) = beam() else { return };
    let stages = r#""clock": Reference(of: "y", shape: Free()),
        "product": Mix(of: "y", with: "clock"),
        "smooth": Filter(of: "product", kind: WholePeriods(clock: "clock", periods: 3)),
        "z": Average(of: "smooth")"#;
    let found = bench.run(stages, &["clock.frequency", "clock", "z"]);
    let [constant, amplitude, f, phi, residual] = MINIMUM;
    let u = found.one("clock.frequency", "value_errors");
    // The search ends when a step changes the frequency by less than 1e-9 of its uncertainty or so;
    // near a minimum the residuals' own rounding allows no worse than sqrt(U) of it.
    let off = near("f", found.value("clock.frequency"), f, 1e-8 * 1.0764e-4);
    println!("Lew: free frequency off by {off:e} Hz");
    // The standard error is printed to five digits.
    near("u(f)", u, 1.0764e-4, 0.5e-8);

    // The fitted sine has phase zero: at the first sample, t = 1, it is at 2πf + φ.
    let cycles = found.column("clock", "cycles")[0];
    let off = cycles - (f + phi / TAU);
    assert!(
        (off - off.round()).abs() < 1e-8,
        "phase off by {off:e} cycles"
    );

    let fit = tone(&bench, found.value("clock.frequency"), -1.0);
    // At a minimum the residual SD changes with the square of any offset; amplitudes by their
    // uncertainty times the frequency's offset over its uncertainty, here below 13.4 * 1e-8.
    near("constant", fit.constant, constant, 2e-7);
    near("cosine", fit.cosine, amplitude * libm::sin(phi), 2e-6);
    near("sine", fit.sine, amplitude * libm::cos(phi), 2e-6);
    // The minimum counts four unknowns of 200 values; with the frequency held there are three.
    let held = residual * (196.0f64 / 197.0).sqrt();
    near("residual", fit.residual, held, 5e-10 * 2.0);

    // Mixing and averaging over whole periods is no least-squares fit: broad noise and the offset's
    // ripple, which three sampled periods remove only in part, leave some per cent.
    let mixed = found.complex("z").norm();
    assert!((mixed / amplitude - 1.0).abs() < 0.05, "mixed: {mixed}");
}

#[test]
fn a_held_frequency_gives_the_linear_fit() {
    let Some(bench) = beam() else { return };
    // Computed with 40 digits from the published data. A linear fit of three columns that are almost
    // orthogonal loses some ten roundings of the data, 579 * 1.1e-16 * 10 = 6e-13.
    let fit = tone(&bench, 0.3025, -1.0);
    near("constant", fit.constant, -178.823561490182, 1e-12);
    near("cosine", fit.cosine, -326.776146616147, 1e-12 * 4.0);
    near("sine", fit.sine, -68.6581640150749, 1e-12 * 4.0);
    near("residual", fit.residual, 145.253837456503, 1e-12);
    // A later origin turns the line by 2πf per second and leaves the rest.
    let turned = tone(&bench, 0.3025, 0.0);
    let z = Complex64::new(fit.sine, fit.cosine) * Complex64::cis(TAU * 0.3025);
    near("sine", turned.sine, z.re, 4e-12);
    near("cosine", turned.cosine, z.im, 4e-12);
}

/// NIST StRD ENSO, a level and three cycles in 168 monthly values at x = 1 … 168, with the certified
/// periods held. The certified parameters are the minimum over the periods too, so holding these
/// leaves the others where they are.
#[test]
fn three_cycles_of_air_pressure_have_their_certified_size() {
    let Some(text) = published("ENSO.dat") else {
        return;
    };
    let certified = |label: &str| -> Vec<f64> {
        let line = text
            .lines()
            .find(|l| l.trim_start().starts_with(label))
            .unwrap();
        let numbers = line.split_whitespace().filter_map(|n| n.parse().ok());
        numbers.collect()
    };
    // Two starting values, then the certified value and its standard deviation.
    let b: Vec<[f64; 2]> = (1..=9)
        .map(|i| {
            let numbers = certified(&format!("b{i} ="));
            [numbers[2], numbers[3]]
        })
        .collect();
    let data = text.split_once("Data:   y").unwrap().1;
    let first = |l: &str| l.split_whitespace().next()?.parse().ok();
    let values: Vec<f64> = data.lines().skip(1).filter_map(first).collect();
    assert_eq!(values.len(), 168);

    let bench = Bench::new(1.0, &[("y", &values)]);
    let periods = [12.0, b[3][0], b[6][0]];
    let [f1, f2, f3] = periods.map(|p| 1.0 / p);
    let stage = format!(
        r#""fit": ToneFit(of: "y", origin: "-1 s",
            lines: {{ "year": "{f1} Hz", "slow": "{f2} Hz", "middle": "{f3} Hz" }})"#
    );
    let found = bench.run(&stage, &["fit"]);

    // Certified to 11 digits: half of the last is 5e-11 relative. The printed periods are off by as
    // much, which turns a line by up to 2π·168/44·1e-12, far below.
    let digits = |x: f64| 5e-11 * libm::exp10(libm::floor(libm::log10(x.abs())) + 1.0);
    let mut worst = near(
        "b1",
        found.value("fit.constant"),
        b[0][0],
        digits(b[0][0]) + 1e-10,
    );
    for (line, cosine, sine) in [("year", 1, 2), ("slow", 4, 5), ("middle", 7, 8)] {
        let z = found.complex(&format!("fit.{line}"));
        for (what, value, [certified, _]) in [("cosine", z.im, b[cosine]), ("sine", z.re, b[sine])]
        {
            let what = format!("{line} {what}");
            // The period's last digit shifts the line by dA = A·2π·x/p²·dp at x = 168.
            let shift = z.norm() * 2.0 * PI * 168.0 / (26.0 * 26.0) * 5e-10;
            worst = worst.max(near(
                &what,
                value,
                certified,
                digits(certified) + 2.0 * shift,
            ));
        }
    }
    println!("ENSO: coefficients off by {worst:e}");

    // The certified deviations count nine parameters; with the two periods held there are seven, so
    // the residual SD is that of RSS over 168 - 7. The yearly line hardly knows of the periods.
    let rss = 788.53978668;
    let residual = (rss / 161.0f64).sqrt();
    near(
        "residual",
        found.value("fit.residual"),
        residual,
        1e-10 * residual,
    );
    let u = |column: &str| found.one("fit.year", column);
    let scale = (159.0f64 / 161.0).sqrt();
    near("u", u("quadrature_errors"), b[1][1] * scale, 0.01 * b[1][1]);
    near("u", u("in_phase_errors"), b[2][1] * scale, 0.01 * b[2][1]);
}
