//! How flows were combined, as a sentence.

use phasemill_engine::stage::Told;

use super::{By, Settings};

impl Settings {
    pub(super) fn told(&self, inputs: &[Told<'_>]) -> Option<String> {
        let names: Vec<&str> = inputs.iter().map(|i| i.name).collect();
        let (last, others) = names.split_last()?;
        let (first, subtracted) = names.split_first()?;
        let all = format!("{} and {last}", others.join(", "));
        Some(match self.by {
            By::Sum => format!("{all} were added."),
            By::Product => format!("{all} were multiplied with each other."),
            By::Ratio => format!("{first} was divided by {last}."),
            By::Difference => match subtracted {
                [one] => format!("{one} was subtracted from {first}."),
                [before @ .., last] => format!(
                    "{} and {last} were subtracted from {first}.",
                    before.join(", ")
                ),
                [] => return None,
            },
        })
    }
}
