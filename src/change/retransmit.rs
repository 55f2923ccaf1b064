//! When to send again and when to give up (RFC 5080 section 2.2.1).

use std::time::Duration;

use jiff::Timestamp;
use rand::{Rng as _, RngCore};

use super::{elapsed, later};

/// Initial retransmission time.
pub(super) const IRT: Duration = Duration::from_secs(2);
/// Most transmissions, the first included.
pub(super) const MRC: u32 = 5;
/// Longest retransmission time, before its random part.
pub(super) const MRT: Duration = Duration::from_secs(16);
/// Longest time from the first transmission to giving up.
pub(super) const MRD: Duration = Duration::from_secs(30);

/// The timers of one request.
#[derive(Debug, Clone)]
pub(super) struct Retransmission {
    first: Timestamp,
    sent: u32,
    wait: Duration,
    next: Timestamp,
}

/// What is to be done now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Step {
    /// Nothing yet.
    Wait,
    /// Send the same octets again.
    Again,
    /// No answer will be waited for any more.
    GiveUp,
}

impl Retransmission {
    /// The first transmission happens at `now`.
    pub(super) fn start(now: Timestamp, rng: &mut dyn RngCore) -> Retransmission {
        let wait = IRT.mul_f64(1.0 + rand(rng));
        Retransmission {
            first: now,
            sent: 1,
            wait,
            next: later(now, wait),
        }
    }

    /// When [`Retransmission::step`] has something to say next.
    pub(super) fn due(&self) -> Timestamp {
        self.next.min(later(self.first, MRD))
    }

    /// Transmissions so far.
    pub(super) fn sent(&self) -> u32 {
        self.sent
    }

    /// Time since the first transmission.
    pub(super) fn waited(&self, now: Timestamp) -> Duration {
        elapsed(self.first, now)
    }

    /// Moves on to `now`.
    pub(super) fn step(&mut self, now: Timestamp, rng: &mut dyn RngCore) -> Step {
        if now < self.due() {
            return Step::Wait;
        }
        if self.sent >= MRC || now >= later(self.first, MRD) {
            return Step::GiveUp;
        }
        self.wait = following(self.wait, rng);
        self.sent += 1;
        self.next = later(now, self.wait);
        Step::Again
    }
}

/// RT = 2 * RTprev + RAND * RTprev, or MRT + RAND * MRT where that would pass MRT.
fn following(previous: Duration, rng: &mut dyn RngCore) -> Duration {
    let rand = rand(rng);
    let wait = previous.mul_f64(2.0 + rand);
    if wait > MRT {
        MRT.mul_f64(1.0 + rand)
    } else {
        wait
    }
}

/// RAND: uniform between -0.1 and +0.1.
fn rand(rng: &mut dyn RngCore) -> f64 {
    rng.random_range(-0.1..=0.1)
}
