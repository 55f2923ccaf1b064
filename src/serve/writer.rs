//! One thread that stores what happened and only then lets go of what acknowledges it.
//!
//! Batches that queue up while the disk works are stored in one transaction, so that a burst
//! costs one flush and not one for each packet.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, SyncSender, TrySendError, sync_channel};
use std::thread::JoinHandle;

use jiff::{SignedDuration, Timestamp};

use crate::journal::Journal;
use crate::roster::{Effects, Transmit};
use crate::store::{Store, StoreError};

use super::handle::Told;
use super::shell::Sockets;

/// How many steps may wait for the disk before the bench waits too.
const QUEUE: usize = 4096;
/// How many steps share one transaction at the most.
const BATCH: usize = 512;

/// How often old entries are dropped, and how many at the most at a time: faster than a busy bench
/// writes them, and never long enough to keep a switch waiting.
const PRUNE_EVERY: SignedDuration = SignedDuration::from_millis(100);
const PRUNE_STEP: usize = 2048;

/// The effects of one step, and who waits for them.
struct Queued {
    effects: Effects,
    told: Option<Told>,
}

/// How long a disk that refused is left alone.
const AGAIN: std::time::Duration = std::time::Duration::from_millis(500);

/// The way to the writer thread. Dropping it lets the thread finish its queue and end.
pub(super) struct Writer {
    queue: SyncSender<Queued>,
    thread: Option<JoinHandle<()>>,
    /// Set when the bench stops: a disk that refuses is not waited for any longer.
    ending: Arc<AtomicBool>,
}

impl Writer {
    /// Starts the thread. Without a store it only numbers and publishes.
    pub(super) fn start(
        store: Option<Store>,
        journal: Arc<Journal>,
        sockets: Arc<Sockets>,
    ) -> std::io::Result<Writer> {
        let (queue, steps) = sync_channel(QUEUE);
        let ending = Arc::new(AtomicBool::new(false));
        let told = Arc::clone(&ending);
        let thread = std::thread::Builder::new()
            .name("portproof-writer".to_owned())
            .spawn(move || write_all(&steps, store, &journal, &sockets, &told))?;
        Ok(Writer {
            queue,
            thread: Some(thread),
            ending,
        })
    }

    /// Queues the effects of one step; `transmits` in it are sent, and `told` is called, after
    /// they are stored.
    /// Waits while the queue is full: a bench that outruns its disk must slow down, not forget.
    pub(super) fn put(&self, effects: Effects, told: Option<Told>) {
        if let Err(TrySendError::Full(queued)) = self.queue.try_send(Queued { effects, told }) {
            tracing::warn!("the state file is behind: waiting for the disk");
            // An error means that the thread is gone, and with it the bench.
            let _ = self.queue.send(queued);
        }
    }

    /// Waits until everything queued is stored.
    pub(super) fn finish(mut self) {
        let thread = self.thread.take();
        self.ending.store(true, Ordering::Relaxed);
        drop(self);
        if let Some(thread) = thread
            && thread.join().is_err()
        {
            tracing::error!("the writer thread ended badly");
        }
    }
}

fn write_all(
    steps: &Receiver<Queued>,
    mut store: Option<Store>,
    journal: &Journal,
    sockets: &Sockets,
    ending: &AtomicBool,
) {
    let mut pruned = Timestamp::MIN;
    while let Ok(first) = steps.recv() {
        let queued = std::iter::once(first).chain(steps.try_iter().take(BATCH - 1));
        let (mut batch, told): (Vec<Effects>, Vec<Option<Told>>) =
            queued.map(|one| (one.effects, one.told)).unzip();
        if !record_at_last(store.as_mut(), journal, &mut batch, ending) {
            continue;
        }
        for step in batch {
            send_all(sockets, &step.transmits);
        }
        told.into_iter().flatten().for_each(|told| told());
        let now = Timestamp::now();
        if let Some(store) = &mut store
            && now.duration_since(pruned) >= PRUNE_EVERY
        {
            pruned = now;
            prune(store, now);
        }
    }
}

/// Stores a batch, however often that takes: the engine has taken these steps, so a switch that
/// asks again would be answered although nothing is on disk. While the disk refuses, nothing is
/// acknowledged; the queue fills, and then the bench waits. False when the bench is to stop.
fn record_at_last(
    mut store: Option<&mut Store>,
    journal: &Journal,
    batch: &mut [Effects],
    ending: &AtomicBool,
) -> bool {
    loop {
        let Err(error) = record(store.as_deref_mut(), journal, batch) else {
            return true;
        };
        tracing::error!(
            %error,
            "the state file refused; {} steps wait, nothing of them is acknowledged: make room \
             on the disk",
            batch.len()
        );
        if ending.load(Ordering::Relaxed) {
            return false;
        }
        std::thread::sleep(AGAIN);
    }
}

fn record(
    store: Option<&mut Store>,
    journal: &Journal,
    batch: &mut [Effects],
) -> Result<(), StoreError> {
    match store {
        Some(store) => store.record(journal, batch),
        None => {
            for step in batch {
                journal.append(std::mem::take(&mut step.entries));
            }
            Ok(())
        }
    }
}

/// Drops a little of what is past the retention limits.
fn prune(store: &mut Store, now: Timestamp) {
    if let Err(error) = store.prune(now, PRUNE_STEP) {
        tracing::warn!(%error, "the state file could not be pruned");
    }
}

/// Sends datagrams; one that the system refuses is lost like any other datagram.
pub(super) fn send_all(sockets: &Sockets, transmits: &[Transmit]) {
    for transmit in transmits {
        sockets.send(transmit);
    }
}
