//! What was seen in a channel, as the description of a bench.

use phasemill_engine::bench::{Bench, Converter, Noise, Source};
use phasemill_stages::survey::names::Origin;

use super::{Findings, Named, Seen};

/// Exponents that a bench may have.
const EXPONENTS: (f64, f64) = (0.1, 3.0);

/// The bench of the only channel that is no reference, or of the one that is chosen, with a comment that says
/// where it comes from.
///
/// # Errors
/// A message when no channel is meant, or it has no spectrum.
pub fn text(findings: &Findings, chosen: Option<&str>, recording: &str) -> Result<String, String> {
    let bare = |path: &str| path.trim_matches('/').to_owned();
    let meant: Vec<&Seen> = findings
        .channels
        .iter()
        .filter(|c| match chosen {
            Some(chosen) => bare(&c.path) == bare(chosen),
            None => !findings.is_reference(&c.path),
        })
        .collect();
    let [seen] = meant.as_slice() else {
        let paths: Vec<&str> = findings.channels.iter().map(|c| c.path.as_str()).collect();
        let found = match (chosen, meant.len()) {
            (Some(chosen), _) => format!("no channel `{chosen}`"),
            (None, n) => format!("{n} that are no reference"),
        };
        return Err(format!(
            "error: expected one channel for the bench, found {found}; choose one with `--channel`, of {}",
            paths.join(", ")
        ));
    };
    let spectrum = seen
        .spectrum
        .as_ref()
        .map_err(|e| format!("error: no bench of `{}`: {e}", seen.path))?;
    let (named, hum) = seen.named(&findings.references);
    let noise = &spectrum.noise;
    let mut sources = Vec::new();
    let mut add = |name: &str, noise| {
        let taken = |name: &str| sources.iter().any(|s: &Source| s.name == name);
        let free = (2..).map(|k| format!("{name} ({k})")).find(|n| !taken(n));
        let name = if taken(name) {
            free.unwrap_or_default()
        } else {
            name.to_owned()
        };
        sources.push(Source { name, noise });
    };
    let white = noise.white.map(|(power, _)| power.sqrt());
    if let Some(density) = white {
        add(
            "white",
            Noise::White {
                density: short(density, 4),
            },
        );
    }
    if let Some((exponent, _)) = noise.exponent {
        // Without a white level the density is told at 1 Hz.
        let corner = noise.corner.map_or(1.0, |(corner, _)| corner);
        let density = white.unwrap_or_else(|| noise.density(corner).sqrt());
        add(
            "1/f",
            Noise::Flicker {
                density: short(density, 4),
                corner: short(corner, 4),
                exponent: short(exponent, 3).clamp(EXPONENTS.0, EXPONENTS.1),
            },
        );
    }
    let mut signal = None;
    for named in &named {
        let amplitude = short(named.line.peak(), 4);
        match role(named, findings) {
            Role::Signal => signal = Some(amplitude),
            Role::Own => {}
            Role::Disturbance(name) => {
                let frequency = short(named.line.frequency, 6);
                add(
                    &name,
                    Noise::Line {
                        frequency,
                        amplitude,
                    },
                );
            }
        }
    }
    let bench = Bench {
        title: format!("As recorded in {recording}, {}", seen.path),
        unit: seen.unit.clone(),
        signal,
        offset: short(seen.mean, 5),
        sources,
        converter: Converter {
            rate: seen.header.rate,
            full_scale: seen
                .header
                .full_scale
                .map(|f| short(f * seen.header.unit.si_factor(), 12)),
            // The floor that was seen holds the noise of its steps already.
            bits: None,
        },
        mains: hum.map(|m| short(m.frequency, 5)),
    };
    let signal = match findings.reference() {
        Some(reference) => format!(
            "// `signal` is the line at the frequency of {}, whatever it holds; its harmonics, and sums and\n\
             // differences with it, are left out.\n",
            reference.name
        ),
        None => {
            "// No reference was found, so that nothing tells the signal from other lines.\n".into()
        }
    };
    Ok(format!(
        "// Written by `phasemill inspect`: the noise floor and the lines of {recording}, {}, {}.\n\
         // The white noise holds that of the converter's steps, so `bits` are not stated.\n{signal}{}",
        seen.path,
        super::text::points(seen),
        bench.to_ron()
    ))
}

enum Role {
    /// The signal.
    Signal,
    /// What the signal brings along.
    Own,
    /// A line by this name.
    Disturbance(String),
}

fn role(named: &Named<'_>, findings: &Findings) -> Role {
    let first = findings.reference().map(|r| r.name.as_str());
    match named.origins.first() {
        Some(Origin::Reference { name, n: 1, .. }) if first == Some(name.as_str()) => Role::Signal,
        Some(Origin::Reference { name, .. }) if first == Some(name.as_str()) => Role::Own,
        Some(Origin::Mixed { .. }) => Role::Own,
        Some(origin) => Role::Disturbance(origin.to_string().replace('`', "")),
        None => Role::Disturbance(format!("line at {} Hz", short(named.line.frequency, 6))),
    }
}

/// So many significant digits: more would claim more than was seen.
fn short(x: f64, digits: usize) -> f64 {
    format!("{x:.*e}", digits - 1).parse().unwrap_or(x)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn digits_are_cut_in_decimal() {
        assert_eq!(
            [short(0.123_456, 3), short(99_999.0, 2), short(0.0, 4)],
            [0.123, 1e5, 0.0]
        );
    }
}
