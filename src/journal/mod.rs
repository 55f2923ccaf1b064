//! The append-only record of everything that happened. It is told, and asks nobody.

pub mod entry;

pub use entry::{Direction, Entry, Kind, Link, PacketRecord, Place, hex_octets};
