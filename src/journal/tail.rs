//! The newest entries, in memory, and those who follow them.
//!
//! A follower pulls: it keeps the number of the last entry it saw and asks for what comes after.
//! So a slow follower costs no memory, gets entries in batches, and can never miss one without
//! being told: when the tail no longer reaches back far enough, it is sent to the state file.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use tokio::sync::watch;

use super::Entry;

/// Numbers entries and keeps the newest of them.
#[derive(Debug)]
pub struct Journal {
    tail: Mutex<VecDeque<Arc<Entry>>>,
    capacity: usize,
    /// Number of the newest entry; 0 while there is none.
    last: watch::Sender<u64>,
}

/// What the tail holds after some entry.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Tail {
    /// The entries that follow without a gap; empty when there are none yet.
    Entries(Vec<Arc<Entry>>),
    /// The next entry has left memory; the tail begins at `oldest`.
    Gone {
        /// Number of the oldest entry in memory (the next one to come, if there is none).
        oldest: u64,
    },
    /// The asker has seen a number that was never given here: it followed another journal.
    Ahead {
        /// Number of the newest entry.
        last: u64,
    },
}

impl Journal {
    /// A journal that goes on after entry `last` (0 for a new one) and keeps up to `capacity`
    /// entries in memory (at least 1).
    #[must_use]
    pub fn new(last: u64, capacity: usize) -> Journal {
        Journal {
            tail: Mutex::new(VecDeque::new()),
            capacity: capacity.max(1),
            last: watch::Sender::new(last),
        }
    }

    /// Number of the newest entry; 0 while there is none.
    #[must_use]
    pub fn last(&self) -> u64 {
        *self.last.borrow()
    }

    /// Gives entries the next numbers, in order. Nothing is kept until they are published, so
    /// entries that could not be stored leave no gap.
    pub fn number<'e>(&self, entries: impl IntoIterator<Item = &'e mut Entry>) {
        let mut seq = self.last();
        for entry in entries {
            seq = seq.saturating_add(1);
            entry.seq = seq;
        }
    }

    /// Shows stored entries to the followers, in order.
    pub fn publish(&self, entries: impl IntoIterator<Item = Entry>) {
        let mut tail = self.tail();
        let mut last = self.last();
        for entry in entries {
            debug_assert_eq!(entry.seq, last + 1, "entries are published in order, once");
            last = entry.seq;
            if tail.len() == self.capacity {
                tail.pop_front();
            }
            tail.push_back(Arc::new(entry));
        }
        drop(tail);
        self.last.send_if_modified(|seq| {
            let news = *seq != last;
            *seq = last;
            news
        });
    }

    /// Numbers and publishes, for a journal that is not stored.
    pub fn append(&self, mut entries: Vec<Entry>) {
        self.number(&mut entries);
        self.publish(entries);
    }

    /// Up to `limit` entries after number `seq`.
    #[must_use]
    pub fn after(&self, seq: u64, limit: usize) -> Tail {
        let tail = self.tail();
        let last = self.last();
        // A publisher has filled the tail and not yet moved `last`: the tail knows better.
        let last = tail.back().map_or(last, |entry| entry.seq.max(last));
        let oldest = tail
            .front()
            .map_or(last.saturating_add(1), |entry| entry.seq);
        if seq > last {
            return Tail::Ahead { last };
        }
        let wanted = seq.saturating_add(1);
        if wanted < oldest {
            return Tail::Gone { oldest };
        }
        let skip = usize::try_from(wanted - oldest).unwrap_or(usize::MAX);
        Tail::Entries(tail.iter().skip(skip).take(limit).cloned().collect())
    }

    /// Follows from after entry `seq`.
    #[must_use]
    pub fn follow(self: &Arc<Journal>, seq: u64) -> Follower {
        Follower {
            news: self.last.subscribe(),
            journal: Arc::clone(self),
            seen: seq,
        }
    }

    fn tail(&self) -> MutexGuard<'_, VecDeque<Arc<Entry>>> {
        // A panic elsewhere leaves the queue whole: each push and pop is complete in itself.
        self.tail.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Somebody who watches the journal.
#[derive(Debug)]
pub struct Follower {
    journal: Arc<Journal>,
    news: watch::Receiver<u64>,
    seen: u64,
}

/// What a follower gets.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum News {
    /// The next entries, at least one.
    Entries(Vec<Arc<Entry>>),
    /// The next entries are only in the state file: read those from `from` up to and without
    /// `to`, then call [`Follower::seen`].
    Read {
        /// Number of the first entry to read.
        from: u64,
        /// Number of the first entry that is in memory again.
        to: u64,
    },
    /// The place to follow from belongs to another journal; begin again after `last`.
    Anew {
        /// Number of the newest entry.
        last: u64,
    },
}

impl Follower {
    /// Waits for entries and returns up to `limit` of them (at least 1). `None` when the journal
    /// has ended.
    pub async fn next(&mut self, limit: usize) -> Option<News> {
        loop {
            // Marked as seen before looking, so that what comes after the look wakes us.
            self.news.borrow_and_update();
            match self.journal.after(self.seen, limit.max(1)) {
                Tail::Gone { oldest } => {
                    return Some(News::Read {
                        from: self.seen.saturating_add(1),
                        to: oldest,
                    });
                }
                Tail::Ahead { last } => return Some(News::Anew { last }),
                Tail::Entries(entries) => {
                    if let Some(newest) = entries.last() {
                        self.seen = newest.seq;
                        return Some(News::Entries(entries));
                    }
                }
            }
            self.news.changed().await.ok()?;
        }
    }

    /// Says that everything up to `seq` was seen by other means.
    pub fn seen(&mut self, seq: u64) {
        self.seen = seq;
    }
}

#[cfg(test)]
mod tests {
    use super::super::{Kind, Place};
    use super::*;

    fn entries(count: usize) -> Vec<Entry> {
        (0..count)
            .map(|n| Entry {
                seq: 0,
                at: jiff::Timestamp::UNIX_EPOCH,
                kind: Kind::Desk,
                verdict: "done".into(),
                reason: n.to_string(),
                place: Place::default(),
                packets: Vec::new(),
                trace: None,
                breach: None,
            })
            .collect()
    }

    fn numbers(tail: Tail) -> Vec<u64> {
        match tail {
            Tail::Entries(entries) => entries.iter().map(|entry| entry.seq).collect(),
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn numbers_run_on_from_the_stored_ones() {
        let journal = Journal::new(41, 10);
        journal.append(entries(2));
        assert_eq!(journal.last(), 43);
        assert_eq!(numbers(journal.after(41, 10)), [42, 43]);
        assert_eq!(numbers(journal.after(42, 10)), [43]);
        assert_eq!(numbers(journal.after(43, 10)), [] as [u64; 0]);
    }

    #[test]
    fn numbering_without_publishing_leaves_no_gap() {
        let journal = Journal::new(0, 10);
        journal.number(&mut entries(3));
        journal.append(entries(1));
        assert_eq!(numbers(journal.after(0, 10)), [1]);
    }

    #[test]
    fn the_tail_is_bounded_and_says_so() {
        let journal = Journal::new(0, 3);
        journal.append(entries(5));
        assert_eq!(journal.after(1, 10), Tail::Gone { oldest: 3 });
        assert_eq!(numbers(journal.after(2, 10)), [3, 4, 5]);
        assert_eq!(numbers(journal.after(2, 2)), [3, 4]);
        assert_eq!(journal.after(9, 10), Tail::Ahead { last: 5 });
    }

    #[test]
    fn a_journal_read_from_storage_has_nothing_in_memory() {
        let journal = Journal::new(5, 3);
        assert_eq!(journal.after(0, 10), Tail::Gone { oldest: 6 });
        assert_eq!(numbers(journal.after(5, 10)), [] as [u64; 0]);
    }

    /// Writers and a follower on several threads; the follower sees 1..=5000 once each, in
    /// order, whatever the interleaving and however often it falls behind the tail of 16.
    #[tokio::test(flavor = "multi_thread", worker_threads = 2)]
    async fn a_follower_misses_nothing() {
        let journal = Arc::new(Journal::new(0, 16));
        let writer = Arc::clone(&journal);
        let mut follower = journal.follow(0);
        let written = tokio::spawn(async move {
            for batch in 0..1000 {
                writer.append(entries(5));
                if batch % 7 == 0 {
                    tokio::task::yield_now().await;
                }
            }
        });
        let mut seen = 0;
        while seen < 5000 {
            match follower.next(10).await.unwrap() {
                News::Entries(entries) => {
                    for entry in entries {
                        assert_eq!(entry.seq, seen + 1);
                        seen = entry.seq;
                    }
                }
                News::Read { from, to } => {
                    assert_eq!(from, seen + 1);
                    assert!(to > from);
                    seen = to - 1;
                    follower.seen(seen);
                }
                News::Anew { last } => panic!("ahead of {last}"),
            }
        }
        written.await.unwrap();
    }
}
