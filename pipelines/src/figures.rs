//! What the chains of kept results will do, as tables for a terminal.

use phasemill_engine::check::Typed;
use phasemill_engine::flow::{Flow, Kind};
use phasemill_engine::recipe::Recipe;
use phasemill_engine::response::{Figures, Rejection};
use serde_json::{Value, json};

/// Rows of mains that a terminal shows for each of 50 Hz and 60 Hz: the first ones, and the worst.
const FIRST_HARMONICS: usize = 2;

/// Results that one chain leads to.
#[derive(Clone, Debug, PartialEq)]
pub struct Group {
    /// Names of the results.
    pub results: Vec<String>,
    /// The clock and harmonic they are relative to.
    pub line: Option<String>,
    /// Where the frequency of the line comes from: it is stated, expected or measured.
    pub known: &'static str,
    /// The figures.
    pub figures: Figures,
}

/// The kept results that come from samples through a linear chain, those with the same chain together.
pub fn groups(recipe: &Recipe, typed: &Typed) -> Vec<Group> {
    groups_at(recipe, typed, |_| None)
}

/// The same, for clocks whose frequency may have been measured in Hz.
pub fn groups_at(
    recipe: &Recipe,
    typed: &Typed,
    measured: impl Fn(&str) -> Option<f64>,
) -> Vec<Group> {
    let mut all: Vec<(&Flow, Group)> = Vec::new();
    for kept in &typed.results {
        let Some(flow) = typed.flow(kept.node, kept.port) else {
            continue;
        };
        if let Some((_, group)) = all.iter_mut().find(|(known, _)| alike(known, flow)) {
            group.results.push(kept.name.clone());
            continue;
        }
        let found = || {
            let (clock, n, m) = flow.clock.as_ref()?;
            Some((measured(clock)? * f64::from(*n) / f64::from(*m), "measured"))
        };
        let known = typed.signal_frequency(recipe, flow);
        let known = known
            .map(|(f, stated)| (f, if stated { "stated" } else { "expected" }))
            .or_else(found);
        let Some(figures) = Figures::of(flow, known.map(|(f, _)| f)) else {
            continue;
        };
        let line = flow.clock.as_ref().map(|(clock, n, m)| match (n, m) {
            (1, 1) => format!("`{clock}`"),
            (n, 1) => format!("harmonic {n} of `{clock}`"),
            (n, m) => format!("harmonic {n}/{m} of `{clock}`"),
        });
        let group = Group {
            results: vec![kept.name.clone()],
            line,
            known: known.map_or("", |(_, how)| how),
            figures,
        };
        all.push((flow, group));
    }
    all.into_iter().map(|(_, group)| group).collect()
}

/// A phase in rad, in degrees.
pub fn degrees(phase: f64) -> String {
    // Adding zero turns what rounds to -0.00 about.
    format!(
        "{:.2} deg",
        (100.0 * phase.to_degrees()).round() / 100.0 + 0.0
    )
}

/// Whether two flows have the same figures; whether complex or not, they are values or samples.
fn alike(a: &Flow, b: &Flow) -> bool {
    let sampled = |flow: &Flow| matches!(flow.kind, Kind::Wave | Kind::Phasor);
    let value = |flow: &Flow| flow.kind.is_estimate();
    (sampled(a), value(a)) == (sampled(b), value(b))
        && a.clock == b.clock
        && (a.rate, a.length) == (b.rate, b.length)
        && a.response == b.response
}

impl Group {
    /// What the figures are relative to.
    pub fn heading(&self) -> String {
        let f = self.figures.signal_frequency.map(|f| number(f) + " Hz");
        match (&self.line, f) {
            (Some(line), Some(f)) if self.figures.mixed => {
                format!("line at f = {f}, {} by {line}", self.known)
            }
            (Some(line), None) => {
                format!("line at f of {line}, which is not known before the run")
            }
            _ => "not mixed: frequencies are those at the input".into(),
        }
    }

    /// Lines that say what is left out.
    pub fn remarks(&self) -> Vec<String> {
        let figures = &self.figures;
        let mut all = Vec::new();
        if figures.mixed && figures.signal_frequency.is_none() {
            all.push("state f, or give `expect` or `near` in `Reference`, for the rejection of offset, image and mains".into());
        }
        if figures.carrier_left_out {
            all.push("filters before the mixing are left out, since f is not known".into());
        }
        if figures.images.iter().any(|i| i.before_mixing) {
            all.push(
                "noise that decimation before the mixing folds is not in the noise bandwidth"
                    .into(),
            );
        }
        if figures.needs_frequency {
            all.push(
                "the figures of a mean over whole periods need the frequency of their clock".into(),
            );
        } else if !figures.relative {
            all.push("a steady signal does not pass: gains are those of the chain, and there is no noise bandwidth".into());
        }
        all
    }

    /// The figures as a table.
    pub fn table(&self) -> String {
        let figures = &self.figures;
        if figures.needs_frequency {
            return String::new();
        }
        let is_value = figures.value_noise_bandwidth.is_some()
            || figures.rejections.iter().any(|r| r.value_db.is_some());
        let averaged = match figures.duration.filter(|_| is_value) {
            Some(t) => format!("mean of {} s", number(t)),
            None => String::new(),
        };
        let mut rows = vec![[String::new(), "samples".into(), averaged]];
        let hertz = |x: Option<f64>| x.map_or("-".to_owned(), |x| number(x) + " Hz");
        let second = |x: Option<f64>| x.map_or("-".to_owned(), |x| number(x) + " s");
        let value = |text: String| if is_value { text } else { String::new() };
        let mut row = |a: String, b: String, c: String| rows.push([a, b, c]);
        row(
            "noise bandwidth, one-sided".into(),
            hertz(figures.noise_bandwidth),
            value(hertz(figures.value_noise_bandwidth)),
        );
        row(
            "3 dB bandwidth".into(),
            hertz(figures.half_power),
            value(hertz(figures.value_half_power)),
        );
        for (part, time) in &figures.settling {
            row(
                format!("settles to {} %", number(100.0 * part)),
                second(*time),
                String::new(),
            );
        }
        row(
            "delay of the signal".into(),
            second(figures.delay),
            String::new(),
        );
        if let Some([size, phase]) = figures.signal_gain.filter(|_| figures.mixed) {
            row(
                "gain of the signal".into(),
                format!("{size:.4}, {}", degrees(phase)),
                String::new(),
            );
        }
        if let (Some(n), Some(t)) = (figures.independent, figures.duration) {
            row(
                format!("independent samples in {} s", number(t)),
                number(n),
                String::new(),
            );
        }
        if let Some(from) = &figures.uncertainty {
            row("uncertainty from".into(), String::new(), from.clone());
        }
        let decibel = |x: f64| match x {
            x if x <= -200.0 => "below -200 dB".to_owned(),
            x if x.abs() < 0.05 => "0.0 dB".to_owned(),
            x => format!("{x:.1} dB"),
        };
        // The zeros of a mean hold at exact frequencies only, so its bound is shown.
        let at_most = |x: Option<f64>| match x {
            Some(x) if x > -200.0 => format!("at most {}", decibel(x)),
            other => other.map_or(String::new(), decibel),
        };
        for r in shown(&figures.rejections) {
            let what = match r.input_frequency {
                Some(_) if figures.mixed => {
                    format!("{}, seen at {} Hz", r.what, number(r.seen_at))
                }
                _ => r.what.clone(),
            };
            row(what, decibel(r.samples_db), at_most(r.value_at_most_db));
        }
        for image in &figures.images {
            let place = if image.before_mixing {
                " before mixing"
            } else {
                ""
            };
            let what = format!(
                "folded by {} samples/s{place}, worst at {} Hz",
                number(image.rate),
                number(image.worst_at)
            );
            row(what, decibel(image.worst_db), String::new());
        }
        let known = |f: &f64| {
            figures
                .rejections
                .iter()
                .any(|r| r.seen_at == *f && r.input_frequency.is_none())
        };
        for offset in offsets(figures).into_iter().filter(|f| !known(f)) {
            let (samples, _) = figures.chain.response(offset);
            let mean = figures.chain.value_at_most(offset);
            let from = if figures.mixed { " from f" } else { "" };
            row(
                format!("response {} Hz{from}", number(offset)),
                decibel(samples),
                at_most(mean),
            );
        }
        let width = |k: usize| rows.iter().map(|r| r[k].chars().count()).max().unwrap_or(0);
        let (first, second) = (width(0), width(1));
        let lines = rows.iter().map(|[a, b, c]| {
            let line = format!("      {a:<first$}  {b:<second$}  {c}");
            line.trim_end().to_owned() + "\n"
        });
        lines.collect()
    }

    /// The figures for another program.
    pub fn json(&self) -> Value {
        let curve: Vec<Value> = curve_offsets(&self.figures)
            .iter()
            .map(|f| {
                let (samples, value) = self.figures.chain.response(*f);
                json!({"offset": f, "samples_db": samples, "value_db": value})
            })
            .collect();
        json!({
            "results": self.results,
            "line": self.line,
            "frequency_stated": self.known == "stated",
            "remarks": self.remarks(),
            "figures": self.figures,
            "response": curve,
        })
    }
}

/// The rejections that a terminal shows.
fn shown(all: &[Rejection]) -> Vec<&Rejection> {
    let (mains, mut few): (Vec<_>, Vec<_>) = all.iter().partition(|r| r.what.starts_with("mains"));
    for hertz in [" 50 Hz", " 60 Hz"] {
        let own: Vec<&Rejection> = mains
            .iter()
            .copied()
            .filter(|r| r.what.ends_with(hertz))
            .collect();
        few.extend(own.iter().take(FIRST_HARMONICS));
        let worst = own
            .iter()
            .skip(FIRST_HARMONICS)
            .max_by(|a, b| a.samples_db.total_cmp(&b.samples_db));
        few.extend(worst);
    }
    few
}

/// Half decades around the 3 dB bandwidth, up to half the rate.
fn offsets(figures: &Figures) -> Vec<f64> {
    let middle = figures.half_power.or(figures.value_half_power);
    let start = decade_below(middle.unwrap_or(1e-3 * figures.rate));
    (0..8)
        .map(|k| [1.0, 3.0][k % 2] * start * power_of_ten((k / 2) as f64))
        .filter(|f| *f <= 0.5 * figures.rate)
        .collect()
}

/// Forty offsets a decade, from a hundredth of the 3 dB bandwidth to half the rate.
pub fn curve_offsets(figures: &Figures) -> Vec<f64> {
    if figures.needs_frequency {
        return Vec::new();
    }
    let end = 0.5 * figures.rate;
    let start = decade_below(figures.half_power.unwrap_or(1e-3 * end)) * 0.1;
    let steps = (0..).map(|k| start * power_of_ten(f64::from(k) / 40.0));
    steps.take_while(|f| *f < end).chain([end]).collect()
}

/// The power of ten at or below a frequency.
pub fn decade_below(f: f64) -> f64 {
    power_of_ten(libm::log10(f).floor())
}

/// 10ˣ.
pub fn power_of_ten(x: f64) -> f64 {
    libm::exp10(x)
}

/// Four significant digits, without trailing zeros.
pub fn number(x: f64) -> String {
    if x == 0.0 {
        return "0".to_owned();
    }
    if !x.is_finite() {
        return x.to_string();
    }
    let exponent = libm::log10(x.abs()).floor() as i32;
    if !(-4..7).contains(&exponent) {
        return format!("{x:.3e}");
    }
    let text = format!("{x:.*}", (3 - exponent).max(0) as usize);
    if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.').into()
    } else {
        text
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_have_four_digits() {
        for (x, text) in [
            (0.0, "0"),
            (-0.0, "0"),
            (80.0, "80"),
            (0.78125, "0.7812"),
            (1234.5678, "1235"),
            (1.5e-7, "1.500e-7"),
            (100.04, "100"),
        ] {
            assert_eq!(number(x), text);
        }
    }
}
