//! One writer at a time, and where to reach it.
//!
//! The lock is a file of its own beside the state file: closing any handle of a file drops the
//! locks that SQLite itself holds on it (POSIX record locks belong to the process).

use std::fs::{File, TryLockError};
use std::io::{Read, Seek, Write};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::time::Duration;

use super::StoreError;

/// Held while the state file is open for writing; the system lets go of it when the process ends
/// in whatever way.
#[derive(Debug)]
pub(super) struct Lock {
    file: File,
    path: PathBuf,
}

/// Who has a state file open for writing.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Holder {
    /// Process, as far as is known.
    pub process: Option<u32>,
    /// Where its board listens, if it has one.
    pub board: Option<SocketAddr>,
}

/// Somebody who only looks whether a file is in use holds its lock for a moment.
const TRIES: u32 = 5;
const BETWEEN: Duration = Duration::from_millis(20);

impl Lock {
    pub(super) fn take(state: &Path) -> Result<Lock, StoreError> {
        let path = beside(state);
        let mut tries = TRIES;
        loop {
            let mut file = open(&path).map_err(|source| failed(&path, source))?;
            match file.try_lock() {
                Ok(()) => {
                    let lock = Lock { file, path };
                    lock.note(None)?;
                    return Ok(lock);
                }
                Err(TryLockError::WouldBlock) if tries > 0 => {
                    tries -= 1;
                    std::thread::sleep(BETWEEN);
                }
                Err(TryLockError::WouldBlock) => {
                    return Err(StoreError::InUse {
                        path: state.to_owned(),
                        holder: read(&mut file).to_string(),
                    });
                }
                Err(TryLockError::Error(source)) => return Err(failed(&path, source)),
            }
        }
    }

    /// Says in the file who holds it; the lock itself does not depend on that.
    pub(super) fn note(&self, board: Option<SocketAddr>) -> Result<(), StoreError> {
        let board = board.map(|board| board.to_string()).unwrap_or_default();
        let note = format!("{}\n{board}\n", std::process::id());
        let mut file = &self.file;
        file.rewind()
            .and_then(|()| self.file.set_len(0))
            .and_then(|()| file.write_all(note.as_bytes()))
            .map_err(|source| failed(&self.path, source))
    }
}

/// Who has the state file open for writing; `None` when nobody has.
///
/// # Errors
/// When the lock file can't be read.
pub fn holder(state: &Path) -> Result<Option<Holder>, StoreError> {
    let path = beside(state);
    if !path.exists() {
        return Ok(None);
    }
    let mut file = open(&path).map_err(|source| failed(&path, source))?;
    match file.try_lock_shared() {
        Ok(()) => Ok(None),
        Err(TryLockError::WouldBlock) => Ok(Some(read(&mut file))),
        Err(TryLockError::Error(source)) => Err(failed(&path, source)),
    }
}

fn open(path: &Path) -> std::io::Result<File> {
    // A link would have its target overwritten with our note.
    if path.is_symlink() {
        return Err(std::io::Error::other("it is a symbolic link"));
    }
    let mut options = File::options();
    options.read(true).write(true).create(true).truncate(false);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    options.open(path)
}

fn failed(path: &Path, source: std::io::Error) -> StoreError {
    StoreError::Lock {
        path: path.to_owned(),
        source,
    }
}

fn beside(state: &Path) -> PathBuf {
    let mut name = state.as_os_str().to_owned();
    name.push(".lock");
    PathBuf::from(name)
}

fn read(file: &mut File) -> Holder {
    let mut text = String::new();
    // What does not read leaves an unknown holder.
    let _ = file.rewind().and_then(|()| file.read_to_string(&mut text));
    let mut lines = text.lines();
    Holder {
        process: lines.next().and_then(|line| line.parse().ok()),
        board: lines.next().and_then(|line| line.parse().ok()),
    }
}

impl std::fmt::Display for Holder {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self.process {
            Some(process) => write!(f, "another portproof (process {process})"),
            None => f.write_str("another portproof"),
        }
    }
}
