//! The commands, one file each, and what they share: printing, and reading recipe and wiring.

pub mod cache;
pub mod catalogue;
pub mod challenge;
pub mod check;
pub mod compare;
pub mod differ;
pub mod expect;
pub mod explain;
pub mod export;
pub mod inspect;
pub mod new;
pub mod report;
pub mod run;
pub mod sign;
pub mod stages;
pub mod trace;
pub mod verify;

use std::io::{IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::Ordering;

use phasemill_engine::diagnostic::{self, Diagnostics, Severity};
use phasemill_engine::recipe::{Recipe, Wiring};
use phasemill_engine::run::Monitor;
use phasemill_engine::session::RunError;

use crate::exit;

/// Prints a line to standard output; a reader that went away is no error.
pub fn say(text: impl AsRef<str>) {
    let _ = writeln!(std::io::stdout().lock(), "{}", text.as_ref());
}

/// Prints a line to standard error.
pub fn complain(text: impl AsRef<str>) {
    let _ = writeln!(std::io::stderr().lock(), "{}", text.as_ref());
}

/// Shows diagnostics on standard error.
pub fn show(diagnostics: &Diagnostics) {
    let styled = std::io::stderr().is_terminal() && std::env::var_os("NO_COLOR").is_none();
    for diagnostic in diagnostics {
        complain(diagnostic.render(styled));
        complain("");
    }
}

/// "1 error, 2 warnings".
pub fn counted(diagnostics: &Diagnostics) -> String {
    let errors = diagnostics
        .iter()
        .filter(|d| d.severity == Severity::Error)
        .count();
    let warnings = diagnostics.len() - errors;
    let some = |n: usize, what: &str| diagnostic::counted(n as u64, what);
    match (errors, warnings) {
        (0, 0) => "no fault".into(),
        (0, w) => some(w, "warning"),
        (e, 0) => some(e, "error"),
        (e, w) => format!("{}, {}", some(e, "error"), some(w, "warning")),
    }
}

/// Says why a run gave nothing; the exit code.
pub fn refused(error: &RunError) -> u8 {
    match error {
        RunError::Rejected(found) => {
            show(found);
            complain(format!("rejected: {}", counted(found)));
            return exit::REJECTED;
        }
        RunError::NothingUsable(entries) => entries.iter().for_each(|e| show(&e.diagnostics)),
        _ => {}
    }
    complain(format!("error: {error}"));
    match error {
        RunError::Interrupted => exit::STOPPED,
        RunError::NothingUsable(_) => exit::FAILED,
        _ => exit::REJECTED,
    }
}

/// A recipe and the wiring it runs with, as named on the command line.
#[derive(clap::Args)]
pub struct Texts {
    /// The recipe (RON)
    pub recipe: PathBuf,
    /// The wiring (RON): which dataset plays which role; not needed for recordings that describe themselves
    #[arg(long, value_name = "FILE")]
    pub wiring: Option<PathBuf>,
    /// Day of recordings that do not state their start time, for constants with a last day; today by default
    #[arg(long, value_name = "YYYY-MM-DD")]
    pub date: Option<jiff::civil::Date>,
}

/// Reads a text, with a message that says what to do when it cannot be read.
pub fn read_text(path: &Path, what: &str) -> Result<String, String> {
    std::fs::read_to_string(path).map_err(|error| {
        let path = path.display();
        match error.kind() {
            std::io::ErrorKind::InvalidData => format!(
                "error: {path}: expected the text of a {what}, found something else; texts come first, then the recordings"
            ),
            _ => format!("error: cannot read the {what} {path}: {error}; check the path"),
        }
    })
}

impl Texts {
    /// Reads both; shows what is wrong with them. `None` when either is rejected.
    pub fn read(&self) -> Option<(Recipe, Wiring, Diagnostics)> {
        let (recipe, wiring, all) = self.parse().map_err(complain).ok()?;
        match recipe {
            Some(recipe) if !all.has_errors() => Some((recipe, wiring, all)),
            _ => {
                show(&all);
                complain(format!("rejected: {}", counted(&all)));
                None
            }
        }
    }

    /// Reads both, and finds all that is wrong with them.
    ///
    /// # Errors
    /// A message when a text cannot be read.
    pub fn parse(&self) -> Result<(Option<Recipe>, Wiring, Diagnostics), String> {
        let mut all = Diagnostics::default();
        let text = read_text(&self.recipe, "recipe")?;
        let (mut recipe, found) = Recipe::parse(
            &self.recipe.display().to_string(),
            &text,
            &phasemill_stages::REGISTRY,
        );
        all.extend(found);
        let (wiring, found) = read_wiring(self.wiring.as_deref())?;
        all.extend(found);
        // What the recipe has wrong by itself is shown together with what its syntax has wrong.
        if let Some(recipe) = &recipe {
            phasemill_engine::check::check(recipe, |_| None, &mut all);
            wiring.check_roles(recipe, &mut all);
        }
        // Only now, since the recordings may state the day themselves.
        if let Some(recipe) = &mut recipe {
            let today = || {
                jiff::Timestamp::now()
                    .to_zoned(jiff::tz::TimeZone::UTC)
                    .date()
            };
            recipe.used_on = Some(self.date.unwrap_or_else(today));
        }
        Ok((recipe, wiring, all.sorted()))
    }
}

/// Takes a result file and an output apart that are written as one, as `results.h5:answer[17]`.
pub fn addressed(file: &Path, output: Option<&str>) -> (PathBuf, Option<String>) {
    let own = output.map(str::to_owned);
    let Some(text) = file.to_str().filter(|_| own.is_none() && !file.exists()) else {
        return (file.into(), own);
    };
    let mut ends = text.rmatch_indices(':').map(|(at, _)| at);
    let split = ends.find(|&at| Path::new(&text[..at]).is_file());
    match split {
        Some(at) => (PathBuf::from(&text[..at]), Some(text[at + 1..].to_owned())),
        None => (file.into(), None),
    }
}

/// Reads a wiring, where one is given, and finds what is wrong with it.
///
/// # Errors
/// A message when it cannot be read.
pub fn read_wiring(path: Option<&Path>) -> Result<(Wiring, Diagnostics), String> {
    let Some(path) = path else {
        return Ok((Wiring::default(), Diagnostics::default()));
    };
    let text = read_text(path, "wiring")?;
    Ok(Wiring::parse(&path.display().to_string(), &text))
}

/// A further recording by the name that the recipe uses, as `NAME=FILE`.
pub fn named_file(text: &str) -> Result<(String, PathBuf), String> {
    match text.split_once('=') {
        Some((name, file)) if !name.is_empty() && !file.is_empty() => {
            Ok((name.into(), file.into()))
        }
        _ => Err(format!("expected NAME=FILE, found `{text}`")),
    }
}

/// A monitor that Ctrl-C tells to stop.
fn stopped_by_ctrl_c() -> Arc<Monitor> {
    let monitor = Arc::new(Monitor::default());
    let stop = monitor.clone();
    if let Err(error) = ctrlc::set_handler(move || stop.stop.store(true, Ordering::Relaxed)) {
        complain(format!("warning: Ctrl-C will not be noticed: {error}"));
    }
    monitor
}
