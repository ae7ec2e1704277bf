//! `phasemill new`: a commented recipe, or a bench, to start from.

use std::path::PathBuf;

use super::{complain, say};
use crate::exit;
use crate::report::files::{Existing, write};

/// The starter, which is also one of the shipped recipes' tests.
const STARTER: &str = include_str!("../../library/starter.ron");

/// The bench to start from.
const BENCH: &str = include_str!("../../library/starter.bench.ron");

/// Arguments of `new`.
#[derive(clap::Args)]
pub struct Arguments {
    /// Where to write it; it must not exist yet
    file: PathBuf,
    /// A bench instead of a recipe
    #[arg(long)]
    bench: bool,
}

/// Runs the command.
pub fn run(arguments: &Arguments) -> u8 {
    let path = &arguments.file;
    let (text, next) = match arguments.bench {
        true => (BENCH, format!("phasemill expect {}", path.display())),
        false => (
            STARTER,
            format!("phasemill check {} RECORDING", path.display()),
        ),
    };
    match write(path, text.as_bytes(), Existing::Kept) {
        Ok(()) => {
            say(format!("wrote {}; next: {next}", path.display()));
            exit::DONE
        }
        Err(message) => {
            complain(format!("error: {message}"));
            exit::REJECTED
        }
    }
}
