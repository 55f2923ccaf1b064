//! An order on its way: waiting to be sent, or sent and waiting for its answer.

use std::net::SocketAddr;
use std::sync::Arc;

use jiff::Timestamp;

use super::order::{Order, OrderId};
use super::request::Request;
use super::retransmit::Retransmission;
use crate::bench::{ChangeKind, Switch};
use crate::journal::Place;

/// What is under way for one session: one change, and the one to follow it.
#[derive(Debug, Clone)]
pub(super) struct Slot {
    pub(super) job: Job,
    pub(super) stage: Stage,
    /// An automatic order that came while the change was in flight; the newest wins.
    pub(super) queued: Option<Job>,
}

/// An order that was taken.
#[derive(Debug, Clone)]
pub(super) struct Job {
    pub(super) id: OrderId,
    pub(super) order: Order,
    /// The change as it stands now: the ordered one, or a fallback.
    pub(super) kind: ChangeKind,
    /// Every change tried, `kind` included.
    pub(super) tried: Vec<ChangeKind>,
    /// Whether anything of it went out.
    pub(super) sent: bool,
    pub(super) place: Place,
}

#[derive(Debug, Clone)]
pub(super) enum Stage {
    /// To be sent then.
    Waiting(Timestamp),
    /// Sent.
    InFlight(Box<Flight>),
}

/// A request whose answer is awaited.
#[derive(Debug, Clone)]
pub(super) struct Flight {
    /// The switch as it was declared when the request was signed: a reload does not make its
    /// answer unreadable.
    pub(super) switch: Arc<Switch>,
    pub(super) to: SocketAddr,
    pub(super) identifier: u8,
    pub(super) authenticator: [u8; 16],
    pub(super) request: Request,
    pub(super) octets: Vec<u8>,
    pub(super) timer: Retransmission,
}

impl Slot {
    /// When something is to be done for it.
    pub(super) fn due(&self) -> Timestamp {
        match &self.stage {
            Stage::Waiting(due) => *due,
            Stage::InFlight(flight) => flight.timer.due(),
        }
    }

    /// The request in flight.
    pub(super) fn in_flight(&self) -> Option<&Flight> {
        match &self.stage {
            Stage::InFlight(flight) => Some(flight),
            Stage::Waiting(_) => None,
        }
    }
}

impl Job {
    pub(super) fn new(id: OrderId, order: Order, place: Place) -> Job {
        let mut job = Job {
            id,
            kind: order.kind,
            tried: Vec::new(),
            sent: false,
            place: Place {
                order: Some(id),
                ..place
            },
            order,
        };
        job.turn_to(job.kind);
        job
    }

    /// Takes up a change.
    pub(super) fn turn_to(&mut self, kind: ChangeKind) {
        self.kind = kind;
        self.tried.push(kind);
        self.place.change = Some(kind);
    }

    /// Whether another order wants the same thing.
    pub(super) fn wants_the_same(&self, order: &Order) -> bool {
        self.order.kind == order.kind && self.order.to_class == order.to_class
    }
}
