//! Why a decision fell as it did; printed alike by `serve`, `drill`, the board and the dry run.

use serde::{Deserialize, Serialize};

/// The rows that were tried, in order, and what each said.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Trace {
    /// Rows up to and including the one that fitted.
    pub rows: Vec<RowTrace>,
    /// One line: the outcome and the reason for it.
    pub summary: String,
}

/// One row.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct RowTrace {
    /// Class name.
    pub class: String,
    /// Where it stands, "file:line".
    pub place: String,
    /// Whether it fitted.
    pub fits: bool,
    /// The condition that settled it, with the value it met: one line.
    pub because: String,
}

/// What a decision grants.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// Access-Accept with the class's grant.
    Accept,
    /// Access-Reject.
    Reject,
}
