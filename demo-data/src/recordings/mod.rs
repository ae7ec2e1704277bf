//! The invented recordings, one module for each kind of measurement.

mod beam;
mod bridge;
mod levels;
mod modulated;
mod quiet;
mod switched;
mod two_tone;
mod weak_light;

use std::path::Path;

use crate::{DemoError, Settings};

/// A recording that can be generated.
#[derive(Debug, Clone, Copy)]
pub struct Recording {
    /// Name of the file, or of the folder of files, without its ending.
    pub name: &'static str,
    /// Writes it, and its truth, into a folder.
    pub write: fn(&Path, &Settings) -> Result<(), DemoError>,
}

/// All recordings. The place in this list is not a seed: each module has a number of its own.
pub const ALL: &[Recording] = &[
    Recording {
        name: "weak-light-sweep",
        write: weak_light::sweep,
    },
    Recording {
        name: "weak-light-blocked",
        write: weak_light::blocked,
    },
    Recording {
        name: "weak-light-points",
        write: weak_light::points,
    },
    Recording {
        name: "weak-light-record",
        write: weak_light::record,
    },
    Recording {
        name: "modulated-response",
        write: modulated::write,
    },
    Recording {
        name: "bridge-sweep",
        write: bridge::write,
    },
    Recording {
        name: "two-tone",
        write: two_tone::write,
    },
    Recording {
        name: "switched-bridge",
        write: switched::write,
    },
    Recording {
        name: "noise",
        write: quiet::write,
    },
    Recording {
        name: "drifting-beam",
        write: beam::write,
    },
    Recording {
        name: "hourly-levels",
        write: levels::write,
    },
];

/// Times in seconds of `count` samples at `rate` in Hz.
fn times(count: usize, rate: f64) -> impl Iterator<Item = f64> {
    (0..count).map(move |k| k as f64 / rate)
}
