//! The runs of a challenge: with a tone and without, at the signal's frequency and beside it.

use std::sync::atomic::Ordering;

use num_complex::Complex64;

use super::graft::{Follow, Graft, Tone, without_places};
use super::report::{Remark, Report};
use super::target::Target;
use super::{ChallengeError, Request, job};
use crate::response::Figures;
use crate::run::{Job, Monitor, Outcome, each};
use crate::session::open_sets;
use crate::value::{Estimate, Value};

/// What one run gave.
struct Ran {
    found: Result<Found, String>,
    remarks: Vec<String>,
}

/// A value of the result, and the frequency in Hz that the recipe looks at, where it is known.
pub(super) struct Found {
    pub value: Estimate,
    pub line: Option<f64>,
}

/// A point without a tone.
pub(super) struct Bare {
    pub point: usize,
    pub value: Estimate,
    pub line: Option<f64>,
}

/// A run to be made: the point, the tones, and by how many Hz the recipe looks beside the signal.
pub(super) struct Trial {
    pub point: usize,
    pub tones: Vec<Tone>,
    pub detuned: f64,
    /// What the answer should be, in SI units.
    pub truth: Complex64,
}

pub(super) struct Challenge<'r> {
    pub request: &'r Request<'r>,
    pub monitor: &'r Monitor,
    pub graft: Graft<'r>,
    pub target: Target,
    /// Averaged time of a point in s.
    pub averaged: Option<f64>,
    pub figures: Option<Figures>,
}

impl Challenge<'_> {
    /// A report of nothing yet.
    pub fn blank(&self, count: usize, points: Vec<usize>) -> Report {
        let (target, options) = (&self.target, self.request.options);
        Report {
            title: self.request.recipe.title.clone(),
            result: target.result.clone(),
            unit: target.flow.unit.ascii(),
            input: self.request.recipe.inputs[target.input].name.text.clone(),
            input_unit: self.graft.unit().ascii(),
            follow: self.graft.followed(),
            stated_as: target.shape.text().into(),
            through: target.through,
            through_from: target.through_text.clone(),
            points_in_all: count,
            points,
            tolerance: options.tolerance,
            phases_judged: !self.any_phase(),
            ..Report::default()
        }
    }

    /// The phase of what follows another clock than the recipe's own has no common zero with it.
    pub fn any_phase(&self) -> bool {
        let options = self.request.options;
        let fitted = self.target.flow.clock.is_none();
        options.any_phase || (options.follow != Follow::Own && !fitted)
    }

    /// Runs everything, and writes down what it gave.
    pub fn all(&self, report: &mut Report) -> Result<(), ChallengeError> {
        let points = report.points.clone();
        let base: Vec<Trial> = points
            .iter()
            .map(|p| self.trial(*p, &[], 0.0, Complex64::ZERO))
            .collect();
        let base = self.run_all(report, &base)?;
        let known: Vec<Bare> = points
            .iter()
            .zip(base)
            .filter_map(|(&point, found)| {
                let Found { value, line } = found?;
                Some(Bare { point, value, line })
            })
            .collect();
        let gains = self.tones(report, &known)?;
        self.leaks(report, &known)?;
        self.neighbours(report, &known, &gains)
    }

    pub fn trial(
        &self,
        point: usize,
        tones: &[(Complex64, f64, bool)],
        detuned: f64,
        truth: Complex64,
    ) -> Trial {
        let scale = self.scale();
        let tones =
            tones
                .iter()
                .filter(|(z, ..)| *z != Complex64::ZERO)
                .map(|&(z, offset, own)| Tone {
                    phasor: z * scale,
                    offset,
                    own,
                });
        Trial {
            point,
            tones: tones.collect(),
            detuned,
            truth,
        }
    }

    /// Runs trials; what fails is written down.
    pub fn run_all(
        &self,
        report: &mut Report,
        trials: &[Trial],
    ) -> Result<Vec<Option<Found>>, ChallengeError> {
        let ran = each(trials, |t| self.run_one(t));
        let mut all = Vec::new();
        for (trial, ran) in trials.iter().zip(ran) {
            let ran = ran?;
            for remark in ran.remarks {
                Remark::note(&mut report.remarks, remark, trial.point);
            }
            match ran.found {
                Ok(found) => all.push(Some(found)),
                Err(why) => {
                    Remark::note(&mut report.failures, why, trial.point);
                    all.push(None);
                }
            }
        }
        Ok(all)
    }

    fn run_one(&self, trial: &Trial) -> Result<Ran, ChallengeError> {
        let request = self.request;
        let recipe = self
            .graft
            .recipe(
                &self.target.result,
                &trial.tones,
                trial.detuned,
                request.registry,
            )
            .map_err(ChallengeError::Asked)?;
        let mut sets = open_sets(&recipe, request.wiring, request.files, request.with);
        sets.iter_mut().for_each(|set| set.keep(trial.point));
        let job = job(&recipe, sets).map_err(|error| match error {
            ChallengeError::Rejected(found) => ChallengeError::Asked(format!(
                "with a tone added the recipe does not hold: {}",
                without_places(&found)
            )),
            other => other,
        })?;
        let outcome = job.run(&[], None, self.monitor);
        if outcome.interrupted || self.monitor.stop.load(Ordering::Relaxed) {
            return Err(ChallengeError::Interrupted);
        }
        let kept = job.typed.results.first();
        let value = kept.and_then(|k| outcome.values[k.node][k.port].first()?.clone());
        let found = match value {
            Some(Value::Estimate(value)) => Ok(Found {
                value,
                line: self.line_frequency(&job, &outcome),
            }),
            _ => Err(outcome
                .failures
                .first()
                .map_or_else(|| "no value".to_owned(), |f| f.without_point())),
        };
        let remarks = outcome.remarks.iter();
        Ok(Ran {
            found,
            remarks: remarks.map(|f| f.without_point()).collect(),
        })
    }

    /// The frequency in Hz of the harmonic that the result is relative to: stated, measured beside the clock
    /// as its output `frequency`, or expected.
    fn line_frequency(&self, job: &Job<'_>, outcome: &Outcome) -> Option<f64> {
        let (clock, n, m) = self.target.flow.clock.as_ref()?;
        let node = job.plan.names.iter().position(|name| name == clock)?;
        let mut ports = job.typed.ports[node].iter().flatten();
        let measured = ports
            .position(|p| p.name() == "frequency")
            .and_then(|port| outcome.values[node][port].first()?.as_ref()?.estimate());
        let measured = measured.map(|e| e.value.re * f64::from(*n) / f64::from(*m));
        measured.or_else(|| {
            let known = job.typed.signal_frequency(job.recipe, &self.target.flow);
            known.map(|(f, _)| f)
        })
    }

    /// Whether a frequency beside the line is one that the recording can hold, well away from zero.
    pub fn fits(&self, line: Option<f64>, offset: f64) -> bool {
        line.is_none_or(|f| {
            let highest = 0.5 * self.target.rate.unwrap_or(f64::INFINITY);
            offset.abs() < 0.5 * f && f + offset.abs() < highest
        })
    }

    /// Peak of a tone at the input for an answer of one, in SI units.
    pub fn scale(&self) -> f64 {
        self.target.shape.peak() * self.target.through
    }
}
