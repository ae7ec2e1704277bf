//! Many results on one page: a line with a small drawing for each, what needs attention first.

use std::cmp::Ordering;

use super::answer::{in_words, plot};
use super::draw::thumbnail;
use super::{Block, Cell, Column, Notice, Page, Section, Subject, Table, counted};
use crate::lineage::file_name;

/// What is known of one entry at a glance.
#[derive(Clone, Debug, PartialEq)]
pub struct Glance {
    /// Its name.
    pub name: String,
    /// The result file that it is in, without its folder.
    pub file: String,
    /// Title of its recipe.
    pub title: String,
    /// The page about it, beside the index.
    pub page: String,
    /// Failures.
    pub failed: usize,
    /// Warnings.
    pub warnings: usize,
    /// Points whose interval was drawn.
    pub drawn: usize,
    /// Points at which nothing was detected.
    pub missed: usize,
    /// Largest relative standard uncertainty.
    pub worst: Option<f64>,
    /// The answer in words.
    pub answer: String,
    /// A small drawing (SVG).
    pub drawing: String,
}

impl Glance {
    /// Looks at an entry.
    pub fn of(subject: &Subject<'_>, page: &str) -> Self {
        let count = |kind: Notice| subject.troubles.iter().filter(|t| t.kind == kind).count();
        let mut glance = Glance {
            name: subject.entry.name.clone(),
            file: file_name(&subject.saved.path().to_string_lossy()).to_owned(),
            title: subject.entry.title.clone(),
            page: page.into(),
            failed: count(Notice::Failed) + subject.unfit.len(),
            warnings: count(Notice::Warning),
            drawn: 0,
            missed: 0,
            worst: None,
            answer: "no estimate".into(),
            drawing: String::new(),
        };
        if let Some(column) = subject.main() {
            glance.look(column, subject);
        }
        glance
    }

    fn look(&mut self, column: &Column<'_>, subject: &Subject<'_>) {
        let Some(size) = column.size() else { return };
        let points = 0..size.values.len();
        let count = |is: &dyn Fn(usize) -> bool| points.clone().filter(|p| is(*p)).count();
        self.drawn = count(&|p| column.is_drawn(size, p));
        self.missed = count(&|p| column.is_missed(p));
        let relative = points.clone().map(|p| (size.u[p] / size.values[p]).abs());
        self.worst = relative.filter(|r| r.is_finite()).max_by(f64::total_cmp);
        self.answer = match column.output.points {
            1 => format!("{} {}", column.output.name, in_words(column, size, 0)),
            _ => match size.range() {
                Some(range) => format!("{} {range}", column.output.name),
                None => format!("{}: no value", column.output.name),
            },
        };
        if column.output.points > 1 {
            self.drawing = thumbnail(
                &plot(column, size, &subject.troubles),
                &format!("{} of {}", column.output.name, self.name),
            );
        }
    }

    /// What needs attention, in words.
    fn watched(&self) -> String {
        let some = |n: usize, what: &str| (n > 0).then(|| counted(n as u64, what));
        let parts = [
            some(self.failed, "failure"),
            some(self.warnings, "warning"),
            some(self.drawn, "drawn interval"),
            (self.missed > 0).then(|| format!("{} not detected", self.missed)),
        ];
        let parts: Vec<String> = parts.into_iter().flatten().collect();
        if parts.is_empty() {
            "nothing".into()
        } else {
            parts.join(", ")
        }
    }

    /// What needs attention comes first: failures, warnings, drawn intervals, what was not detected, then the largest
    /// relative uncertainty; by name where all are equal.
    pub fn before(&self, other: &Glance) -> Ordering {
        let many = |g: &Glance| (g.failed, g.warnings, g.drawn, g.missed);
        many(other)
            .cmp(&many(self))
            .then(
                other
                    .worst
                    .unwrap_or(-1.0)
                    .total_cmp(&self.worst.unwrap_or(-1.0)),
            )
            .then(self.name.cmp(&other.name))
            .then(self.page.cmp(&other.page))
    }
}

/// The page that lists them; `left_out` says of files that are not shown why.
pub fn index(mut glances: Vec<Glance>, left_out: &[String]) -> Page {
    glances.sort_by(Glance::before);
    let row = |g: &Glance| {
        vec![
            Cell::Link {
                to: g.page.clone(),
                text: g.name.clone(),
            },
            Cell::Text(g.file.clone()),
            Cell::Text(g.title.clone()),
            Cell::Drawing(g.drawing.clone()),
            Cell::Text(g.answer.clone()),
            Cell::Text(g.watched()),
            Cell::Number(
                g.worst
                    .map_or("none".into(), |w| crate::lineage::spoken(w, "%")),
            ),
        ]
    };
    let head = [
        "recording",
        "result file",
        "recipe",
        "",
        "answer",
        "to be watched",
        "uncertainty",
    ];
    let mut blocks = vec![Block::Table(Table {
        caption: "What needs attention comes first: failures, warnings, drawn intervals, what was not detected, then \
                  the uncertainty: the largest relative standard uncertainty of the points"
            .into(),
        head: head.map(String::from).to_vec(),
        rows: glances.iter().map(row).collect(),
    })];
    blocks.extend(
        left_out
            .iter()
            .map(|why| Block::Notice(Notice::Warning, why.clone())),
    );
    let failed = glances.iter().filter(|g| g.failed > 0).count() as u64;
    Page {
        title: counted(glances.len() as u64, "result"),
        subtitle: format!(
            "{} with failures; each name leads to a page of its own",
            counted(failed, "result")
        ),
        sections: vec![Section::new("index", "All results", blocks)],
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn glance(name: &str, counts: [usize; 4], worst: Option<f64>) -> Glance {
        Glance {
            name: name.into(),
            file: String::new(),
            title: String::new(),
            page: format!("{name}.html"),
            failed: counts[0],
            warnings: counts[1],
            drawn: counts[2],
            missed: counts[3],
            worst,
            answer: String::new(),
            drawing: String::new(),
        }
    }

    #[test]
    fn what_needs_attention_comes_first() {
        let all = vec![
            glance("good", [0; 4], Some(0.01)),
            glance("wide", [0; 4], Some(0.5)),
            glance("missed", [0, 0, 0, 3], None),
            glance("drawn", [0, 0, 1, 0], None),
            glance("warned", [0, 2, 0, 0], None),
            glance("failed", [1, 0, 0, 0], None),
            glance("none", [0; 4], None),
        ];
        let page = index(all, &[]);
        let Block::Table(table) = &page.sections[0].blocks[0] else {
            panic!("no table")
        };
        let names: Vec<&Cell> = table.rows.iter().map(|r| &r[0]).collect();
        let expected = [
            "failed", "warned", "drawn", "missed", "wide", "good", "none",
        ];
        for (name, expected) in names.iter().zip(expected) {
            assert!(
                matches!(name, Cell::Link { text, .. } if text == expected),
                "{names:?}"
            );
        }
    }
}
