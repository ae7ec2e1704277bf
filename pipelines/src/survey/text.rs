//! What was seen in the samples of a channel, as lines for a terminal.

use phasemill_engine::report::counted;
use phasemill_engine::units::{Unit, format_quantity, format_uncertain};
use phasemill_stages::survey::Spectrum;
use phasemill_stages::survey::names::{Known, Origin};
use phasemill_stages::survey::reference::Steadiness;

use super::{Findings, Named, Seen};
use crate::figures::number;

/// Most lines that are listed, the highest over the noise; fewer of a reference, whose harmonics they are.
const LISTED: usize = 20;
const LISTED_OF_REFERENCE: usize = 5;

/// Bins below the lowest that tells of the noise.
const LOWEST: f64 = 5.0;

/// Most stops that are told one by one.
const TOLD: usize = 3;

/// The lines that describe a channel.
pub fn describe(seen: &Seen, findings: &Findings) -> Vec<String> {
    let mut out = Vec::new();
    if findings.is_reference(&seen.path) {
        reference(seen, &mut out);
    }
    match &seen.spectrum {
        Ok(spectrum) => noise(seen, spectrum, findings, &mut out),
        Err(error) => out.push(format!("no spectrum: {error}")),
    }
    out
}

/// The unit of an amplitude density.
pub fn per_root_hertz(unit: &Unit) -> Unit {
    let density = unit.mul(unit).and_then(|square| square.div(&Unit::hertz()));
    density
        .and_then(|d| d.sqrt())
        .unwrap_or_else(|_| Unit::one())
}

/// A power density as an amplitude density, with its uncertainty.
fn density((power, u): (f64, f64), unit: &Unit) -> String {
    let root = power.sqrt();
    format_uncertain(root, 0.5 * u / root, &per_root_hertz(unit))
}

fn noise(seen: &Seen, spectrum: &Spectrum, findings: &Findings, out: &mut Vec<String>) {
    let what = points(seen);
    let part = if seen.cut { "the first " } else { "" };
    let skipped = match spectrum.density.skipped {
        0 => String::new(),
        n => format!(" ({n} more with gaps)"),
    };
    out.push(format!(
        "spectrum of {part}{} samples of {what}: {} segments{skipped} of {} s, bins {} Hz apart",
        seen.samples,
        spectrum.density.segments,
        number(spectrum.segment),
        number(spectrum.resolution)
    ));
    let (hertz, noise) = (Unit::hertz(), &spectrum.noise);
    out.push(match (noise.white, noise.corner, noise.exponent) {
        (Some(white), Some((corner, u)), Some((exponent, exponent_u))) => format!(
            "noise: white {}; falling as 1/f^{} below a corner of {}",
            density(white, &seen.unit),
            format_uncertain(exponent, exponent_u, &Unit::one()),
            format_uncertain(corner, u, &hertz)
        ),
        (Some(white), ..) => format!(
            "noise: white {}; no 1/f noise down to {} Hz",
            density(white, &seen.unit),
            number(LOWEST * spectrum.resolution)
        ),
        (None, _, Some((exponent, u))) => format!(
            "noise: {} at {} Hz, falling as 1/f^{} throughout",
            format_quantity(
                noise.density(middle(spectrum)).sqrt(),
                &per_root_hertz(&seen.unit),
                3
            ),
            number(middle(spectrum)),
            format_uncertain(exponent, u, &Unit::one())
        ),
        _ => "noise: too few bins between the lines to tell".into(),
    });
    // A deviation of 12 % in power is half a decibel.
    if noise.misfit > 0.12 {
        out.push(format!(
            "note: the floor is not just white and 1/f noise: it deviates by {:.1} dB rms",
            10.0 * libm::log10(1.0 + noise.misfit)
        ));
    }
    let (named, hum) = seen.named(&findings.references);
    if let Some(hum) = hum {
        out.push(format!(
            "mains: {} Hz, at {} by {} of {}",
            hum.nominal,
            format_uncertain(hum.frequency, hum.frequency_u, &hertz),
            hum.lines,
            counted(named.len() as u64, "line")
        ));
    }
    let own = findings.is_reference(&seen.path);
    for reference in &findings.references {
        if !own || reference.name == seen.path {
            around(seen, spectrum, reference, &named, out);
        }
    }
    let most = if own { LISTED_OF_REFERENCE } else { LISTED };
    list(seen, spectrum, &named, most, out);
}

/// The points that were looked at.
pub fn points(seen: &Seen) -> String {
    match seen.points.end - seen.points.start {
        1 => format!("point {}", seen.points.start),
        n => format!("all {n} points"),
    }
}

/// The geometric middle of the frequencies.
fn middle(spectrum: &Spectrum) -> f64 {
    (spectrum.resolution * 0.5 * spectrum.rate).sqrt()
}

/// The neighbourhood of the reference: the floor at f and 2f, and the nearest line that is not its own.
fn around(
    seen: &Seen,
    spectrum: &Spectrum,
    reference: &Known,
    named: &[Named<'_>],
    out: &mut Vec<String>,
) {
    let unit = per_root_hertz(&seen.unit);
    let at = |f: f64| {
        let floor = spectrum.floor_at(f)?;
        Some(format!(
            "{} at {} Hz",
            format_quantity(floor.sqrt(), &unit, 3),
            number(f)
        ))
    };
    let f = reference.frequency;
    let floors: Vec<String> = [f, 2.0 * f].into_iter().filter_map(at).collect();
    if floors.is_empty() {
        return;
    }
    out.push(format!(
        "at f of `{}` and 2f: {}",
        reference.name,
        floors.join(", ")
    ));
    let others = named.iter().filter(|n| {
        let own =
            |o: &Origin| matches!(o, Origin::Reference { name, .. } if *name == reference.name);
        !n.origins.first().is_some_and(own)
    });
    let nearest = others.min_by(|a, b| {
        let off = |n: &Named<'_>| (n.line.frequency - f).abs();
        off(a).total_cmp(&off(b))
    });
    if let Some(nearest) = nearest {
        let off = nearest.line.frequency - f;
        out.push(format!(
            "nearest other line: {} Hz {} f, {}",
            number(off.abs()),
            if off < 0.0 { "below" } else { "above" },
            words(nearest)
        ));
    }
}

/// What a line may be.
pub fn words(named: &Named<'_>) -> String {
    let mut words: Vec<String> = named.origins.iter().map(ToString::to_string).collect();
    if words.is_empty() {
        words.push("unnamed".into());
    }
    let broad = if named.line.broad { ", broad" } else { "" };
    words.join(", or ") + broad
}

fn list(seen: &Seen, spectrum: &Spectrum, named: &[Named<'_>], most: usize, out: &mut Vec<String>) {
    if named.is_empty() {
        out.push("no line stands out of the noise (chance below 0.1 %)".into());
        return;
    }
    let mut strongest: Vec<&Named<'_>> = named.iter().collect();
    strongest.sort_by(|a, b| b.line.height.total_cmp(&a.line.height));
    strongest.truncate(most);
    strongest.sort_by(|a, b| a.line.frequency.total_cmp(&b.line.frequency));
    let mut rows = vec![[
        "frequency".into(),
        "peak amplitude".into(),
        "over noise".into(),
        String::new(),
    ]];
    for named in &strongest {
        let line = named.line;
        let root = std::f64::consts::SQRT_2;
        // Below a thousandth of a bin a recording's clock and the mains' wander count for more.
        let u = line.frequency_u.max(1e-3 * spectrum.resolution);
        rows.push([
            format_uncertain(line.frequency, u, &Unit::hertz()),
            format_uncertain(line.peak(), root * line.rms_u, &seen.unit),
            format!("{:.1} dB", 10.0 * libm::log10(line.height)),
            words(named),
        ]);
    }
    out.push(format!(
        "{} (chance of noise below 0.1 %){}:",
        counted(named.len() as u64, "line"),
        match named.len() > most {
            true => format!(", the {most} highest over the noise; --json lists all"),
            false => String::new(),
        }
    ));
    let width = |k: usize| rows.iter().map(|r| r[k].chars().count()).max().unwrap_or(0);
    let (a, b, c) = (width(0), width(1), width(2));
    for [f, peak, over, words] in &rows {
        let row = format!("    {f:<a$}  {peak:<b$}  {over:>c$}  {words}");
        out.push(row.trim_end().to_owned());
    }
}

fn reference(seen: &Seen, out: &mut Vec<String>) {
    let hertz = Unit::hertz();
    let found: Vec<(u64, &Steadiness)> = seen
        .watched
        .iter()
        .filter_map(|(p, s)| Some((*p, s.as_ref()?)))
        .collect();
    let none: Vec<String> = seen
        .watched
        .iter()
        .filter(|(_, s)| s.is_none())
        .map(|(p, _)| p.to_string())
        .collect();
    if !none.is_empty() {
        out.push(format!("no steady reference at point {}", none.join(", ")));
    }
    if found.len() > 1 {
        at_points(seen, &found, out);
        return;
    }
    for (_, one) in found {
        let duty = one.duty.map_or(String::new(), |d| {
            format!(", up {:.1} % of the time", 100.0 * d)
        });
        out.push(format!(
            "as a reference: {}, {}{duty}",
            if one.square { "square" } else { "sine" },
            format_uncertain(one.frequency, one.frequency_u, &hertz)
        ));
        out.push(format!(
            "    {}; the frequency varies by {} rms from {} to the next",
            jitter(one),
            format_quantity(one.spread, &hertz, 3),
            if one.square {
                "one period"
            } else {
                "one block of ten periods"
            }
        ));
        out.push(format!("    {}", pulses(one, seen.header.rate)));
    }
}

/// A reference that was watched at several points: what it has in common, and the points that stand out.
fn at_points(seen: &Seen, found: &[(u64, &Steadiness)], out: &mut Vec<String>) {
    let ([(_, first), ..], Some((_, spread, known))) = (found, seen.known()) else {
        return;
    };
    let all = || found.iter().map(|(_, s)| s.frequency);
    out.push(format!(
        "as a reference at {} points: {}, {} Hz in the middle, from {} Hz to {} Hz; within a point it varies by {} % rms",
        found.len(),
        if first.square { "square" } else { "sine" },
        number(known.frequency),
        number(all().fold(f64::INFINITY, f64::min)),
        number(all().fold(0.0, f64::max)),
        number(100.0 * spread)
    ));
    let worst = found
        .iter()
        .max_by(|a, b| a.1.jitter.total_cmp(&b.1.jitter));
    if let Some((point, worst)) = worst {
        out.push(format!("    at most {} (point {point})", jitter(worst)));
    }
    let faulty: Vec<&(u64, &Steadiness)> = found.iter().filter(|(_, s)| !whole(s)).collect();
    for (point, one) in faulty.iter().take(TOLD) {
        out.push(format!(
            "    point {point}: {}",
            pulses(one, seen.header.rate)
        ));
    }
    if faulty.len() > TOLD {
        let more = faulty.len() - TOLD;
        out.push(format!("    and {} more points with faults", more));
    }
}

fn jitter(one: &Steadiness) -> String {
    format!(
        "jitter {} % of a period ({}) rms",
        number(100.0 * one.jitter),
        format_quantity(one.jitter / one.frequency, &Unit::second(), 3)
    )
}

fn whole(one: &Steadiness) -> bool {
    one.missing == 0 && one.extra == 0 && one.lost.is_empty()
}

fn pulses(one: &Steadiness, rate: f64) -> String {
    if whole(one) {
        let what = if one.square { "no pulse" } else { "no stretch" };
        return format!(
            "{what} missing{}",
            if one.square { ", none between" } else { "" }
        );
    }
    let mut all = Vec::new();
    if one.square {
        all.push(format!(
            "{} missing, {} between",
            counted(one.missing, "pulse"),
            one.extra
        ));
    }
    for (from, to) in one.lost.iter().take(TOLD) {
        all.push(format!(
            "stopped from {} s to {} s",
            number(from / rate),
            number(to / rate)
        ));
    }
    if one.lost.len() > TOLD {
        all.push(format!("and {} more stops", one.lost.len() - TOLD));
    }
    all.join(", ")
}
