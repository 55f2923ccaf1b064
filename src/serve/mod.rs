//! The running bench: responder, change client, roster and sightings wired together.
//!
//! [`engine`] is sans-IO and is what a drill in simulated time drives; [`shell`] gives it sockets,
//! the clock and the store; [`handle`] is how the board, the commands and a live drill reach it.

pub mod eap_settings;
pub mod engine;
pub mod handle;
pub mod reload;
pub mod shell;
pub mod switch_shell;
mod writer;

pub use eap_settings::EapError;
pub use engine::{Engine, Target, TargetError, UnknownClass};
pub use handle::{Handle, Stopped};
pub use shell::{Bound, Server, StartError, start};
