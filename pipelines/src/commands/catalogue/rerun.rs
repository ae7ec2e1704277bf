//! `phasemill catalogue stale` and `rerun`: what no longer holds, and making it again.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use phasemill_engine::index::{Correction, Index, IndexError, Stale};
use phasemill_engine::recipe::Recipe;
use phasemill_engine::rerun::{RerunError, Source};
use phasemill_engine::session::RunError;
use phasemill_stages::REGISTRY;

use super::only::Only;
use super::show::{self, json, table};
use crate::commands::{
    complain, counted, read_text, say, show as show_diagnostics, stopped_by_ctrl_c,
};
use crate::exit;

/// What may have changed since results were made. Kernels are always compared.
#[derive(clap::Args)]
pub struct Changes {
    /// A constant that was corrected: name, value that was wrong, value that is right
    #[arg(long, num_args = 3, value_names = ["NAME", "OLD", "NEW"], allow_hyphen_values = true)]
    corrected: Vec<String>,
    /// A corrected recipe: results of its title in which its constants had other values
    #[arg(long, value_name = "RECIPE")]
    against: Option<PathBuf>,
    /// Read the recordings, and compare their samples with those that were used
    #[arg(long)]
    recordings: bool,
    /// Look in this folder for recordings that were moved; they are known by the hash of their samples
    #[arg(long = "in", value_name = "FOLDER")]
    folders: Vec<PathBuf>,
    #[command(flatten)]
    only: Only,
}

/// Arguments of `stale`.
#[derive(clap::Args)]
pub struct Staleness {
    #[command(flatten)]
    changes: Changes,
    /// Most outputs that are shown; by default 100, and all in JSON
    #[arg(long, value_name = "N")]
    limit: Option<usize>,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// Arguments of `rerun`.
#[derive(clap::Args)]
pub struct Again {
    #[command(flatten)]
    changes: Changes,
    /// Put no user's name on record; so does the environment variable PHASEMILL_ANONYMOUS
    #[arg(long)]
    anonymous: bool,
    /// Only say what would be run
    #[arg(long)]
    dry_run: bool,
}

/// What was found, and what could not be looked at.
struct Found {
    corrections: Vec<Correction>,
    stale: Vec<Stale>,
    /// Whether there are more.
    more: bool,
    /// Outputs that no longer hold and are not among those asked for.
    outside: usize,
    unseen: Vec<(PathBuf, String)>,
}

impl Changes {
    fn source(&self) -> Source<'_> {
        Source {
            registry: &REGISTRY,
            folders: &self.folders,
        }
    }

    /// What no longer holds, without recordings at most `limit`; `None` when the arguments are rejected, which was said.
    fn find(&self, index: &Index, limit: usize) -> Result<Option<Found>, IndexError> {
        let mut corrections: Vec<Correction> = self
            .corrected
            .chunks_exact(3)
            .map(|c| Correction {
                name: c[0].clone(),
                old: Some(c[1].clone()),
                new: c[2].clone(),
                written: None,
                title: None,
            })
            .collect();
        if let Some(path) = &self.against {
            match read_recipe(path) {
                Some(recipe) => corrections.extend(Correction::all_of(&recipe)),
                None => return Ok(None),
            }
        }
        let kept = match self.only.files(index)? {
            Ok(kept) => kept,
            Err(message) => {
                complain(message);
                return Ok(None);
            }
        };
        // What is not wanted counts for no limit.
        let look_at = if self.only.is_all() {
            limit
        } else {
            usize::MAX
        };
        let (mut stale, mut more) = index.some_stale(&corrections, &REGISTRY, look_at)?;
        let mut unseen = Vec::new();
        if self.recordings {
            let changed = index.changed(&self.source())?;
            unseen = changed.unseen;
            for changed in changed.stale {
                let same = |s: &&mut Stale| {
                    (&s.file, &s.entry, &s.output)
                        == (&changed.file, &changed.entry, &changed.output)
                };
                match stale.iter_mut().find(same) {
                    Some(known) => known.reasons.extend(changed.reasons),
                    None => stale.push(changed),
                }
            }
        }
        let all = stale.len();
        let mut known: BTreeMap<PathBuf, bool> = BTreeMap::new();
        stale.retain(|s| {
            let wanted = known.entry(s.file.clone());
            *wanted.or_insert_with(|| kept.is_of(&s.file))
        });
        let outside = all - stale.len();
        unseen.retain(|(file, _)| kept.is_of(file));
        if !self.only.is_all() && !self.recordings {
            more |= stale.len() > limit;
            stale.truncate(limit);
        }
        Ok(Some(Found {
            corrections,
            stale,
            more,
            outside,
            unseen,
        }))
    }
}

/// What a look that is limited passes over.
fn beyond(outputs: usize) -> String {
    match outputs {
        0 => String::new(),
        1 => " within the limits given, 1 output beyond".into(),
        n => format!(" within the limits given, {n} outputs beyond"),
    }
}

fn read_recipe(path: &Path) -> Option<Recipe> {
    let text = read_text(path, "recipe").map_err(complain).ok()?;
    let (recipe, found) = Recipe::parse(&path.display().to_string(), &text, &REGISTRY);
    if found.has_errors() {
        show_diagnostics(&found);
        complain(format!("rejected: {}", counted(&found)));
        return None;
    }
    recipe
}

/// Shows what no longer holds.
pub fn stale(index: &Index, arguments: &Staleness) -> Result<u8, IndexError> {
    let limit = show::limit(arguments.limit, arguments.json);
    let Some(found) = arguments.changes.find(index, limit)? else {
        return Ok(exit::REJECTED);
    };
    for (file, why) in &found.unseen {
        complain(format!("failed: {}: {why}", show::short(file)));
    }
    if arguments.json {
        json(&found.stale);
    } else {
        let row = |s: &Stale| {
            vec![
                show::place(&s.file, s.gone),
                format!("{}:{}", s.entry, s.output),
                s.reasons.join("; "),
            ]
        };
        table(&found.stale.iter().map(row).collect::<Vec<_>>());
        let read = match arguments.changes.recordings {
            true => "",
            false => "; recordings were not read, which `--recordings` does",
        };
        show::more(found.more, limit);
        let count = found.stale.len();
        let some = if count == 1 { "output" } else { "outputs" };
        let than = if found.more { "more than " } else { "" };
        let outside = beyond(found.outside);
        say(format!("{than}{count} {some} to make again{outside}{read}"));
    }
    Ok(if found.unseen.is_empty() {
        exit::DONE
    } else {
        exit::FAILED
    })
}

/// Makes again what no longer holds.
pub fn again(index: &mut Index, arguments: &Again) -> Result<u8, IndexError> {
    let Some(found) = arguments.changes.find(index, usize::MAX)? else {
        return Ok(exit::REJECTED);
    };
    let mut code = exit::DONE;
    for (file, why) in &found.unseen {
        complain(format!("failed: {}: {why}", show::short(file)));
        code = exit::FAILED;
    }
    let mut files: BTreeMap<PathBuf, (bool, Vec<String>)> = BTreeMap::new();
    for stale in found.stale {
        let (_, reasons) = files.entry(stale.file).or_insert((stale.gone, Vec::new()));
        let new = stale
            .reasons
            .into_iter()
            .filter(|r| !reasons.contains(r))
            .collect::<Vec<_>>();
        reasons.extend(new);
    }
    let monitor = stopped_by_ctrl_c();
    let operator = match arguments.anonymous {
        true => None,
        false => crate::commands::run::operator(),
    };
    let mut made = 0;
    for (file, (gone, reasons)) in &files {
        let name = show::short(file);
        if *gone {
            complain(format!(
                "failed: {name}: the file is gone, and with it what it was made from"
            ));
            code = exit::FAILED;
            continue;
        }
        if arguments.dry_run {
            say(format!("would run again: {name}: {}", reasons.join("; ")));
            continue;
        }
        let source = arguments.changes.source();
        match source.rerun(
            file,
            &found.corrections,
            reasons.clone(),
            operator.clone(),
            &monitor,
        ) {
            Ok(rerun) => {
                made += 1;
                say(format!(
                    "{name} is superseded by {}: {}",
                    show::short(&rerun.file),
                    reasons.join("; ")
                ));
                for input in &rerun.other_samples {
                    complain(format!(
                        "warning: {}: {input} was made from other samples",
                        show::short(&rerun.file)
                    ));
                }
                for entry in &rerun.summary.entries {
                    for failure in &entry.failures {
                        complain(format!("failed: {}: {failure}", entry.name));
                        code = exit::FAILED;
                    }
                }
                index.add(&rerun.file)?;
            }
            Err(RerunError::Run(RunError::Interrupted)) => {
                complain(format!(
                    "stopped; {made} of {} files were made again",
                    files.len()
                ));
                return Ok(exit::STOPPED);
            }
            Err(error) => {
                complain(format!("failed: {name}: {error}"));
                code = exit::FAILED;
            }
        }
    }
    match (files.is_empty(), arguments.dry_run) {
        (true, _) => say(format!("nothing to make again{}", beyond(found.outside))),
        (false, true) => {}
        (false, false) => say(format!("{made} of {} files made again", files.len())),
    }
    Ok(code)
}
