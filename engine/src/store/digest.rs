//! Hashes of what a result file holds, taken from the file itself: of an output point by point, and of
//! everything that belongs to no output.
//!
//! What a reader of HDF5 sees enters: names, shapes, attributes, values. How it is stored does not: types
//! of equal meaning, chunks, compression, times. All NaN are alike, since their bits differ between machines.

use std::collections::BTreeMap;
use std::sync::PoisonError;

use hdf5::types::TypeDescriptor;
use hdf5::{Dataset, File, Group, IndexType, IterationOrder, Location, LocationType};

use super::noted::Note;
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

/// What takes bytes that are hashed.
pub(super) trait Takes {
    fn take_bytes(&mut self, bytes: &[u8]);
}

impl Takes for blake3::Hasher {
    fn take_bytes(&mut self, bytes: &[u8]) {
        self.update(bytes);
    }
}

impl Takes for Vec<u8> {
    fn take_bytes(&mut self, bytes: &[u8]) {
        self.extend_from_slice(bytes);
    }
}

/// A text with its length, so that no two lists of texts give the same bytes.
pub(super) fn feed(to: &mut impl Takes, text: &str) {
    to.take_bytes(&(text.len() as u64).to_le_bytes());
    to.take_bytes(text.as_bytes());
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

/// Names and values of attributes, as they are hashed.
pub(super) fn attributes(of: &Location) -> hdf5::Result<Vec<u8>> {
    let mut names = of.attr_names()?;
    names.sort();
    let mut bytes = Vec::new();
    for name in names {
        feed(&mut bytes, &name);
        bytes.extend(attribute(of, &name)?);
    }
    Ok(bytes)
}

/// The value of an attribute, as it is hashed.
pub(super) fn attribute(of: &Location, name: &str) -> hdf5::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    match Content::of(&*of.attr(name)?)? {
        Content::Numbers(numbers) => {
            bytes.extend(numbers.iter().flat_map(|n| canonical(*n).to_le_bytes()));
        }
        Content::Texts(texts) => texts.iter().for_each(|t| feed(&mut bytes, t)),
        Content::Other(what) => feed(&mut bytes, &what),
    }
    Ok(bytes)
}

/// An object below a group, as it is hashed.
struct Seen<'s> {
    path: String,
    /// The shape of a dataset.
    shape: Option<Vec<usize>>,
    attributes: Vec<u8>,
    values: Values<'s>,
}

/// Where values of a dataset are.
enum Values<'v> {
    /// A group has none.
    None,
    Noted(&'v [u8]),
    Stored(Dataset),
}

impl Seen<'_> {
    fn stored(path: String, member: Member) -> hdf5::Result<Self> {
        Ok(match member {
            Member::Group(group) => Seen {
                path,
                shape: None,
                attributes: attributes(&group)?,
                values: Values::None,
            },
            Member::Dataset(dataset) => Seen {
                path,
                shape: Some(dataset.shape()),
                attributes: attributes(&dataset)?,
                values: Values::Stored(dataset),
            },
        })
    }

    /// Name, shape and attributes.
    fn form(&self, hasher: &mut blake3::Hasher) {
        feed(hasher, &self.path);
        match &self.shape {
            None => feed(hasher, "group"),
            Some(shape) => feed(hasher, &format!("dataset {shape:?}")),
        }
        hasher.update(&self.attributes);
    }
}

impl<'n> Seen<'n> {
    /// What was noted of an object of an output, in which its values are where they were not noted.
    fn noted(file: &File, output: &str, way: &[String], note: &'n Note) -> hdf5::Result<Self> {
        let path = way.join("/");
        let values = match (&note.shape, &note.values) {
            (None, _) => Values::None,
            (_, Some(values)) => Values::Noted(values),
            _ => Values::Stored(file.dataset(&format!("{output}/{path}"))?),
        };
        Ok(Seen {
            path,
            shape: note.shape.clone(),
            attributes: attributes_of(note),
            values,
        })
    }
}

/// As [`attributes`], of what was noted.
fn attributes_of(note: &Note) -> Vec<u8> {
    let mut bytes = Vec::new();
    for (name, value) in &note.attributes {
        feed(&mut bytes, name);
        bytes.extend_from_slice(value);
    }
    bytes
}

/// Whether the rows of a dataset are points: all of it for one point, or else its first dimension.
fn counts_points(shape: &[usize], points: usize) -> bool {
    points == 1 || shape.first() == Some(&points)
}

/// A hash for each point of the values of a dataset.
fn split(bytes: &[u8], points: usize) -> Vec<Hash> {
    match bytes.len() / points.max(1) {
        0 => vec![*blake3::hash(&[]).as_bytes(); points],
        one => bytes
            .chunks(one)
            .map(|b| *blake3::hash(b).as_bytes())
            .collect(),
    }
}

/// A hash for each point of a dataset whose rows are points.
fn rows(dataset: &Dataset, points: usize) -> hdf5::Result<Vec<Hash>> {
    match (
        points,
        dataset.shape().as_slice(),
        dataset.dtype()?.to_descriptor()?,
    ) {
        (1, ..) => Ok(vec![whole(dataset)?]),
        // Rows of samples may be longer than memory.
        (_, [_, length], TypeDescriptor::Float(_)) if points * length > PIECE => (0..points)
            .map(|row| long_row(dataset, row, *length))
            .collect(),
        _ => Ok(split(&all_bytes(dataset)?, points)),
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
fn digest<'s>(
    own: &[u8],
    all: impl Iterator<Item = hdf5::Result<Seen<'s>>>,
    points: usize,
    known: &Rows,
) -> hdf5::Result<Digest> {
    let mut form = blake3::Hasher::new();
    form.update(own);
    let mut of_points = vec![blake3::Hasher::new(); points];
    for seen in all {
        let seen = seen?;
        seen.form(&mut form);
        let each = counts_points(seen.shape.as_deref().unwrap_or(&[]), points);
        let rows = match (known.get(&seen.path), &seen.values) {
            (_, Values::None) => continue,
            (Some(known), _) => known.clone(),
            (_, Values::Noted(bytes)) if each => split(bytes, points),
            (_, Values::Stored(dataset)) if each => rows(dataset, points)?,
            (_, Values::Noted(bytes)) => {
                form.update(blake3::hash(bytes).as_bytes());
                continue;
            }
            (_, Values::Stored(dataset)) => {
                form.update(&whole(dataset)?);
                continue;
            }
        };
        of_points.iter_mut().zip(rows).for_each(|(hasher, row)| {
            feed(hasher, &seen.path);
            hasher.update(&row);
        });
    }
    let points = of_points.iter().map(|h| *h.finalize().as_bytes());
    Ok(Digest {
        form: *form.finalize().as_bytes(),
        points: points.collect(),
    })
}

/// The same, read from a file.
fn digest_stored(group: &Group, points: usize, known: &Rows) -> hdf5::Result<Digest> {
    let mut all = Vec::new();
    members(group, "", &mut all)?;
    let all = all
        .into_iter()
        .map(|(path, member)| Seen::stored(path, member));
    digest(&attributes(group)?, all, points, known)
}

/// The same, of what was noted when it was written.
fn digest_noted(
    file: &File,
    output: &str,
    notes: &BTreeMap<Vec<String>, Note>,
    points: usize,
    known: &Rows,
) -> hdf5::Result<Digest> {
    let own = notes.get(&[][..]).map(attributes_of).unwrap_or_default();
    let all = notes.iter().filter(|(way, _)| !way.is_empty());
    let all = all.map(|(way, note)| Seen::noted(file, output, way, note));
    digest(&own, all, points, known)
}

/// Texts and tables whose contents are looked after otherwise.
const CONTENTS_ELSEWHERE: [&str; 2] = ["provenance/recipe", "provenance/wiring"];
/// The record of the file and its seal, which are written last.
const LAST: [&str; 3] = ["provenance/lineage", "provenance/seal", TIMINGS];
/// Where the time went, which is another every time.
const TIMINGS: &str = "provenance/timings";
/// Tables of hashes: of these only names and shapes enter, as one.
const TABLES: &str = "provenance/points";

/// Path and hash of everything in the file that belongs to none of the outputs, which are given by their
/// paths.
fn frame(file: &File, outputs: &[String]) -> hdf5::Result<Vec<(String, String)>> {
    let mut all = Vec::new();
    let root = blake3::hash(&attributes(file)?);
    let mut found = vec![("/".to_owned(), root.to_hex().to_string())];
    outside(file, "", outputs, &mut all)?;
    let mut tables = blake3::Hasher::new();
    for (path, member) in all {
        let seen = Seen::stored(path, member)?;
        if seen.path.starts_with(TABLES) {
            seen.form(&mut tables);
            continue;
        }
        let mut hasher = blake3::Hasher::new();
        seen.form(&mut hasher);
        if let Values::Stored(dataset) = &seen.values
            && !CONTENTS_ELSEWHERE.contains(&seen.path.as_str())
        {
            hasher.update(&whole(dataset)?);
        }
        let hash = hasher.finalize().to_hex().to_string();
        found.push((format!("/{}", seen.path), hash));
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
        let notes = self.notes_of(entry, output);
        self.attempt(|file| {
            let (output, points) = (format!("{entry}/{output}"), points as usize);
            match notes {
                Some(notes) => {
                    let notes = notes.lock().unwrap_or_else(PoisonError::into_inner);
                    digest_noted(file, &output, &notes, points, known)
                }
                None => digest_stored(&file.group(&output)?, points, known),
            }
        })
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
            digest_stored(&group, points as usize, &Rows::new())
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
