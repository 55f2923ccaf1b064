//! Requests as they are transmitted: which repeats which, identifiers, authenticators, timers.

use std::hash::{DefaultHasher, Hash as _, Hasher as _};
use std::net::{IpAddr, SocketAddr};
use std::time::Duration;

use hashlink::LruCache;
use jiff::Timestamp;

use super::finding::PacketRef;
use super::read::{self, between};
use super::seen::{IdentifierUse, Repeat, Sent};
use crate::journal::Link;
use crate::wire::registry::attributes as a;
use crate::wire::{Code, Packet};

/// Source sockets remembered.
const SOCKETS: usize = 1024;
/// Requests remembered.
const FLIGHTS: usize = 8192;
/// Request Authenticators remembered.
const AUTHENTICATORS: usize = 16_384;
/// Sessions and switches of which the last sign of life is remembered.
const SIGNS: usize = 4096;
/// First waits that are compared: by RFC 5080 section 2.2.1 the chance that six lie within a
/// fiftieth of each other is below one in ten thousand.
const PACE: usize = 6;
/// Transmissions of one request whose times are kept.
const GAPS: usize = 32;

/// The longest wait between two transmissions of an Access-Request that are not the same to the
/// octet: MRT and its random part (RFC 5080 section 2.2.1), and a little.
const LONGEST_GAP: Duration = Duration::from_secs(20);
/// The same for records that say when they were made, which no two of a session do at one time:
/// they are repeated without end, and each wait is twice the one before.
const LONGEST_RECORD_GAP: Duration = Duration::from_secs(600);
/// The same octets of an Access-Request later than this are no repetition: MRD (RFC 5080 section
/// 2.2.1) is over twice.
const LONGEST_FLIGHT: Duration = Duration::from_secs(60);
/// The same octets within this time are the network's doing.
const DOUBLED: Duration = Duration::from_millis(500);
/// A change may set requests off for so long.
const CHANGE_TAKES: Duration = Duration::from_secs(10);
/// Octets of two random authenticators that may be alike in the same place.
const ALIKE: usize = 11;

/// What may change from one transmission to the next without a change of content.
const CHANGING: [u8; 5] = [
    a::MESSAGE_AUTHENTICATOR,
    a::USER_PASSWORD,
    a::CHAP_PASSWORD,
    a::CHAP_CHALLENGE,
    a::ACCT_DELAY_TIME,
];

/// The memory.
pub(super) struct Sendings {
    sockets: LruCache<(SocketAddr, Link), Socket>,
    flights: LruCache<(IpAddr, Link, u64), Flight>,
    authenticators: LruCache<(IpAddr, [u8; 16]), PacketRef>,
    newest: LruCache<IpAddr, [u8; 16]>,
    pace: LruCache<(IpAddr, Link), Vec<Duration>>,
    /// When accounting was last heard of a session.
    reported: LruCache<(IpAddr, Vec<u8>), Timestamp>,
    /// When a switch was last sent a change.
    changed: LruCache<IpAddr, Timestamp>,
}

/// A request as it arrived.
#[derive(Clone, Copy)]
pub(super) struct Transmission<'a> {
    pub(super) at: Timestamp,
    pub(super) from: SocketAddr,
    pub(super) link: Link,
    pub(super) packet: Packet<'a>,
    pub(super) reference: PacketRef,
    /// Code of the answer that it got.
    pub(super) answer: Option<Code>,
}

/// Identifiers of one source socket.
struct Socket {
    used: Box<[Option<Use>; 256]>,
    requests: u64,
}

#[derive(Clone, Copy)]
struct Use {
    at: Timestamp,
    request: u64,
    reference: PacketRef,
}

/// A request under way.
struct Flight {
    identifier: u8,
    authenticator: [u8; 16],
    delay: Option<u32>,
    first: (Timestamp, PacketRef),
    last: Timestamp,
    gaps: Vec<Duration>,
    sent: u32,
    answer: Option<Code>,
}

impl Default for Sendings {
    fn default() -> Sendings {
        Sendings {
            sockets: LruCache::new(SOCKETS),
            flights: LruCache::new(FLIGHTS),
            authenticators: LruCache::new(AUTHENTICATORS),
            newest: LruCache::new(SIGNS),
            pace: LruCache::new(SIGNS),
            reported: LruCache::new(SIGNS),
            changed: LruCache::new(SIGNS),
        }
    }
}

impl Sendings {
    /// A request arrived. `None` when it is the network's copy of the one before.
    pub(super) fn see<'a>(&mut self, transmission: &Transmission<'a>) -> Option<Sent<'a>> {
        let key = (
            transmission.from.ip(),
            transmission.link,
            content(&transmission.packet),
        );
        let goes_on = self.goes_on(&key, transmission);
        let mut sent = Sent {
            link: transmission.link,
            packet: transmission.packet,
            identifier: None,
            authenticator: None,
            alike: None,
            repeat: None,
            pace: None,
        };
        if goes_on {
            let flight = self.flights.get_mut(&key)?;
            sent.repeat = Some(flight.repeat(transmission)?);
            sent.pace = self.pace_of(&key, transmission.at);
        } else {
            self.flights.insert(key, Flight::new(transmission));
        }
        let fresh = sent
            .repeat
            .as_ref()
            .is_none_or(|repeat| repeat.new_identifier || repeat.new_authenticator);
        if fresh {
            sent.identifier = self.identifier(transmission, sent.repeat.is_some());
            if transmission.packet.code() == Code::ACCESS_REQUEST {
                sent.authenticator = self.authenticator(transmission);
                sent.alike = self.alike(transmission);
            }
        }
        if transmission.link == Link::Accounting
            && let Some(session) = read::session_id(&transmission.packet)
        {
            self.reported
                .insert((transmission.from.ip(), session), transmission.at);
        }
        Some(sent)
    }

    /// A change went to a switch: what it asks from now on it may ask anew.
    pub(super) fn changed(&mut self, switch: IpAddr, at: Timestamp) {
        self.changed.insert(switch, at);
    }

    /// Whether the request is the same as one under way, transmitted once more.
    fn goes_on(&mut self, key: &(IpAddr, Link, u64), transmission: &Transmission<'_>) -> bool {
        let Some(flight) = self.flights.peek(key) else {
            return false;
        };
        let packet = &transmission.packet;
        let gap = between(flight.last, transmission.at);
        let accounting = transmission.link == Link::Accounting;
        let identical = flight.identifier == packet.identifier()
            && flight.authenticator == *packet.authenticator();
        if identical {
            return accounting || gap <= LONGEST_FLIGHT;
        }
        let dated = accounting && packet.first(a::EVENT_TIMESTAMP).is_some();
        let longest = if dated {
            LONGEST_RECORD_GAP
        } else {
            LONGEST_GAP
        };
        if gap > longest {
            return false;
        }
        // Whoever repeated it as it was before begins something new with another identifier.
        if flight.sent > 1 && flight.identifier != packet.identifier() {
            return false;
        }
        match flight.answer {
            None | Some(Code::ACCESS_CHALLENGE | Code::ACCOUNTING_RESPONSE) => true,
            Some(Code::ACCESS_ACCEPT) => self.accept_was_lost(flight, transmission),
            Some(_) => false,
        }
    }

    /// Whether a request that was accepted already is repeated because the accept got lost: nothing
    /// was heard of its session since, nothing was asked of the switch, and it waited.
    fn accept_was_lost(&self, flight: &Flight, transmission: &Transmission<'_>) -> bool {
        let switch = transmission.from.ip();
        let first = flight.first.0;
        let Some(session) = read::session_id(&transmission.packet) else {
            return false;
        };
        let reported = self.reported.peek(&(switch, session));
        let changed = self.changed.peek(&switch);
        reported.is_none_or(|at| *at < first)
            && changed.is_none_or(|at| between(*at, first) > CHANGE_TAKES)
            && between(flight.last, transmission.at) > DOUBLED
    }

    /// The last first waits of a switch, once there are enough and one was added now.
    fn pace_of(&mut self, key: &(IpAddr, Link, u64), _now: Timestamp) -> Option<Vec<Duration>> {
        let flight = self.flights.peek(key)?;
        let [first] = *flight.gaps.as_slice() else {
            return None;
        };
        let key = (key.0, key.1);
        if !self.pace.contains_key(&key) {
            self.pace.insert(key, Vec::new());
        }
        let waits = self.pace.get_mut(&key)?;
        if waits.len() >= PACE {
            waits.remove(0);
        }
        waits.push(first);
        (waits.len() >= PACE).then(|| waits.clone())
    }

    /// The last use of the identifier by another request.
    fn identifier(
        &mut self,
        transmission: &Transmission<'_>,
        same_request: bool,
    ) -> Option<IdentifierUse> {
        let key = (transmission.from, transmission.link);
        if !self.sockets.contains_key(&key) {
            self.sockets.insert(key, Socket::default());
        }
        let socket = self.sockets.get_mut(&key)?;
        socket.requests += 1;
        let request = socket.requests;
        let place = socket
            .used
            .get_mut(usize::from(transmission.packet.identifier()))?;
        let earlier = place.replace(Use {
            at: transmission.at,
            request,
            reference: transmission.reference,
        })?;
        (!same_request).then(|| IdentifierUse {
            after: between(earlier.at, transmission.at),
            requests: request - earlier.request,
            packet: earlier.reference,
        })
    }

    /// The request that had the same Request Authenticator.
    fn authenticator(&mut self, transmission: &Transmission<'_>) -> Option<PacketRef> {
        let key = (transmission.from.ip(), *transmission.packet.authenticator());
        self.authenticators.insert(key, transmission.reference)
    }

    /// In how many octets the authenticator is like the one before, when that is no chance.
    fn alike(&mut self, transmission: &Transmission<'_>) -> Option<usize> {
        let ours = *transmission.packet.authenticator();
        let first = *ours.first()?;
        let before = self.newest.insert(transmission.from.ip(), ours);
        if ours.iter().all(|octet| *octet == first) {
            return Some(ours.len());
        }
        let before = before.filter(|before| *before != ours)?;
        let same = ours.iter().zip(before).filter(|(a, b)| *a == b).count();
        (same > ALIKE).then_some(same)
    }
}

impl Default for Socket {
    fn default() -> Socket {
        Socket {
            used: Box::new([None; 256]),
            requests: 0,
        }
    }
}

impl Flight {
    fn new(transmission: &Transmission<'_>) -> Flight {
        Flight {
            identifier: transmission.packet.identifier(),
            authenticator: *transmission.packet.authenticator(),
            delay: transmission.packet.integer(a::ACCT_DELAY_TIME),
            first: (transmission.at, transmission.reference),
            last: transmission.at,
            gaps: Vec::new(),
            sent: 1,
            answer: transmission.answer,
        }
    }

    /// The same request once more; `None` when the network doubled it.
    fn repeat(&mut self, transmission: &Transmission<'_>) -> Option<Repeat> {
        let packet = &transmission.packet;
        let gap = between(self.last, transmission.at);
        let new_identifier = self.identifier != packet.identifier();
        let new_authenticator = self.authenticator != *packet.authenticator();
        if gap < DOUBLED && !new_identifier && !new_authenticator {
            return None;
        }
        let delay = packet.integer(a::ACCT_DELAY_TIME);
        let new_delay = self.delay != delay;
        self.identifier = packet.identifier();
        self.authenticator = *packet.authenticator();
        self.delay = delay;
        self.last = transmission.at;
        self.answer = transmission.answer.or(self.answer);
        self.sent = if new_identifier || new_authenticator {
            1
        } else {
            self.sent.saturating_add(1)
        };
        if self.gaps.len() < GAPS {
            self.gaps.push(gap);
        }
        Some(Repeat {
            first: self.first.1,
            new_identifier,
            new_authenticator,
            new_delay,
            gaps: self.gaps.clone(),
            whole: between(self.first.0, transmission.at),
        })
    }
}

/// What a request says, without what may change from one transmission to the next.
fn content(packet: &Packet<'_>) -> u64 {
    let mut hasher = DefaultHasher::new();
    packet.code().0.hash(&mut hasher);
    for attribute in packet.attributes() {
        if !CHANGING.contains(&attribute.kind) {
            attribute.kind.hash(&mut hasher);
            attribute.value.hash(&mut hasher);
        }
    }
    hasher.finish()
}
