//! What the chain of a recipe does to a signal and to what lies beside it, as plots and figures.

use phasemill_engine::report::plot::{Axis, Mark, Places, Plot, Series};
use phasemill_engine::report::{Block, Section, Subject, slug};

use crate::figures::{Group, curve_offsets, groups_at, number};
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
    let mut facts: Vec<(String, String)> = Vec::new();
    let mut add = |what: &str, value: Option<f64>, unit: &str| {
        if let Some(value) = value {
            facts.push((what.into(), format!("{} {unit}", number(value))));
        }
    };
    add(
        "Noise bandwidth of the samples, one-sided",
        figures.noise_bandwidth,
        "Hz",
    );
    add(
        "Noise bandwidth of the answer",
        figures.value_noise_bandwidth,
        "Hz",
    );
    add("Half of the power at", figures.half_power, "Hz");
    add("Delay of the signal", figures.delay, "s");
    for (part, time) in &figures.settling {
        let what = format!("Settles to {} %", number(100.0 * part));
        add(&what, *time, "s");
    }
    add("Averaged over", figures.duration, "s");
    facts
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
