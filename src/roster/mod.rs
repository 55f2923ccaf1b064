//! The memory of devices and sessions.
//!
//! Pure state: told what happened and when, asked what is known. What must survive a crash is
//! handed out as journal entries and device records, which the shell stores before any reply
//! leaves.

mod desk;
pub mod device;
pub mod effects;
pub mod login;
pub mod memory;
pub mod session;
pub mod sessions;

pub use device::{Device, MachineLogin, Pin, Sightings};
pub use effects::{Effects, Transmit};
pub use login::{CertificateFacts, Login};
pub use memory::{Limits, Roster, Touched};
pub use session::{Session, SessionState};
pub use sessions::{Admission, Admitted, Sessions};

#[cfg(test)]
mod tests;
