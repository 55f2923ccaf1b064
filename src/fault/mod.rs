//! Faults: what the bench does wrong on purpose, so that a switch can be seen to cope.
//!
//! A layer between the engine and its sockets. [`Faults`] swallows datagrams before they are
//! handled and spoils those that leave; each act leaves a journal entry that says what a good
//! switch does about it, with the section. Sans-IO.

mod model;
mod resign;
mod store;

pub use model::{Fault, FaultKind, PacketKind, Scope};
pub use store::{FaultId, Faults, Running};
