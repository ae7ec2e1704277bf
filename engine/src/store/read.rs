//! Recordings: opening them, and what their headers say of channels.

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError, Weak};
use std::time::SystemTime;

use hdf5::plist::dataset_create::Layout;
use hdf5::types::TypeDescriptor;
use hdf5::{Dataset, File, LocationType, MinorErrorCode};

use super::attributes::Attributes;
use super::chunks::Form;
use super::object::{filter_missing, layout, reason, type_name};
use super::rows::Rows;
use super::samples::ChannelReader;
use super::{ChannelHeader, Cutting, StoreError, contents};
use crate::diagnostic::{Code, listed, nearest};
use crate::recipe::{Channel, Origin};
use crate::units::Unit;

/// Bytes of chunks that are kept in memory for each dataset.
const CHUNK_CACHE: usize = 32 << 20;
/// Largest chunk that is read, in bytes.
const LARGEST_CHUNK: usize = 256 << 20;
/// Datasets listed in a message.
const MOST_LISTED: usize = 12;

/// A recording. The file is open only while a reader of it lives, so that a sweep of any number of
/// files fits into the system's limit on open ones.
#[derive(Debug)]
pub struct RecordingFile {
    path: PathBuf,
    length: u64,
    modified: Option<SystemTime>,
    /// Open while headers are read.
    open: Mutex<Option<File>>,
    kept: Mutex<Vec<Kept>>,
}

/// What is kept of a dataset from one reader to the next.
struct Kept {
    path: String,
    /// Open as long as a reader lives, whose chunks others share.
    live: Weak<Rows>,
    /// Where its chunks are.
    form: Arc<Form>,
    /// Chunks that span points are kept for the next point.
    held: Option<Arc<Rows>>,
    /// Points for which no reader was made yet; after the last one nothing is kept.
    points: u64,
}

impl std::fmt::Debug for Kept {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_tuple("Kept").field(&self.path).finish()
    }
}

impl RecordingFile {
    /// Opens a file for reading, without locking it.
    ///
    /// # Errors
    /// [`StoreError::Open`] when it is missing, may not be read, or is no whole HDF5 file.
    pub fn open(path: &Path) -> Result<Self, StoreError> {
        Self::open_and(path, |_| Ok(())).map(|(opened, ())| opened)
    }

    /// Opens a file for reading, and reads headers while it is open.
    ///
    /// # Errors
    /// As [`RecordingFile::open`], and what `headers` gives.
    pub fn open_and<T>(
        path: &Path,
        headers: impl FnOnce(&Self) -> Result<T, StoreError>,
    ) -> Result<(Self, T), StoreError> {
        let fault = |found: &str, remedy: &str| StoreError::Open {
            file: path.into(),
            found: found.into(),
            remedy: remedy.into(),
        };
        let readable = std::fs::File::open(path).and_then(|f| f.metadata());
        let data = readable.map_err(|e| match e.kind() {
            std::io::ErrorKind::NotFound => fault("no such file", "check the path"),
            std::io::ErrorKind::PermissionDenied => {
                fault("no permission to read it", "ask its owner, or copy it")
            }
            _ => fault(&e.to_string().to_lowercase(), "check the disk and the path"),
        })?;
        if data.is_dir() {
            return Err(fault(
                "a folder",
                "name the files in it, as in `FOLDER/*.h5`",
            ));
        }
        if data.len() == 0 {
            return Err(fault("an empty file", "record or copy it again"));
        }
        if path.to_str().is_none() {
            return Err(fault("a path that is not UTF-8", "rename it"));
        }
        let opened = RecordingFile {
            path: path.into(),
            length: data.len(),
            modified: data.modified().ok(),
            open: Mutex::default(),
            kept: Mutex::default(),
        };
        let handle = opened.handle()?;
        *opened.slot() = Some(handle);
        let told = headers(&opened);
        opened.slot().take();
        Ok((opened, told?))
    }

    fn slot(&self) -> MutexGuard<'_, Option<File>> {
        self.open.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The file's path.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Its size in bytes.
    pub fn bytes(&self) -> u64 {
        self.length
    }

    /// The file must be as it was at first.
    fn unchanged(&self) -> Result<(), StoreError> {
        let now = std::fs::metadata(&self.path);
        match now.is_ok_and(|m| m.len() == self.length && m.modified().ok() == self.modified) {
            true => Ok(()),
            false => Err(StoreError::Open {
                file: self.path.clone(),
                found: "that it changed since it was first looked at".into(),
                remedy: "wait until the recording is complete, and run again".into(),
            }),
        }
    }

    /// An open handle; the file must be as it was at first.
    pub(super) fn handle(&self) -> Result<File, StoreError> {
        if let Some(file) = &*self.slot() {
            return Ok(file.clone());
        }
        self.unchanged()?;
        let fault = |found: String, remedy: &str| StoreError::Open {
            file: self.path.clone(),
            found,
            remedy: remedy.into(),
        };
        // The number of slots is a prime of about a hundred per chunk that fits, as the library advises.
        let mut builder = File::with_options();
        builder
            .fapl()
            .file_locking(false)
            .chunk_cache(12_421, CHUNK_CACHE, 0.75);
        builder.open(&self.path).map_err(|e| {
            let why = reason(&e);
            if let Some((found, expected)) = truncation(&why) {
                let found = format!("{found} of {expected} bytes: the end is missing");
                return fault(
                    found,
                    "copy it again, or recover what its recorder can still give",
                );
            }
            if e.contains_minor(MinorErrorCode::NotHdf5) || why.contains("signature") {
                return fault(
                    "another format".into(),
                    "convert it to HDF5, or name another file",
                );
            }
            if why.contains("already open") {
                let remedy =
                    "close it in the program that records, or clear the mark with `h5clear -s`";
                return fault("a file marked as being written".into(), remedy);
            }
            fault(format!("a damaged one ({why})"), "copy or record it again")
        })
    }

    pub(super) fn unfit(
        &self,
        name: &str,
        expected: impl Into<String>,
        found: impl Into<String>,
    ) -> StoreError {
        StoreError::unfit(&self.path, name, expected, found)
    }

    pub(super) fn broken(&self, name: &str, error: &hdf5::Error) -> StoreError {
        self.unfit(name, "something that can be read", reason(error))
    }

    /// The dataset at `path`; a missing one is reported with the nearest that there is.
    pub(super) fn dataset(
        &self,
        file: &File,
        path: &str,
        place: &str,
    ) -> Result<Dataset, StoreError> {
        let expected = "a dataset";
        match file.loc_type_by_name(path) {
            Ok(LocationType::Dataset) => file.dataset(path).map_err(|e| self.broken(path, &e)),
            Ok(LocationType::Group) => {
                let inside = format!("{}/", path.trim_end_matches('/'));
                let (all, _) = contents::datasets(file);
                let within: Vec<&str> = all
                    .iter()
                    .map(String::as_str)
                    .filter(|p| p.starts_with(&inside))
                    .collect();
                Err(self.unfit(
                    path,
                    expected,
                    format!("a group; {}", choice(&within, place)),
                ))
            }
            Ok(_) => Err(self.unfit(path, expected, "a type definition")),
            Err(_) => {
                let (all, _) = contents::datasets(file);
                let all: Vec<&str> = all.iter().map(String::as_str).collect();
                let last = |p: &str| p.rsplit('/').next().unwrap_or(p).to_lowercase();
                let like = nearest(path, all.iter().copied())
                    .or_else(|| all.iter().copied().find(|p| last(p) == last(path)));
                let remedy = like.map_or_else(
                    || choice(&all, place),
                    |p| format!("did you mean `{p}`? {place}"),
                );
                Err(self.unfit(path, expected, format!("none of this name; {remedy}")))
            }
        }
    }

    /// Reads what the headers say of one channel; no samples, except that sample times are read through.
    ///
    /// What the wiring leaves out is looked for in the attributes of the dataset and then of the root
    /// group. `expected` is the unit that the recipe expects.
    ///
    /// # Errors
    /// [`StoreError::Unfit`] when something is missing, of the wrong kind or out of range.
    pub fn channel(
        &self,
        role: &str,
        channel: &Channel,
        expected: Option<&Unit>,
    ) -> Result<ChannelHeader, StoreError> {
        let file = self.handle()?;
        let path = absolute(channel.dataset.as_deref().unwrap_or(role));
        let place = format!("name it with `dataset` in the wiring of `{role}`");
        let dataset = self
            .dataset(&file, &path, &place)
            .map_err(|e| e.of_kind(Code::UnknownName))?;
        let (stored, layout) = self.form(&path, &dataset)?;
        let (two_dimensional, points, length) = self.shape(&path, &dataset)?;
        let attributes = Attributes {
            recording: self,
            path: &path,
            dataset: &dataset,
            file: &file,
        };
        let unit = self
            .unit(&attributes, channel)
            .and_then(|unit| self.fitting(&path, unit, expected))
            .map_err(|e| e.of_kind(Code::Unit))?;
        let unit_is_stated = unit.is_some();
        let unit = unit.or(expected.cloned()).unwrap_or_else(Unit::one);
        let value = |origin: &Option<Origin>, name: &str| match origin {
            // A step of the converter is a difference, also where temperatures are in °C.
            Some(Origin::Stated(stated)) if stated.unit.same_dimension(&unit) => {
                let value = match name {
                    "scale" => stated.difference(),
                    _ => stated.value,
                };
                Ok(Some(value / unit.si_factor()))
            }
            Some(Origin::Stated(stated)) if stated.unit.is_dimensionless() => {
                Ok(Some(stated.value))
            }
            Some(Origin::Stated(stated)) => {
                let found = format!("`{}`; correct the wiring", stated.text);
                let fault = self.unfit(&path, format!("a `{name}` in {unit}"), found);
                Err(fault.of_kind(Code::Unit))
            }
            Some(Origin::Attribute(name)) => attributes.required(name, &unit).map(Some),
            None => attributes.number(name, &unit),
        };
        let scale = value(&channel.scale, "scale")?.unwrap_or(1.0);
        let offset = value(&channel.offset, "offset")?.unwrap_or(0.0);
        let full_scale = value(&channel.full_scale, "full_scale")?;
        if !(scale.is_finite() && scale != 0.0) {
            return Err(self
                .unfit(
                    &path,
                    "a scale that is finite and not 0",
                    format!("{scale}; correct `scale`"),
                )
                .of_kind(Code::OutOfRange));
        }
        if !offset.is_finite() {
            return Err(self
                .unfit(
                    &path,
                    "a finite offset",
                    format!("{offset}; correct `offset`"),
                )
                .of_kind(Code::OutOfRange));
        }
        if let Some(bad) = full_scale.filter(|f| f.is_nan() || *f <= 0.0) {
            return Err(self
                .unfit(
                    &path,
                    "a full scale above 0",
                    format!("{bad}; correct `full_scale`"),
                )
                .of_kind(Code::OutOfRange));
        }
        let grid = self
            .grid(&attributes, channel, role, length)
            .map_err(|e| e.of_kind(Code::Rate))?;
        let header = ChannelHeader {
            role: role.into(),
            file: self.path.clone(),
            two_dimensional,
            row: length,
            points,
            samples: grid.samples,
            rate: grid.rate,
            unit,
            unit_is_stated,
            scale,
            offset,
            full_scale,
            missing: channel.missing,
            stored,
            layout,
            start_time: attributes.find("start_time")?.map(|found| found.words()),
            first_time: grid.first,
            begins: 0,
            stretches: grid.stretches,
            cuts: [].into(),
            has_axis: false,
            dataset: path,
        };
        // Where samples lie in one piece is soon told, and then they are read without the library.
        if dataset.chunk().is_none() {
            let form = Arc::new(Form::of(&dataset, &header)?);
            keep(&header, form, &mut self.all_kept());
        }
        Ok(header)
    }

    /// Makes points of the channels of a record, at the same times.
    ///
    /// # Errors
    /// [`StoreError::Unfit`] when the samples of a channel do not go with what says where points are, or none of the
    /// points is in it.
    pub(crate) fn cut(
        &self,
        headers: &mut [Option<ChannelHeader>],
        cutting: &Cutting,
    ) -> Result<(), StoreError> {
        super::cut(headers, cutting)?;
        for kept in self.all_kept().iter_mut() {
            let mut own = headers.iter().flatten().filter(|h| h.dataset == kept.path);
            kept.points = own.next().map_or(kept.points, |h| h.points);
        }
        Ok(())
    }

    fn all_kept(&self) -> MutexGuard<'_, Vec<Kept>> {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Type and layout in words, once it is clear that samples of this form can be read.
    pub(super) fn form(
        &self,
        path: &str,
        dataset: &Dataset,
    ) -> Result<(String, String), StoreError> {
        let broken = |e: hdf5::Error| self.broken(path, &e);
        let dtype = dataset.dtype().map_err(broken)?;
        let stored = type_name(&dtype);
        if !is_number(&dtype.to_descriptor()) {
            let expected = "integers of 8 to 64 bits, float32 or float64";
            return Err(self.unfit(path, expected, format!("{stored}; convert the dataset")));
        }
        if let Some(filter) = filter_missing(dataset).map_err(broken)? {
            let remedy = "rewrite the file, as with `h5repack -f SHUF -f GZIP=4 IN OUT`";
            let expected = "compression by deflate, shuffle, lzf, fletcher32, nbit or scaleoffset";
            return Err(self.unfit(
                path,
                expected,
                format!("{filter}, which cannot be undone here; {remedy}"),
            ));
        }
        if let Some(source) = self.absent_source(dataset).map_err(broken)? {
            let found = format!("a virtual dataset without its source `{source}`; put it beside");
            return Err(self.unfit(path, "samples that are there", found));
        }
        let chunk = dataset.chunk().map_or(0, |c| {
            c.iter().product::<usize>().saturating_mul(dtype.size())
        });
        if chunk > LARGEST_CHUNK {
            let expected = format!("chunks of at most {} MiB (limit)", LARGEST_CHUNK >> 20);
            let found = format!(
                "{} MiB; rewrite the file, as with `h5repack -l CHUNK=1x262144 IN OUT`",
                chunk >> 20
            );
            return Err(self.unfit(path, expected, found));
        }
        Ok((stored, layout(dataset).map_err(broken)?))
    }

    /// A file that a virtual dataset draws on and that is not there: the library would silently give
    /// fill values in its place.
    fn absent_source(&self, dataset: &Dataset) -> hdf5::Result<Option<String>> {
        let plist = dataset.dcpl()?;
        if plist.get_layout()? != Layout::Virtual {
            return Ok(None);
        }
        let folder = self.path.parent().unwrap_or(Path::new("."));
        // A map too intricate for the list is taken on trust.
        let sources = plist
            .get_virtual_map()
            .unwrap_or_default()
            .into_iter()
            .map(|m| m.src_filename);
        let absent = |source: &String| {
            let path = Path::new(source);
            source != "." && !folder.join(path).is_file() && !path.is_file()
        };
        Ok(sources.filter(|s| !s.contains('%')).find(absent))
    }

    /// Whether the dataset has a dimension for points, its points, and the samples of each.
    fn shape(&self, path: &str, dataset: &Dataset) -> Result<(bool, u64, u64), StoreError> {
        let shape = dataset.space().map_err(|e| self.broken(path, &e))?.shape();
        let (two_dimensional, points, length) = match shape.as_slice() {
            [samples] => (false, 1, *samples as u64),
            [points, samples] => (true, *points as u64, *samples as u64),
            other => {
                let found = format!(
                    "{} dimensions {other:?}; split it into one dataset per channel",
                    other.len()
                );
                return Err(self.unfit(path, "the shape [sample] or [point, sample]", found));
            }
        };
        if points == 0 || length == 0 {
            let found = format!("the shape {shape:?}; record it again, or leave it out");
            return Err(self.unfit(path, "at least one point and one sample", found));
        }
        Ok((two_dimensional, points, length))
    }

    /// The unit that the wiring or the recording states.
    fn unit(
        &self,
        attributes: &Attributes<'_>,
        channel: &Channel,
    ) -> Result<Option<Unit>, StoreError> {
        match (&channel.unit, attributes.text("units")?) {
            (Some(unit), _) => Ok(Some(unit.clone())),
            (None, Some(text)) if !text.is_empty() => {
                let unit = Unit::parse(&text).map_err(|e| {
                    let remedy = match ["°C", "degC", "℃"].contains(&text.as_str()) {
                        true => r#"state `unit: "K", offset: Stated("0 °C")` in the wiring"#,
                        false => "state `unit` in the wiring",
                    };
                    let found = format!("{}; {remedy}", e.found_in(&text));
                    self.unfit(&format!("{}@units", attributes.path), "a unit", found)
                })?;
                Ok(Some(unit))
            }
            _ => Ok(None),
        }
    }

    /// A unit that is of the kind that is expected.
    fn fitting(
        &self,
        path: &str,
        unit: Option<Unit>,
        expected: Option<&Unit>,
    ) -> Result<Option<Unit>, StoreError> {
        match (&unit, expected) {
            (Some(unit), Some(expected)) if !unit.same_dimension(expected) => {
                let remedy = "name another dataset, or state its unit and scale in the wiring";
                Err(self.unfit(
                    path,
                    format!("a unit such as {expected}"),
                    format!("{unit}; {remedy}"),
                ))
            }
            _ => Ok(unit),
        }
    }

    /// Opens a channel for reading; of one that is cut, a point ([`ChannelHeader::of_point`]).
    ///
    /// # Errors
    /// When the file changed since the header was read.
    pub fn reader(&self, header: &ChannelHeader) -> Result<ChannelReader, StoreError> {
        debug_assert!(!header.is_cut(), "a point has to be named");
        self.unchanged()?;
        let mut all = self.all_kept();
        let known = all
            .iter()
            .position(|k| k.path == header.dataset && k.form.fits(header));
        let open = || self.dataset(&self.handle()?, &header.dataset, "");
        let rows = match known.map(|i| &all[i]) {
            Some(kept) => match kept.live.upgrade() {
                Some(rows) => rows,
                None => Arc::new(Rows::open(kept.form.clone(), header, open)?),
            },
            None => {
                let dataset = open()?;
                let form = Arc::new(Form::of(&dataset, header)?);
                Arc::new(Rows::open(form, header, || Ok(dataset))?)
            }
        };
        let index = known.unwrap_or_else(|| keep(header, rows.form.clone(), &mut all));
        let kept = &mut all[index];
        kept.points = kept.points.saturating_sub(1);
        kept.live = Arc::downgrade(&rows);
        kept.held = (kept.points > 0 && rows.form.spans_points()).then(|| rows.clone());
        if kept.points == 0 {
            all.swap_remove(index);
        }
        Ok(ChannelReader::new(rows, header))
    }

    /// Whether all samples of a channel are in this file itself, so that its times tell whether they changed.
    pub fn holds(&self, header: &ChannelHeader) -> bool {
        let own = || {
            let file = self.handle().ok()?;
            let dataset = file.dataset(&header.dataset).ok()?;
            let plist = dataset.dcpl().ok()?;
            let inside = plist.get_layout().ok()? != Layout::Virtual
                && plist.get_external().ok()?.is_empty();
            Some(inside && dataset.filename() == file.filename())
        };
        own().unwrap_or(false)
    }
}

/// Keeps the form of a dataset for its readers; its place among those that are kept.
fn keep(header: &ChannelHeader, form: Arc<Form>, all: &mut Vec<Kept>) -> usize {
    all.push(Kept {
        path: header.dataset.clone(),
        live: Weak::new(),
        form,
        held: None,
        points: header.points,
    });
    all.len() - 1
}

fn is_number(descriptor: &hdf5::Result<TypeDescriptor>) -> bool {
    matches!(
        descriptor,
        Ok(TypeDescriptor::Integer(_) | TypeDescriptor::Unsigned(_) | TypeDescriptor::Float(_))
    )
}

pub(super) fn absolute(path: &str) -> String {
    format!("/{}", path.trim_start_matches('/'))
}

fn choice(paths: &[&str], place: &str) -> String {
    match paths {
        [] => "there are no datasets".into(),
        few if few.len() <= MOST_LISTED => {
            format!("there are {}; {place}", listed(few.iter().copied()))
        }
        many => format!(
            "there are {}, ... {} in all; {place}",
            listed(many[..MOST_LISTED].iter().copied()),
            many.len()
        ),
    }
}

/// Sizes found and expected, where the library's message tells of a file that ends too early.
fn truncation(why: &str) -> Option<(u64, u64)> {
    let number = |key: &str| {
        let digits = why.split(key).nth(1)?;
        digits
            .split(|c: char| !c.is_ascii_digit())
            .next()?
            .parse()
            .ok()
    };
    why.contains("truncated file")
        .then(|| Some((number("eof = ")?, number("stored_eof = ")?)))?
}
