//! What a challenge found, as tables for a terminal.

use phasemill_engine::challenge::{Leak, Line, Remark, Report};
use phasemill_engine::response::decibels;
use phasemill_engine::units::{Unit, format_quantity};

use crate::commands::say;

/// Lines of a table that are shown; the rest is in the JSON.
const SHOWN: usize = 40;

/// Remarks, and points of one remark, that are shown.
const FEW: usize = 5;

/// Prints the report on one recording.
pub fn print(name: &str, report: &Report) {
    let unit = Unit::parse(&report.unit).unwrap_or_else(|_| Unit::one());
    say(format!("{name}: {}", report.title));
    let through = match report.through_from.as_str() {
        "" => String::new(),
        from => format!(
            "; 1 {} is {:e} {} at the input ({from})",
            unit.to_coherent(),
            report.through,
            report.input_unit
        ),
    };
    say(format!(
        "  `{}` with tones in `{}` that follow {}; amplitudes are {}{through}",
        report.result, report.input, report.follow, report.stated_as
    ));
    let points: Vec<String> = report.points.iter().map(usize::to_string).collect();
    say(format!(
        "  {} of {} point{}: {}",
        report.points.len(),
        report.points_in_all,
        if report.points_in_all == 1 { "" } else { "s" },
        points.join(", ")
    ));
    table(
        "Tones at the signal's frequency: run with a tone less run without, so that the recording's noise cancels",
        &report.tones,
        ["ok", "LOST"],
        &unit,
    );
    leaks(&report.leaks, report.tolerance);
    table(
        "Beside the signal, which is taken out: nothing or a tone in the recording's noise, which tests the stated uncertainty",
        &report.neighbours,
        ["ok", "odd"],
        &unit,
    );
    if let Some(chi) = &report.chi_square {
        say(format!(
            "  together: chi-square {:.1} for {} values; values scatter by {:.2} of the stated uncertainty; a sum as large has a chance of {:.2} %",
            chi.value,
            chi.count,
            chi.ratio(),
            100.0 * chi.chance_above
        ));
    }
    say("");
    for (what, all) in [("remark", &report.remarks), ("failed", &report.failures)] {
        for remark in all.iter().take(FEW) {
            say(format!("  {what}: {}: {}", at(remark), remark.what));
        }
        if let more @ 1.. = all.len().saturating_sub(FEW) {
            say(format!("  {what}: and {more} more; `--json` prints all"));
        }
    }
    report
        .notes
        .iter()
        .for_each(|n| say(format!("  note: {n}")));
    report
        .faults
        .iter()
        .for_each(|f| say(format!("  fault: {f}")));
    say(if report.passed {
        "passed"
    } else {
        "not passed"
    });
}

/// Points, the first few by number.
fn at(remark: &Remark) -> String {
    let first: Vec<String> = remark
        .points
        .iter()
        .take(FEW)
        .map(usize::to_string)
        .collect();
    let more = match remark.points.len().saturating_sub(FEW) {
        0 => String::new(),
        n => format!(" and {n} more"),
    };
    let s = if remark.points.len() == 1 { "" } else { "s" };
    format!("point{s} {}{more}", first.join(", "))
}

/// One row a line; the worst ones where there are many.
fn table(title: &str, lines: &[Line], words: [&str; 2], unit: &Unit) {
    if lines.is_empty() {
        return;
    }
    say("");
    say(format!("  {title}"));
    say(format!(
        "  {:>5} {:>10}  {:>24}  {:>24}  {:>11} {:>11} {:>8}",
        "point", "beside/Hz", "added", "came back", "difference", "u", "diff/u"
    ));
    let mut shown: Vec<&Line> = lines.iter().collect();
    if shown.len() > SHOWN {
        let badness = |l: &Line| l.difference() / l.standard_uncertainty.unwrap_or(1.0);
        shown.sort_by(|a, b| badness(b).total_cmp(&badness(a)));
        shown.truncate(SHOWN);
    }
    let size = |x: f64, digits: usize| format_quantity(x, unit, digits);
    let polar = |[x, y]: [f64; 2]| match libm::hypot(x, y) {
        0.0 => "nothing".to_owned(),
        amplitude => format!(
            "{} {:>7.2} deg",
            size(amplitude, 5),
            libm::atan2(y, x).to_degrees()
        ),
    };
    for line in &shown {
        let u = line.standard_uncertainty;
        say(format!(
            "  {:>5} {:>10.4}  {:>24}  {:>24}  {:>11} {:>11} {:>8}  {}",
            line.point,
            line.offset,
            polar(line.injected),
            polar(line.recovered),
            size(line.difference(), 3),
            u.map_or("none".into(), |u| size(u, 3)),
            u.map_or("".into(), |u| format!("{:.3}", line.difference() / u)),
            words[usize::from(!line.passed)]
        ));
    }
    if lines.len() > shown.len() {
        say(format!(
            "  the {} worst of {}; `--json` prints all",
            shown.len(),
            lines.len()
        ));
    }
}

fn leaks(leaks: &[Leak], tolerance: f64) {
    if leaks.is_empty() {
        return;
    }
    say("");
    say(format!(
        "  Tones beside the signal: how much of one comes through ({:.1} dB on top of what is designed is tolerated)",
        decibels(tolerance)
    ));
    say(format!(
        "  {:>5} {:>10}  {:>12}  {:>12}",
        "point", "beside/Hz", "comes through", "designed"
    ));
    let level = |x: f64| format!("{:.1} dB", decibels(x));
    for leak in leaks.iter().take(SHOWN) {
        say(format!(
            "  {:>5} {:>10.4}  {:>12}  {:>12}  {}",
            leak.point,
            leak.offset,
            level(leak.part),
            leak.designed
                .map_or("unknown".into(), |d| format!("<= {}", level(d))),
            if leak.passed { "ok" } else { "LEAKS" }
        ));
    }
}
