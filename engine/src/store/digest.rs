//! Hashes of what a result file holds, taken from the file itself: of an output point by point, and of
//! everything that belongs to no output.
//!
//! What a reader of HDF5 sees enters: names, shapes, attributes, values. How it is stored does not: types
//! of equal meaning, chunks, compression, times. All NaN are alike, since their bits differ between machines.

use std::collections::BTreeMap;

use hdf5::types::TypeDescriptor;
use hdf5::{Dataset, File, Group, IndexType, IterationOrder, Location, LocationType};

use super::object::{Content, reason};
use super::result::ResultReader;
use super::write::{ResultWriter, array};
use super::{Hash, StoreError};

/// Numbers that are read at once.
pub(super) const PIECE: usize = 1 << 18;

/// What a file holds of an output.
#[derive(Clone, Debug, PartialEq)]
pub struct Digest {
    /// Names, shapes, attributes, and what belongs to no point.
    pub form: Hash,
    /// Of each point.
    pub points: Vec<Hash>,
}

/// Hashes of rows, by dataset, that are known from when they were written.
pub type Rows = BTreeMap<String, Vec<Hash>>;

impl Digest {
    /// One hash of all of it, in hexadecimal digits.
    pub fn content(&self) -> String {
        let mut hasher = blake3::Hasher::new();
        hasher.update(&self.form);
        self.points.iter().for_each(|p| {
            hasher.update(p);
        });
        hasher.finalize().to_hex().to_string()
    }
}

/// A hash over the samples of a row while they are written.
#[derive(Clone, Debug, Default)]
pub struct RowHash {
    hasher: blake3::Hasher,
    bytes: Vec<u8>,
    count: u64,
}

impl RowHash {
    /// Takes the next numbers.
    pub fn take(&mut self, values: &[f64]) {
        self.bytes.clear();
        self.bytes
            .extend(values.iter().flat_map(|v| canonical(*v).to_le_bytes()));
        self.hasher.update(&self.bytes);
        self.count += values.len() as u64;
    }

    /// The hash of a row of this length, of which the rest was never written.
    pub fn finish(mut self, length: u64) -> Hash {
        let nothing = [f64::NAN; 512];
        while self.count < length {
            let some = (length - self.count).min(nothing.len() as u64) as usize;
            self.take(&nothing[..some]);
        }
        *self.hasher.finalize().as_bytes()
    }
}

/// The bits of a number; those of one NaN for all.
pub(super) fn canonical(value: f64) -> u64 {
    if value.is_nan() {
        f64::NAN.to_bits()
    } else {
        value.to_bits()
    }
}

fn feed(hasher: &mut blake3::Hasher, text: &str) {
    hasher.update(&(text.len() as u64).to_le_bytes());
    hasher.update(text.as_bytes());
}

/// What a location is, below a group.
pub(super) enum Member {
    Group(Group),
    Dataset(Dataset),
}

/// Everything below a group by its path from there, in order.
pub(super) fn members(
    group: &Group,
    prefix: &str,
    found: &mut Vec<(String, Member)>,
) -> hdf5::Result<()> {
    for name in group.member_names_by(IndexType::Name, IterationOrder::Increasing)? {
        let path = format!("{prefix}{name}");
        match group.loc_type_by_name(&name)? {
            LocationType::Group => {
                let inner = group.group(&name)?;
                let below = format!("{path}/");
                found.push((path, Member::Group(inner.clone())));
                members(&inner, &below, found)?;
            }
            LocationType::Dataset => found.push((path, Member::Dataset(group.dataset(&name)?))),
            _ => return Err(format!("`{path}` is neither a group nor a dataset").into()),
        }
    }
    Ok(())
}

pub(super) fn attributes(hasher: &mut blake3::Hasher, of: &Location) -> hdf5::Result<()> {
    let mut names = of.attr_names()?;
    names.sort();
    for name in names {
        feed(hasher, &name);
        match Content::of(&*of.attr(&name)?)? {
            Content::Numbers(numbers) => numbers.iter().for_each(|n| {
                hasher.update(&canonical(*n).to_le_bytes());
            }),
            Content::Texts(texts) => texts.iter().for_each(|t| feed(hasher, t)),
            Content::Other(what) => feed(hasher, &what),
        }
    }
    Ok(())
}

/// Name, shape and attributes of a member.
fn form(hasher: &mut blake3::Hasher, path: &str, member: &Member) -> hdf5::Result<()> {
    feed(hasher, path);
    match member {
        Member::Group(group) => {
            feed(hasher, "group");
            attributes(hasher, group)
        }
        Member::Dataset(dataset) => {
            feed(hasher, &format!("dataset {:?}", dataset.shape()));
            attributes(hasher, dataset)
        }
    }
}

/// A hash for each row of a dataset: of all of it for one point, or else for each index of its first
/// dimension; `None` when that does not count points.
fn rows(dataset: &Dataset, points: usize) -> hdf5::Result<Option<Vec<Hash>>> {
    let shape = dataset.shape();
    match (points, shape.as_slice()) {
        (1, _) => Ok(Some(vec![whole(dataset)?])),
        (_, [first, rest @ ..]) if *first == points => {
            let width: usize = rest.iter().product();
            match (rest, dataset.dtype()?.to_descriptor()?) {
                // Rows of samples may be longer than memory.
                ([length], TypeDescriptor::Float(_)) if points * length > PIECE => (0..points)
                    .map(|row| long_row(dataset, row, *length))
                    .collect::<hdf5::Result<_>>(),
                _ => {
                    let bytes = all_bytes(dataset)?;
                    let one = bytes.len() / points.max(1);
                    match width {
                        0 => Ok(vec![*blake3::hash(&[]).as_bytes(); points]),
                        _ => Ok(bytes
                            .chunks(one.max(1))
                            .map(|b| *blake3::hash(b).as_bytes())
                            .collect()),
                    }
                }
            }
            .map(Some)
        }
        _ => Ok(None),
    }
}

fn long_row(dataset: &Dataset, row: usize, length: usize) -> hdf5::Result<Hash> {
    let mut hash = RowHash::default();
    for start in (0..length).step_by(PIECE) {
        let range = start..(start + PIECE).min(length);
        let piece = dataset.read_slice_2d::<f64, _>((row..row + 1, range))?;
        hash.take(&piece.into_raw_vec_and_offset().0);
    }
    Ok(hash.finish(0))
}

/// The hash of all values of a dataset.
fn whole(dataset: &Dataset) -> hdf5::Result<Hash> {
    match (
        dataset.shape().as_slice(),
        dataset.dtype()?.to_descriptor()?,
    ) {
        ([length], TypeDescriptor::Float(_)) if *length > PIECE => {
            let mut hash = RowHash::default();
            for start in (0..*length).step_by(PIECE) {
                let range = start..(start + PIECE).min(*length);
                hash.take(
                    &dataset
                        .read_slice_1d::<f64, _>(range)?
                        .into_raw_vec_and_offset()
                        .0,
                );
            }
            Ok(hash.finish(0))
        }
        ([1, length], TypeDescriptor::Float(_)) if *length > PIECE => long_row(dataset, 0, *length),
        _ => Ok(*blake3::hash(&all_bytes(dataset)?).as_bytes()),
    }
}

/// All values of a dataset: 8 bytes each for numbers, texts with their lengths.
pub(super) fn all_bytes(dataset: &Dataset) -> hdf5::Result<Vec<u8>> {
    Ok(match dataset.dtype()?.to_descriptor()? {
        TypeDescriptor::Float(_) => {
            let values = dataset.read_raw::<f64>()?;
            values
                .iter()
                .flat_map(|v| canonical(*v).to_le_bytes())
                .collect()
        }
        TypeDescriptor::Integer(_) => {
            let values = dataset.read_raw::<i64>()?;
            values.iter().flat_map(|v| v.to_le_bytes()).collect()
        }
        TypeDescriptor::Unsigned(_) => {
            let values = dataset.read_raw::<u64>()?;
            values.iter().flat_map(|v| v.to_le_bytes()).collect()
        }
        _ => {
            let mut bytes = Vec::new();
            let texts = match Content::of(dataset)? {
                Content::Texts(texts) => texts,
                other => vec![other.words()],
            };
            for text in texts {
                bytes.extend((text.len() as u64).to_le_bytes());
                bytes.extend(text.as_bytes());
            }
            bytes
        }
    })
}

/// What a group holds of an output, whose points are the rows of its datasets.
fn digest(group: &Group, points: usize, known: &Rows) -> hdf5::Result<Digest> {
    let mut all = Vec::new();
    members(group, "", &mut all)?;
    let mut shape = blake3::Hasher::new();
    attributes(&mut shape, group)?;
    let mut of_points = vec![blake3::Hasher::new(); points];
    for (path, member) in &all {
        form(&mut shape, path, member)?;
        let Member::Dataset(dataset) = member else {
            continue;
        };
        let rows = match known.get(path) {
            Some(known) => Some(known.clone()),
            None => rows(dataset, points)?,
        };
        match rows {
            Some(rows) => of_points.iter_mut().zip(rows).for_each(|(hasher, row)| {
                feed(hasher, path);
                hasher.update(&row);
            }),
            None => {
                shape.update(&whole(dataset)?);
            }
        }
    }
    let points = of_points.iter().map(|h| *h.finalize().as_bytes());
    Ok(Digest {
        form: *shape.finalize().as_bytes(),
        points: points.collect(),
    })
}

/// Texts and tables whose contents are looked after otherwise.
const CONTENTS_ELSEWHERE: [&str; 2] = ["provenance/recipe", "provenance/wiring"];
/// The record of the file and its seal, which are written last.
const LAST: [&str; 2] = ["provenance/lineage", "provenance/seal"];
/// Tables of hashes: of these only names and shapes enter, as one.
const TABLES: &str = "provenance/points";

/// Path and hash of everything in the file that belongs to none of the outputs, which are given by their
/// paths.
fn frame(file: &File, outputs: &[String]) -> hdf5::Result<Vec<(String, String)>> {
    let mut all = Vec::new();
    let mut root = blake3::Hasher::new();
    attributes(&mut root, file)?;
    let mut found = vec![("/".to_owned(), root.finalize().to_hex().to_string())];
    outside(file, "", outputs, &mut all)?;
    let mut tables = blake3::Hasher::new();
    for (path, member) in &all {
        if path.starts_with(TABLES) {
            form(&mut tables, path, member)?;
            continue;
        }
        let mut hasher = blake3::Hasher::new();
        form(&mut hasher, path, member)?;
        if let Member::Dataset(dataset) = member
            && !CONTENTS_ELSEWHERE.contains(&path.as_str())
        {
            hasher.update(&whole(dataset)?);
        }
        found.push((format!("/{path}"), hasher.finalize().to_hex().to_string()));
    }
    found.push((format!("/{TABLES}"), tables.finalize().to_hex().to_string()));
    Ok(found)
}

/// As [`members`], without the outputs and what is written last.
fn outside(
    group: &Group,
    prefix: &str,
    outputs: &[String],
    found: &mut Vec<(String, Member)>,
) -> hdf5::Result<()> {
    for name in group.member_names_by(IndexType::Name, IterationOrder::Increasing)? {
        let path = format!("{prefix}{name}");
        if LAST.contains(&path.as_str()) || outputs.binary_search(&path).is_ok() {
            continue;
        }
        match group.loc_type_by_name(&name)? {
            LocationType::Group => {
                let inner = group.group(&name)?;
                let below = format!("{path}/");
                found.push((path, Member::Group(inner.clone())));
                outside(&inner, &below, outputs, found)?;
            }
            LocationType::Dataset => found.push((path, Member::Dataset(group.dataset(&name)?))),
            _ => return Err(format!("`{path}` is neither a group nor a dataset").into()),
        }
    }
    Ok(())
}

impl ResultWriter {
    /// What was written of an output; `known` rows need not be read back.
    ///
    /// # Errors
    /// [`StoreError::Write`].
    pub fn digest(
        &self,
        entry: &str,
        output: &str,
        points: u64,
        known: &Rows,
    ) -> Result<Digest, StoreError> {
        self.attempt(|file| digest(&file.group(entry)?.group(output)?, points as usize, known))
    }

    /// Path and hash of everything that belongs to none of the outputs, given as `ENTRY/OUTPUT`.
    ///
    /// # Errors
    /// [`StoreError::Write`].
    pub fn frame(&self, outputs: &[String]) -> Result<Vec<(String, String)>, StoreError> {
        self.attempt(|file| frame(file, &sorted(outputs)))
    }

    /// Writes a table of hashes at a path; groups on the way are made.
    ///
    /// # Errors
    /// [`StoreError::Write`].
    pub fn hashes(&mut self, path: &str, hashes: &[Hash]) -> Result<(), StoreError> {
        self.attempt(|file| {
            let path = ResultWriter::way(file, path)?;
            array(file, path, &[hashes.len(), 32], hashes.as_flattened()).map(drop)
        })
    }
}

fn sorted(outputs: &[String]) -> Vec<String> {
    let mut outputs = outputs.to_vec();
    outputs.sort();
    outputs
}

impl ResultReader {
    fn broken(&self, path: &str, error: &hdf5::Error) -> StoreError {
        StoreError::unfit(
            self.path(),
            path,
            "something that can be read",
            reason(error),
        )
    }

    /// What the file holds of an output.
    ///
    /// # Errors
    /// [`StoreError::Unfit`] when it cannot be read.
    pub fn digest(&self, entry: &str, output: &str, points: u64) -> Result<Digest, StoreError> {
        let read = || {
            let group = self.file().group(entry)?.group(output)?;
            digest(&group, points as usize, &Rows::new())
        };
        read().map_err(|e| self.broken(&format!("/{entry}/{output}"), &e))
    }

    /// As [`ResultWriter::frame`].
    ///
    /// # Errors
    /// [`StoreError::Unfit`] when something cannot be read.
    pub fn frame(&self, outputs: &[String]) -> Result<Vec<(String, String)>, StoreError> {
        frame(self.file(), &sorted(outputs)).map_err(|e| self.broken("/", &e))
    }

    /// A table of hashes.
    ///
    /// # Errors
    /// [`StoreError::Unfit`] when there is none.
    pub fn hashes(&self, path: &str) -> Result<Vec<Hash>, StoreError> {
        let read = || self.file().dataset(path)?.read_raw::<u8>();
        let bytes = read().map_err(|e| self.broken(path, &e))?;
        Ok(bytes.as_chunks::<32>().0.to_vec())
    }

    /// One hash of a table.
    ///
    /// # Errors
    /// [`StoreError::Unfit`] when there is none.
    pub fn hash_at(&self, path: &str, index: u64) -> Result<Hash, StoreError> {
        let index = index as usize;
        let read = || {
            let dataset = self.file().dataset(path)?;
            dataset.read_slice_2d::<u8, _>((index..index + 1, 0..32))
        };
        let bytes = read().map_err(|e| self.broken(path, &e))?;
        let bytes = bytes.into_raw_vec_and_offset().0;
        Ok(bytes.try_into().unwrap_or([0; 32]))
    }
}
