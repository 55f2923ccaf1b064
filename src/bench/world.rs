//! What a bench file may look at outside itself.

use std::io;
use std::path::Path;

/// Files and environment. A test or a fuzz target gives its own, so that reading a bench touches
/// nothing else.
pub trait World {
    /// The text of a file.
    ///
    /// # Errors
    /// When it can't be read.
    fn read(&self, path: &Path) -> io::Result<String>;

    /// Whether a file is there to be read.
    fn has(&self, path: &Path) -> bool;

    /// A variable of the environment.
    fn variable(&self, name: &str) -> Option<String>;
}

/// No file of a bench is larger, octets: a class table of ten thousand rows has about two million.
const MOST: u64 = 4 << 20;

/// This computer.
#[derive(Debug, Clone, Copy, Default)]
pub struct ThisComputer;

impl World for ThisComputer {
    fn read(&self, path: &Path) -> io::Result<String> {
        // Asked before it is opened: opening a pipe would wait for a writer.
        let about = std::fs::metadata(path)?;
        if !about.is_file() {
            return Err(io::Error::other("it is no regular file"));
        }
        if about.len() > MOST {
            return Err(io::Error::other(format!(
                "it has {} octets, a bench reads {MOST} at the most",
                about.len()
            )));
        }
        std::fs::read_to_string(path)
    }

    fn has(&self, path: &Path) -> bool {
        path.is_file() && std::fs::File::open(path).is_ok()
    }

    fn variable(&self, name: &str) -> Option<String> {
        std::env::var(name).ok()
    }
}

/// Nothing but the file itself and what ships.
#[derive(Debug, Clone, Copy, Default)]
pub struct Nowhere;

impl World for Nowhere {
    fn read(&self, _: &Path) -> io::Result<String> {
        Err(io::ErrorKind::NotFound.into())
    }

    fn has(&self, _: &Path) -> bool {
        false
    }

    fn variable(&self, _: &str) -> Option<String> {
        None
    }
}
