//! Results that a look at the index is limited to: those of a recipe, of a set-up, or in a folder.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use phasemill_engine::index::{Index, IndexError};
use phasemill_engine::saved::Saved;

use super::ask;

/// Only some results; all of what is given must hold.
#[derive(clap::Args)]
pub struct Only {
    /// Only results of this recipe: its file, or its title or a part of it
    #[arg(long, value_name = "RECIPE")]
    of_recipe: Option<String>,
    /// Only results of this set-up: the file of its wiring, or the end of the path under which it was given
    #[arg(long, value_name = "WIRING")]
    of_wiring: Option<PathBuf>,
    /// Only result files in this folder, or in folders in it
    #[arg(long, value_name = "FOLDER")]
    below: Option<PathBuf>,
}

/// What result files are wanted.
pub struct Files {
    recipe: Option<BTreeSet<PathBuf>>,
    wiring: Option<Wiring>,
    below: Option<PathBuf>,
}

/// A wiring as it is named, and its text where it is there.
struct Wiring {
    path: PathBuf,
    text: Option<String>,
}

impl Only {
    /// Whether nothing is left out.
    pub fn is_all(&self) -> bool {
        self.of_recipe.is_none() && self.of_wiring.is_none() && self.below.is_none()
    }

    /// The files that are wanted; inside a message where an argument is of no use.
    pub fn files(&self, index: &Index) -> Result<Result<Files, String>, IndexError> {
        let recipe = match &self.of_recipe {
            Some(named) => {
                let (found, _) = ask::recipes(index, named)?;
                let files = found.into_iter().flat_map(|r| r.files);
                Some(files.map(|link| link.file).collect())
            }
            None => None,
        };
        let below = match &self.below {
            Some(folder) => match folder.canonicalize() {
                Ok(folder) if folder.is_dir() => Some(folder),
                _ => {
                    let message = format!(
                        "error: expected a folder with results, found none of the name {}; correct `--below`",
                        folder.display()
                    );
                    return Ok(Err(message));
                }
            },
            None => None,
        };
        let wiring = self.of_wiring.as_ref().map(|path| Wiring {
            path: path.clone(),
            text: std::fs::read_to_string(path).ok(),
        });
        Ok(Ok(Files {
            recipe,
            wiring,
            below,
        }))
    }
}

impl Files {
    /// Whether a file is wanted. What its wiring was is read in the file; one that cannot be read is wanted, so that
    /// nothing is passed over in silence.
    pub fn is_of(&self, file: &Path) -> bool {
        let recipe = self.recipe.as_ref().is_none_or(|all| all.contains(file));
        let below = self.below.as_ref().is_none_or(|f| file.starts_with(f));
        let wiring = |wiring: &Wiring| match Saved::open(file) {
            Ok(saved) => saved.wiring.as_ref().is_some_and(|own| {
                let named = Path::new(&own.name).ends_with(&wiring.path);
                named || wiring.text.as_ref() == Some(&own.text)
            }),
            Err(_) => true,
        };
        recipe && below && self.wiring.as_ref().is_none_or(wiring)
    }
}
