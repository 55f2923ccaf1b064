//! What rules look at: things that happened, with what is remembered about them.

use std::net::SocketAddr;
use std::time::Duration;

use jiff::{SignedDuration, Timestamp};

use super::exchanges::Exchange;
use super::finding::PacketRef;
use super::granted::Granted;
use super::read::{Counts, Eap, Method};
use super::tracks::{Seat, SwitchLog, Track};
use crate::journal::Link;
use crate::wire::Packet;
use crate::wire::registry::attributes as a;
use crate::wire::vlan::{VlanError, Vlans};

/// A request as it was transmitted.
pub(super) struct Sent<'a> {
    pub(super) link: Link,
    pub(super) packet: Packet<'a>,
    /// The last use of its identifier by another request of the same socket.
    pub(super) identifier: Option<IdentifierUse>,
    /// Another Access-Request with the same Request Authenticator.
    pub(super) authenticator: Option<PacketRef>,
    /// In how many octets its Request Authenticator is like the one before it, when too many.
    pub(super) alike: Option<usize>,
    /// When it repeats another one.
    pub(super) repeat: Option<Repeat>,
    /// The switch's last first waits, when there are enough to compare.
    pub(super) pace: Option<Vec<Duration>>,
}

/// An earlier use of an identifier.
#[derive(Debug, Clone, Copy)]
pub(super) struct IdentifierUse {
    /// How long ago.
    pub(super) after: Duration,
    /// How many requests of the socket ago; 1 for the one before.
    pub(super) requests: u64,
    pub(super) packet: PacketRef,
}

/// A repetition of a request.
#[derive(Debug, Clone)]
pub(super) struct Repeat {
    /// The first transmission.
    pub(super) first: PacketRef,
    pub(super) new_identifier: bool,
    pub(super) new_authenticator: bool,
    /// Acct-Delay-Time changed, so identifier and authenticator must (RFC 2866 section 5.2).
    pub(super) new_delay: bool,
    /// Waits from each transmission to the next.
    pub(super) gaps: Vec<Duration>,
    /// Time since the first transmission.
    pub(super) whole: Duration,
}

/// A packet of the switch, for rules about attributes.
pub(super) struct Packeted<'a> {
    pub(super) packet: Packet<'a>,
}

/// An Access-Request.
pub(super) struct Asked<'a> {
    pub(super) at: Timestamp,
    pub(super) from: SocketAddr,
    pub(super) packet: Packet<'a>,
    pub(super) method: Method,
    /// Its EAP packet, if it parses.
    pub(super) eap: Option<Eap>,
    /// What the device's requests said before.
    pub(super) seat: Option<&'a Seat>,
    /// The session that it is about, when it is not a new one.
    pub(super) track: Option<&'a Track>,
    pub(super) switch: &'a SwitchLog,
    /// Whether its State, if it has one, is one that the bench gave; `None` when it may be from
    /// before the journal began.
    pub(super) state_given: Option<bool>,
}

/// Kinds of accounting records (RFC 2866 section 5.1).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Status {
    Start,
    Stop,
    Interim,
    On,
    Off,
    Other,
}

impl Status {
    pub(super) fn of(value: Option<u32>) -> Status {
        match value {
            Some(1) => Status::Start,
            Some(2) => Status::Stop,
            Some(3) => Status::Interim,
            Some(7) => Status::On,
            Some(8) => Status::Off,
            _ => Status::Other,
        }
    }

    /// Whether it is about a session.
    pub(super) fn is_of_session(self) -> bool {
        matches!(self, Status::Start | Status::Stop | Status::Interim)
    }
}

/// An Accounting-Request.
pub(super) struct Reported<'a> {
    /// When it arrived.
    pub(super) at: Timestamp,
    /// When it was made, as far as it says so.
    pub(super) made: Timestamp,
    pub(super) packet: Packet<'a>,
    pub(super) status: Status,
    pub(super) counts: Counts,
    pub(super) vlans: &'a Result<Vlans, VlanError>,
    /// Its session as it stood before.
    pub(super) track: Option<&'a Track>,
    /// What the device's requests said before.
    pub(super) seat: Option<&'a Seat>,
    /// Whether it repeats another record, with another Identifier.
    pub(super) repeats: bool,
    /// Most devices at once on a port, where the bench knows it, and how many others run there.
    pub(super) crowd: Option<(u16, usize)>,
}

/// So long after an accept a report may still tell of the one before: it gets lost and comes
/// again, or is not there yet.
const ACCEPT_TAKES: SignedDuration = SignedDuration::from_secs(60);

/// An accept to a request that was repeated so often may never have arrived.
const DOUBTFUL: u32 = 2;

impl Reported<'_> {
    /// In what the report differs from what was granted, and the packet that granted it. What was
    /// in force before is no difference while the report may have crossed the accept; what was in
    /// force before a regrant is a matter of another rule.
    pub(super) fn contradiction<T>(
        &self,
        differs: impl Fn(&Granted) -> Option<T>,
    ) -> Option<(T, PacketRef)> {
        let track = self.granted_track()?;
        let accept = track.accept.as_ref()?;
        let found = differs(&accept.granted)?;
        let crosses = self.made.duration_since(accept.moment.at) < ACCEPT_TAKES;
        let doubtful = accept.repeats >= DOUBTFUL;
        let earlier = accept.earlier.as_ref().filter(|_| crosses || doubtful);
        let known = earlier
            .into_iter()
            .chain(&track.before)
            .any(|(_, granted)| differs(granted).is_none());
        (!known).then_some((found, accept.moment.packet))
    }

    /// The session, for a report of what the server granted: with Acct-Authentic Local the switch
    /// let the device in by itself (RFC 2866 section 5.6).
    pub(super) fn granted_track(&self) -> Option<&Track> {
        const LOCAL: u32 = 2;
        let local = self.packet.integer(a::ACCT_AUTHENTIC) == Some(LOCAL);
        self.track.filter(|_| self.status.is_of_session() && !local)
    }
}

/// An answer to a change.
pub(super) struct Answered<'a> {
    pub(super) at: Timestamp,
    pub(super) packet: Packet<'a>,
    /// The request.
    pub(super) request: Packet<'a>,
    pub(super) exchange: &'a Exchange,
    /// The session that the change was about.
    pub(super) track: Option<&'a Track>,
}

/// A datagram that was dropped for its form.
pub(super) struct Stray<'a> {
    /// Verdict of the journal.
    pub(super) verdict: &'a str,
    /// Reason of the journal.
    pub(super) reason: &'a str,
    pub(super) link: Link,
    pub(super) packet: Option<Packet<'a>>,
}
