//! The graph as a drawing (SVG 1.1), legible without colour.

use std::fmt::Write;

use phasemill_engine::report::draw::escaped;

use super::Graph;
use super::layout::layout;

/// Width of a character, of the two sizes.
const CHARACTER: f64 = 6.6;
const LINE: f64 = 15.0;
const MARGIN: f64 = 24.0;
const GAP: f64 = 34.0;
/// Room between layers, for the labels of arrows.
const BETWEEN: f64 = 56.0;
const TITLE: f64 = 30.0;

/// Draws a graph below a title.
pub fn svg(graph: &Graph, title: &str) -> String {
    let text_width = |text: &str| text.chars().count() as f64 * CHARACTER;
    let width = |b: &super::Box| {
        let lines = b
            .lines
            .iter()
            .map(|l| text_width(l))
            .fold(text_width(&b.name), f64::max);
        lines.max(70.0) + 20.0
    };
    let widths: Vec<f64> = graph.boxes.iter().map(width).collect();
    let height = |k: usize| LINE * (1.0 + graph.boxes[k].lines.len() as f64) + 14.0;
    let arrows: Vec<(usize, usize)> = graph.arrows.iter().map(|a| (a.from, a.to)).collect();
    let layout = layout(&widths, &arrows, GAP);
    let mut rows = vec![0.0f64; layout.layers];
    for (k, place) in layout.boxes.iter().enumerate() {
        rows[place.layer] = rows[place.layer].max(height(k));
    }
    let mut tops = Vec::new();
    let mut next = MARGIN + TITLE;
    for row in &rows {
        tops.push(next);
        next += row + BETWEEN;
    }
    let total = (
        (layout.width + 2.0 * MARGIN).max(text_width(title) * 1.2 + 2.0 * MARGIN),
        next - BETWEEN + MARGIN,
    );
    let shift = (total.0 - layout.width) / 2.0;
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{0:.0}\" height=\"{1:.0}\" viewBox=\"0 0 {0:.0} {1:.0}\" \
         font-family=\"sans-serif\" font-size=\"12\" fill=\"#000\">\n\
         <defs><marker id=\"tip\" viewBox=\"0 0 10 10\" refX=\"9\" refY=\"5\" markerWidth=\"8\" markerHeight=\"8\" \
         orient=\"auto\"><path d=\"M0 1L10 5L0 9z\"/></marker></defs>\n\
         <rect width=\"100%\" height=\"100%\" fill=\"#fff\"/>\n\
         <text x=\"{2:.1}\" y=\"{3}\" font-size=\"14\" text-anchor=\"middle\">{4}</text>\n",
        total.0,
        total.1,
        total.0 / 2.0,
        MARGIN + 4.0,
        escaped(title)
    );
    let mut labels = String::new();
    for (k, arrow) in graph.arrows.iter().enumerate() {
        let (from, to) = (layout.boxes[arrow.from], layout.boxes[arrow.to]);
        let start = (from.x + shift, tops[from.layer] + height(arrow.from));
        // Arrows into one box come in side by side.
        let into: Vec<usize> = (0..graph.arrows.len())
            .filter(|&a| graph.arrows[a].to == arrow.to)
            .collect();
        let end_x = match into.len() {
            1 => to.x,
            n => {
                let mut order = into.clone();
                let last_x = |a: usize| {
                    layout.ways[a]
                        .last()
                        .map_or(layout.boxes[graph.arrows[a].from].x, |p| p.x)
                };
                order.sort_by(|&a, &b| last_x(a).total_cmp(&last_x(b)));
                let rank = order.iter().position(|&a| a == k).unwrap_or(0);
                to.x + widths[arrow.to] * ((rank as f64 + 1.0) / (n as f64 + 1.0) - 0.5)
            }
        };
        let end = (end_x + shift, tops[to.layer]);
        let mut points = vec![start];
        for pass in &layout.ways[k] {
            let x = pass.x + shift;
            points.push((x, tops[pass.layer]));
            points.push((x, tops[pass.layer] + rows[pass.layer]));
        }
        points.push(end);
        let mut path = format!("M{:.1} {:.1}", start.0, start.1);
        for pair in points.windows(2) {
            let [(ax, ay), (bx, by)] = [pair[0], pair[1]];
            let bend = (by - ay) / 2.0;
            let _ = write!(
                path,
                " C{ax:.1} {:.1} {bx:.1} {:.1} {bx:.1} {by:.1}",
                ay + bend,
                by - bend
            );
        }
        let _ = writeln!(
            out,
            "<path fill=\"none\" stroke=\"#000\" marker-end=\"url(#tip)\" d=\"{path}\"/>"
        );
        if !arrow.label.is_empty() {
            let (x, y) = (points[points.len() - 2], end);
            let middle = ((x.0 + y.0) / 2.0, (x.1 + y.1) / 2.0 + 4.0);
            let wide = text_width(&arrow.label) * 0.92 + 6.0;
            let _ = writeln!(
                labels,
                "<rect x=\"{:.1}\" y=\"{:.1}\" width=\"{wide:.1}\" height=\"14\" fill=\"#fff\"/>\
                 <text x=\"{:.1}\" y=\"{:.1}\" font-size=\"11\" text-anchor=\"middle\">{}</text>",
                middle.0 - wide / 2.0,
                middle.1 - 11.0,
                middle.0,
                middle.1,
                escaped(&arrow.label)
            );
        }
    }
    out += &labels;
    for (k, node) in graph.boxes.iter().enumerate() {
        let place = layout.boxes[k];
        let (x, y) = (place.x + shift - widths[k] / 2.0, tops[place.layer]);
        let style = match (node.kept, node.input) {
            (true, _) => "fill=\"#fff\" stroke=\"#000\" stroke-width=\"2.5\"",
            (_, true) => "fill=\"#eee\" stroke=\"#000\" stroke-dasharray=\"5 3\"",
            _ => "fill=\"#fff\" stroke=\"#000\"",
        };
        let _ = writeln!(
            out,
            "<rect x=\"{x:.1}\" y=\"{y:.1}\" width=\"{:.1}\" height=\"{:.1}\" rx=\"3\" {style}/>",
            widths[k],
            height(k)
        );
        let middle = place.x + shift;
        let _ = writeln!(
            out,
            "<text x=\"{middle:.1}\" y=\"{:.1}\" text-anchor=\"middle\" font-weight=\"bold\">{}</text>",
            y + LINE + 2.0,
            escaped(&node.name)
        );
        for (l, line) in node.lines.iter().enumerate() {
            let _ = writeln!(
                out,
                "<text x=\"{middle:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{}</text>",
                y + LINE * (l as f64 + 2.0) + 2.0,
                escaped(line)
            );
        }
    }
    out + "</svg>\n"
}
