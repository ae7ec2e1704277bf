//! Makes the record of a run.

use super::keys::keys;
use super::layout::{write_entries, write_head};
use super::{
    AxisFacts, Check, Compared, ConstantFacts, Entry, FlowFacts, InputFacts, LeftOut, Lineage,
    Machine, Node, Output, RecordedFile, Recording, VERSION, describe, relative,
};
use crate::check::Kept;
use crate::diagnostic::Diagnostics;
use crate::flow::Port;
use crate::recipe::{Origin, Points, RateOrigin, Recipe, Wiring};
use crate::recordings::{RecordingSet, SetFile};
use crate::run::{Job, Outcome};
use crate::session::Request;
use crate::stage::SeriesAxis;
use crate::store::{Hash, ResultWriter, StoreError};
use crate::value::Value;

/// What a run made, to be put on record.
pub struct Made<'m> {
    /// What was asked for.
    pub request: &'m Request<'m>,
    /// When the run began.
    pub began: String,
    /// What was compared; nothing in a run of one recipe.
    pub compared: Vec<Compared>,
    /// Recordings that could not be used.
    pub left_out: Vec<LeftOut>,
    /// Name, job, outcome and warnings of each entry.
    pub entries: Vec<(&'m str, &'m Job<'m>, &'m Outcome, &'m Diagnostics)>,
}

/// The time now, UTC, RFC 3339.
pub(crate) fn now() -> String {
    jiff::Timestamp::now()
        .strftime("%Y-%m-%dT%H:%M:%SZ")
        .to_string()
}

/// Writes the record of a run and its seal; the last thing that is written.
pub fn seal(writer: &mut ResultWriter, made: &Made<'_>) -> Result<Lineage, StoreError> {
    writer.settle_defaults()?;
    let mut lineage = Lineage {
        version: VERSION,
        program: env!("CARGO_PKG_VERSION").into(),
        libraries: vec![("HDF5".into(), crate::store::library_version())],
        machine: Some(Machine {
            os: std::env::consts::OS.into(),
            architecture: std::env::consts::ARCH.into(),
        }),
        operator: made.request.operator.clone(),
        began: made.began.clone(),
        ended: String::new(),
        recipe: made.request.recipe.source.name.clone(),
        wiring: match &made.request.wiring.source {
            Some(source) => source.name.clone(),
            None => String::new(),
        },
        said: said_of(made.request.recipe, made.request.wiring),
        draws: made.request.draws.map(|d| (d.trials, d.seed)),
        compared: made.compared.clone(),
        left_out: made.left_out.clone(),
        entries: Vec::new(),
        frame: Vec::new(),
    };
    for &(name, job, outcome, warnings) in &made.entries {
        let mut entry = entry(made.request, job, outcome, name, warnings);
        for (kept, output) in job.typed.results.iter().zip(&mut entry.outputs) {
            let rows = outcome.rows_of(kept.node, kept.port);
            let digest = writer.digest(name, &output.name, output.points, &rows)?;
            writer.hashes(&contents_path(name, &output.name), &digest.points)?;
            output.content = digest.content();
        }
        for (input, hashes) in outcome.hashes.iter().enumerate() {
            let table = table(hashes);
            let input = &job.recipe.inputs[input].name.text;
            writer.hashes(&samples_path(name, input), &table)?;
        }
        lineage.entries.push(entry);
    }
    lineage.ended = now();
    reseal(writer, &mut lineage)?;
    Ok(lineage)
}

/// Writes a record and its seal into a file that holds everything else.
pub fn reseal(writer: &mut ResultWriter, lineage: &mut Lineage) -> Result<(), StoreError> {
    let parts = write_entries(writer, &lineage.entries)?;
    for entry in &lineage.entries {
        let remarks = entry.remarks_by_point();
        if !remarks.is_empty() {
            writer.texts(&format!("{REMARKS}/{}", entry.name), &remarks)?;
        }
    }
    let outputs = lineage.entries.iter().flat_map(|e| {
        let path = |o: &Output| format!("{}/{}", e.name, o.name);
        e.outputs.iter().map(path)
    });
    lineage.frame = writer.frame(&outputs.collect::<Vec<_>>())?;
    lineage.version = VERSION;
    write_head(writer, lineage, &parts)
}

/// Where the record stands.
pub(super) const RECORD: &str = "/provenance/lineage";
/// Where the remarks on points stand, below by entry.
pub(crate) const REMARKS: &str = "/provenance/remarks";
/// Where its seal stands.
pub(super) const SEAL: &str = "/provenance/seal";

pub(super) fn samples_path(entry: &str, input: &str) -> String {
    format!("/provenance/points/{entry}/samples/{input}")
}

pub(super) fn contents_path(entry: &str, output: &str) -> String {
    format!("/provenance/points/{entry}/contents/{output}")
}

/// Hashes of points as they are stored: zeros where there is none.
fn table(hashes: &[Option<blake3::Hash>]) -> Vec<Hash> {
    let bytes = |h: &Option<blake3::Hash>| h.map_or([0; 32], |h| *h.as_bytes());
    hashes.iter().map(bytes).collect()
}

/// Digest of a table of hashes.
pub(crate) fn digest_of(table: &[Hash]) -> String {
    let mut hasher = blake3::Hasher::new();
    table.iter().for_each(|hash| {
        hasher.update(hash);
    });
    hasher.finalize().to_hex().to_string()
}

/// Hashes as they enter keys: hexadecimal digits, nothing where there is none.
pub(crate) fn in_digits(table: &[Hash]) -> Vec<String> {
    let digits = |hash: &Hash| match hash {
        [0, rest @ ..] if rest.iter().all(|b| *b == 0) => String::new(),
        hash => blake3::Hash::from_bytes(*hash).to_hex().to_string(),
    };
    table.iter().map(digits).collect()
}

/// The lineage of one job's outcome; what depends on the file that is written is still empty.
fn entry(
    request: &Request<'_>,
    job: &Job<'_>,
    outcome: &Outcome,
    name: &str,
    warnings: &Diagnostics,
) -> Entry {
    let nodes = nodes(job, outcome);
    let outputs = job.typed.results.iter().map(|kept| Output {
        name: kept.name.clone(),
        node: job.plan.names[kept.node].clone(),
        port: port(job, kept).map_or(String::new(), |p| p.name().into()),
        key: nodes
            .iter()
            .find(|n| n.name == job.plan.names[kept.node])
            .map(|n| n.key.clone())
            .unwrap_or_default(),
        content: String::new(),
        points: points_of(job, outcome, kept),
        from: left_out(job, kept),
    });
    Entry {
        name: name.into(),
        title: job.recipe.title.clone(),
        outputs: outputs.collect(),
        recordings: job.sets.iter().map(|s| recording(request, s)).collect(),
        nodes,
        checks: warnings
            .iter()
            .map(|d| Check {
                code: d.code.text().into(),
                message: d.message.clone(),
            })
            .collect(),
        failures: outcome.failures.iter().map(ToString::to_string).collect(),
        remarks: outcome.remarks.iter().map(ToString::to_string).collect(),
        from_cache: outcome
            .from_cache
            .iter()
            .map(|node| job.plan.names[*node].clone())
            .collect(),
    }
}

fn port<'j>(job: &'j Job<'_>, kept: &Kept) -> Option<&'j Port> {
    job.typed.ports[kept.node].as_ref()?.get(kept.port)
}

fn points_of(job: &Job<'_>, outcome: &Outcome, kept: &Kept) -> u64 {
    let sampled = port(job, kept).is_some_and(|p| p.flow.kind.is_sampled());
    match (sampled, job.set_of(kept.node)) {
        (true, Some(set)) => set.points().len() as u64,
        _ => outcome.values[kept.node][kept.port].len() as u64,
    }
}

/// Seconds at the start of a point that no stage on the way to an output counts.
fn left_out(job: &Job<'_>, kept: &Kept) -> f64 {
    let inputs = job.recipe.inputs.len();
    let stages = job.typed.chain(kept.node);
    let of_stage = |node: usize| {
        let entry = &job.recipe.stages[node.checked_sub(inputs)?];
        Some(entry.configured.leaves_out(&job.flows_into(node)))
    };
    stages
        .into_iter()
        .filter_map(of_stage)
        .fold(0.0, |most, t| if t > most { t } else { most })
}

fn recording(request: &Request<'_>, set: &RecordingSet) -> Recording {
    let file = |file: &SetFile| {
        let content = file.content.as_ref();
        RecordedFile {
            path: file.path.display().to_string(),
            beside: relative(&request.output, &file.path).unwrap_or_default(),
            points: content.map_or(1, |c| c.points),
            bytes: content.map_or(0, |c| c.file.bytes()),
        }
    };
    Recording {
        name: set.name.clone(),
        files: set.files.iter().map(file).collect(),
        axis: axis(&set.axis),
    }
}

/// What is recorded of an axis.
pub(crate) fn axis(axis: &SeriesAxis) -> Option<AxisFacts> {
    let mut hasher = blake3::Hasher::new();
    axis.values.iter().for_each(|x| {
        hasher.update(&x.to_bits().to_le_bytes());
    });
    (!axis.values.is_empty()).then(|| AxisFacts {
        name: axis.name.clone(),
        unit: axis.unit.clone(),
        values: hasher.finalize().to_hex().to_string(),
    })
}

fn nodes(job: &Job<'_>, outcome: &Outcome) -> Vec<Node> {
    let keys = keys(job, VERSION, |input| {
        in_digits(&table(&outcome.hashes[input]))
    });
    let made = |&node: &usize| {
        let key = keys[node].map(|k| k.to_hex().to_string());
        Node {
            key: key.unwrap_or_default(),
            ..match node.checked_sub(job.recipe.inputs.len()) {
                None => input(job, outcome, node),
                Some(stage) => self::stage(job, outcome, node, stage),
            }
        }
    };
    job.plan.order.iter().map(made).collect()
}

/// What flows out of a node.
fn flows(job: &Job<'_>, outcome: &Outcome, node: usize) -> Vec<FlowFacts> {
    let facts = |(index, port): (usize, &Port)| {
        let sampled = port.flow.kind.is_sampled();
        let values = &outcome.values[node][index];
        let estimates = || values.iter().flatten().filter_map(Value::estimate);
        let is_estimate = port.flow.kind.is_estimate();
        let trials = outcome.simulation.as_ref().map(|s| s.trials);
        FlowFacts {
            port: port.name().into(),
            words: describe(&port.flow),
            kind: port.flow.kind.to_string(),
            unit: port.flow.unit.ascii(),
            rate: port.flow.rate.filter(|_| sampled),
            length: port.flow.length.filter(|_| sampled),
            convention: port.flow.convention.map(|c| c.to_string()),
            clock: port.flow.clock.clone(),
            frequency: port.flow.frequency,
            bare: port.bare,
            evaluated: is_estimate.then(|| estimates().any(|e| e.parts.is_some())),
            drawn: trials.filter(|_| estimates().any(|e| e.drawn.is_some())),
        }
    };
    let ports = job.typed.ports[node].iter().flatten();
    ports.enumerate().map(facts).collect()
}

/// The facts of an input.
fn input(job: &Job<'_>, outcome: &Outcome, node: usize) -> Node {
    let samples = &table(&outcome.hashes[node]);
    let set = job.sets.iter().find(|s| s.header(node).is_some());
    let header = set.and_then(|s| s.header(node));
    let cut = set.and_then(|s| s.cut.as_ref());
    let facts = header.map(|h| InputFacts {
        recording: job.recipe.inputs[node].recording.clone(),
        header: h.canonical(),
        rate: h.rate,
        unit: h.unit.ascii(),
        scale: h.scale,
        offset: h.offset,
        full_scale: h.full_scale,
        points: h.points,
        length: h.samples,
        cut_by: cut.map_or(String::new(), Points::told),
        cuts: h.cuts.iter().map(|c| (c.first, c.length)).collect(),
        samples: digest_of(samples),
        points_in_text: Vec::new(),
        dataset: h.dataset,
        stored: h.stored,
        start_time: h.start_time,
    });
    Node {
        name: job.plan.names[node].clone(),
        stage: "input".into(),
        flows: flows(job, outcome, node),
        input: facts,
        ..Node::default()
    }
}

fn stage(job: &Job<'_>, outcome: &Outcome, node: usize, stage: usize) -> Node {
    let entry = &job.recipe.stages[stage];
    Node {
        name: job.plan.names[node].clone(),
        stage: entry.stage.name().into(),
        numeric_version: entry.stage.numeric_version(),
        reads: entry
            .described
            .flows
            .iter()
            .map(|f| f.text.clone())
            .collect(),
        settings: entry.described.settings.clone(),
        flows: flows(job, outcome, node),
        key: String::new(),
        method: super::methods::sentence(job, node, stage),
        input: None,
        constants: constants(job.recipe, &entry.described.constants),
    }
}

/// The constants of these names.
fn constants(recipe: &Recipe, names: &[String]) -> Vec<ConstantFacts> {
    let used = recipe
        .constants
        .iter()
        .filter(|(n, _)| names.contains(&n.text));
    used.map(|(_, c)| ConstantFacts {
        name: c.name.clone(),
        value: c.text.clone(),
        standard_uncertainty: c.uncertainty_in_words(),
        source: c.source.clone(),
        date: c.date.map_or(String::new(), |d| d.to_string()),
        valid_until: c.valid_until.map_or(String::new(), |d| d.to_string()),
    })
    .collect()
}

/// What a recipe and a wiring say beside the settings of stages, one line each: whatever may be written
/// in several ways gives one line.
pub fn said_of(recipe: &Recipe, wiring: &Wiring) -> Vec<String> {
    let mut lines = vec![format!("title {:?}", recipe.title)];
    for input in &recipe.inputs {
        let unit = input.unit.as_ref().map(|u| u.ascii());
        lines.push(format!(
            "input {:?}: unit {unit:?}, recording {:?}, {}",
            input.name.text,
            input.recording,
            channel(&input.channel)
        ));
    }
    for (name, constant) in &recipe.constants {
        lines.push(format!(
            "constant {:?}: {}, source {:?}, dates {:?}",
            name.text,
            constant.canonical(),
            constant.source,
            [constant.date, constant.valid_until].map(|d| d.map(|d| d.to_string()))
        ));
    }
    let results = recipe.results.iter().map(|r| &r.text).collect::<Vec<_>>();
    lines.push(format!("results {results:?}"));
    for declared in &recipe.units {
        let unit = declared.unit.ascii();
        lines.push(format!("unit of {:?}: {unit}", declared.flow.text));
    }
    if let Some(mains) = recipe.mains {
        lines.push(format!("mains {mains:?} Hz"));
    }
    for (name, wired) in &wiring.channels {
        lines.push(format!("wiring of {:?}: {}", name.text, channel(wired)));
    }
    if let Some((axis, _)) = &wiring.axis {
        lines.push(format!("wiring of the axis: {axis:?}"));
    }
    if let Some((points, _)) = &wiring.points {
        lines.push(format!("wiring of the points: {}", points.canonical()));
    }
    lines
}

fn channel(channel: &crate::recipe::Channel) -> String {
    let origin = |origin: &Option<Origin>| match origin {
        None => "none".to_owned(),
        Some(Origin::Stated(stated)) => stated.canonical(),
        Some(Origin::Attribute(name)) => format!("attribute {name:?}"),
    };
    let rate = match &channel.rate {
        None => "none".to_owned(),
        Some(RateOrigin::Stated(rate)) => format!("{rate:?} Hz"),
        Some(RateOrigin::Attribute(name)) => format!("attribute {name:?}"),
        Some(RateOrigin::Times(path)) => format!("times {path:?}"),
    };
    format!(
        "dataset {:?}, rate {rate}, unit {:?}, scale {}, offset {}, full scale {}, missing {:?}",
        channel.dataset,
        channel.unit.as_ref().map(|u| u.ascii()),
        origin(&channel.scale),
        origin(&channel.offset),
        origin(&channel.full_scale),
        channel.missing
    )
}
