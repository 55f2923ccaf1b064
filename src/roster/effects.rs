//! What one step of an engine leaves to be done: store first, then send.

use std::net::SocketAddr;

use crate::journal::{Entry, Link};
use crate::roster::{Device, Session, Touched};
use crate::wire::Mac;

/// Outcome of one step. The shell stores `entries`, `devices`, `sessions` and `forgotten` before
/// it sends any of `transmits`, so that nothing is acknowledged that a crash could lose.
#[derive(Debug, Clone, Default)]
pub struct Effects {
    /// New journal entries; `seq` is 0 until the journal gives one.
    pub entries: Vec<Entry>,
    /// Devices that changed, whole.
    pub devices: Vec<Device>,
    /// Devices that were forgotten.
    pub forgotten: Vec<Mac>,
    /// Sessions that changed, whole.
    pub sessions: Vec<Session>,
    /// Datagrams to send, in order.
    pub transmits: Vec<Transmit>,
}

impl Effects {
    /// Takes in what touching a device left to be stored.
    pub fn device(&mut self, touched: Touched) {
        self.devices.extend(touched.device);
        self.forgotten.extend(touched.crowded_out);
    }

    /// True when nothing is left to do.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.entries.is_empty()
            && self.devices.is_empty()
            && self.forgotten.is_empty()
            && self.sessions.is_empty()
            && self.transmits.is_empty()
    }

    /// Appends what another step left.
    pub fn extend(&mut self, other: Effects) {
        self.entries.extend(other.entries);
        self.devices.extend(other.devices);
        self.forgotten.extend(other.forgotten);
        self.sessions.extend(other.sessions);
        self.transmits.extend(other.transmits);
    }
}

/// A datagram to send.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Transmit {
    /// Socket to send it from: replies leave by the socket that the request came in on.
    pub link: Link,
    /// Destination.
    pub to: SocketAddr,
    /// Octets.
    pub octets: Vec<u8>,
}
