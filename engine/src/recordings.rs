//! The recordings of a run: which files make up one set of points, and what their headers say.

pub(crate) mod paired;
pub(crate) mod short;
pub(crate) mod uneven;

use std::borrow::Cow;
use std::fmt;
use std::path::{Path, PathBuf};

use crate::diagnostic::{Code, Diagnostic, Diagnostics, Place, counted};
use crate::lineage::stated;
use crate::recipe::{Axis, Input, Points, Recipe, Wiring};
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
    /// Where its points are, if they are parts of one record.
    pub cut: Option<Points>,
    /// The one point that counts; all of them where it is `None`.
    only: Option<PointPlace>,
    /// Shorter points, in seconds, are left to fail: the recipe does not fit them.
    pub(crate) least: f64,
}

/// A file of a set.
pub struct SetFile {
    /// Its path as the user gave it.
    pub path: PathBuf,
    /// The open file and the headers of its channels by input; or why there are none.
    pub content: Result<FileContent, Unusable>,
}

/// Why a file cannot be used.
#[derive(Clone, Debug, PartialEq)]
pub enum Unusable {
    /// It cannot be opened.
    Closed(StoreError),
    /// All that its headers lack for the recipe, and what of the wiring or the recipe asks for it.
    Unfit(Vec<(StoreError, Option<Place>)>),
}

impl fmt::Display for Unusable {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Unusable::Closed(error) => error.fmt(f),
            Unusable::Unfit(faults) => {
                let all: Vec<String> = faults.iter().map(|(e, _)| e.to_string()).collect();
                f.write_str(&all.join("; "))
            }
        }
    }
}

impl Unusable {
    fn unfit(error: StoreError, place: Option<&Place>) -> Self {
        Unusable::Unfit(vec![(error, place.cloned())])
    }

    /// The faults of its headers, at their places.
    pub fn diagnostics(&self) -> Diagnostics {
        let mut all = Diagnostics::default();
        let Unusable::Unfit(faults) = self else {
            return all;
        };
        for (error, place) in faults {
            let StoreError::Unfit {
                file,
                name,
                expected,
                found,
                code,
            } = error
            else {
                let message = error.to_string();
                all.push(Diagnostic::error(Code::WrongType, place.clone(), message));
                continue;
            };
            let (found, cure) = found.split_once("; ").unwrap_or((found, ""));
            let message = format!("expected {expected}, found {found}");
            let fault = Diagnostic::error(*code, place.clone(), message);
            let fault = fault.note(format!("in `{name}` of {}", file.display()));
            all.push(match cure {
                "" => fault,
                cure => fault.help(cure),
            });
        }
        all
    }
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
    /// What is odd about where its points are, each with what to do.
    oddities: Vec<(String, &'static str)>,
}

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
        let is_cut = |file: &SetFile| {
            let headers = file.content.iter().flat_map(|c| &c.headers);
            headers.flatten().any(ChannelHeader::is_cut)
        };
        let points = wiring.points.as_ref().filter(|_| files.iter().any(is_cut));
        let cut = points.map(|(points, _)| points.clone());
        let axis = joint_axis(&files);
        RecordingSet {
            name: name.into(),
            files,
            axis,
            cut,
            only: None,
            least: 0.0,
        }
    }

    /// Leaves one point, counted from 0; a recording with a single point keeps it, whichever is asked for.
    pub fn keep(&mut self, point: usize) {
        let points = self.points();
        let point = if points.len() == 1 { 0 } else { point };
        self.only = points.get(point).copied();
        self.axis.values = self.axis.values.get(point).copied().into_iter().collect();
    }

    /// Leaves points to fail that are too short for a recipe, where it fits longer ones.
    pub fn fit(recipe: &Recipe, sets: &mut [Self]) {
        // Without such there is nothing to leave, and no need of a check.
        let is_uneven = |set: &Self| {
            let lengths: Vec<f64> = set.lengths().into_iter().flatten().collect();
            lengths.iter().any(|length| *length != lengths[0])
        };
        if sets.iter().any(is_uneven) {
            short::check(recipe, sets, &mut Diagnostics::default());
        }
    }

    /// All points that count, in order.
    pub fn points(&self) -> Vec<PointPlace> {
        match self.only {
            Some(only) => vec![only],
            None => self.recorded(),
        }
    }

    /// All points that were recorded, in order.
    fn recorded(&self) -> Vec<PointPlace> {
        let mut places = Vec::new();
        for (file, entry) in self.files.iter().enumerate() {
            let points = entry.content.as_ref().map_or(1, |c| c.points);
            places.extend((0..points).map(|within| PointPlace { file, within }));
        }
        places
    }

    /// What the usable files say together of one input: the first header, with the shortest length and
    /// the points of all files. Gaps in the sample times are those of a single file with points in rows only: otherwise
    /// each point has its own.
    pub fn header(&self, input: usize) -> Option<ChannelHeader> {
        let mut headers = self.contents().filter_map(|c| c.headers[input].as_ref());
        let first = headers.next()?.clone();
        let shortest = self
            .contents()
            .filter_map(|c| c.shortest(input, self.least));
        let samples = shortest.min().unwrap_or(first.samples);
        let points = self.points().len() as u64;
        let alone = self.files.len() == 1 && !first.is_cut();
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
            .map(ChannelHeader::longest)
            .max()
            .unwrap_or(0)
    }

    /// How long points are, in seconds; nothing for one that cannot be read.
    pub(crate) fn lengths(&self) -> Vec<Option<f64>> {
        let mut lengths = Vec::new();
        for file in &self.files {
            let Ok(content) = &file.content else {
                lengths.push(None);
                continue;
            };
            let header = content.headers.iter().flatten().next();
            let seconds = |point| Some(header?.length_of(point)? as f64 / header?.rate);
            lengths.extend((0..content.points).map(seconds));
        }
        lengths
    }

    /// The numbers of the points that have samples, and enough of them.
    pub(crate) fn fitting(&self) -> Vec<usize> {
        let lengths = self.lengths().into_iter().enumerate();
        let fits = |length: Option<f64>| length.is_some_and(|length| length >= self.least);
        lengths
            .filter(|(_, length)| fits(*length))
            .map(|(point, _)| point)
            .collect()
    }

    /// Why a point is left to fail, whose headers these are.
    pub(crate) fn too_short(&self, headers: &[Option<ChannelHeader>]) -> Option<String> {
        // One channel tells, since rounding may leave another with a sample less.
        let first = headers.iter().flatten().next();
        let header = first.filter(|h| h.samples < samples_in(self.least, h))?;
        Some(format!(
            "expected a point long enough for the recipe, which fits those of {} and more, found one of {}; record longer points, or \
             filter less",
            stated(self.least, "s"),
            stated(header.samples as f64 / header.rate, "s")
        ))
    }

    fn contents(&self) -> impl Iterator<Item = &FileContent> {
        self.files.iter().filter_map(|f| f.content.as_ref().ok())
    }

    /// What headers say in words, for a fault that is due to them.
    pub(crate) fn told(&self) -> Option<String> {
        let (first, content) =
            (self.files.iter()).find_map(|f| Some((f.path.display(), f.content.as_ref().ok()?)))?;
        let channels = content.headers.iter().flatten().map(|h| {
            let samples = counted(h.samples, "sample");
            format!("`{}` {} Hz, {samples}", h.dataset, h.rate)
        });
        let channels: Vec<String> = channels.collect();
        Some(format!("in recording {first}: {}", channels.join("; ")))
    }

    /// Warns of what headers leave open: units that are taken from the recipe, places that are no numbers.
    pub(crate) fn cautions(&self, recipe: &Recipe, diagnostics: &mut Diagnostics) {
        for (index, input) in recipe.inputs.iter().enumerate() {
            let headers = self.contents().filter_map(|c| c.headers[index].as_ref());
            let mut open = headers.filter(|h| !h.unit_is_stated);
            let (Some(header), Some(unit)) = (open.next(), &input.unit) else {
                continue;
            };
            let more = match open.count() {
                0 => String::new(),
                n => format!(" and {n} more"),
            };
            let message = format!(
                "expected a unit in `{}@units` of {}{more}, found none: `{}` is taken to be in {unit}",
                header.dataset,
                header.file.display(),
                input.name.text
            );
            diagnostics.push(
                Diagnostic::warning(Code::Unit, Some(input.name.place.clone()), message).help(
                    format!("state `unit` in the wiring of `{}`", input.name.text),
                ),
            );
        }
        for file in &self.files {
            let headers = file.content.iter().flat_map(|c| &c.headers);
            let mut headers = headers.flatten();
            for (message, help) in file.content.iter().flat_map(|c| &c.oddities) {
                let warning = Diagnostic::warning(Code::OutOfRange, None, message.clone());
                let note = format!("in {}", file.path.display());
                diagnostics.push(warning.note(note).help(*help));
            }
            if let Some(found) = headers.find_map(ChannelHeader::incomplete) {
                let message = format!("expected points with samples, found that {found}");
                let help = "correct what says where points are; the others will be done";
                diagnostics.push(
                    Diagnostic::warning(Code::OutOfRange, None, message)
                        .note(format!("in {}", file.path.display()))
                        .help(help),
                );
            }
            let Some(axis) = file.content.as_ref().ok().and_then(|c| c.axis.as_ref()) else {
                continue;
            };
            if axis.unit.is_empty() && axis.values.len() > 1 {
                let message = format!(
                    "expected a unit of the axis `{}` of {}, found none",
                    axis.name,
                    file.path.display()
                );
                let help = "give its dataset the attribute `units`, as nm, or 1 for a plain number; until then places along it \
                            are numbers without a unit";
                diagnostics.push(Diagnostic::warning(Code::Unit, None, message).help(help));
            }
            let Some(bad) = axis.values.iter().position(|x| !x.is_finite()) else {
                continue;
            };
            let message = format!(
                "expected a number for every point along `{}` of {}, found {} at point {bad}",
                axis.name,
                file.path.display(),
                axis.values[bad]
            );
            let help =
                "correct it, or name another axis in the wiring; the point has no place along it";
            diagnostics.push(Diagnostic::warning(Code::OutOfRange, None, message).help(help));
        }
    }

    /// Whether no file can be used.
    pub fn is_unusable(&self) -> bool {
        self.contents().next().is_none()
    }
}

impl FileContent {
    fn open(path: &Path, name: &str, recipe: &Recipe, wiring: &Wiring) -> Result<Self, Unusable> {
        let read = |file: &RecordingFile| Ok(Self::headers(file, name, recipe, wiring));
        let (file, headers) = RecordingFile::open_and(path, read).map_err(Unusable::Closed)?;
        let (headers, axis, oddities) = headers.map_err(Unusable::Unfit)?;
        let first = headers.iter().flatten().next();
        Ok(FileContent {
            file,
            points: first.map_or(0, |header| header.points),
            headers,
            axis,
            oddities,
        })
    }

    /// The headers of one point.
    ///
    /// # Errors
    /// [`StoreError::Unfit`] where it goes beyond the end of a record.
    pub fn of_point(&self, within: u64) -> Result<Cow<'_, [Option<ChannelHeader>]>, StoreError> {
        if !self.headers.iter().flatten().any(ChannelHeader::is_cut) {
            return Ok(Cow::Borrowed(&self.headers));
        }
        let of_channel = |header: &Option<ChannelHeader>| match header {
            Some(header) => Ok(Some(header.of_point(within)?.into_owned())),
            None => Ok(None),
        };
        let headers: Result<Vec<_>, _> = self.headers.iter().map(of_channel).collect();
        headers.map(Cow::Owned)
    }

    /// Fewest samples that an input has at a point of at least so many seconds.
    fn shortest(&self, input: usize, least: f64) -> Option<u64> {
        let first = self.headers.iter().flatten().next()?;
        let own = self.headers[input].as_ref()?;
        let least = samples_in(least, first);
        let points = 0..if own.is_cut() { self.points } else { 1 };
        let fits = |point: &u64| {
            first
                .length_of(*point)
                .is_some_and(|length| length >= least)
        };
        points
            .filter(fits)
            .filter_map(|point| own.length_of(point))
            .min()
    }

    /// Headers of the inputs and axis of a file, and what is odd about its points; or all that is wrong with them.
    fn headers(
        file: &RecordingFile,
        name: &str,
        recipe: &Recipe,
        wiring: &Wiring,
    ) -> Result<Headers, Vec<(StoreError, Option<Place>)>> {
        let mut headers = Vec::new();
        let mut faults = Vec::new();
        // Another recording is cut alike where it was made alike.
        let is_alike = |(points, _): &&(Points, Place)| {
            let mut datasets = points.datasets().peekable();
            name.is_empty() || datasets.peek().is_some() && datasets.all(|path| file.has(path))
        };
        let cut = wiring.points.as_ref().filter(is_alike);
        let cutting = cut.map(|(points, place)| (file.cutting(points), place));
        let cutting = match cutting {
            Some((Err(error), place)) => return Err(vec![(error, Some(place.clone()))]),
            Some((Ok(cutting), place)) => Some((cutting, place)),
            None => None,
        };
        for input in &recipe.inputs {
            let own = (input.recording == name).then(|| {
                let channel = wiring.channel(input);
                let header = file.channel(&input.name.text, &channel, input.unit.as_ref());
                header.map_err(|error| faults.push((error, Some(wired(wiring, input).clone()))))
            });
            headers.push(own.and_then(Result::ok));
        }
        if let Some((cutting, place)) = &cutting
            && let Err(error) = file.cut(&mut headers, cutting)
        {
            faults.push((error, Some((*place).clone())));
            return Err(faults);
        }
        let channels = recipe.inputs.iter().zip(&headers);
        let mut channels = channels.filter_map(|(input, header)| Some((input, header.as_ref()?)));
        let Some((_, first)) = channels.next() else {
            return match faults.is_empty() {
                true => Ok((headers, None, Vec::new())),
                false => Err(faults),
            };
        };
        for (input, header) in channels.filter(|(_, h)| h.points != first.points) {
            let expected = format!("{} points as in `{}`", first.points, first.dataset);
            let found = format!("{}; give every channel one row per point", header.points);
            let error = StoreError::unfit(file.path(), &header.dataset, expected, found);
            faults.push((
                error.of_kind(Code::Rate),
                Some(wired(wiring, input).clone()),
            ));
        }
        let is_there = |(axis, _): &&(Axis, Place)| match axis {
            _ if name.is_empty() => true,
            Axis::Dataset(path) => cutting.is_some() && file.has(path),
            Axis::Attribute(_) => false,
        };
        let along = wiring.axis.as_ref().filter(is_there);
        let axis = file.axis(along.map(|(axis, _)| axis), first);
        let own = recipe.inputs.iter().find(|i| i.recording == name);
        let place = along
            .map(|(_, place)| place)
            .or(own.map(|input| wired(wiring, input)));
        let axis = axis.map_err(|error| faults.push((error, place.cloned())));
        let axis = axis.ok().flatten().or_else(|| beginnings(first));
        let mut oddities = match &cutting {
            Some((cutting, _)) => first.oddities(cutting),
            None => Vec::new(),
        };
        oddities.extend(apart(&headers));
        match faults.is_empty() {
            true => Ok((headers, axis, oddities)),
            false => Err(faults),
        }
    }
}

/// What headers of a file tell: those of the inputs, the axis, and oddities.
type Headers = (
    Vec<Option<ChannelHeader>>,
    Option<AxisValues>,
    Vec<(String, &'static str)>,
);

/// Part of a sample by which channels may begin apart without a word.
const ALIKE: f64 = 0.02;

/// Channels whose first samples, by their times, were not taken at one moment.
fn apart(headers: &[Option<ChannelHeader>]) -> Option<(String, &'static str)> {
    let mut timed = (headers.iter().flatten()).filter_map(|h| Some((h, h.begin()?)));
    let (first, begin) = timed.next()?;
    let is_apart = |(header, other): &(&ChannelHeader, f64)| {
        (other - begin).abs() * header.rate > ALIKE + 4.0 * f64::EPSILON * begin.abs() * header.rate
    };
    let (other, at) = timed.find(is_apart)?;
    let message = format!(
        "by the times of their samples `{}` begins {} {} `{}`, and where channels are combined samples of one number count \
         as of one moment",
        other.dataset,
        stated((at - begin).abs(), "s"),
        if at > begin { "after" } else { "before" },
        first.dataset
    );
    let help = "cut points by times, which leaves less than a sample; turn phases by what is left with \
                `Rotate(by: Delay(...))`";
    Some((message, help))
}

/// Samples of a channel in so many seconds.
fn samples_in(seconds: f64, header: &ChannelHeader) -> u64 {
    (seconds * header.rate).round() as u64
}

/// The axis of points that were cut from a record and have no other: the times at which they begin.
fn beginnings(header: &ChannelHeader) -> Option<AxisValues> {
    header.is_cut().then(|| AxisValues {
        name: "begin".into(),
        unit: "s".into(),
        values: header.beginnings(),
    })
}

/// Where a text says which dataset an input is: in the wiring, or else in the recipe.
fn wired<'t>(wiring: &'t Wiring, input: &'t Input) -> &'t Place {
    let mut channels = wiring.channels.iter().map(|(name, _)| name);
    let named = channels.find(|n| n.text == input.name.text);
    &named.unwrap_or(&input.name).place
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
            let error = StoreError::unfit(
                &entry.path,
                &b.dataset,
                format!("a unit such as {} as in {}", a.unit, model_path.display()),
                format!("{}; process this file on its own", b.unit),
            );
            entry.content = Err(Unusable::unfit(error.of_kind(Code::Unit), None));
            continue;
        }
        let differs = pairs().find(|(a, b)| a.rate != b.rate);
        if let Some((a, b)) = differs {
            let error = StoreError::unfit(
                &entry.path,
                &b.dataset,
                format!("{} Hz as in {}", a.rate, model_path.display()),
                format!(
                    "a sample rate of {} Hz; process this file on its own",
                    b.rate
                ),
            );
            entry.content = Err(Unusable::unfit(error.of_kind(Code::Rate), None));
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
    matches!(wiring.axis, Some((Axis::Attribute(_), _)))
}
