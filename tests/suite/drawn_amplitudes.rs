//! Amplitudes that are drawn against those that `Polar` states, at any signal-to-noise ratio.

use num_complex::Complex64;
use phasemill_engine::run::Draws;
use tempfile::TempDir;

use super::study::{Noise, RATE, chain, record, studied};

/// Ends of the 95 % intervals by drawing and by Rice's distribution, at signals of 0.5 to 20 standard uncertainties. Of n
/// trials, the end with a part p beyond it is known to sqrt(p(1 - p)/n) over the density there, 0.058 for a normal
/// variable and some 0.04 for t of 6 degrees of freedom: 0.024 u for 40 000 of them. Five of these.
#[test]
fn intervals_by_drawing_are_those_of_polar() {
    let (trials, points, seconds) = (40_000, 6, 0.25);
    // Behind 7 whole periods 0.2 s are left, of which each part of the mean has the variance 2/400, or so.
    let u = 0.07;
    let filter = r#"WholePeriods(clock: "clock", periods: 7)"#;
    let stages = chain(filter, "") + r#""polar": Polar(of: "answer"),"#;
    let results = ["answer", "polar.amplitude", "polar.low", "polar.high"];
    for (k, ratio) in [0.5, 1.0, 2.0, 5.0, 20.0].into_iter().enumerate() {
        let folder = TempDir::new().unwrap();
        let path = folder.path().join("x.h5");
        let signal = Complex64::new(0.6, -0.8) * (ratio * u);
        let length = (seconds * RATE) as usize;
        record(&path, points, length, signal, Noise::White, 40 + k as u64);
        let draws = Draws { trials, seed: 7 };
        let ran = studied(&path, &stages, &results, "", Some(draws));
        for point in 0..points {
            let value = |k: usize| ran.found[k][point].as_ref().unwrap().value.re;
            let own = ran.found[0][point].as_ref().unwrap();
            let [rr, ii, _] = own.covariance().unwrap();
            let u = (rr + ii).sqrt();
            let drawn = ran.drawn[1][point].as_ref().unwrap().aspects[0].1;
            println!(
                "{ratio}: drawn {:.4} to {:.4}, stated {:.4} to {:.4}",
                drawn.low,
                drawn.high,
                value(2),
                value(3)
            );
            assert!((drawn.low - value(2)).abs() < 0.12 * u, "{ratio}, {point}");
            assert!((drawn.high - value(3)).abs() < 0.12 * u, "{ratio}, {point}");
        }
    }
}
