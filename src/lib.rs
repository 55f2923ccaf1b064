//! portproof: a RADIUS lab responder and test harness for people who prove switch port
//! configurations. `DEVELOPERS.md` shows the rooms of the house and which way the arrows run.

pub mod bench;
pub mod board;
pub mod certs;
pub mod change;
pub mod cli;
pub mod decide;
pub mod drill;
pub mod eap;
pub mod fault;
pub mod findings;
pub mod journal;
pub mod replay;
pub mod respond;
pub mod roster;
pub mod serve;
pub mod sight;
pub mod stand_in;
pub mod store;
pub mod wire;
