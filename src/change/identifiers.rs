//! Which Identifier a request gets.

use std::collections::HashMap;
use std::net::SocketAddr;
use std::time::Duration;

use jiff::Timestamp;

use super::later;

/// How long a switch may take a request for a repetition of an earlier one: the default time
/// window of Event-Timestamp, which the detection of duplicates must cover (RFC 5176 section 6.3).
pub(super) const DUPLICATE_WINDOW: Duration = Duration::from_secs(300);

/// Identifiers by destination. All requests leave by one source port, and a switch knows a
/// duplicate by source address, source port and Identifier (RFC 5176 section 2.3).
#[derive(Debug, Clone, Default)]
pub(super) struct Identifiers {
    used: HashMap<SocketAddr, Used>,
}

#[derive(Debug, Clone, Default)]
struct Used {
    next: u8,
    free_from: HashMap<u8, Timestamp>,
}

impl Identifiers {
    /// An Identifier that `to` has not seen within the window.
    ///
    /// # Errors
    /// When all 256 are taken: the time when the first is free again.
    pub(super) fn take(&mut self, now: Timestamp, to: SocketAddr) -> Result<u8, Timestamp> {
        self.used.retain(|_, used| {
            used.free_from.retain(|_, free| *free > now);
            !used.free_from.is_empty()
        });
        let used = self.used.entry(to).or_default();
        let candidates = (0..=u8::MAX).map(|step| used.next.wrapping_add(step));
        let found = candidates
            .into_iter()
            .find(|identifier| !used.free_from.contains_key(identifier));
        let Some(identifier) = found else {
            return Err(used.free_from.values().min().copied().unwrap_or(now));
        };
        used.next = identifier.wrapping_add(1);
        used.free_from
            .insert(identifier, later(now, DUPLICATE_WINDOW));
        Ok(identifier)
    }

    /// The same Identifier went out once more.
    pub(super) fn sent_again(&mut self, now: Timestamp, to: SocketAddr, identifier: u8) {
        if let Some(used) = self.used.get_mut(&to) {
            used.free_from
                .insert(identifier, later(now, DUPLICATE_WINDOW));
        }
    }

    /// Whether `to` was sent this Identifier within the window.
    pub(super) fn was_used(&self, now: Timestamp, to: SocketAddr, identifier: u8) -> bool {
        self.used
            .get(&to)
            .and_then(|used| used.free_from.get(&identifier))
            .is_some_and(|free| *free > now)
    }
}
