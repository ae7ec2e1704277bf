//! Frequency responses as a drawing (SVG 1.1): decibels against the distance from the line, one panel a
//! chain, legible without colour.

use std::fmt::Write;
use std::path::Path;

use phasemill_engine::report::draw::escaped;

use crate::figures::{Group, decade_below, number, power_of_ten};

pub const WIDTH: f64 = 760.0;
pub const PANEL: f64 = 450.0;
pub const LEFT: f64 = 72.0;
pub const RIGHT: f64 = 24.0;
/// Room for the title, the legend and the labels of the marks.
const TOP: f64 = 160.0;
pub const BOTTOM: f64 = 56.0;
/// Lowest level drawn, in dB.
const LOWEST: f64 = -160.0;
/// Multiples of the mains that are marked.
const HARMONICS: u32 = 6;
/// Levels looked for in each step of the horizontal axis, so that narrow peaks are not missed.
const FINE: usize = 8;

/// A drawing with one panel for each chain.
pub fn svg(groups: &[Group]) -> String {
    let panels: Vec<String> = groups.iter().map(|g| Panel::new(g).draw()).collect();
    document(&panels)
}

/// A drawing of panels, one below the other.
pub fn document(panels: &[String]) -> String {
    let height = PANEL * panels.len().max(1) as f64;
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{WIDTH}\" height=\"{height}\" viewBox=\"0 0 {WIDTH} {height}\" \
         font-family=\"sans-serif\" font-size=\"12\" fill=\"#000\">\n\
         <rect width=\"100%\" height=\"100%\" fill=\"#fff\"/>\n"
    );
    for (k, panel) in panels.iter().enumerate() {
        let _ = writeln!(
            out,
            "<g transform=\"translate(0 {})\">\n{panel}</g>",
            k as f64 * PANEL
        );
    }
    out + "</svg>\n"
}

/// Refuses a place where no drawing may go: one whose name ends otherwise, or that holds something else.
pub fn place(path: &Path) -> Result<(), String> {
    let ending = path.extension().map(|e| e.to_string_lossy());
    if let Some(ending) = ending.filter(|e| !e.eq_ignore_ascii_case("svg")) {
        return Err(format!(
            "error: expected a name that ends in .svg, found .{ending} in {}; plots are drawn as SVG",
            path.display()
        ));
    }
    let replaced = std::fs::read(path).ok();
    if replaced.is_some_and(|old| !old.starts_with(b"<svg")) {
        return Err(format!(
            "error: expected a new file or an SVG to replace, found another file at {}; choose another name",
            path.display()
        ));
    }
    Ok(())
}

/// Writes a drawing; nothing but a drawing is replaced.
pub fn write(path: &Path, drawing: &str) -> Result<(), String> {
    place(path)?;
    std::fs::write(path, drawing)
        .map_err(|e| format!("error: cannot write the plot {}: {e}", path.display()))
}

struct Panel<'g> {
    group: &'g Group,
    /// Frequencies at the ends of the axis, in Hz.
    ends: [f64; 2],
    /// Levels at the ends of the axis, in dB.
    levels: [f64; 2],
    /// Levels of samples and value along the axis: highest in each step.
    curves: [Vec<(f64, f64)>; 2],
}

impl<'g> Panel<'g> {
    fn new(group: &'g Group) -> Self {
        let figures = &group.figures;
        let end = 0.5 * figures.rate;
        let narrow = figures.value_half_power.or(figures.half_power);
        let start = (0.1 * decade_below(narrow.unwrap_or(1e-3 * end))).min(0.1 * end);
        let steps = (WIDTH - LEFT - RIGHT) as usize;
        let span = libm::log10(end / start);
        let at = |step: f64| (start * power_of_ten(span * step / steps as f64)).min(end);
        let mut curves = [Vec::new(), Vec::new()];
        for step in 0..steps {
            let mut best = [None::<(f64, f64)>; 2];
            for k in 0..FINE {
                let f = at(step as f64 + k as f64 / FINE as f64);
                let (samples, value) = figures.chain.response(f);
                for (best, level) in best.iter_mut().zip([Some(samples), value]) {
                    if let Some(level) = level
                        && best.is_none_or(|(_, most)| level > most)
                    {
                        *best = Some((f, level));
                    }
                }
            }
            for (curve, best) in curves.iter_mut().zip(best) {
                curve.extend(best);
            }
        }
        let all = curves.iter().flatten().map(|(_, level)| *level);
        let top = 20.0 * ((all.clone().fold(0.0, f64::max) - 0.5) / 20.0).ceil() + 10.0;
        let low = all.fold(-60.0, f64::min).max(LOWEST);
        Panel {
            group,
            ends: [start, end],
            levels: [20.0 * (low / 20.0).floor(), top],
            curves,
        }
    }

    fn x(&self, f: f64) -> f64 {
        let [start, end] = self.ends;
        LEFT + (WIDTH - LEFT - RIGHT) * libm::log10(f / start) / libm::log10(end / start)
    }

    fn y(&self, level: f64) -> f64 {
        let [low, top] = self.levels;
        let level = level.clamp(low, top);
        TOP + (PANEL - TOP - BOTTOM) * (top - level) / (top - low)
    }

    fn draw(&self) -> String {
        let mut out = String::new();
        self.grid(&mut out);
        self.marks(&mut out);
        let styles = [
            "stroke=\"#000\" stroke-width=\"2\"",
            "stroke=\"#555\" stroke-width=\"1.2\" stroke-dasharray=\"7 3\"",
        ];
        for (curve, style) in self.curves.iter().zip(styles) {
            let path = self.path(curve);
            if !path.is_empty() {
                let _ = writeln!(out, "<path fill=\"none\" {style} d=\"{path}\"/>");
            }
        }
        self.legend(&mut out, styles);
        out
    }

    /// A curve as far as it lies above the lowest level drawn.
    fn path(&self, curve: &[(f64, f64)]) -> String {
        let mut path = String::new();
        let mut above = false;
        for (f, level) in curve {
            let pen = if above { "L" } else { "M" };
            above = *level >= self.levels[0];
            if above || pen == "L" {
                let _ = write!(path, "{pen}{:.1} {:.1}", self.x(*f), self.y(*level));
            }
        }
        path
    }

    fn grid(&self, out: &mut String) {
        let (left, right) = (LEFT, WIDTH - RIGHT);
        let (top, bottom) = (self.y(self.levels[1]), self.y(self.levels[0]));
        let mut level = self.levels[0];
        while level <= self.levels[1] {
            let y = self.y(level);
            let _ = writeln!(
                out,
                "<path d=\"M{left} {y:.1}H{right}\" stroke=\"#ddd\"/>\
                 <text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">{level}</text>",
                left - 6.0,
                y + 4.0
            );
            level += 20.0;
        }
        let mut decade = self.ends[0];
        while decade <= self.ends[1] * (1.0 + 1e-9) {
            let x = self.x(decade);
            let _ = writeln!(
                out,
                "<path d=\"M{x:.1} {top:.1}V{bottom:.1}\" stroke=\"#ddd\"/>\
                 <text x=\"{x:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{}</text>",
                bottom + 16.0,
                number(decade)
            );
            decade *= 10.0;
        }
        let quantity = if self.group.figures.mixed {
            "distance from the line, |frequency − f|, in Hz"
        } else {
            "frequency in Hz"
        };
        let _ = writeln!(
            out,
            "<rect x=\"{left}\" y=\"{top:.1}\" width=\"{:.1}\" height=\"{:.1}\" fill=\"none\" stroke=\"#000\"/>\
             <text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{quantity}</text>\
             <text transform=\"translate(18 {:.1}) rotate(-90)\" text-anchor=\"middle\">gain against the signal, in dB</text>",
            right - left,
            bottom - top,
            0.5 * (left + right),
            bottom + 38.0,
            0.5 * (top + bottom)
        );
    }

    /// Where offset, image and mains are seen; a label that would cover another is left out.
    fn marks(&self, out: &mut String) {
        let mut marks: Vec<(f64, Vec<String>, &str)> = Vec::new();
        for rejection in &self.group.figures.rejections {
            let f = rejection.seen_at;
            let Some((label, dash)) = label(&rejection.what) else {
                continue;
            };
            if f < self.ends[0] || f > self.ends[1] {
                continue;
            }
            let x = self.x(f);
            match marks.iter_mut().find(|(at, ..)| (at - x).abs() < 12.0) {
                Some((at, labels, _)) if (*at - x).abs() < 0.1 => {
                    // There is room for two.
                    if labels.len() < 2 {
                        labels.push(label);
                    }
                }
                Some(_) => {}
                None => marks.push((x, vec![label], dash)),
            }
        }
        let (top, bottom) = (self.y(self.levels[1]), self.y(self.levels[0]));
        for (x, labels, dash) in marks {
            let _ = writeln!(
                out,
                "<path d=\"M{x:.1} {top:.1}V{bottom:.1}\" stroke=\"#666\"{dash}/>\
                 <text transform=\"translate({:.1} {:.1}) rotate(-90)\" font-size=\"11\">{}</text>",
                x + 4.0,
                top - 4.0,
                escaped(&labels.join(", "))
            );
        }
    }

    fn legend(&self, out: &mut String, styles: [&str; 2]) {
        let figures = &self.group.figures;
        let (first, others) = self.group.results.split_at(self.group.results.len().min(3));
        let more = match others.len() {
            0 => String::new(),
            n => format!(" and {n} more"),
        };
        let title = format!("{}{more}: {}", first.join(", "), self.group.heading());
        let _ = writeln!(
            out,
            "<text x=\"{LEFT}\" y=\"20\" font-size=\"14\">{}</text>",
            escaped(&title)
        );
        let wide = |b: Option<f64>| match b {
            Some(b) => format!(", noise bandwidth {} Hz", number(b)),
            None => String::new(),
        };
        let mean = figures
            .duration
            .map_or(String::new(), |t| format!(" of {} s", number(t)));
        let texts = [
            format!("samples{}", wide(figures.noise_bandwidth)),
            format!("their mean{mean}{}", wide(figures.value_noise_bandwidth)),
        ];
        let drawn = self.curves.iter().zip(texts).zip(styles);
        let mut x = LEFT;
        for ((_, text), style) in drawn.filter(|((curve, _), _)| !curve.is_empty()) {
            let _ = writeln!(
                out,
                "<path d=\"M{x} 38h36\" {style}/><text x=\"{:.1}\" y=\"42\">{}</text>",
                x + 42.0,
                escaped(&text)
            );
            x += 300.0;
        }
    }
}

/// The label and line style of a mark; `None` for what is not drawn: distances, and all but the first
/// multiples of the mains.
pub fn label(what: &str) -> Option<(String, &'static str)> {
    let dotted = " stroke-dasharray=\"2 3\"";
    match what {
        "offset" => Some(("f (offset)".into(), "")),
        "image of the signal" => Some(("2f (image)".into(), "")),
        _ => {
            let mains = what.strip_prefix("mains ")?;
            let multiple = mains.split_once(" x ").map_or("1", |(k, _)| k);
            let few = multiple.parse::<u32>().is_ok_and(|k| k <= HARMONICS);
            few.then(|| (mains.replace(" x ", "×"), dotted))
        }
    }
}
