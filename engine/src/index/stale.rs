//! Which results no longer hold: a constant was corrected, a kernel's numbers or a recording changed.

use std::collections::BTreeMap;
use std::path::PathBuf;

use serde::Serialize;

use super::query::{FROM_NODES, Used, files, superseded_by, value_of};
use super::{Index, IndexError, Uses};
use crate::recipe::Recipe;
use crate::rerun::Source;
use crate::saved::Saved;
use crate::stage::Registry;
use crate::text::value_at;

/// A constant that was corrected.
#[derive(Clone, Debug, PartialEq)]
pub struct Correction {
    /// Its name.
    pub name: String,
    /// The value that was wrong, with its unit; every other value where none is given.
    pub old: Option<String>,
    /// The value that is right, with its unit.
    pub new: String,
    /// The whole constant as a recipe writes it now, where one does.
    pub written: Option<String>,
    /// Title of the recipes that it is about; all of them where none is given.
    pub title: Option<String>,
}

/// An output that no longer holds.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Stale {
    /// The result file, or where it was last.
    pub file: PathBuf,
    /// Whether it is there no more.
    pub gone: bool,
    /// The entry of the file.
    pub entry: String,
    /// The output.
    pub output: String,
    /// Why, in words.
    pub reasons: Vec<String>,
}

/// What a look at the recordings gave.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Changed {
    /// The outputs whose recordings hold other samples now.
    pub stale: Vec<Stale>,
    /// Result files whose recordings could not be looked at, and why.
    pub unseen: Vec<(PathBuf, String)>,
}

/// Outputs by file, entry and name.
type Reasons = BTreeMap<(PathBuf, String, String), (bool, Vec<String>)>;

impl Index {
    /// The outputs of results that are not superseded in which a corrected constant or a kernel of a lower
    /// numeric version had part.
    ///
    /// # Errors
    /// [`IndexError::Unknown`] when no result used a constant of this name; [`IndexError::Quantity`] when a
    /// value cannot be read.
    pub fn stale(
        &self,
        corrections: &[Correction],
        registry: &Registry,
    ) -> Result<Vec<Stale>, IndexError> {
        Ok(self.some_stale(corrections, registry, usize::MAX)?.0)
    }

    /// As [`Index::stale`], at most `limit` of them, and whether there are more.
    ///
    /// # Errors
    /// As [`Index::stale`].
    pub fn some_stale(
        &self,
        corrections: &[Correction],
        registry: &Registry,
        limit: usize,
    ) -> Result<(Vec<Stale>, bool), IndexError> {
        let mut all = Reasons::new();
        let mut more = false;
        for correction in corrections {
            let Correction {
                name,
                old,
                new,
                title,
                ..
            } = correction;
            let reason = |what: &str| format!("constant {what}, corrected to {new}");
            let (mut unit, mut low, mut high) = value_of(new)?;
            let mut which = "NOT";
            if let Some(old) = old {
                let (before, from, to) = value_of(old)?;
                if before != unit {
                    return Err(IndexError::Correction {
                        name: name.clone(),
                        unit: before,
                        new: new.clone(),
                    });
                }
                // Nobody corrects what nobody used.
                self.uses(&Uses::Constant(name.clone(), None), 1)?;
                (which, unit, low, high) = ("", before, from, to);
            }
            let sql = format!(
                "SELECT run.id, output.id, entry.name, output.name,
                        constant.name || ' = ' || constant.text || ' in `' || node.name || '`'
                 FROM constant CROSS JOIN node ON node.id = constant.node {FROM_NODES}
                 WHERE constant.name = ?1
                   AND {which} (constant.dimension = ?2 AND constant.value BETWEEN ?3 AND ?4)
                   AND (?5 IS NULL OR entry.title = ?5)"
            );
            let used = self.outputs(&sql, &[name, &unit, &low, &high, title], limit, false)?;
            more |= used.more;
            gather(&mut all, used, reason);
        }
        for stage in registry.iter() {
            let (name, version) = (stage.name(), stage.numeric_version());
            let sql = format!(
                "SELECT run.id, output.id, entry.name, output.name,
                        'kernel `' || node.stage || '` of `' || node.name || '` had version ' || node.version
                 FROM node {FROM_NODES} WHERE node.stage = ?1 AND node.version < ?2"
            );
            let used = self.outputs(&sql, &[&name, &version], limit, false)?;
            more |= used.more;
            gather(&mut all, used, |what| {
                format!("{what}, and has {version} now")
            });
        }
        let mut stale = listed(all);
        more |= stale.len() > limit;
        stale.truncate(limit);
        Ok((stale, more))
    }

    /// The outputs of results that are not superseded whose recordings hold other samples now, and what
    /// could not be looked at. Reads the recordings.
    ///
    /// # Errors
    /// [`IndexError::Unusable`].
    pub fn changed(&self, source: &Source<'_>) -> Result<Changed, IndexError> {
        let runs: Vec<(i64, String)> = self.read(|c| {
            c.prepare("SELECT id, identity FROM run ORDER BY began, id")?
                .query_map([], |r| Ok((r.get(0)?, r.get(1)?)))?
                .collect()
        })?;
        let mut all = Reasons::new();
        let mut unseen = Vec::new();
        for (run, identity) in runs {
            let (files, superseded) =
                self.read(|c| Ok((files(c, run)?, superseded_by(c, &identity)?)))?;
            let Some(link) = files
                .into_iter()
                .find(|l| !l.gone)
                .filter(|_| superseded.is_none())
            else {
                continue;
            };
            let opened = Saved::open(&link.file).map_err(|e| e.to_string());
            match opened.and_then(|saved| source.changed_inputs(&saved)) {
                Ok(changed) => {
                    for [entry, node, reason] in changed {
                        let sql = format!(
                            "SELECT run.id, output.id, entry.name, output.name, ''
                             FROM node {FROM_NODES} WHERE run.id = ?1 AND entry.name = ?2 AND node.name = ?3"
                        );
                        let used = self.outputs(&sql, &[&run, &entry, &node], usize::MAX, false)?;
                        gather(&mut all, used, |_| reason.clone());
                    }
                }
                Err(why) => unseen.push((link.file, why)),
            }
        }
        Ok(Changed {
            stale: listed(all),
            unseen,
        })
    }
}

impl Correction {
    /// What a recipe corrects in the results of recipes of its title: its constants, wherever they had
    /// another value.
    pub fn all_of(recipe: &Recipe) -> Vec<Correction> {
        let constants = recipe.constants.iter().map(|(_, c)| c);
        constants
            .map(|c| Correction {
                name: c.name.clone(),
                old: None,
                new: c.text.clone(),
                written: value_at(&recipe.source.text, &["constants", &c.name]).map(str::to_owned),
                title: Some(recipe.title.clone()),
            })
            .collect()
    }
}

fn gather(all: &mut Reasons, used: Used, reason: impl Fn(&str) -> String) {
    for used in used
        .outputs
        .into_iter()
        .filter(|u| u.superseded_by.is_none())
    {
        let key = (used.file, used.entry, used.output);
        let (_, reasons) = all.entry(key).or_insert((used.gone, Vec::new()));
        let reason = reason(&used.what);
        if !reasons.contains(&reason) {
            reasons.push(reason);
        }
    }
}

fn listed(all: Reasons) -> Vec<Stale> {
    all.into_iter()
        .map(|((file, entry, output), (gone, reasons))| Stale {
            file,
            gone,
            entry,
            output,
            reasons,
        })
        .collect()
}
