//! Bench files, class tables, dialects, people and machines: parse, check, resolve.
//!
//! What the other rooms see is the resolved [`model`]; the YAML and its diagnostics stay in here.

pub mod accounts;
mod file;
mod load;
pub mod model;
mod shadow;
pub mod shipped;
pub mod spell;
mod template;
pub mod world;
pub mod yaml;

pub use accounts::Directory;
pub use load::{Loaded, load, load_in, parse, parse_str};
pub use model::*;
pub use spell::CannotSpell;
pub use template::{TemplateError, is_variable_name};
