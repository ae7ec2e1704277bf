//! A recipe, a wiring and recordings of which some may come from one result file and some from another.

use std::path::PathBuf;
use std::sync::Arc;

use super::tree::{Change, Tree};
use super::{Cause, DifferError, Options, Report};
use crate::diagnostic::{Diagnostics, SourceText};
use crate::lineage::{Chosen, Entry, Node, Record, VERSION, keys};
use crate::recipe::{Recipe, Wiring};
use crate::run::{Job, Monitor};
use crate::session::open_sets;
use crate::stage::Registry;
use crate::text::Piece;
use crate::verify::{Found, Texts, run_again};

/// Sections of a recipe that say what is kept and shown, and decide no number.
const SHOWN: [&str; 5] = ["title", "results", "units", "mains", "alternatives"];

/// What a number is computed from.
#[derive(Clone)]
pub(super) struct Variant {
    recipe: Tree,
    wiring: Option<Tree>,
    recordings: Vec<(String, Vec<PathBuf>)>,
    output: String,
    point: u64,
}

/// One difference between two variants.
#[derive(Clone)]
pub(super) enum Difference {
    Recipe(Change),
    Wiring(Change),
    /// Another wiring, where one has none.
    WholeWiring(Option<Tree>),
    /// Other samples or headers in the recording of this name: its files.
    Recording(String, Vec<PathBuf>, (String, String)),
    /// Another point, and both in words.
    Point(u64, (String, String)),
}

impl Difference {
    /// Whether it lies in recipe or wiring, so that keys take it in.
    pub fn is_in_texts(&self) -> bool {
        !matches!(self, Difference::Recording(..) | Difference::Point(..))
    }

    pub fn name(&self) -> String {
        match self {
            Difference::Recipe(change) => change.place(),
            Difference::Wiring(change) => format!("wiring.{}", change.place()),
            Difference::WholeWiring(_) => "wiring".into(),
            Difference::Recording(name, ..) if name.is_empty() => "the recording".into(),
            Difference::Recording(name, ..) => format!("the recording `{name}`"),
            Difference::Point(..) => "the point".into(),
        }
    }

    pub fn ends(&self) -> (String, String) {
        let text = |tree: &Option<Tree>| tree.as_ref().map_or("nothing".into(), Tree::to_string);
        match self {
            Difference::Recipe(change) | Difference::Wiring(change) => {
                (text(&change.was), text(&change.is))
            }
            Difference::WholeWiring(is) if is.is_some() => ("none".into(), "given".into()),
            Difference::WholeWiring(_) => ("given".into(), "none".into()),
            Difference::Recording(_, _, from_to) | Difference::Point(_, from_to) => from_to.clone(),
        }
    }

    pub fn cause(&self, effect: Option<Vec<f64>>, why_not: &str) -> Cause {
        Cause {
            what: vec![self.name()],
            from_to: vec![self.ends()],
            effect,
            why_not: why_not.into(),
        }
    }
}

fn tree_of(source: &Arc<SourceText>) -> Tree {
    Piece::whole(source.clone()).map_or_else(|_| Tree::Leaf(source.text.clone()), |p| Tree::of(&p))
}

impl Variant {
    /// What a result file was made of, the first or the second of a report.
    pub fn of(texts: &Texts, found: &Found, output: &str, report: &Report, which: usize) -> Self {
        let mut variant = Variant {
            recipe: tree_of(&texts.recipe.source),
            wiring: texts.wiring.source.as_ref().map(tree_of),
            recordings: found.files.clone(),
            output: output.into(),
            point: report.points[which],
        };
        variant.keep_only(report);
        variant
    }

    /// Only the one output is kept, whatever its file kept, in the unit of the report.
    fn keep_only(&mut self, report: &Report) {
        let kept = Tree::Leaf(format!("[{:?}]", self.output));
        self.recipe.set(&["results".into()], Some(&kept));
        self.recipe.set(&["units".into()], None);
        let is_clock = report.columns.first().is_some_and(|c| c == "cycles");
        if !(is_clock || report.unit.is_empty() || report.unit == "1") {
            let unit = Tree::Leaf(format!("{:?}", report.unit));
            self.recipe
                .set(&["units".into(), self.output.clone()], Some(&unit));
        }
    }

    /// What has to be changed to come to another variant; `places` says where their points lie.
    pub fn differences(
        &self,
        other: &Variant,
        a: &Record,
        of_a: Chosen<'_>,
        b: &Record,
        of_b: Chosen<'_>,
        places: &[String; 2],
    ) -> Vec<Difference> {
        let mut found: Vec<Difference> = Vec::new();
        if self.point != other.point {
            let words = |point: u64, place: &str| match place {
                "" => point.to_string(),
                place => format!("{point} ({place})"),
            };
            let ends = (
                words(self.point, &places[0]),
                words(other.point, &places[1]),
            );
            found.push(Difference::Point(other.point, ends));
        }
        for (name, files) in &other.recordings {
            let differs = of_a.entry.inputs_from(name).any(|node| {
                let twin = of_b.entry.node(&node.name);
                let same = twin.is_some_and(|t| samples(a, of_a, node) == samples(b, of_b, t));
                // Scale and rate may come from the file as well as from the wiring.
                let header = |n: &Node| n.input.as_ref().map(|i| i.header.clone());
                !same || twin.and_then(header) != header(node)
            });
            let before = self.recordings.iter().find(|(n, _)| n == name);
            if differs || before.is_none() {
                let words = |files: &[PathBuf]| {
                    let names = files.iter().filter_map(|f| f.file_name());
                    let names: Vec<String> =
                        names.map(|n| n.to_string_lossy().into_owned()).collect();
                    names.join(", ")
                };
                let from = before.map_or("nothing".into(), |(_, f)| words(f));
                found.push(Difference::Recording(
                    name.clone(),
                    files.clone(),
                    (from, words(files)),
                ));
            }
        }
        match (&self.wiring, &other.wiring) {
            (Some(x), Some(y)) => found.extend(x.changes(y).into_iter().map(Difference::Wiring)),
            (x, y) if x != y => found.push(Difference::WholeWiring(y.clone())),
            _ => {}
        }
        let shown = |c: &Change| c.path.first().is_some_and(|s| SHOWN.contains(&s.as_str()));
        let changes = self.recipe.changes(&other.recipe).into_iter();
        found.extend(changes.filter(|c| !shown(c)).map(Difference::Recipe));
        found
    }

    /// This variant with some differences taken over.
    pub fn with(&self, differences: &[&Difference]) -> Variant {
        let mut changed = self.clone();
        for difference in differences {
            match difference {
                Difference::Recipe(change) => changed.recipe.set(&change.path, change.is.as_ref()),
                Difference::Wiring(change) => {
                    if let Some(wiring) = &mut changed.wiring {
                        wiring.set(&change.path, change.is.as_ref());
                    }
                }
                Difference::WholeWiring(wiring) => changed.wiring.clone_from(wiring),
                Difference::Recording(name, files, _) => {
                    changed.recordings.retain(|(n, _)| n != name);
                    changed.recordings.push((name.clone(), files.clone()));
                }
                Difference::Point(point, _) => changed.point = *point,
            }
        }
        changed
    }

    fn texts(&self, registry: &Registry) -> Result<Texts, String> {
        let first = |found: &Diagnostics| {
            found
                .iter()
                .next()
                .map_or(String::new(), |d| d.message.clone())
        };
        let (recipe, mut found) = Recipe::parse("the recipe", &self.recipe.to_string(), registry);
        let recipe = recipe.ok_or_else(|| first(&found))?;
        crate::check::check(&recipe, |_| None, &mut found);
        if found.has_errors() {
            return Err(first(&found));
        }
        let mut wiring = Wiring::default();
        if let Some(tree) = &self.wiring {
            let (read, found) = Wiring::parse("the wiring", &tree.to_string());
            if found.has_errors() {
                return Err(first(&found));
            }
            wiring = read;
        }
        Ok(Texts { recipe, wiring })
    }

    fn main(&self) -> Vec<PathBuf> {
        let main = self.recordings.iter().find(|(n, _)| n.is_empty());
        main.map(|(_, f)| f.clone()).unwrap_or_default()
    }

    /// The recordings that the recipe names.
    fn with_named(&self, recipe: &Recipe) -> Vec<(String, PathBuf)> {
        let named = |name: &String| recipe.inputs.iter().any(|i| i.recording == *name);
        let others = self
            .recordings
            .iter()
            .filter(|(n, _)| !n.is_empty() && named(n));
        others
            .filter_map(|(n, f)| Some((n.clone(), f.first()?.clone())))
            .collect()
    }

    /// A key of the output in which all samples count as the same: what is equal here gives equal numbers
    /// from the same recordings.
    pub fn key(&self, registry: &Registry) -> Option<String> {
        let texts = self.texts(registry).ok()?;
        let sets = open_sets(
            &texts.recipe,
            &texts.wiring,
            &self.main(),
            &self.with_named(&texts.recipe),
        );
        if sets
            .iter()
            .any(crate::recordings::RecordingSet::is_unusable)
        {
            return None;
        }
        let job = Job::new(&texts.recipe, sets, &mut Diagnostics::default())?;
        let kept = job.typed.results.first()?;
        let keys = keys(&job, VERSION, |_| Vec::new());
        keys[kept.node].map(|k| k.to_hex().to_string())
    }

    /// The number of this variant in the columns and the unit of the report.
    pub fn compute(
        &self,
        report: &Report,
        options: &Options<'_>,
        monitor: &Monitor,
    ) -> Result<Vec<f64>, String> {
        let texts = self.texts(options.registry)?;
        let with = self.with_named(&texts.recipe);
        let point = Some(self.point);
        let again = run_again(
            &texts,
            self.main(),
            with,
            point,
            None,
            options.threads,
            monitor,
        );
        let again = again.map_err(|e| e.to_string())?;
        let record = Record::open(again.scratch.path()).map_err(|e| e.to_string())?;
        let chosen = record.lineage.entries.first().and_then(|entry| {
            let mut outputs = entry.outputs.iter();
            let output = outputs.find(|o| o.name == self.output)?;
            Some(Chosen {
                entry,
                output,
                point: None,
            })
        });
        let chosen = chosen.ok_or("the output is not computed")?;
        // It is the only one where no stage needs others.
        let point = match chosen.output.points {
            1 => 0,
            _ => self.point,
        };
        let path = format!(
            "/{}/{}/{}",
            chosen.entry.name, chosen.output.name, report.columns[0]
        );
        let unit = record.file.attribute(&path, "units").unwrap_or_default();
        let factor = super::factor(&unit, &report.unit).ok_or("its unit has another dimension")?;
        let rows = super::row(&record, chosen, &report.columns, point, factor);
        let rows = rows.map_err(|e| e.to_string())?;
        let at = report.sample.unwrap_or(0) as usize;
        let numbers = rows.iter().map(|r| r.get(at).copied());
        let numbers: Option<Vec<f64>> = numbers.collect();
        let numbers = numbers.ok_or("there is no such sample")?;
        match numbers.iter().any(|x| x.is_nan()) {
            true => Err("it gives no number".into()),
            false => Ok(numbers),
        }
    }
}

fn samples(record: &Record, chosen: Chosen<'_>, node: &Node) -> Option<Vec<crate::store::Hash>> {
    record.samples(&chosen.entry.name, &node.name).ok()
}

/// The texts of the second file, and the name of the output in them, with the names that the first has for the same
/// stages: a stage is the same where its key is, or where it alone is of its kind and reads the same.
pub(super) fn renamed(
    of_a: Chosen<'_>,
    of_b: Chosen<'_>,
    texts: Texts,
    registry: &Registry,
) -> Result<(Texts, String), DifferError> {
    let mut names: Vec<(String, String)> = Vec::new();
    let free = |n: &Node, other: &Entry| n.input.is_none() && other.node(&n.name).is_none();
    for node in of_b.entry.nodes.iter().filter(|n| free(n, of_a.entry)) {
        let here = |read: &String| {
            let (stage, port) = crate::graph::split(read);
            let known = names.iter().find(|(b, _)| b == stage);
            let stage = known.map_or(stage, |(_, a)| a);
            port.map_or(stage.to_owned(), |port| format!("{stage}.{port}"))
        };
        let reads: Vec<String> = node.reads.iter().map(here).collect();
        let taken = |n: &Node| names.iter().any(|(_, a)| *a == n.name);
        let candidates: Vec<&Node> = of_a
            .entry
            .nodes
            .iter()
            .filter(|n| free(n, of_b.entry) && n.stage == node.stage && !taken(n))
            .collect();
        let by_key = candidates.iter().find(|n| n.key == node.key);
        let alike: Vec<&&Node> = candidates.iter().filter(|n| n.reads == reads).collect();
        let twin = by_key.or(match alike.as_slice() {
            [one] => Some(one),
            _ => None,
        });
        if let Some(twin) = twin {
            names.push((node.name.clone(), twin.name.clone()));
        }
    }
    if names.is_empty() {
        return Ok((texts, of_b.output.name.clone()));
    }
    let renamed = |flow: &str| {
        let (stage, port) = crate::graph::split(flow);
        let (_, new) = names.iter().find(|(b, _)| b == stage)?;
        Some(port.map_or(new.clone(), |port| format!("{new}.{port}")))
    };
    let recipe = &texts.recipe;
    let mut edits: Vec<(std::ops::Range<usize>, String)> = Vec::new();
    for stage in &recipe.stages {
        // The place of a name is within its quotation marks, that of a flow around them.
        if let Some(new) = renamed(&stage.name.text) {
            edits.push((stage.name.place.range.clone(), new));
        }
        for flow in &stage.described.flows {
            edits.extend(renamed(&flow.text).map(|n| (flow.place.range.clone(), format!("{n:?}"))));
        }
    }
    for flow in &recipe.results {
        edits.extend(renamed(&flow.text).map(|n| (flow.place.range.clone(), format!("{n:?}"))));
    }
    for unit in &recipe.units {
        edits.extend(renamed(&unit.flow.text).map(|n| (unit.flow.place.range.clone(), n)));
    }
    edits.sort_by_key(|(range, _)| std::cmp::Reverse(range.start));
    let mut text = recipe.source.text.clone();
    edits
        .into_iter()
        .for_each(|(range, new)| text.replace_range(range, &new));
    let (recipe, found) = Recipe::parse(&recipe.source.name, &text, registry);
    let recipe = recipe.filter(|_| !found.has_errors());
    let unfit = || {
        DifferError::Unfit(
            "the stages of the second recipe cannot be given the names of the first".into(),
        )
    };
    let output = renamed(&of_b.output.name).unwrap_or_else(|| of_b.output.name.clone());
    let recipe = recipe.ok_or_else(unfit)?;
    Ok((Texts { recipe, ..texts }, output))
}
