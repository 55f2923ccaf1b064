//! RADIUS packets and attributes: decode, encode, sign, verify.
//!
//! The only room that names the protocol crate (`radius`): it takes the hiding of User-Password
//! from it, and in tests its numbers, names and reading of packets as a second opinion. Framing is
//! our own, because the crate keeps neither the order nor the unknown attributes of a packet
//! within reach (`docs/decisions/0001-wire-framing.md`).
//!
//! Nothing here reads a clock, a socket or a random source.

pub mod attribute;
pub mod build;
pub mod code;
pub mod extended;
pub mod filter;
pub mod hide;
pub mod mac;
pub mod packet;
pub mod registry;
pub mod secret;
pub mod sign;
pub mod value;
pub mod vlan;

pub use attribute::{Attribute, AttributeBuf, VendorAttribute};
pub use build::{BuildError, Builder};
pub use code::Code;
pub use mac::{Mac, MacParseError};
pub use packet::{MAX_PACKET, MIN_PACKET, Malformed, Packet};
pub use secret::Secret;
