//! One device on one port of one switch, from accept to stop.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::bench::MethodName;
use crate::roster::Login;
use crate::wire::Mac;

/// A session.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Session {
    /// Our number for it, in the Class attribute of the accept; unique on the bench.
    pub id: u64,
    /// Switch entry.
    pub switch: String,
    /// Address that the switch asked from; changes go there.
    pub address: std::net::IpAddr,
    /// Port as the switch names it (NAS-Port-Id, or else NAS-Port).
    pub port: Option<String>,
    /// The device.
    pub mac: Option<Mac>,
    /// Identity, for a login.
    pub identity: Option<String>,
    /// How it was admitted.
    pub method: MethodName,
    /// Class granted.
    pub class: String,
    /// The request that was accepted, without User-Password and CHAP-Password: later sightings
    /// are decided against it, and a change names the session with its attributes
    /// (RFC 5176 section 3).
    #[serde(with = "crate::journal::hex_octets")]
    pub request: Vec<u8>,
    /// Who it proved to be, for a login.
    pub login: Option<Login>,
    /// Acct-Session-Id, once known.
    pub acct_session_id: Option<String>,
    /// When it was accepted, or first heard of.
    pub accepted: Timestamp,
    /// False for a session that accounting tells of and no accept of this bench began: its request
    /// is the accounting one, its class is empty and its method means nothing.
    pub accepted_here: bool,
    /// When accounting began, if it did.
    pub started: Option<Timestamp>,
    /// When something was last heard of it.
    pub last_heard: Timestamp,
    /// Octets in and out, as last reported.
    pub octets: (u64, u64),
    /// State.
    pub state: SessionState,
}

impl Session {
    /// True until it ended.
    #[must_use]
    pub fn is_live(&self) -> bool {
        !matches!(self.state, SessionState::Ended { .. })
    }
}

/// Where a session stands.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SessionState {
    /// Accepted, accounting not yet heard.
    Accepted,
    /// Accounting runs.
    Running,
    /// Over, with the cause in words.
    Ended {
        /// When.
        at: Timestamp,
        /// Acct-Terminate-Cause in words, or what ended it here.
        cause: String,
    },
}
