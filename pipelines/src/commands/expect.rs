//! `phasemill expect`: before a measurement, from a bench and perhaps a recipe: the noise budget, where to
//! modulate, uncertainty against averaging time, the smallest signal that is detected.

use std::path::{Path, PathBuf};

use phasemill_engine::bench::Bench;
use phasemill_engine::expect::{self, Outlook, Planned, Sources};
use phasemill_engine::graph::split;
use phasemill_engine::handbook;
use phasemill_engine::response::ScatterError;
use phasemill_engine::units::{Quantity, Unit};
use serde_json::{Value, json};

use super::check::as_json;
use super::{Texts, complain, counted, named_file, read_text, say, show};
use crate::exit;
use crate::figures::number;
use crate::planning::{self, Answers, Asked, Planning, Question, Record, Refusal};
use crate::plot;

/// Seconds of an average when none are given.
const AVERAGE: f64 = 10.0;

/// Part by which the noise at the frequency of a recipe may exceed that at the recommended one before that is told.
const NOISIER: f64 = 0.1;

/// Arguments of `expect`.
#[derive(clap::Args)]
pub struct Arguments {
    /// The bench (RON): signal, noise and converter
    #[arg(required_unless_present = "settings")]
    bench: Option<PathBuf>,
    /// The recipe (RON) whose averages are planned
    recipe: Option<PathBuf>,
    /// A recording to take rates and lengths from; only its header is read
    recording: Option<PathBuf>,
    /// The wiring (RON) of the recording
    #[arg(long, value_name = "FILE")]
    wiring: Option<PathBuf>,
    /// A further recording that the recipe names
    #[arg(long, value_name = "NAME=FILE", value_parser = named_file)]
    with: Vec<(String, PathBuf)>,
    /// Modulation frequencies to look at, such as 17Hz,173Hz; every reference of the recipe is taken to run at them
    #[arg(long, value_name = "FREQUENCY", value_delimiter = ',', value_parser = in_hertz)]
    at: Vec<f64>,
    /// The time there is for a point, such as "10 s": what can be detected in it
    #[arg(long, value_parser = in_seconds)]
    time: Option<f64>,
    /// The standard uncertainty that is wanted: in the unit of a kept result, as "1 pA", "0.5 %" of the signal, or "0.1 deg"
    #[arg(long, value_parser = quantity)]
    uncertainty: Option<Quantity>,
    /// Draw densities and uncertainties (SVG)
    #[arg(long, value_name = "FILE")]
    plot: Option<PathBuf>,
    /// Print everything as JSON; keys in `_unit` are in the unit of the recording
    #[arg(long)]
    json: bool,
    /// Print what may stand in a bench
    #[arg(long, exclusive = true)]
    settings: bool,
}

fn quantity(text: &str) -> Result<Quantity, String> {
    Quantity::parse(text).map_err(|e| e.to_string())
}

fn positive(text: &str, unit: &Unit, example: &str) -> Result<f64, String> {
    let found = quantity(text)?;
    if !found.unit.same_dimension(unit) || found.is_level() {
        let unit = unit.ascii();
        return Err(format!(
            "expected a value with a unit such as {unit}, as in {example}, found `{text}`"
        ));
    }
    (found.value > 0.0)
        .then_some(found.value)
        .ok_or_else(|| format!("expected a value above zero, as in {example}, found `{text}`"))
}

fn in_hertz(text: &str) -> Result<f64, String> {
    positive(text, &Unit::hertz(), "173Hz")
}

fn in_seconds(text: &str) -> Result<f64, String> {
    positive(text, &Unit::second(), "\"10 s\"")
}

/// Runs the command.
pub fn run(arguments: &Arguments) -> u8 {
    if arguments.settings {
        say(handbook::listing(&phasemill_engine::bench::settings()).trim_end());
        return exit::DONE;
    }
    match plan(arguments) {
        Ok(()) => exit::DONE,
        Err(refusal) if arguments.json => {
            let (errors, diagnostics) = match &refusal {
                Refusal::Message(message) => (vec![bare(message)], Vec::new()),
                Refusal::Found(found) => {
                    (Vec::new(), found.iter().map(|d| as_json(d, None)).collect())
                }
            };
            let all = json!({"accepted": false, "errors": errors, "diagnostics": diagnostics});
            say(format!("{all:#}"));
            exit::REJECTED
        }
        Err(Refusal::Message(message)) => {
            complain(message);
            exit::REJECTED
        }
        Err(Refusal::Found(found)) => {
            show(&found);
            complain(format!("rejected: {}", counted(&found)));
            exit::REJECTED
        }
    }
}

fn bare(message: &str) -> &str {
    message.strip_prefix("error: ").unwrap_or(message)
}

fn plan(arguments: &Arguments) -> Result<(), Refusal> {
    if let Some(file) = &arguments.plot {
        plot::place(file)?;
    }
    let path = arguments.bench.as_deref().unwrap_or(Path::new(""));
    let text = read_text(path, "bench")?;
    let (bench, found) = Bench::parse(&path.display().to_string(), &text);
    let bench = bench.ok_or(Refusal::Found(found))?;
    let recipe = match &arguments.recipe {
        Some(path) => {
            let texts = Texts {
                recipe: path.clone(),
                wiring: arguments.wiring.clone(),
                date: None,
            };
            let record = Record {
                recording: arguments.recording.as_deref(),
                with: &arguments.with,
            };
            Some(Planning::read(&texts, &record, &bench)?)
        }
        None => None,
    };
    let rate = recipe.as_ref().and_then(Planning::rate);
    let rate = rate.unwrap_or(bench.converter.rate);
    let question = Question {
        uncertainty: arguments.uncertainty.clone().map(Asked),
        time: arguments.time,
    };
    if let Some(asked) = &question.uncertainty {
        asked.check(&bench)?;
    }
    let planned = Plan::new(&bench, rate, arguments)?;
    let (outlooks, mut remarks) = match &recipe {
        Some(recipe) => planned.outlooks(recipe, &bench, arguments)?,
        None => (Vec::new(), Vec::new()),
    };
    if rate != bench.converter.rate {
        remarks.push(format!(
            "the recording has {} samples/s, the bench states {}: the recording's are used",
            number(rate),
            number(bench.converter.rate)
        ));
    }
    if recipe.is_none() && question.uncertainty.is_some() {
        remarks.push(
            "`--uncertainty` is for the averages of a recipe: name one behind the bench".into(),
        );
    }
    let answers: Vec<Answers<'_>> = outlooks
        .iter()
        .map(|outlook| Answers::new(&bench, outlook, &question))
        .collect();
    if let Some(asked) = &question.uncertainty
        && !answers.is_empty()
        && !answers.iter().any(Answers::says_what_is_needed)
    {
        return Err(asked.unfit(&bench, &outlooks).into());
    }
    if let Some(file) = &arguments.plot {
        let mut panels = vec![planned.chart(&bench).draw()];
        panels.extend(answers.iter().map(|a| a.chart().draw()));
        plot::write(file, &plot::document(&panels))?;
    }
    match arguments.json {
        true => say(format!("{:#}", planned.json(&bench, &answers, &remarks))),
        false => {
            say(format!("{}: {}", path.display(), bench.title));
            planned.print(&bench, &answers, &remarks);
        }
    }
    Ok(())
}

/// The budget of a bench, and what is advised.
struct Plan {
    rate: f64,
    time: f64,
    sources: Sources,
    budgets: Vec<expect::Budget>,
    advice: expect::Advice,
    cautions: Vec<String>,
}

impl Plan {
    fn new(bench: &Bench, rate: f64, arguments: &Arguments) -> Result<Self, String> {
        let frequencies = match arguments.at.is_empty() {
            true => expect::candidates(bench, rate),
            false => arguments.at.clone(),
        };
        if let Some(f) = frequencies.iter().find(|f| **f >= 0.5 * rate) {
            return Err(format!(
                "error: expected frequencies below half the sample rate, {} Hz, found {} Hz; choose a lower one, or record faster",
                number(0.5 * rate),
                number(*f)
            ));
        }
        let time = arguments.time.unwrap_or(AVERAGE);
        let sources = Sources::of(bench, rate);
        let one = |f: &f64| expect::budget(bench, &sources, rate, *f, time);
        let budgets: Vec<expect::Budget> = frequencies.iter().map(one).collect();
        Ok(Plan {
            advice: expect::advise(&budgets, &sources, rate, time),
            cautions: expect::cautions(bench, &sources, rate, time),
            rate,
            time,
            budgets,
            sources,
        })
    }

    /// The outlook of the recipe's averages at each frequency that is asked for, at its own where none is,
    /// and where it has none, at the one advised; with remarks.
    fn outlooks(
        &self,
        planning: &Planning,
        bench: &Bench,
        arguments: &Arguments,
    ) -> Result<(Vec<Outlook>, Vec<String>), Refusal> {
        let planned = Planned {
            sources: &self.sources,
            signal: bench.signal,
            unit: &bench.unit,
            recorded: planning.recorded,
        };
        let at = |reference: Option<f64>| -> Result<_, Refusal> {
            let typed = planning.check(reference)?;
            Ok(expect::averages(&planning.recipe, &typed, &planned))
        };
        let mut remarks = Vec::new();
        let (mut told, mut untold) = (Vec::new(), Vec::new());
        if arguments.at.is_empty() {
            (told, untold) = at(None)?;
            let unknown = untold.iter().any(|u| u.why == ScatterError::NoFrequency);
            if let (true, Some(f)) = (unknown, self.advice.frequency_hz) {
                remarks.push(format!(
                    "the recipe does not state the frequency of its reference: told for the recommended {} Hz; give another with `--at`",
                    number(f)
                ));
                (told, untold) = at(Some(f))?;
            }
        }
        for f in &arguments.at {
            let (more, without) = at(Some(*f))?;
            told.extend(more);
            untold.extend(without);
        }
        remarks.extend(told.iter().filter_map(|o| self.better_elsewhere(o)));
        let untold_ones = untold.iter();
        remarks.extend(untold_ones.map(|u| format!("`{}` is not told: {}", u.average, u.why)));
        let mut mixed: Vec<String> = Vec::new();
        for name in told.iter().flat_map(|o| &o.mixed) {
            let stage = format!("`{}`", split(name).0);
            if !mixed.contains(&stage) {
                mixed.push(stage);
            }
        }
        if !mixed.is_empty() {
            remarks.push(format!(
                "not told in the unit of the result, since averages with different chains are behind it: {}",
                mixed.join(", ")
            ));
        }
        if told.is_empty() && untold.is_empty() {
            let path = planning.recipe.source.name.clone();
            return Err(Refusal::Message(format!(
                "error: expected a recipe with a kept result behind `Mix` and `Average`, found none in {path}"
            )));
        }
        Ok((told, remarks))
    }

    /// What to say of an outlook at a frequency with more noise than at the recommended one.
    fn better_elsewhere(&self, outlook: &Outlook) -> Option<String> {
        let recommended = self.advice.frequency_hz?;
        let times = self.sources.density(outlook.frequency) / self.sources.density(recommended);
        let times = times.sqrt();
        (times > 1.0 + NOISIER).then(|| {
            format!(
                "at {} Hz the noise is {} times that at {} Hz, which is recommended",
                number(outlook.frequency),
                number(times),
                number(recommended)
            )
        })
    }

    fn chart(&self, bench: &Bench) -> crate::chart::Chart {
        planning::chart(bench, &self.sources, self.rate, &self.budgets, &self.advice)
    }

    fn print(&self, bench: &Bench, answers: &[Answers<'_>], remarks: &[String]) {
        say(format!("  {}\n", planning::heading(bench, self.rate)));
        say(planning::budgets(bench, &self.budgets, self.time).trim_end());
        say(format!("{}\n", planning::BUDGET));
        say(planning::advice(&self.advice));
        for answer in answers {
            say(format!("  {}", answer.heading()));
            say(answer.text().trim_end());
            let own = answer.remarks();
            own.iter().for_each(|r| say(format!("    note: {r}")));
            say("");
        }
        if !answers.is_empty() {
            say(planning::LEGEND);
        }
        remarks.iter().for_each(|r| say(format!("  note: {r}")));
        self.cautions
            .iter()
            .for_each(|c| say(format!("  caution: {c}")));
    }

    fn json(&self, bench: &Bench, answers: &[Answers<'_>], remarks: &[String]) -> Value {
        json!({
            "accepted": true,
            "errors": [],
            "diagnostics": [],
            "title": bench.title,
            "unit": bench.unit.to_coherent().ascii(),
            "rate_hz": self.rate,
            "signal_peak_unit": bench.signal,
            "offset_unit": bench.offset,
            "step_unit": bench.converter.step(),
            "averaging_time_s": self.time,
            "budgets": self.budgets,
            "advice": self.advice,
            "averages": answers.iter().map(Answers::json).collect::<Vec<_>>(),
            "remarks": remarks,
            "cautions": self.cautions,
        })
    }
}
