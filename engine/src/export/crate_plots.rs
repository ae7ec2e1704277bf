//! The plots of a crate: what the results are at the points of each entry, drawn as on its page.

use super::ExportError;
use super::crate_files::{Gathered, Role};
use crate::report::answer::plots;
use crate::report::draw::alone;
use crate::report::{Subject, slug};
use crate::rerun::Source;
use crate::saved::Saved;

/// The folder of plots.
const PLOTS: &str = "plots";
/// Plots that a crate holds, at most: those of a sweep are a few, those of a year of sweeps nobody looks through.
pub(super) const MOST_PLOTS: usize = 200;

impl Gathered<'_> {
    /// Draws what the results are at their points.
    pub fn plots(&mut self, saved: &Saved, source: &Source<'_>) -> Result<(), ExportError> {
        for entry in &saved.lineage().entries {
            let subject = Subject::new(saved, entry, source.registry)?;
            for (output, mut plot) in plots(&subject) {
                if self.drawn == MOST_PLOTS {
                    self.undrawn += 1;
                    continue;
                }
                self.drawn += 1;
                plot.title = format!("{} of {}", plot.title, entry.name);
                let name = slug(&format!("{} {}", entry.name, plot.id));
                let path = self.free(&format!("{PLOTS}/{name}.svg"));
                let role = Role::Plot {
                    entry: entry.name.clone(),
                    output: output.name.clone(),
                    title: plot.title.clone(),
                    about: plot.about.clone(),
                };
                self.text(&path, &alone(&plot), role)?;
            }
        }
        Ok(())
    }
}
