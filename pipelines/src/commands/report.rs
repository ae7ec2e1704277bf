//! `phasemill report`: results as a page that a colleague can read, or many as pages with an index.

use std::path::PathBuf;

use phasemill_engine::lineage::{RecordError, file_name};
use phasemill_engine::report::draw::escaped;
use phasemill_engine::report::{Glance, Page, Subject, html, index, slug};
use phasemill_engine::run::Monitor;
use phasemill_engine::saved::{Saved, SavedError};

use super::{complain, say, stopped_by_ctrl_c};
use crate::exit;
use crate::report::files::Existing;
use crate::report::{Options, files, page};

/// Arguments of `report`.
#[derive(clap::Args)]
pub struct Arguments {
    /// The result file; or several, or a folder of them
    #[arg(required = true)]
    results: Vec<PathBuf>,
    /// The page; by default beside the result file. For several recordings the folder of the pages
    #[arg(long, short, value_name = "FILE|FOLDER")]
    out: Option<PathBuf>,
    /// Also write each plot as SVG, PNG and CSV into a folder
    #[arg(long, value_name = "FOLDER")]
    plots: Option<PathBuf>,
    /// Look for recordings that were moved in this folder, by the hash of their samples
    #[arg(long = "in", value_name = "FOLDER")]
    folders: Vec<PathBuf>,
    /// Leave out what needs the recordings
    #[arg(long)]
    quick: bool,
    /// Keep the user's name and paths, which otherwise do not leave
    #[arg(long)]
    with_names: bool,
    /// Replace existing output
    #[arg(long)]
    overwrite: bool,
    /// Threads; 0 means one per core
    #[arg(long, default_value_t = 0, value_name = "N")]
    threads: usize,
}

/// Runs the command.
pub fn run(arguments: &Arguments) -> u8 {
    match written(arguments) {
        Ok(code) => code,
        Err(message) => {
            complain(format!("error: {message}"));
            exit::REJECTED
        }
    }
}

fn written(arguments: &Arguments) -> Result<u8, String> {
    if let Some(folder) = arguments.folders.iter().find(|f| !f.is_dir()) {
        return Err(format!(
            "expected a folder with `--in`, found none at {}",
            folder.display()
        ));
    }
    let mut left_out = Vec::new();
    let mut all = opened(arguments, &mut left_out)?;
    let mut paths = Vec::new();
    if !arguments.with_names {
        all.iter_mut()
            .for_each(|s| s.record.lineage.operator = None);
        paths = paths_of(&all);
    }
    let entries: usize = all.iter().map(|s| s.lineage().entries.len()).sum();
    let report = Report {
        arguments,
        existing: Existing::Replaced(arguments.overwrite),
        options: Options {
            folders: arguments.folders.clone(),
            quick: arguments.quick,
            threads: arguments.threads,
        },
        paths,
        monitor: &stopped_by_ctrl_c(),
    };
    let one = !arguments.results.iter().any(|p| p.is_dir()) && all.len() == 1;
    match (all.first(), entries) {
        (_, 0) => Err("the files hold no results".into()),
        (Some(saved), 1) if one => report.alone(saved),
        _ => report.batch(&all, left_out),
    }
}

/// The result files that are named or in the folders that are named. Of a folder, other files are passed over, and what
/// is broken is told and left out.
fn opened(arguments: &Arguments, left_out: &mut Vec<String>) -> Result<Vec<Saved>, String> {
    let mut all = Vec::new();
    for path in &arguments.results {
        if !path.is_dir() {
            all.push(Saved::open(path).map_err(|e| e.to_string())?);
            continue;
        }
        let listed = std::fs::read_dir(path).map_err(|e| {
            format!(
                "cannot read the folder {}: {e}; check the path",
                path.display()
            )
        })?;
        let mut files: Vec<PathBuf> = listed.flatten().map(|f| f.path()).collect();
        files.retain(|f| f.extension().is_some_and(|e| e == "h5" || e == "hdf5") && f.is_file());
        files.sort();
        for file in files {
            match Saved::open(&file) {
                Ok(saved) => all.push(saved),
                Err(SavedError::Record(RecordError::NoResults { .. })) => {}
                Err(error) => left_out.push(error.to_string()),
            }
        }
    }
    match all.is_empty() {
        true => Err(format!(
            "expected result files of `phasemill run`, found none in {}{}",
            arguments.results[0].display(),
            left_out
                .first()
                .map_or(String::new(), |why| format!("; {why}"))
        )),
        false => Ok(all),
    }
}

/// The paths of recordings, recipes and results as they are on record or were given, the longest first.
fn paths_of(all: &[Saved]) -> Vec<String> {
    let recorded = all.iter().flat_map(|s| s.lineage().paths());
    let given = all.iter().map(|s| s.path().display().to_string());
    // What has no ending could be found in a script, or in the numbers of a plot, as well.
    let is_file = |p: &String| file_name(p) != p.as_str() && file_name(p).contains('.');
    let mut paths: Vec<String> = recorded.chain(given).filter(is_file).collect();
    paths.sort_by_key(|p| std::cmp::Reverse(p.len()));
    paths.dedup();
    paths
}

struct Report<'a> {
    arguments: &'a Arguments,
    existing: Existing,
    options: Options,
    /// Paths that stand on no page but by the name of their file.
    paths: Vec<String>,
    monitor: &'a Monitor,
}

impl Report<'_> {
    /// One page about one recording.
    fn alone(&self, saved: &Saved) -> Result<u8, String> {
        let beside = || saved.path().with_extension("html");
        let mut out = self.arguments.out.clone().unwrap_or_else(beside);
        // A folder gets the page under the name that it has beside the file.
        if out.is_dir() {
            out.push(beside().file_name().unwrap_or_default());
        }
        // Before the work, what would be refused after it.
        self.existing.allows(&out)?;
        let entry = &saved.lineage().entries[0];
        let (page, _) = self.page(saved, &entry.name, &out.display().to_string())?;
        files::write(&out, self.html(&page).as_bytes(), self.existing)?;
        say(format!("page in {}", out.display()));
        self.plots(&page, "")?;
        Ok(exit::DONE)
    }

    /// A page for each recording, and an index.
    fn batch(&self, all: &[Saved], mut left_out: Vec<String>) -> Result<u8, String> {
        let Some(folder) = &self.arguments.out else {
            return Err(
                "several recordings get a page each; name a folder for them with `--out FOLDER`"
                    .into(),
            );
        };
        let first = folder.join("index.html");
        if folder.is_file() {
            return Err(format!(
                "expected a folder for several recordings, found a file at {}",
                folder.display()
            ));
        }
        self.existing.allows(&first)?;
        files::folder(folder)?;
        let mut glances: Vec<Glance> = Vec::new();
        for saved in all {
            for entry in &saved.lineage().entries {
                let stem = saved
                    .path()
                    .file_stem()
                    .map(|s| s.to_string_lossy().into_owned());
                let plain = slug(&format!("{} {}", stem.unwrap_or_default(), entry.name));
                let taken = |name: &str| glances.iter().any(|g| g.page == name);
                let mut names = (1..).map(|k| match k {
                    1 => format!("{plain}.html"),
                    k => format!("{plain}-{k}.html"),
                });
                let name = names.find(|n| !taken(n)).unwrap_or_default();
                match self.page(saved, &entry.name, &name) {
                    Ok((page, glance)) => {
                        files::write(
                            &folder.join(&name),
                            self.html(&page).as_bytes(),
                            self.existing,
                        )?;
                        self.plots(&page, &format!("{}-", name.trim_end_matches(".html")))?;
                        glances.push(glance);
                    }
                    Err(why) => left_out.push(format!("{}: {why}", saved.path().display())),
                }
            }
        }
        for why in &left_out {
            complain(format!("warning: left out: {why}"));
        }
        let pages = glances.len();
        let of_runs = all.iter().flat_map(|saved| {
            let file = saved.path().display();
            let left_out = saved.lineage().left_out.iter();
            left_out.map(move |one| format!("{file}: the run left out {one}"))
        });
        let not_shown: Vec<String> = left_out.iter().cloned().chain(of_runs).collect();
        let index = index::index(glances, &not_shown);
        files::write(&first, self.html(&index).as_bytes(), self.existing)?;
        say(format!("{pages} pages, and {} lists them", first.display()));
        Ok(if left_out.is_empty() {
            exit::DONE
        } else {
            exit::FAILED
        })
    }

    /// A page as it leaves.
    fn html(&self, page: &Page) -> String {
        let clean = |text: String, path: &String| match text.contains(path.as_str()) {
            true => text.replace(path.as_str(), file_name(path)),
            false => text,
        };
        let paths = self.paths.iter().map(|p| escaped(p));
        paths.fold(html(page), |text, path| clean(text, &path))
    }

    fn page(&self, saved: &Saved, entry: &str, name: &str) -> Result<(Page, Glance), String> {
        let entries = &saved.lineage().entries;
        let entry = entries
            .iter()
            .find(|e| e.name == entry)
            .ok_or("the entry is gone")?;
        let subject =
            Subject::new(saved, entry, &phasemill_stages::REGISTRY).map_err(|e| e.to_string())?;
        for problem in &subject.unfit {
            complain(format!(
                "warning: {}: {problem}; `phasemill verify` says more",
                saved.path().display()
            ));
        }
        page(&subject, name, &self.options, self.monitor).map_err(|e| e.to_string())
    }

    fn plots(&self, page: &Page, prefix: &str) -> Result<(), String> {
        let Some(folder) = &self.arguments.plots else {
            return Ok(());
        };
        let count = files::plots(page, folder, prefix, self.existing)?;
        say(format!(
            "{count} plots in {}, each as SVG, PNG and CSV",
            folder.display()
        ));
        Ok(())
    }
}
