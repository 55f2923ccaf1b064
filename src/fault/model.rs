//! A fault as a drill, the board or a command says it.

use std::time::Duration;

use jiff::fmt::serde::unsigned_duration::required as duration;
use serde::{Deserialize, Serialize};

use crate::journal::Place;
use crate::wire::{Code, Mac};

/// A fault.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Fault {
    /// What goes wrong.
    pub kind: FaultKind,
    /// Where and on what; everything when left out.
    #[serde(default)]
    pub scope: Scope,
    /// How often it acts before it ends by itself; for ever when left out.
    #[serde(default)]
    pub times: Option<u32>,
}

/// What goes wrong.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FaultKind {
    /// The bench hears nothing: datagrams are swallowed as they arrive.
    Dead,
    /// The packet is lost on its way out.
    Drop,
    /// It leaves late.
    Delay(#[serde(with = "duration")] Duration),
    /// It leaves twice.
    Duplicate,
    /// It leaves after the next one.
    Reorder,
    /// One bit of its attributes is flipped after it was signed.
    Corrupt,
    /// It is signed with another secret.
    WrongSecret,
    /// Its Response or Request Authenticator is wrong; Message-Authenticator is right.
    WrongAuthenticator,
    /// Its Message-Authenticator is wrong; the authenticator is right.
    WrongMessageAuthenticator,
    /// It carries no Message-Authenticator.
    NoMessageAuthenticator,
    /// Over 4096 octets (its Length field says so).
    Oversized,
    /// It carries an attribute of a type that nobody knows (192, RFC 3575 section 2.1).
    UnknownAttribute,
    /// The untagged VLAN is another one.
    WrongVlan(String),
    /// An accept becomes a reject.
    Reject,
    /// A challenge is answered by the same challenge again and again.
    EndlessChallenge,
    /// A change carries an Event-Timestamp of an hour ago.
    StaleTimestamp,
    /// A change names a session that does not exist.
    WrongSession,
}

/// Where a fault acts; everything given must match.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, rename_all = "kebab-case", deny_unknown_fields)]
pub struct Scope {
    /// Switch entry.
    pub switch: Option<String>,
    /// Port.
    pub port: Option<String>,
    /// Device.
    pub mac: Option<Mac>,
    /// Kind of packet.
    pub packet: Option<PacketKind>,
}

/// Kinds of packets that leave the bench.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PacketKind {
    /// Access-Accept
    Accept,
    /// Access-Reject
    Reject,
    /// Access-Challenge
    Challenge,
    /// Accounting-Response
    Accounting,
    /// CoA-Request and Disconnect-Request
    Change,
}

impl PacketKind {
    /// The kind that a code is of.
    #[must_use]
    pub fn of(code: Code) -> Option<PacketKind> {
        Some(match code {
            Code::ACCESS_ACCEPT => PacketKind::Accept,
            Code::ACCESS_REJECT => PacketKind::Reject,
            Code::ACCESS_CHALLENGE => PacketKind::Challenge,
            Code::ACCOUNTING_RESPONSE => PacketKind::Accounting,
            Code::COA_REQUEST | Code::DISCONNECT_REQUEST => PacketKind::Change,
            _ => return None,
        })
    }
}

impl Scope {
    /// Whether a packet that leaves is meant.
    #[must_use]
    pub fn covers(&self, place: &Place, code: Code) -> bool {
        self.covers_place(place)
            && self
                .packet
                .is_none_or(|kind| PacketKind::of(code) == Some(kind))
    }

    pub(super) fn covers_place(&self, place: &Place) -> bool {
        let same =
            |wanted: &Option<String>, found: &Option<String>| wanted.is_none() || wanted == found;
        same(&self.switch, &place.switch)
            && same(&self.port, &place.port)
            && (self.mac.is_none() || self.mac == place.mac)
    }
}

impl FaultKind {
    /// The word for it.
    #[must_use]
    pub fn word(&self) -> &'static str {
        match self {
            FaultKind::Dead => "dead",
            FaultKind::Drop => "drop",
            FaultKind::Delay(_) => "delay",
            FaultKind::Duplicate => "duplicate",
            FaultKind::Reorder => "reorder",
            FaultKind::Corrupt => "corrupt",
            FaultKind::WrongSecret => "wrong-secret",
            FaultKind::WrongAuthenticator => "wrong-authenticator",
            FaultKind::WrongMessageAuthenticator => "wrong-message-authenticator",
            FaultKind::NoMessageAuthenticator => "no-message-authenticator",
            FaultKind::Oversized => "oversized",
            FaultKind::UnknownAttribute => "unknown-attribute",
            FaultKind::WrongVlan(_) => "wrong-vlan",
            FaultKind::Reject => "reject",
            FaultKind::EndlessChallenge => "endless-challenge",
            FaultKind::StaleTimestamp => "stale-timestamp",
            FaultKind::WrongSession => "wrong-session",
        }
    }

    /// What a good switch does about it, with the section.
    #[must_use]
    pub fn expected(&self) -> &'static str {
        match self {
            FaultKind::Dead | FaultKind::Drop => {
                "a good switch sends the same octets again with growing waits (RFC 5080 section \
                 2.2.1), then decides by its own rule for a dead server"
            }
            FaultKind::Delay(_) => {
                "a good switch waits or sends the same octets again, and takes one answer \
                 (RFC 5080 section 2.2.1)"
            }
            FaultKind::Duplicate | FaultKind::Reorder => {
                "a good switch takes the first answer and drops what no open request asked for \
                 (RFC 2865 section 3)"
            }
            FaultKind::Corrupt | FaultKind::WrongSecret | FaultKind::WrongAuthenticator => {
                "a good switch drops it in silence and goes on waiting (RFC 2865 section 3, \
                 RFC 5176 section 2.3)"
            }
            FaultKind::WrongMessageAuthenticator => {
                "a good switch drops it in silence (RFC 3579 section 3.2)"
            }
            FaultKind::NoMessageAuthenticator => {
                "a good switch drops it where it asks for Message-Authenticator, and with \
                 EAP-Message always (RFC 3579 section 3.2)"
            }
            FaultKind::Oversized => "a good switch drops it in silence (RFC 2865 section 3)",
            FaultKind::UnknownAttribute => {
                "a good switch ignores the attribute in an answer (RFC 2865 section 5) and \
                 refuses a change with Error-Cause 401 (RFC 5176 section 2.3)"
            }
            FaultKind::WrongVlan(_) => {
                "a good switch that has no such VLAN treats the accept as a reject (RFC 2865 \
                 section 4.2)"
            }
            FaultKind::Reject => {
                "a good switch keeps the port closed and waits its quiet period (IEEE 802.1X)"
            }
            FaultKind::EndlessChallenge => {
                "a good switch gives the conversation up after a bounded number of rounds \
                 (common practice, no source)"
            }
            FaultKind::StaleTimestamp => {
                "a good switch drops the change in silence (RFC 5176 section 6.3)"
            }
            FaultKind::WrongSession => {
                "a good switch refuses with Error-Cause 503 (RFC 5176 section 3)"
            }
        }
    }
}

impl std::fmt::Display for Fault {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.kind.word())?;
        match &self.kind {
            FaultKind::Delay(by) => write!(f, " by {} s", by.as_secs_f64())?,
            FaultKind::WrongVlan(vlan) => write!(f, " {vlan}")?,
            _ => {}
        }
        let scope = &self.scope;
        if let Some(packet) = scope.packet {
            write!(f, " of {packet:?}")?;
        }
        if let Some(switch) = &scope.switch {
            write!(f, " at {switch}")?;
        }
        if let Some(port) = &scope.port {
            write!(f, " on port {port}")?;
        }
        if let Some(mac) = scope.mac {
            write!(f, " for {mac}")?;
        }
        if let Some(times) = self.times {
            write!(f, ", {times} times")?;
        }
        Ok(())
    }
}
