//! Intervals by drawing, where they are asked for or first order fails.

use super::{Curved, Draws, Finding, Job, MOST_NUMBERS, Monitor, Outcome, TRIALS};
use crate::value::Value;

impl Job<'_> {
    /// Draws where that is asked for or needed, and says so.
    pub(super) fn draw(&self, outcome: &mut Outcome, draws: Option<Draws>, monitor: &Monitor) {
        let series = self.series_trials(outcome);
        let Some(curved) = self.curved(outcome, &series, monitor) else {
            outcome.interrupted = true;
            return;
        };
        outcome.curved = curved;
        if draws.is_none() && outcome.curved.is_empty() {
            return;
        }
        let draws = draws.unwrap_or(Draws {
            trials: TRIALS,
            seed: 0,
        });
        outcome.simulation = self.simulate(outcome, &series, draws, monitor);
        if monitor.goes_on().is_none() {
            outcome.interrupted = true;
            return;
        }
        let trials = draws.trials;
        let drawn = outcome.simulation.iter().flat_map(|s| &s.results);
        for drawn in drawn {
            let here = |c: &&Curved| (c.node, c.port) == (drawn.node, drawn.port);
            let Some(curved) = outcome.curved.iter().find(here) else {
                continue;
            };
            let values = &mut outcome.values[drawn.node][drawn.port];
            for (point, (value, numbers)) in values.iter_mut().zip(&drawn.points).enumerate() {
                if let (Some(Value::Estimate(estimate)), Some(numbers), true) =
                    (value, numbers, curved.at(point))
                {
                    let intervals = numbers.aspects.iter().map(|(_, interval)| *interval);
                    estimate.drawn = Some(intervals.collect());
                }
            }
        }
        let remarks = outcome.curved.iter().map(|curved| {
            let at = (0..curved.by.len()).filter(|p| curved.at(*p)).count();
            let worst = curved.by.iter().fold(0.0f64, |a, b| a.max(*b));
            let from = match &outcome.simulation {
                Some(_) => format!("the 95 % intervals there come from {trials} trials (JCGM 101:2008)"),
                None => format!(
                    "{trials} trials would keep more than {MOST_NUMBERS} numbers, so its uncertainty there is \
                     first order and not to be trusted; keep fewer results, or run fewer points at a time"
                ),
            };
            let kept = self.typed.results.iter();
            let mut kept = kept.filter(|k| (k.node, k.port) == (curved.node, curved.port));
            let of = kept.next().map_or("", |kept| kept.name.as_str());
            let worst = match worst < 10.0 {
                true => format!("{:.0} % of", 100.0 * worst),
                false => format!("{worst:.0} times"),
            };
            let message = format!(
                "first-order propagation fails at {at} of {} points of {of}: opposite changes of what is uncertain fail \
                 to cancel by up to {worst} the uncertainty; {from}",
                curved.by.len(),
            );
            Finding {
                recording: String::new(),
                point: None,
                node: self.plan.names[curved.node].clone(),
                message,
            }
        });
        let remarks: Vec<Finding> = remarks.collect();
        outcome.remarks.extend(remarks);
        if outcome.simulation.is_none() && outcome.curved.is_empty() {
            outcome.remarks.push(Finding {
                recording: String::new(),
                point: None,
                node: String::new(),
                message: format!(
                    "nothing was drawn: {trials} trials would keep more than {MOST_NUMBERS} numbers; ask for fewer \
                     trials, or keep fewer results"
                ),
            });
        }
    }
}
