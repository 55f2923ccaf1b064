//! One device on one port: the methods that are tried on it, and what it was let in with.

use std::net::Ipv4Addr;
use std::time::Duration;

use jiff::Timestamp;

use super::accounting::{Account, Books, Kind};
use super::admission::{Admission, Traffic};
use super::config::{PortSettings, StandInConfig};
use super::courier::Courier;
use super::dot1x::Dot1x;
use super::event::{Method, ReauthenticationCause, StopCause, What};
use super::grant::Grant;
use super::misbehave::Misbehaviour;
use super::outputs::{Place, Post};
use super::question::{Answer, Purpose, Question};
use super::request::{self, Subject};
use super::schedule::{after, after_seconds, is_due};
use crate::wire::Mac;

mod methods;

/// What one step may touch besides the port that it happens on.
pub(super) struct Step<'a> {
    pub(super) post: Post<'a>,
    pub(super) access: &'a mut Courier<Question>,
    pub(super) books: &'a mut Books,
    /// EAP packets for devices.
    pub(super) eapol: &'a mut Vec<(Mac, Vec<u8>)>,
}

/// How soon a switch that knows no quiet period starts over.
const HASTE: Duration = Duration::from_secs(1);

/// One device on one port.
pub(super) struct Session {
    pub(super) mac: Mac,
    pub(super) serial: u64,
    pub(super) acct_session_id: String,
    pub(super) framed_ip: Option<Ipv4Addr>,
    pub(super) admission: Option<Admission>,
    dot1x: Dot1x,
    mac_authentication: Stage,
    held_until: Option<Timestamp>,
    traffic: Traffic,
}

/// Where MAC authentication stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Stage {
    /// Not tried yet.
    Idle,
    /// A request is on its way.
    Asking,
    /// It is settled.
    Over,
}

impl Session {
    pub(super) fn new(mac: Mac, serial: u64, acct_session_id: String, now: Timestamp) -> Session {
        Session {
            mac,
            serial,
            acct_session_id,
            framed_ip: None,
            admission: None,
            dot1x: Dot1x::new(),
            mac_authentication: Stage::Idle,
            held_until: None,
            traffic: Traffic::new(now),
        }
    }

    /// The device was heard, and is heard all the time where it has a rate.
    pub(super) fn heard(&mut self, now: Timestamp, rate: Option<u32>) {
        self.traffic.heard(now, rate);
    }

    fn authorized(&mut self, step: &mut Step<'_>, line: &PortSettings, answer: Answer) {
        match answer {
            Answer::Accept { grant, .. } => self.regrant(step, line, *grant),
            // RFC 5176 section 3.2 leaves the session's end to the switch; a server that no
            // longer authorizes it has said enough.
            Answer::Refuse { .. } | Answer::Challenge { .. } => {
                self.end_admission(step, line, StopCause::ReauthenticationFailure);
                self.hold(step, line);
            }
            Answer::Silence => {}
        }
    }

    /// Asks for new grants by Authorize-Only, with the State of the change.
    pub(super) fn ask_for_grant(&mut self, step: &mut Step<'_>, line: &PortSettings, state: &[u8]) {
        let Some(admission) = &self.admission else {
            return;
        };
        let subject = self.subject(step.post.config, line, Some(state));
        let draft = request::authorize_only(&subject, &admission.user_name);
        let question = self.question(line, Purpose::Authorization);
        // Without a server what is in force stays.
        let _ = step.access.send(&mut step.post, draft, question);
    }

    /// Puts new grants in place.
    pub(super) fn regrant(&mut self, step: &mut Step<'_>, line: &PortSettings, newer: Grant) {
        let timed = newer.session_timeout.is_some() || newer.reauthenticate.is_some();
        let interim = newer.interim_interval.is_some();
        self.take_over(newer);
        let place = self.place(line);
        let Some(admission) = &mut self.admission else {
            return;
        };
        admission.set_idle(&step.post);
        if timed {
            admission.set_timeouts(&step.post);
        }
        if interim {
            admission.set_interim(&step.post);
        }
        let grant = admission.grant.clone();
        step.post.note(place, What::Regranted { grant });
    }

    /// Takes over what a change names, and leaves timers as they are.
    pub(super) fn take_over(&mut self, newer: Grant) {
        if let Some(admission) = &mut self.admission {
            if let Some(name) = &newer.user_name {
                admission.user_name.clone_from(name);
            }
            admission.grant.amend(newer);
        }
    }

    /// Ends what is in force, with a Stop record.
    pub(super) fn end_admission(
        &mut self,
        step: &mut Step<'_>,
        line: &PortSettings,
        cause: StopCause,
    ) {
        if let Some(admission) = self.admission.take() {
            self.record(step, line, &admission, Kind::Stop(cause));
        }
    }

    /// Ends the session altogether.
    pub(super) fn end(&mut self, step: &mut Step<'_>, line: &PortSettings, cause: StopCause) {
        self.end_admission(step, line, cause);
        let serial = self.serial;
        step.access
            .forget(&mut step.post, |question| question.serial == serial);
    }

    pub(super) fn next_deadline(&self) -> Option<Timestamp> {
        let admission = self.admission.as_ref();
        [
            self.dot1x.next_deadline(),
            self.held_until,
            admission.and_then(|admission| admission.again_at),
            admission.and_then(|admission| admission.ends_at),
            admission.and_then(|admission| admission.interim_at),
            self.idle_at(),
        ]
        .into_iter()
        .flatten()
        .min()
    }

    /// Does what is due. Gives a cause when the session is over.
    pub(super) fn tick(&mut self, step: &mut Step<'_>, line: &PortSettings) -> Option<StopCause> {
        let now = step.post.now;
        let admission = self.admission.as_ref();
        let due = |pick: fn(&Admission) -> Option<Timestamp>| is_due(admission.and_then(pick), now);
        if due(|admission| admission.ends_at) {
            return Some(StopCause::SessionTimeout);
        }
        if is_due(self.idle_at(), now) {
            return Some(StopCause::IdleTimeout);
        }
        let again = due(|admission| admission.again_at);
        if due(|admission| admission.interim_at) {
            self.interim(step, line);
        }
        if again {
            self.reauthenticate(step, line, ReauthenticationCause::Timer);
        }
        if is_due(self.held_until, now) {
            self.begin(step, line);
        }
        self.tick_dot1x(step, line);
        None
    }

    pub(super) fn place(&self, line: &PortSettings) -> Place {
        Place {
            port: Some(line.name.clone()),
            mac: Some(self.mac),
        }
    }

    pub(super) fn is_held(&self) -> bool {
        self.held_until.is_some()
    }

    fn let_in(
        &mut self,
        step: &mut Step<'_>,
        line: &PortSettings,
        method: Method,
        critical: bool,
        grant: Grant,
        user_name: Vec<u8>,
    ) {
        let now = step.post.now;
        self.held_until = None;
        step.post.note(
            self.place(line),
            What::Admitted {
                method,
                critical,
                grant: grant.clone(),
            },
        );
        let earlier = self.admission.take();
        let mut admission = Admission {
            method,
            critical,
            grant,
            user_name,
            since: earlier.as_ref().map_or(now, |earlier| earlier.since),
            again_at: None,
            ends_at: None,
            interim_at: earlier.as_ref().and_then(|earlier| earlier.interim_at),
            idle_timeout: None,
        };
        admission.set_idle(&step.post);
        admission.set_timeouts(&step.post);
        let interval = |admission: &Admission| admission.grant.interim_interval;
        if earlier.as_ref().map(interval) != Some(interval(&admission)) {
            admission.set_interim(&step.post);
        }
        if earlier.is_none() {
            self.traffic.restart(now);
            self.record(step, line, &admission, Kind::Start);
        }
        self.admission = Some(admission);
    }

    fn hold(&mut self, step: &mut Step<'_>, line: &PortSettings) {
        if step.post.config.does(Misbehaviour::NoQuietPeriod) {
            self.held_until = Some(after(step.post.now, HASTE));
            return;
        }
        let wait = step.post.config.quiet_period;
        self.held_until = Some(after(step.post.now, wait));
        step.post.note(self.place(line), What::Held { wait });
    }

    fn is_busy(&self) -> bool {
        self.trying().is_some()
    }

    fn interim(&mut self, step: &mut Step<'_>, line: &PortSettings) {
        if let Some(mut admission) = self.admission.take() {
            self.record(step, line, &admission, Kind::Interim);
            admission.set_interim(&step.post);
            self.admission = Some(admission);
        }
    }

    fn record(
        &mut self,
        step: &mut Step<'_>,
        line: &PortSettings,
        admission: &Admission,
        kind: Kind,
    ) {
        let octets = self.traffic.total(step.post.now);
        let account = Account {
            serial: self.serial,
            session: &self.acct_session_id,
            line,
            mac: self.mac,
            user_name: &admission.user_name,
            grant: &admission.grant,
            local: admission.critical,
            framed_ip: self.framed_ip,
            since: admission.since,
            octets,
        };
        step.books.record(&mut step.post, kind, &account);
    }

    fn idle_at(&self) -> Option<Timestamp> {
        let seconds = self.admission.as_ref()?.idle_timeout?;
        match self.traffic.rate {
            Some(_) => None,
            None => Some(after_seconds(self.traffic.heard, seconds.max(1))),
        }
    }

    fn subject<'a>(
        &'a self,
        config: &'a StandInConfig,
        line: &'a PortSettings,
        state: Option<&'a [u8]>,
    ) -> Subject<'a> {
        Subject {
            config,
            line,
            mac: self.mac,
            acct_session_id: &self.acct_session_id,
            state,
        }
    }

    fn question(&self, line: &PortSettings, purpose: Purpose) -> Question {
        Question {
            port: usize::from(line.number).saturating_sub(1),
            place: self.place(line),
            serial: self.serial,
            purpose,
        }
    }
}
