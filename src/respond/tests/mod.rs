//! The responder from outside: datagrams in, effects out.

mod access;
mod accounting;
mod anything;
mod cost;
mod duplicates;
mod eap;
mod logins;
mod mac_auth;
mod recognition;
pub(super) mod rig;
mod silence;
mod status;
