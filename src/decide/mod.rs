//! Pure: the facts of one request, the roster entry and the class table give a decision that
//! explains itself.

pub mod facts;
pub mod trace;

pub use facts::Facts;
pub use trace::{RowTrace, Trace, Verdict};
