//! What the recordings alone can show: the raw samples of a few points, and the recipe run again on them with the
//! demodulated samples kept.

use std::ops::ControlFlow;
use std::path::PathBuf;

use super::closing::place;
use super::plot::{Axis, Plot, Series, Thinner};
use super::{Block, Notice, Subject, counted, slug};
use crate::diagnostic::Diagnostics;
use crate::lineage::{Node, Record};
use crate::look;
use crate::recipe::Recipe;
use crate::recordings::RecordingSet;
use crate::results;
use crate::run::{Job, Monitor, on_threads};
use crate::session::open_sets;
use crate::stage::Registry;
use crate::store::{Counters, ResultReader, ResultWriter, StoreError};
use crate::text;
use crate::units::{Unit, format_quantity};
use crate::verify::{Found, Options, find};

/// Most points that are shown.
const MOST_POINTS: usize = 4;
/// Values that the traces of a page may have together.
const MOST_TRACED: usize = 3 << 19;
/// Most values of one trace.
const LONGEST: usize = 1 << 20;
/// Samples read at a time.
const BLOCK: u64 = 1 << 18;

/// A point that is shown, and why.
#[derive(Clone, Debug, PartialEq)]
pub struct Wanted {
    /// The point.
    pub point: u64,
    /// Why, in words.
    pub why: String,
}

/// The points that matter: the one with most warnings, the largest, the smallest, and one that failed.
pub fn wanted(subject: &Subject<'_>) -> Vec<Wanted> {
    let points = subject
        .entry
        .outputs
        .iter()
        .map(|o| o.points)
        .max()
        .unwrap_or(1);
    let mut all: Vec<Wanted> = Vec::new();
    let mut add = |point: Option<u64>, why: &str| {
        let Some(point) = point.filter(|p| *p < points) else {
            return;
        };
        match all.iter_mut().find(|w| w.point == point) {
            Some(known) => known.why += &format!(", {why}"),
            None => all.push(Wanted {
                point,
                why: why.into(),
            }),
        }
    };
    if points == 1 {
        add(Some(0), "the only point");
        return all;
    }
    let of = |kind: Notice| subject.troubles.iter().filter(move |t| t.kind == kind);
    if let Some(size) = subject.main().and_then(|c| c.size()) {
        let there = || {
            size.values
                .iter()
                .enumerate()
                .filter(|(_, x)| x.is_finite())
        };
        let largest = there().max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()));
        let smallest = there().min_by(|a, b| a.1.abs().total_cmp(&b.1.abs()));
        add(largest.map(|(p, _)| p as u64), "the largest");
        add(smallest.map(|(p, _)| p as u64), "the smallest");
    }
    let warned = |point: u64| {
        of(Notice::Warning)
            .filter(|t| t.point == Some(point))
            .count()
    };
    let failed = |point: u64| of(Notice::Failed).any(|t| t.point == Some(point));
    let most = (0..points)
        .filter(|p| warned(*p) > 0 && !failed(*p))
        .max_by_key(|p| (warned(*p), std::cmp::Reverse(*p)));
    add(most, "most warnings");
    add(of(Notice::Failed).filter_map(|t| t.point).min(), "failed");
    if all.is_empty() {
        all.push(Wanted {
            point: 0,
            why: "the first".into(),
        });
    }
    all.truncate(MOST_POINTS);
    all
}

/// Where the recordings behind an entry are.
pub struct Recordings {
    found: Found,
}

impl Recordings {
    /// Looks for them as `verify` does: where they were, beside the result file, and in the given folders by the hash of
    /// their samples.
    ///
    /// # Errors
    /// What is not there, a line each.
    pub fn find(
        subject: &Subject<'_>,
        registry: &Registry,
        folders: &[PathBuf],
        threads: usize,
    ) -> Result<Self, Vec<String>> {
        let texts = subject.texts.as_ref().map_err(|why| vec![why.clone()])?;
        let options = Options {
            registry,
            folders,
            quick: true,
            threads,
        };
        let found = find(&subject.saved.record, subject.entry, texts, &options);
        let mut missing: Vec<String> = found.missing.iter().map(|p| p.message.clone()).collect();
        missing.dedup();
        match missing.is_empty() {
            true => Ok(Recordings { found }),
            false => Err(missing),
        }
    }

    /// The file that a point of the main recording is in, and which point of the file it is.
    pub fn file_of(&self, subject: &Subject<'_>, point: u64) -> Option<(PathBuf, u64)> {
        let (recorded, within) = subject.entry.file_of("", point)?;
        let main = subject
            .entry
            .recordings
            .iter()
            .find(|r| r.name.is_empty())?;
        let index = main.files.iter().position(|f| f == recorded)?;
        Some((self.found.main().get(index)?.clone(), within))
    }
}

/// Samples of one flow at one point.
pub struct Trace {
    /// Name of the flow.
    pub name: String,
    /// The unit of the values.
    pub unit: Unit,
    /// Samples per second.
    pub rate: f64,
    /// The values in SI units, thinned where they are many; of a phasor, both parts.
    pub parts: Vec<Series>,
}

/// What is shown of one point.
pub struct PointTraces {
    /// The point.
    pub wanted: Wanted,
    /// The channels as they were recorded.
    pub raw: Vec<Trace>,
    /// What is averaged: the last samples of the chain.
    pub behind: Vec<Trace>,
    /// What is known of the references: name and number.
    pub quality: Vec<(String, String)>,
    /// What went wrong, and how much it matters.
    pub troubles: Vec<(Notice, String)>,
}

/// Computes the points again.
///
/// # Errors
/// Why nothing can be shown.
pub fn traces(
    subject: &Subject<'_>,
    recordings: &Recordings,
    wanted: &[Wanted],
    registry: &Registry,
    threads: usize,
    monitor: &Monitor,
) -> Result<Vec<PointTraces>, String> {
    let names = Names::of(subject);
    let recipe = names.recipe(subject, registry)?;
    let each = names.raw.len() + 2 * names.behind.len();
    let most = (MOST_TRACED / (wanted.len() * each).max(1)).min(LONGEST);
    wanted
        .iter()
        .map(|w| {
            let again = Again {
                subject,
                recordings,
                names: &names,
                recipe: &recipe,
                most,
            };
            on_threads(threads, || again.point(w, monitor)).map_err(|e| e.to_string())?
        })
        .collect()
}

/// What is looked at: channels, the last samples, and numbers of the references.
struct Names {
    raw: Vec<String>,
    behind: Vec<String>,
    quality: Vec<String>,
}

impl Names {
    fn of(subject: &Subject<'_>) -> Names {
        let entry = subject.entry;
        let main = subject.main().map(|c| c.output).or(entry.outputs.first());
        let chain: Vec<&Node> = main.map_or(Vec::new(), |o| entry.chain(o));
        let own = |n: &&&Node| {
            n.input
                .as_ref()
                .is_some_and(|i| i.recording.is_empty() && i.rate > 0.0)
        };
        let sampled = |n: &&&Node| {
            let kind = n.flows.first().map_or("", |f| f.kind.as_str());
            n.input.is_none() && ["wave", "phasor"].contains(&kind)
        };
        // The last samples of the main recording; what goes back to it alone comes late in the order.
        let of_main = |n: &&&Node| {
            let mut behind = vec![n.name.as_str()];
            let mut reaches = false;
            for node in chain.iter().rev() {
                if behind.contains(&node.name.as_str()) {
                    reaches |= node.input.as_ref().is_some_and(|i| i.recording.is_empty());
                    behind.extend(node.reads.iter().map(|r| crate::graph::split(r).0));
                }
            }
            reaches
        };
        let read_by_samples = |n: &&&Node| {
            let reads = |other: &&&Node| {
                other
                    .reads
                    .iter()
                    .any(|r| crate::graph::split(r).0 == n.name)
            };
            chain.iter().filter(sampled).any(|other| reads(&other))
        };
        let last = chain
            .iter()
            .filter(sampled)
            .filter(of_main)
            .filter(|n| !read_by_samples(n));
        let clocks = chain
            .iter()
            .filter(|n| Subject::is_clock(n))
            .filter(of_main);
        let ports = clocks.flat_map(|n| {
            let estimates = n.flows.iter().filter(|f| f.kind == "real estimate");
            estimates.map(|f| format!("{}.{}", n.name, f.port))
        });
        Names {
            raw: chain.iter().filter(own).map(|n| n.name.clone()).collect(),
            behind: last.map(|n| n.name.clone()).take(2).collect(),
            quality: ports.collect(),
        }
    }

    /// The recipe with these kept instead of what its author asked for.
    fn recipe(&self, subject: &Subject<'_>, registry: &Registry) -> Result<Recipe, String> {
        let kept: Vec<String> = self
            .behind
            .iter()
            .chain(&self.quality)
            .map(|n| format!("{n:?}"))
            .collect();
        let list = format!("[{}]", kept.join(", "));
        let source = &subject.saved.recipe;
        let changed = text::replaced(&source.text, &["results"], &list)
            .ok_or("the recipe has no list of results")?;
        let changed = text::replaced(&changed, &["units"], "{}").unwrap_or(changed);
        let (recipe, found) = Recipe::parse(&source.name, &changed, registry);
        recipe.filter(|_| !found.has_errors()).ok_or_else(|| {
            let first = found
                .iter()
                .next()
                .map_or(String::new(), |d| d.message.clone());
            format!("the recipe cannot be run again with its samples kept: {first}")
        })
    }
}

struct Again<'a, 's> {
    subject: &'a Subject<'s>,
    recordings: &'a Recordings,
    names: &'a Names,
    recipe: &'a Recipe,
    most: usize,
}

impl Again<'_, '_> {
    fn point(&self, wanted: &Wanted, monitor: &Monitor) -> Result<PointTraces, String> {
        let texts = self.subject.texts.as_ref().map_err(Clone::clone)?;
        let found = &self.recordings.found;
        let mut sets = open_sets(self.recipe, &texts.wiring, &found.main(), &found.with());
        sets.iter_mut()
            .for_each(|set| set.keep(wanted.point as usize));
        let mut shown = PointTraces {
            wanted: wanted.clone(),
            raw: Vec::new(),
            behind: Vec::new(),
            quality: Vec::new(),
            troubles: Vec::new(),
        };
        for name in &self.names.raw {
            match self.raw(&sets, name) {
                Ok(trace) => shown.raw.extend(trace),
                Err(error) => shown.troubles.push((Notice::Failed, error.to_string())),
            }
        }
        if self.names.behind.is_empty() && self.names.quality.is_empty() {
            return Ok(shown);
        }
        let mut faults = Diagnostics::default();
        let Some(job) = Job::new(self.recipe, sets, &mut faults) else {
            let first = faults
                .iter()
                .find(|d| d.severity == crate::diagnostic::Severity::Error);
            let why = first.map_or(String::new(), |d| d.message.clone());
            return Err(format!(
                "the recipe does not fit the recording any more: {why}"
            ));
        };
        self.again(&job, &mut shown, monitor)
            .map_err(|e| e.to_string())?;
        Ok(shown)
    }

    /// The samples of a channel as they were recorded.
    fn raw(&self, sets: &[RecordingSet], name: &str) -> Result<Option<Trace>, StoreError> {
        let Some(input) = self.recipe.inputs.iter().position(|i| i.name.text == name) else {
            return Ok(None);
        };
        let own = sets
            .iter()
            .find(|s| s.name == self.recipe.inputs[input].recording);
        let Some((set, place)) = own.and_then(|s| Some((s, *s.points().first()?))) else {
            return Ok(None);
        };
        let Ok(content) = &set.files[place.file].content else {
            return Ok(None);
        };
        let Some(header) = &content.headers[input] else {
            return Ok(None);
        };
        let mut thinner = Thinner::new(header.of_point(place.within)?.samples, self.most);
        let points = place.within..place.within + 1;
        look::stream(
            &content.file,
            header,
            points,
            &mut Counters::default(),
            |_, _, part| {
                thinner.push(part);
                ControlFlow::Continue(())
            },
        )?;
        Ok(Some(Trace {
            name: name.into(),
            unit: header.unit.to_coherent(),
            rate: header.rate,
            parts: vec![thinner.finish(name, 0.0, 1.0 / header.rate)],
        }))
    }

    /// Runs the job into a file that goes away, and reads back what it kept.
    fn again(
        &self,
        job: &Job<'_>,
        shown: &mut PointTraces,
        monitor: &Monitor,
    ) -> Result<(), StoreError> {
        const ENTRY: &str = "again";
        let mut writer = ResultWriter::scratch()?;
        let sinks = results::open(&mut writer, ENTRY, job)?;
        let outcome = job.run(&sinks, None, monitor);
        drop(sinks);
        results::write(&mut writer, ENTRY, job, &outcome)?;
        let scratch = writer.into_scratch()?;
        shown.troubles.extend(
            outcome
                .failures
                .iter()
                .map(|f| (Notice::Failed, f.without_point())),
        );
        // Other samples than those on record would show something else than what was computed from.
        let (record, entry) = (&self.subject.saved.record, self.subject.entry);
        for (input, hashes) in job.recipe.inputs.iter().zip(&outcome.hashes) {
            let (name, now) = (&input.name.text, hashes.first().copied().flatten());
            if let Some(now) = now
                && differs(record, &entry.name, name, shown.wanted.point, &now)
            {
                let text = format!(
                    "the samples of \"{name}\" are not those that the results were computed from"
                );
                shown.troubles.push((Notice::Warning, text));
            }
        }
        let file = ResultReader::open(scratch.path())?;
        for name in &self.names.behind {
            shown
                .behind
                .extend(trace(&file, &format!("/{ENTRY}/{name}"), name, self.most)?);
        }
        for name in &self.names.quality {
            let path = format!("/{ENTRY}/{name}/value");
            let unit = Unit::parse(&file.attribute(&path, "units").unwrap_or_default())
                .unwrap_or_else(|_| Unit::one());
            let value = file.floats(&path).ok().and_then(|all| all.first().copied());
            if let Some(value) = value.filter(|v| v.is_finite()) {
                shown.quality.push((
                    name.clone(),
                    format_quantity(value * unit.si_factor(), &unit, 5),
                ));
            }
        }
        Ok(())
    }
}

/// Whether the samples of an input at a point have another hash than on record.
fn differs(record: &Record, entry: &str, input: &str, point: u64, now: &blake3::Hash) -> bool {
    let table = record.samples(entry, input).unwrap_or_default();
    let index = if table.len() == 1 { 0 } else { point as usize };
    table
        .get(index)
        .is_some_and(|then| *then != [0; 32] && then != now.as_bytes())
}

/// Kept samples of the first point of a group.
fn trace(
    file: &ResultReader,
    group: &str,
    name: &str,
    most: usize,
) -> Result<Option<Trace>, StoreError> {
    let held = file.names(group);
    let columns: Vec<&str> = ["value", "in_phase", "quadrature"]
        .into_iter()
        .filter(|c| held.iter().any(|n| n == c))
        .collect();
    let Some(rate) = file
        .floats(&format!("{group}/sample_rate"))
        .ok()
        .and_then(|r| r.first().copied())
    else {
        return Ok(None);
    };
    let mut parts = Vec::new();
    let mut unit = Unit::one();
    for column in columns {
        let path = format!("{group}/{column}");
        let stated = file.attribute(&path, "units").unwrap_or_default();
        unit = Unit::parse(&stated).unwrap_or_else(|_| Unit::one());
        let samples = file.shape(&path).last().copied().unwrap_or(0);
        let mut thinner = Thinner::new(samples, most);
        let mut start = 0;
        while start < samples {
            let end = (start + BLOCK).min(samples);
            let block = file.part(&path, 0, start..end)?;
            let block: Vec<f64> = block.into_iter().map(|x| x * unit.si_factor()).collect();
            thinner.push(&block);
            start = end;
        }
        let label = match column {
            "value" => name.to_owned(),
            part => part.replace('_', " "),
        };
        parts.push(thinner.finish(label, 0.0, 1.0 / rate));
    }
    Ok((!parts.is_empty()).then(|| Trace {
        name: name.into(),
        unit,
        rate,
        parts,
    }))
}

/// The blocks that show points: raw and demodulated samples against time.
pub fn blocks(subject: &Subject<'_>, points: &[PointTraces]) -> Vec<Block> {
    let mut blocks = Vec::new();
    for shown in points {
        let at = subject
            .main()
            .map_or(String::new(), |c| place(c, &shown.wanted));
        blocks.push(Block::Heading(format!("Point {}{at}", shown.wanted.point)));
        let troubles = shown.troubles.iter().cloned();
        blocks.extend(troubles.map(|(kind, text)| Block::Notice(kind, text)));
        let raw = shown.raw.iter().map(|t| {
            let mut plot = plot(t, shown.wanted.point, "as recorded");
            if let Some([low, high]) = first_view(subject, shown, t) {
                let time = |x: f64| format_quantity(x, &Unit::second(), 4);
                plot.view = Some([low, high]);
                plot.about += &format!(
                    " {} to {} is seen first; All shows the whole point.",
                    time(low),
                    time(high)
                );
            }
            plot
        });
        let behind = shown
            .behind
            .iter()
            .map(|t| plot(t, shown.wanted.point, "demodulated"));
        for plot in raw.chain(behind) {
            blocks.push(match plot.is_empty() {
                true => Block::Notice(Notice::Note, format!("{}: no sample is there", plot.title)),
                false => Block::Plot(Box::new(plot)),
            });
        }
    }
    blocks
}

/// The time that is seen first of a channel: some periods of the reference, at the first sample of the point that a
/// trouble names, or else at the beginning.
fn first_view(subject: &Subject<'_>, shown: &PointTraces, trace: &Trace) -> Option<[f64; 2]> {
    const PERIODS: f64 = 12.0;
    let clocks = subject.entry.nodes.iter().filter(|n| Subject::is_clock(n));
    let stated = |n: &Node| n.flows.first().and_then(|f| f.frequency);
    let frequency = clocks
        .filter_map(|n| subject.measured(&n.name).or(stated(n)))
        .next()?;
    let first = trace.parts.first()?;
    let (whole, span) = (first.places.at(first.values.len()), PERIODS / frequency);
    let own = subject
        .troubles
        .iter()
        .filter(|t| t.point == Some(shown.wanted.point));
    let named = own.filter_map(|t| {
        let (_, rest) = t.text.split_once("sample ")?;
        let digits: String = rest.chars().take_while(char::is_ascii_digit).collect();
        digits.parse::<f64>().ok()
    });
    let middle = named
        .map(|s| s / trace.rate)
        .filter(|t| *t < whole)
        .reduce(f64::min)
        .unwrap_or(0.0);
    let low = (middle - 0.5 * span).clamp(0.0, (whole - span).max(0.0));
    (span < 0.5 * whole).then_some([low, low + span])
}

fn plot(trace: &Trace, point: u64, what: &str) -> Plot {
    let largest = trace
        .parts
        .iter()
        .flat_map(|s| &s.values)
        .filter(|x| x.is_finite())
        .fold(0.0f64, |m, x| m.max(x.abs()));
    let unit = trace.unit.for_size(largest);
    let show = |s: &Series| Series {
        values: s.values.iter().map(|x| unit.number_of(*x)).collect(),
        ..s.clone()
    };
    let what = if what == "demodulated" && trace.parts.len() == 1 {
        "filtered"
    } else {
        what
    };
    let thinned = trace.parts.iter().map(|s| s.stands_for).max().unwrap_or(1);
    let count = trace.parts.first().map_or(0, |s| s.values.len());
    let kept = match thinned {
        1 => format!("all {}", counted(count as u64, "sample")),
        n => format!("of every {n} samples the smallest and the largest, {count} values in all"),
    };
    Plot {
        id: slug(&format!("{} {what} {point}", trace.name)),
        title: format!("{}, {what}, point {point}", trace.name),
        about: format!(
            "Samples of \"{}\" at point {point} against time, {what}, at {}; {kept}.",
            trace.name,
            format_quantity(trace.rate, &Unit::hertz(), 5)
        ),
        x: Axis::new("time", "s"),
        y: Axis::new(trace.name.as_str(), unit.to_string()),
        series: trace.parts.iter().map(show).collect(),
        marks: Vec::new(),
        view: None,
    }
}
