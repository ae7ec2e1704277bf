//! What a bench may expect, as tables for a terminal and as curves: its budget here, its averages in `answers`.

mod answers;
mod kept;
mod recipe;

use phasemill_engine::bench::Bench;
use phasemill_engine::expect::{Advice, Budget, Sources};
use phasemill_engine::units::{Unit, format_quantity};

pub use answers::{Answers, Question};
pub use kept::Asked;
pub use recipe::{Planning, Record, Refusal};

use crate::chart::{Chart, Curve, cut};
use crate::figures::{number, power_of_ten};

/// Sources of noise that a terminal shows by name: the largest ones.
const SHOWN: usize = 4;
/// Longest name of a source that is shown whole, in characters.
const NAME: usize = 16;
/// What the columns of a budget are.
pub const BUDGET: &str = "  density: of all noise, one-sided; the shares are of its power. u: standard uncertainty of in-phase and\n  quadrature part after a plain average, as peak, lines at their most.";
/// What the columns of a recipe's averages are.
pub const LEGEND: &str = "  u: standard uncertainty of in-phase and quadrature part, and of an amplitude well above it, as peak and\n  as recorded, behind the recipe's own chain. threshold: noise alone has a larger amplitude with 5 %.\n  smallest: this amplitude exceeds the threshold with 95 %. in phase: the same for one part, where the\n  phase is known (Currie, Anal. Chem. 40, 586, 1968). Of a kept result in its own unit: what noise makes of its\n  uncertainty, that with the stated uncertainties of constants, and that as a part of the value.";
/// Points of a curve.
const POINTS: u32 = 120;

/// A value of the recording, three digits.
fn volts(bench: &Bench, value: f64) -> String {
    format_quantity(value, &bench.unit.to_coherent(), 3)
}

fn seconds(value: f64) -> String {
    match value {
        v if v > 0.0 && v < 0.001 => format_quantity(v, &Unit::second(), 3),
        v => number(v) + " s",
    }
}

/// A density of the recording.
fn density(bench: &Bench, value: f64) -> String {
    let unit = format!("{}/sqrt(Hz)", bench.unit.to_coherent().ascii());
    let unit = Unit::parse(&unit).unwrap_or_else(|_| Unit::one());
    format_quantity(value, &unit, 3)
}

fn percent(part: f64) -> String {
    match 100.0 * part {
        p if p > 0.0 && p < 0.05 => "< 0.1 %".into(),
        p if p > 0.0 && p < 10.0 => format!("{p:.1} %"),
        p => format!("{p:.0} %"),
    }
}

/// Columns of equal width, indented; the first line is the heading.
fn table(rows: &[Vec<String>]) -> String {
    let columns = rows.iter().map(Vec::len).max().unwrap_or(0);
    let width = |k: usize| {
        let cells = rows.iter().filter_map(|r| r.get(k));
        cells.map(|c| c.chars().count()).max().unwrap_or(0)
    };
    let widths: Vec<usize> = (0..columns).map(width).collect();
    let line = |row: &Vec<String>| {
        let cells = row.iter().zip(&widths);
        let text: String = cells.map(|(c, w)| format!("  {c:<w$}")).collect();
        format!("  {}\n", text.trim_end())
    };
    rows.iter().map(line).collect()
}

/// The bench in one line.
pub fn heading(bench: &Bench, rate: f64) -> String {
    let mut parts = Vec::new();
    if let Some(signal) = bench.signal {
        parts.push(format!("signal {} peak", volts(bench, signal)));
    }
    parts.push(format!("offset {}", volts(bench, bench.offset)));
    parts.push(format!("{} samples/s", number(rate)));
    if let Some(full_scale) = bench.converter.full_scale {
        let bits = bench.converter.bits.map(|b| format!("{b} bits over "));
        parts.push(format!(
            "{}\u{b1}{}",
            bits.unwrap_or_default(),
            volts(bench, full_scale)
        ));
    }
    parts.join(", ")
}

/// The names of the sources, those first that have the largest part of the power anywhere.
fn largest(budgets: &[Budget]) -> Vec<&str> {
    let share = |name: &str| {
        let shares = budgets.iter().flat_map(|b| &b.sources);
        let own = shares.filter(|s| s.name == name);
        own.map(|s| s.share_of_power).fold(0.0, f64::max)
    };
    let first = budgets.first().map(|b| b.sources.as_slice());
    let names = first.unwrap_or_default().iter().map(|s| s.name.as_str());
    let mut names: Vec<&str> = names.collect();
    names.sort_by(|a, b| share(b).total_cmp(&share(a)));
    names
}

/// The budget at each frequency, with the largest sources by name.
pub fn budgets(bench: &Bench, budgets: &[Budget], time: f64) -> String {
    let mut names = largest(budgets);
    let others = names.len() > SHOWN + 1;
    if others {
        names.truncate(SHOWN);
    }
    let mut heading: Vec<String> = ["at", "density", "u", "nearest line"]
        .map(str::to_owned)
        .into();
    heading[2] = format!("u in {}", seconds(time));
    heading.extend(names.iter().map(|n| cut(n, NAME)));
    if others {
        heading.push("others".into());
    }
    let mut rows = vec![heading];
    for b in budgets {
        let share = |name: &str| {
            let own = b.sources.iter().filter(|s| s.name == name);
            own.map(|s| s.share_of_power).sum::<f64>()
        };
        let near = if b.too_near { ", too near" } else { "" };
        let mut row = vec![
            number(b.frequency_hz) + " Hz",
            density(bench, b.density_unit_per_sqrt_hz),
            volts(bench, b.standard_uncertainty_unit),
            match &b.nearest_line {
                Some(line) => format!("{}, {} Hz{near}", line.what, number(line.distance_hz)),
                None if b.too_near => "offset, too near".into(),
                None => "-".into(),
            },
        ];
        row.extend(names.iter().map(|n| percent(share(n))));
        if others {
            let rest = 1.0 - names.iter().map(|n| share(n)).sum::<f64>();
            row.push(percent(rest.max(0.0)));
        }
        rows.push(row);
    }
    table(&rows)
}

/// The advice, a line each.
pub fn advice(advice: &Advice) -> String {
    let first = match advice.frequency_hz {
        Some(f) => format!("  modulate at {} Hz:\n", number(f)),
        None => "  no frequency to recommend:\n".into(),
    };
    let reasons = advice.reasons.iter().map(|r| format!("    - {r}\n"));
    first + &reasons.collect::<String>()
}

/// Values on a logarithmic scale.
fn spaced(low: f64, high: f64) -> impl Iterator<Item = f64> {
    let span = libm::log10(high / low);
    (0..=POINTS).map(move |k| low * power_of_ten(span * f64::from(k) / f64::from(POINTS)))
}

/// The density of each source against frequency, with the budgets as dots.
pub fn chart(
    bench: &Bench,
    sources: &Sources,
    rate: f64,
    budgets: &[Budget],
    advice: &Advice,
) -> Chart {
    let lowest = budgets.iter().map(|b| b.frequency_hz);
    let low = lowest.fold(1e-4 * rate, f64::min);
    let frequencies: Vec<f64> = spaced(low, 0.5 * rate).collect();
    let along =
        |value: &dyn Fn(f64) -> f64| frequencies.iter().map(|f| (*f, value(*f).sqrt())).collect();
    let mut curves = vec![Curve {
        name: "all noise".into(),
        points: along(&|f| sources.density(f)),
    }];
    curves.extend(largest(budgets).into_iter().map(|name| Curve {
        name: name.to_owned(),
        points: along(&|f| {
            let own = sources.names.iter().zip(&sources.laws);
            own.filter(|(n, _)| *n == name)
                .map(|(_, law)| law.density(f))
                .sum()
        }),
    }));
    let recommended = advice
        .frequency_hz
        .map(|f| (f, format!("{} Hz", number(f))));
    Chart {
        title: format!("{}: noise density", bench.title),
        across: "frequency in Hz".into(),
        up: format!("in {}/sqrt(Hz)", bench.unit.to_coherent()),
        curves,
        dots: budgets
            .iter()
            .map(|b| (b.frequency_hz, b.density_unit_per_sqrt_hz))
            .collect(),
        marks: recommended.into_iter().collect(),
    }
}
