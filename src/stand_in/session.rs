//! One device on one port: the methods that are tried on it, and what it was let in with.

use std::net::Ipv4Addr;
use std::time::Duration;

use jiff::Timestamp;
use rand::Rng;

use super::accounting::{Account, Books, Kind};
use super::admission::{Admission, Traffic};
use super::config::{MethodOrder, PortSettings, StandInConfig};
use super::courier::{Courier, Errand};
use super::event::{Method, ReauthenticationCause, StopCause, What};
use super::grant::Grant;
use super::misbehave::Misbehaviour;
use super::outputs::{Place, Post};
use super::request::{self, Subject};
use super::schedule::{after, after_seconds, is_due};
use crate::wire::Mac;

/// What one step may touch besides the port that it happens on.
pub(super) struct Step<'a> {
    pub(super) post: Post<'a>,
    pub(super) access: &'a mut Courier<Question>,
    pub(super) books: &'a mut Books,
}

/// What an Access-Request is about.
#[derive(Debug, Clone)]
pub(super) struct Question {
    /// Index of the port.
    pub(super) port: usize,
    pub(super) place: Place,
    /// Number of the session.
    pub(super) serial: u64,
    pub(super) purpose: Purpose,
}

/// What an Access-Request is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Purpose {
    /// Letting a device in, or in again.
    Admission(Method),
    /// New grants by Authorize-Only (RFC 5176 section 3.2).
    Authorization,
}

impl Errand for Question {
    fn place(&self) -> Place {
        self.place.clone()
    }

    fn leaves(&self, identifier: u8) -> Option<What> {
        match self.purpose {
            Purpose::Admission(method) => Some(What::Asked { method, identifier }),
            Purpose::Authorization => Some(What::AskedForGrant { identifier }),
        }
    }
}

/// What came of a question.
#[derive(Debug)]
pub(super) enum Answer {
    /// Let in, with this.
    Accept(Box<Grant>),
    /// Not let in.
    Refuse {
        /// Reply-Message.
        message: Option<String>,
    },
    /// No server answered.
    Silence,
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
    dot1x: Stage,
    mac_authentication: Stage,
    held_until: Option<Timestamp>,
    traffic: Traffic,
}

/// Where a method stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Stage {
    /// Not tried yet.
    Idle,
    /// 802.1X asked for the identity; `left` more tries, the next then.
    Waiting { again: Timestamp, left: u32 },
    /// A request is on its way.
    Asking,
    /// It let the device in.
    Passed,
    /// It did not.
    Failed,
}

/// How a method failed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Failure {
    Refused,
    /// No EAPOL from the device.
    TimedOut,
}

impl Session {
    pub(super) fn new(mac: Mac, serial: u64, acct_session_id: String, now: Timestamp) -> Session {
        Session {
            mac,
            serial,
            acct_session_id,
            framed_ip: None,
            admission: None,
            dot1x: Stage::Idle,
            mac_authentication: Stage::Idle,
            held_until: None,
            traffic: Traffic::new(now),
        }
    }

    /// Tries the port's methods from the first; what is in force stays until one fails.
    pub(super) fn begin(&mut self, step: &mut Step<'_>, line: &PortSettings) {
        self.held_until = None;
        self.dot1x = Stage::Idle;
        self.mac_authentication = Stage::Idle;
        let hasty = step.post.config.does(Misbehaviour::MacBeforeDot1xTimeout);
        match line.order {
            MethodOrder::Dot1xThenMac if hasty => {
                self.start_dot1x(step, line);
                self.ask_for_mac(step, line);
            }
            MethodOrder::Dot1xThenMac | MethodOrder::Dot1xOnly => self.start_dot1x(step, line),
            MethodOrder::MacThenDot1x | MethodOrder::MacOnly => self.ask_for_mac(step, line),
            MethodOrder::Both => {
                self.start_dot1x(step, line);
                self.ask_for_mac(step, line);
            }
        }
    }

    /// The device was heard, and is heard all the time where it has a rate.
    pub(super) fn heard(&mut self, now: Timestamp, rate: Option<u32>) {
        self.traffic.heard(now, rate);
    }

    /// Takes the outcome of a question.
    pub(super) fn answered(
        &mut self,
        step: &mut Step<'_>,
        line: &PortSettings,
        purpose: Purpose,
        answer: Answer,
    ) {
        match (purpose, answer) {
            (Purpose::Admission(method), Answer::Accept(grant)) => {
                self.admit(step, line, method, *grant);
            }
            (Purpose::Admission(method), Answer::Refuse { message }) => {
                step.post
                    .note(self.place(line), What::Refused { method, message });
                self.failed(step, line, method, Failure::Refused);
            }
            (Purpose::Admission(method), Answer::Silence) => self.unanswered(step, line, method),
            (Purpose::Authorization, Answer::Accept(grant)) => {
                self.regrant(step, line, *grant);
            }
            // RFC 5176 section 3.2 leaves the session's end to the switch; a server that no
            // longer authorizes it has said enough.
            (Purpose::Authorization, Answer::Refuse { .. }) => {
                self.end_admission(step, line, StopCause::ReauthenticationFailure);
                self.hold(step, line);
            }
            (Purpose::Authorization, Answer::Silence) => {}
        }
    }

    /// Authenticates again by the method that let the device in.
    pub(super) fn reauthenticate(
        &mut self,
        step: &mut Step<'_>,
        line: &PortSettings,
        why: ReauthenticationCause,
    ) {
        if self.mac_authentication == Stage::Asking || self.dot1x == Stage::Asking {
            return;
        }
        step.post
            .note(self.place(line), What::Reauthenticating { why });
        let method = match &mut self.admission {
            Some(admission) if !admission.critical => {
                admission.again_at = None;
                Some(admission.method)
            }
            _ => None,
        };
        match method {
            Some(Method::Mac) => self.ask_for_mac(step, line),
            Some(Method::Dot1x) => self.start_dot1x(step, line),
            None => self.begin(step, line),
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
        let place = self.place(line);
        let Some(admission) = &mut self.admission else {
            return;
        };
        let timed = newer.session_timeout.is_some() || newer.reauthenticate.is_some();
        let interim = newer.interim_interval.is_some();
        if let Some(name) = &newer.user_name {
            admission.user_name.clone_from(name);
        }
        admission.grant.amend(newer);
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
        let waiting = match self.dot1x {
            Stage::Waiting { again, .. } => Some(again),
            _ => None,
        };
        let admission = self.admission.as_ref();
        [
            waiting,
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

    /// The method that is being tried.
    pub(super) fn trying(&self) -> Option<Method> {
        if self.mac_authentication == Stage::Asking {
            Some(Method::Mac)
        } else if matches!(self.dot1x, Stage::Waiting { .. } | Stage::Asking) {
            Some(Method::Dot1x)
        } else {
            None
        }
    }

    pub(super) fn is_held(&self) -> bool {
        self.held_until.is_some()
    }

    fn start_dot1x(&mut self, step: &mut Step<'_>, line: &PortSettings) {
        let timers = &step.post.config.dot1x;
        self.dot1x = Stage::Waiting {
            again: after(step.post.now, timers.tx_period),
            left: timers.tries.saturating_sub(1),
        };
        step.post.note(self.place(line), What::Dot1xBegan);
    }

    fn tick_dot1x(&mut self, step: &mut Step<'_>, line: &PortSettings) {
        let Stage::Waiting { again, left } = self.dot1x else {
            return;
        };
        if again > step.post.now {
            return;
        }
        if left > 0 {
            self.dot1x = Stage::Waiting {
                again: after(step.post.now, step.post.config.dot1x.tx_period),
                left: left - 1,
            };
            return;
        }
        step.post.note(self.place(line), What::Dot1xTimedOut);
        self.failed(step, line, Method::Dot1x, Failure::TimedOut);
    }

    fn ask_for_mac(&mut self, step: &mut Step<'_>, line: &PortSettings) {
        // Termination-Action RADIUS-Request gives the accept's State back.
        let state = self
            .admission
            .as_ref()
            .filter(|admission| admission.grant.reauthenticate == Some(true))
            .and_then(|admission| admission.grant.state.clone());
        let chap_identifier = step.post.rng.random();
        let subject = self.subject(step.post.config, line, state.as_deref());
        let draft = request::mac_authentication(&subject, chap_identifier);
        let question = self.question(line, Purpose::Admission(Method::Mac));
        self.mac_authentication = Stage::Asking;
        if step.access.send(&mut step.post, draft, question).is_err() {
            self.unanswered(step, line, Method::Mac);
        }
    }

    fn admit(&mut self, step: &mut Step<'_>, line: &PortSettings, method: Method, grant: Grant) {
        self.set_stage(method, Stage::Passed);
        // 802.1X prevails over MAC authentication that ran beside it.
        if method == Method::Mac && self.dot1x == Stage::Passed {
            return;
        }
        let user_name = match &grant.user_name {
            Some(name) => name.clone(),
            None => self.own_user_name(step),
        };
        self.let_in(step, line, method, false, grant, user_name);
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

    /// No server: the device keeps what it has, or gets what the switch has for this case.
    fn unanswered(&mut self, step: &mut Step<'_>, line: &PortSettings, method: Method) {
        self.set_stage(method, Stage::Failed);
        if let Some(admission) = &mut self.admission {
            // What the switch decided is asked about again when a server is tried again.
            if !admission.critical {
                admission.again_at = Some(after(step.post.now, step.post.config.dead_time));
            }
            return;
        }
        let Some(local) = &step.post.config.critical else {
            if !self.is_busy() {
                self.hold(step, line);
            }
            return;
        };
        let grant = Grant {
            role: local.role.clone(),
            vlan: local.vlan.clone(),
            filters: local.filter.iter().cloned().collect(),
            ..Grant::default()
        };
        let user_name = self.own_user_name(step);
        self.let_in(step, line, method, true, grant, user_name);
    }

    fn failed(
        &mut self,
        step: &mut Step<'_>,
        line: &PortSettings,
        method: Method,
        failure: Failure,
    ) {
        self.set_stage(method, Stage::Failed);
        let ends = self.admission.as_ref().is_some_and(|admission| {
            if admission.critical {
                failure == Failure::Refused
            } else {
                admission.method == method
            }
        });
        if ends {
            self.end_admission(step, line, StopCause::ReauthenticationFailure);
        }
        match self.next_method(line, method, failure) {
            Some(Method::Mac) => self.ask_for_mac(step, line),
            Some(Method::Dot1x) => self.start_dot1x(step, line),
            None if self.admission.is_none() && !self.is_busy() => self.hold(step, line),
            None => {}
        }
    }

    fn next_method(&self, line: &PortSettings, failed: Method, failure: Failure) -> Option<Method> {
        let may_go_on = failure == Failure::TimedOut || line.next_after_refusal;
        match (line.order, failed) {
            (MethodOrder::Dot1xThenMac, Method::Dot1x)
                if may_go_on && self.mac_authentication == Stage::Idle =>
            {
                Some(Method::Mac)
            }
            (MethodOrder::MacThenDot1x, Method::Mac) if self.dot1x == Stage::Idle => {
                Some(Method::Dot1x)
            }
            _ => None,
        }
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

    fn set_stage(&mut self, method: Method, stage: Stage) {
        match method {
            Method::Dot1x => self.dot1x = stage,
            Method::Mac => self.mac_authentication = stage,
        }
    }

    fn own_user_name(&self, step: &Step<'_>) -> Vec<u8> {
        let style = &step.post.config.mac_authentication;
        style.user_name.spell(self.mac).into_bytes()
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
