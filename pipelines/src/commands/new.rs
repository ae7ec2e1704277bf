//! `phasemill new`: a commented recipe to start from.

use std::path::PathBuf;

use super::{complain, say};
use crate::exit;

/// The starter, which is also one of the shipped recipes' tests.
const STARTER: &str = include_str!("../../library/starter.ron");

/// Arguments of `new`.
#[derive(clap::Args)]
pub struct Arguments {
    /// Where to write the recipe; it must not exist yet
    recipe: PathBuf,
}

/// Runs the command.
pub fn run(arguments: &Arguments) -> u8 {
    let path = &arguments.recipe;
    let made = std::fs::OpenOptions::new()
        .write(true)
        .create_new(true)
        .open(path);
    match made.and_then(|mut file| std::io::Write::write_all(&mut file, STARTER.as_bytes())) {
        Ok(()) => {
            say(format!(
                "wrote {}; next: phasemill check {} RECORDING",
                path.display(),
                path.display()
            ));
            exit::DONE
        }
        Err(error) => {
            complain(format!(
                "error: cannot write {}: {error}; choose a name that is free",
                path.display()
            ));
            exit::REJECTED
        }
    }
}
