//! One port: its link and the sessions of the devices heard on it.

use std::collections::BTreeSet;

use jiff::Timestamp;

use super::change_rules::Selector;
use super::config::PortSettings;
use super::eapol::Eapol;
use super::event::{ReauthenticationCause, StopCause, What};
use super::misbehave::Misbehaviour;
use super::outputs::{Place, Post};
use super::question::{Answer, Question};
use super::schedule::is_due;
use super::session::{Session, Step};
use crate::wire::Mac;

/// Addresses of which it is remembered that they were turned away.
const MOST_TURNED_AWAY: usize = 64;

/// One port.
pub(super) struct Port {
    pub(super) line: PortSettings,
    pub(super) up: bool,
    pub(super) sessions: Vec<Session>,
    shut: Option<Shut>,
    turned_away: BTreeSet<Mac>,
}

/// Why a port is off.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Shut {
    /// `None`: until it is switched on by hand.
    until: Option<Timestamp>,
    power_cut: bool,
    cause: StopCause,
}

impl Port {
    pub(super) fn new(line: PortSettings) -> Port {
        Port {
            line,
            up: false,
            sessions: Vec::new(),
            shut: None,
            turned_away: BTreeSet::new(),
        }
    }

    pub(super) fn is_shut(&self) -> bool {
        self.shut.is_some()
    }

    /// Whether a device that needs it gets power here.
    pub(super) fn feeds(&self) -> bool {
        self.line.poe && !self.shut.is_some_and(|shut| shut.power_cut)
    }

    /// Switches the port off, for a time or until it is switched on by hand.
    pub(super) fn shut(&mut self, until: Option<Timestamp>, power_cut: bool) {
        self.shut = Some(Shut {
            until,
            power_cut,
            cause: if until.is_some() {
                StopCause::AdminReset
            } else {
                StopCause::PortDisabled
            },
        });
    }

    /// Switches it on again.
    pub(super) fn open(&mut self) {
        self.shut = None;
    }

    /// Follows the link of the device on it.
    pub(super) fn follow_link(&mut self, step: &mut Step<'_>, up: bool) {
        if up == self.up {
            return;
        }
        self.up = up;
        let place = self.place();
        if up {
            step.post.note(place, What::LinkUp);
            return;
        }
        step.post.note(place, What::LinkDown);
        let cause = self.shut.map_or(StopCause::LostCarrier, |shut| shut.cause);
        self.end_all(step, cause);
        self.turned_away.clear();
    }

    /// Whether a device has a session here or would get one.
    pub(super) fn has_room(&self, post: &Post<'_>, mac: Mac) -> bool {
        self.session(mac).is_some()
            || self.sessions.len() < usize::from(self.line.limit)
            || post.config.does(Misbehaviour::ExceedsLimit)
    }

    /// A frame came from a device; the first makes a session. `serial` gives its number and
    /// Acct-Session-Id.
    pub(super) fn heard(
        &mut self,
        step: &mut Step<'_>,
        mac: Mac,
        rate: Option<u32>,
        serial: impl FnOnce() -> (u64, String),
    ) {
        let now = step.post.now;
        if let Some(session) = self.sessions.iter_mut().find(|s| s.mac == mac) {
            session.heard(now, rate);
            return;
        }
        if !self.has_room(&step.post, mac) {
            self.turn_away(&mut step.post, mac);
            return;
        }
        let (serial, acct_session_id) = serial();
        let mut session = Session::new(mac, serial, acct_session_id, now);
        session.heard(now, rate);
        session.begin(step, &self.line);
        self.sessions.push(session);
    }

    /// A device spoke 802.1X.
    pub(super) fn eapol(&mut self, step: &mut Step<'_>, mac: Mac, frame: &Eapol) {
        let line = &self.line;
        let over = self
            .sessions
            .iter_mut()
            .find(|session| session.mac == mac)
            .is_some_and(|session| session.eapol(step, line, frame));
        if over {
            self.end(step, mac, StopCause::UserRequest);
        }
    }

    /// The outcome of a question; nothing when its session is over.
    pub(super) fn answered(&mut self, step: &mut Step<'_>, question: &Question, answer: Answer) {
        let line = &self.line;
        if let Some(session) = self
            .sessions
            .iter_mut()
            .find(|session| session.serial == question.serial)
        {
            session.answered(step, line, question.purpose, answer);
        }
    }

    /// Ends the session of a device.
    pub(super) fn end(&mut self, step: &mut Step<'_>, mac: Mac, cause: StopCause) {
        if let Some(at) = self.sessions.iter().position(|s| s.mac == mac) {
            self.sessions.remove(at).end(step, &self.line, cause);
        }
    }

    /// Ends every session.
    pub(super) fn end_all(&mut self, step: &mut Step<'_>, cause: StopCause) {
        for mut session in std::mem::take(&mut self.sessions) {
            session.end(step, &self.line, cause);
        }
    }

    /// A server is asked again: devices that were let in without one authenticate now.
    pub(super) fn server_back(&mut self, step: &mut Step<'_>) {
        for session in &mut self.sessions {
            if session.admission.as_ref().is_some_and(|a| a.critical) {
                session.reauthenticate(step, &self.line, ReauthenticationCause::ServerBack);
            }
        }
    }

    /// Numbers of the sessions that a change names.
    pub(super) fn named<'a>(
        &'a self,
        selectors: &'a [Selector],
    ) -> impl Iterator<Item = u64> + use<'a> {
        self.sessions
            .iter()
            .filter(move |session| selectors.iter().all(|s| s.names(session, &self.line)))
            .map(|session| session.serial)
    }

    pub(super) fn session(&self, mac: Mac) -> Option<&Session> {
        self.sessions.iter().find(|session| session.mac == mac)
    }

    pub(super) fn session_mut(&mut self, mac: Mac) -> Option<&mut Session> {
        self.sessions.iter_mut().find(|session| session.mac == mac)
    }

    pub(super) fn next_deadline(&self) -> Option<Timestamp> {
        self.sessions
            .iter()
            .filter_map(Session::next_deadline)
            .chain(self.shut.and_then(|shut| shut.until))
            .min()
    }

    pub(super) fn tick(&mut self, step: &mut Step<'_>) {
        if is_due(self.shut.and_then(|shut| shut.until), step.post.now) {
            self.open();
        }
        for mut session in std::mem::take(&mut self.sessions) {
            match session.tick(step, &self.line) {
                None => self.sessions.push(session),
                Some(cause) => session.end(step, &self.line, cause),
            }
        }
    }

    fn turn_away(&mut self, post: &mut Post<'_>, mac: Mac) {
        if self.turned_away.len() < MOST_TURNED_AWAY && self.turned_away.insert(mac) {
            let limit = self.line.limit;
            post.note(self.place_of(mac), What::LimitExceeded { limit });
        }
    }

    pub(super) fn name(&self) -> String {
        self.line.name.clone()
    }

    pub(super) fn place(&self) -> Place {
        Place {
            port: Some(self.name()),
            mac: None,
        }
    }

    pub(super) fn place_of(&self, mac: Mac) -> Place {
        Place {
            port: Some(self.name()),
            mac: Some(mac),
        }
    }
}
