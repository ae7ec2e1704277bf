//! What stands behind the answer: quality of the references, troubles, what the uncertainty is made of, how it was
//! made, and the paragraph for a paper.

use super::answer::{axis, in_words, of_column, title, with_unit};
use super::samples::Wanted;
use super::{Block, Cell, Column, Notice, Section, Subject, Table, counted};
use crate::lineage::{Chosen, Node};
use crate::saved::budget;
use crate::store::StoreError;
use crate::units::{Unit, format_quantity};

/// Troubles that are shown at once; the others are out of sight.
const SHOWN: usize = 12;
/// Lines of a budget.
const LINES: usize = 12;

/// Quality of the references: what the file keeps of them.
pub fn quality(subject: &Subject<'_>, found: Vec<Block>) -> Section {
    let clocks: Vec<&Node> = subject
        .entry
        .nodes
        .iter()
        .filter(|n| Subject::is_clock(n))
        .collect();
    let mut blocks = Vec::new();
    if clocks.is_empty() {
        blocks.push(Block::Text(
            "This recipe uses no recorded reference.".into(),
        ));
    }
    for clock in &clocks {
        let own: Vec<&Column<'_>> = subject
            .columns
            .iter()
            .filter(|c| c.output.node == clock.name)
            .collect();
        if own.is_empty() {
            continue;
        }
        blocks.push(Block::Heading(format!("Reference \"{}\"", clock.name)));
        for column in own {
            blocks.extend(of_column(subject, column));
        }
    }
    if blocks.is_empty() && found.is_empty() {
        let names: Vec<String> = clocks
            .iter()
            .map(|c| format!("`{}.frequency`", c.name))
            .collect();
        blocks.push(Block::Text(format!(
            "The result file keeps nothing of how good the reference was; name {} among the results of the recipe to keep it.",
            names.join(", ")
        )));
    }
    blocks.extend(found);
    Section::new("reference", "Quality of the reference", blocks)
}

/// What failed and what was warned of.
pub fn troubles(subject: &Subject<'_>) -> Section {
    let mut all: Vec<&super::Trouble> = subject.troubles.iter().collect();
    all.sort_by_key(|t| (t.kind, t.point));
    let notices: Vec<Block> = all
        .iter()
        .map(|t| Block::Notice(t.kind, t.text.clone()))
        .collect();
    let left_out = &subject.saved.lineage().left_out;
    let mut blocks: Vec<Block> = left_out
        .iter()
        .map(|one| {
            let text =
                format!("the run left out another recording, which could not be used: {one}");
            Block::Notice(Notice::Warning, text)
        })
        .collect();
    if notices.is_empty() {
        let of = if left_out.is_empty() {
            ""
        } else {
            " of this recording"
        };
        blocks.push(Block::Text(format!(
            "Nothing{of} failed, and nothing was warned of."
        )));
    } else {
        let count = |kind: Notice| all.iter().filter(|t| t.kind == kind).count() as u64;
        blocks.push(Block::Text(format!(
            "{} and {}.",
            counted(count(Notice::Failed), "failure"),
            counted(count(Notice::Warning), "warning")
        )));
    }
    let mut notices = notices;
    let rest = notices.split_off(notices.len().min(SHOWN));
    blocks.extend(notices);
    if !rest.is_empty() {
        blocks.push(Block::More(format!("{} more", rest.len()), rest));
    }
    Section::new("warnings", "Warnings and failures", blocks)
}

/// What the uncertainty of the main output is made of, at some points.
///
/// # Errors
/// [`StoreError`] when it cannot be read.
pub fn budgets(subject: &Subject<'_>, wanted: &[Wanted]) -> Result<Section, StoreError> {
    let mut blocks = vec![Block::Text(
        "Each source of uncertainty with what it contributes to the standard uncertainty, and its share of the variance. \
         Type A comes from the scatter of the samples, type B from what was known beforehand (JCGM 100:2008, 2.3.2 and 2.3.3)."
            .into(),
    )];
    let evaluated = subject.main().filter(|c| c.evaluated);
    if let Some(column) = evaluated {
        let first = Wanted {
            point: 0,
            why: String::new(),
        };
        let usable = |w: &&Wanted| {
            let value = column.size().and_then(|n| n.u.get(w.point as usize));
            value.is_some_and(|u| u.is_finite())
        };
        let points: Vec<&Wanted> = match column.output.points {
            1 => vec![&first],
            _ => wanted.iter().filter(usable).take(2).collect(),
        };
        for wanted in points {
            blocks.extend(budget_of(subject, column, wanted)?);
        }
    }
    if blocks.len() == 1 {
        blocks = vec![Block::Text("No uncertainty was evaluated.".into())];
    }
    Ok(Section::new(
        "budget",
        "What the uncertainty is made of",
        blocks,
    ))
}

fn budget_of(
    subject: &Subject<'_>,
    column: &Column<'_>,
    wanted: &Wanted,
) -> Result<Option<Block>, StoreError> {
    let lines = budget(
        &subject.saved.record.file,
        &subject.group(column.output),
        wanted.point,
    )?;
    if lines.is_empty() {
        return Ok(None);
    }
    let flow = subject.entry.flow(column.output);
    let unit = flow
        .and_then(|f| Unit::parse(&f.unit).ok())
        .unwrap_or_else(Unit::one);
    let complex = column.numbers.len() > 1;
    let shown = |x: f64| Cell::Number(format_quantity(x * unit.si_factor(), &unit, 3));
    let mut rows = Vec::new();
    for line in lines.iter().take(LINES) {
        let quantity = line
            .told_quantity()
            .map_or(String::new(), |quantity| format!(" ({quantity})"));
        let mut row = vec![
            Cell::Text(format!("{}{quantity}", line.source)),
            Cell::Text(line.evaluation.clone()),
            Cell::Number(
                line.degrees_of_freedom
                    .map_or("∞".into(), |n| format!("{n:.1}")),
            ),
            shown(line.contribution[0]),
        ];
        if complex {
            row.push(shown(line.contribution[1]));
        }
        row.push(Cell::Share(line.share));
        rows.push(row);
    }
    let mut head: Vec<String> = ["source", "type", "degrees of freedom"]
        .map(String::from)
        .to_vec();
    match complex {
        true => head.extend(["in phase", "quadrature"].map(String::from)),
        false => head.push("contribution".into()),
    }
    head.push("share of the variance".into());
    let more = match lines.len() > LINES {
        true => format!("; the {LINES} largest of {}", lines.len()),
        false => String::new(),
    };
    let value = column.size().map_or(String::new(), |n| {
        in_words(column, n, wanted.point as usize)
    });
    let place = match column.output.points {
        1 => String::new(),
        _ => format!(" at point {}{}", wanted.point, place(column, wanted)),
    };
    Ok(Some(Block::Table(Table {
        caption: format!("{}{place}: {value}{more}", title(column)),
        head,
        rows,
    })))
}

/// Where on the axis a point lies, and why it is shown.
pub(super) fn place(column: &Column<'_>, wanted: &Wanted) -> String {
    let along = axis(column);
    let at = column
        .places
        .get(wanted.point as usize)
        .filter(|_| along.label != "point");
    let at = at.map_or(String::new(), |x| {
        format!(", {} {}", along.label, with_unit(*x, &along.unit))
    });
    format!("{at} ({})", wanted.why)
}

/// How the numbers were made, as the record tells it.
///
/// # Errors
/// [`StoreError`] when a table of hashes cannot be read.
pub fn lineage(subject: &Subject<'_>, wanted: &[Wanted]) -> Result<Section, StoreError> {
    let (entry, record) = (subject.entry, &subject.saved.record);
    let mut blocks = vec![Block::Text(format!(
        "Every number has a key, a hash over all that it was made from; `phasemill verify` computes everything again and compares bit by bit. \
         The record of this file has the hash {}.",
        subject.saved.identity()
    ))];
    if !record.is_whole() {
        blocks.push(Block::Notice(
            Notice::Failed,
            "the record is not what was sealed when the file was written: something changed it since".into(),
        ));
    }
    let main = subject.main().map(|c| c.output).or(entry.outputs.first());
    if let Some(output) = main {
        let point = wanted
            .first()
            .map(|w| w.point)
            .filter(|_| output.points > 1);
        let story = record.story(Chosen {
            entry,
            output,
            point,
        })?;
        let of = point.map_or(String::new(), |p| format!("[{p}]"));
        blocks.push(Block::More(
            format!("The story of {}{of}, back to the samples", output.name),
            vec![Block::Verbatim(story)],
        ));
    }
    let lines: Vec<Vec<String>> = entry
        .outputs
        .iter()
        .map(|o| vec![o.name.clone(), o.key.clone()])
        .collect();
    blocks.push(Block::More(
        "The keys of all outputs".into(),
        vec![Block::Table(Table::of_texts(
            "Derivation keys",
            &["output", "key"],
            lines,
        ))],
    ));
    Ok(Section::new("lineage", "How it was made", blocks))
}

/// The paragraph for the methods section of a paper.
pub fn methods(subject: &Subject<'_>) -> Section {
    let entry = subject.entry;
    let chosen: Vec<Chosen<'_>> = entry.everything().collect();
    let text = crate::lineage::methods(subject.saved.lineage(), entry, &chosen);
    Section::new(
        "methods",
        "A paragraph for a paper",
        vec![Block::Text(text)],
    )
}
