//! What devices say of themselves on the network, turned into sightings.
//!
//! Listens only: nothing in here can make an answer.

pub mod dhcp;
mod options;
mod spelling;
#[cfg(test)]
mod tests;

pub use dhcp::{NotASighting, Sighting, read_dhcp};
