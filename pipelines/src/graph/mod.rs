//! The lineage of outputs as a graph: one box for each node with its stage and settings, one arrow for each
//! flow with its unit and rate; as Graphviz text, or laid out as a drawing (SVG 1.1).

mod drawing;
mod layout;

use std::fmt::Write;

use phasemill_engine::lineage::{Chosen, Entry, Node, stated};

pub use drawing::svg;

/// Characters of a line in a box.
const WIDEST: usize = 30;
/// Lines of settings in a box.
const MOST_LINES: usize = 3;

/// What is drawn.
pub struct Graph {
    /// Each after what it reads.
    pub boxes: Vec<Box>,
    /// From box to box.
    pub arrows: Vec<Arrow>,
}

/// One node.
pub struct Box {
    /// Its name.
    pub name: String,
    /// The stage, then settings, a line each.
    pub lines: Vec<String>,
    /// Whether it is kept.
    pub kept: bool,
    /// Whether it is an input.
    pub input: bool,
}

/// One flow.
pub struct Arrow {
    /// Box that it comes from.
    pub from: usize,
    /// Box that reads it.
    pub to: usize,
    /// Port, unit and rate.
    pub label: String,
}

impl Graph {
    /// The nodes behind all outputs of an entry.
    pub fn whole(entry: &Entry) -> Self {
        Graph::of(entry, &entry.everything().collect::<Vec<_>>())
    }

    /// The nodes behind some outputs of one entry.
    pub fn of(entry: &Entry, chosen: &[Chosen<'_>]) -> Self {
        let behind = |node: &&Node| {
            let chain = |c: &Chosen<'_>| entry.chain(c.output).iter().any(|n| n.name == node.name);
            chosen.iter().any(chain)
        };
        let nodes: Vec<&Node> = entry.nodes.iter().filter(behind).collect();
        let boxes = nodes.iter().map(|node| Box {
            name: node.name.clone(),
            lines: lines(entry, node),
            kept: chosen.iter().any(|c| c.output.node == node.name),
            input: node.input.is_some(),
        });
        let mut arrows = Vec::new();
        for (to, node) in nodes.iter().enumerate() {
            for read in &node.reads {
                let (stage, port) = read.split_once('.').unwrap_or((read, ""));
                let from = nodes.iter().position(|n| n.name == stage);
                if let Some(from) = from {
                    let label = label(nodes[from], port);
                    arrows.push(Arrow { from, to, label });
                }
            }
        }
        Graph {
            boxes: boxes.collect(),
            arrows,
        }
    }

    /// As text in Graphviz' language.
    pub fn dot(&self, title: &str) -> String {
        let quoted =
            |text: &str| format!("\"{}\"", text.replace('\\', "\\\\").replace('"', "\\\""));
        let mut out = format!(
            "digraph {} {{\n  rankdir=TB;\n  node [shape=box];\n",
            quoted(title)
        );
        for (k, node) in self.boxes.iter().enumerate() {
            let text = std::iter::once(&node.name).chain(&node.lines);
            let text: Vec<String> = text
                .map(|l| l.replace('\\', "\\\\").replace('"', "\\\""))
                .collect();
            let shape = match (node.kept, node.input) {
                (true, _) => ", peripheries=2",
                (_, true) => ", shape=folder",
                _ => "",
            };
            let _ = writeln!(out, "  n{k} [label=\"{}\"{shape}];", text.join("\\n"));
        }
        for arrow in &self.arrows {
            let label = quoted(&arrow.label);
            let _ = writeln!(out, "  n{} -> n{} [label={label}];", arrow.from, arrow.to);
        }
        out + "}\n"
    }
}

/// What a box says below the name: the stage, and its first settings; of an input, where it is from.
fn lines(entry: &Entry, node: &Node) -> Vec<String> {
    if let Some(input) = &node.input {
        let recording = entry.recordings.iter().find(|r| r.name == input.recording);
        let files = recording.map_or(&[][..], |r| &r.files);
        let name = |path: &str| path.rsplit(['/', '\\']).next().unwrap_or(path).to_owned();
        let file = match files {
            [] => String::new(),
            [one] => name(&one.path),
            [first, others @ ..] => format!("{} and {} more", name(&first.path), others.len()),
        };
        let lines = [format!("dataset {}", input.dataset), file];
        return lines
            .iter()
            .filter(|l| !l.is_empty())
            .map(|l| cut(l))
            .collect();
    }
    let mut settings: Vec<String> = Vec::new();
    let mut last = "";
    for (path, value) in &node.settings {
        let name = path.rsplit('.').next().unwrap_or(path).replace('_', " ");
        // The unnamed value of a choice belongs to it.
        match settings.last_mut() {
            Some(before) if path == last => *before += &format!(" {value}"),
            _ => settings.push(format!("{name} {}", said(node, path, value))),
        }
        last = path;
    }
    let mut lines = vec![cut(&node.stage)];
    for setting in settings {
        let full = lines.len() > MOST_LINES;
        let Some(line) = lines.last_mut().filter(|l| **l != node.stage) else {
            lines.push(cut(&setting));
            continue;
        };
        if line.chars().count() + 2 + setting.chars().count() <= WIDEST {
            *line += &format!(", {setting}");
        } else if full {
            *line += ", ...";
            break;
        } else {
            lines.push(cut(&setting));
        }
    }
    lines
}

/// A setting's value; a constant by its name.
fn said<'n>(node: &'n Node, path: &str, value: &'n str) -> &'n str {
    // The only settings in which constants are stated with their uncertainty.
    match node.constants.as_slice() {
        [constant] if value.contains(" (u ") && !path.is_empty() => &constant.name,
        _ => value.trim_matches('"'),
    }
}

fn cut(text: &str) -> String {
    match text.chars().count() {
        0..=WIDEST => text.to_owned(),
        _ => text.chars().take(WIDEST - 3).collect::<String>() + "...",
    }
}

/// Port, unit and rate of a flow.
fn label(node: &Node, port: &str) -> String {
    let Some(flow) = node.flows.iter().find(|f| f.port == port) else {
        return port.to_owned();
    };
    let unit = match flow.kind.as_str() {
        "clock" => "cycles",
        _ if flow.unit == "1" => "",
        _ => &flow.unit,
    };
    let rate = flow.rate.map(|rate| stated(rate, "Hz"));
    let parts = [port, unit, rate.as_deref().unwrap_or("")];
    let parts: Vec<&str> = parts.into_iter().filter(|p| !p.is_empty()).collect();
    parts.join(", ")
}
