//! The texts that were read, and places in them.

use std::sync::Arc;

use super::diagnostic::{Diagnostic, Place, Severity};

/// Where something stands: a range of octets in one text of a [`Sources`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, PartialOrd, Ord)]
pub struct Span {
    /// Which text, in the order of reading.
    pub source: u32,
    /// First octet.
    pub start: u32,
    /// One past the last octet.
    pub end: u32,
}

/// One text with its name; secrets are masked already.
pub(super) type Source = miette::NamedSource<String>;

/// Every text that one bench or drill was read from.
#[derive(Debug, Clone, Default)]
pub struct Sources {
    list: Vec<Arc<Source>>,
}

impl Sources {
    /// An error at a place.
    #[must_use]
    pub fn error(&self, span: Span, message: impl Into<String>) -> Diagnostic {
        Diagnostic::new(Severity::Error, message, self.place(span))
    }

    /// A warning at a place.
    #[must_use]
    pub fn warning(&self, span: Span, message: impl Into<String>) -> Diagnostic {
        Diagnostic::new(Severity::Warning, message, self.place(span))
    }

    /// File, line, column and text of a span.
    #[must_use]
    pub fn place(&self, span: Span) -> Place {
        match self.list.get(span.source as usize) {
            Some(source) => Place::new(source, span),
            None => Place::default(),
        }
    }

    pub(super) fn next_number(&self) -> u32 {
        u32::try_from(self.list.len()).unwrap_or(u32::MAX)
    }

    pub(super) fn push(&mut self, name: &str, masked: String) {
        self.list.push(Arc::new(Source::new(name, masked)));
    }
}
