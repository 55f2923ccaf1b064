//! Values in words, both ways: attributes shown to people, and text from a table made into octets.

mod describe;
mod parse;
mod special;
mod spell;

pub use describe::{Described, describe, describe_packet};
pub use parse::{ValueError, parse_value};
pub use spell::{escape, parse_hex};
