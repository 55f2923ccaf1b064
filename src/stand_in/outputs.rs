//! What a step of the stand-in leaves to be done.

use std::net::SocketAddr;

use jiff::Timestamp;
use rand::rngs::StdRng;

use super::config::StandInConfig;
use super::event::{SwitchEvent, What};
use crate::wire::Mac;

/// Sockets of a stand-in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Socket {
    /// Access-Requests go out, answers come in.
    Authentication,
    /// Accounting-Requests go out, answers come in.
    Accounting,
    /// Changes come in, answers go out.
    Change,
    /// Relayed DHCP goes out.
    Dhcp,
}

/// A socket that the shell has to bind.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SocketNeed {
    /// Which.
    pub socket: Socket,
    /// Address to bind; port 0 leaves the choice to the system.
    pub bind: SocketAddr,
}

/// A datagram to send.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StandInTransmit {
    /// Socket to send it from.
    pub socket: Socket,
    /// Destination.
    pub to: SocketAddr,
    /// Octets.
    pub octets: Vec<u8>,
}

/// Everything that one step leaves: datagrams in the order in which they leave, and what happened.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Outputs {
    /// Datagrams.
    pub transmits: Vec<StandInTransmit>,
    /// Events.
    pub events: Vec<SwitchEvent>,
}

impl Outputs {
    /// Appends what another step left.
    pub fn extend(&mut self, other: Outputs) {
        self.transmits.extend(other.transmits);
        self.events.extend(other.events);
    }
}

/// Where on the switch something happens.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Place {
    pub(super) port: Option<String>,
    pub(super) mac: Option<Mac>,
}

/// What every part of a step needs: the time, the configuration, chance, and a place for results.
pub(super) struct Post<'a> {
    pub(super) now: Timestamp,
    pub(super) config: &'a StandInConfig,
    pub(super) rng: &'a mut StdRng,
    pub(super) out: &'a mut Outputs,
}

impl Post<'_> {
    pub(super) fn note(&mut self, place: Place, what: What) {
        self.out.events.push(SwitchEvent {
            at: self.now,
            port: place.port,
            mac: place.mac,
            what,
        });
    }

    pub(super) fn transmit(&mut self, socket: Socket, to: SocketAddr, octets: Vec<u8>) {
        self.out
            .transmits
            .push(StandInTransmit { socket, to, octets });
    }
}
