//! What was seen in the samples of a channel, as JSON.

use phasemill_stages::survey::Spectrum;
use phasemill_stages::survey::reference::Steadiness;
use serde_json::{Value, json};

use super::{Findings, Seen, text};

/// Everything about a channel; the units are SI, densities are one-sided amplitude densities.
pub fn describe(seen: &Seen, findings: &Findings) -> Value {
    let (named, hum) = seen.named(&findings.references);
    let lines: Vec<Value> = named
        .iter()
        .map(|named| {
            let line = named.line;
            json!({
                "frequency": line.frequency,
                "frequency_u": line.frequency_u,
                "peak": line.peak(),
                "rms": line.rms,
                "rms_u": line.rms_u,
                "over_noise_db": 10.0 * libm::log10(line.height),
                "ln_chance": line.ln_chance,
                "width": line.width,
                "broad": line.broad,
                "names": named.origins.iter().map(ToString::to_string).collect::<Vec<_>>(),
            })
        })
        .collect();
    let watched = seen.watched.iter().map(|(point, found)| match found {
        Some(found) => steadiness(*point, found),
        None => json!({ "point": point, "steady": false }),
    });
    json!({
        "unit": seen.unit.ascii(),
        "mean": seen.mean,
        "samples": seen.samples,
        "points": [seen.points.start, seen.points.end],
        "cut": seen.cut,
        "is_reference": findings.is_reference(&seen.path),
        "reference": watched.collect::<Vec<_>>(),
        "mains": hum.map(|m| json!({
            "nominal": m.nominal,
            "frequency": m.frequency,
            "frequency_u": m.frequency_u,
            "lines": m.lines,
        })),
        "spectrum": seen.spectrum.as_ref().map_or_else(
            |error| json!({ "error": error.to_string() }),
            |found| spectrum(seen, found, findings),
        ),
        "lines": lines,
    })
}

fn spectrum(seen: &Seen, found: &Spectrum, findings: &Findings) -> Value {
    let noise = &found.noise;
    // The root has half the relative uncertainty.
    let white = noise.white.map(|(w, u)| [w.sqrt(), 0.5 * u / w.sqrt()]);
    let f = findings.reference().map(|r| r.frequency);
    let at = |f: f64| found.floor_at(f).map(f64::sqrt);
    json!({
        "density_unit": text::per_root_hertz(&seen.unit).ascii(),
        "segments": found.density.segments,
        "skipped": found.density.skipped,
        "segment": found.segment,
        "resolution": found.resolution,
        "white_density": white.map(|w| w[0]),
        "white_density_u": white.map(|w| w[1]),
        "corner": noise.corner.map(|c| c.0),
        "corner_u": noise.corner.map(|c| c.1),
        "exponent": noise.exponent.map(|e| e.0),
        "exponent_u": noise.exponent.map(|e| e.1),
        "misfit": noise.misfit,
        "floor_at_reference": f.and_then(at),
        "floor_at_twice_reference": f.and_then(|f| at(2.0 * f)),
    })
}

fn steadiness(point: u64, found: &Steadiness) -> Value {
    json!({
        "point": point,
        "steady": true,
        "shape": if found.square { "square" } else { "sine" },
        "frequency": found.frequency,
        "frequency_u": found.frequency_u,
        "spread": found.spread,
        "jitter_cycles": found.jitter,
        "jitter_seconds": found.jitter / found.frequency,
        "duty": found.duty,
        "missing": found.missing,
        "extra": found.extra,
        "stops": found.lost.iter().map(|(a, b)| [*a, *b]).collect::<Vec<_>>(),
    })
}
