//! Where the recordings of results are now.

use std::path::{Path, PathBuf};

use crate::lineage::RecordedFile;

/// A recording of results: in a folder if one is given, where it lies as seen from the results, as it was
/// named, or beside the results.
///
/// # Errors
/// A message that says what to do when it is nowhere.
pub fn find_recording(
    results: &Path,
    folder: Option<&Path>,
    file: &RecordedFile,
) -> Result<PathBuf, String> {
    let recorded = Path::new(&file.path);
    let beside = results.parent().unwrap_or(Path::new(""));
    let mut places = Vec::new();
    if let Some(folder) = folder {
        // As much of the path as there is, so that files of one name in several folders are told apart.
        let names: Vec<_> = recorded.components().collect();
        let below = |from: usize| folder.join(names[from..].iter().collect::<PathBuf>());
        let from = names
            .iter()
            .position(|n| matches!(n, std::path::Component::Normal(_)));
        places.extend((from.unwrap_or(names.len())..names.len()).map(below));
    }
    if !file.beside.is_empty() {
        places.push(beside.join(&file.beside));
    }
    places.push(recorded.to_owned());
    places.push(beside.join(recorded.file_name().unwrap_or_default()));
    places.into_iter().find(|p| p.is_file()).ok_or_else(|| {
        let name = recorded.display();
        format!("expected the recording {name}, found none; name its folder with `--in FOLDER`")
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_folder_given_goes_first_and_the_longest_path_in_it() {
        let folder = tempfile::tempdir().unwrap();
        let at = |path: &str| folder.path().join(path);
        let results = at("results/r.h5");
        let file = RecordedFile {
            path: "day/a.h5".into(),
            beside: "../raw/a.h5".into(),
            ..RecordedFile::default()
        };
        for path in ["results", "raw", "moved/day"] {
            std::fs::create_dir_all(at(path)).unwrap();
        }
        let found = |folder: Option<&Path>| find_recording(&results, folder, &file);
        assert!(found(None).unwrap_err().contains("--in"));
        for (made, moved) in [
            ("results/a.h5", false),
            ("raw/a.h5", false),
            ("moved/a.h5", true),
            ("moved/day/a.h5", true),
        ] {
            std::fs::write(at(made), "").unwrap();
            let folder = at("moved");
            let place = found(moved.then_some(folder.as_path())).unwrap();
            assert_eq!(
                place.canonicalize().unwrap(),
                at(made).canonicalize().unwrap()
            );
        }
    }
}
