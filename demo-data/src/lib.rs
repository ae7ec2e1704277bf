//! Seeded generator of the invented demo recordings: a made-up optics bench that measures a dye film,
//! and a few neighbours. It knows HDF5 and random numbers, and nothing of the engine.
//!
//! Every recording describes itself by attributes, and has its truth beside it as JSON. The same
//! settings give the same samples on any machine: random bits come from ChaCha8, one stream for each
//! channel of each point of each recording, and every function beyond arithmetic is `libm`'s.

#![cfg_attr(test, allow(clippy::unwrap_used, clippy::expect_used, clippy::panic))]

pub mod noise;
pub mod recordings;
pub mod store;
pub mod truth;
pub mod wave;

use std::fs;
use std::path::{Path, PathBuf};

/// Said in every recording and every truth.
pub const NOTE: &str = "invented demo data, no real measurement";

/// What may differ between two runs of the generator.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Settings {
    /// Points of each sweep, at least 1; each recording has a number of its own if absent.
    pub points: Option<usize>,
    /// Length of each point in seconds, above 0; each recording has a length of its own if absent.
    /// The hourly levels have a fixed length.
    pub seconds: Option<f64>,
    /// Seed of all random numbers.
    pub seed: u64,
    /// Without it there is no noise, mains hum, drift of offsets or jitter of edges, and the samples
    /// are the truth within the rounding of the codes.
    pub noise: bool,
}

impl Default for Settings {
    fn default() -> Self {
        Settings {
            points: None,
            seconds: None,
            seed: 20_260_301,
            noise: true,
        }
    }
}

impl Settings {
    /// Number of points, where a recording has `usual`.
    #[must_use]
    pub fn points(&self, usual: usize) -> usize {
        self.points.unwrap_or(usual)
    }

    /// Number of samples of a point that usually lasts `usual` seconds, at `rate` in Hz; at least 1.
    #[must_use]
    pub fn samples(&self, usual: f64, rate: f64) -> usize {
        ((self.seconds.unwrap_or(usual) * rate).round() as usize).max(1)
    }

    /// `size`, or 0 without noise.
    #[must_use]
    pub fn disturbance(&self, size: f64) -> f64 {
        if self.noise { size } else { 0.0 }
    }
}

/// Why a recording could not be generated.
#[derive(Debug, thiserror::Error)]
pub enum DemoError {
    /// No recording has this name.
    #[error("expected a recording among {known}, found `{name}`")]
    Unknown {
        /// What was asked for.
        name: String,
        /// The names there are.
        known: String,
    },
    /// A setting is out of its range.
    #[error("expected {expected}, found {found}")]
    Setting {
        /// The range.
        expected: &'static str,
        /// What was given.
        found: String,
    },
    /// The HDF5 library refused.
    #[error("`{path}`: expected to write a recording, found: {source}")]
    Hdf5 {
        /// The file.
        path: PathBuf,
        /// The library's reason.
        source: hdf5::Error,
    },
    /// The system refused.
    #[error("`{path}`: expected to write a file, found: {source}")]
    Io {
        /// The file or folder.
        path: PathBuf,
        /// The system's reason.
        source: std::io::Error,
    },
}

/// Writes all recordings, or the one named `only`, into `folder`, which is made if need be. Files of
/// the same names are replaced. Returns the names of the recordings written.
///
/// # Errors
/// [`DemoError`], at the first recording that could not be written.
pub fn generate(
    folder: &Path,
    settings: &Settings,
    only: Option<&str>,
) -> Result<Vec<&'static str>, DemoError> {
    if settings.points == Some(0) {
        return Err(DemoError::Setting {
            expected: "at least 1 point",
            found: "0".into(),
        });
    }
    if let Some(seconds) = settings.seconds.filter(|s| !(*s > 0.0 && *s <= 86_400.0)) {
        return Err(DemoError::Setting {
            expected: "more than 0 and at most 86400 seconds",
            found: seconds.to_string(),
        });
    }
    let chosen: Vec<_> = recordings::ALL
        .iter()
        .filter(|r| only.is_none_or(|name| name == r.name))
        .collect();
    if chosen.is_empty() {
        let known: Vec<_> = recordings::ALL.iter().map(|r| r.name).collect();
        return Err(DemoError::Unknown {
            name: only.unwrap_or_default().into(),
            known: known.join(", "),
        });
    }
    fs::create_dir_all(folder).map_err(|source| DemoError::Io {
        path: folder.into(),
        source,
    })?;
    for recording in &chosen {
        (recording.write)(folder, settings)?;
    }
    Ok(chosen.iter().map(|r| r.name).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A folder that goes when the test ends.
    struct Folder(PathBuf);

    impl Folder {
        fn new(name: &str) -> Self {
            let unique = format!("phasemill-demo-{}-{name}", std::process::id());
            Folder(std::env::temp_dir().join(unique))
        }
    }

    impl Drop for Folder {
        fn drop(&mut self) {
            let _ = fs::remove_dir_all(&self.0);
        }
    }

    fn small() -> Settings {
        Settings {
            points: Some(2),
            seconds: Some(0.2),
            ..Settings::default()
        }
    }

    /// Names and contents of the files in a folder and the folders in it.
    fn contents(folder: &Path) -> Vec<(PathBuf, Vec<u8>)> {
        let mut found = Vec::new();
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                found.extend(contents(&path));
            } else {
                found.push((path.file_name().unwrap().into(), fs::read(&path).unwrap()));
            }
        }
        found.sort();
        found
    }

    #[test]
    fn the_same_seed_gives_the_same_files() {
        let (first, second) = (Folder::new("first"), Folder::new("second"));
        for folder in [&first, &second] {
            let written = generate(&folder.0, &small(), None).unwrap();
            assert_eq!(written.len(), recordings::ALL.len());
        }
        let (first, second) = (contents(&first.0), contents(&second.0));
        assert_eq!(first.len(), 10 + 2 + 11);
        assert!(first == second, "the files differ");
    }

    #[test]
    fn another_seed_gives_other_samples() {
        let folder = Folder::new("seeds");
        let samples = |seed| {
            let settings = Settings { seed, ..small() };
            generate(&folder.0, &settings, Some("two-tone")).unwrap();
            let file = hdf5::File::open(folder.0.join("two-tone.h5")).unwrap();
            file.dataset("detector").unwrap().read_raw::<f32>().unwrap()
        };
        assert_eq!(samples(1), samples(1));
        assert_ne!(samples(1), samples(2));
    }

    #[test]
    fn a_faulty_point_is_clipped_or_stands_still() {
        let folder = Folder::new("faults");
        let settings = Settings {
            points: Some(8),
            ..small()
        };
        generate(&folder.0, &settings, Some("weak-light-sweep")).unwrap();
        let file = hdf5::File::open(folder.0.join("weak-light-sweep.h5")).unwrap();
        let read = |name: &str, point: usize| -> Vec<i16> {
            let all = file.dataset(name).unwrap().read_raw::<i16>().unwrap();
            all[point * 10_000..(point + 1) * 10_000].to_vec()
        };
        let full = |point| {
            read("detector", point)
                .iter()
                .filter(|c| **c == i16::MAX)
                .count()
        };
        assert_eq!((full(3), full(5)), (0, 0));
        // Light is on for half of the time.
        assert!((4_000..6_000).contains(&full(4)));
        // Half of 0.2 s at 173 Hz is 17 periods, and the coasting takes one more: 5 mV per sample is the
        // noise, 4.8 V the step.
        let rising = |point| {
            let codes = read("chopper", point);
            codes
                .windows(2)
                .filter(|w| w[0] < 8_000 && w[1] >= 8_000)
                .count()
        };
        assert!((33..=36).contains(&rising(3)), "{}", rising(3));
        assert!((16..=19).contains(&rising(6)), "{}", rising(6));
    }

    #[test]
    fn an_unknown_name_is_told_the_known_ones() {
        let folder = Folder::new("unknown");
        let error = generate(&folder.0, &small(), Some("nois")).unwrap_err();
        assert!(error.to_string().contains("drifting-beam"), "{error}");
        assert!(!folder.0.exists());
    }
}
