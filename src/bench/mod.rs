//! Bench files, class tables, dialects, people and machines: parse, check, resolve.
//!
//! What the other rooms see is the resolved [`model`]; the YAML and its diagnostics stay in here.

pub mod accounts;
pub mod model;
pub mod spell;
mod template;
pub mod yaml;

pub use model::*;
pub use spell::CannotSpell;
pub use template::{TemplateError, is_variable_name};
