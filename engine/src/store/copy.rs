//! A copy of a result file without some of its parts: what is left out leaves no trace in it.

use hdf5::types::{FloatSize, IntSize, TypeDescriptor, VarLenUnicode};
use hdf5::{Dataset, File, H5Type, Location};

use super::StoreError;
use super::digest::{Member, members};
use super::object::{Content, reason};
use super::result::ResultReader;
use super::write::{Held, ResultWriter, set_text, set_texts};

/// Numbers that are copied at once.
const PIECE: usize = 1 << 18;

impl ResultReader {
    /// Copies everything but the objects at some paths, and what is below them, into a new file.
    ///
    /// # Errors
    /// [`StoreError::Unfit`] when something cannot be read; [`StoreError::Write`].
    pub fn copy_to(&self, to: &mut ResultWriter, except: &[&str]) -> Result<(), StoreError> {
        let broken = |e: hdf5::Error| {
            StoreError::unfit(
                self.path(),
                "/",
                "a result file that can be copied",
                reason(&e),
            )
        };
        let mut all = Vec::new();
        members(self.file(), "", &mut all).map_err(broken)?;
        let left_out = |path: &str| {
            except.iter().any(|e| {
                let e = e.trim_start_matches('/');
                path == e
                    || path
                        .strip_prefix(e)
                        .is_some_and(|rest| rest.starts_with('/'))
            })
        };
        to.attempt(|file| copy_attributes(self.file(), file))?;
        for (path, member) in all.iter().filter(|(path, _)| !left_out(path)) {
            to.attempt(|file| match member {
                Member::Group(group) => {
                    let made = file.create_group(path)?;
                    copy_attributes(group, &made)
                }
                Member::Dataset(dataset) => copy_dataset(dataset, file, path),
            })?;
        }
        Ok(())
    }
}

fn copy_attributes(from: &Location, to: &Location) -> hdf5::Result<()> {
    let there = to.attr_names()?;
    for name in from.attr_names()?.iter().filter(|n| !there.contains(n)) {
        let attribute = from.attr(name)?;
        match Content::of(&attribute)? {
            Content::Texts(texts) if attribute.is_scalar() => {
                set_text(to, name, texts.first().map_or("", String::as_str))?;
            }
            Content::Texts(texts) => {
                let texts: Vec<&str> = texts.iter().map(String::as_str).collect();
                set_texts(to, name, &texts)?;
            }
            Content::Numbers(numbers) => {
                let made = to
                    .new_attr::<f64>()
                    .shape(attribute.shape())
                    .create(name.as_str())?;
                made.write_raw(&numbers)?;
            }
            Content::Other(what) => return Err(unknown(name, &what)),
        }
    }
    Ok(())
}

fn copy_dataset(from: &Dataset, to: &File, path: &str) -> hdf5::Result<()> {
    let made = match from.dtype()?.to_descriptor()? {
        TypeDescriptor::Float(FloatSize::U8) => copy_numbers::<f64>(from, to, path)?,
        TypeDescriptor::Unsigned(IntSize::U8) => copy_numbers::<u64>(from, to, path)?,
        TypeDescriptor::Unsigned(IntSize::U1) => copy_numbers::<u8>(from, to, path)?,
        TypeDescriptor::VarLenUnicode => {
            let texts = from.read_raw::<VarLenUnicode>()?;
            let made = to
                .new_dataset::<VarLenUnicode>()
                .shape(from.shape())
                .create(path)?;
            let made = Held::new(made);
            made.write_raw(&texts)?;
            made
        }
        other => return Err(unknown(path, &other.to_string())),
    };
    copy_attributes(from, &made)
}

fn unknown(what: &str, kind: &str) -> hdf5::Error {
    format!("`{what}` is of a type that result files do not have: {kind}").into()
}

fn copy_numbers<T: H5Type + Clone>(from: &Dataset, to: &File, path: &str) -> hdf5::Result<Held> {
    let shape = from.shape();
    let builder = to.new_dataset::<T>().shape(shape.as_slice());
    let made = match from.chunk() {
        Some(chunk) => builder
            .chunk(chunk)
            .set_filters(&from.filters())
            .create(path)?,
        None => builder.create(path)?,
    };
    let made = Held::new(made);
    let total: usize = shape.iter().product();
    match shape.as_slice() {
        [length] if total > PIECE => {
            for start in (0..*length).step_by(PIECE) {
                let range = start..(start + PIECE).min(*length);
                made.write_slice(&from.read_slice_1d::<T, _>(range.clone())?, range)?;
            }
        }
        [rows, length] if total > PIECE => {
            for row in 0..*rows {
                for start in (0..*length).step_by(PIECE) {
                    let place = (row..row + 1, start..(start + PIECE).min(*length));
                    made.write_slice(&from.read_slice_2d::<T, _>(place.clone())?, place)?;
                }
            }
        }
        _ => made.write_raw(&from.read_raw::<T>()?)?,
    }
    Ok(made)
}
