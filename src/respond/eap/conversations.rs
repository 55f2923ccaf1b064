//! 802.1X logins in progress, bounded in number and time.

use std::collections::{BTreeSet, HashMap};
use std::fmt;
use std::net::IpAddr;
use std::sync::Arc;

use jiff::{SignedDuration, Timestamp};

use crate::eap::{Conversation, Settings};
use crate::journal::{Entry, Kind, Place};
use crate::respond::arrival::Request;
use crate::respond::credentials::Proof;
use crate::roster::Effects;

/// Logins in progress at the most.
const CAPACITY: usize = 20_000;

/// How long the supplicant may be silent. A person may have to type a password or to judge a
/// certificate.
const PATIENCE: SignedDuration = SignedDuration::from_secs(60);

/// The State of a login: sixteen random octets, so that nobody can guess his way into another's.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub(super) struct Token([u8; 16]);

impl Token {
    pub(super) fn new(rng: &mut dyn rand::RngCore) -> Token {
        let mut octets = [0; 16];
        rng.fill_bytes(&mut octets);
        Token(octets)
    }

    pub(super) fn octets(&self) -> &[u8] {
        &self.0
    }
}

/// A login in progress.
pub(super) struct Open {
    pub(super) conversation: Conversation,
    /// What was proven by someone whom the class table denies.
    pub(super) denied: Option<Proof>,
    address: IpAddr,
    place: Place,
    until: Timestamp,
}

impl Open {
    pub(super) fn new(conversation: Conversation, request: &Request<'_>) -> Open {
        Open {
            conversation,
            denied: None,
            address: request.address(),
            place: request.place(),
            until: request.arrival.now,
        }
    }
}

/// All logins in progress.
pub(in crate::respond) struct Conversations {
    /// What new logins may use; `None`: there is no EAP.
    settings: Option<Arc<Settings>>,
    open: HashMap<Token, Open>,
    /// Their deadlines.
    deadlines: BTreeSet<(Timestamp, Token)>,
    capacity: usize,
}

impl Default for Conversations {
    fn default() -> Conversations {
        Conversations {
            settings: None,
            open: HashMap::new(),
            deadlines: BTreeSet::new(),
            capacity: CAPACITY,
        }
    }
}

impl Conversations {
    /// Sets what new logins may use. Those in progress go on with what they began with.
    pub(in crate::respond) fn offer(&mut self, settings: Option<Arc<Settings>>) {
        self.settings = settings;
    }

    /// Whether any method is offered.
    pub(in crate::respond) fn offers(&self) -> bool {
        self.settings.is_some()
    }

    pub(super) fn settings(&self) -> Option<Arc<Settings>> {
        self.settings.clone()
    }

    pub(super) fn is_full(&self) -> bool {
        self.open.len() >= self.capacity
    }

    /// Takes out the login of a State, if the switch that shows it is the one that got it.
    pub(super) fn take(&mut self, state: &[u8], address: IpAddr) -> Option<(Token, Open)> {
        let token = Token(state.try_into().ok()?);
        self.open
            .get(&token)
            .filter(|open| open.address == address)?;
        let open = self.open.remove(&token)?;
        self.deadlines.remove(&(open.until, token));
        Some((token, open))
    }

    /// Puts a login in (or back), with its patience renewed.
    pub(super) fn keep(&mut self, now: Timestamp, token: Token, mut open: Open) {
        open.until = now.saturating_add(PATIENCE).unwrap_or(Timestamp::MAX);
        self.deadlines.insert((open.until, token));
        self.open.insert(token, open);
    }

    /// When the first of them runs out of time.
    pub(in crate::respond) fn next_deadline(&self) -> Option<Timestamp> {
        self.deadlines.first().map(|(until, _)| *until)
    }

    /// Gives up those that ran out of time, and says at what point each fell silent.
    pub(in crate::respond) fn expire(&mut self, now: Timestamp) -> Effects {
        let mut effects = Effects::default();
        while let Some((until, token)) = self.deadlines.first().copied() {
            if until > now {
                break;
            }
            self.deadlines.pop_first();
            if let Some(open) = self.open.remove(&token) {
                effects.entries.push(stalled(now, open));
            }
        }
        effects
    }
}

fn stalled(now: Timestamp, open: Open) -> Entry {
    let identity = open.conversation.identity().map(str::to_owned);
    Entry {
        seq: 0,
        at: now,
        kind: Kind::Access,
        verdict: "stalled".to_owned(),
        reason: match open.conversation.stalled() {
            Some(refusal) => refusal.to_string(),
            None => "the login came to no end".to_owned(),
        },
        place: Place {
            identity,
            ..open.place
        },
        packets: Vec::new(),
        trace: None,
        breach: None,
    }
}

impl fmt::Debug for Conversations {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} logins in progress", self.open.len())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::eap::Plan;

    const ADDRESS: IpAddr = IpAddr::V4(std::net::Ipv4Addr::LOCALHOST);

    fn open() -> Open {
        let settings = Arc::new(Settings::new(Plan::default()).unwrap());
        Open {
            conversation: Conversation::new(settings),
            denied: None,
            address: ADDRESS,
            place: Place::default(),
            until: Timestamp::UNIX_EPOCH,
        }
    }

    #[test]
    fn full_at_its_capacity_and_no_longer_after_one_left() {
        let mut conversations = Conversations {
            capacity: 2,
            ..Conversations::default()
        };
        for number in 0..2 {
            assert!(!conversations.is_full());
            conversations.keep(Timestamp::UNIX_EPOCH, Token([number; 16]), open());
        }
        assert!(conversations.is_full());
        assert!(conversations.take(&[1; 16], ADDRESS).is_some());
        assert!(!conversations.is_full());
        assert_eq!(conversations.deadlines.len(), 1);
    }

    #[test]
    fn each_round_renews_the_patience() {
        let at = |seconds| Timestamp::UNIX_EPOCH + SignedDuration::from_secs(seconds);
        let mut conversations = Conversations::default();
        conversations.keep(at(0), Token([0; 16]), open());
        let (token, open) = conversations.take(&[0; 16], ADDRESS).unwrap();
        conversations.keep(at(50), token, open);
        assert!(conversations.expire(at(109)).entries.is_empty());
        assert_eq!(conversations.expire(at(110)).entries.len(), 1);
        assert!(conversations.open.is_empty() && conversations.deadlines.is_empty());
    }
}
