//! EAP from both sides: the server's state machines against the stand-in's supplicant, which is
//! written apart from them and shares only the message codecs.

// clippy.toml allows these in tests, and not in the helpers beside them.
#![allow(
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic,
    clippy::unwrap_used
)]

mod failures;
mod inside;
mod keys;
mod logins;
mod ms_chap_v2;
mod packets;
mod pair;
mod pki;
mod radius;
