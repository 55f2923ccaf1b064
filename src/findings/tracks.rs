//! What is remembered of switches, devices and sessions.

use std::net::IpAddr;
use std::time::Duration;

use jiff::Timestamp;

use super::agenda::TrackId;
use super::finding::PacketRef;
use super::granted::Granted;
use super::read::{Counts, Line, Method, between};
use super::seen::Status;
use crate::bench::ChangeKind;
use crate::wire::Mac;

/// A packet and when it passed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Moment {
    pub(super) at: Timestamp,
    pub(super) packet: PacketRef,
}

impl Moment {
    /// How long ago it was.
    pub(super) fn ago(&self, now: Timestamp) -> Duration {
        between(self.at, now)
    }
}

/// One switch, by address.
#[derive(Debug, Clone, Default)]
pub(super) struct SwitchLog {
    /// First accept that it was given.
    pub(super) first_accept: Option<Moment>,
    /// Accepts given.
    pub(super) accepts: u32,
    /// First Accounting-Request.
    pub(super) accounting: Option<Moment>,
    /// Accounting-Off that no Accounting-On followed yet.
    pub(super) off: Option<Moment>,
    /// Sessions one after the other of which nothing at all was heard after the accept.
    pub(super) silent: u32,
}

/// One device on a switch.
#[derive(Debug, Clone, Default)]
pub(super) struct Seat {
    /// Its last Access-Request.
    pub(super) asked: Option<Timestamp>,
    /// The challenge that its last request was answered with.
    pub(super) challenge: Option<Challenge>,
    /// What it last said in an EAP-Response/Identity, and when.
    pub(super) identity: Option<(Moment, Vec<u8>)>,
    /// Its last MAC authentication that was let in.
    pub(super) let_in_by_mac: Option<Moment>,
    /// Rejects one after the other.
    pub(super) refusals: Option<Refusals>,
    /// Its session.
    pub(super) track: Option<TrackId>,
}

/// An Access-Challenge that waits for its answer.
#[derive(Debug, Clone)]
pub(super) struct Challenge {
    pub(super) moment: Moment,
    pub(super) state: Option<Vec<u8>>,
    /// Identifier of its EAP request.
    pub(super) eap: Option<u8>,
}

/// Rejects of one method, none of them answered by a wait.
#[derive(Debug, Clone, Copy)]
pub(super) struct Refusals {
    pub(super) method: Method,
    pub(super) last: Moment,
    /// How often the switch asked again without a wait.
    pub(super) hasty: u32,
}

/// One session.
#[derive(Debug, Clone)]
pub(super) struct Track {
    pub(super) switch: IpAddr,
    /// Switch entry.
    pub(super) name: String,
    pub(super) port: Option<String>,
    /// NAS-Port and NAS-Port-Id.
    pub(super) line: Line,
    pub(super) mac: Option<Mac>,
    /// Acct-Session-Id of its Access-Request.
    pub(super) asked_as: Option<Vec<u8>>,
    /// Acct-Session-Id of its accounting.
    pub(super) reported_as: Option<Vec<u8>>,
    /// Start of an earlier session with the same Acct-Session-Id.
    pub(super) reuses: Option<Moment>,
    pub(super) accept: Option<Accept>,
    pub(super) start: Option<Moment>,
    /// Event-Timestamp of the Start.
    pub(super) start_stamp: Option<Timestamp>,
    pub(super) stop: Option<Moment>,
    pub(super) last: Option<Last>,
    pub(super) interims: u32,
    /// Since when its counters stand still, by its reports.
    pub(super) still: Option<Moment>,
    /// When a change of it was last sent.
    pub(super) ordered: Option<Timestamp>,
    /// The last change that was acknowledged.
    pub(super) done: Option<(ChangeKind, Moment)>,
    /// A NAK that said there is no such session.
    pub(super) denied: Option<Moment>,
    /// What was in force before the last acknowledged regrant.
    pub(super) before: Option<(Moment, Granted)>,
    /// How long the accept before the one in force had been so, where it set a Session-Timeout
    /// and no change cut it short.
    pub(super) early: Option<Duration>,
}

/// The accept in force.
#[derive(Debug, Clone)]
pub(super) struct Accept {
    /// The newest one.
    pub(super) moment: Moment,
    /// The first one.
    pub(super) first: Timestamp,
    pub(super) granted: Granted,
    /// The accept before it: reports may cross the newer one, which may also get lost.
    pub(super) earlier: Option<(Moment, Granted)>,
    /// Whether the switch had to drop it.
    pub(super) flaw: Option<Flaw>,
    /// How often its request was repeated: the switch may have given up without an answer.
    pub(super) repeats: u32,
}

/// Why a switch must not act on an answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Flaw {
    /// Response Authenticator wrong.
    Authenticator,
    /// Message-Authenticator wrong, or missing beside EAP-Message.
    Seal,
    /// No Message-Authenticator, though the request had one.
    Unsealed,
}

/// The last report of a session.
#[derive(Debug, Clone, Copy)]
pub(super) struct Last {
    pub(super) moment: Moment,
    /// When it was made, as far as it says so.
    pub(super) made: Timestamp,
    pub(super) status: Status,
    pub(super) counts: Counts,
}

impl Track {
    /// Whether its accounting says that it goes on.
    pub(super) fn runs(&self) -> bool {
        self.start.is_some() && self.stop.is_none()
    }
}
