//! The flap guard: a device whose sightings alternate must not bounce its port for ever.

use std::collections::{HashMap, VecDeque};

use jiff::Timestamp;

use super::later;
use super::order::{OrderId, OrderRefused};
use crate::bench::ChangeRules;
use crate::wire::Mac;

/// Automatic changes of each device within the window.
#[derive(Debug, Clone, Default)]
pub(super) struct FlapGuard {
    counted: HashMap<Mac, VecDeque<(Timestamp, OrderId)>>,
}

impl FlapGuard {
    /// Whether one more automatic change of the device is allowed.
    ///
    /// # Errors
    /// When the limit is reached; the count falls as changes leave the window.
    pub(super) fn check(
        &mut self,
        now: Timestamp,
        mac: Mac,
        rules: &ChangeRules,
    ) -> Result<(), OrderRefused> {
        self.counted.retain(|_, times| {
            times.retain(|(at, _)| later(*at, rules.flap_window) > now);
            !times.is_empty()
        });
        let limit = usize::try_from(rules.flap_limit).unwrap_or(usize::MAX);
        let times = self.counted.get(&mac);
        if times.map_or(0, VecDeque::len) < limit {
            return Ok(());
        }
        let oldest = times.and_then(VecDeque::front).map_or(now, |(at, _)| *at);
        Err(OrderRefused::Flapping {
            mac,
            limit: rules.flap_limit,
            window: rules.flap_window,
            next: later(oldest, rules.flap_window),
        })
    }

    /// Counts an order.
    pub(super) fn count(&mut self, now: Timestamp, mac: Mac, order: OrderId) {
        self.counted.entry(mac).or_default().push_back((now, order));
    }

    /// Takes an order out of the count: it was dropped before anything was sent.
    pub(super) fn withdraw(&mut self, mac: Mac, order: OrderId) {
        if let Some(times) = self.counted.get_mut(&mac) {
            times.retain(|(_, counted)| *counted != order);
        }
    }
}
