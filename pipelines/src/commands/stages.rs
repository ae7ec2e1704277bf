//! `phasemill stages`: the catalogue, from the registry.

use phasemill_engine::diagnostic::{listed, nearest};
use phasemill_engine::handbook;

use super::{complain, say};
use crate::exit;

/// Arguments of `stages`.
#[derive(clap::Args)]
pub struct Arguments {
    /// Show this stage in full
    name: Option<String>,
    /// Print the whole catalogue as Markdown
    #[arg(long, conflicts_with = "name")]
    markdown: bool,
}

/// Runs the command.
pub fn run(arguments: &Arguments) -> u8 {
    let registry = &phasemill_stages::REGISTRY;
    if arguments.markdown {
        say(handbook::markdown(registry).trim_end());
        return exit::DONE;
    }
    let Some(name) = &arguments.name else {
        for stage in registry.iter() {
            say(format!(
                "{:<14} {}",
                stage.name(),
                handbook::first_sentence(stage.doc())
            ));
        }
        return exit::DONE;
    };
    match registry.get(name) {
        Some(stage) => {
            say(handbook::page(stage).trim_end());
            exit::DONE
        }
        None => {
            let names: Vec<&str> = registry.iter().map(|s| s.name()).collect();
            let help = nearest(name, names.iter().copied()).map_or_else(
                || format!("expected one of {}", listed(names)),
                |n| format!("did you mean `{n}`?"),
            );
            complain(format!("error: unknown stage `{name}`; {help}"));
            exit::REJECTED
        }
    }
}
