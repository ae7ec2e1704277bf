//! Attributes that say what a channel is: on its dataset, or else on the root group.

use hdf5::{Dataset, File};

use super::StoreError;
use super::object::{Content, attribute};
use super::read::RecordingFile;
use crate::diagnostic::listed;
use crate::units::{Quantity, Unit};

/// Looks for attributes on a dataset and then on the root group.
pub(super) struct Attributes<'a> {
    pub recording: &'a RecordingFile,
    pub path: &'a str,
    pub dataset: &'a Dataset,
    pub file: &'a File,
}

impl Attributes<'_> {
    fn unfit(
        &self,
        name: &str,
        expected: impl Into<String>,
        found: impl Into<String>,
    ) -> StoreError {
        self.recording
            .unfit(&format!("{}@{name}", self.path), expected, found)
    }

    fn own(&self, name: &str) -> Result<Option<Content>, StoreError> {
        attribute(self.dataset, name)
            .map_err(|e| self.recording.broken(&format!("{}@{name}", self.path), &e))
    }

    pub fn find(&self, name: &str) -> Result<Option<Content>, StoreError> {
        match self.own(name)? {
            Some(found) => Ok(Some(found)),
            None => attribute(self.file, name)
                .map_err(|e| self.recording.broken(&format!("/@{name}"), &e)),
        }
    }

    fn as_text(&self, name: &str, found: Option<Content>) -> Result<Option<String>, StoreError> {
        match found {
            None => Ok(None),
            Some(Content::Texts(t)) if t.len() <= 1 => Ok(t.into_iter().next()),
            Some(other) => Err(self.unfit(
                name,
                "one text",
                format!("{}; correct the attribute", other.words()),
            )),
        }
    }

    pub fn text(&self, name: &str) -> Result<Option<String>, StoreError> {
        self.as_text(name, self.find(name)?)
    }

    pub fn own_text(&self, name: &str) -> Result<Option<String>, StoreError> {
        self.as_text(name, self.own(name)?)
    }

    /// A number in this unit; a text may state its own unit.
    pub fn number(&self, name: &str, unit: &Unit) -> Result<Option<f64>, StoreError> {
        match self.find(name)? {
            None => Ok(None),
            Some(Content::Numbers(n)) if n.len() == 1 => Ok(Some(n[0])),
            Some(Content::Texts(t)) if t.len() == 1 => {
                let expected = format!("a number, or a quantity with a unit such as {unit}");
                let quantity = Quantity::parse(&t[0]).map_err(|e| {
                    self.unfit(
                        name,
                        expected.clone(),
                        format!("{}; correct the attribute", e.found_in(&t[0])),
                    )
                })?;
                if quantity.unit.same_dimension(unit) {
                    Ok(Some(quantity.value / unit.si_factor()))
                } else if quantity.unit.is_dimensionless() {
                    Ok(Some(quantity.value))
                } else {
                    Err(self.unfit(name, expected, format!("`{}`; correct the attribute", t[0])))
                }
            }
            Some(other) => Err(self.unfit(
                name,
                "one number",
                format!("{}; correct the attribute", other.words()),
            )),
        }
    }

    pub fn required(&self, name: &str, unit: &Unit) -> Result<f64, StoreError> {
        self.number(name, unit)?.ok_or_else(|| {
            self.unfit(
                name,
                "an attribute of this name",
                format!("none; it has {}; correct the wiring", self.names()),
            )
        })
    }

    /// The attributes that there are, in words.
    pub fn names(&self) -> String {
        let mut names = self.dataset.attr_names().unwrap_or_default();
        names.extend(self.file.attr_names().unwrap_or_default());
        names.sort();
        names.dedup();
        match names.is_empty() {
            true => "no attributes".into(),
            false => format!(
                "the attributes {}",
                listed(names.iter().map(String::as_str))
            ),
        }
    }
}
