//! Spectra of one point: the channels as recorded, with lines by name, and the samples behind the filters.

use std::path::Path;

use phasemill_engine::look;
use phasemill_engine::recipe::Wiring;
use phasemill_engine::report::plot::{Axis, Mark, Places, Plot, Series};
use phasemill_engine::report::samples::{PointTraces, Recordings, Trace};
use phasemill_engine::report::{Block, Cell, Notice, Subject, Table, slug};
use phasemill_engine::store::{FileContents, StoreError};
use phasemill_engine::units::{Unit, format_uncertain};
use phasemill_stages::survey::{Spectrum, Survey};

use crate::figures::Group;
use crate::plot::label;
use crate::survey::{self, Findings, Seen, Wanted, text};

/// Bins next to zero that tell nothing.
const FIRST: usize = 5;
/// Lines listed of a channel, the highest over the noise.
const LISTED: usize = 12;
/// Lines named in the drawing.
const MARKED: usize = 12;

/// The blocks of the section: of the first point that could be computed again.
pub fn blocks(
    subject: &Subject<'_>,
    recordings: &Recordings,
    traces: &[PointTraces],
    groups: &[Group],
) -> Vec<Block> {
    // One that nothing is said against shows what is usual.
    let usable = |t: &&PointTraces| {
        let said = subject
            .troubles
            .iter()
            .any(|s| s.point == Some(t.wanted.point));
        t.troubles.is_empty() && !said
    };
    let Some(shown) = traces.iter().find(usable).or(traces.first()) else {
        return vec![Block::Text("No point could be shown.".into())];
    };
    let point = shown.wanted.point;
    let mut blocks = vec![Block::Text(format!(
        "Amplitude densities at point {point} ({}).",
        shown.wanted.why
    ))];
    blocks.push(Block::Heading("As recorded".into()));
    let datasets: Vec<&str> = subject
        .entry
        .nodes
        .iter()
        .filter(|n| shown.raw.iter().any(|t| t.name == n.name))
        .filter_map(|n| Some(n.input.as_ref()?.dataset.as_str()))
        .collect();
    let wiring = subject.wiring();
    match (recordings.file_of(subject, point), wiring) {
        (Some((path, within)), Some(wiring)) => match findings(&path, within, wiring, &datasets) {
            Ok(findings) => {
                for seen in &findings.channels {
                    blocks.extend(recorded(seen, &findings, point));
                }
            }
            Err(why) => blocks.push(Block::Notice(Notice::Warning, why)),
        },
        _ => blocks.push(Block::Notice(
            Notice::Warning,
            "the recording of this point is not on record".into(),
        )),
    }
    if !shown.behind.is_empty() {
        blocks.push(Block::Heading("Behind the filters".into()));
    }
    let skip = subject
        .entry
        .outputs
        .iter()
        .map(|o| o.from)
        .fold(0.0, f64::max);
    for trace in &shown.behind {
        blocks.push(filtered(trace, skip, point, groups));
    }
    blocks
}

/// Looks at the channels of a file.
fn findings(
    path: &Path,
    point: u64,
    wiring: &Wiring,
    datasets: &[&str],
) -> Result<Findings, String> {
    let seen = || -> Result<Vec<Seen>, StoreError> {
        let contents = FileContents::of(path)?;
        let file = look::open(path)?;
        let cutting = look::cutting(&file, wiring)?;
        let mut all = Vec::new();
        for dataset in contents
            .datasets
            .iter()
            .filter(|d| datasets.contains(&d.path.as_str()))
        {
            if let Some(look) = look::look(&file, dataset, wiring, cutting.as_ref()) {
                let look = look?;
                if look.has_rate {
                    let point = point.min(look.header.points.saturating_sub(1));
                    all.push(survey::see(&file, &look, Wanted::Point(point))?);
                }
            }
        }
        Ok(all)
    };
    let seen = seen().map_err(|e| e.to_string())?;
    Findings::new(seen, None)
}

/// An amplitude density as a series, without the bins next to zero, and the unit that fits it.
fn density(spectrum: &Spectrum, unit: &Unit, values: &[f64]) -> (Places, Vec<f64>, Unit) {
    let root = text::per_root_hertz(unit);
    let mut sorted: Vec<f64> = values.iter().skip(FIRST).map(|v| v.sqrt()).collect();
    sorted.sort_unstable_by(f64::total_cmp);
    let middle = sorted.get(sorted.len() / 2).copied().unwrap_or(0.0);
    let shown = root.for_size(middle);
    let frequencies = &spectrum.density.frequency;
    let places = frequencies.iter().skip(FIRST).copied().collect();
    let values = values.iter().skip(FIRST).map(|v| shown.number_of(v.sqrt()));
    (Places::Listed(places), values.collect(), shown)
}

fn recorded(seen: &Seen, findings: &Findings, point: u64) -> Vec<Block> {
    let name = seen.path.trim_start_matches('/');
    let spectrum = match &seen.spectrum {
        Ok(spectrum) => spectrum,
        Err(why) => {
            return vec![Block::Notice(
                Notice::Note,
                format!("{name}: no spectrum: {why}"),
            )];
        }
    };
    let (named, _) = seen.named(&findings.references);
    let mut strongest: Vec<_> = named.iter().collect();
    strongest.sort_by(|a, b| b.line.height.total_cmp(&a.line.height));
    let marks = strongest.iter().take(MARKED).map(|n| Mark {
        at: n.line.frequency,
        label: survey::plot::label(n, findings),
    });
    let (places, values, unit) = density(spectrum, &seen.unit, &spectrum.density.density);
    let floor = spectrum.floor.density.iter().skip(FIRST);
    let floor = floor.map(|v| unit.number_of(v.sqrt())).collect();
    let plot = Plot {
        id: slug(&format!("spectrum {name} {point}")),
        title: format!("{name}, as recorded"),
        about: format!(
            "Amplitude density of {name} at point {point}, from {} segments, bins {} Hz apart, with the floor between the lines. Of {} that rise above the noise by more than chance the highest are named.",
            spectrum.density.segments,
            crate::figures::number(spectrum.resolution),
            phasemill_engine::report::counted(named.len() as u64, "line")
        ),
        x: Axis::new("frequency", "Hz").log(),
        y: Axis::new("amplitude density", unit.to_string()).log(),
        marks: marks.collect(),
        view: None,
        series: vec![
            Series::line("density", places.clone(), values),
            Series::line("floor", places, floor),
        ],
    };
    let mut blocks = vec![Block::Plot(Box::new(plot))];
    strongest.truncate(LISTED);
    strongest.sort_by(|a, b| a.line.frequency.total_cmp(&b.line.frequency));
    let row = |n: &&survey::Named<'_>| {
        let line = n.line;
        let u = line.frequency_u.max(1e-3 * spectrum.resolution);
        let peak_u = std::f64::consts::SQRT_2 * line.rms_u;
        vec![
            Cell::Number(format_uncertain(line.frequency, u, &Unit::hertz())),
            Cell::Number(format_uncertain(line.peak(), peak_u, &seen.unit)),
            Cell::Text(text::words(n)),
        ]
    };
    if !strongest.is_empty() {
        blocks.push(Block::Table(Table {
            caption: format!("Lines of {name}, the highest over the noise"),
            head: ["frequency", "peak amplitude", "what it may be"]
                .map(String::from)
                .to_vec(),
            rows: strongest.iter().map(row).collect(),
        }));
    }
    blocks
}

/// The density of samples behind the filters, once these have settled.
fn filtered(trace: &Trace, skip: f64, point: u64, groups: &[Group]) -> Block {
    let none =
        |why: String| Block::Notice(Notice::Note, format!("{}: no spectrum: {why}", trace.name));
    if trace.parts.iter().any(|p| p.stands_for > 1) {
        return none("too many samples are left to be kept for it".into());
    }
    let mut series = Vec::new();
    let mut shown = Unit::one();
    for part in &trace.parts {
        let from = ((skip * trace.rate).ceil() as usize).min(part.values.len());
        let samples = &part.values[from..];
        let looked = Survey::new(trace.rate, samples.len() as u64).and_then(|mut survey| {
            survey.push(samples);
            survey.finish()
        });
        let spectrum = match looked {
            Ok(spectrum) => spectrum,
            Err(why) => return none(why.to_string()),
        };
        let (places, values, unit) = density(&spectrum, &trace.unit, &spectrum.density.density);
        if series.is_empty() {
            shown = unit.clone();
        }
        let scale = unit.si_factor() / shown.si_factor();
        let values = values.iter().map(|v| v * scale).collect();
        series.push(Series::line(part.name.clone(), places, values));
    }
    let mixed = trace.parts.len() > 1;
    let rejections = groups
        .first()
        .filter(|_| mixed)
        .map_or(&[][..], |g| &g.figures.rejections);
    let marks = rejections.iter().filter_map(|r| {
        let (label, _) = label(&r.what)?;
        (r.seen_at < 0.5 * trace.rate).then_some(Mark {
            at: r.seen_at,
            label,
        })
    });
    let across = if mixed {
        "distance from the signal"
    } else {
        "frequency"
    };
    let plot = Plot {
        id: slug(&format!("spectrum {} {point}", trace.name)),
        title: format!("{}, behind the filters", trace.name),
        about: format!(
            "Amplitude density of {} at point {point}, the first {skip} s left out, in which the filters settle. Marks show where an offset, the image of the signal and the mains would be seen.",
            trace.name
        ),
        x: Axis::new(across, "Hz").log(),
        y: Axis::new("amplitude density", shown.to_string()).log(),
        marks: marks.collect(),
        view: None,
        series,
    };
    match plot.is_empty() {
        true => none("nothing is left".into()),
        false => Block::Plot(Box::new(plot)),
    }
}
