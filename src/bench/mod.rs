//! Bench files, class tables, dialects, people and machines: parse, check, resolve.
//!
//! What the other rooms see is the resolved [`model`]; the YAML and its diagnostics stay in here.

pub mod accounts;
pub mod model;
pub mod yaml;

pub use model::*;
