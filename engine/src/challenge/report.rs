//! What a challenge found: tones that came back, what was seen where nothing is, and the verdict.

use std::f64::consts::{FRAC_PI_2, SQRT_2};

use num_complex::Complex64;
use serde::Serialize;

use super::scores::{ChiSquare, chance};

/// Chance below which the stated uncertainties are taken to be wrong: one right recipe in a thousand is
/// accused.
pub const ALARM: f64 = 1e-3;

/// Chance below which a single line is pointed out.
const CONSPICUOUS: f64 = 1e-4;

/// Numbers that users mix up, with what they stand for.
const KNOWN: [(f64, &str); 6] = [
    (
        1.0 / FRAC_PI_2,
        "2/pi: the full step of a square is left out, where its fundamental is not the whole",
    ),
    (
        FRAC_PI_2,
        "pi/2: the full step of a square is taken where the amplitude of a sine is meant",
    ),
    (1.0 / SQRT_2, "1/sqrt(2): rms where peak is meant"),
    (SQRT_2, "sqrt(2): peak where rms is meant"),
    (0.5, "1/2: one half of the product of two sines"),
    (2.0, "2: taken twice"),
];

/// A tone, or none, and what the recipe made of it.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Line {
    /// The point, counted from 0.
    pub point: usize,
    /// Hz from the signal's frequency.
    pub offset: f64,
    /// In-phase and quadrature part of what was added, as the answer should state it, in SI units.
    pub injected: [f64; 2],
    /// What came back.
    pub recovered: [f64; 2],
    /// Standard uncertainty of a part, as the recipe states it: the root of the mean square of both;
    /// `None` where it states none.
    pub standard_uncertainty: Option<f64>,
    /// Deviations of the two parts in units of their stated uncertainty.
    pub ratios: Option<[f64; 2]>,
    /// Degrees of freedom of the two parts' uncertainties; `None` for infinitely many.
    pub degrees_of_freedom: Option<[Option<f64>; 2]>,
    /// Whether this line is as it should be.
    pub passed: bool,
}

impl Line {
    /// What was added.
    pub fn injected(&self) -> Complex64 {
        Complex64::new(self.injected[0], self.injected[1])
    }

    /// What came back.
    pub fn recovered(&self) -> Complex64 {
        Complex64::new(self.recovered[0], self.recovered[1])
    }

    /// Size of the deviation.
    pub fn difference(&self) -> f64 {
        (self.recovered() - self.injected()).norm()
    }
}

/// How much of a tone beside the signal came through.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Leak {
    /// The point, counted from 0.
    pub point: usize,
    /// Hz from the signal's frequency.
    pub offset: f64,
    /// Size of what came through, as a part of the tone.
    pub part: f64,
    /// At most as much as this was designed to come through; `None` where that is not known.
    pub designed: Option<f64>,
    /// Whether no more came through.
    pub passed: bool,
}

/// What a stage remarked on, or why it gave nothing, and at which points.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Remark {
    /// What.
    pub what: String,
    /// Points, counted from 0.
    pub points: Vec<usize>,
}

impl Remark {
    /// Writes down a remark, or one more point of one that is known.
    pub(super) fn note(all: &mut Vec<Remark>, what: String, point: usize) {
        match all.iter_mut().find(|r| r.what == what) {
            Some(known) if known.points.contains(&point) => {}
            Some(known) => known.points.push(point),
            None => all.push(Remark {
                what,
                points: vec![point],
            }),
        }
    }
}

/// Everything that a challenge found.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Report {
    /// Title of the recipe.
    pub title: String,
    /// The result that was challenged.
    pub result: String,
    /// Its unit.
    pub unit: String,
    /// The channel that got the tones.
    pub input: String,
    /// SI unit of its samples.
    pub input_unit: String,
    /// What the tones follow, in words.
    pub follow: String,
    /// How amplitudes are stated.
    pub stated_as: String,
    /// Size at the input, in SI units, of one SI unit of the answer.
    pub through: f64,
    /// Where that comes from, in words; empty where it is one.
    pub through_from: String,
    /// Points of the recording.
    pub points_in_all: usize,
    /// Those that were challenged.
    pub points: Vec<usize>,
    /// Part of a tone that may be lost.
    pub tolerance: f64,
    /// Whether phases are judged too.
    pub phases_judged: bool,
    /// Tones at the signal's frequency: runs with less runs without.
    pub tones: Vec<Line>,
    /// Tones and nothing at neighbouring frequencies.
    pub neighbours: Vec<Line>,
    /// What comes through of tones beside the signal.
    pub leaks: Vec<Leak>,
    /// The neighbours taken together.
    pub chi_square: Option<ChiSquare>,
    /// What failed.
    pub failures: Vec<Remark>,
    /// What stages remarked on.
    pub remarks: Vec<Remark>,
    /// What was found wrong.
    pub faults: Vec<String>,
    /// What is to be known besides.
    pub notes: Vec<String>,
    /// Whether the recipe passed.
    pub passed: bool,
}

impl Report {
    /// Judges what was found.
    pub(super) fn judge(&mut self) {
        self.judge_tones();
        self.judge_neighbours();
        let leaking = self.leaks.iter().filter(|l| !l.passed).count();
        if leaking > 0 {
            self.faults.push(format!(
                "{leaking} of {} tones beside the signal come through more than designed",
                self.leaks.len()
            ));
        }
        if !self.failures.is_empty() {
            self.faults.push("some runs gave no value".into());
        }
        self.passed = self.faults.is_empty();
    }

    fn judge_tones(&mut self) {
        let lost = self.tones.iter().filter(|l| !l.passed).count();
        if lost == 0 {
            return;
        }
        self.faults.push(format!(
            "{lost} of {} tones at the signal's frequency do not come back as they should",
            self.tones.len()
        ));
        let gains: Vec<Complex64> = self
            .tones
            .iter()
            .map(|l| l.recovered() / l.injected())
            .collect();
        let mean = gains.iter().sum::<Complex64>() / gains.len() as f64;
        let alike = gains
            .iter()
            .all(|g| (g - mean).norm() <= 1e-3 * mean.norm().max(1e-3));
        self.notes.extend(match (alike, mean.norm()) {
            (true, size) if size < 1e-3 => Some("nothing comes back: the tones have another frequency than the one that the recipe looks at".to_owned()),
            (true, size) => {
                let known = KNOWN.iter().find(|(k, _)| (size / k - 1.0).abs() < 3e-3);
                let known = known.map_or(String::new(), |(_, what)| format!(" ({what})"));
                let turn = match mean.arg().to_degrees() {
                    turn if self.phases_judged && turn.abs() > 0.05 => format!(", turned by {turn:.2} deg"),
                    _ => String::new(),
                };
                Some(format!("all tones come back at {size:.5} of their size{turn}{known}"))
            }
            (false, _) => Some("tones come back at different parts of their size, by point, amplitude or phase: look for what cuts off, or settles while it is averaged, or for a reference that differs from what the tones follow".to_owned()),
        });
    }

    fn judge_neighbours(&mut self) {
        let Some(chi) = self.chi_square else { return };
        if chi.chance_above < ALARM {
            self.faults.push(format!(
                "the stated uncertainty is too small: where nothing is, values scatter by {:.2} of it",
                chi.ratio()
            ));
        } else if chi.chance_below < ALARM {
            self.notes.push(format!(
                "the stated uncertainty is larger than the noise beside the signal, which scatters by {:.2} of it",
                chi.ratio()
            ));
        }
        let odd: Vec<&Line> = self.neighbours.iter().filter(|l| !l.passed).collect();
        if let Some(line) = odd.first() {
            self.notes.push(format!(
                "{} of {} values beside the signal stand out of the stated uncertainty, as if something were there; the first at point {}, {:+.4} Hz from the signal",
                odd.len(),
                self.neighbours.len(),
                line.point,
                line.offset
            ));
        }
    }
}

/// Whether two ratios are together no more than conspicuous.
pub(super) fn inconspicuous(ratios: [f64; 2], freedom: [f64; 2]) -> bool {
    ratios
        .iter()
        .zip(freedom)
        .all(|(r, f)| chance(*r, f) >= 0.5 * CONSPICUOUS)
}
