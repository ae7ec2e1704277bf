//! Curves on two logarithmic axes as a panel of a drawing (SVG 1.1), told apart without colour.

use std::fmt::Write;

use phasemill_engine::report::draw::escaped;

use crate::figures::{decade_below, number, power_of_ten};
use crate::plot::{BOTTOM, LEFT, PANEL, RIGHT, WIDTH};

/// Room for the title and the legend.
const TOP: f64 = 110.0;
/// Line styles, the first for what counts most.
const STYLES: [&str; 6] = [
    "stroke=\"#000\" stroke-width=\"2.2\"",
    "stroke=\"#333\" stroke-width=\"1.2\" stroke-dasharray=\"8 3\"",
    "stroke=\"#333\" stroke-width=\"1.2\" stroke-dasharray=\"2 3\"",
    "stroke=\"#333\" stroke-width=\"1.2\" stroke-dasharray=\"10 3 2 3\"",
    "stroke=\"#888\" stroke-width=\"1.6\" stroke-dasharray=\"5 5\"",
    "stroke=\"#888\" stroke-width=\"1.2\"",
];
/// Longest name in the legend, in characters.
const LONGEST: usize = 28;
/// Entries of the legend in a row.
const IN_A_ROW: usize = 3;
/// Decades of the vertical axis, at most.
const MOST_DECADES: i32 = 6;

/// A curve, of points in order.
pub struct Curve {
    /// What it is.
    pub name: String,
    /// Points, in the units of the axes.
    pub points: Vec<(f64, f64)>,
}

/// Curves, and marks on them.
pub struct Chart {
    /// What is drawn.
    pub title: String,
    /// What the horizontal axis is.
    pub across: String,
    /// What the vertical axis is.
    pub up: String,
    /// At most as many as there are styles are drawn.
    pub curves: Vec<Curve>,
    /// Points on the first curve.
    pub dots: Vec<(f64, f64)>,
    /// Vertical lines, with a label.
    pub marks: Vec<(f64, String)>,
}

/// The ends of an axis, whole decades.
#[derive(Clone, Copy)]
struct Axis {
    low: f64,
    decades: f64,
    from: f64,
    to: f64,
}

impl Axis {
    fn new(values: impl Iterator<Item = f64>, most: i32, from: f64, to: f64) -> Option<Axis> {
        let usable = values.filter(|v| *v > 0.0 && v.is_finite());
        let (low, high) = usable.fold((f64::INFINITY, 0.0), |(a, b): (f64, f64), v| {
            (a.min(v), b.max(v))
        });
        (low <= high).then(|| {
            let top = libm::log10(high * (1.0 - 1e-9)).floor() as i32 + 1;
            let bottom = (libm::log10(decade_below(low)).round() as i32).max(top - most);
            let bottom = bottom.min(top - 1);
            Axis {
                low: power_of_ten(f64::from(bottom)),
                decades: f64::from(top - bottom),
                from,
                to,
            }
        })
    }

    fn at(&self, value: f64) -> f64 {
        let part = libm::log10(value / self.low) / self.decades;
        self.from + (self.to - self.from) * part.clamp(0.0, 1.0)
    }

    fn ticks(&self) -> impl Iterator<Item = f64> {
        let low = libm::log10(self.low).round();
        (0..=self.decades as i32).map(move |k| power_of_ten(low + f64::from(k)))
    }
}

impl Chart {
    /// The panel; empty where there is nothing that a logarithmic axis can show.
    pub fn draw(&self) -> String {
        let mut out = String::new();
        let all = || self.curves.iter().flat_map(|c| &c.points);
        let right = WIDTH - RIGHT;
        let x = Axis::new(all().map(|p| p.0), 12, LEFT, right);
        let first = self.curves.first().into_iter().flat_map(|c| &c.points);
        let lowest = first.map(|p| p.1).fold(f64::INFINITY, f64::min);
        // What lies more than two decades below everything together matters no more.
        let seen = all().map(|p| p.1).filter(|v| *v >= 0.01 * lowest);
        let y = Axis::new(seen, MOST_DECADES, PANEL - BOTTOM, TOP);
        let (Some(x), Some(y)) = (x, y) else {
            return out;
        };
        self.grid(&mut out, x, y);
        for (at, label) in &self.marks {
            let _ = writeln!(
                out,
                "<path d=\"M{0:.1} {TOP}V{1:.1}\" stroke=\"#666\" stroke-dasharray=\"2 3\"/>\
                 <text x=\"{2:.1}\" y=\"{3:.1}\" font-size=\"11\">{4}</text>",
                x.at(*at),
                PANEL - BOTTOM,
                x.at(*at) + 4.0,
                PANEL - BOTTOM - 6.0,
                escaped(label)
            );
        }
        let visible = |c: &&Curve| c.points.iter().any(|p| p.1 >= y.low);
        let curves = self.curves.iter().filter(visible);
        for (k, (curve, style)) in curves.zip(STYLES).enumerate() {
            let mut path = String::new();
            let mut pen = 'M';
            for (a, b) in &curve.points {
                if *b < y.low {
                    pen = 'M';
                    continue;
                }
                let _ = write!(path, "{pen}{:.1} {:.1}", x.at(*a), y.at(*b));
                pen = 'L';
            }
            let column = LEFT + (k % IN_A_ROW) as f64 * (WIDTH - LEFT - RIGHT) / IN_A_ROW as f64;
            let row = 48.0 + 20.0 * (k / IN_A_ROW) as f64;
            let _ = writeln!(
                out,
                "<path fill=\"none\" {style} d=\"{path}\"/>\
                 <path fill=\"none\" {style} d=\"M{column} {row}h36\"/>\
                 <text x=\"{:.1}\" y=\"{:.1}\">{}</text>",
                column + 42.0,
                row + 4.0,
                escaped(&cut(&curve.name, LONGEST))
            );
        }
        for (a, b) in &self.dots {
            let _ = writeln!(
                out,
                "<circle cx=\"{:.1}\" cy=\"{:.1}\" r=\"3.5\"/>",
                x.at(*a),
                y.at(*b)
            );
        }
        out
    }

    fn grid(&self, out: &mut String, x: Axis, y: Axis) {
        let (right, bottom) = (WIDTH - RIGHT, PANEL - BOTTOM);
        for tick in y.ticks() {
            let at = y.at(tick);
            let _ = writeln!(
                out,
                "<path d=\"M{LEFT} {at:.1}H{right}\" stroke=\"#ddd\"/>\
                 <text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">{}</text>",
                LEFT - 6.0,
                at + 4.0,
                power(tick)
            );
        }
        for tick in x.ticks() {
            let at = x.at(tick);
            let _ = writeln!(
                out,
                "<path d=\"M{at:.1} {TOP}V{bottom:.1}\" stroke=\"#ddd\"/>\
                 <text x=\"{at:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{}</text>",
                bottom + 16.0,
                power(tick)
            );
        }
        let _ = writeln!(
            out,
            "<rect x=\"{LEFT}\" y=\"{TOP}\" width=\"{:.1}\" height=\"{:.1}\" fill=\"none\" stroke=\"#000\"/>\
             <text x=\"{LEFT}\" y=\"20\" font-size=\"14\">{}</text>\
             <text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{}</text>\
             <text transform=\"translate(16 {:.1}) rotate(-90)\" text-anchor=\"middle\">{}</text>",
            right - LEFT,
            bottom - TOP,
            escaped(&self.title),
            0.5 * (LEFT + right),
            bottom + 38.0,
            escaped(&self.across),
            0.5 * (TOP + bottom),
            escaped(&self.up)
        );
    }
}

/// A name of at most so many characters, with a mark where it was longer.
pub fn cut(name: &str, longest: usize) -> String {
    match name.chars().count() <= longest {
        true => name.to_owned(),
        false => name.chars().take(longest - 1).collect::<String>() + "…",
    }
}

/// A power of ten as a label.
fn power(tick: f64) -> String {
    let exponent = libm::log10(tick).round() as i32;
    match exponent {
        -3..=4 => number(tick),
        _ => format!("1e{exponent}"),
    }
}
