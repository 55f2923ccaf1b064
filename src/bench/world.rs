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

/// This computer.
#[derive(Debug, Clone, Copy, Default)]
pub struct ThisComputer;

impl World for ThisComputer {
    fn read(&self, path: &Path) -> io::Result<String> {
        std::fs::read_to_string(path)
    }

    fn has(&self, path: &Path) -> bool {
        std::fs::File::open(path).is_ok_and(|file| file.metadata().is_ok_and(|meta| meta.is_file()))
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
