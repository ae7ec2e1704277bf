//! The sweep axis of a recording's points.

use hdf5::File;

use super::attributes::Attributes;
use super::object::Content;
use super::read::{RecordingFile, absolute};
use super::{AxisValues, ChannelHeader, StoreError};
use crate::recipe::Axis;
use crate::units::Quantity;

impl RecordingFile {
    /// The sweep axis for the points of a channel: from the wiring, or else from the attribute `axis`
    /// of the channel's dataset, which names a dataset.
    ///
    /// # Errors
    /// [`StoreError::Unfit`] when it is named and is not one number per point.
    pub fn axis(
        &self,
        axis: Option<&Axis>,
        header: &ChannelHeader,
    ) -> Result<Option<AxisValues>, StoreError> {
        let file = self.handle()?;
        let dataset = self.dataset(&file, &header.dataset, "")?;
        let attributes = Attributes {
            recording: self,
            path: &header.dataset,
            dataset: &dataset,
            file: &file,
        };
        let path = match axis {
            Some(Axis::Attribute(name)) => {
                return self.axis_attribute(&attributes, name, header).map(Some);
            }
            Some(Axis::Dataset(path)) => absolute(path),
            None => match attributes.own_text("axis")?.filter(|t| !t.is_empty()) {
                Some(path) => beside(&file, &header.dataset, &path),
                None => return Ok(None),
            },
        };
        let dataset = self.dataset(&file, &path, "name it with `axis` in the wiring")?;
        let broken = |e: hdf5::Error| self.broken(&path, &e);
        let shape = dataset.space().map_err(broken)?.shape();
        if shape.len() > 1 || shape.iter().product::<usize>() as u64 != header.points {
            let remedy = match header.is_cut() {
                true => format!(
                    "correct `points`, which gives points of {} to {} samples, or name another `axis` in the wiring",
                    header.samples,
                    header.longest()
                ),
                false => format!("name the axis of `{}`", header.dataset),
            };
            let found = format!("the shape {shape:?}; {remedy}");
            return Err(self.unfit(
                &path,
                match header.points {
                    1 => "1 number, as there is one point".to_owned(),
                    n => format!("{n} numbers, one per point"),
                },
                found,
            ));
        }
        let values = match Content::of(&dataset).map_err(broken)? {
            Content::Numbers(values) => values,
            other => {
                let found = format!("{}; convert the dataset", other.words());
                return Err(self.unfit(&path, "numbers", found));
            }
        };
        let attributes = Attributes {
            recording: self,
            path: &path,
            dataset: &dataset,
            file: &file,
        };
        let name = path.rsplit('/').next().unwrap_or(&path).to_owned();
        Ok(Some(AxisValues {
            name,
            unit: attributes.own_text("units")?.unwrap_or_default(),
            values,
        }))
    }

    fn axis_attribute(
        &self,
        attributes: &Attributes<'_>,
        name: &str,
        header: &ChannelHeader,
    ) -> Result<AxisValues, StoreError> {
        let place = format!("{}@{name}", header.dataset);
        if header.points != 1 {
            let found = format!(
                "{} points; name a dataset with one value for each",
                header.points
            );
            return Err(self.unfit(
                &place,
                "one point per file when the axis is an attribute",
                found,
            ));
        }
        let unit = attributes.text(&format!("{name}_units"))?;
        let (value, unit) = match attributes.find(name)? {
            Some(Content::Numbers(n)) if n.len() == 1 => (n[0], unit.unwrap_or_default()),
            Some(Content::Texts(t)) if t.len() == 1 => {
                let quantity = Quantity::parse(&t[0]).map_err(|e| {
                    self.unfit(
                        &place,
                        "a number, with or without a unit",
                        e.found_in(&t[0]),
                    )
                })?;
                let stated = if quantity.unit.is_dimensionless() {
                    unit
                } else {
                    None
                };
                let unit = stated.unwrap_or_else(|| quantity.unit.to_string());
                (
                    quantity.value / quantity.unit.si_factor(),
                    if unit == "1" { String::new() } else { unit },
                )
            }
            Some(other) => return Err(self.unfit(&place, "one number", other.words())),
            None => {
                let found = format!("none; it has {}", attributes.names());
                return Err(self.unfit(&place, "an attribute of this name", found));
            }
        };
        Ok(AxisValues {
            name: name.into(),
            unit,
            values: vec![value],
        })
    }
}

/// The path that an attribute of `dataset` means: from the root, or in the dataset's own group.
fn beside(file: &File, dataset: &str, path: &str) -> String {
    let sibling = dataset
        .rsplit_once('/')
        .map(|(group, _)| format!("{group}/{path}"));
    match sibling {
        Some(sibling) if !path.starts_with('/') && file.loc_type_by_name(&sibling).is_ok() => {
            sibling
        }
        _ => absolute(path),
    }
}
