//! The lineage of a result file: what every output was made from, by which stage with which settings,
//! and derivation keys that change when anything that matters changes.
//!
//! # The record, version 3
//!
//! `/provenance/lineage` holds a [`Lineage`] as JSON, but for its entries: in their stead a field `parts` has name and
//! hash of each, and the text of each stands alone, so that one is read without the others. Recordings that the run left
//! out, since they could not be used, are named with the reason ([`Lineage::left_out`]; files of earlier programs do not
//! say). What there is one of per point stands beside it, so that the text stays short whatever the number of points,
//! and one point can be looked up alone:
//!
//! | path | what |
//! |---|---|
//! | `/provenance/points/ENTRY/lineage` | an [`Entry`] as JSON |
//! | `/provenance/points/ENTRY/samples/INPUT` | `[point, 32]` bytes: BLAKE3 of the stored samples of each point, zeros |
//! | | where they could not be read |
//! | `/provenance/points/ENTRY/contents/OUTPUT` | `[point, 32]` bytes: BLAKE3 of what the file holds of each point |
//! | `/provenance/remarks/ENTRY` | `[point]` texts: the remarks on each point, one a line; absent where there are none |
//! | `/provenance/seal` | BLAKE3 of the text of the lineage, in hexadecimal digits; this is what is signed |
//!
//! The seal covers the lineage and through `parts` the entries, which hold a digest of each table
//! ([`InputFacts::samples`], [`Output::content`]), and of everything else in the file ([`Lineage::frame`]) except the
//! texts of recipe and wiring: of these it holds what they say ([`Node::settings`], [`Lineage::said`]), so that a
//! comment may change and a setting may not.
//!
//! A key is a BLAKE3 hash over the stage's kind, the numeric version of its kernel, its settings in
//! canonical form (defaults included, comments and order excluded) and the keys of what it reads; the
//! key of an input is a hash over its stored samples and what decides their values. File names,
//! storage layout and the names of stages do not enter. A recording is known by the hash of its samples:
//! the bytes of its file change with every copy that is packed differently, and hashing them would double
//! the reading, so they are not hashed.
//!
//! Version 2 had the entries within the text of the lineage, and was the same otherwise. Files of version 1 are read as
//! `first.rs` says; what that version did not record is empty.

mod alike;
mod findings;
mod first;
mod keys;
mod layout;
mod make;
mod methods;
mod number;
mod place;
mod public;
mod record;
mod story;
mod told;

use serde::{Deserialize, Serialize};

use crate::flow::{Convention, Flow, Kind};
use crate::units::Unit;

pub(crate) use findings::flagged;
pub use findings::point_of;
pub use keys::keys;
pub(crate) use keys::{feed, number_type, same_numbers};
pub use layout::entry_path;
pub use make::{Made, reseal, said_of, seal};
pub(crate) use make::{REMARKS, axis, digest_of, in_digits, now};
pub use methods::{methods, spoken, stated};
pub use place::relative;
pub use public::file_name;
pub use record::{Record, RecordError, open_results};
pub use story::Chosen;

/// Version of the record that this engine writes.
pub const VERSION: u32 = 3;

/// The lineage of a result file.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Lineage {
    /// Version of this record.
    pub version: u32,
    /// Version of the program.
    pub program: String,
    /// Libraries that decide what is read and written, with their versions.
    pub libraries: Vec<(String, String)>,
    /// The machine; its name is not recorded. `None` in version 1.
    pub machine: Option<Machine>,
    /// Who ran it; `None` for an anonymous run.
    pub operator: Option<String>,
    /// When the run began, UTC, RFC 3339.
    pub began: String,
    /// When the results were complete, UTC, RFC 3339; empty in version 1.
    pub ended: String,
    /// File of the recipe as the user named it.
    pub recipe: String,
    /// File of the wiring as the user named it; empty where there was none.
    pub wiring: String,
    /// What recipe and wiring say beside the settings of stages, in canonical form, one line each.
    pub said: Vec<String>,
    /// Trials and seed of intervals that were drawn because that was asked for.
    pub draws: Option<(u64, u64)>,
    /// Chains that were compared in this run, the base first; none in a run of one recipe.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub compared: Vec<Compared>,
    /// Recordings that the run left out.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub left_out: Vec<LeftOut>,
    /// One per entry of the file.
    pub entries: Vec<Entry>,
    /// BLAKE3 of each object of the file that belongs to no output: path and hash.
    pub frame: Vec<(String, String)>,
}

/// A recording that a run left out, since it could not be used.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct LeftOut {
    /// The name that its entry would have had.
    pub name: String,
    /// Its files, as the user gave them.
    pub files: Vec<String>,
    /// Why, in words.
    pub why: Vec<String>,
}

impl std::fmt::Display for LeftOut {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let why = self.why.join("; ");
        let files = self.files.iter().filter(|file| !why.contains(*file));
        let files: Vec<&str> = files.map(String::as_str).collect();
        match files.as_slice() {
            [] => write!(f, "`{}`: {why}", self.name),
            files => write!(f, "`{}` ({}): {why}", self.name, files.join(", ")),
        }
    }
}

/// A chain of a comparison.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Compared {
    /// Its name.
    pub name: String,
    /// In what it differs from the base, as it was written; of a recipe of its own, the name of its file.
    pub said: String,
    /// The output that was compared.
    pub output: String,
}

/// The machine of a run.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Machine {
    /// Operating system.
    pub os: String,
    /// Architecture of the processor.
    pub architecture: String,
}

/// The lineage of one entry.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Entry {
    /// Name of the group in the file.
    pub name: String,
    /// Title of the recipe.
    pub title: String,
    /// The recordings read; the main one comes first.
    pub recordings: Vec<Recording>,
    /// The nodes, each after what it reads.
    pub nodes: Vec<Node>,
    /// The outputs.
    pub outputs: Vec<Output>,
    /// Warnings of the check.
    pub checks: Vec<Check>,
    /// What failed, in words.
    pub failures: Vec<String>,
    /// What was remarked on in the run, in words; in version 1 also the warnings of the check.
    pub remarks: Vec<String>,
    /// Stages of which something was taken from a cache of intermediate results.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub from_cache: Vec<String>,
}

/// A recording.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Recording {
    /// Its name in the recipe; empty for the main one.
    pub name: String,
    /// Its files.
    pub files: Vec<RecordedFile>,
    /// The axis along its points, where there is one.
    pub axis: Option<AxisFacts>,
}

/// A file of a recording.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct RecordedFile {
    /// Its path as the user gave it.
    pub path: String,
    /// Its path from the folder of the result file, with `/`; empty where there is none.
    pub beside: String,
    /// Points in it.
    pub points: u64,
    /// Its size in bytes; 0 where it could not be opened.
    pub bytes: u64,
}

/// The axis of a recording.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct AxisFacts {
    /// Its name.
    pub name: String,
    /// Its unit, as text; empty where none is stated.
    pub unit: String,
    /// BLAKE3 of its values.
    pub values: String,
}

/// A node of the graph.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Node {
    /// The name in the recipe.
    pub name: String,
    /// The kind of stage, or `input`.
    pub stage: String,
    /// Numeric version of the kernel; 0 for an input.
    pub numeric_version: u32,
    /// What it reads, as `node` or `node.port`.
    pub reads: Vec<String>,
    /// Settings by path, defaults included, in SI units; none for an input.
    pub settings: Vec<(String, String)>,
    /// What flows out.
    pub flows: Vec<FlowFacts>,
    /// Derivation key.
    pub key: String,
    /// What was done, as a sentence for a paper; empty for an input and in version 1.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub method: String,
    /// For an input: the channel behind it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub input: Option<InputFacts>,
    /// Constants used.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub constants: Vec<ConstantFacts>,
}

/// What flows out of one port of a node.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct FlowFacts {
    /// Name of the port; empty where there is one.
    pub port: String,
    /// All of it in words.
    pub words: String,
    /// The kind of flow, as `phasor`.
    pub kind: String,
    /// The unit in ASCII, as `nV/sqrt(Hz)`.
    pub unit: String,
    /// Samples per second, for samples.
    pub rate: Option<f64>,
    /// Samples per point, for samples.
    pub length: Option<u64>,
    /// `peak`, `rms` or `full step`, where that has a meaning.
    pub convention: Option<String>,
    /// The clock that it is relative to, and the harmonic n/m.
    pub clock: Option<(String, u32, u32)>,
    /// Frequency of a clock in Hz where the recipe states it.
    pub frequency: Option<f64>,
    /// Whether an uncertainty is evaluated; `None` for what is no estimate.
    pub evaluated: Option<bool>,
    /// Whether it says something of other outputs, and has no uncertainty of its own.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub bare: bool,
    /// Trials from which uncertainties were drawn where first order fails; `None` where it holds.
    pub drawn: Option<u64>,
}

impl FlowFacts {
    /// As [`Flow::zero_of_phase`].
    pub fn zero_of_phase(&self) -> Option<String> {
        let complex = [Kind::Phasor, Kind::ComplexEstimate].map(|k| k.to_string());
        let flow = Flow {
            convention: self.convention.as_ref().map(|_| Convention::Peak),
            clock: self.clock.clone(),
            ..match complex.contains(&self.kind) {
                true => Flow::new(Kind::ComplexEstimate, Unit::one()),
                false => Flow::new(Kind::Estimate, Unit::parse(&self.unit).ok()?),
            }
        };
        flow.zero_of_phase()
    }
}

/// The channel behind an input.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct InputFacts {
    /// The recording; empty for the main one.
    pub recording: String,
    /// Path of the dataset.
    pub dataset: String,
    /// Type of the stored numbers, as `int16 little-endian`.
    pub stored: String,
    /// What of the header decides the numbers, in canonical form; it enters the key.
    pub header: String,
    /// Samples per second.
    pub rate: f64,
    /// Unit of the scaled values, in ASCII.
    pub unit: String,
    /// Value of one code, in the unit.
    pub scale: f64,
    /// Value of code zero, in the unit.
    pub offset: f64,
    /// Largest absolute value that the converter gives, in the unit.
    pub full_scale: Option<f64>,
    /// Start time, where an attribute states it.
    pub start_time: Option<String>,
    /// Points.
    pub points: u64,
    /// Samples per point: of the shortest one.
    pub length: u64,
    /// Of points that were cut from one record: the first sample of each, and how many it has.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub cuts: Vec<(u64, u64)>,
    /// How they were cut, as a sentence says it; empty where they were not.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub cut_by: String,
    /// BLAKE3 of the table of the hashes of the points' samples.
    pub samples: String,
    /// In version 1: the hash of each point; later these are in the table.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub points_in_text: Vec<String>,
}

/// A constant that was used.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct ConstantFacts {
    /// Its name.
    pub name: String,
    /// Its value with unit, as written.
    pub value: String,
    /// Its standard uncertainty with unit, or `not stated`.
    pub standard_uncertainty: String,
    /// Where it comes from; empty where the recipe does not say.
    pub source: String,
    /// Day on which it was determined; empty where the recipe does not say.
    pub date: String,
    /// Last day of which it holds; empty where the recipe does not say.
    pub valid_until: String,
}

/// A warning of the check.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Check {
    /// Its code, as `folding`.
    pub code: String,
    /// What it says.
    pub message: String,
}

/// A kept output.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Output {
    /// Its name, which is also that of its group in the entry.
    pub name: String,
    /// The node behind it.
    pub node: String,
    /// The port of the node; empty where there is one.
    pub port: String,
    /// Key of the node.
    pub key: String,
    /// BLAKE3 of what the file holds of it: its form (names, shapes, attributes, what belongs to no
    /// point), then the hash of each point. In version 1 a hash of the values alone.
    pub content: String,
    /// Points.
    pub points: u64,
    /// Seconds at the start of each point that do not count, as far as the stages know.
    pub from: f64,
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
        // A rate over a whole number may have more digits than were measured.
        let rate: f64 = format!("{rate:.11e}").parse().unwrap_or(rate);
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

impl Entry {
    /// The node of this name.
    pub fn node(&self, name: &str) -> Option<&Node> {
        self.nodes.iter().find(|n| n.name == name)
    }

    /// The inputs that read a recording; the main one has no name.
    pub fn inputs_from(&self, recording: &str) -> impl Iterator<Item = &Node> {
        let own = move |n: &&Node| n.input.as_ref().is_some_and(|i| i.recording == recording);
        self.nodes.iter().filter(own)
    }

    /// The nodes that an output was made from, each after what it reads.
    pub fn chain(&self, output: &Output) -> Vec<&Node> {
        let mut wanted = vec![output.node.as_str()];
        let mut chain = Vec::new();
        for node in self.nodes.iter().rev() {
            if wanted.contains(&node.name.as_str()) {
                wanted.extend(node.reads.iter().map(|r| crate::graph::split(r).0));
                chain.push(node);
            }
        }
        chain.reverse();
        chain
    }

    /// The flow behind an output.
    pub fn flow(&self, output: &Output) -> Option<&FlowFacts> {
        let flows = &self.node(&output.node)?.flows;
        flows.iter().find(|f| f.port == output.port)
    }
}
