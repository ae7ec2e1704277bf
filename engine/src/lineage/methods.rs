//! What was done, in plain English: a sentence per stage, put on record when it runs, and the paragraph
//! that `trace --methods` makes of them.

use crate::run::Job;
use crate::stage::Told;

/// The sentence of a stage; where it has none of its own, its settings are listed.
pub(super) fn sentence(job: &Job<'_>, node: usize, stage: usize) -> String {
    let entry = &job.recipe.stages[stage];
    let flows = job.flows_into(node);
    let names: Vec<String> = entry
        .described
        .flows
        .iter()
        .map(|f| format!("`{}`", f.text))
        .collect();
    let told: Vec<Told<'_>> = names
        .iter()
        .zip(&flows)
        .map(|(name, flow)| Told { name, flow })
        .collect();
    match entry.configured.method(&told) {
        Some(own) => own,
        None => listed(entry.stage.name(), &names, &entry.described.settings),
    }
}

/// "a", "a and b", "a, b and c".
pub(super) fn joined(names: &[String]) -> String {
    match names {
        [] => String::new(),
        [one] => one.clone(),
        [others @ .., last] => format!("{} and {last}", others.join(", ")),
    }
}

/// A sentence that lists the settings of a stage.
fn listed(stage: &str, reads: &[String], settings: &[(String, String)]) -> String {
    let of = joined(reads);
    let settings: Vec<String> = settings
        .iter()
        .map(|(path, value)| format!("{path} = {value}"))
        .collect();
    match settings.is_empty() {
        true => format!("The stage {stage} was applied to {of}."),
        false => format!(
            "The stage {stage} was applied to {of} ({}).",
            settings.join(", ")
        ),
    }
}
