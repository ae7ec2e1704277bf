//! The recordings of a run: which files make up one set of points, and what their headers say.

use std::path::{Path, PathBuf};

use crate::recipe::{Axis, Recipe, Wiring};
use crate::stage::SeriesAxis;
use crate::store::{AxisValues, ChannelHeader, RecordingFile, StoreError};

/// A recording: one file with one or many points, or several files that are points of one sweep.
pub struct RecordingSet {
    /// The name that recipes use for it; empty for the main one.
    pub name: String,
    /// Its files, in the order given.
    pub files: Vec<SetFile>,
    /// The axis along its points.
    pub axis: SeriesAxis,
    /// The one point that counts; all of them where it is `None`.
    only: Option<PointPlace>,
}

/// A file of a set.
pub struct SetFile {
    /// Its path as the user gave it.
    pub path: PathBuf,
    /// The open file and the headers of its channels by input; or why there are none.
    pub content: Result<FileContent, StoreError>,
}

/// An opened file.
pub struct FileContent {
    /// The open file.
    pub file: RecordingFile,
    /// For every input of the recipe that comes from this recording: its header.
    pub headers: Vec<Option<ChannelHeader>>,
    /// Points in this file.
    pub points: u64,
    axis: Option<AxisValues>,
}

/// Headers by input, points and axis of a file.
type Headers = (Vec<Option<ChannelHeader>>, u64, Option<AxisValues>);

/// A point of a set.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PointPlace {
    /// Which file.
    pub file: usize,
    /// Which point of the file.
    pub within: u64,
}

impl RecordingSet {
    /// Opens the files and reads the headers of the channels that the recipe takes from this recording.
    /// A file that cannot be used counts as one failed point.
    pub fn open(name: &str, paths: &[PathBuf], recipe: &Recipe, wiring: &Wiring) -> Self {
        let mut files: Vec<SetFile> = paths
            .iter()
            .map(|path| SetFile {
                path: path.clone(),
                content: FileContent::open(path, name, recipe, wiring),
            })
            .collect();
        agree(&mut files);
        let axis = joint_axis(&files);
        RecordingSet {
            name: name.into(),
            files,
            axis,
            only: None,
        }
    }

    /// Leaves one point, counted from 0; a recording with a single point keeps it, whichever is asked for.
    pub fn keep(&mut self, point: usize) {
        let points = self.points();
        let point = if points.len() == 1 { 0 } else { point };
        self.only = points.get(point).copied();
        self.axis.values = self.axis.values.get(point).copied().into_iter().collect();
    }

    /// All points, in order.
    pub fn points(&self) -> Vec<PointPlace> {
        if let Some(only) = self.only {
            return vec![only];
        }
        let mut places = Vec::new();
        for (file, entry) in self.files.iter().enumerate() {
            let points = entry.content.as_ref().map_or(1, |c| c.points);
            places.extend((0..points).map(|within| PointPlace { file, within }));
        }
        places
    }

    /// What the usable files say together of one input: the first header, with the shortest length and
    /// the points of all files. Gaps in the sample times are those of a single file only: where there are
    /// several, each point has its own.
    pub fn header(&self, input: usize) -> Option<ChannelHeader> {
        let mut headers = self.contents().filter_map(|c| c.headers[input].as_ref());
        let first = headers.next()?.clone();
        let samples = headers.map(|h| h.samples).fold(first.samples, u64::min);
        let points = self.points().len() as u64;
        let alone = self.files.len() == 1;
        Some(ChannelHeader {
            samples,
            points,
            stretches: if alone { first.stretches } else { Vec::new() },
            has_axis: self.axis.values.iter().any(|x| x.is_finite()),
            ..first
        })
    }

    /// The most samples that a point of any file has in this input.
    pub fn longest(&self, input: usize) -> u64 {
        self.contents()
            .filter_map(|c| c.headers[input].as_ref())
            .map(|h| h.samples)
            .max()
            .unwrap_or(0)
    }

    fn contents(&self) -> impl Iterator<Item = &FileContent> {
        self.files.iter().filter_map(|f| f.content.as_ref().ok())
    }

    /// Whether no file can be used.
    pub fn is_unusable(&self) -> bool {
        self.contents().next().is_none()
    }
}

impl FileContent {
    fn open(path: &Path, name: &str, recipe: &Recipe, wiring: &Wiring) -> Result<Self, StoreError> {
        let (file, (headers, points, axis)) =
            RecordingFile::open_and(path, |file| Self::headers(file, name, recipe, wiring))?;
        Ok(FileContent {
            file,
            headers,
            points,
            axis,
        })
    }

    /// Headers of the inputs, points and axis of a file.
    fn headers(
        file: &RecordingFile,
        name: &str,
        recipe: &Recipe,
        wiring: &Wiring,
    ) -> Result<Headers, StoreError> {
        let mut headers = Vec::new();
        let mut points: Option<(u64, String)> = None;
        let mut axis = None;
        for input in &recipe.inputs {
            if input.recording != name {
                headers.push(None);
                continue;
            }
            let header = file.channel(
                &input.name.text,
                &wiring.channel(input),
                input.unit.as_ref(),
            )?;
            match &points {
                Some((count, dataset)) if *count != header.points => {
                    return Err(StoreError::unfit(
                        file.path(),
                        &header.dataset,
                        format!("{count} points as in `{dataset}`"),
                        format!("{}; give every channel one row per point", header.points),
                    ));
                }
                Some(_) => {}
                None => {
                    axis = file.axis(wiring.axis.as_ref().filter(|_| name.is_empty()), &header)?;
                    points = Some((header.points, header.dataset.clone()));
                }
            }
            headers.push(Some(header));
        }
        let points = points.map_or(0, |(points, _)| points);
        Ok((headers, points, axis))
    }
}

/// Files of one set must agree in rate and dimension; one that does not is set aside with the reason.
fn agree(files: &mut [SetFile]) {
    let Some(first) = files.iter().position(|f| f.content.is_ok()) else {
        return;
    };
    let (before, after) = files.split_at_mut(first + 1);
    let Some(SetFile {
        path: model_path,
        content: Ok(model),
    }) = before.last()
    else {
        return;
    };
    for entry in after {
        let Ok(content) = &entry.content else {
            continue;
        };
        let pairs = || {
            let all = model.headers.iter().zip(&content.headers);
            all.filter_map(|(a, b)| Some((a.as_ref()?, b.as_ref()?)))
        };
        if let Some((a, b)) = pairs().find(|(a, b)| !a.unit.same_dimension(&b.unit)) {
            entry.content = Err(StoreError::unfit(
                &entry.path,
                &b.dataset,
                format!("a unit such as {} as in {}", a.unit, model_path.display()),
                format!("{}; process this file on its own", b.unit),
            ));
            continue;
        }
        let differs = pairs().find(|(a, b)| a.rate != b.rate);
        if let Some((a, b)) = differs {
            entry.content = Err(StoreError::unfit(
                &entry.path,
                &b.dataset,
                format!("{} Hz as in {}", a.rate, model_path.display()),
                format!(
                    "a sample rate of {} Hz; process this file on its own",
                    b.rate
                ),
            ));
        }
    }
}

fn joint_axis(files: &[SetFile]) -> SeriesAxis {
    let Some(model) = files
        .iter()
        .find_map(|f| f.content.as_ref().ok()?.axis.as_ref())
    else {
        return SeriesAxis::default();
    };
    let mut values = Vec::new();
    for entry in files {
        match &entry.content {
            Ok(FileContent {
                axis: Some(axis), ..
            }) => values.extend(&axis.values),
            Ok(content) => values.extend(std::iter::repeat_n(f64::NAN, content.points as usize)),
            Err(_) => values.push(f64::NAN),
        }
    }
    SeriesAxis {
        name: model.name.clone(),
        unit: model.unit.clone(),
        values,
    }
}

/// Whether the wiring says that several files are points of one sweep.
pub fn is_sweep_of_files(wiring: &Wiring) -> bool {
    matches!(wiring.axis, Some(Axis::Attribute(_)))
}
