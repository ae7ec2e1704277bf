//! Spectra as a drawing (SVG 1.1): the density with its lines, and the neighbourhood of the reference; one
//! row a channel, legible without colour.

use std::fmt::Write;

use phasemill_engine::report::draw::escaped;
use phasemill_stages::survey::Spectrum;
use phasemill_stages::survey::names::{Known, Origin};

use super::{Findings, Named, Seen, text};
use crate::figures::number;

const WIDTH: f64 = 1120.0;
const ROW: f64 = 400.0;
const TOP: f64 = 92.0;
const BOTTOM: f64 = 52.0;
/// Left and right end of the two panels.
const WHOLE: [f64; 2] = [84.0, 690.0];
const NEAR: [f64; 2] = [780.0, 1096.0];
/// Labels nearer than this to another are left out.
const APART: f64 = 13.0;
/// Bins to either side of the reference that are drawn at least.
const BINS: f64 = 40.0;

/// A drawing with one row for each channel that has a spectrum; `None` where none has.
pub fn svg(findings: &Findings) -> Option<String> {
    let rows: Vec<(&Seen, &Spectrum)> = findings
        .channels
        .iter()
        .filter_map(|seen| Some((seen, seen.spectrum.as_ref().ok()?)))
        .collect();
    if rows.is_empty() {
        return None;
    }
    let height = ROW * rows.len() as f64;
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{WIDTH}\" height=\"{height}\" viewBox=\"0 0 {WIDTH} {height}\" \
         font-family=\"sans-serif\" font-size=\"12\" fill=\"#000\">\n\
         <rect width=\"100%\" height=\"100%\" fill=\"#fff\"/>\n"
    );
    for (k, (seen, spectrum)) in rows.iter().enumerate() {
        let _ = writeln!(
            out,
            "<g transform=\"translate(0 {})\">\n{}</g>",
            k as f64 * ROW,
            row(seen, spectrum, findings)
        );
    }
    Some(out + "</svg>\n")
}

fn row(seen: &Seen, spectrum: &Spectrum, findings: &Findings) -> String {
    let mut out = String::new();
    let (named, _) = seen.named(&findings.references);
    let first = 5.0 * spectrum.resolution;
    let end = 0.5 * spectrum.rate;
    let whole = Panel::new(seen, spectrum, WHOLE, [first, end], true);
    whole.draw(&mut out, &named, findings);
    let f = near(seen, findings).map(|r| r.frequency);
    if let Some(f) = f.filter(|f| *f < end && *f > first) {
        let reach = (0.4 * f).max(BINS * spectrum.resolution);
        let ends = [(f - reach).max(first), (f + reach).min(end)];
        Panel::new(seen, spectrum, NEAR, ends, false).draw(&mut out, &named, findings);
    }
    let _ = writeln!(
        out,
        "<text x=\"{}\" y=\"20\" font-size=\"14\">{}</text>",
        WHOLE[0],
        escaped(&format!("{}: density of what was recorded", seen.path))
    );
    legend(&mut out);
    out
}

/// The reference whose neighbourhood is drawn: the channel itself, or else the first.
fn near<'f>(seen: &Seen, findings: &'f Findings) -> Option<&'f Known> {
    let own = findings.references.iter().find(|r| r.name == seen.path);
    own.or(findings.reference())
}

/// What the marks and curves mean.
fn legend(out: &mut String) {
    let mut x = WHOLE[0];
    let mut entry = |symbol: String, text: &str| {
        let _ = writeln!(
            out,
            "<g transform=\"translate({x:.0} 38)\">{symbol}<text x=\"26\" y=\"4\" font-size=\"11\">{text}</text></g>"
        );
        x += 40.0 + 6.2 * text.len() as f64;
    };
    entry(
        "<path d=\"M0 0h20\" stroke=\"#888\" stroke-width=\"4\"/>".into(),
        "density",
    );
    entry(
        "<path d=\"M0 0h20\" stroke=\"#000\" stroke-width=\"1.5\"/>".into(),
        "floor",
    );
    entry(
        "<path d=\"M0 0h20\" stroke=\"#000\" stroke-width=\"1.5\" stroke-dasharray=\"6 3\"/>"
            .into(),
        "white and 1/f noise",
    );
    for (shape, text) in [
        (Shape::Circle, "harmonic of a reference"),
        (Shape::Triangle, "mains"),
        (Shape::Cross, "sum or difference"),
        (Shape::Square, "unnamed"),
    ] {
        entry(shape.at(12.0, 0.0), text);
    }
}

#[derive(Clone, Copy, PartialEq)]
enum Shape {
    Circle,
    Triangle,
    Cross,
    Square,
}

impl Shape {
    fn of(named: &Named<'_>) -> Shape {
        match named.origins.first() {
            Some(Origin::Reference { .. }) => Shape::Circle,
            Some(Origin::Mains { .. }) => Shape::Triangle,
            Some(Origin::Mixed { .. }) => Shape::Cross,
            None => Shape::Square,
        }
    }

    fn at(self, x: f64, y: f64) -> String {
        let path = match self {
            Shape::Circle => "M-4 0a4 4 0 1 0 8 0a4 4 0 1 0 -8 0",
            Shape::Triangle => "M-5 -4h10l-5 9z",
            Shape::Cross => "M-4 -4l8 8M4 -4l-8 8",
            Shape::Square => "M-4 -4h8v8h-8z",
        };
        format!(
            "<path transform=\"translate({x:.1} {y:.1})\" d=\"{path}\" fill=\"#fff\" stroke=\"#000\" stroke-width=\"1.4\"/>"
        )
    }
}

/// A short name of a line; f is the first reference, others go by their names.
pub fn label(named: &Named<'_>, findings: &Findings) -> String {
    let times = |n: u32, name: &str| {
        let first = findings.reference().is_some_and(|r| r.name == name);
        match (n, first) {
            (1, true) => "f".to_owned(),
            (n, true) => format!("{n}f"),
            (1, false) => name.to_owned(),
            (n, false) => format!("{n}×{name}"),
        }
    };
    let fold = |folded: bool| if folded { " (folded)" } else { "" };
    match named.origins.first() {
        Some(Origin::Reference { name, n, folded }) => times(*n, name) + fold(*folded),
        Some(Origin::Mains { nominal, n, folded }) => match n {
            1 => format!("{nominal}{}", fold(*folded)),
            n => format!("{n}×{nominal}{}", fold(*folded)),
        },
        Some(Origin::Mixed { n, m, sum, .. }) => {
            let sign = if *sum { '+' } else { '−' };
            format!("{n}{sign}{m}")
        }
        None => number(named.line.frequency),
    }
}

struct Panel<'s> {
    seen: &'s Seen,
    spectrum: &'s Spectrum,
    /// Left and right end in the drawing.
    sides: [f64; 2],
    /// Frequencies there.
    ends: [f64; 2],
    log: bool,
    /// Powers of ten of the amplitude density at bottom and top.
    decades: [f64; 2],
}

impl<'s> Panel<'s> {
    fn new(
        seen: &'s Seen,
        spectrum: &'s Spectrum,
        sides: [f64; 2],
        ends: [f64; 2],
        log: bool,
    ) -> Self {
        let mut panel = Panel {
            seen,
            spectrum,
            sides,
            ends,
            log,
            decades: [0.0, 1.0],
        };
        let shown = panel.bins().map(|k| spectrum.density.density[k]);
        let highest = shown.fold(0.0, f64::max).max(f64::MIN_POSITIVE);
        let floors = panel
            .bins()
            .map(|k| spectrum.floor.density[k])
            .filter(|s| *s > 0.0);
        let lowest = floors.fold(highest, f64::min);
        let decade = |s: f64| 0.5 * libm::log10(s);
        panel.decades = [
            (decade(lowest) - 0.4).floor(),
            (decade(highest) + 0.15).ceil(),
        ];
        panel
    }

    /// The bins within the ends.
    fn bins(&self) -> std::ops::Range<usize> {
        let bin = |f: f64| (f / self.spectrum.resolution).round().max(0.0) as usize;
        bin(self.ends[0])..(bin(self.ends[1]) + 1).min(self.spectrum.density.density.len() - 1)
    }

    fn x(&self, f: f64) -> f64 {
        let [from, to] = self.ends;
        let part = match self.log {
            true => libm::log10(f / from) / libm::log10(to / from),
            false => (f - from) / (to - from),
        };
        self.sides[0] + (self.sides[1] - self.sides[0]) * part
    }

    /// Place of a power density.
    fn y(&self, density: f64) -> f64 {
        let [low, high] = self.decades;
        let decade = (0.5 * libm::log10(density.max(f64::MIN_POSITIVE))).clamp(low, high);
        TOP + (ROW - TOP - BOTTOM) * (high - decade) / (high - low)
    }

    fn draw(&self, out: &mut String, named: &[Named<'_>], findings: &Findings) {
        self.grid(out, findings);
        self.density(out);
        let model = |k: usize| self.spectrum.noise.density(self.frequency(k));
        self.curve(out, "stroke-dasharray=\"6 3\"", model);
        self.curve(out, "", |k| self.spectrum.floor.density[k]);
        self.marks(out, named, findings);
    }

    fn frequency(&self, bin: usize) -> f64 {
        bin as f64 * self.spectrum.resolution
    }

    /// The density: in each column of the drawing from its lowest to its highest.
    fn density(&self, out: &mut String) {
        let mut path = String::new();
        let mut column: Option<(f64, f64, f64)> = None;
        let put = |path: &mut String, (x, low, high): (f64, f64, f64)| {
            let pen = if path.is_empty() { 'M' } else { 'L' };
            let _ = write!(path, "{pen}{x:.1} {:.1}", self.y(high));
            if low < high {
                let _ = write!(path, "L{x:.1} {:.1}", self.y(low));
            }
        };
        for k in self.bins() {
            let (x, s) = (self.x(self.frequency(k)), self.spectrum.density.density[k]);
            match &mut column {
                Some((at, low, high)) if x - *at < 1.0 => {
                    *low = low.min(s);
                    *high = high.max(s);
                }
                _ => {
                    if let Some(done) = column.replace((x, s, s)) {
                        put(&mut path, done);
                    }
                }
            }
        }
        if let Some(done) = column {
            put(&mut path, done);
        }
        let _ = writeln!(
            out,
            "<path fill=\"none\" stroke=\"#888\" stroke-width=\"1\" d=\"{path}\"/>"
        );
    }

    /// A smooth curve, at every fourth of a column or so.
    fn curve(&self, out: &mut String, dash: &str, density: impl Fn(usize) -> f64) {
        let mut path = String::new();
        let mut last = f64::NEG_INFINITY;
        for k in self.bins() {
            let (x, s) = (self.x(self.frequency(k)), density(k));
            if x - last < 4.0 || !(s > 0.0 && s.is_finite()) {
                continue;
            }
            let pen = if path.is_empty() { 'M' } else { 'L' };
            let _ = write!(path, "{pen}{x:.1} {:.1}", self.y(s));
            last = x;
        }
        let _ = writeln!(
            out,
            "<path fill=\"none\" stroke=\"#000\" stroke-width=\"1.5\" {dash} d=\"{path}\"/>"
        );
    }

    /// The lines by their shapes; the highest get their labels first, and one that would cover another is
    /// left out.
    fn marks(&self, out: &mut String, named: &[Named<'_>], findings: &Findings) {
        let [from, to] = self.ends;
        let mut shown: Vec<&Named<'_>> = named
            .iter()
            .filter(|n| (from..=to).contains(&n.line.frequency))
            .collect();
        shown.sort_by(|a, b| b.line.height.total_cmp(&a.line.height));
        let mut taken: Vec<f64> = Vec::new();
        for named in shown {
            let line = named.line;
            let top = line
                .region
                .clone()
                .map(|k| self.spectrum.density.density[k]);
            let (x, y) = (
                self.x(line.frequency),
                self.y(top.fold(0.0, f64::max)) - 7.0,
            );
            out.push_str(&Shape::of(named).at(x, y));
            if taken.iter().all(|t| (t - x).abs() >= APART) {
                taken.push(x);
                let _ = write!(
                    out,
                    "<text transform=\"translate({:.1} {:.1}) rotate(-90)\" font-size=\"11\">{}</text>",
                    x + 4.0,
                    y - 8.0,
                    escaped(&label(named, findings))
                );
            }
            out.push('\n');
        }
    }

    fn grid(&self, out: &mut String, findings: &Findings) {
        let [left, right] = self.sides;
        let (top, bottom) = (TOP, ROW - BOTTOM);
        let unit = text::per_root_hertz(&self.seen.unit);
        let [low, high] = self.decades;
        // Where there are few decades 2 and 5 are marked as well; where there are many, not every one.
        let every = ((high - low) / 9.0).ceil().max(1.0) as i32;
        let times: &[u32] = if high - low <= 2.0 { &[1, 2, 5] } else { &[1] };
        let decades = (low as i32..=high as i32).step_by(every as usize);
        for (times, decade) in decades.flat_map(|d| times.iter().map(move |t| (*t, d))) {
            let size = f64::from(times) * libm::pow(10.0, f64::from(decade));
            if libm::log10(size) > high + 1e-9 {
                continue;
            }
            let y = self.y(size * size);
            let _ = writeln!(
                out,
                "<path d=\"M{left} {y:.1}H{right}\" stroke=\"#ddd\"/>\
                 <text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\" font-size=\"11\">{}</text>",
                left - 6.0,
                y + 4.0,
                tick(times, decade)
            );
        }
        for f in self.ticks() {
            let x = self.x(f);
            let _ = writeln!(
                out,
                "<path d=\"M{x:.1} {top}V{bottom}\" stroke=\"#ddd\"/>\
                 <text x=\"{x:.1}\" y=\"{:.1}\" text-anchor=\"middle\" font-size=\"11\">{}</text>",
                bottom + 16.0,
                number(f)
            );
        }
        let what = match (self.log, near(self.seen, findings)) {
            (false, Some(reference)) => {
                format!("frequency in Hz, around f of {}", reference.name)
            }
            _ => "frequency in Hz".into(),
        };
        let _ = writeln!(
            out,
            "<rect x=\"{left}\" y=\"{top}\" width=\"{:.1}\" height=\"{:.1}\" fill=\"none\" stroke=\"#000\"/>\
             <text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{}</text>\
             <text transform=\"translate({:.1} {:.1}) rotate(-90)\" text-anchor=\"middle\">density in {}</text>",
            right - left,
            bottom - top,
            0.5 * (left + right),
            bottom + 38.0,
            escaped(&what),
            left - 48.0,
            0.5 * (top + bottom),
            escaped(&unit.ascii())
        );
    }

    /// Decades, or round steps.
    fn ticks(&self) -> Vec<f64> {
        let [from, to] = self.ends;
        let decade = |x: f64| libm::pow(10.0, libm::floor(libm::log10(x)));
        if self.log {
            let first = decade(from);
            let all = (0..40).map(|k| first * libm::pow(10.0, f64::from(k)));
            return all.filter(|f| (from..=to).contains(f)).collect();
        }
        let rough = (to - from) / 5.0;
        let steps = [1.0, 2.0, 5.0, 10.0].map(|s| s * decade(rough));
        let step = steps.into_iter().find(|s| *s >= rough).unwrap_or(rough);
        let first = (from / step).ceil();
        let all = (0..20).map(|k| (first + f64::from(k)) * step);
        all.take_while(|f| *f <= to).collect()
    }
}

/// Powers of a thousand by their prefix.
const PREFIXES: [&str; 17] = [
    "y", "z", "a", "f", "p", "n", "\u{b5}", "m", "", "k", "M", "G", "T", "P", "E", "Z", "Y",
];

/// A multiple of a power of ten with a prefix, as in `200 n`.
fn tick(times: u32, decade: i32) -> String {
    let prefix = usize::try_from(decade.div_euclid(3) + 8).ok();
    match prefix.and_then(|k| PREFIXES.get(k)) {
        Some(prefix) => format!(
            "{}{} {prefix}",
            times,
            "0".repeat(decade.rem_euclid(3) as usize)
        ),
        None => format!("{times}e{decade}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_have_prefixes() {
        let shown = [(1, -7), (2, -9), (5, 0), (1, 2), (1, 4), (1, -30)].map(|(n, d)| tick(n, d));
        assert_eq!(shown, ["100 n", "2 n", "5 ", "100 ", "10 k", "1e-30"]);
    }
}
