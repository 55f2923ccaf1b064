//! The append-only record of everything that happened. It is told, and asks nobody.
//!
//! [`Journal`] keeps the newest entries in memory for those who watch; the whole of it lies in the
//! state file, which is the business of the room `store`.

pub mod entry;
pub mod filter;
pub mod mask;
pub mod pcapng;
pub mod tail;

pub use entry::{Direction, Entry, Kind, Link, PacketRecord, Place, hex_octets};
pub use filter::Filter;
pub use tail::{Follower, Journal, News, Tail};
