//! Result files: made beside their target, filled, and given their name when complete. What is in
//! them follows NeXus (NXroot, NXentry, NXdata), so that any reader of HDF5 opens them and many plot
//! them.

use std::collections::BTreeMap;
use std::mem::ManuallyDrop;
use std::ops::Deref;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

use hdf5::plist::dataset_create::Layout;
use hdf5::plist::file_access::FileCloseDegree;
use hdf5::types::VarLenUnicode;
use hdf5::{Dataset, File, Group, H5Type, Location};
use tempfile::NamedTempFile;

use super::StoreError;
use super::noted::{Noted, Notes, Room};
use super::object::reason;
use super::publish::{beside, fault, publish, publish_new};
use crate::stage::SeriesAxis;

/// A result file that is being written. Dropped before [`ResultWriter::finish`], it leaves nothing.
pub struct ResultWriter {
    file: Option<File>,
    temporary: Option<NamedTempFile>,
    gate: Arc<Gate>,
    overwrite: bool,
    /// Samples by entry and name, which viewers show where there is nothing better.
    samples: Vec<(String, String)>,
    /// What was written of each output, by entry and name.
    notes: BTreeMap<(String, String), Notes>,
    room: Room,
}

/// What everything that is written passes, so that nothing is after something failed: the library may
/// crash on a file of which a chunk could not be written.
pub(super) struct Gate {
    target: PathBuf,
    broken: Mutex<Option<String>>,
}

impl Gate {
    /// Does the work, unless something failed before.
    pub fn pass<T>(&self, work: impl FnOnce() -> hdf5::Result<T>) -> Result<T, StoreError> {
        let mut broken = self.broken.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(why) = &*broken {
            return Err(fault(&self.target, why));
        }
        work().map_err(|e| fault(&self.target, broken.insert(reason(&e)).as_str()))
    }
}

impl ResultWriter {
    /// Makes a file beside the target, in which results are gathered.
    ///
    /// # Errors
    /// [`StoreError::Exists`] when the target exists and may not be replaced; [`StoreError::Write`]
    /// when its folder cannot be written to.
    pub fn create(target: &Path, overwrite: bool) -> Result<Self, StoreError> {
        if !overwrite && target.symlink_metadata().is_ok() && !target.is_dir() {
            return Err(StoreError::Exists {
                file: target.into(),
            });
        }
        let temporary = beside(target)?;
        let mut builder = File::with_options();
        // Handles that are left are closed with the file.
        builder
            .fapl()
            .fclose_degree(FileCloseDegree::Strong)
            .file_locking(false);
        let file = builder
            .create(temporary.path())
            .map_err(|e| fault(target, reason(&e)))?;
        let gate = Arc::new(Gate {
            target: target.into(),
            broken: Mutex::new(None),
        });
        let writer = ResultWriter {
            file: Some(file),
            temporary: Some(temporary),
            gate,
            overwrite,
            samples: Vec::new(),
            notes: BTreeMap::new(),
            room: Room::default(),
        };
        writer.attempt(|file| set_text(file, "NX_class", "NXroot"))?;
        Ok(writer)
    }

    /// Makes a file in the system's folder for such that goes away by itself.
    ///
    /// # Errors
    /// [`StoreError::Write`] when there is no room for one.
    pub fn scratch() -> Result<Self, StoreError> {
        Self::create(&std::env::temp_dir().join("phasemill-scratch.h5"), true)
    }

    /// Where it would get its name.
    pub fn place(&self) -> PathBuf {
        self.gate.target.clone()
    }

    /// Closes a file that will not get a name and goes away with what is returned.
    ///
    /// # Errors
    /// [`StoreError::Write`] when anything could not be written.
    pub fn into_scratch(mut self) -> Result<Scratch, StoreError> {
        self.close()?;
        match self.temporary.take() {
            Some(file) => Ok(Scratch(file)),
            None => Err(fault(&self.gate.target, "it was closed already")),
        }
    }

    /// Flushes, closes, syncs, and gives the file its name.
    ///
    /// # Errors
    /// [`StoreError::Write`] when anything could not be written, at any time, down to the last byte.
    pub fn finish(mut self) -> Result<(), StoreError> {
        self.settle_defaults()?;
        self.close()?;
        let target = &self.gate.target;
        match self.temporary.take() {
            Some(temporary) if self.overwrite => publish(temporary, target),
            Some(temporary) => publish_new(temporary, target),
            None => Ok(()),
        }
    }

    /// Says what viewers show where there is nothing better than samples; after the last output.
    ///
    /// # Errors
    /// [`StoreError::Write`].
    pub fn settle_defaults(&self) -> Result<(), StoreError> {
        self.attempt(|file| {
            self.samples
                .iter()
                .try_for_each(|(entry, name)| set_default(&file.group(entry)?, name))
        })
    }

    fn close(&mut self) -> Result<(), StoreError> {
        let Some(file) = self.file.take() else {
            return Ok(());
        };
        // Flushed before it is closed: only flushing reports every error.
        if let Err(error) = self.gate.pass(|| file.flush()) {
            std::mem::forget(file);
            return Err(error);
        }
        self.gate.pass(|| file.close())?;
        // Sinks may outlive the file.
        self.gate
            .pass(|| Err::<(), _>("the file is closed already".into()))
            .or(Ok(()))
    }

    /// Makes a group for the results of one recording.
    ///
    /// # Errors
    /// [`StoreError::Write`].
    pub fn entry(&mut self, name: &str, title: &str) -> Result<(), StoreError> {
        self.attempt(|file| {
            let group = class(file, name, "NXentry")?;
            set_default(file, name)?;
            text(&group, "title", title)
        })
    }

    /// Writes a text of any length at a path; groups on the way are made.
    ///
    /// # Errors
    /// [`StoreError::Write`].
    pub fn text(&mut self, path: &str, contents: &str) -> Result<(), StoreError> {
        self.attempt(|file| text(file, Self::way(file, path)?, contents))
    }

    /// Writes a list of texts at a path; groups on the way are made.
    ///
    /// # Errors
    /// [`StoreError::Write`].
    pub fn texts(&mut self, path: &str, contents: &[String]) -> Result<(), StoreError> {
        self.attempt(|file| {
            let texts: hdf5::Result<Vec<VarLenUnicode>> =
                contents.iter().map(|t| unicode(t)).collect();
            array(file, Self::way(file, path)?, &[contents.len()], &texts?).map(drop)
        })
    }

    /// Makes the groups on the way to a path; the path from the root.
    pub(super) fn way<'p>(file: &File, path: &'p str) -> hdf5::Result<&'p str> {
        let path = path.trim_start_matches('/');
        for (end, _) in path.match_indices('/') {
            if !file.link_exists(&path[..end]) {
                class(file, &path[..end], "NXcollection")?;
            }
        }
        Ok(path)
    }

    /// A new NXdata group in an entry; the first one of an entry is what viewers show.
    pub(super) fn data(&mut self, entry: &str, name: &str) -> Result<Noted<Group>, StoreError> {
        self.attempt(|file| set_default(&file.group(entry)?, name))?;
        self.noted_data(entry, name)
    }

    fn noted_data(&mut self, entry: &str, name: &str) -> Result<Noted<Group>, StoreError> {
        let (notes, room) = (Notes::default(), self.room.clone());
        self.notes
            .insert((entry.into(), name.into()), notes.clone());
        self.attempt(|file| Noted::data(&file.group(entry)?, name, notes, room))
    }

    /// The group of an output that was made before, to which more is added.
    pub(super) fn more_data(&self, entry: &str, name: &str) -> Result<Noted<Group>, StoreError> {
        let (notes, room) = (self.notes_of(entry, name), self.room.clone());
        self.attempt(|file| {
            let group = file.group(entry)?.group(name)?;
            Ok(Noted::again(group, notes.unwrap_or_default(), room))
        })
    }

    /// What was written of an output, where it was written as one.
    pub(super) fn notes_of(&self, entry: &str, name: &str) -> Option<Notes> {
        self.notes.get(&(entry.into(), name.into())).cloned()
    }

    /// Leaves this many bytes for what is noted; the rest is read back.
    #[cfg(test)]
    pub(super) fn note_at_most(&mut self, bytes: usize) {
        self.room = Room::of(bytes);
    }

    /// As `data`; viewers show it only where there is nothing else.
    pub(super) fn sample_data(
        &mut self,
        entry: &str,
        name: &str,
    ) -> Result<Noted<Group>, StoreError> {
        self.samples.push((entry.into(), name.into()));
        self.noted_data(entry, name)
    }

    pub(super) fn attempt<T>(
        &self,
        work: impl FnOnce(&File) -> hdf5::Result<T>,
    ) -> Result<T, StoreError> {
        self.gate
            .pass(|| work(self.file.as_ref().ok_or("the file is closed already")?))
    }

    pub(super) fn gate(&self) -> Arc<Gate> {
        self.gate.clone()
    }
}

/// A complete result file without a name; it goes away when this is dropped.
pub struct Scratch(NamedTempFile);

impl Scratch {
    /// Where it is for the time being.
    pub fn path(&self) -> &Path {
        self.0.path()
    }
}

impl Drop for ResultWriter {
    fn drop(&mut self) {
        // What could not be written does not matter any more, and frees its room on the disk.
        let _ = self.close();
        let _ = self.temporary.as_ref().map(|t| t.as_file().set_len(0));
    }
}

/// Bytes of values up to which they stand in the header of their dataset.
const COMPACT: usize = 1 << 10;

/// A dataset that is written.
#[derive(Clone)]
pub(super) enum Held {
    /// Not closed by itself: closing would say nothing of what cannot be written then. It is flushed and closed with
    /// its file.
    Open(Arc<ManuallyDrop<Dataset>>),
    /// Of values that stand in its header, so that closing it writes nothing.
    Compact(Dataset),
}

impl Held {
    pub fn new(dataset: Dataset) -> Self {
        Held::Open(Arc::new(ManuallyDrop::new(dataset)))
    }
}

impl Deref for Held {
    type Target = Dataset;
    fn deref(&self) -> &Dataset {
        match self {
            Held::Open(dataset) => dataset,
            Held::Compact(dataset) => dataset,
        }
    }
}

/// Makes a group of a NeXus class.
pub(super) fn class(parent: &Group, name: &str, class: &str) -> hdf5::Result<Group> {
    fresh(parent, name)?;
    let group = parent.create_group(name)?;
    set_text(&group, "NX_class", class)?;
    Ok(group)
}

/// The library loses its own message when something of this name is there already.
fn fresh(parent: &Group, name: &str) -> hdf5::Result<()> {
    match parent.link_exists(name) {
        true => Err(format!("expected a new name, found `{name}`, which is there already").into()),
        false => Ok(()),
    }
}

fn set_default(group: &Group, name: &str) -> hdf5::Result<()> {
    if group.attr_names()?.iter().any(|n| n == "default") {
        Ok(())
    } else {
        set_text(group, "default", name)
    }
}

pub(super) fn unicode(text: &str) -> hdf5::Result<VarLenUnicode> {
    text.parse()
        .map_err(|_| hdf5::Error::from("a text holds a zero character; take it out"))
}

fn text(parent: &Group, path: &str, contents: &str) -> hdf5::Result<()> {
    fresh(parent, path)?;
    let contents = unicode(contents)?;
    let compact = parent.new_dataset_builder().layout(Layout::Compact);
    let dataset = compact.empty::<VarLenUnicode>().create(path)?;
    Held::Compact(dataset).write_scalar(&contents)
}

/// Sets a text attribute.
pub(super) fn set_text(object: &Location, name: &str, value: &str) -> hdf5::Result<()> {
    object
        .new_attr::<VarLenUnicode>()
        .create(name)?
        .write_scalar(&unicode(value)?)
}

/// Sets an attribute that is a list of texts.
pub(super) fn set_texts(object: &Location, name: &str, values: &[&str]) -> hdf5::Result<()> {
    let values = values
        .iter()
        .map(|v| unicode(v))
        .collect::<hdf5::Result<Vec<_>>>()?;
    object
        .new_attr_builder()
        .with_data(&values)
        .create(name)
        .map(drop)
}

/// Writes values of a shape.
pub(super) fn array<T: H5Type>(
    parent: &Group,
    name: &str,
    shape: &[usize],
    values: &[T],
) -> hdf5::Result<Held> {
    let builder = parent.new_dataset::<T>().shape(shape);
    let dataset = match size_of_val(values) {
        1..=COMPACT => Held::Compact(builder.layout(Layout::Compact).create(name)?),
        _ => Held::new(builder.create(name)?),
    };
    dataset.write_raw(values)?;
    Ok(dataset)
}

/// Writes the axis along points, by number where there is no other; its name.
pub(super) fn points_axis(
    group: &Noted<Group>,
    axis: &SeriesAxis,
    points: usize,
    taken: &[&str],
) -> hdf5::Result<String> {
    let name = match axis.name.as_str() {
        name if axis.values.len() == points && !name.is_empty() && !name.contains('/') => name,
        _ => {
            let numbers: Vec<u64> = (0..points as u64).collect();
            group.array("point", &[points], &numbers)?;
            return Ok("point".into());
        }
    };
    let name = if taken.contains(&name) {
        format!("{name}_axis")
    } else {
        name.to_owned()
    };
    let dataset = group.array(&name, &[points], &axis.values)?;
    if !axis.unit.is_empty() {
        dataset.set_text("units", &axis.unit)?;
    }
    Ok(name)
}
