//! One file a command.

pub mod certs;
