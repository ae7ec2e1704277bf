//! Writing of recordings: HDF5 files whose datasets describe themselves by attributes.

use std::path::{Path, PathBuf};

use hdf5::types::VarLenUnicode;
use hdf5::{Dataset, Extents, File, H5Type, Location};

use crate::{DemoError, NOTE};

/// Samples per chunk at most.
const LONGEST_CHUNK: usize = 262_144;

/// How samples are stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Codes {
    /// Integers of 16 bits, rounded and clipped.
    Int16,
    /// Integers of 32 bits, rounded and clipped.
    Int32,
    /// Single precision.
    Float32,
    /// Double precision.
    Float64,
}

/// What the attributes of a channel say.
#[derive(Debug, Clone, Copy)]
pub struct Channel {
    /// Path of the dataset.
    pub path: &'static str,
    /// Unit of the samples.
    pub units: &'static str,
    /// How they are stored.
    pub codes: Codes,
    /// Largest sample the converter can tell, in `units`. Integers are scaled to it.
    pub full_scale: Option<f64>,
    /// Sample rate in Hz.
    pub rate: Option<f64>,
    /// Path of the axis of a sweep.
    pub axis: Option<&'static str>,
    /// Whether it is compressed, by shuffle and deflate.
    pub deflate: bool,
}

impl Channel {
    /// A channel in volts, uncompressed, of ±10 V.
    #[must_use]
    pub fn volts(path: &'static str, codes: Codes, rate: f64) -> Self {
        Channel {
            path,
            units: "V",
            codes,
            full_scale: Some(10.0),
            rate: Some(rate),
            axis: None,
            deflate: false,
        }
    }

    /// Units per code: the full scale over half the codes there are, or 1 for floating point.
    #[must_use]
    pub fn scale(&self) -> f64 {
        let bits = match self.codes {
            Codes::Int16 => 15,
            Codes::Int32 => 31,
            Codes::Float32 | Codes::Float64 => return 1.0,
        };
        self.full_scale.unwrap_or(1.0) / (1_u64 << bits) as f64
    }
}

/// A recording that is being written.
#[derive(Debug)]
pub struct Recording {
    path: PathBuf,
    file: File,
}

impl Recording {
    /// Starts a file, in place of what was there.
    ///
    /// # Errors
    /// [`DemoError::Hdf5`], as for all that follows.
    pub fn create(path: &Path, title: &str) -> Result<Self, DemoError> {
        let open = || -> hdf5::Result<File> {
            // Times of creation are left out, so that the same settings give the same file.
            let file = File::with_options()
                .with_fcpl(|p| p.obj_track_times(false))
                .create(path)?;
            text(&file, "title", title)?;
            text(&file, "note", NOTE)?;
            Ok(file)
        };
        match open() {
            Ok(file) => Ok(Recording {
                path: path.into(),
                file,
            }),
            Err(source) => Err(DemoError::Hdf5 {
                path: path.into(),
                source,
            }),
        }
    }

    /// A number with its unit among the attributes of the root.
    ///
    /// # Errors
    /// [`DemoError::Hdf5`].
    pub fn attribute(&self, name: &str, units: &str, value: f64) -> Result<(), DemoError> {
        self.pass(number(&self.file, name, value))?;
        self.pass(text(&self.file, &format!("{name}_units"), units))
    }

    /// A dataset of plain numbers: an axis, or times.
    ///
    /// # Errors
    /// [`DemoError::Hdf5`].
    pub fn numbers(&self, path: &str, units: &str, values: &[f64]) -> Result<(), DemoError> {
        let write = || {
            let dataset = self
                .file
                .new_dataset_builder()
                .with_data(values)
                .create(path)?;
            text(&dataset, "units", units)
        };
        self.pass(write())
    }

    /// A channel `[sample]`.
    ///
    /// # Errors
    /// [`DemoError::Hdf5`].
    pub fn channel(&self, channel: &Channel, values: &[f64]) -> Result<(), DemoError> {
        let dataset = self.pass(self.dataset(channel, &[values.len()], &[values.len()]))?;
        self.pass(fill(&dataset, channel, None, values))
    }

    /// A channel `[point, sample]`, to be filled point by point.
    ///
    /// # Errors
    /// [`DemoError::Hdf5`].
    pub fn sweep(
        &self,
        channel: Channel,
        points: usize,
        samples: usize,
    ) -> Result<Sweep<'_>, DemoError> {
        let dataset = self.pass(self.dataset(&channel, &[points, samples], &[1, samples]))?;
        Ok(Sweep {
            recording: self,
            channel,
            dataset,
        })
    }

    fn dataset(
        &self,
        channel: &Channel,
        shape: &[usize],
        chunk: &[usize],
    ) -> hdf5::Result<Dataset> {
        match channel.codes {
            Codes::Int16 => self.create_as::<i16>(channel, shape, chunk),
            Codes::Int32 => self.create_as::<i32>(channel, shape, chunk),
            Codes::Float32 => self.create_as::<f32>(channel, shape, chunk),
            Codes::Float64 => self.create_as::<f64>(channel, shape, chunk),
        }
    }

    fn create_as<T: H5Type>(
        &self,
        channel: &Channel,
        shape: &[usize],
        chunk: &[usize],
    ) -> hdf5::Result<Dataset> {
        let chunk: Vec<usize> = chunk.iter().map(|n| (*n).min(LONGEST_CHUNK)).collect();
        let mut builder = self.file.new_dataset::<T>().chunk(chunk);
        if channel.deflate {
            builder = builder.shuffle().deflate(4);
        }
        let dataset = builder
            .shape(Extents::from(shape.to_vec()))
            .create(channel.path)?;
        text(&dataset, "units", channel.units)?;
        number(&dataset, "scale", channel.scale())?;
        number(&dataset, "offset", 0.0)?;
        if let Some(full_scale) = channel.full_scale {
            number(&dataset, "full_scale", full_scale)?;
        }
        if let Some(rate) = channel.rate {
            number(&dataset, "sample_rate", rate)?;
        }
        if let Some(axis) = channel.axis {
            text(&dataset, "axis", axis)?;
        }
        Ok(dataset)
    }

    fn pass<T>(&self, result: hdf5::Result<T>) -> Result<T, DemoError> {
        result.map_err(|source| DemoError::Hdf5 {
            path: self.path.clone(),
            source,
        })
    }
}

/// A channel of a sweep that is being written.
#[derive(Debug)]
pub struct Sweep<'r> {
    recording: &'r Recording,
    channel: Channel,
    dataset: Dataset,
}

impl Sweep<'_> {
    /// Writes the samples of one point, in the channel's unit.
    ///
    /// # Errors
    /// [`DemoError::Hdf5`].
    pub fn write(&self, point: usize, values: &[f64]) -> Result<(), DemoError> {
        self.recording
            .pass(fill(&self.dataset, &self.channel, Some(point), values))
    }
}

fn fill(
    dataset: &Dataset,
    channel: &Channel,
    point: Option<usize>,
    values: &[f64],
) -> hdf5::Result<()> {
    let scale = channel.scale();
    // A cast from floating point clips at the ends of the integer's range, as a converter does.
    match channel.codes {
        Codes::Int16 => put(dataset, point, values, |v| (v / scale).round() as i16),
        Codes::Int32 => put(dataset, point, values, |v| (v / scale).round() as i32),
        Codes::Float32 => put(dataset, point, values, |v| v as f32),
        Codes::Float64 => put(dataset, point, values, |v| v),
    }
}

fn put<T: H5Type>(
    dataset: &Dataset,
    point: Option<usize>,
    values: &[f64],
    code: impl Fn(f64) -> T,
) -> hdf5::Result<()> {
    let codes: Vec<T> = values.iter().map(|v| code(*v)).collect();
    match point {
        Some(point) => dataset.write_slice(&codes, (point, ..)),
        None => dataset.write_raw(&codes),
    }
}

fn number(object: &Location, name: &str, value: f64) -> hdf5::Result<()> {
    object.new_attr::<f64>().create(name)?.write_scalar(&value)
}

fn text(object: &Location, name: &str, value: &str) -> hdf5::Result<()> {
    let value: VarLenUnicode = value
        .parse()
        .map_err(|_| hdf5::Error::from("a text holds a zero character"))?;
    object
        .new_attr::<VarLenUnicode>()
        .create(name)?
        .write_scalar(&value)
}
