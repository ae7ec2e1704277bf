//! Files that appear complete or not at all: written beside their target, synced, renamed.

use std::io;
use std::path::{Path, PathBuf};

use tempfile::NamedTempFile;

use super::StoreError;

/// A new file in the target's folder, hidden until [`publish`] gives it the target's name; dropped
/// before, it is removed.
///
/// # Errors
/// [`StoreError::Write`] when the folder is missing or may not be written to, or when the target is
/// a folder.
pub fn beside(target: &Path) -> Result<NamedTempFile, StoreError> {
    if target.file_name().is_none() || target.is_dir() {
        return Err(fault(target, "it is a folder; name a file in it"));
    }
    let mut builder = tempfile::Builder::new();
    builder.prefix(".phasemill-").suffix(".partial");
    // Temporary files are for their owner alone by default; results are as readable as any file.
    #[cfg(unix)]
    builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o666));
    builder
        .tempfile_in(folder(target))
        .map_err(|e| match e.kind() {
            io::ErrorKind::NotFound => fault(
                target,
                format!(
                    "there is no folder {}; make it first",
                    folder(target).display()
                ),
            ),
            io::ErrorKind::PermissionDenied => fault(
                target,
                format!(
                    "no permission to write into the folder {}; choose another",
                    folder(target).display()
                ),
            ),
            _ => fault(target, system(&e)),
        })
}

/// Syncs a file from [`beside`] and renames it to its target, which it replaces.
///
/// # Errors
/// [`StoreError::Write`] with the system's reason; the file is then removed.
pub fn publish(file: NamedTempFile, target: &Path) -> Result<(), StoreError> {
    sync(&file, target)?;
    file.persist(target)
        .map_err(|e| fault(target, system(&e.error)))?;
    sync_folder(target)
}

/// As [`publish`], and [`StoreError::Exists`] when there is a file of this name by now.
pub(super) fn publish_new(file: NamedTempFile, target: &Path) -> Result<(), StoreError> {
    sync(&file, target)?;
    file.persist_noclobber(target)
        .map_err(|e| match e.error.kind() {
            io::ErrorKind::AlreadyExists => StoreError::Exists {
                file: target.into(),
            },
            _ => fault(target, system(&e.error)),
        })?;
    sync_folder(target)
}

pub(super) fn fault(target: &Path, why: impl Into<String>) -> StoreError {
    StoreError::Write {
        file: target.into(),
        why: why.into(),
    }
}

fn sync(file: &NamedTempFile, target: &Path) -> Result<(), StoreError> {
    file.as_file()
        .sync_all()
        .map_err(|e| fault(target, system(&e)))
}

/// The name is safe on disk once its folder is.
fn sync_folder(target: &Path) -> Result<(), StoreError> {
    #[cfg(unix)]
    std::fs::File::open(folder(target))
        .and_then(|f| f.sync_all())
        .map_err(|e| fault(target, system(&e)))?;
    let _ = target;
    Ok(())
}

fn folder(target: &Path) -> PathBuf {
    target
        .parent()
        .filter(|p| !p.as_os_str().is_empty())
        .map_or_else(|| PathBuf::from("."), PathBuf::from)
}

/// The system's message in lower case, without its number.
fn system(error: &io::Error) -> String {
    let text = error.to_string().to_lowercase();
    text.split(" (os error").next().unwrap_or(&text).to_owned()
}
