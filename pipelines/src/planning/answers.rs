//! What a recipe may expect of a bench: a table against averaging time, and the answers to what is asked.

use phasemill_engine::bench::Bench;
use phasemill_engine::expect::{DECADES, Expected, Outlook};
use phasemill_engine::graph::split;
use serde_json::{Value, json};

use super::kept::{self, Asked, Needed};
use super::{percent, seconds, spaced, table, volts};
use crate::chart::{Chart, Curve};
use crate::figures::number;

/// What is asked of the averages of a recipe.
#[derive(Clone, Debug, Default)]
pub struct Question {
    /// Standard uncertainty that is wanted.
    pub uncertainty: Option<Asked>,
    /// Seconds that there are, settling included.
    pub time: Option<f64>,
}

/// The answers about one chain.
pub struct Answers<'o> {
    bench: &'o Bench,
    outlook: &'o Outlook,
    /// At the decades, and at the length of the point.
    rows: Vec<Expected>,
    /// In the time that there is; `None` inside where it is no longer than the settling.
    in_time: Option<Option<Expected>>,
    /// For the uncertainty that is wanted: the shortest average.
    needed: Vec<Needed<'o>>,
    /// The shortest average that detects the signal.
    detects: Option<Option<f64>>,
}

impl<'o> Answers<'o> {
    /// Works them out.
    pub fn new(bench: &'o Bench, outlook: &'o Outlook, question: &Question) -> Self {
        let mut times: Vec<f64> = DECADES.into();
        times.extend(outlook.point);
        times.sort_by(f64::total_cmp);
        let mut rows: Vec<Expected> = times.iter().map(|t| outlook.expected(*t)).collect();
        rows.dedup_by(|a, b| a.averaging_time_s == b.averaging_time_s);
        let left = |time: f64| Some(time - outlook.settling).filter(|left| *left > 0.0);
        Answers {
            bench,
            outlook,
            rows,
            in_time: question.time.map(|t| left(t).map(|t| outlook.expected(t))),
            needed: question
                .uncertainty
                .as_ref()
                .map_or_else(Vec::new, |asked| asked.needs(bench, outlook)),
            detects: bench.signal.map(|s| outlook.time_to_detect(s)),
        }
    }

    /// Whether they tell what the uncertainty that is asked for needs.
    pub fn says_what_is_needed(&self) -> bool {
        !self.needed.is_empty()
    }

    /// What the answers are about.
    pub fn heading(&self) -> String {
        let names: Vec<String> = self
            .outlook
            .averages
            .iter()
            .map(|n| format!("`{n}`"))
            .collect();
        // Where the averages themselves are kept, their names say it. Several outputs of a stage are said once.
        let mut others: Vec<&str> = Vec::new();
        for result in &self.outlook.results {
            let (stage, _) = split(result);
            let said = others.contains(&stage) || self.outlook.averages.contains(result);
            if !said {
                others.push(stage);
            }
        }
        let kept = match others.is_empty() {
            true => String::new(),
            false => format!(" for {}", others.join(", ")),
        };
        format!(
            "{}{kept}: line at {} Hz, settled to 0.01 % after {}",
            names.join(", "),
            number(self.outlook.frequency),
            seconds(self.outlook.settling)
        )
    }

    /// The answers for a terminal.
    pub fn text(&self) -> String {
        let mut heading: Vec<String> = [
            "averaged",
            "with settling",
            "noise bandwidth",
            "u",
            "threshold",
            "smallest",
            "in phase",
        ]
        .map(str::to_owned)
        .into();
        if self.bench.signal.is_some() {
            heading.extend(["u/signal".into(), "u(phase)".into()]);
        }
        let mut rows = vec![heading];
        rows.extend(self.rows.iter().map(|e| self.row(e)));
        let mut text = table(&rows);
        text += &kept::text(self.bench, self.outlook, &self.rows);
        for needed in &self.needed {
            let told = needed.text(self.bench, self.outlook.settling);
            text += &format!("    {told}\n");
        }
        match &self.in_time {
            Some(Some(e)) => {
                text += &format!(
                    "    in {}: uncertainty {} as recorded{}; detected from {} on, or {} in phase where the phase is known\n",
                    seconds(e.total_time_s),
                    volts(self.bench, e.standard_uncertainty_unit),
                    kept::at_once(self.bench, self.outlook, e.standard_uncertainty_unit),
                    volts(self.bench, e.smallest_amplitude_unit),
                    volts(self.bench, e.smallest_in_phase_unit)
                );
            }
            Some(None) => text += "    the time that there is is no longer than the settling\n",
            None => {}
        }
        match self.detects {
            Some(Some(t)) => {
                text += &format!(
                    "    the signal is detected by an average of {} or more\n",
                    seconds(t)
                );
            }
            Some(None) => text += "    a year is not enough to detect the signal\n",
            None => {}
        }
        text + &self.shares()
    }

    fn row(&self, e: &Expected) -> Vec<String> {
        let show = |x: f64| volts(self.bench, x);
        let point = self
            .outlook
            .point
            .is_some_and(|t| self.outlook.expected(t).averaging_time_s == e.averaging_time_s);
        let mut row = vec![
            format!(
                "{}{}",
                seconds(e.averaging_time_s),
                if point { ", the point" } else { "" }
            ),
            seconds(e.total_time_s),
            number(e.noise_bandwidth_hz) + " Hz",
            show(e.standard_uncertainty_unit),
            show(e.threshold_unit),
            show(e.smallest_amplitude_unit),
            show(e.smallest_in_phase_unit),
        ];
        if let Some(relative) = e.relative {
            row.push(number(100.0 * relative) + " %");
            row.push(match e.phase_deg {
                Some(phase) => number(phase) + " deg",
                None => "not determined".into(),
            });
        }
        row
    }

    /// What the sources make of the variance: in the time that there is, or else of the point, or of a long
    /// average.
    fn shares(&self) -> String {
        let point = self.outlook.point.map(|t| self.outlook.expected(t));
        let there = self.in_time.clone().flatten().or(point);
        let Some(e) = there.as_ref().or(self.rows.last()) else {
            return String::new();
        };
        let total = e.standard_uncertainty_unit * e.standard_uncertainty_unit;
        let sources = self.outlook.sources();
        let noise = sources.names.iter().cloned().zip(&e.noise_unit);
        let tones = sources.tones.iter().map(|t| format!("{}, at most", t.name));
        let mut all: Vec<(String, f64)> = noise
            .chain(tones.zip(&e.lines_at_most_unit))
            .map(|(name, u)| (name, u * u / total))
            .collect();
        all.sort_by(|a, b| b.1.total_cmp(&a.1));
        let list: Vec<String> = all
            .iter()
            .map(|(name, share)| format!("{name} {}", percent(*share)))
            .collect();
        match total > 0.0 {
            true => format!(
                "    of the variance of {}: {}\n",
                seconds(e.averaging_time_s),
                list.join("; ")
            ),
            false => String::new(),
        }
    }

    /// Sentences about what the numbers leave out.
    pub fn remarks(&self) -> Vec<String> {
        let mut all = Vec::new();
        if self.outlook.averages.len() > 1 && self.outlook.foreseen.is_empty() {
            all.push(
                "uncertainties are those of one average; in a difference of n alike they add as squares, to sqrt(n) times"
                    .into(),
            );
        }
        let kept = |name: &String| self.outlook.averages.contains(name);
        if self.outlook.foreseen.is_empty() && !self.outlook.results.iter().all(kept) {
            all.push("kept results that are made of averages of several chains, or of all points together, are not told in their own unit".into());
        }
        if self.outlook.switched {
            all.push("the product takes signs and lets the noise around odd harmonics in; told for a signal that is a sine; for the height of a square the relative uncertainty is 8/pi^2 of that".into());
        }
        all
    }

    /// The answers for another program.
    pub fn json(&self) -> Value {
        let sources = self.outlook.sources();
        let lines: Vec<&str> = sources.tones.iter().map(|t| t.name.as_str()).collect();
        json!({
            "averages": self.outlook.averages,
            "results": self.outlook.results,
            "frequency_hz": self.outlook.frequency,
            "settling_s": self.outlook.settling,
            "point_s": self.outlook.point,
            "switched": self.outlook.switched,
            "noise": sources.names,
            "lines": lines,
            "expected": self.rows,
            "kept": kept::json(self.outlook, &self.rows),
            "wanted": self.needed.iter().map(|n| n.json(self.bench, self.outlook.settling)).next(),
            "in_time": self.in_time.as_ref().map(|e| json!(e)),
            "detects_signal_after_s": self.detects.flatten(),
            "remarks": self.remarks(),
        })
    }

    /// Uncertainty and limits against averaging time.
    pub fn chart(&self) -> Chart {
        let first = (1.0 / self.outlook.rate()).max(DECADES[0] * 0.1);
        let last = DECADES[DECADES.len() - 1];
        let all: Vec<Expected> = spaced(first, last.max(10.0 * first))
            .map(|t| self.outlook.expected(t))
            .collect();
        let curve = |name: &str, value: fn(&Expected) -> f64| Curve {
            name: name.into(),
            points: all.iter().map(|e| (e.averaging_time_s, value(e))).collect(),
        };
        let mut curves = vec![
            curve("standard uncertainty", |e| e.standard_uncertainty_unit),
            curve("smallest amplitude detected", |e| e.smallest_amplitude_unit),
            curve("threshold", |e| e.threshold_unit),
        ];
        if let Some(signal) = self.bench.signal {
            curves.push(Curve {
                name: "signal".into(),
                points: all.iter().map(|e| (e.averaging_time_s, signal)).collect(),
            });
        }
        Chart {
            title: format!(
                "{}: line at {} Hz",
                self.outlook.averages.join(", "),
                number(self.outlook.frequency)
            ),
            across: "averaging time in s".into(),
            up: format!("in {}", self.bench.unit.to_coherent()),
            dots: self
                .rows
                .iter()
                .map(|e| (e.averaging_time_s, e.standard_uncertainty_unit))
                .collect(),
            marks: self
                .outlook
                .point
                .map(|t| (t, "the point".into()))
                .into_iter()
                .collect(),
            curves,
        }
    }
}
