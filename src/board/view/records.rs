//! Devices and sessions.

use std::collections::BTreeMap;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::roster::{Device, Session, SessionState};

/// A device of the roster.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct DeviceView {
    /// Address, upper case with hyphens.
    pub mac: String,
    /// Whether the address is locally administered, as systems do that change it.
    pub local: bool,
    /// Class in force.
    pub class: Option<String>,
    /// Why that class.
    pub why: Option<String>,
    /// When it was first heard of.
    #[schema(value_type = String, format = DateTime)]
    pub first_seen: Timestamp,
    /// When it was last heard of.
    #[schema(value_type = String, format = DateTime)]
    pub last_seen: Timestamp,
    /// Class fixed by hand.
    pub pin: Option<String>,
    /// Note of whoever pinned it.
    pub pin_note: Option<String>,
    /// What was sighted, by field: `host-name`, `vendor-class`, …
    pub sightings: BTreeMap<String, String>,
    /// Machine account that last logged on with this address.
    pub machine: Option<String>,
}

impl From<&Device> for DeviceView {
    fn from(device: &Device) -> DeviceView {
        DeviceView {
            mac: device.mac.to_string(),
            local: device.mac.is_local(),
            class: device.class.clone(),
            why: device.why.clone(),
            first_seen: device.first_seen,
            last_seen: device.last_seen,
            pin: device.pin.as_ref().map(|pin| pin.class.clone()),
            pin_note: device.pin.as_ref().and_then(|pin| pin.note.clone()),
            sightings: device.sightings.dhcp.clone(),
            machine: device.machine.as_ref().map(|machine| machine.name.clone()),
        }
    }
}

/// A session.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct SessionView {
    /// Number.
    pub id: u64,
    /// Switch entry.
    pub switch: String,
    /// Address that the switch asked from.
    pub address: String,
    /// Port as the switch names it.
    pub port: Option<String>,
    /// Device.
    pub mac: Option<String>,
    /// Identity, for a login.
    pub identity: Option<String>,
    /// How it was admitted: mac, pap, chap, eap-tls, …
    pub method: String,
    /// Class granted; empty for a session that only accounting told of.
    pub class: String,
    /// Acct-Session-Id.
    pub acct_session_id: Option<String>,
    /// When it was accepted.
    #[schema(value_type = String, format = DateTime)]
    pub accepted: Timestamp,
    /// When accounting began.
    #[schema(value_type = Option<String>, format = DateTime)]
    pub started: Option<Timestamp>,
    /// When something was last heard of it.
    #[schema(value_type = String, format = DateTime)]
    pub last_heard: Timestamp,
    /// When it ended; absent while it lives.
    #[schema(value_type = Option<String>, format = DateTime)]
    pub ended: Option<Timestamp>,
    /// What ended it.
    pub cause: Option<String>,
    /// Octets in, as last reported.
    pub octets_in: u64,
    /// Octets out, as last reported.
    pub octets_out: u64,
}

impl From<&Session> for SessionView {
    fn from(session: &Session) -> SessionView {
        let (ended, cause) = match &session.state {
            SessionState::Ended { at, cause } => (Some(*at), Some(cause.clone())),
            _ => (None, None),
        };
        SessionView {
            id: session.id,
            switch: session.switch.clone(),
            address: session.address.to_string(),
            port: session.port.clone(),
            mac: session.mac.map(|mac| mac.to_string()),
            identity: session.identity.clone(),
            method: method_word(session),
            class: session.class.clone(),
            acct_session_id: session.acct_session_id.clone(),
            accepted: session.accepted,
            started: session.started,
            last_heard: session.last_heard,
            ended,
            cause,
            octets_in: session.octets.0,
            octets_out: session.octets.1,
        }
    }
}

fn method_word(session: &Session) -> String {
    serde_json::to_value(session.method)
        .ok()
        .and_then(|word| word.as_str().map(str::to_owned))
        .unwrap_or_default()
}
