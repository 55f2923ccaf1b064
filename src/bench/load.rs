//! The way in: a bench from a path or a text.

use std::path::Path;

use super::file;
use super::model::Bench;
use super::world::{ThisComputer, World};
use super::yaml::Diagnostic;

/// A bench that can be served.
#[derive(Debug, Clone)]
pub struct Loaded {
    /// The bench.
    pub bench: Bench,
    /// What is probably not as meant.
    pub warnings: Vec<Diagnostic>,
}

/// Reads a bench file and what it names.
///
/// # Errors
/// Every mistake, and the warnings, in the order of files and lines.
pub fn load(path: &Path) -> Result<Loaded, Vec<Diagnostic>> {
    load_in(&ThisComputer, path)
}

/// Reads a bench file in a world of the caller's.
///
/// # Errors
/// As [`load`].
pub fn load_in(world: &dyn World, path: &Path) -> Result<Loaded, Vec<Diagnostic>> {
    let name = path.display().to_string();
    match world.read(path) {
        Ok(text) => {
            let base = path.parent().unwrap_or(Path::new(""));
            parse(world, &name, &text, base)
        }
        Err(error) => Err(vec![Diagnostic::unreadable(&name, &error)]),
    }
}

/// Reads a bench from a text; its paths are seen from the current folder.
///
/// # Errors
/// As [`load`].
pub fn parse_str(name: &str, text: &str) -> Result<Loaded, Vec<Diagnostic>> {
    parse(&ThisComputer, name, text, Path::new(""))
}

/// Reads a bench from a text in a world of the caller's; its paths are seen from `base`.
///
/// # Errors
/// As [`load`].
pub fn parse(
    world: &dyn World,
    name: &str,
    text: &str,
    base: &Path,
) -> Result<Loaded, Vec<Diagnostic>> {
    let outcome = file::read(world, name, text, base);
    match outcome.bench {
        Some(bench) => Ok(Loaded {
            bench,
            warnings: outcome.diagnostics,
        }),
        None => Err(outcome.diagnostics),
    }
}

#[cfg(test)]
mod tests;
