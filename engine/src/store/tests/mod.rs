//! Tests of the store, on files made here or by another writer of HDF5.

mod chunks;
mod compare;
mod files;
mod foreign;
mod headers;
mod noted;
mod results;
mod samples;

use std::path::{Path, PathBuf};

use super::{ChannelHeader, Counters, RecordingFile};
use crate::recipe::Channel;

/// Makes an HDF5 file in a folder.
fn file(folder: &Path, name: &str, fill: impl FnOnce(&hdf5::File)) -> PathBuf {
    let path = folder.join(name);
    // A lock would be inherited by programs that other tests start meanwhile.
    let mut options = hdf5::FileBuilder::new();
    options.fapl().file_locking(false);
    let file = options.create(&path).unwrap();
    fill(&file);
    file.close().unwrap();
    path
}

/// Writes a dataset of a shape.
fn array<T: hdf5::H5Type>(
    group: &hdf5::Group,
    name: &str,
    shape: &[usize],
    values: &[T],
) -> hdf5::Dataset {
    let dataset = group.new_dataset::<T>().shape(shape).create(name).unwrap();
    dataset.write_raw(values).unwrap();
    dataset
}

/// Sets a numeric attribute.
fn number<T: hdf5::H5Type>(object: &hdf5::Location, name: &str, value: T) {
    object
        .new_attr::<T>()
        .create(name)
        .unwrap()
        .write_scalar(&value)
        .unwrap();
}

/// Sets a text attribute.
fn text(object: &hdf5::Location, name: &str, value: &str) {
    super::write::set_text(object, name, value).unwrap();
}

fn header(path: &Path, role: &str) -> ChannelHeader {
    RecordingFile::open(path)
        .unwrap()
        .channel(role, &Channel::default(), None)
        .unwrap()
}

/// What reading all samples of a point gives.
#[derive(Clone, Debug, PartialEq)]
struct Seen {
    /// Bits, so that NaN equals NaN.
    bits: Vec<u64>,
    hash: blake3::Hash,
    counters: Counters,
}

impl Seen {
    fn values(&self) -> Vec<f64> {
        self.bits.iter().map(|&b| f64::from_bits(b)).collect()
    }
}

/// Reads all samples of a point in slices of this length.
fn read(path: &Path, header: &ChannelHeader, point: u64, slice: usize) -> Seen {
    let reader = RecordingFile::open(path).unwrap().reader(header).unwrap();
    let mut values = vec![0.0; header.samples as usize];
    let mut hasher = blake3::Hasher::new();
    let mut counters = Counters::default();
    let mut start = 0;
    for out in values.chunks_mut(slice) {
        let mut hash = |bytes: &[u8]| {
            hasher.update(bytes);
        };
        reader
            .read(point, start, out, &mut counters, Some(&mut hash))
            .unwrap();
        start += out.len() as u64;
    }
    Seen {
        bits: values.iter().map(|v| v.to_bits()).collect(),
        hash: hasher.finalize(),
        counters,
    }
}
