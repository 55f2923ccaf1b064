//! A datagram that arrived, and the journal entries that it gives rise to.

use std::borrow::Cow;
use std::net::{IpAddr, SocketAddr};

use jiff::Timestamp;

use super::duplicates::Key;
use super::verdict::{Silence, Verdict};
use crate::bench::Switch;
use crate::journal::{Direction, Entry, Kind, Link, PacketRecord, Place};
use crate::wire::registry::attributes;
use crate::wire::{BuildError, Mac, Packet};

/// A datagram with where and when it arrived.
#[derive(Debug, Clone, Copy)]
pub(super) struct Arrival<'a> {
    pub(super) now: Timestamp,
    pub(super) link: Link,
    pub(super) local: SocketAddr,
    pub(super) peer: SocketAddr,
    pub(super) datagram: &'a [u8],
}

/// A datagram that is a request of a declared switch, its authenticators checked.
#[derive(Debug)]
pub(super) struct Request<'a> {
    pub(super) arrival: Arrival<'a>,
    pub(super) switch: &'a Switch,
    pub(super) packet: Packet<'a>,
    /// The port as the switch names it: NAS-Port-Id, or else NAS-Port in decimal.
    pub(super) port: Option<Cow<'a, str>>,
    /// The device by Calling-Station-Id.
    pub(super) station: Option<Mac>,
}

/// Why a datagram gets no answer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Dropped {
    pub(super) silence: Silence,
    pub(super) reason: Cow<'static, str>,
    /// The standard and section that the sender broke.
    pub(super) breach: Option<&'static str>,
}

impl Dropped {
    pub(super) fn new(silence: Silence, reason: impl Into<Cow<'static, str>>) -> Dropped {
        Dropped {
            silence,
            reason: reason.into(),
            breach: None,
        }
    }

    pub(super) fn breaking(self, breach: &'static str) -> Dropped {
        Dropped {
            breach: Some(breach),
            ..self
        }
    }
}

impl From<BuildError> for Dropped {
    fn from(error: BuildError) -> Dropped {
        Dropped::new(Silence::NoRoom, format!("no answer fits a packet: {error}"))
    }
}

impl Arrival<'_> {
    /// Address of the sender; IPv4 as IPv4, whatever the socket makes of it.
    pub(super) fn address(&self) -> IpAddr {
        self.peer.ip().to_canonical()
    }

    /// An entry with the datagram in it.
    pub(super) fn entry(&self, kind: Kind, verdict: Verdict, reason: String) -> Entry {
        Entry {
            seq: 0,
            at: self.now,
            kind,
            verdict: verdict.word().to_owned(),
            reason,
            place: Place::default(),
            packets: vec![PacketRecord {
                at: self.now,
                direction: Direction::In,
                link: self.link,
                from: self.peer,
                to: self.local,
                octets: self.datagram.to_vec(),
            }],
            trace: None,
            breach: None,
        }
    }

    /// The record of an answer.
    pub(super) fn answer(&self, octets: Vec<u8>) -> PacketRecord {
        PacketRecord {
            at: self.now,
            direction: Direction::Out,
            link: self.link,
            from: self.local,
            to: self.peer,
            octets,
        }
    }
}

impl<'a> Request<'a> {
    pub(super) fn new(arrival: Arrival<'a>, switch: &'a Switch, packet: Packet<'a>) -> Request<'a> {
        Request {
            arrival,
            switch,
            packet,
            port: port_of(&packet),
            station: mac_in(&packet, attributes::CALLING_STATION_ID),
        }
    }

    /// Address of the switch; IPv4 as IPv4, whatever the socket makes of it.
    pub(super) fn address(&self) -> IpAddr {
        self.arrival.address()
    }

    pub(super) fn key(&self) -> Key {
        Key {
            peer: self.arrival.peer,
            local: self.arrival.local,
            link: self.arrival.link,
            identifier: self.packet.identifier(),
        }
    }

    /// What the request itself says of the place.
    pub(super) fn place(&self) -> Place {
        Place {
            switch: Some(self.switch.name.clone()),
            port: self.port.clone().map(Cow::into_owned),
            mac: self.station,
            ..Place::default()
        }
    }
}

/// The port that a request names.
pub(super) fn port_of<'a>(packet: &Packet<'a>) -> Option<Cow<'a, str>> {
    if let Some(id) = packet.first(attributes::NAS_PORT_ID) {
        return Some(readable(id.value));
    }
    let number = packet.integer(attributes::NAS_PORT)?;
    Some(Cow::Owned(number.to_string()))
}

/// The MAC address in a text attribute, in whatever spelling.
pub(super) fn mac_in(packet: &Packet<'_>, kind: u8) -> Option<Mac> {
    packet.text(kind)?.parse().ok()
}

/// Text from the wire for people: no control characters, nothing that is not UTF-8.
pub(super) fn readable(octets: &[u8]) -> Cow<'_, str> {
    match String::from_utf8_lossy(octets) {
        Cow::Borrowed(text) if !text.contains(is_control) => Cow::Borrowed(text),
        text => Cow::Owned(text.replace(is_control, "\u{fffd}")),
    }
}

/// Characters that move a terminal's cursor or turn the direction of what follows.
fn is_control(c: char) -> bool {
    c.is_control() || matches!(c, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
}
