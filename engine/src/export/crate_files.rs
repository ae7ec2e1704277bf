//! The files of a crate: gathered beside their target, described, and given their name together.

use std::collections::BTreeMap;
use std::io::Read;
use std::path::{Path, PathBuf};

use sha2::{Digest, Sha256};

use super::crate_entities::describe;
use super::crate_plots::MOST_PLOTS;
use super::{ExportError, Notation, prov_text, told, unfit};
use crate::lineage::{Lineage, REMARKS, entry_path, reseal};
use crate::rerun::Source;
use crate::saved::Saved;
use crate::store::ResultWriter;

/// The file that describes a crate.
pub const METADATA: &str = "ro-crate-metadata.json";
/// The folder of recordings in a crate.
const RECORDINGS: &str = "recordings";

/// What a crate is to hold.
#[derive(Clone, Copy, Debug, Default)]
pub struct CrateOptions<'o> {
    /// The recordings themselves, and not only what they are.
    pub include_recordings: bool,
    /// The user's name, and paths as they were given.
    pub with_names: bool,
    /// The licence, as a URL or in words.
    pub licence: Option<&'o str>,
    /// The author's name.
    pub author: Option<&'o str>,
    /// The organization of the author, which publishes the crate.
    pub organization: Option<&'o str>,
    /// Its address, as a URL.
    pub organization_url: Option<&'o str>,
    /// Further files made from the results: tables, plots, texts.
    pub add: &'o [PathBuf],
    /// The recipe as a drawing (SVG).
    pub diagram: Option<&'o str>,
    /// What of the results is not as it was written.
    pub warnings: &'o [String],
}

/// What a file of a crate is to the run.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Role {
    Recipe,
    Wiring,
    Results,
    /// A recording, by entry, name in the recipe and number.
    Recording(String, String, usize),
    Added,
    /// A plot of an output of an entry: its title, and what it shows.
    Plot {
        entry: String,
        output: String,
        title: String,
        about: String,
    },
    /// The recipe as a drawing.
    Diagram,
    Lineage,
    Guide,
}

/// A file of a crate, or a recording that is told of.
#[derive(Clone, Debug)]
pub(super) struct CrateFile {
    /// Its path in the crate with `/`; `None` when it is only told of.
    pub path: Option<String>,
    /// The name that people know it by.
    pub name: String,
    pub role: Role,
    pub bytes: u64,
    /// Its SHA-256 in hexadecimal digits; empty where it is only told of.
    pub sha256: String,
}

/// Writes results with all that belongs to them as an RO-Crate into a new folder.
///
/// # Errors
/// [`ExportError`] when something is missing or cannot be written, or when a recording that is to be
/// included has changed since; then there is no folder.
pub fn write_crate(
    saved: &Saved,
    source: &Source<'_>,
    options: &CrateOptions<'_>,
    target: &Path,
) -> Result<(), ExportError> {
    let taken = target.symlink_metadata().is_ok();
    let empty = || std::fs::read_dir(target).is_ok_and(|mut d| d.next().is_none());
    if taken && !empty() {
        return Err(ExportError::Unfit {
            path: target.into(),
            why: "exists already; choose another name".into(),
        });
    }
    let parent = target.parent().filter(|p| !p.as_os_str().is_empty());
    let parent = parent.unwrap_or(Path::new("."));
    let folder = tempfile::Builder::new()
        .prefix(".phasemill-")
        .suffix(".partial")
        .tempdir_in(parent)
        .map_err(|e| unfit(parent, &e))?;
    let lineage = told(saved, options.with_names);
    let mut gathered = Gathered {
        folder: folder.path(),
        files: Vec::new(),
        taken: BTreeMap::new(),
        drawn: 0,
        undrawn: 0,
    };
    gathered.all(saved, lineage.clone(), source, options)?;
    let graph = describe(&lineage, saved, &gathered.files, options);
    gathered.write(METADATA, &graph)?;
    let partial = folder.keep();
    // Temporary folders are for their owner alone; a crate is as readable as any folder.
    #[cfg(unix)]
    {
        let mode = std::os::unix::fs::PermissionsExt::from_mode(0o755);
        std::fs::set_permissions(&partial, mode).map_err(|e| unfit(target, &e))?;
    }
    let renamed = match taken {
        true => std::fs::remove_dir(target),
        false => Ok(()),
    };
    renamed
        .and_then(|()| std::fs::rename(&partial, target))
        .map_err(|e| {
            // What cannot be named is not left behind either.
            let _ = std::fs::remove_dir_all(&partial);
            unfit(target, &e)
        })
}

pub(super) struct Gathered<'g> {
    folder: &'g Path,
    files: Vec<CrateFile>,
    /// Paths that are taken, in small letters.
    taken: BTreeMap<String, u32>,
    /// Plots that were drawn.
    pub drawn: usize,
    /// Plots that were left out.
    pub undrawn: usize,
}

impl Gathered<'_> {
    fn all(
        &mut self,
        saved: &Saved,
        mut lineage: Lineage,
        source: &Source<'_>,
        options: &CrateOptions<'_>,
    ) -> Result<(), ExportError> {
        // The name of the description is the first to be taken.
        self.free(METADATA);
        let recipe = self.free(&named(&saved.recipe.name, "recipe.ron"));
        self.text(&recipe, &saved.recipe.text, Role::Recipe)?;
        if let Some(wiring) = &saved.wiring {
            let path = self.free(&named(&wiring.name, "wiring.ron"));
            self.text(&path, &wiring.text, Role::Wiring)?;
        }
        if options.include_recordings {
            still_the_same(saved, source)?;
        }
        self.recordings(saved, &mut lineage, source, options)?;
        let results = saved.path().to_string_lossy().into_owned();
        let results = self.free(&named(&results, "results.h5"));
        match options.with_names {
            true => self.copy(saved.path(), &results)?,
            false => without_names(saved, &mut lineage, &self.folder.join(&results))?,
        }
        self.take(results, Role::Results)?;
        if let Some(diagram) = options.diagram {
            let path = self.free("recipe.svg");
            self.text(&path, diagram, Role::Diagram)?;
        }
        self.plots(saved, source)?;
        for added in options.add {
            let path = self.free(&named(&added.to_string_lossy(), "file"));
            self.copy(added, &path)?;
            self.take(path, Role::Added)?;
        }
        let prov = self.free("lineage.prov.json");
        let text = prov_text(&told(saved, options.with_names), saved, Notation::Json);
        self.text(&prov, &text, Role::Lineage)?;
        let guide = self.free("README.md");
        let text = self.guide(&lineage, options);
        self.text(&guide, &text, Role::Guide)
    }

    /// Copies recordings, or tells of them; a copy of the results then knows where they are.
    fn recordings(
        &mut self,
        saved: &Saved,
        lineage: &mut Lineage,
        source: &Source<'_>,
        options: &CrateOptions<'_>,
    ) -> Result<(), ExportError> {
        // One recording may serve several entries.
        let mut copied: BTreeMap<PathBuf, String> = BTreeMap::new();
        let told = saved.lineage().entries.iter().zip(&mut lineage.entries);
        for (entry, told) in told {
            let places = match options.include_recordings {
                true => source
                    .files(saved, entry)
                    .map_err(|why| fault(saved, why))?,
                false => Vec::new(),
            };
            for (which, recording) in entry.recordings.iter().enumerate() {
                for (number, file) in recording.files.iter().enumerate() {
                    let name = named(&file.path, "recording.h5");
                    let role = Role::Recording(entry.name.clone(), recording.name.clone(), number);
                    let Some(from) = places.get(which).and_then(|(_, files)| files.get(number))
                    else {
                        self.files.push(CrateFile {
                            path: None,
                            name,
                            role,
                            bytes: file.bytes,
                            sha256: String::new(),
                        });
                        continue;
                    };
                    let path = match copied.get(from) {
                        Some(path) => path.clone(),
                        None => {
                            let path = self.free(&format!("{RECORDINGS}/{name}"));
                            self.copy(from, &path)?;
                            copied.insert(from.clone(), path.clone());
                            path
                        }
                    };
                    let told = told.recordings.get_mut(which);
                    if let Some(told) = told.and_then(|r| r.files.get_mut(number)) {
                        told.beside = path.clone();
                    }
                    self.take(path, role)?;
                }
            }
        }
        Ok(())
    }

    fn copy(&self, from: &Path, path: &str) -> Result<(), ExportError> {
        let to = self.folder.join(path);
        let made = to.parent().map_or(Ok(()), std::fs::create_dir_all);
        made.and_then(|()| std::fs::copy(from, &to))
            .map(drop)
            .map_err(|e| unfit(from, &e))
    }

    /// A path that nothing has yet: the one wanted, or one in a numbered folder.
    pub fn free(&mut self, path: &str) -> String {
        let count = self.taken.entry(path.to_lowercase()).or_insert(0);
        *count += 1;
        match (*count, path.rsplit_once('/')) {
            (1, _) => path.to_owned(),
            (n, Some((folder, name))) => format!("{folder}/{n}/{name}"),
            (n, None) => format!("{n}/{path}"),
        }
    }

    fn write(&self, path: &str, text: &str) -> Result<(), ExportError> {
        let to = self.folder.join(path);
        let made = to.parent().map_or(Ok(()), std::fs::create_dir_all);
        made.and_then(|()| std::fs::write(&to, text))
            .map_err(|e| unfit(&to, &e))
    }

    pub fn text(&mut self, path: &str, text: &str, role: Role) -> Result<(), ExportError> {
        self.write(path, text)?;
        self.take(path.to_owned(), role)
    }

    /// Takes a file of the folder into the list.
    fn take(&mut self, path: String, role: Role) -> Result<(), ExportError> {
        let at = self.folder.join(&path);
        let (bytes, sha256) = summed(&at).map_err(|e| unfit(&at, &e))?;
        self.files.push(CrateFile {
            name: named(&path, &path),
            path: Some(path),
            role,
            bytes,
            sha256,
        });
        Ok(())
    }

    fn guide(&self, lineage: &Lineage, options: &CrateOptions<'_>) -> String {
        let title = lineage.entries.first().map_or("", |e| e.title.as_str());
        let mut text = format!(
            "# {title}\n\nResults of phasemill {}, begun {}, with what they were made from.\n",
            lineage.program, lineage.began
        );
        for warning in options.warnings {
            text += &format!("\nWarning: not as it was written: {warning}\n");
        }
        for left_out in &lineage.left_out {
            text += &format!("\nThe run left out a recording: {left_out}\n");
        }
        text += "\n| file | what |\n|---|---|\n";
        for file in &self.files {
            let path = match &file.path {
                Some(path) => path.clone(),
                None => format!("{} (not in this folder)", file.name),
            };
            text += &format!("| {path} | {} |\n", file.words());
        }
        text += &format!("| {METADATA} | this folder, described for programs (RO-Crate 1.1) |\n");
        if self.undrawn > 0 {
            text += &format!(
                "\nOf the plots, the first {MOST_PLOTS} are here; `phasemill report` draws the other {} as well.\n",
                self.undrawn
            );
        }
        if options.include_recordings {
            text += "\nThe recordings are here, so everything can be computed again and compared:\n\n    phasemill verify .\n";
        }
        text
    }
}

impl CrateFile {
    /// What it is, in words.
    pub fn words(&self) -> String {
        match &self.role {
            Role::Recipe => "the recipe".into(),
            Role::Wiring => "the wiring: which dataset plays which role".into(),
            Role::Results => {
                "the results, with uncertainties and lineage (HDF5, NeXus NXdata)".into()
            }
            Role::Recording(entry, name, _) => match name.as_str() {
                "" => format!("the recording of {entry}"),
                name => format!("the recording `{name}` of {entry}"),
            },
            Role::Added => format!("{} made from the results", kind_of(media_type(&self.name))),
            Role::Plot { title, .. } => format!("a plot of {title}"),
            Role::Diagram => {
                "the recipe as a graph: stages, settings, and what flows between them".into()
            }
            Role::Lineage => "the lineage of every result (W3C PROV-JSON)".into(),
            Role::Guide => "this text".into(),
        }
    }
}

/// The media type (IANA) that a name's ending stands for.
pub(super) fn media_type(name: &str) -> &'static str {
    match name.rsplit('.').next().unwrap_or("") {
        "h5" | "hdf5" | "nxs" | "hdf" => "application/x-hdf5",
        "csv" => "text/csv",
        "json" => "application/json",
        "md" => "text/markdown",
        "html" => "text/html",
        "svg" => "image/svg+xml",
        "png" => "image/png",
        "pdf" => "application/pdf",
        "tex" => "application/x-tex",
        "ron" | "txt" => "text/plain",
        _ => "application/octet-stream",
    }
}

/// What a person calls a file of a media type.
fn kind_of(media_type: &str) -> &'static str {
    match media_type {
        "text/csv" => "a table",
        image if image.starts_with("image/") => "a picture",
        text if text.starts_with("text/") => "a text",
        _ => "a file",
    }
}

/// A copy of results in which nobody is named, sealed again.
fn without_names(saved: &Saved, lineage: &mut Lineage, to: &Path) -> Result<(), ExportError> {
    if lineage.version < 2 {
        return Err(ExportError::Unfit {
            path: saved.path().into(),
            why: "expected a record of version 2, found 1, of which no copy without paths can be made; \
                  run the recipe again, or export it with `--with-names`"
                .into(),
        });
    }
    let mut writer = ResultWriter::create(to, false)?;
    let names = ["/provenance/recipe_name", "/provenance/wiring_name"];
    let record = ["/provenance/lineage", "/provenance/seal"];
    let signature = ["/provenance/signature", "/provenance/signatures"];
    let entries: Vec<String> = lineage
        .entries
        .iter()
        .map(|e| entry_path(&e.name))
        .collect();
    let entries: Vec<&str> = entries.iter().map(String::as_str).collect();
    let except = [&names[..], &record, &signature, &entries, &[REMARKS]].concat();
    saved.record.file.copy_to(&mut writer, &except)?;
    writer.text(names[0], &lineage.recipe)?;
    if saved.wiring.is_some() {
        writer.text(names[1], &lineage.wiring)?;
    }
    reseal(&mut writer, lineage)?;
    Ok(writer.finish()?)
}

/// Recordings that are included must be those that were used.
fn still_the_same(saved: &Saved, source: &Source<'_>) -> Result<(), ExportError> {
    let changed = source
        .changed_inputs(saved)
        .map_err(|why| fault(saved, why))?;
    match changed.first() {
        None => Ok(()),
        Some([entry, _, why]) => Err(fault(
            saved,
            format!(
                "expected the recordings that were used, found others: {entry}: {why}; \
                 leave them out, or run the recipe again"
            ),
        )),
    }
}

fn fault(saved: &Saved, why: String) -> ExportError {
    ExportError::Unfit {
        path: saved.path().into(),
        why,
    }
}

/// The last name of a path of any system, or what stands for it.
fn named(path: &str, otherwise: &str) -> String {
    match path.rsplit(['/', '\\']).next() {
        Some(name) if !name.is_empty() => name.into(),
        _ => otherwise.into(),
    }
}

/// Size and SHA-256 of a file.
pub(super) fn summed(path: &Path) -> std::io::Result<(u64, String)> {
    let mut file = std::fs::File::open(path)?;
    let mut hasher = Sha256::new();
    let mut block = vec![0; 1 << 16];
    let mut bytes = 0;
    loop {
        match file.read(&mut block)? {
            0 => break,
            n => {
                hasher.update(&block[..n]);
                bytes += n as u64;
            }
        }
    }
    let digits = hasher
        .finalize()
        .iter()
        .map(|b| format!("{b:02x}"))
        .collect();
    Ok((bytes, digits))
}
