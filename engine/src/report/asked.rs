//! What was asked: the title, the author's own words, what was recorded, what is known beforehand, what is to come out.

use super::{Block, Cell, Section, Subject, Table, counted};
use crate::lineage::{InputFacts, stated};

/// The section.
pub fn asked(subject: &Subject<'_>) -> Section {
    let (entry, saved) = (subject.entry, subject.saved);
    let mut blocks = Vec::new();
    let words = opening(&saved.recipe.text);
    if !words.is_empty() {
        blocks.push(Block::Text(words));
    }
    let beside = |name: &str| {
        subject
            .columns
            .iter()
            .any(|c| c.output.name == name && c.told_elsewhere)
    };
    let names: Vec<&str> = entry
        .outputs
        .iter()
        .map(|o| o.name.as_str())
        .filter(|n| !beside(n))
        .collect();
    let mut facts = vec![("To be found".to_owned(), names.join(", "))];
    for recording in &entry.recordings {
        let what = match recording.name.as_str() {
            "" => "Recording".to_owned(),
            name => format!("Recording \"{name}\""),
        };
        let points: u64 = recording.files.iter().map(|f| f.points).sum();
        let along =
            recording
                .axis
                .as_ref()
                .map_or(String::new(), |axis| match axis.unit.as_str() {
                    "" | "1" => format!(" along {}", axis.name),
                    unit => format!(" along {} in {unit}", axis.name),
                });
        let files = match recording.files.as_slice() {
            [one] => file_name(&one.path),
            [first, .., last] => format!(
                "{}, {} to {}",
                counted(recording.files.len() as u64, "file"),
                file_name(&first.path),
                file_name(&last.path)
            ),
            [] => String::new(),
        };
        facts.push((
            what,
            format!("{files}: {}{along}", counted(points, "point")),
        ));
    }
    let lineage = saved.lineage();
    let by = lineage
        .operator
        .as_ref()
        .map_or(String::new(), |name| format!(" by {name}"));
    facts.push((
        "Computed".into(),
        format!(
            "{}{by}, with phasemill {}",
            spoken_time(&lineage.began),
            lineage.program
        ),
    ));
    if let Some(older) = &saved.supersedes {
        facts.push((
            "Takes the place of".into(),
            format!("{} ({})", older.file, older.reasons.join("; ")),
        ));
    }
    blocks.push(Block::Facts(facts));
    blocks.extend(channels(subject));
    blocks.extend(constants(subject));
    let sentences: Vec<String> = entry
        .nodes
        .iter()
        .map(|n| n.method.clone())
        .filter(|m| !m.is_empty())
        .collect();
    if !sentences.is_empty() {
        blocks.push(Block::More(
            "The recipe in words, step by step".into(),
            vec![Block::List(sentences)],
        ));
    }
    let mut texts = vec![Block::Verbatim(saved.recipe.text.clone())];
    if let Some(wiring) = &saved.wiring {
        texts.push(Block::Heading(
            "The wiring, which says where the channels are".into(),
        ));
        texts.push(Block::Verbatim(wiring.text.clone()));
    }
    blocks.push(Block::More("The recipe as it was run".into(), texts));
    Section::new("asked", "What was asked", blocks)
}

/// The comment at the beginning of a recipe, in which its author says what it is for.
fn opening(text: &str) -> String {
    let lines = text.lines().map(str::trim).skip_while(|l| l.is_empty());
    let words = lines
        .map_while(|l| l.strip_prefix("//"))
        .map(|l| l.trim_start_matches('/').trim());
    words.collect::<Vec<_>>().join(" ").trim().to_owned()
}

/// A time on record as one reads it: `2026-11-25 21:40:13 UTC`.
fn spoken_time(time: &str) -> String {
    time.replacen('T', " ", 1).replace('Z', " UTC")
}

/// A path without its folders.
fn file_name(path: &str) -> String {
    path.rsplit(['/', '\\']).next().unwrap_or(path).to_owned()
}

/// How long a point is; of those cut from a record, from the shortest to the longest.
fn lasts(input: &InputFacts) -> Cell {
    let seconds = |samples: u64| stated(samples as f64 / input.rate, "s");
    let lengths = || {
        input
            .cuts
            .iter()
            .map(|(_, length)| *length)
            .filter(|n| *n > 0)
    };
    match lengths().min().zip(lengths().max()) {
        Some((shortest, longest)) if shortest < longest => {
            Cell::Text(format!("{} to {}", seconds(shortest), seconds(longest)))
        }
        _ => Cell::Number(seconds(input.length)),
    }
}

fn channels(subject: &Subject<'_>) -> Option<Block> {
    let inputs = subject
        .entry
        .nodes
        .iter()
        .filter_map(|n| Some((n, n.input.as_ref()?)));
    let row = |(node, input): (&crate::lineage::Node, &InputFacts)| {
        let number = |x: f64, unit: &str| Cell::Number(stated(x, unit));
        let unit = if input.unit == "1" {
            String::new()
        } else {
            input.unit.clone()
        };
        vec![
            Cell::Text(node.name.clone()),
            Cell::Text(if input.recording.is_empty() {
                "main".into()
            } else {
                input.recording.clone()
            }),
            Cell::Text(unit),
            number(input.rate, "Hz"),
            lasts(input),
            Cell::Text(
                input
                    .start_time
                    .clone()
                    .unwrap_or_else(|| "not stated".into()),
            ),
        ]
    };
    let rows: Vec<Vec<Cell>> = inputs.map(row).collect();
    let head = [
        "channel",
        "recording",
        "unit",
        "sample rate",
        "a point lasts",
        "began",
    ];
    (!rows.is_empty()).then(|| {
        Block::Table(Table {
            caption: "The channels that were read".into(),
            head: head.map(String::from).to_vec(),
            rows,
        })
    })
}

fn constants(subject: &Subject<'_>) -> Option<Block> {
    let mut rows: Vec<Vec<String>> = Vec::new();
    for c in subject.entry.nodes.iter().flat_map(|n| &n.constants) {
        let origin: Vec<&str> = [c.source.as_str(), c.date.as_str()]
            .into_iter()
            .filter(|t| !t.is_empty())
            .collect();
        let origin = if origin.is_empty() {
            "not stated".to_owned()
        } else {
            origin.join(", ")
        };
        let row = vec![
            c.name.clone(),
            c.value.clone(),
            c.told_uncertainty(),
            origin,
        ];
        if !rows.contains(&row) {
            rows.push(row);
        }
    }
    let head = ["constant", "value", "standard uncertainty", "source"];
    (!rows.is_empty())
        .then(|| Block::Table(Table::of_texts("What was known beforehand", &head, rows)))
}

#[cfg(test)]
mod tests {
    use super::opening;

    #[test]
    fn the_opening_comment_is_one_text() {
        assert_eq!(
            opening("\n// One.\n//  Two\nRecipe(\n// three\n)"),
            "One. Two"
        );
        assert_eq!(opening("Recipe() // no"), "");
    }
}
