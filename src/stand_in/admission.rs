//! What a device was let in with, and the timers that come with it.

use std::time::Duration;

use jiff::Timestamp;

use super::event::Method;
use super::grant::Grant;
use super::misbehave::Misbehaviour;
use super::outputs::Post;
use super::schedule::{after, after_seconds, since};

/// What a device was let in with.
#[derive(Debug, Clone)]
pub(super) struct Admission {
    pub(super) method: Method,
    /// By the switch itself, because no server answered.
    pub(super) critical: bool,
    pub(super) grant: Grant,
    /// User-Name for accounting and for changes.
    pub(super) user_name: Vec<u8>,
    /// When accounting began.
    pub(super) since: Timestamp,
    /// Re-authentication.
    pub(super) again_at: Option<Timestamp>,
    /// End of the session.
    pub(super) ends_at: Option<Timestamp>,
    /// Next interim record.
    pub(super) interim_at: Option<Timestamp>,
    /// Idle-Timeout that is followed, seconds.
    pub(super) idle_timeout: Option<u32>,
}

/// What a device sends and gets while it is let in.
#[derive(Debug, Clone)]
pub(super) struct Traffic {
    /// Octets a second while it talks.
    pub(super) rate: Option<u32>,
    /// When the rate was set.
    from: Timestamp,
    octets: u64,
    /// When it was last heard.
    pub(super) heard: Timestamp,
}

impl Admission {
    /// Session-Timeout and Termination-Action (RFC 3580 sections 3.17 and 3.19), or else the
    /// local timer. A timeout of 0 is taken as 1 s, so that it does not fill the line.
    pub(super) fn set_timeouts(&mut self, post: &Post<'_>) {
        let config = post.config;
        self.again_at = None;
        self.ends_at = None;
        let timeout = self
            .grant
            .session_timeout
            .filter(|_| !config.does(Misbehaviour::IgnoresSessionTimeout))
            .map(|seconds| {
                let halved = config.does(Misbehaviour::HalvesSessionTimeout);
                let seconds = if halved { seconds / 2 } else { seconds };
                after_seconds(post.now, seconds.max(1))
            });
        let again = self.grant.reauthenticate == Some(true)
            && !config.does(Misbehaviour::IgnoresTerminationAction);
        match timeout {
            Some(at) if again && config.reauthentication.from_server => self.again_at = Some(at),
            Some(at) if !again => self.ends_at = Some(at),
            _ => {
                let every = config.reauthentication.every;
                self.again_at = every.map(|every| after(post.now, every));
            }
        }
    }

    /// Idle-Timeout (RFC 3580 section 3.18).
    pub(super) fn set_idle(&mut self, post: &Post<'_>) {
        self.idle_timeout = self
            .grant
            .idle_timeout
            .filter(|_| !post.config.does(Misbehaviour::IgnoresIdleTimeout));
    }

    /// The interval set on the switch overrides the server's (RFC 2869 section 2.1).
    pub(super) fn set_interim(&mut self, post: &Post<'_>) {
        let from_server = self
            .grant
            .interim_interval
            .filter(|_| !post.config.does(Misbehaviour::IgnoresInterimInterval))
            .map(|seconds| Duration::from_secs(seconds.into()));
        let hasty = post.config.does(Misbehaviour::HastyInterim);
        self.interim_at = hasty
            .then_some(Duration::from_secs(10))
            .or(post.config.accounting.interim)
            .or(from_server)
            .filter(|_| post.config.accounting.enabled)
            .map(|interval| after(post.now, interval));
    }
}

impl Traffic {
    pub(super) fn new(now: Timestamp) -> Traffic {
        Traffic {
            rate: None,
            from: now,
            octets: 0,
            heard: now,
        }
    }

    /// The device was heard, and is heard all the time where it has a rate.
    pub(super) fn heard(&mut self, now: Timestamp, rate: Option<u32>) {
        self.heard = now;
        self.octets = self.total(now);
        self.from = now;
        self.rate = rate;
    }

    pub(super) fn restart(&mut self, now: Timestamp) {
        self.octets = 0;
        self.from = now;
    }

    pub(super) fn total(&self, now: Timestamp) -> u64 {
        let rate = u64::from(self.rate.unwrap_or_default());
        let seconds = since(self.from, now).as_secs();
        self.octets.saturating_add(rate.saturating_mul(seconds))
    }
}
