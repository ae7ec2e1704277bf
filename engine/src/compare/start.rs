//! The step response as the data show it: how samples come up at the start of points.

use super::expand::ExpandedChain;
use super::judge::find;
use super::report::{Start, StartTime};
use crate::response::Element;
use crate::run::{Job, Outcome};
use crate::value::{Table, Value};

/// Parts of a step whose times are compared.
const PARTS: [f64; 3] = [0.37, 0.1, 0.01];

/// Standard deviations of the noise that have to fit in a part for its time to be seen: of the few hundred values
/// of a curve, one exceeds so many by chance in less than one of fifty cases.
const CLEAR: f64 = 4.0;

/// What is seen of the chain; `None` where the recipe has no samples to be looked at.
pub(super) fn of(job: &Job<'_>, outcome: &Outcome, chain: &ExpandedChain) -> Option<Start> {
    let found = find(job, outcome, chain.start.as_ref()?)?;
    let reads = job.typed.reads[found.kept.node].first();
    let flow = reads.and_then(|&(node, port)| job.typed.flow(node, port))?;
    let tables: Vec<&Table> = found
        .values
        .iter()
        .flatten()
        .filter_map(|v| match v {
            Value::Table(table) => Some(table),
            Value::Estimate(_) => None,
        })
        .collect();
    let mut start = joined(&tables);
    let predicted = |part: f64| flow.response.settling_time(part).filter(|t| *t > 0.0);
    start.tell(predicted);
    let mut elements = flow.response.elements.iter();
    if !start.not_seen.is_empty() && elements.any(|e| matches!(e, Element::Periods { .. })) {
        start.not_seen = "a mean over whole periods gives nothing until it is full".into();
    }
    Some(start)
}

/// The mean of the curves of all points, weighted by their noise: signals of any size are 1 when they have
/// settled, and count by the inverse of their variance.
fn joined(tables: &[&Table]) -> Start {
    let longest = tables.iter().max_by_key(|t| t.x.len());
    let time = longest.map_or_else(Vec::new, |t| t.x.clone());
    let mut sums = vec![(0.0, 0.0); time.len()];
    let mut total = 0.0;
    for table in tables.iter().filter(|t| t.x.len() == time.len()) {
        let Some(u) = &table.u else { continue };
        let known = u.iter().copied().find(|u| u.is_finite() && *u > 0.0);
        let Some(weight) = known.map(|u| 1.0 / (u * u)) else {
            continue;
        };
        total += weight;
        for (sum, y) in sums.iter_mut().zip(&table.y).filter(|(_, y)| y.is_finite()) {
            *sum = (sum.0 + weight, sum.1 + weight * y);
        }
    }
    Start {
        time,
        seen: sums
            .iter()
            .map(|(w, s)| (*w > 0.0).then(|| s / w))
            .collect(),
        noise: (total > 0.0).then(|| 1.0 / f64::sqrt(total)),
        ..Start::default()
    }
}

impl Start {
    /// Compares the times to parts of the step.
    fn tell(&mut self, predicted: impl Fn(f64) -> Option<f64>) {
        let noise = self.noise.unwrap_or(f64::INFINITY);
        let first = self.seen.iter().position(Option::is_some);
        let late = first.is_none_or(|f| f > 0);
        for part in PARTS {
            let clear = !late && CLEAR * noise <= part;
            let range = self
                .last_beyond(part + noise)
                .zip(self.last_beyond(part - noise));
            self.times.push(StartTime {
                part,
                predicted: predicted(part),
                seen: self.last_beyond(part).filter(|_| clear),
                range: range.filter(|_| clear),
            });
        }
        let none = self.times.iter().all(|t| t.seen.is_none());
        if none {
            self.not_seen = match (self.noise, late, predicted(0.01)) {
                (_, _, None) => "there is no filter behind the mixing whose answer is known".into(),
                (None, ..) => {
                    "no point is long enough to tell the settled value from its noise".into()
                }
                (_, true, _) => "the first samples of the points are missing".into(),
                (Some(noise), ..) => format!(
                    "the signal is too small against the noise: {:.2} of the settled value in the mean over points",
                    noise
                ),
            };
        }
    }

    /// The time after which the curve stays within a part of 1, joined by straight lines.
    fn last_beyond(&self, part: f64) -> Option<f64> {
        let off = |k: usize| self.seen.get(k).copied().flatten().map(|y| (y - 1.0).abs());
        let last = (0..self.seen.len())
            .rev()
            .find(|k| off(*k).is_some_and(|d| d > part));
        let Some(last) = last else {
            return self.time.first().copied();
        };
        // A curve that does not come within is not seen to settle.
        let (now, next) = (off(last)?, off(last + 1)?);
        let (from, to) = (self.time[last], self.time[last + 1]);
        Some(from + (to - from) * (now - part) / (now - next))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One pole of 1 s that is looked at every 0.05 s: 1 - exp(-t), which is within a part f after ln(1/f).
    fn pole(noise: f64) -> Table {
        let x: Vec<f64> = (0..200).map(|k| 0.05 * f64::from(k)).collect();
        Table {
            y: x.iter().map(|t| 1.0 - libm::exp(-t)).collect(),
            u: Some(vec![noise; 200]),
            x,
        }
    }

    #[test]
    fn the_time_of_a_pole_is_seen_where_the_noise_lets_it() {
        let exact = |part: f64| Some(libm::log(1.0 / part));
        let (fine, coarse) = (pole(0.001), pole(1.0));
        let mut start = joined(&[&fine, &coarse]);
        start.tell(exact);
        for time in &start.times {
            let (seen, range) = (time.seen.expect("seen"), time.range.expect("a range"));
            // A chord of exp(-t) over h = 0.05 lies above it by at most h²/8 of it, so late by as much in t.
            let late = 0.05 * 0.05 / 8.0 * 1.1;
            let predicted = time.predicted.expect("known");
            assert!((0.0..late).contains(&(seen - predicted)), "{time:?}");
            assert!(range.0 < predicted && predicted < range.1, "{time:?}");
        }
        let mut start = joined(&[&coarse]);
        start.tell(exact);
        assert!(start.times.iter().all(|t| t.seen.is_none()));
        assert!(
            start.not_seen.contains("too small against the noise"),
            "{}",
            start.not_seen
        );
    }

    #[test]
    fn ten_thousand_noisy_points_tell_what_one_does_not() {
        let table = pole(0.1);
        let start = joined(&vec![&table; 10_000]);
        let noise = start.noise.expect("noise");
        // A sum of 10^4 equal weights, each rounded once.
        assert!((noise - 0.001).abs() < 1e-3 * 1e4 * f64::EPSILON, "{noise}");
    }
}
