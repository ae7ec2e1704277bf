//! A comparison of chains, as tables for a terminal of 80 columns: what it comes to first, points last.

use phasemill_engine::compare::{Comparison, PointValue, StartTime};
use phasemill_engine::units::{Unit, format_quantity, format_uncertain};

use crate::commands::say;

/// Points that are shown without being asked for.
const FEW_POINTS: usize = 8;

/// Characters of a chain's name that are shown.
const LONGEST_NAME: usize = 24;

/// The same where more stands beside it.
const SHORT_NAME: usize = 18;

/// Columns of a line.
const COLUMNS: usize = 80;

/// Prints the comparison on one recording.
pub fn print(name: &str, found: &Comparison, all_points: bool) {
    let points = match found.points {
        1 => "1 point".to_owned(),
        n => format!("{n} points"),
    };
    let convention = match found.convention.as_str() {
        "" => String::new(),
        text => format!(" ({text})"),
    };
    let output = found.chains.first().map_or("", |c| c.output.as_str());
    say(format!("{name}: {}", found.title));
    say(format!(
        "  `{output}` in {}{convention}, {points}, {} chains",
        found.unit,
        found.chains.len()
    ));
    say("");
    summary(found);
    verdicts(found);
    largest(found);
    starts(found);
    if all_points || found.points <= FEW_POINTS {
        values(found);
    } else {
        say("");
        wrapped(
            "  ",
            "the points one by one: with `--points`, in the table of `--csv`, in the file of `--out`",
        );
    }
    if let Some(recommended) = &found.recommended {
        say("");
        wrapped("  ", &recommended.reason);
    }
    say("");
}

fn short(name: &str) -> String {
    cut(name, LONGEST_NAME)
}

/// A text of at most so many characters.
fn cut(text: &str, longest: usize) -> String {
    match text.chars().count() > longest {
        true => text.chars().take(longest - 1).collect::<String>() + "~",
        false => text.to_owned(),
    }
}

/// Width of the column of names.
fn width(found: &Comparison) -> usize {
    let names = found.chains.iter().map(|c| short(&c.name).chars().count());
    names.max().unwrap_or(0).max(5)
}

fn in_unit(x: Option<f64>, unit: &Unit) -> String {
    x.map_or_else(|| "-".into(), |x| format_quantity(x, unit, 3))
}

/// Prints a text in lines of 80 columns, those after the first indented further.
fn wrapped(indent: &str, text: &str) {
    let mut line = indent.to_owned();
    for word in text.split(' ') {
        let full = line.chars().count() + 1 + word.chars().count() > COLUMNS;
        if full && !line.trim().is_empty() {
            say(&line);
            line = format!("{indent}  ");
        }
        if !line.ends_with(' ') && !line.is_empty() {
            line.push(' ');
        }
        line += word;
    }
    say(line);
}

fn summary(found: &Comparison) {
    let wide = width(found);
    say(format!(
        "    {:wide$} {:>9} {:>9} {:>9} {:>10} {:>9}",
        "chain", "settles", "bandwidth", "delay", "noise", "detected"
    ));
    let (second, hertz) = (Unit::second(), Unit::hertz());
    for chain in &found.chains {
        let mark = if chain.unbeaten == Some(true) {
            "*"
        } else {
            " "
        };
        let detected = chain
            .detected
            .map_or("-".into(), |(yes, of)| format!("{yes}/{of}"));
        say(format!(
            "  {mark} {:wide$} {:>9} {:>9} {:>9} {:>10} {:>9}",
            short(&chain.name),
            in_unit(chain.settles(), &second),
            in_unit(chain.noise_bandwidth, &hertz),
            in_unit(chain.delay, &second),
            chain.noise.map_or("-".into(), |u| found.shown(u, 3)),
            detected
        ));
    }
    let beaten = found.chains.iter().any(|c| c.unbeaten.is_some());
    if beaten {
        say("  * no other chain has both less noise and less settling time");
    }
    let known = found.chains.iter().filter_map(|c| c.noise_known_to);
    let known = match known.reduce(f64::max) {
        Some(part) => format!(", known to {:.0} %", (100.0 * part).max(1.0)),
        None => String::new(),
    };
    let text = format!(
        "settles: to 1 %; bandwidth: of the noise in the samples; noise: standard uncertainty without what all points share, root mean square over points{known}"
    );
    wrapped("  ", &text);
}

fn verdicts(found: &Comparison) {
    say("\n  Does the answer depend on the filter?");
    for chain in found.chains.iter().skip(1) {
        wrapped("    ", &format!("{}: {}", chain.name, chain.verdict));
    }
}

fn largest(found: &Comparison) {
    if found.chains.iter().all(|c| c.largest.is_none()) {
        return;
    }
    let wide = width(found);
    say(format!(
        "\n  Largest point, of those without a remark on their channels:\n    {:wide$} {:>14} {:>20} {:>14}",
        "chain", "at", "height", "above median"
    ));
    for chain in &found.chains {
        let Some(largest) = &chain.largest else {
            continue;
        };
        let stands = largest
            .stands_out
            .map_or("-".into(), |s| format!("{s:.1} u"));
        say(format!(
            "    {:wide$} {:>14} {:>20} {:>14}",
            short(&chain.name),
            found.place(largest.point),
            found.shown_uncertain(largest.height, largest.height_u),
            stands
        ));
    }
}

fn starts(found: &Comparison) {
    let with = || {
        let own = found.chains.iter().filter(|c| c.same_as.is_none());
        own.filter_map(|c| Some((c, c.start.as_ref()?)))
    };
    if with().next().is_none() {
        return;
    }
    say("\n  Step response at the start of points, time to what is left of the step,");
    say("  predicted and seen:");
    let wide = width(found);
    let seen = || with().filter(|(_, s)| s.not_seen.is_empty());
    if seen().next().is_some() {
        let cell = |part: &str| format!("{part:>17}");
        let head: Vec<String> = ["37 %", "10 %", "1 %"].map(cell).into();
        say(format!("    {:wide$}{}", "chain", head.concat()));
    }
    let second = Unit::second();
    let cell = |t: &StartTime| {
        let text = format!(
            "{} {}",
            in_unit(t.predicted, &second),
            in_unit(t.seen, &second)
        );
        format!("{text:>17}")
    };
    for (chain, start) in seen() {
        let times: Vec<String> = start.times.iter().map(cell).collect();
        say(format!(
            "    {:wide$}{}",
            short(&chain.name),
            times.concat()
        ));
    }
    for (chain, start) in with().filter(|(_, s)| !s.not_seen.is_empty()) {
        wrapped(
            "    ",
            &format!("{}: cannot be seen, since {}", chain.name, start.not_seen),
        );
    }
}

fn values(found: &Comparison) {
    let wide = width(found).min(SHORT_NAME);
    let phase = if found.complex { "phase" } else { "" };
    say(format!(
        "\n    {:>10} {:wide$} {:>14} {:>13} {:>16}",
        "point", "chain", "value", phase, "less the base"
    ));
    for point in 0..found.points {
        for chain in &found.chains {
            let (place, name) = (cut(&found.place(point), 10), cut(&chain.name, wide));
            let Some(value) = chain.values.get(point).and_then(Option::as_ref) else {
                say(format!("    {place:>10} {name:wide$} {:>14}", "no value"));
                continue;
            };
            let phase = phase_of(value).unwrap_or_default();
            let difference = chain.differences.get(point).and_then(Option::as_ref);
            let difference = difference.map(|d| found.shown_uncertain(d.amplitude, d.amplitude_u));
            let amplitude = match value.detected {
                Some(false) => "not detected".into(),
                _ => found.shown_uncertain(value.amplitude, value.amplitude_u),
            };
            let line = format!(
                "    {place:>10} {name:wide$} {amplitude:>14} {phase:>13} {:>16}",
                difference.unwrap_or_default()
            );
            say(line.trim_end());
        }
    }
}

/// The phase with its uncertainty; "any" where it may be any.
fn phase_of(value: &PointValue) -> Option<String> {
    let degree = Unit::degree();
    let x = value.phase?.to_radians();
    Some(match value.phase_u {
        _ if value.detected == Some(false) => "any".into(),
        Some(u) if u > 0.0 => format_uncertain(x, u.to_radians(), &degree),
        _ => format_quantity(x, &degree, 5),
    })
}
