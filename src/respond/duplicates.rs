//! Duplicate detection (RFC 5080 section 2.2.2).
//!
//! A retransmission gets the octets of the first answer again, and nothing is decided twice.

use std::collections::{HashMap, VecDeque};
use std::net::SocketAddr;
use std::time::Duration;

use jiff::Timestamp;

use crate::journal::Link;

/// Answers kept at the most; past it the oldest goes first.
const CAPACITY: usize = 65_536;

/// What RFC 5080 section 2.2.2 tells duplicates by, besides the Request Authenticator.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Key {
    /// Source address and port.
    pub peer: SocketAddr,
    /// Receiving socket.
    pub local: SocketAddr,
    /// What the socket is for; two sockets on wildcard addresses might look alike.
    pub link: Link,
    /// Identifier of the packet.
    pub identifier: u8,
}

/// Answers of the last seconds.
#[derive(Debug)]
pub(super) struct Duplicates {
    life: Duration,
    capacity: usize,
    /// Position of the latest answer of each key, counted from the first one ever kept.
    latest: HashMap<Key, u64>,
    /// Answers in the order in which they were given.
    kept: VecDeque<Kept>,
    /// Position of the front of `kept`.
    front: u64,
}

#[derive(Debug)]
struct Kept {
    key: Key,
    authenticator: [u8; 16],
    answer: Vec<u8>,
    until: Timestamp,
}

impl Duplicates {
    /// An empty cache that keeps answers for a time.
    #[must_use]
    pub fn new(life: Duration) -> Duplicates {
        Duplicates::with_capacity(life, CAPACITY)
    }

    fn with_capacity(life: Duration, capacity: usize) -> Duplicates {
        Duplicates {
            life,
            capacity,
            latest: HashMap::new(),
            kept: VecDeque::new(),
            front: 0,
        }
    }

    /// Keeps the answers to come for another time.
    pub fn keep_for(&mut self, life: Duration) {
        self.life = life;
    }

    /// The answer that this very request already got. Another Request Authenticator under the
    /// same key is a new request, and what was kept for the old one is purged.
    pub fn answered(
        &mut self,
        now: Timestamp,
        key: &Key,
        authenticator: &[u8; 16],
    ) -> Option<&[u8]> {
        self.expire(now);
        let position = *self.latest.get(key)?;
        let index = usize::try_from(position - self.front).ok()?;
        let same = self.kept.get(index)?.authenticator == *authenticator;
        if !same {
            self.latest.remove(key);
            if let Some(kept) = self.kept.get_mut(index) {
                kept.answer = Vec::new();
            }
            return None;
        }
        self.kept.get(index).map(|kept| kept.answer.as_slice())
    }

    /// Keeps the answer to a request.
    pub fn keep(&mut self, now: Timestamp, key: Key, authenticator: [u8; 16], answer: Vec<u8>) {
        if self.kept.len() >= self.capacity {
            self.drop_oldest();
        }
        let position = self.front + self.kept.len() as u64;
        self.latest.insert(key, position);
        self.kept.push_back(Kept {
            key,
            authenticator,
            answer,
            until: now.saturating_add(self.life).unwrap_or(Timestamp::MAX),
        });
    }

    /// When the oldest answer may go.
    #[must_use]
    pub fn next_deadline(&self) -> Option<Timestamp> {
        self.kept.front().map(|kept| kept.until)
    }

    /// Drops what has outlived its time.
    pub fn expire(&mut self, now: Timestamp) {
        while self.kept.front().is_some_and(|kept| kept.until <= now) {
            self.drop_oldest();
        }
    }

    fn drop_oldest(&mut self) {
        let Some(kept) = self.kept.pop_front() else {
            return;
        };
        if self.latest.get(&kept.key) == Some(&self.front) {
            self.latest.remove(&kept.key);
        }
        self.front += 1;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(seconds: i64) -> Timestamp {
        Timestamp::UNIX_EPOCH + jiff::SignedDuration::from_secs(seconds)
    }

    fn key(identifier: u8) -> Key {
        Key {
            peer: "192.0.2.10:50000".parse().unwrap(),
            local: "192.0.2.1:1812".parse().unwrap(),
            link: Link::Authentication,
            identifier,
        }
    }

    const LIFE: Duration = Duration::from_secs(30);
    const ONE: [u8; 16] = [1; 16];
    const TWO: [u8; 16] = [2; 16];

    /// RFC 5080 section 2.2.2.
    #[test]
    fn the_same_request_gets_the_same_answer_and_another_key_does_not() {
        let mut cache = Duplicates::new(LIFE);
        cache.keep(at(0), key(7), ONE, vec![42]);
        assert_eq!(cache.answered(at(29), &key(7), &ONE), Some(&[42][..]));
        assert_eq!(cache.answered(at(29), &key(8), &ONE), None);
        let other = Key {
            peer: "192.0.2.10:50001".parse().unwrap(),
            ..key(7)
        };
        assert_eq!(cache.answered(at(29), &other, &ONE), None);
        let other = Key {
            link: Link::Accounting,
            ..key(7)
        };
        assert_eq!(cache.answered(at(29), &other, &ONE), None);
    }

    /// RFC 5080 section 2.2.2: another Request Authenticator purges the old answer.
    #[test]
    fn another_authenticator_is_a_new_request_and_purges_the_old() {
        let mut cache = Duplicates::new(LIFE);
        cache.keep(at(0), key(7), ONE, vec![42]);
        assert_eq!(cache.answered(at(1), &key(7), &TWO), None);
        assert_eq!(cache.answered(at(1), &key(7), &ONE), None);
        cache.keep(at(1), key(7), TWO, vec![43]);
        assert_eq!(cache.answered(at(2), &key(7), &TWO), Some(&[43][..]));
        // The first one's end must not take the second one along.
        assert_eq!(cache.answered(at(30), &key(7), &TWO), Some(&[43][..]));
        assert_eq!(cache.answered(at(31), &key(7), &TWO), None);
    }

    #[test]
    fn an_answer_goes_when_its_time_is_over() {
        let mut cache = Duplicates::new(Duration::from_secs(12));
        cache.keep(at(0), key(7), ONE, vec![42]);
        assert_eq!(cache.next_deadline(), Some(at(12)));
        cache.expire(at(11));
        assert!(cache.next_deadline().is_some());
        cache.expire(at(12));
        assert!(cache.next_deadline().is_none() && cache.latest.is_empty());
    }

    #[test]
    fn a_full_cache_drops_the_oldest() {
        let mut cache = Duplicates::with_capacity(LIFE, 2);
        for identifier in 0..3 {
            cache.keep(at(0), key(identifier), ONE, vec![identifier]);
        }
        assert_eq!(cache.answered(at(1), &key(0), &ONE), None);
        assert_eq!(cache.answered(at(1), &key(1), &ONE), Some(&[1][..]));
        assert_eq!(cache.answered(at(1), &key(2), &ONE), Some(&[2][..]));
        assert_eq!((cache.kept.len(), cache.latest.len()), (2, 2));
    }
}
