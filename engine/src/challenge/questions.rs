//! What a challenge asks: tones at the signal's frequency, beside it, and what is seen where nothing is.

use num_complex::Complex64;

use super::ChallengeError;
use super::graft::Follow;
use super::report::{Leak, Line, Report, inconspicuous};
use super::scores::{ChiSquare, normal_score};
use super::target::Shape;
use super::trials::{Bare, Challenge, Found, Trial};
use crate::value::Estimate;

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

    /// Tones at the signal's frequency, with less without. Gives the gain at each point.
    pub(super) fn tones(
        &self,
        report: &mut Report,
        known: &[Bare],
    ) -> Result<Vec<Complex64>, ChallengeError> {
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
    pub(super) fn runs(&self) -> usize {
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
    pub(super) fn leaks(&self, report: &mut Report, known: &[Bare]) -> Result<(), ChallengeError> {
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
                .chain
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

    /// Beside the signal: nothing, and a known tone in every other case, but for points at which tones are lost already
    /// at the signal: beside it they would say the same again, and nothing of the uncertainty. The signal itself is
    /// taken out first, by adding its negative, since it would widen the scatter that the uncertainty is made of.
    pub(super) fn neighbours(
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
            let lost = report
                .tones
                .iter()
                .any(|l| l.point == bare.point && !l.passed);
            for (k, beside) in BESIDE.iter().enumerate() {
                let offset = beside / averaged;
                if !self.fits(bare.line, offset) {
                    continue;
                }
                let tone = match k % 2 {
                    1 if !lost => Complex64::from_polar(LADDER[0] * u, self.phases()[0]),
                    _ => Complex64::ZERO,
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
