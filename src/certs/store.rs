//! A set on disk: private keys readable by their owner only, nothing overwritten unasked.

use std::fs;
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};

use super::{BenchSet, CertsError, File};

/// Writes a set below `directory`, which is made with its folders for the owner only (mode 0700).
/// Files with keys get mode 0600.
///
/// Without `force`, nothing is written if any of the files is there. With it, each file is
/// replaced as a whole, so that a reader never sees half of one.
///
/// # Errors
/// [`CertsError::Exists`] without `force`, or the disk's refusal; the files before it stay.
pub fn write(set: &BenchSet, directory: &Path, force: bool) -> Result<(), CertsError> {
    if !force {
        for file in &set.files {
            let path = directory.join(&file.path);
            if path.symlink_metadata().is_ok() {
                return Err(CertsError::Exists(path));
            }
        }
    }
    private_folder(directory)?;
    for file in &set.files {
        let path = directory.join(&file.path);
        for folder in folders(directory, &file.path) {
            private_folder(&folder)?;
        }
        put(&path, file).map_err(|source| CertsError::Io { path, source })?;
    }
    Ok(())
}

/// The folders of a path below the directory, the outer one first.
fn folders(directory: &Path, path: &str) -> Vec<PathBuf> {
    path.match_indices('/')
        .filter_map(|(at, _)| path.get(..at))
        .map(|folder| directory.join(folder))
        .collect()
}

fn private_folder(path: &Path) -> Result<(), CertsError> {
    let made = if path.is_dir() {
        Ok(())
    } else {
        make_folder(path)
    };
    made.and_then(|()| keep_to_owner(path))
        .map_err(|source| CertsError::Io {
            path: path.to_owned(),
            source,
        })
}

/// The file is written beside its place and renamed into it: its mode is right from the start,
/// and a link in its place is replaced, not followed.
fn put(path: &Path, file: &File) -> io::Result<()> {
    let mut beside = path.as_os_str().to_owned();
    beside.push(".new");
    let beside = PathBuf::from(beside);
    match fs::remove_file(&beside) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(error),
        _ => {}
    }
    let mut out = new_file(&beside, file.private)?;
    out.write_all(&file.content)?;
    out.sync_all()?;
    fs::rename(&beside, path)
}

#[cfg(unix)]
fn make_folder(path: &Path) -> io::Result<()> {
    use std::os::unix::fs::DirBuilderExt as _;
    // Folders above the set's own are not secret.
    if let Some(parent) = path.parent() {
        fs::create_dir_all(parent)?;
    }
    fs::DirBuilder::new().mode(0o700).create(path)
}

#[cfg(unix)]
fn keep_to_owner(path: &Path) -> io::Result<()> {
    use std::os::unix::fs::PermissionsExt as _;
    fs::set_permissions(path, fs::Permissions::from_mode(0o700))
}

#[cfg(unix)]
fn new_file(path: &Path, private: bool) -> io::Result<fs::File> {
    use std::os::unix::fs::OpenOptionsExt as _;
    fs::OpenOptions::new()
        .write(true)
        .create_new(true)
        .mode(if private { 0o600 } else { 0o644 })
        .open(path)
}
