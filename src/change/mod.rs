//! The change client: CoA-Request and Disconnect-Request to declared switches (RFC 5176).
//!
//! Sans-IO: [`Changer`] takes orders, datagrams and the time, and gives back effects and its next
//! deadline.

mod answer;
mod changer;
mod flap;
mod flight;
mod identifiers;

mod order;
mod request;
mod retransmit;
mod steps;
#[cfg(test)]
mod tests;
mod turn;

use std::time::Duration;

use jiff::Timestamp;

pub use changer::Changer;
pub use order::{Order, OrderId, OrderRefused, Origin, Outcome};
pub use request::Unspellable;

/// What a person must know before a bounce.
pub const CAUTION: &str = "A bounce takes the port's link down. It can cut power over Ethernet, and with it a phone \
     that someone may need for an emergency call, a door controller or a camera. Ask whoever is \
     responsible for the site, and keep to the local rules.";

/// `now` and `wait` more, the end of time at the latest.
fn later(now: Timestamp, wait: Duration) -> Timestamp {
    now.checked_add(wait).unwrap_or(Timestamp::MAX)
}

/// Whole time from `start` to `end`, zero when the clock went back.
fn elapsed(start: Timestamp, end: Timestamp) -> Duration {
    Duration::try_from(end.duration_since(start)).unwrap_or_default()
}
