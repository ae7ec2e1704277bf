//! `phasemill cache`: what a cache of intermediate results holds; and the options of `run` that concern one.

use std::path::PathBuf;

use phasemill_engine::cache::{Cache, CacheError, Held, Served, Trust, held, shrink};

use super::{complain, say};
use crate::exit;

/// Arguments of `cache`.
#[derive(clap::Args)]
pub struct Arguments {
    /// The folder of the cache
    folder: PathBuf,
    /// Remove what was not used for longest, until at most so much is left, as in "2 GiB"
    #[arg(long, value_name = "SIZE", value_parser = size, conflicts_with = "clear")]
    limit: Option<u64>,
    /// Remove everything
    #[arg(long)]
    clear: bool,
}

/// Runs the command.
pub fn run(arguments: &Arguments) -> u8 {
    let limit = arguments.limit.or(arguments.clear.then_some(0));
    let left = match limit {
        Some(limit) => shrink(&arguments.folder, limit),
        None => held(&arguments.folder),
    };
    match left {
        Ok(left) => {
            say(in_words(left));
            exit::DONE
        }
        Err(error) => {
            complain(format!("error: {error}"));
            exit::REJECTED
        }
    }
}

/// What `run` is told of a cache.
#[derive(clap::Args)]
pub struct Options {
    /// Keep intermediate results in this folder, and take from it what is there
    #[arg(long, value_name = "FOLDER")]
    cache: Option<PathBuf>,
    /// Afterwards, remove from the cache what was not used for longest, until at most so much is left
    #[arg(long, value_name = "SIZE", value_parser = size, default_value = "2 GiB", requires = "cache")]
    cache_limit: u64,
    /// How recordings are known again: by path, size, times and ends of their files, or by all samples
    #[arg(
        long,
        value_name = "WHAT",
        default_value = "file",
        requires = "cache",
        value_enum
    )]
    cache_trust: Trusted,
}

#[derive(Clone, Copy, clap::ValueEnum)]
enum Trusted {
    File,
    Content,
}

impl Options {
    /// Opens the cache, where one is asked for.
    pub fn open(&self) -> Result<Option<Cache>, CacheError> {
        let trust = match self.cache_trust {
            Trusted::File => Trust::File,
            Trusted::Content => Trust::Content,
        };
        let open = |folder: &PathBuf| Cache::open(folder, trust);
        self.cache.as_ref().map(open).transpose()
    }

    /// Keeps to the limit, and says what the cache did.
    pub fn close(&self, cache: &Cache, quiet: bool) {
        cache.shrink(self.cache_limit);
        let Served {
            found,
            kept,
            damaged,
            deceived,
        } = cache.served();
        if damaged > 0 {
            complain(format!(
                "warning: cache: {damaged} damaged entries were computed again; check the disk if that recurs"
            ));
        }
        if deceived > 0 {
            complain(format!(
                "warning: cache: the samples of {deceived} channels at points changed without a trace in the times of \
                 their files; all of these points were computed again; use `--cache-trust content`"
            ));
        }
        if !quiet {
            let held = in_words(cache.held());
            say(format!(
                "cache: {found} stages at points taken from it, {kept} added; it holds {held}"
            ));
        }
    }
}

fn in_words(held: Held) -> String {
    let entries = if held.entries == 1 {
        "entry"
    } else {
        "entries"
    };
    // As units of the IEC (IEC 80000-13).
    let mut size = held.bytes as f64;
    let mut unit = "B";
    for larger in ["KiB", "MiB", "GiB", "TiB"] {
        if size >= 1024.0 {
            size /= 1024.0;
            unit = larger;
        }
    }
    let digits = if unit == "B" { 0 } else { 1 };
    format!("{} {entries}, {size:.digits$} {unit}", held.entries)
}

/// A size such as "2 GiB" in bytes.
fn size(text: &str) -> Result<u64, String> {
    let text = text.trim();
    let end = text
        .find(|c: char| !c.is_ascii_digit() && c != '.')
        .unwrap_or(text.len());
    let (number, unit) = text.split_at(end);
    let factor: f64 = match unit.trim() {
        "" | "B" => 1.0,
        "kB" => 1e3,
        "MB" => 1e6,
        "GB" => 1e9,
        "TB" => 1e12,
        "KiB" => 1024.0,
        "MiB" => 1024.0 * 1024.0,
        "GiB" => 1024.0 * 1024.0 * 1024.0,
        "TiB" => 1024.0 * 1024.0 * 1024.0 * 1024.0,
        other => {
            return Err(format!(
                "expected a size in B, kB, MB, GB, TB, KiB, MiB, GiB or TiB, found the unit `{other}`"
            ));
        }
    };
    match number.parse::<f64>() {
        Ok(number) => Ok((number * factor) as u64),
        Err(_) => Err(format!("expected a size as \"2 GiB\", found `{text}`")),
    }
}
