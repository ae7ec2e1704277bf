//! Whether a result and what it was made of are still what they were, so that what was changed since is not taken for
//! the work of a program.

use crate::lineage::{Chosen, Record};
use crate::verify::{self, Found, Kind, Options, Place, Problem, Texts};

/// One of the two results, and what was found of it.
pub(super) struct Intact<'r> {
    /// `first` or `second`.
    pub which: &'static str,
    /// Its record.
    pub record: &'r Record,
    /// Its output.
    pub chosen: Chosen<'r>,
    /// What was changed since it was written and does not keep it from being computed again.
    pub notes: Vec<String>,
}

impl Intact<'_> {
    /// Whether the stored number of a point is the one that was written; where there is no hash of it, it counts as
    /// such.
    pub fn value(&mut self, point: u64) -> bool {
        let chosen = Chosen {
            point: Some(point),
            ..self.chosen
        };
        let which = self.which;
        let mut fits = true;
        for problem in verify::unfit(self.record, &[chosen]) {
            let of_output = matches!(problem.place, Some(Place::Output(_)));
            fits &= !(of_output && problem.kind == Kind::Differs);
            self.notes.push(match of_output {
                true => format!("the stored value of the {which} was changed since: {problem}"),
                false => format!("of the {which}: {}", problem.message),
            });
        }
        fits
    }

    /// What keeps the number of a point from being computed again: recordings that are not there or not what they were.
    pub fn hindrances(
        &mut self,
        point: u64,
        texts: &Texts,
        found: &Found,
        options: &Options<'_>,
    ) -> Vec<String> {
        let (which, entry) = (self.which, self.chosen.entry);
        let mut problems = Vec::new();
        if self.record.lineage.version > 1 {
            verify::compare_texts(self.record, texts, &mut problems);
        }
        let changed = problems.iter().filter(|p| self.concerns(p));
        let changed: Vec<String> = changed
            .filter(|p| p.kind == Kind::Differs)
            .map(|p| format!("the recipe in the {which} was changed since: {p}"))
            .collect();
        self.notes.extend(changed);
        if let Some(missing) = found.missing.first() {
            return vec![format!("of the {which}, {}", missing.message)];
        }
        let mut problems = Vec::new();
        verify::compare(
            self.record,
            entry,
            texts,
            found.sets(texts),
            Some((&self.chosen.output.name, point)),
            options,
            &mut problems,
        );
        let told = problems.iter().filter(|p| self.concerns(p));
        told.map(|p| match p.kind {
            Kind::Differs => format!(
                "the recording of the {which} was changed since, so its number cannot be computed again: {p}"
            ),
            Kind::Unchecked => {
                format!("the number of the {which} cannot be computed again: {p}")
            }
        })
        .collect()
    }

    /// Whether a problem lies in the chain of the output.
    fn concerns(&self, problem: &Problem) -> bool {
        let entry = self.chosen.entry;
        let here = problem.entry.as_ref().is_none_or(|e| *e == entry.name);
        let node = match &problem.place {
            Some(Place::Node(name)) => {
                let chain = entry.chain(self.chosen.output);
                chain.iter().any(|n| n.name == *name)
            }
            _ => true,
        };
        here && node
    }
}
