//! `phasemill inspect`: what a recording holds.

use std::path::PathBuf;

use phasemill_engine::look::{self, ChannelLook, MOST_SAMPLES};
use phasemill_engine::store::FileContents;
use phasemill_engine::units::format_quantity;

use super::{complain, say};
use crate::exit;

/// Arguments of `inspect`.
#[derive(clap::Args)]
pub struct Arguments {
    /// The recordings
    #[arg(required = true)]
    recordings: Vec<PathBuf>,
    /// Show datasets and attributes only, without reading samples
    #[arg(long)]
    headers: bool,
}

/// Runs the command.
pub fn run(arguments: &Arguments) -> u8 {
    let mut code = exit::DONE;
    for path in &arguments.recordings {
        let opened = FileContents::of(path).and_then(|contents| Ok((contents, look::open(path)?)));
        let (contents, file) = match opened {
            Ok(opened) => opened,
            Err(error) => {
                complain(format!("error: {error}"));
                code = exit::FAILED;
                continue;
            }
        };
        say(path.display().to_string());
        contents
            .attributes
            .iter()
            .for_each(|a| say(format!("  {} = {}", a.name, a.text)));
        for dataset in &contents.datasets {
            let shape = dataset
                .shape
                .iter()
                .map(u64::to_string)
                .collect::<Vec<_>>()
                .join(" x ");
            say(format!(
                "  {}  {shape} {}, {}",
                dataset.path, dataset.stored, dataset.layout
            ));
            dataset
                .attributes
                .iter()
                .for_each(|a| say(format!("      {} = {}", a.name, a.text)));
            if arguments.headers {
                continue;
            }
            match look::look(&file, dataset) {
                Some(Ok(found)) => describe(&found),
                Some(Err(error)) => {
                    complain(format!("error: {error}"));
                    code = exit::FAILED;
                }
                None => {}
            }
        }
        if contents.more {
            say("  ... and more, beyond the depth or number that is listed");
        }
    }
    code
}

fn describe(found: &ChannelLook) {
    let header = &found.header;
    let unit = header.unit.to_coherent();
    if found.has_rate {
        let seconds = header.samples as f64 / header.rate;
        say(format!(
            "      {} points of {} samples at {} Hz, {seconds} s each",
            header.points, header.samples, header.rate
        ));
    } else {
        say("      no sample rate stated: needs a wiring with `rate`");
    }
    let counters = &found.counters;
    match (counters.minimum, counters.maximum) {
        (Some(low), Some(high)) if low == high => say(format!(
            "      constant at {}",
            format_quantity(low, &unit, 5)
        )),
        (Some(low), Some(high)) => {
            say(format!(
                "      from {} to {}",
                format_quantity(low, &unit, 5),
                format_quantity(high, &unit, 5)
            ));
        }
        _ => say("      no sample is there"),
    }
    if found.samples >= MOST_SAMPLES {
        say(format!(
            "      judged by its first {} samples",
            found.samples
        ));
    }
    for (count, first, what) in [
        (counters.clipped, counters.first_clipped, "at full scale"),
        (counters.missing, counters.first_missing, "missing"),
    ] {
        if let Some(first) = first {
            say(format!(
                "      {count} samples {what}, the first at sample {first}"
            ));
        }
    }
    if let Some(guess) = &found.reference {
        let shape = if guess.near_extremes > 0.7 {
            "square or pulse"
        } else {
            "sine"
        };
        let frequency = match found.has_rate {
            true => format!("{:.6} Hz", guess.frequency),
            false => format!("{:.6} cycles per sample", guess.frequency),
        };
        say(format!(
            "      may be a reference: {shape}, {frequency}, periods vary by {:.2} %",
            100.0 * guess.spread
        ));
    }
}
