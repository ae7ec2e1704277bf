//! A plot as a drawing (SVG 1.1): black on white and legible in grey where it stands alone; the page gives it other
//! colours by the classes of its parts.

use std::fmt::Write;

use super::plot::{Plot, Series};
use super::ticks::Scale;

/// Width of a drawing.
pub const WIDTH: f64 = 760.0;
/// Height of a drawing without its title.
pub const HEIGHT: f64 = 360.0;
/// Series that are told apart, by dash, symbol and colour.
pub const STYLES: usize = 4;
const LEFT: f64 = 78.0;
const RIGHT: f64 = 18.0;
const BOTTOM: f64 = 50.0;
const TITLE: f64 = 30.0;
const LEGEND: f64 = 22.0;
/// Room for the labels of marks, and for each of their characters.
const MARKS: [f64; 2] = [10.0, 6.2];
/// Labels of marks nearer than this to another are left out.
const APART: f64 = 13.0;
/// Longest label of a mark that stands upright, in characters; longer ones are turned.
const UPRIGHT: usize = 2;
/// Longest label of a mark in characters.
const LONGEST: usize = 12;

/// Dashes, symbols and inks of the series; page.css has the same inks, and lighter ones for the dark.
const DASHES: [&str; STYLES] = ["", "7 3", "2 3", "10 3 2 3"];
const SYMBOLS: [&str; STYLES] = [
    "m-3.2 0a3.2 3.2 0 1 0 6.4 0a3.2 3.2 0 1 0 -6.4 0",
    "m0 -6.4l6 10.4h-12z",
    "m-3 -3h6v6h-6z",
    "m0 -5.6l5 5.6l-5 5.6l-5 -5.6z",
];
const INKS: [&str; STYLES] = ["#0b5394", "#a8410a", "#2a6a3f", "#7b2d73"];

/// A text as XML can hold it.
pub fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            '\n' | '\t' => out.push(c),
            // XML 1.0 has no way to write these.
            c if c.is_control() || matches!(c, '\u{fffe}' | '\u{ffff}') => out.push('\u{fffd}'),
            c => out.push(c),
        }
    }
    out
}

/// A drawing that stands alone, with its title.
pub fn alone(plot: &Plot) -> String {
    drawing(plot, true)
}

/// A drawing for a page that says the title itself.
pub fn inside(plot: &Plot) -> String {
    drawing(plot, false)
}

fn drawing(plot: &Plot, titled: bool) -> String {
    let title = if titled { TITLE } else { 0.0 };
    let legend = if plot.series.len() > 1 { LEGEND } else { 0.0 };
    let longest = plot
        .marks
        .iter()
        .map(|m| cut(&m.label).chars().count())
        .max();
    let marks = longest.map_or(0.0, |n| MARKS[0] + MARKS[1] * n as f64);
    let top = title + legend + marks + 12.0;
    let height = HEIGHT + title + legend + 0.6 * marks;
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{WIDTH}\" height=\"{height:.0}\" viewBox=\"0 0 {WIDTH} {height:.0}\" \
         font-family=\"sans-serif\" font-size=\"13\" fill=\"#1b1f24\" role=\"img\" aria-label=\"{}\">\n",
        escaped(&format!("{}. {}", plot.title, plot.about))
    );
    if titled {
        let _ = writeln!(
            out,
            "<rect width=\"100%\" height=\"100%\" fill=\"#fff\"/>\n<text x=\"{LEFT}\" y=\"21\" font-size=\"15\" font-weight=\"bold\">{}</text>",
            escaped(&plot.title)
        );
    }
    let (right, bottom) = (WIDTH - RIGHT, height - BOTTOM);
    let seen = |x: f64| {
        plot.view
            .is_none_or(|[low, high]| (low..=high).contains(&x))
    };
    let all = || plot.series.iter();
    let points = || all().flat_map(Series::points).filter(|(x, _)| seen(*x));
    let xs = points()
        .map(|(x, _)| x)
        .chain(plot.view.into_iter().flatten());
    let ends = all().flat_map(|s| s.interval.iter().flatten().flatten().copied());
    let ys = points().map(|(_, y)| y).chain(ends);
    let pad = if plot.series.iter().any(|s| s.dots) {
        0.02
    } else {
        0.0
    };
    let x = Scale::new(&plot.x, xs, pad, [LEFT, right]);
    let y = Scale::new(&plot.y, ys, 0.05, [bottom, top]);
    if let (Some(x), Some(y)) = (x, y) {
        let frame = Frame {
            plot,
            x,
            y,
            top,
            bottom,
        };
        frame.grid(&mut out);
        frame.marks(&mut out);
        for (k, series) in plot.series.iter().enumerate() {
            frame.series(&mut out, k % STYLES, series, seen);
        }
        if plot.series.len() > 1 {
            frame.legend(&mut out, title + 14.0);
        }
    }
    out + "</svg>"
}

struct Frame<'p> {
    plot: &'p Plot,
    x: Scale,
    y: Scale,
    top: f64,
    bottom: f64,
}

impl Frame<'_> {
    fn grid(&self, out: &mut String) {
        let (right, top, bottom) = (WIDTH - RIGHT, self.top, self.bottom);
        for (value, label) in self.y.ticks(5) {
            let at = self.y.at(value);
            let _ = writeln!(
                out,
                "<path class=\"grid\" d=\"M{LEFT} {at:.1}H{right}\" stroke=\"#d5d9de\"/>\
                 <text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">{label}</text>",
                LEFT - 8.0,
                at + 4.5
            );
        }
        for (value, label) in self.x.ticks(7) {
            let at = self.x.at(value);
            let _ = writeln!(
                out,
                "<path class=\"grid\" d=\"M{at:.1} {top:.1}V{bottom:.1}\" stroke=\"#d5d9de\"/>\
                 <text x=\"{at:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{label}</text>",
                bottom + 19.0
            );
        }
        let _ = writeln!(
            out,
            "<path class=\"axis\" d=\"M{LEFT} {top:.1}V{bottom:.1}H{right}\" fill=\"none\" stroke=\"#1b1f24\"/>\
             <text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{}</text>\
             <text transform=\"translate(16 {:.1}) rotate(-90)\" text-anchor=\"middle\">{}</text>",
            0.5 * (LEFT + right),
            bottom + 41.0,
            escaped(&self.plot.x.title()),
            0.5 * (top + bottom),
            escaped(&self.plot.y.title())
        );
    }

    fn marks(&self, out: &mut String) {
        let mut last = f64::NEG_INFINITY;
        let mut all: Vec<(f64, &str)> = self
            .plot
            .marks
            .iter()
            .map(|m| (self.x.at(m.at), m.label.as_str()))
            .collect();
        all.retain(|(at, _)| (LEFT..=WIDTH - RIGHT).contains(at));
        all.sort_by(|a, b| a.0.total_cmp(&b.0));
        for (at, label) in all {
            let _ = writeln!(
                out,
                "<path class=\"mark\" d=\"M{at:.1} {:.1}V{:.1}\" stroke=\"#5a626c\" stroke-dasharray=\"1 3\"/>",
                self.top, self.bottom
            );
            if at - last >= APART {
                let (label, y) = (cut(label), self.top - 5.0);
                let place = match label.chars().count() > UPRIGHT {
                    true => format!(
                        "transform=\"translate({:.1} {y:.1}) rotate(-90)\"",
                        at + 4.0
                    ),
                    false => format!("x=\"{at:.1}\" y=\"{y:.1}\" text-anchor=\"middle\""),
                };
                let _ = writeln!(
                    out,
                    "<text {place} font-size=\"11\">{}</text>",
                    escaped(&label)
                );
                last = at;
            }
        }
    }

    fn series(&self, out: &mut String, style: usize, series: &Series, seen: impl Fn(f64) -> bool) {
        let ink = INKS[style];
        let place = |k: usize| match series.places.at(k) {
            x if seen(x) => self.x.at(x),
            _ => f64::NAN,
        };
        let points: Vec<(f64, f64)> = (0..series.values.len())
            .map(|k| (place(k), self.y.at(series.values[k])))
            .collect();
        if let Some([low, high]) = &series.interval {
            let mut path = String::new();
            for ((x, _), (low, high)) in points.iter().zip(low.iter().zip(high)) {
                let (a, b) = (self.y.at(*low), self.y.at(*high));
                if x.is_finite() && a.is_finite() && b.is_finite() {
                    let _ = write!(
                        path,
                        "M{x:.1} {a:.1}V{b:.1}M{:.1} {a:.1}h5M{:.1} {b:.1}h5",
                        x - 2.5,
                        x - 2.5
                    );
                }
            }
            let _ = writeln!(
                out,
                "<path class=\"bar s{style}\" d=\"{path}\" fill=\"none\" stroke=\"{ink}\"/>"
            );
        }
        if series.line {
            let dash = match DASHES[style] {
                "" => String::new(),
                dash => format!(" stroke-dasharray=\"{dash}\""),
            };
            let path = line(&points);
            let _ = writeln!(
                out,
                "<path class=\"line s{style}\" d=\"{path}\" fill=\"none\" stroke=\"{ink}\" stroke-width=\"1.4\" stroke-linejoin=\"round\"{dash}/>"
            );
        }
        if series.dots {
            let mut path = String::new();
            for (x, y) in points
                .iter()
                .filter(|(x, y)| x.is_finite() && y.is_finite())
            {
                let _ = write!(path, "M{x:.1} {y:.1}{}", SYMBOLS[style]);
            }
            let _ = writeln!(
                out,
                "<path class=\"dot s{style}\" d=\"{path}\" fill=\"{ink}\"/>"
            );
        }
    }

    fn legend(&self, out: &mut String, y: f64) {
        let mut x = LEFT;
        for (k, series) in self.plot.series.iter().enumerate() {
            let (style, name) = (k % STYLES, &series.name);
            let (ink, dash) = (INKS[style], DASHES[style]);
            if series.line {
                let _ = write!(
                    out,
                    "<path class=\"line s{style}\" d=\"M{x:.1} {y}h26\" stroke=\"{ink}\" stroke-width=\"1.6\" stroke-dasharray=\"{dash}\"/>"
                );
            }
            if series.dots {
                let _ = write!(
                    out,
                    "<path class=\"dot s{style}\" d=\"M{:.1} {y}{}\" fill=\"{ink}\"/>",
                    x + 13.0,
                    SYMBOLS[style]
                );
            }
            let _ = writeln!(
                out,
                "<text x=\"{:.1}\" y=\"{:.1}\">{}</text>",
                x + 32.0,
                y + 4.5,
                escaped(name)
            );
            x += 56.0 + 7.0 * name.chars().count() as f64;
        }
    }
}

/// A line through points, broken where one is missing; of what falls into one step of the drawing the extremes stay,
/// so that no peak is lost.
fn line(points: &[(f64, f64)]) -> String {
    let mut path = String::new();
    let mut pen = 'M';
    let mut k = 0;
    while let Some(&(x, y)) = points.get(k) {
        if !(x.is_finite() && y.is_finite()) {
            pen = 'M';
            k += 1;
            continue;
        }
        let column =
            |p: &(f64, f64)| p.0.is_finite() && p.1.is_finite() && p.0.floor() == x.floor();
        let run = points[k..].iter().take_while(|p| column(p)).count();
        let here = &points[k..k + run];
        let mut kept: Vec<usize> = vec![0, run - 1];
        if run > 4 {
            let by = |a: &usize, b: &usize| here[*a].1.total_cmp(&here[*b].1);
            kept.extend((0..run).min_by(by));
            kept.extend((0..run).max_by(by));
        } else {
            kept = (0..run).collect();
        }
        kept.sort_unstable();
        kept.dedup();
        for index in kept {
            let _ = write!(path, "{pen}{:.1} {:.1}", here[index].0, here[index].1);
            pen = 'L';
        }
        k += run;
    }
    path
}

/// A label that has room.
fn cut(label: &str) -> String {
    match label.chars().count() > LONGEST {
        true => label.chars().take(LONGEST - 1).collect::<String>() + "…",
        false => label.to_owned(),
    }
}

/// A small drawing of the first series, without axes, for a list.
pub fn thumbnail(plot: &Plot, about: &str) -> String {
    const SIZE: [f64; 2] = [160.0, 48.0];
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" class=\"small\" width=\"{0}\" height=\"{1}\" viewBox=\"0 0 {0} {1}\" role=\"img\" aria-label=\"{2}\">",
        SIZE[0],
        SIZE[1],
        escaped(about)
    );
    let Some(series) = plot.series.first() else {
        return out + "</svg>";
    };
    let ends = series.interval.iter().flatten().flatten().copied();
    let x = Scale::new(
        &plot.x,
        series.points().map(|p| p.0),
        0.0,
        [4.0, SIZE[0] - 4.0],
    );
    let y = Scale::new(
        &plot.y,
        series.points().map(|p| p.1).chain(ends),
        0.0,
        [SIZE[1] - 4.0, 4.0],
    );
    if let (Some(x), Some(y)) = (x, y) {
        let points: Vec<(f64, f64)> = (0..series.values.len())
            .map(|k| (x.at(series.places.at(k)), y.at(series.values[k])))
            .collect();
        let mut bars = String::new();
        for (k, (at, _)) in points.iter().enumerate() {
            if let Some([low, high]) = &series.interval {
                let (a, b) = (y.at(low[k]), y.at(high[k]));
                if at.is_finite() && a.is_finite() && b.is_finite() {
                    let _ = write!(bars, "M{at:.1} {a:.1}V{b:.1}");
                }
            }
        }
        let _ = write!(
            out,
            "<path class=\"bar s0\" d=\"{bars}\" fill=\"none\" stroke=\"{0}\"/><path class=\"line s0\" d=\"{1}\" fill=\"none\" stroke=\"{0}\" stroke-width=\"1.2\"/>",
            INKS[0],
            line(&points)
        );
        if points.len() <= 40 {
            let dots: String = points
                .iter()
                .filter(|p| p.0.is_finite() && p.1.is_finite())
                .map(|p| {
                    format!(
                        "M{:.1} {:.1}m-1.6 0a1.6 1.6 0 1 0 3.2 0a1.6 1.6 0 1 0 -3.2 0",
                        p.0, p.1
                    )
                })
                .collect();
            let _ = write!(
                out,
                "<path class=\"dot s0\" d=\"{dots}\" fill=\"{}\"/>",
                INKS[0]
            );
        }
    }
    out + "</svg>"
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_breaks_at_gaps_and_keeps_peaks() {
        let gap = [(0.0, 1.0), (f64::NAN, 1.0), (2.0, 1.0)];
        assert_eq!(line(&gap), "M0.0 1.0M2.0 1.0");
        // A thousand points in one step: the ends, the lowest and the highest stay.
        let mut many: Vec<(f64, f64)> = (0..1000)
            .map(|k| (5.0 + 1e-4 * f64::from(k), 3.0))
            .collect();
        many[400].1 = 9.0;
        many[700].1 = -9.0;
        assert_eq!(line(&many), "M5.0 3.0L5.0 9.0L5.1 -9.0L5.1 3.0");
    }

    #[test]
    fn texts_are_escaped() {
        assert_eq!(
            escaped("<a b='c' d=\"e\">&\u{1}"),
            "&lt;a b=&#39;c&#39; d=&quot;e&quot;&gt;&amp;\u{fffd}"
        );
    }
}
