//! What is in an HDF5 file: every dataset with its shape, type, layout and attributes.

use std::path::{Path, PathBuf};

use hdf5::{Group, IndexType, IterationOrder, LinkType, Location, LocationType};

use super::StoreError;
use super::object::{Content, attribute, layout, reason, type_name};
use super::read::RecordingFile;

/// Groups within groups that are looked into.
const DEEPEST: usize = 64;
/// Groups and datasets that are looked at; more are left out, and the listing says so.
const MOST_OBJECTS: usize = 20_000;

/// What is in a file.
#[derive(Clone, Debug, PartialEq)]
pub struct FileContents {
    /// The file.
    pub file: PathBuf,
    /// Attributes of the root group, by name.
    pub attributes: Vec<AttributeInfo>,
    /// Datasets, by path.
    pub datasets: Vec<DatasetInfo>,
    /// Whether the file holds more than is listed.
    pub more: bool,
}

/// A dataset.
#[derive(Clone, Debug, PartialEq)]
pub struct DatasetInfo {
    /// Its path.
    pub path: String,
    /// Its size along each dimension.
    pub shape: Vec<u64>,
    /// Type of the stored values, as `int16 little-endian`.
    pub stored: String,
    /// Layout, as `chunks 1 x 262144, shuffle, deflate 4`.
    pub layout: String,
    /// Its attributes, by name.
    pub attributes: Vec<AttributeInfo>,
}

/// An attribute.
#[derive(Clone, Debug, PartialEq)]
pub struct AttributeInfo {
    /// Its name.
    pub name: String,
    /// Its value as text.
    pub text: String,
}

impl FileContents {
    /// Lists a file.
    ///
    /// # Errors
    /// When the file cannot be opened. A dataset that cannot be read is listed with the reason.
    pub fn of(path: &Path) -> Result<Self, StoreError> {
        let file = RecordingFile::open(path)?.handle()?;
        let (paths, more) = datasets(&file);
        let datasets = paths
            .into_iter()
            .map(|path| DatasetInfo::of(&file, path))
            .collect();
        Ok(FileContents {
            file: path.into(),
            attributes: attributes(&file),
            datasets,
            more,
        })
    }
}

impl DatasetInfo {
    fn of(root: &Group, path: String) -> Self {
        let found = root.dataset(&path).and_then(|dataset| {
            let shape = dataset
                .space()?
                .shape()
                .into_iter()
                .map(|n| n as u64)
                .collect();
            Ok((
                shape,
                type_name(&dataset.dtype()?),
                layout(&dataset)?,
                attributes(&dataset),
            ))
        });
        let (shape, stored, layout, attributes) = found.unwrap_or_else(|e| {
            (
                Vec::new(),
                format!("not readable: {}", reason(&e)),
                String::new(),
                Vec::new(),
            )
        });
        DatasetInfo {
            path,
            shape,
            stored,
            layout,
            attributes,
        }
    }
}

fn attributes(object: &Location) -> Vec<AttributeInfo> {
    let names = object.attr_names().unwrap_or_default();
    let read = |name: String| {
        let text = match attribute(object, &name) {
            Ok(content) => content.as_ref().map_or(String::new(), Content::words),
            Err(e) => format!("(not readable: {})", reason(&e)),
        };
        AttributeInfo { name, text }
    };
    names.into_iter().map(read).collect()
}

/// Paths of the datasets below a group, in order, and whether there are more. Every group is visited
/// once, so that links in a circle do no harm; soft and external links are followed to datasets only.
pub(super) fn datasets(root: &Group) -> (Vec<String>, bool) {
    let mut found = Vec::new();
    let mut more = false;
    let mut seen = Vec::from_iter(root.loc_info().map(|i| i.token));
    let mut waiting = vec![(String::new(), root.clone(), 0)];
    while let Some((path, group, depth)) = waiting.pop() {
        // A damaged group hides its own members, not those of the others.
        for (name, link) in group
            .links(IndexType::Name, IterationOrder::Increasing)
            .unwrap_or_default()
        {
            let Ok(info) = group.loc_info_by_name(&name) else {
                continue;
            };
            let path = format!("{path}/{name}");
            if found.len() + seen.len() >= MOST_OBJECTS {
                more = true;
                continue;
            }
            match info.loc_type {
                LocationType::Dataset => found.push(path),
                LocationType::Group
                    if link.link_type == LinkType::Hard && !seen.contains(&info.token) =>
                {
                    seen.push(info.token);
                    match group.group(&name) {
                        Ok(inner) if depth < DEEPEST => waiting.push((path, inner, depth + 1)),
                        _ => more = true,
                    }
                }
                _ => {}
            }
        }
    }
    found.sort();
    (found, more)
}
