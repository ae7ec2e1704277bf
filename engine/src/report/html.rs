//! A page as one HTML file: style, script, drawings and data within, nothing from elsewhere.

use std::fmt::Write;

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use serde_json::{Value, json};

use super::draw::{self, escaped};
use super::plot::{Places, Plot, Series};
use super::{Block, Cell, Page, Table};

const STYLE: &str = include_str!("page.css");
const DRAWING: &str = include_str!("plot.js");
const SCRIPT: &str = include_str!("page.js");

/// Values of a series up to which they are kept as doubles; longer ones have seven digits.
const EXACT: usize = 1 << 16;

/// Renders a page.
pub fn html(page: &Page) -> String {
    let title = escaped(&page.title);
    let mut out = format!(
        "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'\">\n\
         <title>{title}</title>\n<link rel=\"icon\" href=\"data:,\">\n<style>\n{STYLE}</style>\n</head>\n<body>\n\
         <a class=\"skip\" href=\"#content\">To the content</a>\n<header>\n<h1>{title}</h1>\n<p>{}</p>\n\
         <button type=\"button\" id=\"theme\" hidden>Dark</button>\n</header>\n",
        escaped(&page.subtitle)
    );
    let (mut contents, mut main) = (String::new(), String::new());
    for section in &page.sections {
        let (id, title) = (section.id, escaped(&section.title));
        let _ = writeln!(contents, "<li><a href=\"#{id}\">{title}</a></li>");
        let _ = writeln!(
            main,
            "<section id=\"{id}\" aria-labelledby=\"{id}-title\">\n<h2 id=\"{id}-title\">{title}</h2>"
        );
        blocks(&mut main, &section.blocks);
        main += "</section>\n";
    }
    if page.sections.len() > 1 {
        let _ = writeln!(
            out,
            "<nav aria-label=\"Contents\">\n<ol>\n{contents}</ol>\n</nav>"
        );
    }
    let _ = writeln!(out, "<main id=\"content\">\n{main}</main>");
    if !page.plots().is_empty() {
        out += KEYS;
    }
    for plot in page.plots() {
        let _ = writeln!(
            out,
            "<script type=\"application/json\" class=\"data\" data-plot=\"{}\">{}</script>",
            plot.id,
            data(plot)
        );
    }
    let _ = write!(
        out,
        "<script>\n\"use strict\";\n{DRAWING}{SCRIPT}</script>\n</body>\n</html>\n"
    );
    out
}

/// How plots are used, said once.
const KEYS: &str = "<aside id=\"keys\" aria-label=\"How to use the plots\">\n<h2>How to use the plots</h2>\n\
    <p>With a pointer: point at a plot to read a value, drag to zoom in, drag with Shift to move, double-click to see all. \
    With the keyboard: go to a plot with Tab; <kbd>←</kbd> <kbd>→</kbd> read one point after the other, <kbd>↑</kbd> <kbd>↓</kbd> change the curve, \
    <kbd>+</kbd> <kbd>−</kbd> zoom, <kbd>Shift</kbd> with <kbd>←</kbd> <kbd>→</kbd> moves, <kbd>Home</kbd> <kbd>End</kbd> go to the ends, \
    <kbd>0</kbd> shows all. A range that holds more points than the screen has columns is drawn by the smallest and largest value of each column.</p>\n</aside>\n";

fn blocks(out: &mut String, all: &[Block]) {
    for block in all {
        match block {
            Block::Heading(text) => {
                let _ = writeln!(out, "<h3>{}</h3>", escaped(text));
            }
            Block::Text(text) => {
                let _ = writeln!(out, "<p>{}</p>", escaped(text));
            }
            Block::Answer { name, value, note } => {
                let _ = writeln!(
                    out,
                    "<div class=\"answer\"><h3>{}</h3><p class=\"value\">{}</p><p class=\"note\">{}</p></div>",
                    escaped(name),
                    escaped(value),
                    escaped(note)
                );
            }
            Block::Facts(facts) => {
                out.push_str("<dl>\n");
                for (name, text) in facts {
                    let _ = writeln!(out, "<dt>{}</dt><dd>{}</dd>", escaped(name), escaped(text));
                }
                out.push_str("</dl>\n");
            }
            Block::List(items) => {
                out.push_str("<ul>\n");
                for item in items {
                    let _ = writeln!(out, "<li>{}</li>", escaped(item));
                }
                out.push_str("</ul>\n");
            }
            Block::Notice(kind, text) => {
                let _ = writeln!(
                    out,
                    "<p class=\"notice {}\"><strong>{}:</strong> {}</p>",
                    kind.word().to_lowercase(),
                    kind.word(),
                    escaped(text)
                );
            }
            Block::Table(one) => table(out, one),
            Block::Plot(one) => plot(out, one),
            Block::Drawing { svg, about } => {
                let _ = writeln!(
                    out,
                    "<figure class=\"drawing\"><div class=\"wide\" tabindex=\"0\" role=\"group\" aria-label=\"{0}\">{svg}</div><figcaption>{0}</figcaption></figure>",
                    escaped(about)
                );
            }
            Block::Verbatim(text) => {
                let _ = writeln!(out, "<pre tabindex=\"0\">{}</pre>", escaped(text));
            }
            Block::More(title, within) => {
                let _ = writeln!(out, "<details><summary>{}</summary>", escaped(title));
                blocks(out, within);
                out.push_str("</details>\n");
            }
        }
    }
}

fn table(out: &mut String, table: &Table) {
    let _ = write!(
        out,
        "<p class=\"caption\">{0}</p><div class=\"wide\" tabindex=\"0\" role=\"group\" aria-label=\"{0}\"><table aria-label=\"{0}\"><thead><tr>",
        escaped(&table.caption)
    );
    let numeric = |column: usize| {
        let cell = table.rows.first().and_then(|row| row.get(column));
        matches!(cell, Some(Cell::Number(_)))
    };
    for (column, head) in table.head.iter().enumerate() {
        let class = if numeric(column) {
            " class=\"number\""
        } else {
            ""
        };
        let _ = write!(out, "<th scope=\"col\"{class}>{}</th>", escaped(head));
    }
    out.push_str("</tr></thead><tbody>\n");
    for row in &table.rows {
        out.push_str("<tr>");
        for (column, cell) in row.iter().enumerate() {
            let (class, inside) = match cell {
                Cell::Text(text) => ("", escaped(text)),
                Cell::Number(text) => (" class=\"number\"", escaped(text)),
                Cell::Link { to, text } => (
                    "",
                    format!("<a href=\"{}\">{}</a>", escaped(to), escaped(text)),
                ),
                Cell::Drawing(svg) => ("", svg.clone()),
                Cell::Share(part) => {
                    let percent = 100.0 * part;
                    let bar = format!(
                        "<svg class=\"share\" width=\"80\" height=\"10\" viewBox=\"0 0 80 10\" aria-hidden=\"true\"><rect class=\"room\" width=\"80\" height=\"10\" fill=\"#d5d9de\"/><rect class=\"part\" width=\"{:.1}\" height=\"10\" fill=\"#1b1f24\"/></svg> ",
                        0.8 * percent.clamp(0.0, 100.0)
                    );
                    (" class=\"shared\"", format!("{bar}{percent:.1} %"))
                }
            };
            let _ = match column {
                0 => write!(out, "<th scope=\"row\"{class}>{inside}</th>"),
                _ => write!(out, "<td{class}>{inside}</td>"),
            };
        }
        out.push_str("</tr>\n");
    }
    out.push_str("</tbody></table></div>\n");
}

fn plot(out: &mut String, plot: &Plot) {
    let id = &plot.id;
    let _ = writeln!(
        out,
        "<figure class=\"plot\" id=\"plot-{id}\">\n<h3 id=\"plot-{id}-title\">{}</h3>\n\
         <div class=\"frame\" tabindex=\"0\" role=\"application\" aria-roledescription=\"plot\" aria-labelledby=\"plot-{id}-title\" aria-describedby=\"plot-{id}-about\">{}</div>\n\
         <p class=\"reading\" role=\"status\" aria-live=\"polite\"></p>\n\
         <div class=\"tools\" hidden>",
        escaped(&plot.title),
        draw::inside(plot)
    );
    for (act, sign, words) in [
        ("in", "+", "Zoom in"),
        ("out", "−", "Zoom out"),
        ("left", "←", "Move left"),
        ("right", "→", "Move right"),
        ("all", "All", "Show all"),
        ("csv", "CSV", "Save the data as CSV"),
        ("svg", "SVG", "Save the drawing as SVG"),
    ] {
        let _ = write!(
            out,
            "<button type=\"button\" data-act=\"{act}\" aria-label=\"{words}: {}\" title=\"{words}\">{sign}</button>",
            escaped(&plot.title)
        );
    }
    let _ = writeln!(
        out,
        "</div>\n<figcaption id=\"plot-{id}-about\">{}</figcaption>\n</figure>",
        escaped(&plot.about)
    );
}

/// The data of a plot as JSON that a script element can hold.
fn data(plot: &Plot) -> String {
    let axis = |axis: &super::plot::Axis| json!({ "title": axis.title(), "unit": axis.unit, "log": axis.log });
    let series: Vec<Value> = plot.series.iter().map(series).collect();
    let marks: Vec<Value> = plot.marks.iter().map(|m| json!([m.at, m.label])).collect();
    let whole = json!({
        "id": plot.id, "title": plot.title, "about": plot.about,
        "x": axis(&plot.x), "y": axis(&plot.y), "series": series, "marks": marks, "view": plot.view,
    });
    whole.to_string().replace('<', "\\u003c")
}

fn series(series: &Series) -> Value {
    let at = match &series.places {
        Places::Listed(all) => json!({ "list": encoded(all) }),
        Places::Even { start, step } => json!({ "start": start, "step": step }),
    };
    let mut whole = json!({
        "name": series.name, "at": at, "values": encoded(&series.values), "line": series.line,
        "dots": series.dots, "standsFor": series.stands_for,
    });
    if let Some([low, high]) = &series.interval {
        whole["low"] = encoded(low);
        whole["high"] = encoded(high);
    }
    whole
}

/// Numbers as base64 of little-endian doubles, or of singles where they are many.
fn encoded(numbers: &[f64]) -> Value {
    let (bits, bytes): (u32, Vec<u8>) = match numbers.len() <= EXACT {
        true => (64, numbers.iter().flat_map(|x| x.to_le_bytes()).collect()),
        false => (
            32,
            numbers
                .iter()
                .flat_map(|x| (*x as f32).to_le_bytes())
                .collect(),
        ),
    };
    json!({ "bits": bits, "base64": STANDARD.encode(bytes) })
}

#[cfg(test)]
mod tests {
    use super::super::{Notice, Section, plot::Axis};
    use super::*;

    fn page(text: &str) -> Page {
        let plot = Plot {
            id: "p".into(),
            title: text.into(),
            about: text.into(),
            x: Axis::new(text, text),
            y: Axis::new("y", "V"),
            series: vec![Series::dots(
                text,
                Places::Listed(vec![1.0, 2.0]),
                vec![3.0, 4.0],
            )],
            marks: vec![super::super::plot::Mark {
                at: 1.5,
                label: text.into(),
            }],
            view: None,
        };
        let say = || text.to_owned();
        let blocks = vec![
            Block::Heading(say()),
            Block::Text(say()),
            Block::Answer {
                name: say(),
                value: say(),
                note: say(),
            },
            Block::Facts(vec![(say(), say())]),
            Block::List(vec![say()]),
            Block::Notice(Notice::Failed, say()),
            Block::Table(Table::of_texts(
                text,
                &[text, text],
                vec![vec![say(), say()]],
            )),
            Block::Plot(Box::new(plot)),
            Block::Verbatim(say()),
            Block::More(say(), vec![Block::Text(say())]),
        ];
        Page {
            title: say(),
            subtitle: say(),
            sections: vec![
                Section::new("a", text, blocks.clone()),
                Section::new("b", text, Vec::new()),
            ],
        }
    }

    /// Whatever a recipe calls itself, it stays a text.
    #[test]
    fn no_text_becomes_markup() {
        let evil = "</script><script>alert(1)</script><img src=x onerror='y'>\" onload=\"z";
        let (evil, plain) = (html(&page(evil)), html(&page("plain")));
        for tag in ["<script", "</script", "<img", "onload=\"z"] {
            assert_eq!(
                evil.matches(tag).count(),
                plain.matches(tag).count(),
                "{tag}"
            );
        }
        let markup = |text: &str| text.matches('<').count();
        // Escaped and encoded texts add no angle bracket.
        assert_eq!(markup(&evil), markup(&plain));
    }

    #[test]
    fn the_same_page_has_the_same_bytes() {
        assert_eq!(html(&page("x")), html(&page("x")));
    }
}
