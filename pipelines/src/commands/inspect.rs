//! `phasemill inspect`: what a recording holds.

use std::path::{Path, PathBuf};

use phasemill_engine::diagnostic::counted;
use phasemill_engine::look::{self, ChannelLook, MOST_SAMPLES};
use phasemill_engine::recipe::{Axis, Channel, RateOrigin, Wiring};
use phasemill_engine::store::{DatasetInfo, FileContents, RecordingFile, StoreError};
use phasemill_engine::units::format_quantity;
use serde_json::{Value, json};

use super::{complain, read_wiring, say, show};
use crate::exit;
use crate::plot;
use crate::report::files::{self, Existing};
use crate::survey::{self, Findings, SQUARE, Seen, Wanted};

/// The record in a result file.
const RECORD: &str = "/provenance/lineage";

/// Arguments of `inspect`.
#[derive(clap::Args)]
pub struct Arguments {
    /// The recordings
    #[arg(required = true)]
    recordings: Vec<PathBuf>,
    /// Show datasets and attributes only, without reading samples
    #[arg(long, conflicts_with_all = ["spectrum", "plot", "bench"])]
    headers: bool,
    /// Look at the noise, the lines and the steadiness of references, too
    #[arg(long)]
    spectrum: bool,
    /// The point of a sweep whose spectrum is taken; the first by default
    #[arg(long, value_name = "N")]
    point: Option<u64>,
    /// Take the spectrum of all points, and of all samples of long ones
    #[arg(long, conflicts_with = "point")]
    all: bool,
    /// The dataset that holds the reference, or its frequency; by default all datasets that are steady
    #[arg(long, value_name = "DATASET|HZ")]
    reference: Option<String>,
    /// Draw the spectra (SVG)
    #[arg(long, value_name = "FILE")]
    plot: Option<PathBuf>,
    /// Write the noise and the lines of a channel as the description of a bench
    #[arg(long, value_name = "FILE")]
    bench: Option<PathBuf>,
    /// The dataset that the bench is made of; by default the only one that is no reference
    #[arg(long, value_name = "DATASET", requires = "bench")]
    channel: Option<String>,
    /// Replace an existing description of a bench
    #[arg(long, requires = "bench")]
    overwrite: bool,
    /// A wiring (RON) for datasets that do not describe themselves
    #[arg(long, value_name = "FILE")]
    wiring: Option<PathBuf>,
    /// Print everything as JSON, for other programs
    #[arg(long)]
    json: bool,
}

impl Arguments {
    fn wanted(&self) -> Option<Wanted> {
        let any = self.spectrum || self.plot.is_some() || self.bench.is_some();
        any.then_some(match self.all {
            true => Wanted::All,
            false => Wanted::Point(self.point.unwrap_or(0)),
        })
    }

    /// Refuses before the work what does not go together or cannot be written after it.
    fn refuse(&self) -> Result<(), String> {
        let of_spectra = [
            ("--point", self.point.is_some()),
            ("--all", self.all),
            ("--reference", self.reference.is_some()),
        ];
        if let Some((option, _)) = of_spectra.iter().find(|(_, given)| *given)
            && self.wanted().is_none()
        {
            return Err(format!(
                "error: expected `--spectrum` with `{option}`, found none; add it, or leave `{option}` out"
            ));
        }
        let one = self.recordings.len() == 1;
        if !one && (self.plot.is_some() || self.bench.is_some()) {
            return Err(
                "error: expected one recording to draw or describe, found several; name one".into(),
            );
        }
        if let Some(path) = &self.plot {
            plot::place(path)?;
        }
        match &self.bench {
            Some(path) => self.existing().allows(path),
            None => Ok(()),
        }
        .map_err(|message| format!("error: {message}"))
    }

    fn existing(&self) -> Existing {
        Existing::Replaced(self.overwrite)
    }
}

/// Runs the command.
pub fn run(arguments: &Arguments) -> u8 {
    let wiring = match read_wiring(arguments.wiring.as_deref()) {
        Ok((wiring, found)) if !found.has_errors() => wiring,
        Ok((_, found)) => {
            show(&found.sorted());
            return exit::REJECTED;
        }
        Err(message) => {
            complain(message);
            return exit::REJECTED;
        }
    };
    if let Err(message) = arguments.refuse() {
        complain(message);
        return exit::REJECTED;
    }
    let mut code = exit::DONE;
    let mut all = Vec::new();
    for path in &arguments.recordings {
        let looked = Recording::look(arguments, &wiring, path);
        let mut recording = match looked {
            Ok(recording) => recording,
            Err(error) => {
                complain(format!("error: {error}"));
                all.push(json!({ "file": path.display().to_string(), "error": error.to_string() }));
                code = exit::FAILED;
                continue;
            }
        };
        let findings = match recording.findings(arguments) {
            Ok(findings) => findings,
            Err(message) => {
                complain(message);
                return exit::REJECTED;
            }
        };
        match arguments.json {
            true => all.push(recording.json(findings.as_ref())),
            false => recording.print(findings.as_ref()),
        }
        for error in &recording.errors {
            complain(format!("error: {error}"));
            code = exit::FAILED;
        }
        if let Some(findings) = &findings
            && let Err(message) = keep(arguments, findings, path)
        {
            complain(message);
            code = exit::REJECTED;
        }
    }
    if arguments.json {
        say(format!("{:#}", json!({ "recordings": all })));
    } else if arguments.wanted().is_none() && !arguments.headers && code == exit::DONE {
        say("for noise, lines and the jitter of references, add --spectrum");
    }
    code
}

/// Writes what is to be kept of the findings.
fn keep(arguments: &Arguments, findings: &Findings, recording: &Path) -> Result<(), String> {
    if let Some(path) = &arguments.plot {
        let drawn = survey::plot::svg(findings).ok_or_else(|| {
            format!(
                "error: nothing to draw in {}: no channel has a spectrum",
                path.display()
            )
        })?;
        plot::write(path, &drawn)?;
    }
    if let Some(path) = &arguments.bench {
        let name = recording.file_name().unwrap_or(recording.as_os_str());
        let text = survey::bench::text(
            findings,
            arguments.channel.as_deref(),
            &name.to_string_lossy(),
        )?;
        files::write(path, text.as_bytes(), arguments.existing())
            .map_err(|message| format!("error: {message}"))?;
    }
    Ok(())
}

/// A recording with what was looked at.
struct Recording {
    path: PathBuf,
    contents: FileContents,
    /// One per dataset; `None` for one that cannot be a channel.
    looks: Vec<Option<ChannelLook>>,
    /// Where axes and times are found instead of in the recording itself.
    wiring: Wiring,
    seen: Vec<Seen>,
    errors: Vec<StoreError>,
}

impl Recording {
    fn look(arguments: &Arguments, wiring: &Wiring, path: &Path) -> Result<Self, StoreError> {
        let contents = FileContents::of(path)?;
        let file = look::open(path)?;
        let mut recording = Recording {
            path: path.into(),
            looks: Vec::new(),
            wiring: wiring.clone(),
            seen: Vec::new(),
            errors: Vec::new(),
            contents,
        };
        let cutting = look::cutting(&file, wiring);
        let cutting = cutting.map_err(|e| recording.errors.push(e)).ok().flatten();
        for dataset in &recording.contents.datasets {
            let looked = match arguments.headers {
                true => None,
                // What is kept of a run is no channel.
                false if recording.is_result() => None,
                false => look::look(&file, dataset, wiring, cutting.as_ref()),
            };
            let look = looked
                .transpose()
                .map_err(|e| recording.errors.push(e))
                .ok()
                .flatten();
            recording.looks.push(look);
        }
        // An axis has no rate of its own, whatever the file states for all.
        let datasets = recording.contents.datasets.iter();
        let serving: Vec<bool> = datasets.map(|d| recording.serves(d).is_some()).collect();
        for (look, serves) in recording.looks.iter_mut().zip(serving) {
            if let Some(look) = look {
                look.has_rate &= !serves;
            }
        }
        recording.see(arguments, &file);
        Ok(recording)
    }

    /// Looks at the samples of the channels that state a rate.
    fn see(&mut self, arguments: &Arguments, file: &RecordingFile) {
        let Some(wanted) = arguments.wanted() else {
            return;
        };
        let channels = self.looks.iter().flatten().filter(|look| look.has_rate);
        for look in channels {
            match survey::see(file, look, wanted) {
                Ok(seen) => self.seen.push(seen),
                Err(error) => self.errors.push(error),
            }
        }
    }

    fn findings(&mut self, arguments: &Arguments) -> Result<Option<Findings>, String> {
        if arguments.wanted().is_none() {
            return Ok(None);
        }
        let points = self.seen.iter().map(|s| s.header.points).max();
        let point = arguments.point.unwrap_or(0);
        if let Some(points) = points.filter(|n| !arguments.all && point >= *n) {
            return Err(format!(
                "error: expected a point from 0 to {}, found {point}; choose one with `--point`",
                points - 1,
            ));
        }
        let seen = std::mem::take(&mut self.seen);
        Findings::new(seen, arguments.reference.as_deref()).map(Some)
    }

    /// Whether it is what `run` or `compare` wrote.
    fn is_result(&self) -> bool {
        let datasets = &self.contents.datasets;
        datasets.iter().any(|d| d.path == RECORD)
    }

    /// What a dataset that states no rate is there for, where others name it.
    fn serves(&self, dataset: &DatasetInfo) -> Option<String> {
        let names = |channel: &DatasetInfo| {
            let mut axes = channel.attributes.iter().filter(|a| a.name == "axis");
            let group = channel.path.rsplit_once('/').map_or("", |(group, _)| group);
            axes.any(|a| {
                let path = a.text.trim_start_matches('/');
                dataset.path == format!("/{path}") || dataset.path == format!("{group}/{path}")
            })
        };
        let bare = |path: &str| path.trim_matches('/') == dataset.path.trim_matches('/');
        let timed = |(_, channel): &&(_, Channel)| matches!(&channel.rate, Some(RateOrigin::Times(path)) if bare(path));
        if let Some((role, _)) = self.wiring.channels.iter().find(timed) {
            return Some(format!("times of the samples of `{}`", role.text));
        }
        let points = self.wiring.points.as_ref().map(|(points, _)| points);
        if points.is_some_and(|points| points.datasets().any(bare)) {
            return Some("where points are".into());
        }
        if matches!(&self.wiring.axis, Some((Axis::Dataset(path), _)) if bare(path)) {
            return Some("axis of the points".into());
        }
        let channels = self.contents.datasets.iter().filter(|d| names(d));
        let channels: Vec<&str> = channels.map(|d| d.path.as_str()).collect();
        (!channels.is_empty()).then(|| format!("axis of {}", channels.join(", ")))
    }

    fn print(&self, findings: Option<&Findings>) {
        say(self.path.display().to_string());
        if self.is_result() {
            let path = self.path.display();
            say(format!(
                "  results of a run: `phasemill trace {path}` lists them and tells how they were made, `phasemill report \
                 {path}` shows them"
            ));
        }
        for attribute in &self.contents.attributes {
            say(format!("  {} = {}", attribute.name, attribute.text));
        }
        for (dataset, look) in self.contents.datasets.iter().zip(&self.looks) {
            say(format!(
                "  {}  {} {}, {}",
                dataset.path,
                shape(dataset),
                dataset.stored,
                dataset.layout
            ));
            for attribute in &dataset.attributes {
                say(format!("      {} = {}", attribute.name, attribute.text));
            }
            let seen = findings.and_then(|f| Some((seen_of(f, dataset)?, f)));
            if let Some(look) = look {
                describe(look, self.serves(dataset).as_deref(), seen.is_some());
            }
            if let Some((seen, findings)) = seen {
                for line in survey::text::describe(seen, findings) {
                    say(format!("      {line}"));
                }
            }
        }
        if self.contents.more {
            say("  ... and more, beyond the depth or number that is listed");
        }
    }

    fn json(&self, findings: Option<&Findings>) -> Value {
        let attributes = |all: &[phasemill_engine::store::AttributeInfo]| {
            let pairs = all.iter().map(|a| (a.name.clone(), json!(a.text)));
            Value::Object(pairs.collect())
        };
        let datasets = self.contents.datasets.iter().zip(&self.looks);
        let datasets = datasets.map(|(dataset, look)| {
            let seen = findings.and_then(|f| Some(survey::json::describe(seen_of(f, dataset)?, f)));
            json!({
                "path": dataset.path,
                "shape": dataset.shape,
                "stored": dataset.stored,
                "layout": dataset.layout,
                "attributes": attributes(&dataset.attributes),
                "serves_as": self.serves(dataset),
                "look": look.as_ref().map(look_json),
                "survey": seen,
            })
        });
        json!({
            "file": self.path.display().to_string(),
            "is_result": self.is_result(),
            "attributes": attributes(&self.contents.attributes),
            "datasets": datasets.collect::<Vec<_>>(),
            "more": self.contents.more,
            "errors": self.errors.iter().map(ToString::to_string).collect::<Vec<_>>(),
        })
    }
}

fn seen_of<'f>(findings: &'f Findings, dataset: &DatasetInfo) -> Option<&'f Seen> {
    findings.channels.iter().find(|c| c.path == dataset.path)
}

fn shape(dataset: &DatasetInfo) -> String {
    let sizes: Vec<String> = dataset.shape.iter().map(u64::to_string).collect();
    sizes.join(" x ")
}

fn look_json(found: &ChannelLook) -> Value {
    let counters = &found.counters;
    json!({
        "unit": found.header.unit.to_coherent().ascii(),
        "points": found.header.points,
        "samples": found.header.samples,
        "rate": found.has_rate.then_some(found.header.rate),
        "minimum": counters.minimum,
        "maximum": counters.maximum,
        "clipped": counters.clipped,
        "first_clipped": counters.first_clipped,
        "missing": counters.missing,
        "first_missing": counters.first_missing,
        "cut_off": counters.cut_off().iter().map(|cut| json!({
            "value": cut.value,
            "part": cut.part,
        })).collect::<Vec<_>>(),
        "steps_spanned": counters.spanned(&found.header),
        "still": counters.still.samples,
        "first_still": counters.still.first,
        "sticking_out": counters.spans.stick_out().map(|out| json!({
            "windows": out.windows,
            "first_sample": out.start,
            "span": out.size,
            "others_span": out.others,
        })),
        "judged_by": found.samples,
        "may_be_reference": found.reference.as_ref().map(|guess| json!({
            "shape": if guess.near_extremes > SQUARE { "square" } else { "sine" },
            "frequency": guess.frequency,
            "spread": guess.spread,
        })),
    })
}

/// What was seen at a first look; the guess at a reference only where nothing better follows.
fn describe(found: &ChannelLook, serves: Option<&str>, more_follows: bool) {
    let header = &found.header;
    let unit = header.unit.to_coherent();
    if found.has_rate {
        let points = counted(header.points, "point");
        let (rate, shortest, longest) = (header.rate, header.samples, header.longest());
        let [seconds, most] = [shortest, longest].map(|samples| samples as f64 / rate);
        let cut = if header.is_cut() {
            ", cut from one record"
        } else {
            ""
        };
        say(match shortest == longest {
            true => {
                format!("      {points} of {shortest} samples at {rate} Hz, {seconds} s each{cut}")
            }
            false => format!(
                "      {points} of {shortest} to {longest} samples at {rate} Hz, {seconds} to {most} s{cut}"
            ),
        });
        if let Some(found) = header.incomplete() {
            say(format!("      {found}"));
        }
    } else if let Some(serves) = serves {
        say(format!("      {serves}"));
    } else {
        say("      no sample rate stated: needs a wiring with `rate`");
    }
    let counters = &found.counters;
    match (counters.minimum, counters.maximum) {
        (Some(low), Some(high)) if low == high => say(format!(
            "      constant at {}",
            format_quantity(low, &unit, 5)
        )),
        (Some(low), Some(high)) => {
            let steps = counters.spanned(header).map_or(String::new(), |steps| {
                format!(", {} of the converter", counted(steps, "step"))
            });
            say(format!(
                "      from {} to {}{steps}",
                format_quantity(low, &unit, 5),
                format_quantity(high, &unit, 5)
            ));
        }
        _ => say("      no sample is there"),
    }
    if found.samples >= MOST_SAMPLES {
        say(format!(
            "      judged by its first {} samples",
            found.samples
        ));
    }
    let guess = found.reference.as_ref();
    let is_square = guess.is_some_and(|guess| guess.near_extremes > SQUARE);
    // What is there for others has no full scale, and nothing cut it off.
    let oddities = match serves {
        Some(_) => Vec::new(),
        None => counters.oddities(header, is_square),
    };
    for remark in oddities {
        say(format!("      {remark}"));
    }
    if let Some(guess) = guess.filter(|_| !more_follows && serves.is_none()) {
        let shape = if guess.near_extremes > SQUARE {
            "square or pulse"
        } else {
            "sine"
        };
        let frequency = match found.has_rate {
            true => format!("{:.6} Hz", guess.frequency),
            false => format!("{:.6} cycles per sample", guess.frequency),
        };
        say(format!(
            "      may be a reference: {shape}, {frequency}, periods vary by {:.2} %",
            100.0 * guess.spread
        ));
    }
}
