//! The lineage of a result file: what every output was made from, by which stage with which settings,
//! and derivation keys that change when anything that matters changes.
//!
//! A key is a BLAKE3 hash over the stage's kind, the numeric version of its kernel, its settings in
//! canonical form (defaults included, comments and order excluded) and the keys of what it reads; the
//! key of an input is a hash over its stored samples and what decides their values. File names,
//! storage layout and the names of stages do not enter.

use serde::{Deserialize, Serialize};

use crate::flow::{Flow, Kind};
use crate::plan::Scope;
use crate::run::{Job, Outcome};
use crate::value::{Estimate, Value};

/// Version of the record that this engine writes.
pub const VERSION: u32 = 1;

/// The lineage of a result file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Lineage {
    /// Version of this record.
    pub version: u32,
    /// Version of the program.
    pub program: String,
    /// When the run began, UTC, RFC 3339.
    pub began: String,
    /// One per entry of the file.
    pub entries: Vec<Entry>,
}

/// The lineage of one entry.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Entry {
    /// Name of the group in the file.
    pub name: String,
    /// Title of the recipe.
    pub title: String,
    /// The files read.
    pub recordings: Vec<Recording>,
    /// The nodes, each after what it reads.
    pub nodes: Vec<Node>,
    /// The outputs.
    pub outputs: Vec<Output>,
    /// What failed, in words.
    pub failures: Vec<String>,
    /// What was remarked on, in words: warnings of the check and of the run.
    pub remarks: Vec<String>,
}

/// A recording.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Recording {
    /// Its name in the recipe; empty for the main one.
    pub name: String,
    /// Its files as the user gave them, with the number of points each.
    pub files: Vec<(String, u64)>,
}

/// A node of the graph.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Node {
    /// The name in the recipe.
    pub name: String,
    /// The kind of stage, or `input`.
    pub stage: String,
    /// Numeric version of the kernel; 0 for an input.
    pub numeric_version: u32,
    /// What it reads, as `node` or `node.port`.
    pub reads: Vec<String>,
    /// Settings by path, defaults included, in SI units; for an input what its headers say.
    pub settings: Vec<(String, String)>,
    /// What flows out, by port.
    pub flows: Vec<(String, String)>,
    /// Derivation key.
    pub key: String,
    /// For an input: hash of the stored samples of each point; empty where they could not be read.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub samples: Vec<String>,
    /// Constants used: name, value with unit, standard uncertainty, source.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub constants: Vec<[String; 4]>,
}

/// A kept output.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Output {
    /// Its name.
    pub name: String,
    /// The node behind it.
    pub node: String,
    /// Key of the node.
    pub key: String,
    /// Hash of the values; empty for kept samples.
    pub content: String,
}

/// The lineage of one job's outcome.
pub fn entry(job: &Job<'_>, outcome: &Outcome, name: &str, remarks: Vec<String>) -> Entry {
    let nodes = nodes(job, outcome);
    let outputs = job
        .typed
        .results
        .iter()
        .map(|kept| {
            let node = nodes.iter().find(|n| n.name == job.plan.names[kept.node]);
            let values = &outcome.values[kept.node][kept.port];
            let sampled = job
                .typed
                .flow(kept.node, kept.port)
                .is_some_and(|f| f.kind.is_sampled());
            Output {
                name: kept.name.clone(),
                node: job.plan.names[kept.node].clone(),
                key: node.map(|n| n.key.clone()).unwrap_or_default(),
                content: if sampled {
                    String::new()
                } else {
                    content_hash(values)
                },
            }
        })
        .collect();
    let files = |set: &crate::recordings::RecordingSet| {
        let points = |f: &crate::recordings::SetFile| f.content.as_ref().map_or(1, |c| c.points);
        set.files
            .iter()
            .map(|f| (f.path.display().to_string(), points(f)))
            .collect()
    };
    Entry {
        name: name.into(),
        title: job.recipe.title.clone(),
        recordings: job
            .sets
            .iter()
            .map(|s| Recording {
                name: s.name.clone(),
                files: files(s),
            })
            .collect(),
        nodes,
        outputs,
        failures: outcome.failures.iter().map(ToString::to_string).collect(),
        remarks: remarks
            .into_iter()
            .chain(outcome.remarks.iter().map(ToString::to_string))
            .collect(),
    }
}

fn nodes(job: &Job<'_>, outcome: &Outcome) -> Vec<Node> {
    let inputs = job.recipe.inputs.len();
    let mut keys: Vec<Option<blake3::Hash>> = vec![None; job.plan.names.len()];
    let mut nodes = Vec::new();
    for &node in &job.plan.order {
        let name = job.plan.names[node].clone();
        let flows = job.typed.ports[node].iter().flatten();
        let flows = flows
            .map(|p| (p.name().to_owned(), describe(&p.flow)))
            .collect();
        let mut hasher = blake3::Hasher::new();
        let made = match node.checked_sub(inputs) {
            None => {
                let header = job.sets.iter().find_map(|s| s.header(node));
                let (dataset, stored) = header
                    .as_ref()
                    .map(|h| (h.dataset.clone(), h.stored.clone()))
                    .unwrap_or_default();
                let canonical = header.map(|h| h.canonical()).unwrap_or_default();
                feed(&mut hasher, ["input", canonical.as_str()]);
                let hex = |h: &Option<blake3::Hash>| {
                    h.map(|h| h.to_hex().to_string()).unwrap_or_default()
                };
                let samples: Vec<String> = outcome.hashes[node].iter().map(hex).collect();
                feed(&mut hasher, samples.iter().map(String::as_str));
                Node {
                    name,
                    stage: "input".into(),
                    numeric_version: 0,
                    reads: Vec::new(),
                    settings: vec![
                        ("dataset".into(), dataset),
                        ("stored".into(), stored),
                        ("header".into(), canonical),
                    ],
                    flows,
                    key: String::new(),
                    samples,
                    constants: Vec::new(),
                }
            }
            Some(stage) => {
                let entry = &job.recipe.stages[stage];
                let version = entry.stage.numeric_version();
                feed(
                    &mut hasher,
                    ["stage", entry.stage.name(), &version.to_string()],
                );
                for (path, value) in &entry.described.settings {
                    feed(&mut hasher, [path.as_str(), value.as_str()]);
                }
                for &(source, port) in &job.typed.reads[node] {
                    hasher.update(
                        keys[source]
                            .map(|k| *k.as_bytes())
                            .unwrap_or_default()
                            .as_slice(),
                    );
                    feed(
                        &mut hasher,
                        [job.typed.ports[source]
                            .iter()
                            .flatten()
                            .nth(port)
                            .map_or("", |p| p.name())],
                    );
                }
                // A stage over all points may choose one by its place on the axis.
                if job.plan.scope[node] == Scope::Gathered {
                    for x in &job.axis_of(node).values {
                        hasher.update(&x.to_bits().to_le_bytes());
                    }
                }
                let constants = job
                    .recipe
                    .constants
                    .iter()
                    .filter(|(n, _)| entry.described.constants.contains(&n.text));
                Node {
                    name,
                    stage: entry.stage.name().into(),
                    numeric_version: version,
                    reads: entry
                        .described
                        .flows
                        .iter()
                        .map(|f| f.text.clone())
                        .collect(),
                    settings: entry.described.settings.clone(),
                    flows,
                    key: String::new(),
                    samples: Vec::new(),
                    constants: constants
                        .map(|(_, c)| {
                            [
                                c.name.clone(),
                                c.text.clone(),
                                c.uncertainty_in_words(),
                                c.origin(),
                            ]
                        })
                        .collect(),
                }
            }
        };
        let key = hasher.finalize();
        keys[node] = Some(key);
        nodes.push(Node {
            key: key.to_hex().to_string(),
            ..made
        });
    }
    nodes
}

/// Texts with their lengths, so that no two lists of texts give the same bytes.
fn feed<'t>(hasher: &mut blake3::Hasher, texts: impl IntoIterator<Item = &'t str>) {
    for text in texts {
        hasher.update(&(text.len() as u64).to_le_bytes());
        hasher.update(text.as_bytes());
    }
}

/// A flow in words.
pub fn describe(flow: &Flow) -> String {
    let mut text = match (flow.kind, flow.unit.to_string().as_str()) {
        (Kind::Clock, _) => "clock in cycles".to_owned(),
        (kind, "1") => kind.to_string(),
        (kind, unit) => format!("{kind} in {unit}"),
    };
    if let Some(convention) = flow.convention {
        text += &format!(", {convention} amplitude");
    }
    if let (Some(rate), true) = (flow.rate, flow.kind.is_sampled()) {
        text += &format!(", {rate} samples/s");
    }
    if let (Some(length), true) = (flow.length, flow.kind.is_sampled()) {
        text += &format!(", {length} samples");
    }
    if let Some((clock, n, m)) = &flow.clock {
        let harmonic = if *m == 1 {
            n.to_string()
        } else {
            format!("{n}/{m}")
        };
        text += &format!(", at harmonic {harmonic} of `{clock}`");
    }
    text
}

/// Hash over the bits of values, missing ones included.
pub fn content_hash(values: &[Option<Value>]) -> String {
    let mut hasher = blake3::Hasher::new();
    let mut number = |x: f64| {
        hasher.update(&x.to_bits().to_le_bytes());
    };
    for value in values {
        match value {
            None => number(f64::NAN),
            Some(Value::Estimate(e)) => estimate_bits(e, &mut number),
            Some(Value::Table(t)) => {
                t.x.iter()
                    .chain(&t.y)
                    .chain(t.u.iter().flatten())
                    .for_each(|x| number(*x));
            }
        }
    }
    hasher.finalize().to_hex().to_string()
}

fn estimate_bits(estimate: &Estimate, number: &mut impl FnMut(f64)) {
    // What was not evaluated is told apart from zero.
    let [xx, yy, xy] = estimate.covariance().unwrap_or([f64::NAN; 3]);
    let unknown = num_complex::Complex64::new(f64::NAN, f64::NAN);
    let scatter = estimate.scatter.unwrap_or(unknown);
    let count = estimate.count.map_or(f64::NAN, |n| n as f64);
    for part in [
        estimate.value.re,
        estimate.value.im,
        xx,
        yy,
        xy,
        scatter.re,
        scatter.im,
        count,
    ] {
        number(part);
    }
    number(estimate.missing as f64);
}

impl Entry {
    /// The story of one output, as a tree for a terminal: each node under what reads it.
    pub fn story(&self, output: &Output) -> String {
        let mut text = format!("{}\n  key     {}\n", output.name, output.key);
        if !output.content.is_empty() {
            text += &format!("  content {}\n", output.content);
        }
        let mut told = Vec::new();
        self.tell(&output.node, 0, &mut told, &mut text);
        for recording in &self.recordings {
            for (file, points) in &recording.files {
                let name = if recording.name.is_empty() {
                    "recording"
                } else {
                    recording.name.as_str()
                };
                text += &format!(
                    "{name}: {file}, {points} point{}\n",
                    if *points == 1 { "" } else { "s" }
                );
            }
        }
        for (what, list) in [("failed", &self.failures), ("remark", &self.remarks)] {
            for line in list {
                text += &format!("{what}: {line}\n");
            }
        }
        text
    }

    fn tell<'e>(&'e self, name: &'e str, depth: usize, told: &mut Vec<&'e str>, text: &mut String) {
        let Some(node) = self.nodes.iter().find(|n| n.name == name) else {
            return;
        };
        let pad = "   ".repeat(depth);
        *text += &format!("{pad}- {name}: {}", node.stage);
        if told.contains(&name) {
            *text += " (as above)\n";
            return;
        }
        told.push(name);
        if node.numeric_version > 0 {
            *text += &format!(" (kernel version {})", node.numeric_version);
        }
        *text += &format!("  key {}\n", node.key.get(..12).unwrap_or(&node.key));
        for (port, flow) in &node.flows {
            let port = if port.is_empty() {
                String::new()
            } else {
                format!(".{port}")
            };
            *text += &format!("{pad}     gives{port} {flow}\n");
        }
        for (path, value) in &node.settings {
            *text += &format!("{pad}     {path} = {value}\n");
        }
        for [name, value, u, source] in &node.constants {
            let source = if source.is_empty() {
                "no source stated"
            } else {
                source.as_str()
            };
            *text += &format!(
                "{pad}     constant {name} = {value}, standard uncertainty {u}, {source}\n"
            );
        }
        if !node.samples.is_empty() {
            let known = node.samples.iter().filter(|s| !s.is_empty()).count();
            *text += &format!(
                "{pad}     samples of {known} of {} points hashed\n",
                node.samples.len()
            );
        }
        for read in &node.reads {
            self.tell(crate::graph::split(read).0, depth + 1, told, text);
        }
    }
}
