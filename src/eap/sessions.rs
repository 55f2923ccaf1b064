//! TLS sessions that may be resumed, each with what its login proved.
//!
//! A session enters only when its login has succeeded, so that resuming one can never stand in for
//! a login that broke off half-way. Certificates are looked at again on resumption
//! (RFC 9190 section 5.7 as remembered: what is authorised must be current).

use std::collections::{HashMap, VecDeque};
use std::fmt;
use std::sync::{Arc, Mutex, PoisonError};

use jiff::{SignedDuration, Timestamp};
use zeroize::Zeroizing;

use super::proof::{Method, Proven};

/// How long and how many sessions are kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Resumption {
    /// From the full login. TLS 1.3 allows seven days at most (RFC 8446 section 4.6.1).
    pub lifetime: SignedDuration,
    /// Sessions kept; the oldest goes first.
    pub most: usize,
}

impl Default for Resumption {
    /// One hour, 4,096 sessions.
    fn default() -> Resumption {
        Resumption {
            lifetime: SignedDuration::from_hours(1),
            most: 4096,
        }
    }
}

pub(super) struct Sessions {
    limits: Resumption,
    store: Mutex<Store>,
}

#[derive(Default)]
struct Store {
    entries: HashMap<Vec<u8>, Entry>,
    /// Keys by age; may name entries that are gone.
    order: VecDeque<Vec<u8>>,
}

#[derive(Clone)]
struct Entry {
    session: Zeroizing<Vec<u8>>,
    method: Method,
    proven: Arc<Proven>,
}

impl Sessions {
    pub(super) fn new(limits: Resumption) -> Sessions {
        Sessions {
            limits,
            store: Mutex::default(),
        }
    }

    /// Keeps a session of a login that succeeded.
    pub(super) fn keep(&self, key: Vec<u8>, session: Vec<u8>, method: Method, proven: Arc<Proven>) {
        let mut store = self.lock();
        let entry = Entry {
            session: Zeroizing::new(session),
            method,
            proven,
        };
        store.entries.insert(key.clone(), entry);
        store.order.push_back(key);
        while store.entries.len() > self.limits.most
            && let Some(oldest) = store.order.pop_front()
        {
            store.entries.remove(&oldest);
        }
        if store.order.len() > self.limits.most.saturating_mul(2) {
            let Store { entries, order } = &mut *store;
            order.retain(|key| entries.contains_key(key));
        }
    }

    /// A session of the same method that is still good at `now`. `once` takes it away: a TLS 1.3
    /// ticket is used once.
    pub(super) fn find(
        &self,
        key: &[u8],
        method: Method,
        now: Timestamp,
        once: bool,
    ) -> Option<(Vec<u8>, Arc<Proven>)> {
        let mut store = self.lock();
        let entry = if once {
            store.entries.remove(key)?
        } else {
            store.entries.get(key)?.clone()
        };
        let age = now.duration_since(entry.proven.since);
        let certificate_good = entry
            .proven
            .certificate
            .as_ref()
            .is_none_or(|facts| facts.is_valid_at(now));
        // RFC 9427 section 3 as remembered: a session of one method must not resume as another.
        (entry.method == method && age < self.limits.lifetime && certificate_good)
            .then(|| (entry.session.to_vec(), entry.proven))
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, Store> {
        self.store.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl fmt::Debug for Sessions {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "<{} sessions>", self.lock().entries.len())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOW: Timestamp = Timestamp::UNIX_EPOCH;

    fn proven(since: Timestamp) -> Arc<Proven> {
        Arc::new(Proven {
            identity: "mo".to_owned(),
            inner: None,
            certificate: None,
            since,
        })
    }

    fn sessions(most: usize) -> Sessions {
        Sessions::new(Resumption {
            lifetime: SignedDuration::from_secs(60),
            most,
        })
    }

    #[test]
    fn found_for_the_same_method_within_the_lifetime() {
        let sessions = sessions(4);
        sessions.keep(vec![1], vec![9], Method::Ttls, proven(NOW));
        let found = |method, seconds| {
            let now = NOW + SignedDuration::from_secs(seconds);
            sessions.find(&[1], method, now, false).is_some()
        };
        assert!(found(Method::Ttls, 59));
        assert!(!found(Method::Ttls, 60));
        assert!(!found(Method::Peap, 0));
        assert!(sessions.find(&[2], Method::Ttls, NOW, false).is_none());
    }

    #[test]
    fn taken_once() {
        let sessions = sessions(4);
        sessions.keep(vec![1], vec![9], Method::Tls, proven(NOW));
        assert!(sessions.find(&[1], Method::Tls, NOW, true).is_some());
        assert!(sessions.find(&[1], Method::Tls, NOW, true).is_none());
    }

    #[test]
    fn bounded_and_the_oldest_goes_first() {
        let sessions = sessions(3);
        for key in 0..100 {
            sessions.keep(vec![key], vec![9], Method::Tls, proven(NOW));
        }
        let store = sessions.lock();
        assert_eq!(store.entries.len(), 3);
        assert!(store.entries.contains_key([99].as_slice()));
        assert!(!store.entries.contains_key([96].as_slice()));
        assert!(store.order.len() <= 6);
    }

    #[test]
    fn keys_of_taken_sessions_do_not_pile_up() {
        let sessions = sessions(3);
        for key in 0..100 {
            sessions.keep(vec![key], vec![9], Method::Tls, proven(NOW));
            sessions.find(&[key], Method::Tls, NOW, true);
        }
        assert!(sessions.lock().order.len() <= 7);
    }
}
