//! A recipe challenged: known tones are added to the recorded samples, the recipe runs on them, and what
//! comes back is compared with what was added.
//!
//! Two questions are told apart. *Does the recipe lose or turn signal?* Runs with a tone less the run
//! without it: the recording's own noise is the same in both and cancels, so that in a linear chain the
//! difference is the tone times the recipe's gain, to rounding. *Is the stated uncertainty right?* The
//! recipe looks beside the signal, where the recording holds only its noise and, in half of the cases, a
//! known tone: deviations over the stated uncertainty follow Student's t if it is right.

mod graft;
mod questions;
mod report;
mod scores;
mod target;
mod trials;

use std::path::PathBuf;
use std::sync::atomic::Ordering;

pub use graft::{Follow, ToneText};
pub use report::{ALARM, Leak, Line, Remark, Report};
pub use scores::{ChiSquare, chance, normal_score};
pub use target::Shape;

use crate::diagnostic::Diagnostics;
use crate::recipe::{Recipe, Wiring};
use crate::recordings::RecordingSet;
use crate::response::{Element, Figures};
use crate::run::{Job, Monitor, on_threads};
use crate::session::{check_recordings, open_sets};
use crate::stage::Registry;
use crate::units::Quantity;
use graft::{Graft, Tone, keeping, without_places};
use target::{Target, choose_result};
use trials::Challenge;

/// Points that are challenged when none are named.
const FEW_POINTS: usize = 5;

/// How the stages are written that a challenge adds; the engine itself names no stage.
#[derive(Clone, Copy)]
pub struct Words {
    /// A stage that adds a tone.
    pub tone: fn(&ToneText<'_>) -> String,
    /// A stage that moves a clock, given by name, by so many Hz.
    pub detuned: fn(&str, f64) -> String,
    /// A stage that makes a clock of so many Hz, with the samples of a wave given by name.
    pub stated: fn(&str, f64) -> String,
}

/// What is asked.
#[derive(Clone, Debug, Default)]
pub struct Options {
    /// The result to challenge; by default the first complex one that is kept.
    pub result: Option<String>,
    /// The channel that gets the tones; by default the one that the result is made of.
    pub into: Option<String>,
    /// What the tones follow.
    pub follow: Follow,
    /// Harmonic n/m of it; by default the recipe's own.
    pub harmonic: Option<(u32, u32)>,
    /// Amplitudes, in the unit of the result or of the channel.
    pub amplitudes: Vec<Quantity>,
    /// How they are stated; by default as the result says.
    pub shape: Option<Shape>,
    /// What leads from the answer's unit to the channel's: a quantity, or a constant's name.
    pub through: Option<String>,
    /// Phases in radians.
    pub phases: Vec<f64>,
    /// Points, counted from 0; by default a few, evenly spread.
    pub points: Vec<usize>,
    /// Part of a tone that may be lost.
    pub tolerance: f64,
    /// Whether amplitudes alone are judged.
    pub any_phase: bool,
    /// Threads; 0 means one per core. What is found does not depend on it.
    pub threads: usize,
}

/// One recording, or the files of one sweep, and the recipe to be challenged on it.
pub struct Request<'r> {
    /// The recipe, parsed without errors.
    pub recipe: &'r Recipe,
    /// The wiring.
    pub wiring: &'r Wiring,
    /// The stages that recipes may use.
    pub registry: &'r Registry,
    /// How tones are written.
    pub words: Words,
    /// The files of the recording.
    pub files: &'r [PathBuf],
    /// Further recordings by the name that the recipe uses.
    pub with: &'r [(String, PathBuf)],
    /// What is asked.
    pub options: &'r Options,
}

/// Why a challenge gave nothing.
#[derive(Debug, thiserror::Error)]
pub enum ChallengeError {
    /// The recipe does not fit the recording.
    #[error("{0}")]
    Rejected(Diagnostics),
    /// What is asked cannot be done.
    #[error("{0}")]
    Asked(String),
    /// A recording cannot be used.
    #[error("{0}")]
    Recording(String),
    /// The user stopped it.
    #[error("stopped")]
    Interrupted,
}

/// Challenges a recipe on one recording.
///
/// # Errors
/// [`ChallengeError`] when nothing could be run; what fails at single points is in the report.
pub fn run(request: &Request<'_>, monitor: &Monitor) -> Result<Report, ChallengeError> {
    let asked = ChallengeError::Asked;
    let (recipe, options) = (request.recipe, request.options);
    check_recordings(recipe, request.with).map_err(|e| asked(e.to_string()))?;
    let sets = || open_sets(recipe, request.wiring, request.files, request.with);
    let first = job(recipe, sets())?;
    let name = choose_result(recipe, &first.typed, options).map_err(asked)?;
    let source = &recipe.source;
    let (alone, found) = Recipe::parse(&source.name, &source.text, request.registry);
    let Some(alone) = alone.map(|r| keeping(r, &name)) else {
        return Err(ChallengeError::Rejected(found));
    };
    let one = job(&alone, sets())?;
    let target = Target::of(&one, options).map_err(asked)?;
    check_frequency(request, &target).map_err(asked)?;
    let mut graft = Graft::new(
        recipe,
        &one.typed,
        request.words,
        options,
        target.shape,
        (target.input, target.flow.clock.clone()),
    )
    .map_err(asked)?;
    graft.read_followed(request.registry).map_err(asked)?;
    check_tone(request, &graft, &target)?;
    let count = one.sets.first().map_or(0, |s| s.points().len());
    let usable = one.sets.first().map_or(Vec::new(), RecordingSet::fitting);
    let points = choose_points(count, &usable, &options.points).map_err(asked)?;
    let line = one.typed.signal_frequency(&alone, &target.flow);
    let challenge = Challenge {
        request,
        monitor,
        averaged: averaged(&target),
        figures: Figures::of(&target.flow, line.map(|(f, _)| f)),
        graft,
        target,
    };
    let samples = one.work() / count.max(1) as u64 * (points.len() * challenge.runs()) as u64;
    monitor.total.fetch_add(samples, Ordering::Relaxed);
    let mut report = challenge.blank(count, points);
    let ran = on_threads(options.threads, || challenge.all(&mut report));
    ran.map_err(|e| asked(format!("cannot start the threads: {e}")))??;
    report.judge();
    Ok(report)
}

/// A frequency that a stage would refuse is refused by the name of its option.
fn check_frequency(request: &Request<'_>, target: &Target) -> Result<(), String> {
    let highest = 0.5 * target.rate.unwrap_or(f64::INFINITY);
    match &request.options.follow {
        Follow::Frequency(f) if !(*f > 0.0 && *f < highest) => Err(format!(
            "expected with `--frequency` one above zero and below half the sample rate of `{}`, {highest} Hz, found {f} Hz",
            request.recipe.inputs[target.input].name.text
        )),
        _ => Ok(()),
    }
}

/// Checks a tone as it is asked for, so that what is wrong with it is said of the options and not of a text that the
/// user has not written.
fn check_tone(
    request: &Request<'_>,
    graft: &Graft<'_>,
    target: &Target,
) -> Result<(), ChallengeError> {
    let harmonic = request.options.harmonic;
    let harmonic = harmonic.map(|(n, m)| format!("`--harmonic {n}/{m}`"));
    let follow = match &request.options.follow {
        Follow::Own => None,
        Follow::Frequency(f) => Some(format!("`--frequency {f} Hz`")),
        Follow::Stage(text) | Follow::Clock(text) => Some(format!("`--follow {text}`")),
    };
    let options: Vec<String> = follow.into_iter().chain(harmonic).collect();
    let option = match options.is_empty() {
        true => "a tone cannot be added".to_owned(),
        false => options.join(" with "),
    };
    let told = |why: String| ChallengeError::Asked(format!("{option}: {why}"));
    let tone = Tone {
        phasor: (target.shape.peak() * target.through).into(),
        offset: 0.0,
        own: false,
    };
    let recipe = graft.recipe(&target.result, &[tone], 0.0, request.registry);
    let recipe = recipe.map_err(told)?;
    let sets = open_sets(&recipe, request.wiring, request.files, request.with);
    match job(&recipe, sets) {
        Err(ChallengeError::Rejected(found)) => Err(told(without_places(&found))),
        Err(other) => Err(other),
        Ok(_) => Ok(()),
    }
}

fn job(recipe: &Recipe, sets: Vec<RecordingSet>) -> Result<Job<'_>, ChallengeError> {
    if let Some(error) = sets
        .iter()
        .filter(|s| s.is_unusable())
        .flat_map(|s| &s.files)
        .find_map(|f| f.content.as_ref().err())
    {
        let found = error.diagnostics();
        return Err(match found.is_empty() {
            true => ChallengeError::Recording(error.to_string()),
            false => ChallengeError::Rejected(found),
        });
    }
    let mut found = Diagnostics::default();
    Job::new(recipe, sets, &mut found).ok_or_else(|| ChallengeError::Rejected(found.sorted()))
}

/// The points asked for, or a few of those that the recipe fits, evenly spread.
fn choose_points(count: usize, usable: &[usize], asked: &[usize]) -> Result<Vec<usize>, String> {
    if let Some(beyond) = asked.iter().find(|p| **p >= count) {
        return Err(format!(
            "expected points from 0 to {}, found {beyond}",
            count.saturating_sub(1)
        ));
    }
    let mut points = match asked {
        [] if usable.len() <= FEW_POINTS => usable.to_vec(),
        [] => (0..FEW_POINTS)
            .map(|k| usable[k * (usable.len() - 1) / (FEW_POINTS - 1)])
            .collect(),
        asked => asked.to_vec(),
    };
    points.sort_unstable();
    points.dedup();
    Ok(points)
}

/// Seconds that are averaged at a point.
fn averaged(target: &Target) -> Option<f64> {
    target
        .flow
        .response
        .elements
        .iter()
        .rev()
        .find_map(|e| match e {
            Element::Average(n, rate) => Some(*n as f64 / rate),
            _ => None,
        })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn points_are_spread_evenly_or_as_asked() {
        let all: Vec<usize> = (0..61).collect();
        let choose = |count: usize, asked: &[usize]| choose_points(count, &all[..count], asked);
        assert_eq!(choose(3, &[]), Ok(vec![0, 1, 2]));
        assert_eq!(choose(61, &[]), Ok(vec![0, 15, 30, 45, 60]));
        assert_eq!(choose(9, &[7, 2, 7]), Ok(vec![2, 7]));
        assert!(choose(3, &[3]).is_err());
        // Those that are too short are passed over.
        assert_eq!(
            choose_points(9, &[1, 2, 4, 6, 7, 8], &[]),
            Ok(vec![1, 2, 4, 6, 8])
        );
        assert_eq!(choose(0, &[]), Ok(vec![]));
    }
}
