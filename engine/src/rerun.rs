//! Runs what a correction affects again: the texts and recordings of old results, the constants
//! corrected, into a new file that says what it supersedes.

use std::path::{Path, PathBuf};

use crate::index::Correction;
use crate::lineage::Entry;
use crate::run::{Draws, Monitor};
use crate::saved::{Saved, SavedError, Supersedes};
use crate::session::{Request, RunError, Summary, run};
use crate::stage::Registry;
use crate::text::{replaced, value_at};
use crate::units::Quantity;
use crate::verify::{Found, Options, Place, Texts, compare, find, read_texts};

/// What is between the name of old results and the number of new ones.
const MARK: &str = "-rerun-";

/// Where stages and recordings are found.
#[derive(Clone, Copy)]
pub struct Source<'s> {
    /// The stages.
    pub registry: &'s Registry,
    /// Folders in which recordings that were moved are looked for by the hash of their samples.
    pub folders: &'s [PathBuf],
}

/// What was run again.
#[derive(Debug)]
pub struct Rerun {
    /// The new result file.
    pub file: PathBuf,
    /// What the run did.
    pub summary: Summary,
    /// Inputs that hold other samples than the old results were made from, as `entry: input`.
    pub other_samples: Vec<String>,
}

/// Why results could not be made again.
#[derive(Debug, thiserror::Error)]
pub enum RerunError {
    /// The old or the new results cannot be read.
    #[error(transparent)]
    Saved(#[from] SavedError),
    /// A text or a recording of the old results cannot be used.
    #[error("{0}")]
    Unfit(String),
    /// The run failed.
    #[error(transparent)]
    Run(#[from] RunError),
}

impl Source<'_> {
    fn options(&self) -> Options<'_> {
        Options {
            registry: self.registry,
            folders: self.folders,
            quick: true,
            threads: 0,
        }
    }

    /// The recipe and the wiring of results, with constants corrected.
    fn texts(&self, saved: &Saved, corrections: &[Correction]) -> Result<Texts, String> {
        let titles = |t: &str| saved.lineage().entries.iter().any(|e| e.title == t);
        let mut text = saved.recipe.text.clone();
        for correction in corrections {
            if correction.title.as_deref().is_none_or(titles) {
                text = corrected(&text, correction).unwrap_or(text);
            }
        }
        let wiring = saved.wiring.as_ref();
        let wiring = wiring.map(|w| (w.name.as_str(), w.text.as_str()));
        read_texts((&saved.recipe.name, &text), wiring, self.registry)
    }

    /// The recordings of one entry.
    fn recordings(&self, saved: &Saved, entry: &Entry, texts: &Texts) -> Result<Found, String> {
        let found = find(&saved.record, entry, texts, &self.options());
        match found.missing.first() {
            Some(missing) => Err(format!("{}: {missing}", entry.name)),
            None => Ok(found),
        }
    }

    /// Where each file of the recordings of an entry is now, by the name of the recording, in the order of
    /// the record.
    ///
    /// # Errors
    /// A message that names one that is not found.
    pub fn files(
        &self,
        saved: &Saved,
        entry: &Entry,
    ) -> Result<Vec<(String, Vec<PathBuf>)>, String> {
        let texts = self.texts(saved, &[])?;
        Ok(self.recordings(saved, entry, &texts)?.files)
    }

    /// Inputs of results whose recordings are no longer what they were: entry, input, and what is
    /// different. Reads the recordings.
    ///
    /// # Errors
    /// A message that says what could not be looked at.
    pub fn changed_inputs(&self, saved: &Saved) -> Result<Vec<[String; 3]>, String> {
        let texts = self.texts(saved, &[])?;
        let mut changed = Vec::new();
        for entry in &saved.lineage().entries {
            let sets = self.recordings(saved, entry, &texts)?.sets(&texts);
            let mut problems = Vec::new();
            compare(
                &saved.record,
                entry,
                &texts,
                sets,
                None,
                &self.options(),
                &mut problems,
            );
            for problem in problems {
                let concerns = |input: &str| match &problem.place {
                    Some(Place::Node(name) | Place::Output(name)) => name == input,
                    None => true,
                };
                let inputs = entry.nodes.iter().filter(|n| n.input.is_some());
                for input in inputs.filter(|n| concerns(&n.name)) {
                    changed.push([entry.name.clone(), input.name.clone(), problem.to_string()]);
                }
            }
        }
        Ok(changed)
    }

    /// Runs results again, with constants corrected, into a new file beside them.
    ///
    /// # Errors
    /// [`RerunError`]; then there is no new file.
    pub fn rerun(
        &self,
        old: &Path,
        corrections: &[Correction],
        reasons: Vec<String>,
        operator: Option<String>,
        monitor: &Monitor,
    ) -> Result<Rerun, RerunError> {
        let saved = Saved::open(old)?;
        let texts = self.texts(&saved, corrections).map_err(RerunError::Unfit)?;
        let (mut recordings, mut with) = (Vec::new(), Vec::new());
        for entry in &saved.lineage().entries {
            let found = self
                .recordings(&saved, entry, &texts)
                .map_err(RerunError::Unfit)?;
            recordings.extend(found.main());
            // Recordings to compare with are the same for all entries.
            with = found.with();
        }
        // Intervals that were drawn are drawn again.
        let draws = saved
            .lineage()
            .draws
            .map(|(trials, seed)| Draws { trials, seed });
        let file = new_name(old);
        let name = old.file_name().unwrap_or_default();
        let request = Request {
            recipe: &texts.recipe,
            wiring: &texts.wiring,
            recordings,
            with,
            only: None,
            output: file.clone(),
            overwrite: false,
            csv: None,
            budget: None,
            draws,
            threads: 0,
            strict: false,
            operator,
            supersedes: Some(Supersedes {
                identity: saved.identity().to_owned(),
                file: name.to_string_lossy().into_owned(),
                reasons,
            }),
        };
        let summary = run(&request, monitor)?;
        let other_samples = other_samples(&saved, &Saved::open(&file)?);
        Ok(Rerun {
            file,
            summary,
            other_samples,
        })
    }
}

/// A recipe with a constant corrected; `None` where it has no such constant of the old value.
fn corrected(text: &str, correction: &Correction) -> Option<String> {
    let path = ["constants", correction.name.as_str(), "value"];
    if let Some(old) = &correction.old {
        let quoted = value_at(text, &path)?;
        let value = |t: &str| Quantity::parse(t.trim_matches('"')).ok();
        let (now, old) = (value(quoted)?, value(old)?);
        let near = (now.value - old.value).abs() <= 4.0 * f64::EPSILON * old.value.abs();
        if !(near && now.unit.same_dimension(&old.unit)) {
            return None;
        }
    }
    match &correction.written {
        Some(written) => replaced(text, &path[..2], written),
        None => replaced(text, &path, &format!("{:?}", correction.new)),
    }
}

/// The first free name beside old results: `answers.h5` gives `answers-rerun-1.h5`, which gives
/// `answers-rerun-2.h5`.
fn new_name(old: &Path) -> PathBuf {
    let stem = old.file_stem().unwrap_or_default().to_string_lossy();
    let numbered = stem
        .rsplit_once(MARK)
        .filter(|(_, n)| !n.is_empty() && n.chars().all(|c| c.is_ascii_digit()));
    let stem = numbered.map_or(&*stem, |(stem, _)| stem);
    let ending = old.extension().unwrap_or_default().to_string_lossy();
    let name = |n: u32| old.with_file_name(format!("{stem}{MARK}{n}.{ending}"));
    let free = |path: &PathBuf| path.symlink_metadata().is_err();
    (1..).map(name).find(free).unwrap_or_else(|| name(0))
}

fn other_samples(old: &Saved, new: &Saved) -> Vec<String> {
    let mut other = Vec::new();
    for entry in &old.lineage().entries {
        let Some(now) = new.lineage().entries.iter().find(|e| e.name == entry.name) else {
            other.push(format!("{}: nothing of it", entry.name));
            continue;
        };
        for (node, facts) in entry
            .nodes
            .iter()
            .filter_map(|n| Some((n, n.input.as_ref()?)))
        {
            let same = now.node(&node.name).and_then(|n| n.input.as_ref());
            let samples = |saved: &Saved| saved.record.samples(&entry.name, &node.name).ok();
            if same.is_none_or(|n| n.header != facts.header) || samples(old) != samples(new) {
                other.push(format!("{}: {}", entry.name, node.name));
            }
        }
    }
    other
}

#[cfg(test)]
mod tests {
    use super::{corrected, new_name};
    use crate::index::Correction;

    #[test]
    fn a_constant_is_corrected_where_it_has_the_old_value() {
        let text = r#"Recipe(constants: { "gain": Constant(value: "1.0e6 V/A", source: "x") })"#;
        let correction = |old: Option<&str>| Correction {
            name: "gain".into(),
            old: old.map(str::to_owned),
            new: "2e6 V/A".into(),
            written: None,
            title: None,
        };
        let right = text.replace("1.0e6", "2e6");
        assert_eq!(
            corrected(text, &correction(Some("1 V/uA"))),
            Some(right.clone())
        );
        assert_eq!(corrected(text, &correction(None)), Some(right));
        assert_eq!(corrected(text, &correction(Some("1.1e6 V/A"))), None);
        assert_eq!(corrected(text, &correction(Some("1e6 V"))), None);
        let whole = Correction {
            written: Some("Constant(value: \"3 V/A\")".into()),
            ..correction(None)
        };
        let right = r#"Recipe(constants: { "gain": Constant(value: "3 V/A") })"#;
        assert_eq!(corrected(text, &whole).as_deref(), Some(right));
    }

    #[test]
    fn new_names_count_on() {
        let folder = tempfile::tempdir().unwrap();
        let path = |name: &str| folder.path().join(name);
        assert_eq!(new_name(&path("a.h5")), path("a-rerun-1.h5"));
        std::fs::write(path("a-rerun-1.h5"), "").unwrap();
        assert_eq!(new_name(&path("a.h5")), path("a-rerun-2.h5"));
        assert_eq!(new_name(&path("a-rerun-1.h5")), path("a-rerun-2.h5"));
        assert_eq!(
            new_name(&path("a-rerun-x.h5")),
            path("a-rerun-x-rerun-1.h5")
        );
    }
}
