//! The recipe and the wiring that a result file carries, against what the keys were made of.

use super::Problem;
use crate::diagnostic::Diagnostics;
use crate::lineage::{Entry, Node, Record, said_of};
use crate::recipe::{Recipe, StageEntry, Wiring};
use crate::stage::Registry;

/// Recipe and wiring of a result file.
pub(crate) struct Texts {
    /// The recipe.
    pub recipe: Recipe,
    /// The wiring.
    pub wiring: Wiring,
}

/// Reads both and compares them; `None` where they cannot be read.
pub(super) fn read(
    record: &Record,
    registry: &Registry,
    problems: &mut Vec<Problem>,
) -> Option<Texts> {
    let texts = match open(record, registry) {
        Ok(texts) => texts,
        Err(message) => {
            problems.push(Problem::differs(message));
            return None;
        }
    };
    compare(record, &texts, problems);
    Some(texts)
}

/// Compares texts that were read with what was run.
pub(crate) fn compare(record: &Record, texts: &Texts, problems: &mut Vec<Problem>) {
    if record.lineage.version > 1 {
        let now = said_of(&texts.recipe, &texts.wiring);
        let was = &record.lineage.said;
        for line in was.iter().filter(|l| !now.contains(l)) {
            problems.push(Problem::differs(format!(
                "recipe and wiring no longer say `{line}`"
            )));
        }
        for line in now.iter().filter(|l| !was.contains(l)) {
            problems.push(Problem::differs(format!(
                "recipe or wiring say `{line}`, which they did not when it was run"
            )));
        }
    }
    for entry in &record.lineage.entries {
        for stage in &texts.recipe.stages {
            match entry.node(&stage.name.text) {
                Some(node) => compare_stage(entry, node, stage, problems),
                None => problems.push(
                    Problem::differs(format!(
                        "the recipe has a stage `{}` that was not run",
                        stage.name.text
                    ))
                    .of(entry),
                ),
            }
        }
        let known = |node: &Node| {
            let stages = texts.recipe.stages.iter();
            node.input.is_some() || stages.map(|s| &s.name.text).any(|n| *n == node.name)
        };
        for node in entry.nodes.iter().filter(|n| !known(n)) {
            problems.push(
                Problem::differs("the recipe has no such stage any more")
                    .at_node(entry, &node.name),
            );
        }
    }
}

/// Reads both texts as they are in the file.
pub(crate) fn open(record: &Record, registry: &Registry) -> Result<Texts, String> {
    let text = |name: &str| {
        let text = record.file.text(&format!("/provenance/{name}"));
        text.map_err(|e| e.to_string())
    };
    let held = record.file.names("/provenance");
    let wiring = held.iter().any(|n| n == "wiring").then(|| text("wiring"));
    let wiring = wiring.transpose()?;
    let wiring = wiring.as_deref().map(|w| ("the wiring in the file", w));
    read_texts(
        ("the recipe in the file", &text("recipe")?),
        wiring,
        registry,
    )
}

/// Reads the texts of a file, given with their names.
pub(crate) fn read_texts(
    (name, text): (&str, &str),
    wiring: Option<(&str, &str)>,
    registry: &Registry,
) -> Result<Texts, String> {
    let (recipe, found) = Recipe::parse(name, text, registry);
    let recipe = recipe.filter(|_| !found.has_errors());
    let recipe = recipe.ok_or_else(|| fault("recipe", &found))?;
    let mut texts = Texts {
        recipe,
        wiring: Wiring::default(),
    };
    if let Some((name, text)) = wiring {
        let (wiring, found) = Wiring::parse(name, text);
        if found.has_errors() {
            return Err(fault("wiring", &found));
        }
        texts.wiring = wiring;
    }
    Ok(texts)
}

fn fault(what: &str, found: &Diagnostics) -> String {
    let first = found.iter().next().map(|d| match &d.place {
        Some(place) => {
            let (line, column) = place.line_column();
            format!("line {line}, column {column}: {}", d.message)
        }
        None => d.message.clone(),
    });
    format!(
        "the {what} in the file cannot be read any more: {}",
        first.unwrap_or_default()
    )
}

/// A node on record, and the stage of the recipe.
fn compare_stage(entry: &Entry, node: &Node, stage: &StageEntry, problems: &mut Vec<Problem>) {
    let mut differs = |message: String| {
        problems.push(Problem::differs(message).at_node(entry, &node.name));
    };
    if node.stage != stage.stage.name() {
        return differs(format!(
            "it was a {}, and the recipe says {}",
            node.stage,
            stage.stage.name()
        ));
    }
    let version = stage.stage.numeric_version();
    let other_version = version != node.numeric_version;
    let now = &stage.described.settings;
    for (path, was) in &node.settings {
        // A path comes twice where a choice has one unnamed value.
        if !now.contains(&(path.clone(), was.clone())) {
            let others = now
                .iter()
                .filter(|(p, _)| p == path)
                .map(|(_, v)| v.as_str());
            let others: Vec<&str> = others.collect();
            differs(format!(
                "{path} was {was}, and the recipe says {}",
                match others.as_slice() {
                    [] => "nothing of it".into(),
                    some => some.join(" "),
                }
            ));
        }
    }
    // Another version of a stage may have settings of its own.
    let unknown =
        |(p, _): &&(String, String)| !other_version && !node.settings.iter().any(|(q, _)| p == q);
    for (path, is) in now.iter().filter(unknown) {
        differs(format!(
            "the recipe says {path} = {is}, which it did not when it was run"
        ));
    }
    let reads: Vec<&str> = stage
        .described
        .flows
        .iter()
        .map(|f| f.text.as_str())
        .collect();
    if reads != node.reads {
        differs(format!(
            "it read {}, and the recipe says {}",
            node.reads.join(", "),
            reads.join(", ")
        ));
    }
    if other_version {
        let message = format!(
            "made by version {} of the kernel, and this program has version {version}",
            node.numeric_version
        );
        problems.push(Problem::unchecked(message).at_node(entry, &node.name));
    }
}
