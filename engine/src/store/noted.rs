//! Outputs while they are written: what is written is noted in the form in which it is hashed, so that
//! thousands of small datasets need not be read back.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicUsize, Ordering::Relaxed};
use std::sync::{Arc, Mutex, PoisonError};

use hdf5::types::VarLenUnicode;
use hdf5::{Group, H5Type, Location};

use super::digest::{canonical, feed};
use super::object::trimmed;
use super::write::{Held, array, class, set_text, set_texts, unicode};

/// Bytes of values that are noted at most; what goes beyond is read back from the file.
const MOST: usize = 64 << 20;

/// Room that is left for noted values.
#[derive(Clone, Debug)]
pub(super) struct Room(Arc<AtomicUsize>);

impl Default for Room {
    fn default() -> Self {
        Self::of(MOST)
    }
}

impl Room {
    pub fn of(bytes: usize) -> Self {
        Room(Arc::new(AtomicUsize::new(bytes)))
    }

    fn take(&self, bytes: usize) -> bool {
        let less = |left: usize| left.checked_sub(bytes);
        self.0.fetch_update(Relaxed, Relaxed, less).is_ok()
    }
}

/// What was written of an object.
#[derive(Clone, Debug, Default)]
pub(super) struct Note {
    /// The shape of a dataset; `None` for a group.
    pub shape: Option<Vec<usize>>,
    /// Attributes by name, as they are hashed.
    pub attributes: BTreeMap<String, Vec<u8>>,
    /// All values of a dataset, as they are hashed; `None` where they are in the file alone.
    pub values: Option<Vec<u8>>,
}

/// The objects of an output by the names on the way from its group, which itself has the empty way. The order is
/// that in which a group and what is below it are read.
pub(super) type Notes = Arc<Mutex<BTreeMap<Vec<String>, Note>>>;

/// An object of an output with its notes.
pub(super) struct Noted<T> {
    object: T,
    way: Vec<String>,
    notes: Notes,
    room: Room,
}

/// Numbers that outputs hold.
pub(super) trait Number: H5Type + Copy {
    /// As a value of a dataset is hashed.
    fn stored(self) -> [u8; 8];
    /// As a reader of an attribute gets it.
    fn read(self) -> f64;
}

impl Number for f64 {
    fn stored(self) -> [u8; 8] {
        canonical(self).to_le_bytes()
    }
    fn read(self) -> f64 {
        self
    }
}

impl Number for u64 {
    fn stored(self) -> [u8; 8] {
        self.to_le_bytes()
    }
    fn read(self) -> f64 {
        self as f64
    }
}

/// What has attributes.
pub(super) trait Place {
    fn location(&self) -> &Location;
}

impl Place for Group {
    fn location(&self) -> &Location {
        self
    }
}

impl Place for Held {
    fn location(&self) -> &Location {
        self
    }
}

fn told<'t>(texts: impl IntoIterator<Item = &'t str>) -> Vec<u8> {
    let mut bytes = Vec::new();
    for text in texts {
        feed(&mut bytes, trimmed(text));
    }
    bytes
}

impl<T: Place> Noted<T> {
    fn note(&self, name: &str, attribute: Vec<u8>) {
        let mut notes = self.notes.lock().unwrap_or_else(PoisonError::into_inner);
        let own = notes.entry(self.way.clone()).or_default();
        own.attributes.insert(name.to_owned(), attribute);
    }

    /// Sets a text attribute.
    pub fn set_text(&self, name: &str, value: &str) -> hdf5::Result<()> {
        set_text(self.object.location(), name, value)?;
        self.note(name, told([value]));
        Ok(())
    }

    /// Sets an attribute that is a list of texts.
    pub fn set_texts(&self, name: &str, values: &[&str]) -> hdf5::Result<()> {
        set_texts(self.object.location(), name, values)?;
        self.note(name, told(values.iter().copied()));
        Ok(())
    }

    /// Sets an attribute that is a number.
    pub fn set_number<N: Number>(&self, name: &str, value: N) -> hdf5::Result<()> {
        let attribute = self.object.location().new_attr::<N>().create(name)?;
        attribute.write_scalar(&value)?;
        self.note(name, value.read().stored().to_vec());
        Ok(())
    }
}

impl Noted<Group> {
    /// The group of an output, made with its class.
    pub fn data(parent: &Group, name: &str, notes: Notes, room: Room) -> hdf5::Result<Self> {
        Self::made(parent, name, "NXdata", Vec::new(), notes, room)
    }

    fn made(
        parent: &Group,
        name: &str,
        kind: &str,
        way: Vec<String>,
        notes: Notes,
        room: Room,
    ) -> hdf5::Result<Self> {
        let made = Noted {
            object: class(parent, name, kind)?,
            way,
            notes,
            room,
        };
        made.note("NX_class", told([kind]));
        Ok(made)
    }

    /// The group of an output that was made before.
    pub fn again(object: Group, notes: Notes, room: Room) -> Self {
        Noted {
            object,
            way: Vec::new(),
            notes,
            room,
        }
    }

    fn way_to(&self, name: &str) -> Vec<String> {
        [&self.way[..], &[name.to_owned()]].concat()
    }

    /// Makes a group in it.
    pub fn collection(&self, name: &str) -> hdf5::Result<Self> {
        let (notes, room) = (self.notes.clone(), self.room.clone());
        let way = self.way_to(name);
        Self::made(&self.object, name, "NXcollection", way, notes, room)
    }

    /// Takes note of a dataset with its values, where they are known.
    fn dataset<'v, V: AsRef<[u8]>>(
        &self,
        object: Held,
        name: &str,
        shape: &[usize],
        values: Option<impl Iterator<Item = V> + 'v>,
    ) -> Noted<Held> {
        let way = self.way_to(name);
        let fits = |bytes: usize| self.room.take(bytes);
        let bytes = 8 * shape.iter().product::<usize>();
        let values = values.filter(|_| fits(bytes)).map(|values| {
            let mut all = Vec::with_capacity(bytes);
            values.for_each(|v| all.extend_from_slice(v.as_ref()));
            all
        });
        let note = Note {
            shape: Some(shape.to_vec()),
            values,
            ..Note::default()
        };
        let mut notes = self.notes.lock().unwrap_or_else(PoisonError::into_inner);
        notes.insert(way.clone(), note);
        Noted {
            object,
            way,
            notes: self.notes.clone(),
            room: self.room.clone(),
        }
    }

    /// Writes values of a shape.
    pub fn array<N: Number>(
        &self,
        name: &str,
        shape: &[usize],
        values: &[N],
    ) -> hdf5::Result<Noted<Held>> {
        let made = array(&self.object, name, shape, values)?;
        let stored = values.iter().map(|v| v.stored());
        Ok(self.dataset(made, name, shape, Some(stored)))
    }

    /// Writes numbers of a shape, and their unit.
    pub fn numbers(
        &self,
        name: &str,
        shape: &[usize],
        values: &[f64],
        unit: &str,
    ) -> hdf5::Result<Noted<Held>> {
        let dataset = self.array(name, shape, values)?;
        dataset.set_text("units", unit)?;
        Ok(dataset)
    }

    /// Writes a list of texts.
    pub fn texts(&self, name: &str, values: &[String]) -> hdf5::Result<()> {
        let stored: hdf5::Result<Vec<VarLenUnicode>> = values.iter().map(|v| unicode(v)).collect();
        let shape = [values.len()];
        let made = array(&self.object, name, &shape, &stored?)?;
        let texts = values.iter().map(|text| told([text.as_str()]));
        self.dataset(made, name, &shape, Some(texts));
        Ok(())
    }

    /// A dataset that `make` makes and that is filled later.
    pub fn filled_later(
        &self,
        name: &str,
        shape: &[usize],
        make: impl FnOnce(&Group) -> hdf5::Result<Held>,
    ) -> hdf5::Result<Noted<Held>> {
        let made = make(&self.object)?;
        Ok(self.dataset(made, name, shape, None::<std::iter::Empty<[u8; 8]>>))
    }
}

impl Noted<Held> {
    /// The dataset.
    pub fn held(&self) -> &Held {
        &self.object
    }
}
