//! One writer at a time.
//!
//! The lock is a file of its own beside the state file: closing any handle of a file drops the
//! locks that SQLite itself holds on it (POSIX record locks belong to the process).

use std::fs::{File, TryLockError};
use std::io::{Read, Seek, Write};
use std::path::{Path, PathBuf};

use super::StoreError;

/// Held while the state file is open for writing; the system lets go of it when the process ends
/// in whatever way.
#[derive(Debug)]
pub(super) struct Lock {
    _file: File,
}

impl Lock {
    pub(super) fn take(state: &Path) -> Result<Lock, StoreError> {
        let path = beside(state);
        let failed = |source| StoreError::Lock {
            path: path.clone(),
            source,
        };
        let mut file = File::options()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(&path)
            .map_err(failed)?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                return Err(StoreError::InUse {
                    path: state.to_owned(),
                    holder: holder(&mut file),
                });
            }
            Err(TryLockError::Error(source)) => return Err(failed(source)),
        }
        // Only a hint for the error message above; the lock does not depend on it.
        let note = format!("{}\n", std::process::id());
        file.set_len(0)
            .and_then(|()| file.write_all(note.as_bytes()))
            .map_err(failed)?;
        Ok(Lock { _file: file })
    }
}

fn beside(state: &Path) -> PathBuf {
    let mut name = state.as_os_str().to_owned();
    name.push(".lock");
    PathBuf::from(name)
}

fn holder(file: &mut File) -> String {
    let mut text = String::new();
    let read = file.rewind().and_then(|()| file.read_to_string(&mut text));
    match (read, text.trim()) {
        (Ok(_), id) if !id.is_empty() => format!("another portproof (process {id})"),
        _ => "another portproof".to_owned(),
    }
}
