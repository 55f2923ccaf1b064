//! Changes sent and what came back.

use std::net::SocketAddr;

use hashlink::LruCache;

use super::agenda::TrackId;
use super::tracks::Moment;
use crate::bench::ChangeKind;

/// Changes remembered.
const CHANGES: usize = 2048;

/// One change.
#[derive(Debug, Clone)]
pub(super) struct Exchange {
    /// Number of its order.
    pub(super) order: Option<u64>,
    pub(super) kind: Option<ChangeKind>,
    /// The request.
    pub(super) octets: Vec<u8>,
    /// First transmission.
    pub(super) first: Moment,
    /// Last transmission.
    pub(super) last: Moment,
    /// Transmissions.
    pub(super) sent: u32,
    /// The session that it is about.
    pub(super) track: Option<TrackId>,
    /// The first answer.
    pub(super) answer: Option<(Moment, Vec<u8>)>,
}

/// The changes of late, by destination and identifier.
pub(super) struct Exchanges {
    changes: LruCache<(SocketAddr, u8), Exchange>,
}

impl Default for Exchanges {
    fn default() -> Exchanges {
        Exchanges {
            changes: LruCache::new(CHANGES),
        }
    }
}

impl Exchanges {
    /// A request left.
    pub(super) fn sent(&mut self, to: SocketAddr, identifier: u8, exchange: Exchange) {
        let key = (to, identifier);
        match self.changes.get_mut(&key) {
            Some(known) if known.octets == exchange.octets => {
                known.last = exchange.last;
                known.sent = known.sent.saturating_add(1);
            }
            _ => {
                self.changes.insert(key, exchange);
            }
        }
    }

    /// The change that an answer may belong to.
    pub(super) fn of(&self, from: SocketAddr, identifier: u8) -> Option<&Exchange> {
        self.changes.peek(&(from, identifier))
    }

    /// The change of an order that was sent last.
    pub(super) fn of_order(&self, order: u64) -> Option<&Exchange> {
        self.changes
            .iter()
            .map(|(_, exchange)| exchange)
            .filter(|exchange| exchange.order == Some(order))
            .max_by_key(|exchange| exchange.last.at)
    }

    /// An answer came.
    pub(super) fn answered(
        &mut self,
        from: SocketAddr,
        identifier: u8,
        moment: Moment,
        octets: &[u8],
    ) {
        if let Some(exchange) = self.changes.get_mut(&(from, identifier)) {
            exchange
                .answer
                .get_or_insert_with(|| (moment, octets.to_vec()));
        }
    }
}
