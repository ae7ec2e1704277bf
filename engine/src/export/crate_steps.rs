//! The stages of a recipe as steps of a workflow, and what each did to each recording.

use std::collections::BTreeMap;

use serde_json::{Value as Json, json};

use super::Names;
use super::crate_entities::{RUN, all_at, at};
use super::crate_people::done;
use crate::graph::split;
use crate::lineage::{ConstantFacts, Entry, Lineage, Node};

/// Steps and actions among the entities.
#[derive(Debug, Default)]
pub(super) struct Steps {
    /// Kinds of stage.
    pub tools: Vec<String>,
    /// Stages of the recipe.
    pub steps: Vec<String>,
    /// Executions of stages.
    pub controls: Vec<String>,
    /// Actions that the crate mentions.
    pub mentioned: Vec<String>,
    /// What flows into each output that was kept, by the names of entry and output.
    pub kept: BTreeMap<(String, String), String>,
    /// All of them, described.
    pub entities: Vec<Json>,
}

/// Describes the stages of a run. `recordings` tells the files of an entry and a name in the recipe.
pub(super) fn steps(
    lineage: &Lineage,
    recordings: &dyn Fn(&str, &str) -> Vec<String>,
    constants: &[(String, ConstantFacts)],
) -> Steps {
    let mut made = Steps {
        mentioned: vec![RUN.into(), "#engine-run".into()],
        ..Steps::default()
    };
    let (mut names, mut flow_names, mut action_names) =
        (Names::default(), Names::default(), Names::default());
    let mut of_node: BTreeMap<&str, String> = BTreeMap::new();
    // All entries are made by one recipe.
    for entry in lineage.entries.iter().take(1) {
        for node in entry.nodes.iter().filter(|n| n.input.is_none()) {
            let tool = tool(node);
            if !made.tools.contains(&tool) {
                made.entities.push(json!({
                    "@id": tool,
                    "@type": "SoftwareApplication",
                    "name": node.stage,
                    "softwareVersion": node.numeric_version.to_string(),
                    "description": format!("the stage {} of phasemill; the version is that of its numbers", node.stage),
                }));
                made.tools.push(tool.clone());
            }
            let step = format!("#step-{}", names.of(&node.name));
            let settings: Vec<String> = node
                .told_settings()
                .map(|(path, value)| format!("{path} = {value}"))
                .collect();
            made.steps.push(step.clone());
            made.entities.push(json!({
                "@id": step,
                "@type": "HowToStep",
                "name": node.name,
                "position": made.steps.len().to_string(),
                "workExample": at(&tool),
                "description": match settings.is_empty() {
                    true => format!("{} without settings", node.stage),
                    false => format!("{} with {}", node.stage, settings.join(", ")),
                },
            }));
            of_node.insert(&node.name, step);
        }
    }
    for entry in &lineage.entries {
        made.entry(
            lineage,
            entry,
            [&mut flow_names, &mut action_names],
            &of_node,
            recordings,
            constants,
        );
    }
    made
}

fn tool(node: &Node) -> String {
    format!("#stage-{}-{}", node.stage, node.numeric_version)
}

impl Steps {
    fn entry(
        &mut self,
        lineage: &Lineage,
        entry: &Entry,
        [flow_names, action_names]: [&mut Names; 2],
        of_node: &BTreeMap<&str, String>,
        recordings: &dyn Fn(&str, &str) -> Vec<String>,
        constants: &[(String, ConstantFacts)],
    ) {
        let mut flows: BTreeMap<String, Vec<String>> = BTreeMap::new();
        for node in &entry.nodes {
            if let Some(facts) = &node.input {
                flows.insert(node.name.clone(), recordings(&entry.name, &facts.recording));
                continue;
            }
            let mut objects: Vec<String> = Vec::new();
            for read in &node.reads {
                // A name without a port means the first one.
                let found = flows.get(read).or_else(|| flows.get(split(read).0));
                for id in found.into_iter().flatten() {
                    if !objects.contains(id) {
                        objects.push(id.clone());
                    }
                }
            }
            let used = |c: &ConstantFacts| node.constants.iter().any(|n| n.name == c.name);
            objects.extend(
                constants
                    .iter()
                    .filter(|(_, c)| used(c))
                    .map(|(id, _)| id.clone()),
            );
            let results = self.flows_of(entry, node, flow_names, &mut flows);
            let unique = action_names.of(&format!("{}-{}", entry.name, node.name));
            let action = format!("#action-{unique}");
            let description = match node.method.as_str() {
                "" => format!(
                    "stage {}, kernel version {}",
                    node.stage, node.numeric_version
                ),
                method => method.to_owned(),
            };
            let mut act = json!({
                "@id": action,
                "@type": "CreateAction",
                "name": format!("{} of {}", node.name, entry.name),
                "description": description,
                "instrument": at(&tool(node)),
                "object": all_at(&objects),
                "result": all_at(&results),
            });
            done(&mut act, lineage);
            self.entities.push(act);
            self.mentioned.push(action.clone());
            if let Some(step) = of_node.get(node.name.as_str()) {
                let control = format!("#control-{unique}");
                self.entities.push(json!({
                    "@id": control,
                    "@type": "ControlAction",
                    "name": format!("{} is run for {}", node.name, entry.name),
                    "instrument": at(step),
                    "object": at(&action),
                }));
                self.controls.push(control);
            }
        }
    }

    /// What flows out of a node, by name and by name and port.
    fn flows_of(
        &mut self,
        entry: &Entry,
        node: &Node,
        names: &mut Names,
        flows: &mut BTreeMap<String, Vec<String>>,
    ) -> Vec<String> {
        let mut results = Vec::new();
        for flow in &node.flows {
            let key = match flow.port.as_str() {
                "" => node.name.clone(),
                port => format!("{}.{port}", node.name),
            };
            let id = format!("#flow-{}", names.of(&format!("{}-{key}", entry.name)));
            let is_kept = |o: &&crate::lineage::Output| o.node == node.name && o.port == flow.port;
            let kept = entry.outputs.iter().find(is_kept);
            self.entities.push(json!({
                "@id": id,
                "@type": "PropertyValue",
                "name": format!("{key} of {}", entry.name),
                "description": match kept {
                    Some(output) => format!("{}; kept in the results as /{}/{}", flow.words, entry.name, output.name),
                    None => format!("{}; not kept", flow.words),
                },
                "propertyID": "BLAKE3 of what it was derived from",
                "value": node.key,
            }));
            if let Some(output) = kept {
                let place = (entry.name.clone(), output.name.clone());
                self.kept.insert(place, id.clone());
            }
            flows
                .entry(node.name.clone())
                .or_insert_with(|| vec![id.clone()]);
            flows.insert(key, vec![id.clone()]);
            results.push(id);
        }
        results
    }
}
