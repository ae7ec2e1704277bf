//! Where two result files first differ in an output.

use hdf5::types::TypeDescriptor;
use hdf5::{Dataset, Location};

use super::StoreError;
use super::digest::{Member, PIECE, all_bytes, attribute, canonical, members};
use super::object::{Content, reason};
use super::result::ResultReader;
use crate::units::Unit;

/// A place where two files differ.
#[derive(Clone, Debug, PartialEq)]
pub struct Spot {
    /// What differs.
    pub message: String,
    /// The point, where the difference belongs to one.
    pub point: Option<u64>,
    /// The sample or bin, where there are several at a point.
    pub sample: Option<u64>,
}

/// Columns that hold the numbers themselves; they are named before others of the same point.
const VALUES: [&str; 4] = ["value", "in_phase", "quadrature", "cycles"];

impl ResultReader {
    /// The first difference, point by point, between an output here and one in another file. What only
    /// the other has does not count. Outputs are given as entry and name.
    ///
    /// # Errors
    /// [`StoreError::Unfit`] when something cannot be read.
    pub fn difference(
        &self,
        (entry, output): (&str, &str),
        other: &ResultReader,
        (other_entry, other_output): (&str, &str),
        points: u64,
    ) -> Result<Option<Spot>, StoreError> {
        let read = || {
            let here = self.file().group(entry)?.group(output)?;
            let there = other.file().group(other_entry)?.group(other_output)?;
            let mut all = Vec::new();
            members(&here, "", &mut all)?;
            let mut spots = Vec::new();
            spots.extend(other_attributes("", &here, &there)?);
            for (path, member) in &all {
                let dataset = match member {
                    Member::Dataset(dataset) => dataset,
                    Member::Group(group) => {
                        if let Ok(twin) = there.group(path) {
                            spots.extend(other_attributes(path, group, &twin)?);
                        }
                        continue;
                    }
                };
                let Ok(twin) = there.dataset(path) else {
                    spots.push(at(format!("{path} does not come out any more"), None, None));
                    continue;
                };
                spots.extend(compare(path, dataset, &twin, points)?);
            }
            let rank = |spot: &Spot| {
                let name = spot.message.split(' ').next().unwrap_or("");
                let value = VALUES
                    .iter()
                    .position(|v| *v == name)
                    .unwrap_or(VALUES.len());
                (spot.point.unwrap_or(u64::MAX), value)
            };
            Ok(spots.into_iter().min_by_key(rank))
        };
        read().map_err(|e: hdf5::Error| {
            StoreError::unfit(
                self.path(),
                format!("/{entry}/{output}"),
                "something that can be read",
                reason(&e),
            )
        })
    }
}

fn at(message: String, point: Option<u64>, sample: Option<u64>) -> Spot {
    Spot {
        message,
        point,
        sample,
    }
}

fn compare(path: &str, here: &Dataset, there: &Dataset, points: u64) -> hdf5::Result<Option<Spot>> {
    let shape = here.shape();
    if shape != there.shape() {
        let message = format!(
            "{path} has the shape {shape:?}, and {:?} comes out",
            there.shape()
        );
        return Ok(Some(at(message, None, None)));
    }
    if let Some((index, was, is)) = first_difference(here, there)? {
        let width = shape.iter().skip(1).product::<usize>().max(1) as u64;
        let (point, sample) = match shape.first() {
            Some(&first) if first as u64 == points => {
                (Some(index / width), (width > 1).then_some(index % width))
            }
            _ if points == 1 => (Some(0), Some(index)),
            _ => (None, None),
        };
        let message = format!("{path} is {was}, and {is} comes out");
        return Ok(Some(at(message, point, sample)));
    }
    other_attributes(path, here, there)
}

/// The first attribute that is not there with the same value.
fn other_attributes(path: &str, here: &Location, there: &Location) -> hdf5::Result<Option<Spot>> {
    let all = there.attr_names()?;
    for name in here.attr_names()? {
        let is_there = all.contains(&name);
        if !is_there || !are_alike(&name, here, there)? {
            let of = match path {
                "" => String::new(),
                path => format!(" of {path}"),
            };
            let message = format!("the attribute {name}{of} is another than comes out");
            return Ok(Some(at(message, None, None)));
        }
    }
    Ok(None)
}

/// Whether an attribute that both have is the same. What a unit is called may change.
fn are_alike(name: &str, here: &Location, there: &Location) -> hdf5::Result<bool> {
    if attribute(here, name)? == attribute(there, name)? {
        return Ok(true);
    }
    let unit = |of: &Location| -> hdf5::Result<Option<Unit>> {
        Ok(match Content::of(&*of.attr(name)?)? {
            Content::Texts(texts) => texts.first().and_then(|text| Unit::parse(text).ok()),
            _ => None,
        })
    };
    Ok(name == "units"
        && unit(here)?.is_some_and(|was| unit(there).is_ok_and(|is| is == Some(was))))
}

/// Index of the first number that differs, with both.
fn first_difference(
    here: &Dataset,
    there: &Dataset,
) -> hdf5::Result<Option<(u64, String, String)>> {
    let float = |d: &Dataset| {
        Ok::<_, hdf5::Error>(matches!(
            d.dtype()?.to_descriptor()?,
            TypeDescriptor::Float(_)
        ))
    };
    if float(here)? && float(there)? {
        let shape = here.shape();
        let width = shape.iter().skip(1).product::<usize>().max(1);
        let rows = shape.first().copied().unwrap_or(0);
        // Some rows at a time, or a piece of a long row.
        let mut done = 0usize;
        while done < rows {
            let count = (PIECE / width).clamp(1, rows - done);
            let (a, b) = (rows_of(here, done, count)?, rows_of(there, done, count)?);
            let first = a
                .iter()
                .zip(&b)
                .position(|(a, b)| canonical(*a) != canonical(*b));
            if let Some(first) = first {
                let index = (done * width + first) as u64;
                return Ok(Some((
                    index,
                    format!("{:?}", a[first]),
                    format!("{:?}", b[first]),
                )));
            }
            done += count;
        }
        return Ok(None);
    }
    let (a, b) = (all_bytes(here)?, all_bytes(there)?);
    let first = a
        .iter()
        .zip(&b)
        .position(|(a, b)| a != b)
        .map(|byte| byte / 8);
    let first = first.or((a.len() != b.len()).then_some(0));
    Ok(first.map(|index| {
        (
            index as u64,
            "another".to_owned(),
            "something else".to_owned(),
        )
    }))
}

fn rows_of(dataset: &Dataset, from: usize, count: usize) -> hdf5::Result<Vec<f64>> {
    let range = from..from + count;
    Ok(match dataset.ndim() {
        1 => {
            dataset
                .read_slice_1d::<f64, _>(range)?
                .into_raw_vec_and_offset()
                .0
        }
        2 => {
            dataset
                .read_slice_2d::<f64, _>((range, ..))?
                .into_raw_vec_and_offset()
                .0
        }
        _ => dataset.read_raw()?,
    })
}
