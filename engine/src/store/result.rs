//! Reading result files back.

use std::path::{Path, PathBuf};

use hdf5::{File, IndexType, IterationOrder};

use super::object::{Content, attribute, reason};
use super::read::RecordingFile;
use super::{StoreError, contents};
use crate::diagnostic::nearest;

/// A result file, opened for reading.
pub struct ResultReader {
    path: PathBuf,
    file: File,
}

impl ResultReader {
    /// Opens a result file.
    ///
    /// # Errors
    /// [`StoreError::Open`] when it cannot be opened.
    pub fn open(path: &Path) -> Result<Self, StoreError> {
        Ok(ResultReader {
            path: path.into(),
            file: RecordingFile::open(path)?.handle()?,
        })
    }

    pub(super) fn path(&self) -> &Path {
        &self.path
    }

    pub(super) fn file(&self) -> &File {
        &self.file
    }

    /// The text at a path.
    ///
    /// # Errors
    /// [`StoreError::Unfit`] when there is none.
    pub fn text(&self, path: &str) -> Result<String, StoreError> {
        match self.content(path)? {
            Content::Texts(texts) if texts.len() == 1 => {
                Ok(texts.into_iter().next().unwrap_or_default())
            }
            other => Err(StoreError::unfit(
                &self.path,
                path,
                "one text",
                other.words(),
            )),
        }
    }

    /// The list of texts at a path.
    ///
    /// # Errors
    /// [`StoreError::Unfit`] when there is none.
    pub fn texts(&self, path: &str) -> Result<Vec<String>, StoreError> {
        match self.content(path)? {
            Content::Texts(texts) => Ok(texts),
            other => Err(StoreError::unfit(&self.path, path, "texts", other.words())),
        }
    }

    /// The numbers at a path, the last dimension fastest.
    ///
    /// # Errors
    /// [`StoreError::Unfit`] when there are none.
    pub fn floats(&self, path: &str) -> Result<Vec<f64>, StoreError> {
        match self.content(path)? {
            Content::Numbers(numbers) => Ok(numbers),
            other => Err(StoreError::unfit(
                &self.path,
                path,
                "numbers",
                other.words(),
            )),
        }
    }

    /// The numbers of one point of a dataset: of its row, or all of them where there is one point.
    ///
    /// # Errors
    /// [`StoreError::Unfit`] when there are none.
    pub fn row(&self, path: &str, points: u64, point: u64) -> Result<Vec<f64>, StoreError> {
        let read = || {
            let dataset = self.file.dataset(path)?;
            let row = point as usize;
            match dataset.shape().as_slice() {
                [first, _] if *first as u64 == points => dataset
                    .read_slice_2d::<f64, _>((row..row + 1, ..))
                    .map(|all| all.into_raw_vec_and_offset().0),
                [first] if *first as u64 == points => dataset
                    .read_slice_1d::<f64, _>(row..row + 1)
                    .map(|all| all.into_raw_vec_and_offset().0),
                _ if points == 1 => dataset.read_raw::<f64>(),
                shape => Err(format!("the shape {shape:?} has no points").into()),
            }
        };
        read().map_err(|e: hdf5::Error| StoreError::unfit(&self.path, path, "numbers", reason(&e)))
    }

    /// Samples `start` to `end` of one point of a dataset, so that a long one can be read piece by piece.
    ///
    /// # Errors
    /// [`StoreError::Unfit`] when there are none.
    pub fn part(
        &self,
        path: &str,
        point: u64,
        samples: std::ops::Range<u64>,
    ) -> Result<Vec<f64>, StoreError> {
        let (row, range) = (point as usize, samples.start as usize..samples.end as usize);
        let read = || {
            let dataset = self.file.dataset(path)?;
            match dataset.ndim() {
                2 => dataset
                    .read_slice_2d::<f64, _>((row..row + 1, range))
                    .map(|all| all.into_raw_vec_and_offset().0),
                _ => dataset
                    .read_slice_1d::<f64, _>(range)
                    .map(|all| all.into_raw_vec_and_offset().0),
            }
        };
        read().map_err(|e: hdf5::Error| StoreError::unfit(&self.path, path, "samples", reason(&e)))
    }

    /// The lengths of the dimensions of a dataset; none when there is no such dataset.
    pub fn shape(&self, path: &str) -> Vec<u64> {
        let dataset = self.file.dataset(path);
        let shape = dataset.map(|d| d.shape()).unwrap_or_default();
        shape.into_iter().map(|n| n as u64).collect()
    }

    /// The names in a group, in order; none when there is no such group.
    pub fn names(&self, group: &str) -> Vec<String> {
        let group = self.file.group(group);
        group
            .and_then(|g| g.member_names_by(IndexType::Name, IterationOrder::Increasing))
            .unwrap_or_default()
    }

    /// An attribute of a group or dataset as text; `None` when there is none.
    pub fn attribute(&self, path: &str, name: &str) -> Option<String> {
        let found = match (self.file.group(path), self.file.dataset(path)) {
            (Ok(group), _) => attribute(&group, name),
            (_, Ok(dataset)) => attribute(&dataset, name),
            _ => return None,
        };
        Some(found.ok()??.words())
    }

    fn content(&self, path: &str) -> Result<Content, StoreError> {
        let Ok(dataset) = self.file.dataset(path) else {
            let (all, _) = contents::datasets(&self.file);
            let like = nearest(path, all.iter().map(String::as_str));
            let found = like.map_or("none".into(), |like| {
                format!("none; did you mean `{like}`?")
            });
            return Err(StoreError::unfit(&self.path, path, "a dataset", found));
        };
        Content::of(&dataset)
            .map_err(|e| StoreError::unfit(&self.path, path, "a dataset", reason(&e)))
    }
}
