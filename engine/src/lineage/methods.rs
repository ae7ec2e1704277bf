//! What was done, in plain English: a sentence per stage, put on record when it runs, and the paragraph
//! that `trace --methods` makes of them.

use super::alike::{Alike, main_first};
use super::findings::{is_clipped, point_of};
use super::told::in_si;
use super::{Chosen, ConstantFacts, Entry, FlowFacts, Lineage, Node};
use crate::diagnostic::counted;
use crate::flow::Kind;
use crate::run::Job;
use crate::stage::Told;
use crate::units::{Quantity, Unit, format_quantity};

/// A quantity in SI units as a sentence says it, with at most four digits: `50 ms`, `1.563 Hz`, `0.01 %`.
pub fn spoken(value: f64, unit: &str) -> String {
    told(value, unit, |_| 4)
}

/// A quantity in SI units that was stated, with the digits that it has: `50 kHz`, `9.99994 kHz`. One that does not end
/// within nine digits, such as a rate that is a quotient, has six.
pub fn stated(value: f64, unit: &str) -> String {
    told(value, unit, |number| {
        let ends = |digits: &usize| {
            let near: f64 = format!("{number:.*e}", digits - 1)
                .parse()
                .unwrap_or(f64::NAN);
            // Conversion to SI units and back rounds twice.
            (near - number).abs() <= 4.0 * f64::EPSILON * number.abs()
        };
        (4..=9).find(ends).unwrap_or(6)
    })
}

/// A quantity with as many digits as `digits` says of its number, but no idle ones.
fn told(value: f64, unit: &str, digits: impl Fn(f64) -> usize) -> String {
    let unit = Unit::parse(unit).unwrap_or_else(|_| Unit::one());
    let text = format_quantity(value, &unit, digits(unit.number_of(value)));
    let (number, rest) = match text.split_once(' ') {
        Some((number, unit)) => (number, format!(" {unit}")),
        None => (text.as_str(), String::new()),
    };
    let number = match number.contains('.') && !number.contains('e') {
        true => number.trim_end_matches('0').trim_end_matches('.'),
        false => number,
    };
    format!("{number}{rest}")
}

/// The sentence of a stage; where it has none of its own, its settings are listed.
pub(super) fn sentence(job: &Job<'_>, node: usize, stage: usize) -> String {
    let entry = &job.recipe.stages[stage];
    let flows = job.flows_into(node);
    let flow_names = entry.described.flows.iter();
    let names: Vec<String> = flow_names.map(|f| format!("\"{}\"", f.text)).collect();
    let told: Vec<Told<'_>> = names
        .iter()
        .zip(&flows)
        .map(|(name, flow)| Told { name, flow })
        .collect();
    match entry.configured.method(&told) {
        Some(own) => own,
        None => listed(entry.stage.name(), &names, &entry.described.settings),
    }
}

/// "a", "a and b", "a, b and c".
fn joined(names: &[String]) -> String {
    match names {
        [] => String::new(),
        [one] => one.clone(),
        [others @ .., last] => format!("{} and {last}", others.join(", ")),
    }
}

/// A sentence that lists the settings of a stage.
fn listed(stage: &str, reads: &[String], settings: &[(String, String)]) -> String {
    let of = joined(reads);
    let settings: Vec<String> = settings
        .iter()
        .map(|(path, value)| format!("{path} = {}", in_si(value)))
        .collect();
    match settings.is_empty() {
        true => format!("The stage {stage} was applied to {of}."),
        false => format!(
            "The stage {stage} was applied to {of} ({}).",
            settings.join(", ")
        ),
    }
}

/// A paragraph for the methods section of a paper on some outputs of one entry.
pub fn methods(lineage: &Lineage, entry: &Entry, chosen: &[Chosen<'_>]) -> String {
    let mut wanted: Vec<&Node> = Vec::new();
    for node in &entry.nodes {
        let needed = |c: &Chosen<'_>| entry.chain(c.output).iter().any(|n| n.name == node.name);
        if chosen.iter().any(needed) {
            wanted.push(node);
        }
    }
    main_first(&mut wanted);
    let alike = Alike::among(&wanted);
    let mut sentences = recorded(entry, &wanted);
    for node in wanted.iter().filter(|n| n.input.is_none()) {
        sentences.extend(match alike.told(node) {
            Some(first) => again(node, first, &alike, &wanted, chosen),
            None if !node.method.is_empty() => {
                Some(named(&node.method, &node.name, &wanted, chosen))
            }
            // Version 1 has no sentences.
            None => {
                let text = listed(&node.stage, &quoted(&node.reads), &node.settings);
                Some(named(&text, &node.name, &wanted, chosen))
            }
        });
    }
    let mut constants: Vec<&ConstantFacts> = Vec::new();
    for constant in wanted.iter().flat_map(|n| &n.constants) {
        if !constants.contains(&constant) {
            constants.push(constant);
        }
    }
    sentences.extend(constants.into_iter().map(calibration));
    sentences.extend(zeros_of_phase(entry, chosen));
    sentences.extend(results(entry, chosen));
    sentences.extend(troubled(entry, chosen));
    let libraries: Vec<String> = lineage
        .libraries
        .iter()
        .map(|(name, version)| format!("{name} {version}"))
        .collect();
    let with = match libraries.is_empty() {
        true => String::new(),
        false => format!(" ({})", libraries.join(", ")),
    };
    sentences.push(format!(
        "Computed with phasemill {}{with}.",
        lineage.program
    ));
    sentences.join(" ")
}

/// A sentence for a stage that was made in the same way as one told before; none where the stage that reads it says so
/// of both.
fn again(
    node: &Node,
    first: &str,
    alike: &Alike<'_>,
    wanted: &[&Node],
    chosen: &[Chosen<'_>],
) -> Option<String> {
    let reads = |n: &&&Node| {
        n.reads
            .iter()
            .any(|r| crate::graph::split(r).0 == node.name)
    };
    let mut readers = wanted.iter().filter(reads);
    let kept = chosen.iter().any(|c| c.output.node == node.name);
    if !kept && readers.all(|n| alike.told(n).is_some()) {
        return None;
    }
    let from = joined(&quoted(&alike.from(node)));
    let name = &node.name;
    Some(format!(
        "\"{name}\" was obtained from {from} in the same way as \"{first}\"."
    ))
}

/// Names as a sentence has them.
fn quoted(names: &[impl AsRef<str>]) -> Vec<String> {
    let quote = |name: &_| format!("\"{}\"", AsRef::<str>::as_ref(name));
    names.iter().map(quote).collect()
}

/// A sentence with the name of what came out, where a later sentence will need it.
fn named(sentence: &str, name: &str, wanted: &[&Node], chosen: &[Chosen<'_>]) -> String {
    let read = |n: &&Node| n.reads.iter().any(|r| crate::graph::split(r).0 == name);
    let needed = wanted.iter().any(read) || chosen.iter().any(|c| c.output.node == name);
    match sentence.strip_suffix('.') {
        Some(text) if needed => format!("{text} (\"{name}\")."),
        _ => sentence.to_owned(),
    }
}

/// Rate, samples per point, points and recording of a channel, and how its points were cut.
type Form<'n> = (f64, u64, u64, &'n str, (&'n [(u64, u64)], &'n str));

/// What was recorded: channels of one rate and length share a sentence.
fn recorded(entry: &Entry, wanted: &[&Node]) -> Vec<String> {
    let mut groups: Vec<(Form<'_>, Vec<String>)> = Vec::new();
    for node in wanted {
        let Some(input) = &node.input else { continue };
        let form = (
            input.rate,
            input.length,
            input.points,
            input.recording.as_str(),
            (input.cuts.as_slice(), input.cut_by.as_str()),
        );
        let unit = match input.unit.as_str() {
            "" | "1" => String::new(),
            unit => format!(" (in {unit})"),
        };
        let channel = format!("\"{}\"{unit}", node.name);
        match groups.iter_mut().find(|(f, _)| *f == form) {
            Some((_, channels)) => channels.push(channel),
            None => groups.push((form, vec![channel])),
        }
    }
    let axis = |recording: &str| {
        let recording = entry.recordings.iter().find(|r| r.name == recording);
        recording
            .and_then(|r| r.axis.as_ref())
            .map(|a| format!(" of the axis \"{}\"", a.name))
    };
    let sentence = |((rate, length, points, recording, (cuts, cut_by)), channels): (
        Form<'_>,
        Vec<String>,
    )| {
        let of = match recording {
            "" => String::new(),
            name => format!(" of the recording \"{name}\""),
        };
        let what = match channels.as_slice() {
            [one] => format!("The channel {one}{of} was recorded"),
            all => format!("The channels {}{of} were recorded", joined(all)),
        };
        if rate == 0.0 {
            return format!("{what}.");
        }
        let along = axis(recording).unwrap_or_default();
        let time = duration(length as f64 / rate);
        let longest = cuts.iter().map(|(_, length)| *length).max();
        let longest = longest.filter(|longest| *longest > length);
        let longest_time = longest.map(|length| duration(length as f64 / rate));
        let rate = match rate < 1.0 {
            true => format!("with one sample every {}", duration(1.0 / rate)),
            false => format!("at {}", stated(rate, "Hz")),
        };
        if !cuts.is_empty() {
            let samples = match longest.zip(longest_time) {
                None => format!("{length} samples ({time})"),
                Some((longest, its)) => {
                    format!("{length} to {longest} samples ({time} to {its})")
                }
            };
            let points = counted(points, "point");
            let goes_on = match wanted.iter().flat_map(|n| &n.flows).any(is_stated_clock) {
                true => "; phases of stated frequencies are counted from its first sample",
                false => "",
            };
            return format!(
                "{what} {rate} in one go and cut into {points}{along} of {samples}, {cut_by}{goes_on}."
            );
        }
        let points = match points {
            1 => String::new(),
            n => format!(" at each of {n} points{along}"),
        };
        format!("{what} {rate}, {length} samples ({time}){points}.")
    };
    groups.into_iter().map(sentence).collect()
}

fn is_stated_clock(flow: &FlowFacts) -> bool {
    flow.kind == Kind::Clock.to_string() && flow.frequency.is_some()
}

/// A time as one says it: `20 ms`, `5 min`, `64.96 d`.
fn duration(seconds: f64) -> String {
    const UNITS: [(f64, &str); 3] = [(86400.0, "d"), (3600.0, "h"), (60.0, "min")];
    let fits = |size: f64| seconds >= 2.0 * size || (seconds / size - 1.0).abs() < 1e-6;
    match UNITS.iter().find(|(size, _)| fits(*size)) {
        None => spoken(seconds, "s"),
        Some((size, unit)) => format!("{} {unit}", spoken(seconds / size, "1")),
    }
}

fn calibration(constant: &ConstantFacts) -> String {
    let numbers = constant.numbers();
    let part = numbers.and_then(|(value, u, kind)| Some(relative(&value, &u)? + &kind));
    let uncertainty = match (constant.standard_uncertainty.as_str(), part) {
        ("not stated", _) => "its uncertainty was not stated".to_owned(),
        (_, Some(part)) => format!("with a relative standard uncertainty of {part}"),
        (_, None) => format!(
            "with a standard uncertainty of {}",
            constant.told_uncertainty()
        ),
    };
    let origin = [constant.source.as_str(), constant.date.as_str()];
    let origin: Vec<&str> = origin.into_iter().filter(|t| !t.is_empty()).collect();
    let origin = match origin.is_empty() {
        true => String::new(),
        false => format!(" ({})", origin.join(", ")),
    };
    format!(
        "The constant \"{}\" is {}, {uncertainty}{origin}.",
        constant.name, constant.value
    )
}

/// The standard uncertainty of a constant as a part of it, where that has a meaning.
fn relative(value: &Quantity, u: &Quantity) -> Option<String> {
    let part = u.value / value.value.abs();
    // Angles and temperatures have no zero to be a part of.
    let scale = !value.text.contains("°C");
    let angle = value.unit.same_dimension(&Unit::radian());
    (scale && !angle && part.is_finite()).then(|| spoken(part, "%"))
}

/// What zero and sign of the phases among the results are.
fn zeros_of_phase(entry: &Entry, chosen: &[Chosen<'_>]) -> Vec<String> {
    let mut groups: Vec<(String, Vec<String>)> = Vec::new();
    for chosen in chosen {
        let flow = entry.flow(chosen.output);
        let Some(zero) = flow.and_then(FlowFacts::zero_of_phase) else {
            continue;
        };
        let name = format!("\"{}\"", chosen.output.name);
        match groups.iter_mut().find(|(other, _)| *other == zero) {
            Some((_, names)) => names.push(name),
            None => groups.push((zero, vec![name])),
        }
    }
    let sentence = |(zero, names): (String, Vec<String>)| {
        format!("The phase of {} is {zero}.", joined(&names))
    };
    groups.into_iter().map(sentence).collect()
}

/// What the results are, and what is said of their uncertainty.
fn results(entry: &Entry, chosen: &[Chosen<'_>]) -> Vec<String> {
    let mut sentences = Vec::new();
    let (mut with, mut without, mut drawn) = (Vec::new(), Vec::new(), Vec::new());
    let mut most = 0;
    for chosen in chosen {
        let Some(flow) = entry.flow(chosen.output) else {
            continue;
        };
        let name = format!("\"{}\"", chosen.output.name);
        if let Some(trials) = flow.drawn {
            drawn.push(name.clone());
            most = most.max(trials);
        }
        // Ends of intervals, limits and counts beside an estimate are what is said of it.
        let beside = || {
            let node = entry.node(&chosen.output.node);
            node.is_some_and(|n| n.flows.iter().any(|f| f.evaluated == Some(true)))
        };
        match flow.evaluated {
            Some(true) => with.push(name),
            Some(false) if !beside() => without.push(name),
            _ => {}
        }
    }
    if !with.is_empty() {
        sentences.push(format!(
            "Standard uncertainties of {} were combined to first order from independent sources (JCGM 100:2008, 5.2.2).",
            joined(&with)
        ));
    }
    if !drawn.is_empty() {
        sentences.push(format!(
            "Where that does not hold, those of {} come from {most} trials (JCGM 101:2008).",
            joined(&drawn)
        ));
    }
    if !without.is_empty() {
        sentences.push(format!(
            "No uncertainty of {} was evaluated.",
            joined(&without)
        ));
    }
    sentences
}

/// The points at which something failed or the converter cut off samples: what a reader of the numbers has to know.
fn troubled(entry: &Entry, chosen: &[Chosen<'_>]) -> Vec<String> {
    const NAMED: usize = 8;
    let all = chosen.iter().map(|c| c.output.points).max().unwrap_or(0);
    let points = |texts: &[String], wanted: fn(&str) -> bool| -> Option<(usize, String)> {
        let own = |t: &&String| {
            let concerned = chosen.iter().any(|c| entry.concerns(t, c.output, c.point));
            wanted(t) && concerned
        };
        let mut found: Vec<u64> = texts
            .iter()
            .filter(own)
            .filter_map(|t| point_of(t))
            .collect();
        found.sort_unstable();
        found.dedup();
        let mut named: Vec<String> = found.iter().take(NAMED).map(u64::to_string).collect();
        if found.len() > NAMED {
            named.push(format!("{} more", found.len() - NAMED));
        }
        (!found.is_empty()).then(|| (found.len(), joined(&named)))
    };
    let of = |count: usize| match all {
        0 | 1 => String::new(),
        all => format!(" at {count} of {all} points"),
    };
    let numbers = |named: &str| match all {
        0 | 1 => String::new(),
        _ => format!(" (counted from 0: {named})"),
    };
    let mut sentences = Vec::new();
    if let Some((count, named)) = points(&entry.failures, |_| true) {
        sentences.push(format!(
            "Something failed{}{}, so that numbers are missing.",
            of(count),
            numbers(&named)
        ));
    }
    if let Some((count, named)) = points(&entry.remarks, is_clipped) {
        sentences.push(format!(
            "Samples were cut off{}{}, so that amplitudes are too small there.",
            of(count),
            numbers(&named)
        ));
    }
    sentences
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_uncertainty_is_told_as_a_part_where_that_means_something() {
        for (value, u, told) in [
            (
                "1.000e8 V/A",
                "500000.0 V/A",
                "a relative standard uncertainty of 0.5 %",
            ),
            (
                "20.0 us",
                "1.1547005383792516e-6 s, from rectangular limits",
                "a relative standard uncertainty of 5.774 %, from rectangular limits",
            ),
            ("20 °C", "0.1 K", "a standard uncertainty of 100 mK"),
            ("30 deg", "0.01 rad", "a standard uncertainty of 0.573 deg"),
            ("0 V", "0.01 V", "a standard uncertainty of 10 mV"),
            (
                "-20 dB",
                "0.0011512925464970296 1",
                "a standard uncertainty of 0.1 dB",
            ),
        ] {
            let constant = ConstantFacts {
                value: value.into(),
                standard_uncertainty: u.into(),
                ..ConstantFacts::default()
            };
            let sentence = calibration(&constant);
            assert!(sentence.ends_with(&format!("with {told}.")), "{sentence}");
        }
    }

    #[test]
    fn numbers_are_said_without_idle_digits() {
        for (value, unit, text) in [
            (0.05, "s", "50 ms"),
            (1.5625, "Hz", "1.562 Hz"),
            (1e-4, "%", "0.01 %"),
            (1000.0, "Hz", "1 kHz"),
            (100.0, "Hz", "100 Hz"),
        ] {
            assert_eq!(spoken(value, unit), text);
        }
        for (value, unit, text) in [
            (50e3, "Hz", "50 kHz"),
            (1000.04, "Hz", "1.00004 kHz"),
            (9999.94, "Hz", "9.99994 kHz"),
            (0.25, "Hz", "250 mHz"),
            (1e4 / 3.0, "Hz", "3.33333 kHz"),
            (2.23642779643e-5, "Hz", "22.3643 µHz"),
            (123456789.0, "Hz", "123.456789 MHz"),
            (12.3456f64.to_radians(), "deg", "12.3456 deg"),
            (0.0, "deg", "0 deg"),
            (0.005, "%", "0.5 %"),
        ] {
            assert_eq!(stated(value, unit), text);
        }
        for (seconds, text) in [
            (0.02, "20 ms"),
            (90.0, "90 s"),
            (3600.0 + 1e-6, "1 h"),
            (300.0, "5 min"),
            (5612400.0, "64.96 d"),
        ] {
            assert_eq!(duration(seconds), text);
        }
    }
}
