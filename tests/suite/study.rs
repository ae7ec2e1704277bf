//! Simulated recordings whose truth is known, run as a user runs them: how often a stated interval holds
//! the truth, and how far values scatter. Shared by the checks and the full study.

use std::collections::BTreeSet;
use std::path::Path;

use libm::{cos, exp, log, sin};
use num_complex::Complex64;
use phasemill_engine::challenge::chance;
use phasemill_engine::diagnostic::{Code, Diagnostics};
use phasemill_engine::recipe::{Recipe, Wiring};
use phasemill_engine::run::{Draws, Finding, Job, Monitor, Numbers};
use phasemill_engine::session::open_sets;
use phasemill_engine::value::{Estimate, Value};
use phasemill_stages::REGISTRY;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

use super::support::{attribute, create, text_attribute};

/// Samples per second of all recordings.
pub const RATE: f64 = 2000.0;

/// Frequency of the signal in Hz: 25 Hz from the nearest multiple of the mains.
pub const LINE: f64 = 175.0;

/// The signal; its size says nothing of the noise, which is 1 per sample.
pub const SIGNAL: Complex64 = Complex64::new(0.6, -0.8);

/// A stronger signal, for ratios that follow their sources along straight lines.
pub const STRONG: Complex64 = Complex64::new(6.0, -8.0);

/// What a detector adds to the signal.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Noise {
    /// White, of standard deviation 1.
    White,
    /// The same, and as much power per Hz again at this frequency in Hz, falling as 1/f.
    Flicker(f64),
    /// The same, and the mains of this amplitude with harmonics that fall as 1/n, phases by chance.
    Mains(f64),
    /// The same, and a level that walks by this much (standard deviation) in a point, and runs along a line.
    Drift(f64),
    /// The same, and a level that runs along a line by this much in a point.
    Slope(f64),
    /// The same, and a signal whose amplitude flickers as 1/f from 0.2 Hz on, by this part of it (standard deviation) in
    /// every octave.
    Unsteady(f64),
}

/// A normal random variable, in pairs (Box & Muller 1958).
pub struct Normal {
    generator: ChaCha8Rng,
    spare: Option<f64>,
}

impl Normal {
    /// The numbers of one seed.
    pub fn new(seed: u64) -> Self {
        Normal {
            generator: ChaCha8Rng::seed_from_u64(seed),
            spare: None,
        }
    }

    /// Evenly between 0 and 1, both left out.
    pub fn unit(&mut self) -> f64 {
        ((self.generator.next_u64() >> 12) as f64 + 0.5) / (1u64 << 52) as f64
    }

    /// The next number.
    pub fn draw(&mut self) -> f64 {
        if let Some(spare) = self.spare.take() {
            return spare;
        }
        let radius = (-2.0 * log(self.unit())).sqrt();
        let angle = std::f64::consts::TAU * self.unit();
        self.spare = Some(radius * sin(angle));
        radius * cos(angle)
    }
}

impl Noise {
    /// In words.
    pub fn text(self) -> String {
        match self {
            Noise::White => "white".into(),
            Noise::Flicker(corner) => format!("white + 1/f, equal at {corner} Hz"),
            Noise::Mains(amplitude) => format!("white + mains {amplitude} and harmonics"),
            Noise::Drift(walk) => format!("white + drift of {walk}"),
            Noise::Slope(rise) => format!("white + a level that rises by {rise}"),
            Noise::Unsteady(part) => {
                format!(
                    "white + an amplitude that flickers by {} % in every octave",
                    100.0 * part
                )
            }
        }
    }

    /// Adds the noise to the signal in the samples of a point.
    fn add(self, samples: &mut [f64], random: &mut Normal) {
        if let Noise::Unsteady(part) = self {
            let mut factor = vec![1.0; samples.len()];
            flicker(&mut factor, part * part, random);
            samples
                .iter_mut()
                .zip(factor)
                .for_each(|(x, factor)| *x *= factor);
        }
        samples.iter_mut().for_each(|x| *x += random.draw());
        match self {
            Noise::White | Noise::Unsteady(_) => {}
            // White noise of variance 1 has a density of 2/RATE.
            Noise::Flicker(corner) => {
                flicker(
                    samples,
                    2.0 * std::f64::consts::LN_2 * corner / RATE,
                    random,
                );
            }
            Noise::Mains(amplitude) => {
                for k in 1..=15 {
                    let f = 50.0 * f64::from(k);
                    let phase = std::f64::consts::TAU * random.unit();
                    let turn = std::f64::consts::TAU * f / RATE;
                    for (i, x) in samples.iter_mut().enumerate() {
                        *x += amplitude / f64::from(k) * sin(turn * i as f64 + phase);
                    }
                }
            }
            Noise::Slope(rise) => {
                let part = rise / samples.len() as f64;
                for (i, x) in samples.iter_mut().enumerate() {
                    *x += part * i as f64 - 0.5 * rise;
                }
            }
            Noise::Drift(walk) => {
                let step = walk / (samples.len() as f64).sqrt();
                let slope = walk * random.draw() / samples.len() as f64;
                let mut level = 0.0;
                for (i, x) in samples.iter_mut().enumerate() {
                    level += step * random.draw();
                    *x += level + slope * i as f64;
                }
            }
        }
    }
}

/// 1/f noise as a sum of first-order ones with corners an octave apart, each with the same power (van der
/// Ziel 1950): their one-sided density sums to P/(ln(2)·f) for a power P of each, within a tenth of a dB between
/// the outermost corners, 0.2 Hz and 800 Hz.
fn flicker(samples: &mut [f64], power: f64, random: &mut Normal) {
    for octave in 0..13 {
        let f = 0.2 * f64::from(1 << octave);
        let keep = exp(-std::f64::consts::TAU * f / RATE);
        let kick = (power * (1.0 - keep * keep)).sqrt();
        let mut state = power.sqrt() * random.draw();
        for x in samples.iter_mut() {
            state = keep * state + kick * random.draw();
            *x += state;
        }
    }
}

/// A recording of `points` points of `length` samples: the signal in noise.
pub fn record(
    path: &Path,
    points: usize,
    length: usize,
    signal: Complex64,
    noise: Noise,
    seed: u64,
) {
    let mut random = Normal::new(seed);
    let turn = std::f64::consts::TAU * LINE / RATE;
    // x = Re(-i·z·e^{2πift}) is A·sin(2πft + θ) for z = A·e^{iθ}.
    let tone: Vec<f64> = (0..length)
        .map(|i| {
            let at = turn * i as f64;
            signal.re * sin(at) + signal.im * cos(at)
        })
        .collect();
    let file = create(path);
    attribute(&file, "sample_rate", RATE);
    let dataset = file.new_dataset::<f32>().shape([points, length]);
    let dataset = dataset.create("x").unwrap();
    text_attribute(&dataset, "units", "V");
    for point in 0..points {
        let mut samples = tone.clone();
        noise.add(&mut samples, &mut random);
        let row: Vec<f32> = samples.iter().map(|x| *x as f32).collect();
        dataset.write_slice(&row, (point, ..)).unwrap();
    }
}

/// What a recipe whose input is `x`, or `x` and `y`, gives.
pub struct Studied {
    /// For each result that was asked for, point by point; a point without a value is `None`.
    pub found: Vec<Vec<Option<Estimate>>>,
    /// Remarks of the run.
    pub remarks: Vec<Finding>,
    /// Warnings of the check.
    pub warnings: Diagnostics,
    /// For each result that was asked for what drawing gave, where it was drawn.
    pub drawn: Vec<Vec<Option<Numbers>>>,
}

impl Studied {
    /// Part of the points at which a stage remarked on something in these words.
    pub fn remarked(&self, node: &str, words: &str) -> f64 {
        let here = |r: &&Finding| r.node == node && r.message.contains(words);
        let points: BTreeSet<Option<u64>> =
            self.remarks.iter().filter(here).map(|r| r.point).collect();
        points.len() as f64 / self.found[0].len() as f64
    }

    /// How many warnings of a code there are.
    pub fn warned(&self, code: Code) -> usize {
        self.warnings.iter().filter(|d| d.code == code).count()
    }
}

/// Runs stages; `further` goes into the recipe behind the results.
pub fn studied(
    recording: &Path,
    stages: &str,
    results: &[&str],
    further: &str,
    draws: Option<Draws>,
) -> Studied {
    let more = match stages.contains("\"y\"") {
        true => ", \"y\": Wave()",
        false => "",
    };
    let text = format!(
        "Recipe(title: \"a study\", inputs: {{\"x\": Wave(){more}}}, stages: {{{stages}}}, results: {results:?}{further})"
    );
    let (recipe, found) = Recipe::parse("study.ron", &text, &REGISTRY);
    let recipe = recipe.filter(|_| !found.has_errors());
    let recipe = recipe.unwrap_or_else(|| panic!("{found}"));
    let files = [recording.to_path_buf()];
    let sets = open_sets(&recipe, &Wiring::default(), &files, &[]);
    let mut warnings = Diagnostics::default();
    let job = Job::new(&recipe, sets, &mut warnings).unwrap_or_else(|| panic!("{warnings}"));
    let outcome = job.run(&[], draws, &Monitor::default());
    let found = results.iter().map(|name| {
        let kept = job.typed.results.iter().find(|k| k.name == *name).unwrap();
        let values = outcome.values[kept.node][kept.port].iter();
        values
            .map(|v| v.as_ref().and_then(Value::estimate).cloned())
            .collect()
    });
    let simulated = outcome.simulation.iter().flat_map(|s| &s.results);
    let simulated: Vec<_> = simulated.collect();
    let drawn = results.iter().map(|name| {
        let kept = job.typed.results.iter().find(|k| k.name == *name).unwrap();
        let here = simulated
            .iter()
            .find(|d| (d.node, d.port) == (kept.node, kept.port));
        here.map_or_else(Vec::new, |d| d.points.clone())
    });
    Studied {
        drawn: drawn.collect(),
        found: found.collect(),
        remarks: outcome.remarks,
        warnings,
    }
}

/// One result of stages, point by point.
pub fn estimates(recording: &Path, stages: &str, result: &str) -> Vec<Option<Estimate>> {
    studied(recording, stages, &[result], "", None)
        .found
        .swap_remove(0)
}

/// How often intervals hold the truth, and how far values scatter, in-phase and quadrature parts together.
#[derive(Clone, Copy, Debug, Default)]
pub struct Coverage {
    /// Parts with a stated uncertainty.
    pub stated: usize,
    /// Parts without.
    pub unstated: usize,
    /// Part of the stated 95 % intervals that hold the truth.
    pub at_95: f64,
    /// The same of 68.27 %.
    pub at_68: f64,
    /// Root mean square deviation from the truth.
    pub scatter: f64,
    /// Root mean square stated standard uncertainty over that.
    pub ratio: f64,
    /// Mean deviation from the truth, over the scatter.
    pub bias: f64,
    /// Mean degrees of freedom.
    pub freedom: f64,
}

/// The 95 % and 68.27 % intervals of Student's t against the truth.
pub fn coverage(estimates: &[Option<Estimate>], truth: Complex64) -> Coverage {
    let mut all = Coverage::default();
    let (mut variance, mut freedom) = (0.0, 0.0);
    for estimate in estimates {
        let part = |axis: Complex64, off: f64| {
            let stated = estimate.as_ref()?.uncertainty_along(axis)?;
            Some((off, stated.0, stated.1))
        };
        let off = estimate
            .as_ref()
            .map_or(Complex64::ZERO, |e| e.value - truth);
        for found in [part(Complex64::ONE, off.re), part(Complex64::I, off.im)] {
            let Some((off, u, f)) = found else {
                all.unstated += 1;
                continue;
            };
            let p = chance(off / u, f);
            all.stated += 1;
            all.at_95 += f64::from(u8::from(p >= 0.05));
            all.at_68 += f64::from(u8::from(p >= 0.3173));
            all.scatter += off * off;
            all.bias += off;
            variance += u * u;
            freedom += f;
        }
    }
    let n = all.stated as f64;
    Coverage {
        at_95: all.at_95 / n,
        at_68: all.at_68 / n,
        scatter: (all.scatter / n).sqrt(),
        ratio: (variance / all.scatter).sqrt(),
        bias: all.bias / (n * all.scatter).sqrt(),
        freedom: freedom / n,
        ..all
    }
}

/// Stages that mix with the stated line, filter (or not, for an empty text), and average.
pub fn chain(filter: &str, average: &str) -> String {
    let smooth = match filter {
        "" => r#""smooth": Amplify(of: "product", multiply_by: "1"),"#.to_owned(),
        kind => format!(r#""smooth": Filter(of: "product", kind: {kind}),"#),
    };
    format!(
        r#""ac": RemoveOffset(of: "x"),
        "clock": Reference(of: "x", shape: Stated(frequency: "{LINE} Hz")),
        "product": Mix(of: "ac", with: "clock"),
        {smooth}
        "answer": Average(of: "smooth"{average}),"#
    )
}

/// Standard deviations of amplitude and of phase (rad) around the signal.
pub fn scatter(found: &[Option<Estimate>]) -> [f64; 2] {
    let values: Vec<Complex64> = found.iter().map(|e| e.as_ref().unwrap().value).collect();
    let root_mean_square = |off: &dyn Fn(Complex64) -> f64| {
        let sum: f64 = values.iter().map(|z| off(*z) * off(*z)).sum();
        (sum / values.len() as f64).sqrt()
    };
    let size = libm::hypot(SIGNAL.re, SIGNAL.im);
    // Turned onto the real axis, so that no phase is near half a turn.
    let turned = |z: Complex64| z * SIGNAL.conj() / size;
    [
        root_mean_square(&|z| libm::hypot(z.re, z.im) - size),
        root_mean_square(&|z| libm::atan2(turned(z).im, turned(z).re)),
    ]
}

/// Stages that average one product behind two filters, and combine what comes out in three ways.
pub fn pair(first: &str, second: &str) -> String {
    chain(first, "")
        + &format!(
            r#""other smooth": Filter(of: "product", kind: {second}),
        "other": Average(of: "other smooth"),
        "difference": Combine(of: ["answer", "other"], by: Difference),
        "sum": Combine(of: ["answer", "other"], by: Sum),
        "ratio": Combine(of: ["answer", "other"], by: Ratio),"#
        )
}

/// What [`pair`] makes of [`STRONG`].
pub const COMBINED: [(&str, Complex64); 3] = [
    ("difference", Complex64::ZERO),
    ("sum", Complex64::new(2.0 * STRONG.re, 2.0 * STRONG.im)),
    ("ratio", Complex64::ONE),
];

/// Pairs of filters whose means are compared, by their names.
pub const PAIRS: [(&str, &str, &str); 3] = [
    (
        "RC, 4 poles of 5 ms, and Butterworth, order 4, 20 Hz",
        r#"RcCascade(poles: 4, time_constant: "5 ms")"#,
        r#"Butterworth(order: 4, band: Low("20 Hz"))"#,
    ),
    (
        "RC, 4 poles of 5 ms and of 10 ms",
        r#"RcCascade(poles: 4, time_constant: "5 ms")"#,
        r#"RcCascade(poles: 4, time_constant: "10 ms")"#,
    ),
    (
        "RC, 4 poles of 5 ms, and 7 whole periods",
        r#"RcCascade(poles: 4, time_constant: "5 ms")"#,
        r#"WholePeriods(clock: "clock", periods: 7)"#,
    ),
];
