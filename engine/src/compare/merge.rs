//! Several recipes as one: what they say alike is there once, and what differs has names of its own, so that
//! one run over the samples gives the results of all of them.

use std::collections::BTreeMap;
use std::sync::Arc;

use super::CompareError;
use crate::graph::{Graph, split};
use crate::recipe::Recipe;
use crate::text::canonical;

/// A recipe to be compared.
pub struct Given<'r> {
    /// The name of its chain.
    pub name: String,
    /// What it changes, or where it came from.
    pub said: String,
    /// The recipe, checked without errors.
    pub recipe: &'r Recipe,
}

/// The text of a recipe in the making.
#[derive(Default)]
pub(super) struct Merged {
    title: String,
    mains: Option<String>,
    inputs: Vec<(String, String)>,
    constants: Vec<(String, String)>,
    stages: Vec<(String, String)>,
    results: Vec<String>,
    units: Vec<(String, String)>,
    /// For every recipe given, what its stages are called here.
    pub names: Vec<BTreeMap<String, String>>,
}

/// A key of every node of a recipe: equal where the same is done to the same. `None` in or behind a circle.
fn keys(recipe: &Recipe, graph: &Graph) -> Vec<Option<String>> {
    let inputs = recipe.inputs.len();
    let mut keys: Vec<Option<String>> = vec![None; inputs + recipe.stages.len()];
    for &node in &graph.order {
        let said = match node.checked_sub(inputs) {
            None => format!("input {:?}", recipe.inputs[node].name.text),
            Some(stage) => {
                let entry = &recipe.stages[stage];
                let described = &entry.described;
                let reads = described.flows.iter().zip(&graph.reads[node]);
                let reads = reads.map(|(flow, source)| {
                    let key = source.and_then(|s| keys[s].clone()).unwrap_or_default();
                    (key, split(&flow.text).1.map(str::to_owned))
                });
                format!(
                    "stage {} {:?} {:?} {:?}",
                    entry.stage.name(),
                    described.settings,
                    described.constants,
                    reads.collect::<Vec<_>>()
                )
            }
        };
        keys[node] = Some(blake3::hash(said.as_bytes()).to_hex().to_string());
    }
    keys
}

/// What a recipe says of a name in a section, which all recipes have to say alike.
fn add(
    list: &mut Vec<(String, String)>,
    section: &str,
    given: &Given<'_>,
    base: &str,
) -> Result<(), CompareError> {
    for (name, piece) in super::section(given.recipe, section) {
        match list.iter().find(|(n, _)| *n == name.text) {
            None => list.push((name.text, piece.text().to_owned())),
            Some((_, known)) if canonical(known) == canonical(piece.text()) => {}
            Some(_) => {
                return Err(CompareError::Unlike(format!(
                    "{}: `{}` in `{section}` differs from that in {base}; chains are compared that say the same of inputs and constants: give one of them another name",
                    given.recipe.source.name, name.text
                )));
            }
        }
    }
    Ok(())
}

impl Merged {
    /// Joins recipes; the stages of the first keep their names.
    pub fn of(givens: &[Given<'_>]) -> Result<Self, CompareError> {
        let mut merged = Merged::default();
        let mut known: BTreeMap<String, String> = BTreeMap::new();
        let base = givens.first().map_or("", |g| &g.recipe.source.name);
        for (k, given) in givens.iter().enumerate() {
            add(&mut merged.inputs, "inputs", given, base)?;
            add(&mut merged.constants, "constants", given, base)?;
            if k == 0 {
                merged.title = format!("{:?}", given.recipe.title);
            }
            let mains = given.recipe.mains.map(|f| format!("\"{f} Hz\""));
            merged.mains = merged.mains.or(mains);
            merged.add_stages(given, k == 0, &mut known);
            let names = merged.names.last();
            let here = |flow: &str| names.map_or_else(|| flow.to_owned(), |n| renamed(n, flow));
            let results = given.recipe.results.iter().map(|r| here(&r.text));
            for result in results.collect::<Vec<_>>() {
                merged.keep(&result);
            }
            let names = merged.names.last();
            let here = |flow: &str| names.map_or_else(|| flow.to_owned(), |n| renamed(n, flow));
            let units = given.recipe.units.iter();
            let units = units.map(|u| (here(&u.flow.text), u.place.text().to_owned()));
            for (flow, unit) in units.collect::<Vec<_>>() {
                if !merged.units.iter().any(|(f, _)| *f == flow) {
                    merged.units.push((flow, unit));
                }
            }
        }
        Ok(merged)
    }

    fn add_stages(&mut self, given: &Given<'_>, first: bool, known: &mut BTreeMap<String, String>) {
        let recipe = given.recipe;
        let graph = Graph::build(recipe, &mut Default::default());
        let keys = keys(recipe, &graph);
        let pieces = super::section(recipe, "stages");
        let inputs = recipe.inputs.len();
        // Those of the first stand in the order in which they were written.
        let order: Vec<usize> = match first {
            true => (0..recipe.stages.len()).collect(),
            false => graph
                .order
                .iter()
                .filter_map(|n| n.checked_sub(inputs))
                .collect(),
        };
        let mut names: BTreeMap<String, String> = BTreeMap::new();
        let mut new = Vec::new();
        for stage in order {
            let own = &recipe.stages[stage].name.text;
            let key = keys[inputs + stage].clone().unwrap_or_default();
            if let (Some(same), false) = (known.get(&key), first) {
                names.insert(own.clone(), same.clone());
                continue;
            }
            let name = match first {
                true => own.clone(),
                false => self.free(own, &given.name),
            };
            known.entry(key).or_insert_with(|| name.clone());
            names.insert(own.clone(), name.clone());
            self.stages.push((name, String::new()));
            new.push((self.stages.len() - 1, stage));
        }
        for (at, stage) in new {
            let Some((_, piece)) = pieces.get(stage) else {
                continue;
            };
            let start = piece.place().range.start;
            let mut text = piece.text().to_owned();
            let mut flows: Vec<_> = recipe.stages[stage].described.flows.iter().collect();
            flows.sort_by_key(|f| std::cmp::Reverse(f.place.range.start));
            for flow in flows {
                let new = renamed(&names, &flow.text);
                // A flow that a default names stands in no text that could be changed.
                let inside = Arc::ptr_eq(&flow.place.source, &recipe.source)
                    && flow.place.range.start >= start;
                if inside && new != flow.text {
                    let range = flow.place.range.start - start..flow.place.range.end - start;
                    text.replace_range(range, &format!("{new:?}"));
                }
            }
            self.stages[at].1 = text;
        }
        self.names.push(names);
    }

    /// The name of a stage, with that of its chain where it is taken.
    fn free(&self, own: &str, chain: &str) -> String {
        let taken = |n: &str| {
            let mut all = self.stages.iter().chain(&self.inputs);
            all.any(|(known, _)| known == n)
        };
        let mut name = own.to_owned();
        if taken(&name) {
            name = format!("{own} ({chain})");
        }
        while taken(&name) {
            name.push('\'');
        }
        name
    }

    /// Adds a stage that is made for a chain, and keeps it; its name.
    pub fn make(&mut self, what: &str, chain: &str, text: String) -> String {
        let name = match self.free(what, chain) {
            free if free == what => self.free(&format!("{what} ({chain})"), chain),
            free => free,
        };
        self.stages.push((name.clone(), text));
        self.keep(&name);
        name
    }

    /// Keeps a result, if it is not kept already.
    fn keep(&mut self, flow: &str) {
        let (stage, _) = split(flow);
        let held = |r: &String| r == flow || r == stage;
        if !self.results.iter().any(held) {
            self.results
                .retain(|r| flow.contains('.') || split(r).0 != flow);
            self.results.push(flow.to_owned());
        }
    }

    /// The text of the recipe.
    pub fn text(&self, from: &str) -> String {
        let mut text = format!(
            "// What `phasemill compare` ran: the stages of {from}, and behind them those in which the chains differ.\nRecipe(\n    title: {},\n",
            self.title
        );
        if let Some(mains) = &self.mains {
            text += &format!("    mains: {mains},\n");
        }
        for (section, list) in [
            ("inputs", &self.inputs),
            ("constants", &self.constants),
            ("stages", &self.stages),
            ("units", &self.units),
        ] {
            if list.is_empty() {
                continue;
            }
            text += &format!("    {section}: {{\n");
            for (name, value) in list {
                text += &format!("        {name:?}: {value},\n");
            }
            text += "    },\n";
        }
        let results: Vec<String> = self.results.iter().map(|r| format!("{r:?}")).collect();
        text + &format!("    results: [{}],\n)\n", results.join(", "))
    }
}

/// A flow, as `stage` or `stage.port`, by the names that stages have here.
pub(super) fn renamed(names: &BTreeMap<String, String>, flow: &str) -> String {
    let (stage, port) = split(flow);
    let stage = names.get(stage).map_or(stage, String::as_str);
    match port {
        Some(port) => format!("{stage}.{port}"),
        None => stage.to_owned(),
    }
}
