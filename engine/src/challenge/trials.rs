//! The runs of a challenge: with a tone and without, at the signal's frequency and beside it.

use std::sync::atomic::Ordering;

use num_complex::Complex64;

use super::graft::{Follow, Graft, Tone};
use super::report::{Leak, Line, Remark, Report, inconspicuous};
use super::scores::{ChiSquare, normal_score};
use super::target::{Shape, Target};
use super::{ChallengeError, Request, job};
use crate::response::Figures;
use crate::run::{Job, Monitor, Outcome, each};
use crate::session::open_sets;
use crate::value::{Estimate, Value};

/// Amplitudes that are added when none are named, in stated uncertainties of the result.
const LADDER: [f64; 3] = [10.0, 100.0, 1000.0];

/// Part of the full scale, where that is known, that tones take which nobody named.
const ROOM: f64 = 0.1;

/// Phases that are added when none are named, in degrees.
const PHASES: [f64; 2] = [30.0, 150.0];

/// Where neighbours are looked at, in multiples of one over the averaged time: there the mean sees
/// nothing of a steady signal, and noise is independent.
const BESIDE: [f64; 8] = [-12.0, -8.0, -5.0, -3.0, 3.0, 5.0, 8.0, 12.0];

/// Where leaking is tried, in noise bandwidths of the averaged samples.
const LEAKS: [f64; 3] = [1.0, 3.0, 10.0];

/// What one run gave.
struct Ran {
    found: Result<Found, String>,
    remarks: Vec<String>,
}

/// A value of the result, and the frequency in Hz that the recipe looks at, where it is known.
struct Found {
    value: Estimate,
    line: Option<f64>,
}

/// A point without a tone.
struct Bare {
    point: usize,
    value: Estimate,
    line: Option<f64>,
}

/// A run to be made: the point, the tones, and by how many Hz the recipe looks beside the signal.
struct Trial {
    point: usize,
    tones: Vec<Tone>,
    detuned: f64,
    /// What the answer should be, in SI units.
    truth: Complex64,
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

/// Standard uncertainties of the two parts and their degrees of freedom.
fn stated(estimate: &Estimate) -> Option<([f64; 2], [f64; 2])> {
    let (x, of_x) = estimate.uncertainty_along(Complex64::new(1.0, 0.0))?;
    let (y, of_y) = estimate.uncertainty_along(Complex64::new(0.0, 1.0))?;
    Some(([x, y], [of_x, of_y]))
}

/// The root of the mean square of both parts.
fn size([x, y]: [f64; 2]) -> f64 {
    (0.5 * (x * x + y * y)).sqrt()
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
    fn any_phase(&self) -> bool {
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

    fn trial(
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
    fn run_all(
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
        let job = job(&recipe, sets)?;
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
            _ => Err(outcome.failures.first().map_or_else(
                || "no value".to_owned(),
                |f| format!("`{}`: {}", f.node, f.message),
            )),
        };
        let remarks = outcome.remarks.iter();
        Ok(Ran {
            found,
            remarks: remarks
                .map(|f| format!("`{}`: {}", f.node, f.message))
                .collect(),
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
    fn fits(&self, line: Option<f64>, offset: f64) -> bool {
        line.is_none_or(|f| {
            let highest = 0.5 * self.target.rate.unwrap_or(f64::INFINITY);
            offset.abs() < 0.5 * f && f + offset.abs() < highest
        })
    }

    /// The amplitudes to add at a point, in SI units of the answer.
    fn ladder(&self, without: &Estimate) -> Vec<f64> {
        if !self.target.amplitudes.is_empty() {
            return self.target.amplitudes.clone();
        }
        let Some(u) = stated(without).map(|(u, _)| size(u)).filter(|u| *u > 0.0) else {
            return Vec::new();
        };
        // What the user did not ask for should not drive the converter to its end; the smallest tone has to
        // do in any case.
        let room = self.target.full_scale.unwrap_or(f64::INFINITY) * ROOM;
        let fits = |a: f64| a * self.scale() <= room;
        let all = LADDER.iter().enumerate();
        all.filter(|(i, k)| *i == 0 || fits(*k * u))
            .map(|(_, k)| k * u)
            .collect()
    }

    /// Peak of a tone at the input for an answer of one, in SI units.
    fn scale(&self) -> f64 {
        self.target.shape.peak() * self.target.through
    }

    /// Tones at the signal's frequency, with less without. Gives the gain at each point.
    fn tones(&self, report: &mut Report, known: &[Bare]) -> Result<Vec<Complex64>, ChallengeError> {
        let mut trials = Vec::new();
        for bare in known {
            let ladder = self.ladder(&bare.value);
            if ladder.is_empty() {
                return Err(ChallengeError::Asked(
                    "the result has no stated uncertainty that tones could be measured by; say how large they are with `--amplitude`".into(),
                ));
            }
            for amplitude in ladder {
                for phase in self.phases() {
                    let z = Complex64::from_polar(amplitude, phase);
                    trials.push((
                        &bare.value,
                        self.trial(bare.point, &[(z, 0.0, false)], 0.0, z),
                    ));
                }
            }
        }
        let (bases, trials): (Vec<_>, Vec<_>) = trials.into_iter().unzip();
        let found = self.run_all(report, &trials)?;
        let mut gains = vec![Vec::new(); known.len()];
        for ((without, trial), with) in bases.iter().zip(&trials).zip(found) {
            let Some(with) = with else { continue };
            let line = self.line(trial, 0.0, with.value.value - without.value, without);
            let at = known.iter().position(|b| b.point == trial.point);
            gains[at.unwrap_or(0)].push(line.recovered() / line.injected());
            report.tones.push(line);
        }
        let mean = |g: &Vec<Complex64>| g.iter().sum::<Complex64>() / g.len().max(1) as f64;
        Ok(gains.iter().map(mean).collect())
    }

    /// Runs that each point takes.
    pub fn runs(&self) -> usize {
        1 + LADDER.len() * self.phases().len() + LEAKS.len() + BESIDE.len()
    }

    fn phases(&self) -> Vec<f64> {
        match (&self.request.options.phases, self.target.shape) {
            // A switched square is the same in phase only, up to its sign.
            (given, Shape::Square) if given.is_empty() => vec![0.0],
            (given, _) if given.is_empty() => PHASES.map(f64::to_radians).to_vec(),
            (given, _) => given.clone(),
        }
    }

    /// Compares what came back at the signal's frequency: lost is what exceeds the tolerance and would be
    /// seen, being more than a third of the stated uncertainty, which raises a combined one by a twentieth.
    fn line(&self, trial: &Trial, offset: f64, recovered: Complex64, measure: &Estimate) -> Line {
        let (truth, options) = (trial.truth, self.request.options);
        let stated = stated(measure);
        let u = stated.map(|(u, _)| size(u));
        let off = match self.any_phase() {
            true => (recovered.norm() - truth.norm()).abs(),
            false => (recovered - truth).norm(),
        };
        let allowed = (options.tolerance * truth.norm()).max(u.unwrap_or(0.0) / 3.0);
        let difference = recovered - truth;
        Line {
            point: trial.point,
            offset,
            injected: [truth.re, truth.im],
            recovered: [recovered.re, recovered.im],
            standard_uncertainty: u,
            ratios: stated.map(|([x, y], _)| [difference.re / x, difference.im / y]),
            degrees_of_freedom: stated
                .map(|(_, freedom)| freedom.map(|f| f.is_finite().then_some(f))),
            passed: off <= allowed,
        }
    }

    /// What comes through of tones beside the signal, with less without.
    fn leaks(&self, report: &mut Report, known: &[Bare]) -> Result<(), ChallengeError> {
        let Some((figures, band)) = self
            .figures
            .as_ref()
            .and_then(|f| Some((f, f.noise_bandwidth?)))
        else {
            return Ok(());
        };
        if self.target.flow.clock.is_none() || self.target.shape == Shape::Square {
            return Ok(());
        }
        let mut trials = Vec::new();
        for bare in known {
            let amplitude = self.ladder(&bare.value).into_iter().fold(0.0, f64::max);
            for offset in LEAKS.map(|k| k * band) {
                if offset < 0.25 * figures.rate && self.fits(bare.line, offset) {
                    let tones = [(amplitude.into(), offset, true)];
                    let trial = self.trial(bare.point, &tones, 0.0, amplitude.into());
                    trials.push(((&bare.value, offset), trial));
                }
            }
        }
        let (about, trials): (Vec<_>, Vec<_>) = trials.into_iter().unzip();
        // A tone beside the signal beats with what is averaged, which stages may remark on.
        let remarks = std::mem::take(&mut report.remarks);
        let found = self.run_all(report, &trials)?;
        report.remarks = remarks;
        for (((without, offset), trial), with) in about.into_iter().zip(&trials).zip(found) {
            let Some(with) = with else { continue };
            let part = (with.value.value - without.value).norm() / trial.truth.norm();
            let designed = figures
                .value_at_most(offset)
                .map(|db| libm::exp10(db / 20.0));
            // A twentieth for the mean's zeros filled, and what settling leaves.
            let bound = designed.map(|d| 1.05 * d + report.tolerance);
            report.leaks.push(Leak {
                point: trial.point,
                offset,
                part,
                designed,
                passed: bound.is_none_or(|b| part <= b),
            });
        }
        Ok(())
    }

    /// Beside the signal: nothing, and a known tone in every other case. The signal itself is taken out
    /// first, by adding its negative, since it would widen the scatter that the uncertainty is made of.
    fn neighbours(
        &self,
        report: &mut Report,
        known: &[Bare],
        gains: &[Complex64],
    ) -> Result<(), ChallengeError> {
        let several = self.target.flow.recordings.len() > 1;
        let evaluated = known.iter().any(|b| stated(&b.value).is_some());
        let why = match (self.averaged, &self.target.flow.clock) {
            _ if !evaluated => "the stated uncertainty could not be tested, since there is none",
            // What another recording adds stays where the recipe looks, wherever this one is looked at.
            _ if several => {
                "nothing beside the signal was looked at, since the result combines recordings; challenge the result of one with `--result`"
            }
            (None, _) | (_, None) => {
                "nothing beside the signal was looked at; that needs an average of what was mixed with a reference"
            }
            _ => "",
        };
        let Some(averaged) = self.averaged.filter(|_| why.is_empty()) else {
            report.notes.push(why.into());
            return Ok(());
        };
        let own = self.request.options.follow == Follow::Own;
        let mut trials = Vec::new();
        for (bare, gain) in known.iter().zip(gains) {
            let without = &bare.value;
            // Without noise there is nothing to test; rounding leaves less than this of a signal.
            let u = stated(without).map(|(u, _)| size(u));
            let Some(u) = u.filter(|u| *u > 1e-9 * without.value.norm()) else {
                continue;
            };
            // A recipe that loses most of a tone says little of the signal's true size.
            let gain = if own && gain.norm() > 0.1 {
                *gain
            } else {
                Complex64::ONE
            };
            let signal = -without.value / gain;
            for (k, beside) in BESIDE.iter().enumerate() {
                let offset = beside / averaged;
                if !self.fits(bare.line, offset) {
                    continue;
                }
                let tone = match k % 2 {
                    0 => Complex64::ZERO,
                    _ => Complex64::from_polar(LADDER[0] * u, self.phases()[0]),
                };
                let tones = [(signal, 0.0, true), (tone, offset, true)];
                trials.push((offset, self.trial(bare.point, &tones, offset, tone)));
            }
        }
        let (offsets, trials): (Vec<_>, Vec<_>) = trials.into_iter().unzip();
        let found = self.run_all(report, &trials)?;
        let mut scores = Vec::new();
        for ((offset, trial), found) in offsets.into_iter().zip(&trials).zip(found) {
            let Some(Found { value: found, .. }) = found else {
                continue;
            };
            let mut line = self.line(trial, offset, found.value, &found);
            if let (Some(ratios), Some((_, freedom))) = (line.ratios, stated(&found)) {
                line.passed = inconspicuous(ratios, freedom);
                scores.extend(ratios.iter().zip(freedom).map(|(r, f)| normal_score(*r, f)));
            }
            report.neighbours.push(line);
        }
        if trials.is_empty() {
            report.notes.push("nothing beside the signal was looked at: there is no noise, or no room at half the signal's frequency; longer points have more".into());
        }
        report.chi_square = ChiSquare::of(&scores);
        Ok(())
    }
}
