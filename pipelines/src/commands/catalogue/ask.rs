//! What can be asked of the index without running anything.

use std::path::{Path, PathBuf};

use phasemill_engine::index::{Index, IndexError, RecipeUse, Uses, Wanted};
use phasemill_engine::recipe::Recipe;
use phasemill_engine::saved::recipe_version;

use super::show::{self, json, table};
use crate::commands::{complain, say};
use crate::exit;

/// Arguments of `list`.
#[derive(clap::Args)]
pub struct Listing {
    /// Only runs that are not superseded
    #[arg(long)]
    current: bool,
    /// Most runs that are shown, the newest; by default 100, and all in JSON
    #[arg(long, value_name = "N")]
    limit: Option<usize>,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// Arguments of `uses`.
#[derive(clap::Args)]
pub struct Usage {
    #[command(flatten)]
    what: What,
    /// Most outputs that are shown
    #[arg(long, value_name = "N", default_value_t = 100)]
    limit: usize,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// What results may have used: one of these.
#[derive(clap::Args)]
#[group(required = true, multiple = false)]
struct What {
    /// A recording: its path or the end of it, or the beginning of the hash of its samples (8 digits or more)
    #[arg(long, value_name = "PATH|HASH")]
    recording: Option<String>,
    /// A constant, with any value or with this one
    #[arg(long, value_name = "NAME[=VALUE]")]
    constant: Option<String>,
    /// A stage, with any version of its kernel or with this one
    #[arg(long, value_name = "STAGE[@VERSION]")]
    stage: Option<String>,
}

/// Arguments of `recipe`.
#[derive(clap::Args)]
pub struct OfRecipe {
    /// The recipe: its file, or its title or a part of it
    recipe: String,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// Arguments of `find`.
#[derive(clap::Args)]
pub struct Search {
    /// The number as printed, as "3.42(5) nA", "3.42 nA" or "3.42 nA ± 0.10 nA (k = 2)"
    #[arg(allow_hyphen_values = true)]
    number: String,
    /// The place on the axis, as "540 nm"
    #[arg(long, value_name = "PLACE", allow_hyphen_values = true)]
    at: Option<String>,
    /// Most values that are shown
    #[arg(long, value_name = "N", default_value_t = 50)]
    limit: usize,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// Lists runs.
pub fn list(index: &Index, arguments: &Listing) -> Result<u8, IndexError> {
    let limit = show::limit(arguments.limit, arguments.json);
    let (runs, more) = index.newest(limit, arguments.current)?;
    if arguments.json {
        json(&runs);
        return Ok(exit::DONE);
    }
    for run in &runs {
        let titles: Vec<&str> = run.titles.iter().map(String::as_str).collect();
        let by = match run.operator.as_str() {
            "" => String::new(),
            name => format!(" by {name}"),
        };
        let files: Vec<String> = run.files.iter().map(show::link).collect();
        say(format!(
            "{}{by}  {}: {}, {} output{}",
            run.began,
            files.join(" = "),
            titles.join("; "),
            run.outputs,
            if run.outputs == 1 { "" } else { "s" }
        ));
        for left_out in &run.left_out {
            say(format!("    left out {left_out}"));
        }
        if !run.supersedes.is_empty() {
            let chain: Vec<String> = run.supersedes.iter().map(show::link).collect();
            say(format!(
                "    supersedes {}",
                chain.join(", which supersedes ")
            ));
        }
        if let Some(by) = &run.superseded_by {
            say(format!("    superseded by {}", show::link(by)));
        }
    }
    let count = runs.len();
    let s = if count == 1 { "" } else { "s" };
    say(match more {
        true => format!("the newest {count} run{s}; `--limit` shows more"),
        false => format!("{count} run{s}"),
    });
    Ok(exit::DONE)
}

/// Shows who used what.
pub fn uses(index: &Index, arguments: &Usage) -> Result<u8, IndexError> {
    let split = |text: &str, at: char| match text.split_once(at) {
        Some((name, rest)) => (name.trim().to_owned(), Some(rest.trim().to_owned())),
        None => (text.to_owned(), None),
    };
    let wanted = match &arguments.what {
        What {
            recording: Some(text),
            ..
        } => match is_hash(text) {
            true => Uses::RecordingOf(text.to_lowercase()),
            false => Uses::RecordingAt(PathBuf::from(text)),
        },
        What {
            constant: Some(text),
            ..
        } => {
            let (name, value) = split(text, '=');
            Uses::Constant(name, value)
        }
        What { stage, .. } => {
            let text = stage.clone().unwrap_or_default();
            let (name, version) = split(&text, '@');
            let version = match version.as_deref().map(str::parse).transpose() {
                Ok(version) => version,
                Err(_) => {
                    complain(format!(
                        "error: expected STAGE@VERSION with a whole number, found `{text}`; for example `Filter@1`"
                    ));
                    return Ok(exit::REJECTED);
                }
            };
            Uses::Kernel(name, version)
        }
    };
    let used = index.uses(&wanted, arguments.limit)?;
    if arguments.json {
        json(&used);
        return Ok(exit::DONE);
    }
    let row = |u: &phasemill_engine::index::Use| {
        vec![
            format!("{}:{}", u.entry, u.output),
            u.what.clone(),
            u.began.clone(),
            show::superseded(&u.file, u.gone, u.superseded_by.as_deref()),
        ]
    };
    table(&used.outputs.iter().map(row).collect::<Vec<_>>());
    show::more(used.more, arguments.limit);
    if used.outputs.is_empty() {
        say("no result used it");
    }
    Ok(exit::DONE)
}

/// Whether a text is the beginning of a hash and no file.
fn is_hash(text: &str) -> bool {
    let digits = text.chars().all(|c| c.is_ascii_hexdigit());
    digits && (8..=64).contains(&text.len()) && !Path::new(text).exists()
}

/// The versions of a recipe, given by its file, its title or a part of it, that results were made with; and the version
/// of the file.
pub fn recipes(index: &Index, named: &str) -> Result<(Vec<RecipeUse>, Option<String>), IndexError> {
    let text = std::fs::read_to_string(Path::new(named)).ok();
    let own = text.as_deref().map(recipe_version);
    let parsed = text
        .as_deref()
        .and_then(|text| Recipe::parse(named, text, &phasemill_stages::REGISTRY).0);
    // A file is looked for by its version, its title and its name.
    let found = match (&own, parsed.filter(|r| !r.title.is_empty())) {
        (Some(version), Some(recipe)) => index.recipes(&recipe.title, version),
        _ => index.recipes(named, own.as_deref().unwrap_or("")),
    }?;
    Ok((found, own))
}

/// Shows who used a recipe.
pub fn recipe(index: &Index, arguments: &OfRecipe) -> Result<u8, IndexError> {
    let (mut found, own) = recipes(index, &arguments.recipe)?;
    found.sort_by(|a, b| a.last.cmp(&b.last));
    if arguments.json {
        json(&found);
        return Ok(exit::DONE);
    }
    for recipe in &found {
        let titles: Vec<&str> = recipe.titles.iter().map(String::as_str).collect();
        let names: Vec<&str> = recipe.names.iter().map(String::as_str).collect();
        let mark = match own.as_ref() == Some(&recipe.version) {
            true => ", the file as it is now",
            false => "",
        };
        let version = recipe.version.get(..12).unwrap_or(&recipe.version);
        say(format!("version {version}{mark}: {}", titles.join("; ")));
        say(format!("    read from {}", names.join(", ")));
        if !recipe.operators.is_empty() {
            let who: Vec<&str> = recipe.operators.iter().map(String::as_str).collect();
            say(format!("    run by {}", who.join(", ")));
        }
        say(format!("    from {} to {}", recipe.first, recipe.last));
        recipe
            .files
            .iter()
            .for_each(|f| say(format!("    {}", show::link(f))));
    }
    if own.is_some() && !found.iter().any(|r| own.as_ref() == Some(&r.version)) {
        say("no result was made with the file as it is now");
    }
    Ok(exit::DONE)
}

/// Finds a printed number.
pub fn find(index: &Index, arguments: &Search) -> Result<u8, IndexError> {
    let wanted = Wanted::parse(&arguments.number, arguments.at.as_deref())?;
    let found = index.find(&wanted, arguments.limit)?;
    if arguments.json {
        json(&found);
        return Ok(exit::DONE);
    }
    let row = |h: &phasemill_engine::index::Hit| {
        let at = match h.at.as_str() {
            "" => format!("point {}", h.point),
            at => format!("point {}, {at}", h.point),
        };
        vec![
            format!("{}:{}", h.entry, h.output),
            h.part.clone(),
            h.printed.clone(),
            at,
            h.began.clone(),
            show::superseded(&h.file, h.gone, h.superseded_by.as_deref()),
        ]
    };
    if found.hits.iter().any(|h| h.uncertainty_fits == Some(false)) {
        complain("warning: the value is found, and not with this uncertainty");
    }
    table(&found.hits.iter().map(row).collect::<Vec<_>>());
    show::more(found.more, arguments.limit);
    if found.hits.is_empty() {
        say("no output rounds to it; results that are not in the index are not looked through");
    }
    Ok(exit::DONE)
}
