//! The catalogue of stages, made from the registry: what each does, its settings, an example.

use std::fmt::Write;

use crate::stage::{Registry, Stage};
use crate::text::{Doc, Shape, described};

/// The settings of a stage.
pub fn settings(stage: &dyn Stage) -> Vec<Doc> {
    described(|reader| drop(stage.read(reader)))
}

/// The first sentence of a documentation text.
pub fn first_sentence(doc: &str) -> &str {
    doc.split_inclusive(". ").next().unwrap_or(doc).trim_end()
}

/// The page of one stage, for a terminal.
pub fn page(stage: &dyn Stage) -> String {
    let mut text = format!(
        "{}\n\n{}\n\nSettings\n",
        stage.name(),
        wrapped(stage.doc(), 80)
    );
    list(&settings(stage), 1, &mut text);
    let _ = write!(text, "\nExample\n\n{}\n", stage.example());
    text
}

/// The whole catalogue as Markdown.
pub fn markdown(registry: &Registry) -> String {
    let mut text =
        String::from("# Stages\n\nMade by `phasemill stages --markdown`; do not edit by hand.\n");
    for stage in registry.iter() {
        let _ = write!(
            text,
            "\n## {}\n\n{}\n\n```text\n",
            stage.name(),
            wrapped(stage.doc(), 100)
        );
        list(&settings(stage), 0, &mut text);
        let _ = write!(text, "```\n\n```ron\n{}\n```\n", stage.example());
    }
    text
}

/// Settings as a list, a line each.
pub fn listing(docs: &[Doc]) -> String {
    let mut text = String::new();
    list(docs, 0, &mut text);
    text
}

fn list(docs: &[Doc], depth: usize, text: &mut String) {
    let pad = "    ".repeat(depth);
    for doc in docs {
        let name = if doc.name.is_empty() {
            "(value)"
        } else {
            doc.name
        };
        let default = match (doc.default, doc.optional) {
            (Some(default), _) => format!(", by default {default}"),
            (None, true) => ", may be left out".into(),
            (None, false) => String::new(),
        };
        let _ = writeln!(
            text,
            "{pad}{name}: {} ({}{default})",
            doc.doc,
            shape(&doc.shape)
        );
        let variants = match &doc.shape {
            Shape::Map(inner) => inner.as_ref(),
            shape => shape,
        };
        if let Shape::Choice(variants) = variants {
            for (variant, meaning, settings) in variants {
                let _ = writeln!(text, "{pad}    {variant}: {meaning}");
                list(settings, depth + 2, text);
            }
        }
    }
}

fn shape(shape: &Shape) -> String {
    match shape {
        Shape::Flow => "a flow's name".into(),
        Shape::Flows => "a list of flows' names".into(),
        Shape::Quantity(unit, range) => format!("a quantity in {unit}, {range}"),
        Shape::Quantities(unit, range) => format!("a list of quantities in {unit}, {range}"),
        Shape::Integer(low, high) => format!("a whole number, {low} to {high}"),
        Shape::Number(range) => format!("a number, {range}"),
        Shape::Flag => "true or false".into(),
        Shape::Text => "a text".into(),
        Shape::Factor => "a constant's name, or a quantity".into(),
        Shape::Constant(unit, range) => {
            format!("a constant's name, or a quantity in {unit}, {range}")
        }
        Shape::Factors => "a list of quantities".into(),
        Shape::Map(inner) => format!("a map of names to entries, each {}", self::shape(inner)),
        Shape::Choice(_) => "one of the following".into(),
    }
}

/// Breaks a text into lines of at most `width` characters.
fn wrapped(text: &str, width: usize) -> String {
    let mut lines = vec![String::new()];
    for word in text.split_whitespace() {
        let fits = lines
            .last()
            .is_some_and(|l| l.is_empty() || l.chars().count() + 1 + word.chars().count() <= width);
        match lines.last_mut() {
            Some(line) if fits => {
                if !line.is_empty() {
                    line.push(' ');
                }
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines.join("\n")
}
