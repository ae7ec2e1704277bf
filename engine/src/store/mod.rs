//! Recordings and result files; the only folder that names `hdf5`.
//!
//! Recordings are opened read-only and never change. Result files are written beside their target,
//! synced and renamed, so that they are complete or absent.

mod attributes;
mod axis;
mod cache;
mod chunks;
mod codes;
mod compare;
mod comparison;
mod contents;
mod copy;
mod counters;
mod cuts;
mod cutting;
mod digest;
mod ends;
mod filters;
mod noted;
mod object;
mod publish;
mod rate;
mod read;
mod result;
mod rows;
mod samples;
mod sink;
mod spans;
mod still;
#[cfg(test)]
mod tests;
mod times;
mod values;
mod write;

use std::path::{Path, PathBuf};
use std::sync::Arc;

pub use compare::Spot;
pub use contents::{AttributeInfo, DatasetInfo, FileContents};
pub use counters::Counters;
pub use cuts::Cut;
pub(crate) use cuts::cut;
pub use cutting::{Beside, Cutting};
pub use digest::{Digest, RowHash, Rows};
pub use ends::CutOff;
pub use publish::{beside, publish};
pub use read::RecordingFile;
pub use result::ResultReader;
pub use samples::{ChannelReader, StoredSamples};
pub use sink::SampleSink;
pub use write::{ResultWriter, Scratch};

use crate::diagnostic::Code;
use crate::units::Unit;

/// A BLAKE3 hash.
pub type Hash = [u8; 32];

/// Version of the HDF5 library that is built in.
pub fn library_version() -> String {
    let (major, minor, release) = hdf5::library_version();
    format!("{major}.{minor}.{release}")
}

/// What the headers say of one channel.
#[derive(Clone, Debug, PartialEq)]
pub struct ChannelHeader {
    /// The role it plays.
    pub role: String,
    /// The file.
    pub file: PathBuf,
    /// Path of the dataset.
    pub dataset: String,
    /// Whether the dataset has the shape `[point, sample]`.
    pub two_dimensional: bool,
    /// Numbers that are stored in a row of the dataset.
    pub row: u64,
    /// Points.
    pub points: u64,
    /// Samples per point, gaps in the sample times included; of the shortest point of a record that is cut.
    pub samples: u64,
    /// Samples per second.
    pub rate: f64,
    /// Unit of the scaled values.
    pub unit: Unit,
    /// Whether the recording or the wiring states the unit, and not only the recipe.
    pub unit_is_stated: bool,
    /// Value of one code, in the unit.
    pub scale: f64,
    /// Value of code zero, in the unit.
    pub offset: f64,
    /// Largest absolute value the converter gives, in the unit.
    pub full_scale: Option<f64>,
    /// Code that stands for a missing sample.
    pub missing: Option<f64>,
    /// Type of the stored numbers, as `int16 little-endian`.
    pub stored: String,
    /// Layout, as `chunks 1 x 262144, shuffle, deflate 4`.
    pub layout: String,
    /// Start time, where an attribute states it.
    pub start_time: Option<String>,
    /// When its first sample was taken, in seconds on the clock of the sample times, where there are such.
    pub first_time: Option<f64>,
    /// Place of its first sample in the record that it was cut from, on the grid of times; 0 where it was not.
    pub begins: u64,
    /// Stretches of samples without a gap; empty where there is none. Of a record that is cut: of all of it.
    pub stretches: Vec<Stretch>,
    /// Where its points are in a record that was made in one go; empty where they are rows.
    pub cuts: Arc<[Cut]>,
    /// Whether the points of its recording lie along an axis.
    pub has_axis: bool,
}

/// A run of samples without a gap.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stretch {
    /// Index of its first sample in the dataset.
    pub stored: u64,
    /// Index of its first sample on the uniform grid of times.
    pub grid: u64,
    /// Samples in it.
    pub length: u64,
}

impl ChannelHeader {
    /// Bytes of a stored number.
    pub(crate) fn bytes(&self) -> u64 {
        let digits = self
            .stored
            .trim_start_matches(|c: char| !c.is_ascii_digit());
        let digits = digits.split(' ').next().unwrap_or_default();
        digits.parse().map_or(8, |bits: u64| bits / 8)
    }

    /// The value of one step of the converter, in SI units; `None` where none is stored: for floats, and for numbers of
    /// things counted, which are whole by themselves.
    pub fn step(&self) -> Option<f64> {
        let is_integer = self.stored.starts_with("int") || self.stored.starts_with("uint");
        let counts = self.scale == 1.0 && self.unit.compatible(&Unit::one());
        (is_integer && !counts).then(|| self.scale.abs() * self.unit.si_factor())
    }

    /// The header of a channel of one point that is not recorded yet.
    pub fn assumed(role: &str, rate: f64, samples: u64, unit: Unit) -> Self {
        ChannelHeader {
            role: role.into(),
            file: "made up".into(),
            dataset: format!("/{role}"),
            two_dimensional: false,
            row: samples,
            points: 1,
            samples,
            rate,
            unit,
            unit_is_stated: true,
            scale: 1.0,
            offset: 0.0,
            full_scale: None,
            missing: None,
            stored: "float64 little-endian".into(),
            layout: "contiguous".into(),
            start_time: None,
            first_time: None,
            begins: 0,
            stretches: Vec::new(),
            cuts: [].into(),
            // Nothing is known against it.
            has_axis: true,
        }
    }

    /// What of the header decides the numbers that leave, for the derivation key.
    pub fn canonical(&self) -> String {
        let cuts = match (self.is_cut(), self.begins) {
            (true, _) => format!("; cut {}", self.hash_of_cuts()),
            (false, 0) => String::new(),
            (false, begins) => format!("; begins {begins}"),
        };
        format!(
            "rate {:?} Hz; scale {:?} {}; offset {:?}; missing {:?}; stretches {:?}; points {}; samples {}{cuts}",
            self.rate,
            self.scale,
            self.unit.ascii(),
            self.offset,
            self.missing,
            self.stretches,
            self.points,
            self.samples
        )
    }
}

/// Values of a sweep axis.
#[derive(Clone, Debug, PartialEq)]
pub struct AxisValues {
    /// Its name.
    pub name: String,
    /// Its unit as text; empty where none is stated.
    pub unit: String,
    /// One value per point.
    pub values: Vec<f64>,
}

/// Why a recording or a result file could not be used.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum StoreError {
    /// The file cannot be opened.
    #[error("{}: expected an HDF5 file that can be read, found {found}; {remedy}", file.display())]
    Open {
        /// The file.
        file: PathBuf,
        /// What was found.
        found: String,
        /// What to do.
        remedy: String,
    },
    /// A dataset or attribute is missing or unfit.
    #[error("{}: `{name}`: expected {expected}, found {found}", file.display())]
    Unfit {
        /// The file.
        file: PathBuf,
        /// Path of the dataset, or dataset and attribute.
        name: String,
        /// What was expected.
        expected: String,
        /// What was found; behind a semicolon, what to do.
        found: String,
        /// What kind of fault it is.
        code: Code,
    },
    /// Reading failed half-way.
    #[error("{}: `{name}`: cannot read samples {start} to {end}: {why}; copy the file again from where it was recorded, or leave the point out", file.display())]
    Read {
        /// The file.
        file: PathBuf,
        /// Path of the dataset.
        name: String,
        /// First sample wanted.
        start: u64,
        /// One past the last sample wanted.
        end: u64,
        /// What the library says.
        why: String,
    },
    /// The output exists and may not be replaced.
    #[error("{}: exists already; choose another name, or allow it to be replaced with `--overwrite`", file.display())]
    Exists {
        /// The file.
        file: PathBuf,
    },
    /// Samples that have to wait cannot be laid aside, or not be read back.
    #[error(
        "{}: samples that wait for the end of their point cannot be laid aside: {why}; make room there, or name \
         another folder with TMPDIR", folder.display()
    )]
    Aside {
        /// The folder for temporary files.
        folder: PathBuf,
        /// What the system says.
        why: String,
    },
    /// The output cannot be written.
    #[error("{}: cannot be written: {why}; nothing was left behind", file.display())]
    Write {
        /// The file.
        file: PathBuf,
        /// What the library or the system says.
        why: String,
    },
}

impl StoreError {
    /// Samples cannot be laid aside.
    pub fn aside(error: &std::io::Error) -> Self {
        StoreError::Aside {
            folder: std::env::temp_dir(),
            why: error.to_string(),
        }
    }

    /// A dataset or attribute is missing or unfit.
    pub fn unfit(
        file: &Path,
        name: impl Into<String>,
        expected: impl Into<String>,
        found: impl Into<String>,
    ) -> Self {
        StoreError::Unfit {
            file: file.into(),
            name: name.into(),
            expected: expected.into(),
            found: found.into(),
            code: Code::WrongType,
        }
    }

    /// The same as a fault of this kind.
    pub(crate) fn of_kind(mut self, kind: Code) -> Self {
        if let StoreError::Unfit { code, .. } = &mut self {
            *code = kind;
        }
        self
    }
}
