//! What the chain of a recipe does to a signal and to what lies beside it, as plots and figures.

use phasemill_engine::report::plot::{Axis, Mark, Places, Plot, Series};
use phasemill_engine::report::{Block, Section, Subject, slug};

use crate::figures::{Group, curve_offsets, degrees, groups_at, number};
use crate::plot::label;

/// Points of a step response.
const STEPS: usize = 400;
/// Lowest gain drawn, in dB.
const LOWEST: f64 = -160.0;

/// The chains behind what was kept, at the frequencies that were measured where none is stated.
pub fn groups(subject: &Subject<'_>) -> Vec<Group> {
    match (subject.recipe(), &subject.typed) {
        (Some(recipe), Some(typed)) => groups_at(recipe, typed, |clock| subject.measured(clock)),
        _ => Vec::new(),
    }
}

/// The section.
pub fn section(groups: &[Group]) -> Section {
    let mut blocks = Vec::new();
    for group in groups {
        blocks.push(Block::Heading(group.results.join(", ")));
        blocks.push(Block::Text(format!("{}.", capital(&group.heading()))));
        blocks.push(Block::Facts(facts(group)));
        blocks.extend(gain(group).map(|p| Block::Plot(Box::new(p))));
        blocks.extend(step(group).map(|p| Block::Plot(Box::new(p))));
        let remarks = group.remarks();
        if !remarks.is_empty() {
            blocks.push(Block::List(remarks));
        }
        let table = group.table();
        if !table.is_empty() {
            let all = "All figures, as `phasemill check` prints them".to_owned();
            blocks.push(Block::More(all, vec![Block::Verbatim(table)]));
        }
    }
    if blocks.is_empty() {
        let text = "No linear chain of filters leads to what was kept, or the recipe cannot be read any more.";
        blocks.push(Block::Text(text.into()));
    }
    Section::new("response", "What the chain lets through", blocks)
}

fn capital(text: &str) -> String {
    let mut chars = text.chars();
    let first = chars.next().map(|c| c.to_uppercase().to_string());
    first.unwrap_or_default() + chars.as_str()
}

fn facts(group: &Group) -> Vec<(String, String)> {
    let figures = &group.figures;
    let hertz = |x: Option<f64>| x.map(|x| format!("{} Hz", number(x)));
    let second = |x: Option<f64>| x.map(|x| format!("{} s", number(x)));
    let signal = figures.signal_gain.filter(|_| figures.mixed);
    let signal = signal.map(|[size, phase]| format!("{size:.4}, {}", degrees(phase)));
    let mut facts = vec![
        (
            "Noise bandwidth of the samples, one-sided".to_owned(),
            hertz(figures.noise_bandwidth),
        ),
        (
            "Noise bandwidth of the answer".into(),
            hertz(figures.value_noise_bandwidth),
        ),
        ("Half of the power at".into(), hertz(figures.half_power)),
        ("Delay of the signal".into(), second(figures.delay)),
        ("Gain of the signal".into(), signal),
    ];
    let settled = |(part, time): &(f64, Option<f64>)| {
        let what = format!("Settles to {} %", number(100.0 * part));
        (what, second(*time))
    };
    facts.extend(figures.settling.iter().map(settled));
    facts.push(("Averaged over".into(), second(figures.duration)));
    let known = |(what, value): (String, Option<String>)| Some((what, value?));
    facts.into_iter().filter_map(known).collect()
}

fn name(group: &Group) -> String {
    group.results.first().cloned().unwrap_or_default()
}

/// Gain against the distance from the line.
fn gain(group: &Group) -> Option<Plot> {
    let figures = &group.figures;
    let offsets = curve_offsets(figures);
    let both: Vec<(f64, Option<f64>)> =
        offsets.iter().map(|f| figures.chain.response(*f)).collect();
    let shown = |db: f64| if db < LOWEST { f64::NAN } else { db };
    let places = || Places::Listed(offsets.clone());
    let samples = both.iter().map(|(s, _)| shown(*s)).collect();
    let mut series = vec![Series::line("samples", places(), samples)];
    if both.iter().any(|(_, value)| value.is_some()) {
        // Between the offsets drawn a mean has zeros; their envelope is what counts.
        let values = offsets.iter().map(|f| figures.chain.value_at_most(*f));
        let values = values.map(|v| v.map_or(f64::NAN, shown)).collect();
        series.push(Series::line("their mean, at most", places(), values));
    }
    let marks = figures.rejections.iter().filter_map(|r| {
        let (label, _) = label(&r.what)?;
        let seen = r.seen_at > 0.0 && r.seen_at >= *offsets.first()?;
        seen.then_some(Mark {
            at: r.seen_at,
            label,
        })
    });
    let across = match figures.mixed {
        true => "distance from the signal",
        false => "frequency",
    };
    let plot = Plot {
        id: slug(&format!("{} gain", name(group))),
        title: "Gain against frequency".into(),
        about: format!(
            "Gain against that of the signal, by the {across}, from the designed coefficients. Marks show where an offset, the image of the signal and the mains are seen. What lies below {LOWEST} dB is not drawn."
        ),
        x: Axis::new(across, "Hz").log(),
        y: Axis::new("gain", "dB"),
        marks: marks.collect(),
        view: None,
        series,
    };
    (!plot.is_empty()).then_some(plot)
}

/// How the chain answers a step.
fn step(group: &Group) -> Option<Plot> {
    let (times, parts): (Vec<f64>, Vec<f64>) = group.figures.chain.step(STEPS)?.into_iter().unzip();
    Some(Plot {
        id: slug(&format!("{} step", name(group))),
        title: "Answer to a step".into(),
        about: "How the filtered samples follow a signal that is switched on at time zero, as a part of where they end; from the designed coefficients of what lies behind the mixing.".into(),
        x: Axis::new("time", "s"),
        y: Axis::new("part of the end value", ""),
        series: vec![Series::line("step response", Places::Listed(times), parts)],
        marks: Vec::new(),
        view: None,
    })
}
