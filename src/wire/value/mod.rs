//! Values in words, both ways: attributes shown to people, and text from a table made into octets.

mod describe;
mod parse;

pub use describe::{Described, describe, describe_packet, escape};
pub use parse::{ValueError, parse_hex, parse_value};
