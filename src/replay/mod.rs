//! What was recorded, played again: read it, play the switch's side, compare the answers, and
//! shrink it to the few packets that still fail.
//!
//! Pure: octets and recorded times in, outcomes out; only `read` opens a file.

pub mod capture;
pub mod compare;
pub mod items;
pub mod offline;
pub mod read;
pub mod reduce;
pub mod resign;

pub use items::{Deed, Item, Recorded, What};
pub use offline::{Played, Settings, Status, play};
pub use read::{ReadError, Recording};
