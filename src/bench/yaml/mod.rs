//! Strict YAML with places: every mistake of a file in one reading, each with line and column.
//!
//! A file becomes a tree of nodes with spans (`node`); an ordinary serde type is read from the
//! tree (`de`). When serde stops at a mistake, the node at fault is taken note of and hidden, and
//! the tree is read again, until nothing is left to complain of: so plain derived types with
//! `deny_unknown_fields` still give all their mistakes at once, and what is sound of a broken file
//! can be checked further.
//!
//! The types to read keep places with [`At`] and lists of pairs with [`Entries`]. Scalars keep
//! their text: where a type asks for text, `02:10:30`, `0755` and `on` arrive as they are written.
//! An error made with `custom("what is wrong\nwhat to do")` becomes message and help.
//!
//! Values under keys with `secret`, `password`, `passphrase` or `hash` in them, or with a slip of
//! one, are masked before anything can quote them.

mod at;
mod de;
mod diagnostic;
mod fault;
mod mask;
mod node;
mod source;

use std::collections::HashSet;
use std::path::Path;

use serde::de::DeserializeOwned;

pub use at::{At, Entries, OneOrMany, Parsed, Period, raw};
pub use diagnostic::{Diagnostic, Place, Related, Severity, on_terminal, render};
pub use fault::nearest;
pub use source::{Sources, Span};

/// No file has more mistakes reported at once.
const MOST_FAULTS: usize = 200;

/// What a reading of one file gave.
#[derive(Debug)]
pub struct Reading<T> {
    /// The sound part of the file, if its frame is sound.
    pub value: Option<T>,
    /// Every mistake, in file order.
    pub diagnostics: Vec<Diagnostic>,
    /// Texts in the parts that had to be left out: a name among them is not missing.
    pub lost: Lost,
}

/// Texts of parts that could not be read; secrets may be among them, so it does not show them.
#[derive(Default)]
pub struct Lost(HashSet<String>);

impl Lost {
    /// Whether the text stands in a part that was left out.
    #[must_use]
    pub fn contains(&self, text: &str) -> bool {
        self.0.contains(text)
    }
}

impl std::fmt::Debug for Lost {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "<{} texts>", self.0.len())
    }
}

/// Reads a text; `name` is the file name to show.
///
/// # Errors
/// Every mistake of the text.
pub fn read_str<T: DeserializeOwned>(
    name: &str,
    text: &str,
) -> Result<(T, Sources), Vec<Diagnostic>> {
    let mut sources = Sources::default();
    let reading = sources.read(name, text);
    match reading.value {
        Some(value) if reading.diagnostics.is_empty() => Ok((value, sources)),
        _ => Err(reading.diagnostics),
    }
}

/// Reads a file.
///
/// # Errors
/// Every mistake of the file, or the one that it can't be read.
pub fn read_file<T: DeserializeOwned>(path: &Path) -> Result<(T, Sources), Vec<Diagnostic>> {
    let name = path.display().to_string();
    match std::fs::read_to_string(path) {
        Ok(text) => read_str(&name, &text),
        Err(error) => Err(vec![Diagnostic::unreadable(&name, &error)]),
    }
}

/// A text with its secrets masked, for reports that quote it.
#[must_use]
pub fn masked(text: &str) -> String {
    match node::parse(0, text) {
        Ok(tree) => mask::by_tree(text, &tree.root),
        Err(_) => mask::by_line(text),
    }
}

impl Sources {
    /// Reads a text and keeps it, masked, for the diagnostics of later checks.
    pub fn read<T: DeserializeOwned>(&mut self, name: &str, text: &str) -> Reading<T> {
        let number = self.next_number();
        let tree = match node::parse(number, text) {
            Ok(tree) => tree,
            Err(fault) => {
                self.push(name, mask::by_line(text));
                return Reading {
                    value: None,
                    diagnostics: vec![fault.into_diagnostic(self)],
                    lost: Lost::default(),
                };
            }
        };
        self.push(name, mask::by_tree(text, &tree.root));
        let mut faults = tree.faults;
        let mut lost = Lost::default();
        let value = read_sound_part(&tree.root, &mut faults, &mut lost);
        let mut diagnostics: Vec<Diagnostic> = faults
            .into_iter()
            .map(|fault| fault.into_diagnostic(self))
            .collect();
        diagnostics.sort_by_key(|found| found.place.order());
        Reading {
            value,
            diagnostics,
            lost,
        }
    }
}

/// Reads the tree again and again, each time without the node that was at fault.
fn read_sound_part<T: DeserializeOwned>(
    root: &node::Shared,
    faults: &mut Vec<fault::Fault>,
    lost: &mut Lost,
) -> Option<T> {
    loop {
        let fault = match T::deserialize(de::Reader::new(root)) {
            Ok(value) => return Some(value),
            Err(fault) => fault,
        };
        let node = fault.node.clone().unwrap_or_else(|| root.clone());
        let follows = fault.follows_from_hidden();
        node.hide(fault.meant());
        node.texts(&mut lost.0);
        if let Some(value) = &fault.beside {
            value.texts(&mut lost.0);
        }
        if !follows {
            faults.push(fault);
        }
        if std::rc::Rc::ptr_eq(&node, root) || faults.len() >= MOST_FAULTS {
            return None;
        }
    }
}

#[cfg(test)]
mod tests;
