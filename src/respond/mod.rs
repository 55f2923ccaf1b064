//! Answers RADIUS requests, and keeps recognising devices.
//!
//! [`Responder`] takes a datagram and gives back its one named verdict, what is to be stored and
//! the answer that may leave after that. It owns what lives between datagrams: the answers kept
//! for retransmissions and the EAP conversations. Devices and sessions are the roster's.
//!
//! A request passes, in this order: `check` (framing, port, authenticators), `duplicates`, then
//! `status`, `accounting` or `access`. Access goes on to `credentials` (which proof is brought),
//! `mac_auth`, `login`, `eap` or `authorize` (is it good), the decision, and the grant.

mod access;
mod accounting;
mod arrival;
mod authorize;
mod check;
mod class_attribute;
mod credentials;
mod duplicates;
mod eap;
mod engine;
mod login;
mod mac_auth;
mod recognise;
mod remembered;
mod reply;
mod report;
mod sighting;
mod status;
mod strangers;
mod switches;
mod verdict;

pub use engine::Responder;
pub use recognise::{Recognition, recognise};
pub use sighting::sight;
pub use verdict::{Recorded, Refusal, Silence, Verdict};

#[cfg(test)]
mod tests;
