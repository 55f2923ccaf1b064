//! The state file: roster, sessions and journal in one SQLite file per bench.
//!
//! [`Store`] is the one writer: a step's effects go in before anything of it is sent, several
//! steps in one transaction. [`Reader`]s look on beside it. `docs/reference-state.md` describes
//! the tables for people who bring their own SQL.

mod lock;
mod read;
mod rows;
mod schema;
#[cfg(test)]
mod tests;
mod write;

use std::path::PathBuf;

pub use lock::{Holder, holder};
pub use read::{
    DeviceOrder, DeviceQuery, EntryQuery, Loaded, Page, Reader, SessionQuery, SwitchPort, Totals,
};
pub use write::{Limits, Pruned, Store};

/// Why the state file could not be used.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum StoreError {
    /// Another process has it.
    #[error(
        "{} is in use by {holder}: stop that one, or give another file with --state",
        path.display()
    )]
    InUse {
        /// The state file.
        path: PathBuf,
        /// Who has it, as far as is known.
        holder: String,
    },
    /// The lock beside it could not be made.
    #[error("{} could not be locked: {source}; check that the folder can be written", path.display())]
    Lock {
        /// The lock file.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// A SQLite file of something else.
    #[error("{} is a database of some other program: give another file with --state", path.display())]
    Foreign {
        /// The file.
        path: PathBuf,
    },
    /// Written by a later version.
    #[error(
        "{} has layout {found}, this portproof knows layouts up to {known}: use the newer portproof, or another file with --state",
        path.display()
    )]
    TooNew {
        /// The file.
        path: PathBuf,
        /// Layout of the file.
        found: i64,
        /// The last layout that this program knows.
        known: i64,
    },
    /// SQLite refused.
    #[error("the state file: {0}")]
    Sqlite(#[from] rusqlite::Error),
    /// A stored record does not read back.
    #[error("the state file holds a {what} that does not read: {why}")]
    Record {
        /// Kind of record, and which.
        what: String,
        /// What was wrong with it.
        why: String,
    },
}
