//! The description of a crate: the crate, its files, the recipe as a workflow, and the run.

use serde_json::{Value as Json, json};

use super::crate_files::{CrateFile, CrateOptions, Role, media_type};
use super::crate_people::{done, people};
use super::crate_steps::{Steps, steps};
use super::{Names, uuid};
use crate::lineage::{ConstantFacts, Lineage};
use crate::report::counted;
use crate::saved::{Saved, recipe_version};

/// The standards that a crate conforms to: identifier, name, version.
const PROFILES: [[&str; 3]; 4] = [
    [
        "https://w3id.org/ro/wfrun/process/0.5",
        "Process Run Crate",
        "0.5",
    ],
    [
        "https://w3id.org/ro/wfrun/workflow/0.5",
        "Workflow Run Crate",
        "0.5",
    ],
    [
        "https://w3id.org/ro/wfrun/provenance/0.5",
        "Provenance Run Crate",
        "0.5",
    ],
    [
        "https://w3id.org/workflowhub/workflow-ro-crate/1.0",
        "Workflow RO-Crate",
        "1.0",
    ],
];
/// Terms that the context of RO-Crate 1.1 lacks, from that of the Workflow Run profiles.
const FURTHER_TERMS: [[&str; 2]; 1] = [["sha256", "https://w3id.org/ro/terms/workflow-run#sha256"]];
const WORKFLOW_PROFILE: &str = "https://bioschemas.org/profiles/ComputationalWorkflow/1.0-RELEASE";
const PARAMETER_PROFILE: &str = "https://bioschemas.org/profiles/FormalParameter/1.0-RELEASE";
/// A picture that is a file.
const PICTURE: [&str; 2] = ["File", "ImageObject"];
/// The engine among the entities.
pub(super) const ENGINE: &str = "#phasemill";
/// The run among the entities.
pub(super) const RUN: &str = "#run";

/// A reference to an entity.
pub(super) fn at(id: &str) -> Json {
    json!({ "@id": id })
}

/// References to entities: one by itself, or several in a list, as RO-Crate writes them.
pub(super) fn all_at<'i>(ids: impl IntoIterator<Item = &'i String>) -> Json {
    let mut all: Vec<Json> = ids.into_iter().map(|id| at(id)).collect();
    match all.len() {
        1 => all.swap_remove(0),
        _ => Json::Array(all),
    }
}

/// A time as these profiles want it: with an offset.
pub(super) fn with_offset(time: &str) -> String {
    time.replace('Z', "+00:00")
}

/// The text of the description.
pub(super) fn describe(
    lineage: &Lineage,
    saved: &Saved,
    files: &[CrateFile],
    options: &CrateOptions<'_>,
) -> String {
    let mut crate_ = Described {
        lineage,
        saved,
        files,
        graph: Vec::new(),
        constants: constants(lineage),
    };
    let steps = steps(
        lineage,
        &|entry, name| crate_.recordings_of(entry, name),
        &crate_.constants,
    );
    crate_.whole(options, &steps);
    crate_.files(&steps);
    crate_.workflow(&steps);
    crate_.run(&steps);
    crate_.graph.extend(steps.entities);
    let further: serde_json::Map<String, Json> = FURTHER_TERMS
        .iter()
        .map(|[term, iri]| ((*term).into(), json!(iri)))
        .collect();
    let whole = json!({
        "@context": ["https://w3id.org/ro/crate/1.1/context", further],
        "@graph": crate_.graph,
    });
    // Texts, numbers and lists always have a JSON form.
    serde_json::to_string_pretty(&whole).unwrap_or_default() + "\n"
}

/// The constants of a recipe, each with its identifier.
fn constants(lineage: &Lineage) -> Vec<(String, ConstantFacts)> {
    let mut names = Names::default();
    let mut found: Vec<(String, ConstantFacts)> = Vec::new();
    let nodes = lineage.entries.iter().flat_map(|e| &e.nodes);
    for constant in nodes.flat_map(|n| &n.constants) {
        if !found.iter().any(|(_, c)| c.name == constant.name) {
            let id = format!("#constant-{}", names.of(&constant.name));
            found.push((id, constant.clone()));
        }
    }
    found
}

struct Described<'d> {
    lineage: &'d Lineage,
    saved: &'d Saved,
    files: &'d [CrateFile],
    graph: Vec<Json>,
    constants: Vec<(String, ConstantFacts)>,
}

/// The identifier of a file: its path as a relative URI (RFC 3986), or a URN of what it is.
fn id(file: &CrateFile, identity: &str) -> String {
    match &file.path {
        Some(path) => encoded(path),
        None => {
            let what = format!("{identity} {:?} {}", file.role, file.name);
            uuid(blake3::hash(what.as_bytes()).to_hex().as_str())
        }
    }
}

fn encoded(path: &str) -> String {
    let mut text = String::new();
    for byte in path.bytes() {
        match byte {
            b if b.is_ascii_alphanumeric() || b"-._~/".contains(&b) => text.push(b as char),
            b => text += &format!("%{b:02X}"),
        }
    }
    text
}

impl Described<'_> {
    fn id_of(&self, file: &CrateFile) -> String {
        id(file, self.saved.identity())
    }

    fn ids(&self, which: impl Fn(&Role) -> bool) -> Vec<String> {
        let mut ids: Vec<String> = Vec::new();
        for file in self.files.iter().filter(|f| which(&f.role)) {
            let id = self.id_of(file);
            // A recording that serves several entries is one file.
            if !ids.contains(&id) {
                ids.push(id);
            }
        }
        ids
    }

    fn recordings_of(&self, entry: &str, name: &str) -> Vec<String> {
        self.ids(|r| matches!(r, Role::Recording(e, n, _) if e == entry && n == name))
    }

    fn recipe(&self) -> String {
        self.ids(|r| *r == Role::Recipe)
            .into_iter()
            .next()
            .unwrap_or_default()
    }

    fn results(&self) -> Json {
        all_at(&self.ids(|r| *r == Role::Results))
    }

    fn titles(&self) -> String {
        let mut titles: Vec<&str> = Vec::new();
        for entry in &self.lineage.entries {
            if !titles.contains(&entry.title.as_str()) && !entry.title.is_empty() {
                titles.push(&entry.title);
            }
        }
        match titles.as_slice() {
            [] => "Results of phasemill".into(),
            titles => titles.join("; "),
        }
    }

    /// The crate itself.
    fn whole(&mut self, options: &CrateOptions<'_>, steps: &Steps) {
        let [process, workflow, provenance, of_workflow] = PROFILES.map(|[id, ..]| at(id));
        self.graph.push(json!({
            "@id": "ro-crate-metadata.json",
            "@type": "CreativeWork",
            "about": at("./"),
            "conformsTo": [at("https://w3id.org/ro/crate/1.1"), of_workflow],
        }));
        let licence = match options.licence {
            Some(url) if url.starts_with("https://") || url.starts_with("http://") => {
                url.to_owned()
            }
            _ => "#licence".into(),
        };
        let outputs: usize = self.lineage.entries.iter().map(|e| e.outputs.len()).sum();
        let mut root = json!({
            "@id": "./",
            "@type": "Dataset",
            "name": self.titles(),
            "description": format!(
                "A run of phasemill {} from {}, with its recipe, its results and their lineage: {} of {}",
                self.lineage.program,
                self.lineage.began,
                counted(outputs as u64, "output"),
                match self.lineage.entries.len() {
                    1 => "1 recording or sweep".to_owned(),
                    n => format!("{n} recordings or sweeps"),
                }
            ),
            "datePublished": with_offset(&crate::lineage::now()),
            "license": at(&licence),
            "identifier": uuid(self.saved.identity()),
            "conformsTo": [process, workflow, provenance, of_workflow],
            "mainEntity": at(&self.recipe()),
            "hasPart": all_at(&self.ids(|_| true)),
            "mentions": all_at(&steps.mentioned),
        });
        let people = people(&mut root, options, self.lineage.operator.as_deref());
        self.graph.push(root);
        self.graph.extend(people);
        for [id, name, version] in PROFILES {
            let kind = "CreativeWork";
            self.graph
                .push(json!({ "@id": id, "@type": kind, "name": name, "version": version }));
        }
        let words = options.licence.unwrap_or(
            "No licence was stated when this was exported: ask its authors before using it further",
        );
        self.graph.push(
            json!({ "@id": licence, "@type": "CreativeWork", "name": words, "description": words }),
        );
    }

    fn files(&mut self, steps: &Steps) {
        let mut seen: Vec<String> = Vec::new();
        for file in self.files {
            let id = self.id_of(file);
            if file.role == Role::Recipe || seen.contains(&id) {
                continue;
            }
            let mut entity = json!({
                "@id": id,
                "@type": "File",
                "name": file.name,
                "description": file.words(),
                "encodingFormat": media_type(&file.name),
            });
            if file.bytes > 0 {
                entity["contentSize"] = json!(file.bytes.to_string());
            }
            if !file.sha256.is_empty() {
                entity["sha256"] = json!(file.sha256);
            }
            match &file.role {
                Role::Recording(entry, name, _) => {
                    let inputs = self.inputs_of(entry, name);
                    entity["exampleOfWork"] = all_at(&inputs);
                    if file.path.is_none() {
                        entity["description"] =
                            json!(format!("{}; the file is not in this crate", file.words()));
                        entity["sdDatePublished"] = json!(with_offset(&self.lineage.began));
                    }
                }
                Role::Results => entity["exampleOfWork"] = at("#output-results"),
                Role::Wiring => entity["exampleOfWork"] = at("#input-wiring"),
                Role::Guide => entity["about"] = at("./"),
                Role::Added => entity["isBasedOn"] = self.results(),
                Role::Plot {
                    entry,
                    output,
                    about,
                    ..
                } => {
                    entity["@type"] = json!(PICTURE);
                    entity["description"] = json!(format!("{}: {about}", file.words()));
                    entity["isBasedOn"] = self.results();
                    let shown = steps.kept.get(&(entry.clone(), output.clone()));
                    entity["about"] = all_at(shown);
                }
                Role::Diagram => {
                    entity["@type"] = json!(PICTURE);
                    entity["about"] = at(&self.recipe());
                }
                _ => {}
            }
            self.graph.push(entity);
            seen.push(id);
        }
        for (id, constant) in self.constants.clone() {
            let mut words = vec![format!(
                "standard uncertainty {}",
                constant.uncertainty_as_written()
            )];
            words.extend(Some(constant.source).filter(|s| !s.is_empty()));
            for (what, day) in [
                ("determined", constant.date),
                ("valid until", constant.valid_until),
            ] {
                words.extend(Some(format!("{what} {day}")).filter(|_| !day.is_empty()));
            }
            self.graph.push(json!({
                "@id": id,
                "@type": "PropertyValue",
                "name": constant.name,
                "value": constant.value,
                "description": words.join("; "),
                "exampleOfWork": at(&id.replacen("#", "#input-", 1)),
            }));
        }
    }

    /// The formal inputs of the recipe that a recording plays.
    fn inputs_of(&self, entry: &str, recording: &str) -> Vec<String> {
        let entries = self.lineage.entries.iter().filter(|e| e.name == entry);
        let nodes = entries.flat_map(|e| &e.nodes);
        let inputs = nodes.filter(|n| n.input.as_ref().is_some_and(|i| i.recording == recording));
        inputs.map(|n| parameter(&n.name)).collect()
    }

    /// The recipe, its language, its inputs and outputs.
    fn workflow(&mut self, steps: &Steps) {
        let Some(file) = self.files.iter().find(|f| f.role == Role::Recipe) else {
            return;
        };
        let first = self.lineage.entries.first();
        let mut inputs: Vec<Json> = Vec::new();
        for node in first.iter().flat_map(|e| &e.nodes) {
            let Some(facts) = &node.input else {
                continue;
            };
            let entries = self.lineage.entries.iter();
            let examples: Vec<String> = entries
                .flat_map(|e| self.recordings_of(&e.name, &facts.recording))
                .collect();
            let unit = if facts.unit.is_empty() {
                "1"
            } else {
                &facts.unit
            };
            let mut input = formal(&parameter(&node.name), &node.name, "File");
            input["description"] = json!(format!("channel in {unit}"));
            input["workExample"] = all_at(&examples);
            inputs.push(input);
        }
        for id in self.ids(|r| *r == Role::Wiring) {
            let mut input = formal("#input-wiring", "wiring", "File");
            input["workExample"] = at(&id);
            inputs.push(input);
        }
        for (id, constant) in &self.constants {
            let formal_id = id.replacen("#", "#input-", 1);
            let mut input = formal(&formal_id, &constant.name, "PropertyValue");
            input["workExample"] = at(id);
            inputs.push(input);
        }
        let mut output = formal("#output-results", "results", "File");
        output["workExample"] = self.results();
        let ids = inputs
            .iter()
            .filter_map(|i| i["@id"].as_str().map(str::to_owned));
        let input_ids: Vec<String> = ids.collect();
        let version = recipe_version(&self.saved.recipe.text);
        let mut workflow = json!({
            "@id": self.id_of(file),
            "@type": ["File", "SoftwareSourceCode", "ComputationalWorkflow", "HowTo"],
            "name": self.titles(),
            "description": "the recipe as it was run",
            "version": version.get(..12).unwrap_or(&version),
            "programmingLanguage": at("#recipe-language"),
            "conformsTo": at(WORKFLOW_PROFILE),
            "encodingFormat": media_type(&file.name),
            "contentSize": file.bytes.to_string(),
            "sha256": file.sha256,
            "input": all_at(&input_ids),
            "output": at("#output-results"),
            "hasPart": all_at(&steps.tools),
            "step": all_at(&steps.steps),
        });
        if let Some(diagram) = self.ids(|r| *r == Role::Diagram).first() {
            workflow["image"] = at(diagram);
        }
        self.graph.push(workflow);
        self.graph.push(json!({
            "@id": "#recipe-language",
            "@type": "ComputerLanguage",
            "name": "phasemill recipe",
            "description": "stages and constants by name, in Rusty Object Notation (RON)",
        }));
        self.graph.extend(inputs);
        self.graph.push(output);
        let libraries: Vec<String> = self
            .lineage
            .libraries
            .iter()
            .map(|(n, v)| format!("{n} {v}"))
            .collect();
        self.graph.push(json!({
            "@id": ENGINE,
            "@type": "SoftwareApplication",
            "name": "phasemill",
            "softwareVersion": self.lineage.program,
            "softwareRequirements": libraries.join(", "),
            "description": "recovers weak periodic signals from recordings, by a recipe",
        }));
    }

    /// The run as a whole.
    fn run(&mut self, steps: &Steps) {
        let mut objects = self.ids(|r| matches!(r, Role::Recording(..)) || *r == Role::Wiring);
        objects.extend(self.constants.iter().map(|(id, _)| id.clone()));
        let failures: Vec<&String> = self
            .lineage
            .entries
            .iter()
            .flat_map(|e| &e.failures)
            .collect();
        let description = match failures.as_slice() {
            [] => "every point of every recording gave its results".to_owned(),
            some => format!(
                "something failed at some points, and the others gave their results: {}",
                some.iter()
                    .map(|f| f.as_str())
                    .collect::<Vec<_>>()
                    .join("; ")
            ),
        };
        let results = self.ids(|r| *r == Role::Results);
        let mut run = json!({
            "@id": RUN,
            "@type": "CreateAction",
            "name": format!("run of {}", self.titles()),
            "description": description,
            "instrument": at(&self.recipe()),
            "object": all_at(&objects),
            "result": all_at(&results),
            "actionStatus": "http://schema.org/CompletedActionStatus",
        });
        done(&mut run, self.lineage);
        self.graph.push(run);
        self.graph.push(json!({
            "@id": "#engine-run",
            "@type": "OrganizeAction",
            "name": format!("phasemill {} runs the recipe", self.lineage.program),
            "description": "stages run together, block by block: the times of each are those of the run",
            "instrument": at(ENGINE),
            "object": all_at(&steps.controls),
            "result": at(RUN),
        }));
        let description = format!("lineage of {}", self.titles());
        for id in self.ids(|r| *r == Role::Lineage) {
            if let Some(entity) = self.graph.iter_mut().find(|e| e["@id"] == json!(id)) {
                entity["name"] = json!(description);
                entity["conformsTo"] = at("http://www.w3.org/Submission/prov-json/");
            }
        }
    }
}

/// The identifier of a formal input.
fn parameter(input: &str) -> String {
    format!("#input-{}", encoded(input).replace('/', "%2F"))
}

fn formal(id: &str, name: &str, kind: &str) -> Json {
    json!({
        "@id": id,
        "@type": "FormalParameter",
        "name": name,
        "additionalType": kind,
        "conformsTo": at(PARAMETER_PROFILE),
        "valueRequired": true,
    })
}
