//! Files of a set whose channels do not go together.

use super::RecordingSet;
use crate::diagnostic::{Code, Diagnostic, Diagnostics, Severity};
use crate::recipe::Recipe;
use crate::store::ChannelHeader;

/// Warns of files of a set whose channels do not fit each other as those of the set do: their points will
/// fail, and the others will not.
pub(crate) fn report<'h>(
    recipe: &Recipe,
    sets: &'h [RecordingSet],
    joint: impl Fn(&str) -> Option<&'h ChannelHeader>,
    diagnostics: &mut Diagnostics,
) {
    let several = sets.iter().filter(|s| s.files.len() > 1);
    let files = several.flat_map(|s| &s.files);
    for (path, content) in files.filter_map(|f| Some((&f.path, f.content.as_ref().ok()?))) {
        let mut lengths = content.headers.iter().flatten().map(|h| h.samples);
        let first = lengths.next();
        if lengths.all(|n| Some(n) == first) {
            continue;
        }
        let own = |role: &str| {
            let input = recipe.inputs.iter().position(|i| i.name.text == role)?;
            content.headers.get(input)?.as_ref().or_else(|| joint(role))
        };
        let mut found = Diagnostics::default();
        crate::check::check(recipe, own, &mut found);
        let faults = found
            .iter()
            .filter(|d| d.code == Code::Rate && d.severity == Severity::Error);
        for fault in faults {
            let message = format!(
                "the point in {} will fail: {}",
                path.display(),
                fault.message
            );
            diagnostics.push(Diagnostic {
                severity: Severity::Warning,
                message,
                ..fault.clone()
            });
        }
    }
}
