//! The memory of devices and sessions.
//!
//! Pure state: told what happened and when, asked what is known. What must survive a crash is
//! handed out as journal entries and device records, which the shell stores before any reply
//! leaves.

pub mod device;
pub mod effects;
pub mod login;
pub mod session;

pub use device::{Device, MachineLogin, Pin, Sightings};
pub use effects::{Effects, Transmit};
pub use login::{CertificateFacts, Login};
pub use session::{Session, SessionState};
