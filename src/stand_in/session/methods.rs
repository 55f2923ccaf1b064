//! The methods that are tried on a session, and what comes of them.

use rand::Rng;

use super::{Session, Stage, Step};
use crate::stand_in::config::{MethodOrder, PortSettings};
use crate::stand_in::dot1x::Waited;
use crate::stand_in::eapol::Eapol;
use crate::stand_in::event::{Method, ReauthenticationCause, StopCause, What};
use crate::stand_in::grant::Grant;
use crate::stand_in::misbehave::Misbehaviour;
use crate::stand_in::question::{Answer, Purpose};
use crate::stand_in::request;
use crate::stand_in::schedule::after;

/// How a method failed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Failure {
    Refused,
    /// No EAPOL from the device.
    TimedOut,
}

impl Session {
    /// Tries the port's methods from the first; what is in force stays until one fails.
    pub(in crate::stand_in) fn begin(&mut self, step: &mut Step<'_>, line: &PortSettings) {
        self.held_until = None;
        self.dot1x.rest();
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

    /// Takes the outcome of a question.
    pub(in crate::stand_in) fn answered(
        &mut self,
        step: &mut Step<'_>,
        line: &PortSettings,
        purpose: Purpose,
        answer: Answer,
    ) {
        match purpose {
            Purpose::Admission(method) => self.judged(step, line, method, answer),
            Purpose::Authorization => self.authorized(step, line, answer),
        }
    }

    fn judged(&mut self, step: &mut Step<'_>, line: &PortSettings, method: Method, answer: Answer) {
        match answer {
            Answer::Accept { grant, eap } => {
                self.tell(step, method, true, eap);
                self.admit(step, line, method, *grant);
            }
            Answer::Refuse { eap, .. } if step.post.config.does(Misbehaviour::AdmitsRefused) => {
                self.tell(step, method, false, eap);
                self.admit(step, line, method, Grant::default());
            }
            Answer::Refuse { message, eap } => {
                self.tell(step, method, false, eap);
                self.refused(step, line, method, message);
            }
            Answer::Challenge {
                eap,
                state,
                seconds,
                ..
            } if method == Method::Dot1x => {
                self.challenged(step, line, eap.as_deref(), state, seconds);
            }
            // RFC 2865 section 4.4: a challenge that cannot be answered is a reject.
            Answer::Challenge { message, .. } => self.refused(step, line, method, message),
            Answer::Silence => self.unanswered(step, line, method),
        }
    }

    fn challenged(
        &mut self,
        step: &mut Step<'_>,
        line: &PortSettings,
        eap: Option<&[u8]>,
        state: Option<Vec<u8>>,
        seconds: Option<u32>,
    ) {
        let timers = &step.post.config.dot1x;
        match self
            .dot1x
            .challenge(step.post.now, timers, eap, state, seconds)
        {
            Ok(packet) => step.eapol.push((self.mac, packet)),
            Err(reason) => {
                step.post
                    .note(self.place(line), What::ReplyDropped { reason });
                self.tell(step, Method::Dot1x, false, None);
                self.refused(step, line, Method::Dot1x, None);
            }
        }
    }

    fn refused(
        &mut self,
        step: &mut Step<'_>,
        line: &PortSettings,
        method: Method,
        message: Option<String>,
    ) {
        step.post
            .note(self.place(line), What::Refused { method, message });
        self.failed(step, line, method, Failure::Refused);
    }

    /// The device spoke 802.1X. True when it logged off, which is the end of the session.
    pub(in crate::stand_in) fn eapol(
        &mut self,
        step: &mut Step<'_>,
        line: &PortSettings,
        frame: &Eapol,
    ) -> bool {
        match frame {
            _ if line.order == MethodOrder::MacOnly => {}
            Eapol::Packet(eap) => {
                if self.dot1x.take(eap) {
                    self.ask_for_dot1x(step, line, eap);
                }
            }
            // Whoever was refused waits (IEEE 802.1X, state HELD).
            Eapol::Start if self.held_until.is_some() => {}
            Eapol::Start if self.dot1x.is_asking_for_identity() => {
                step.eapol.push((self.mac, self.dot1x.outstanding()));
            }
            Eapol::Start => {
                step.post.note(self.place(line), What::EapolStart);
                if self.admission.is_some() {
                    let why = ReauthenticationCause::Supplicant;
                    step.post
                        .note(self.place(line), What::Reauthenticating { why });
                }
                self.start_dot1x(step, line);
            }
            Eapol::Logoff => {
                step.post.note(self.place(line), What::EapolLogoff);
                return true;
            }
        }
        false
    }

    /// Authenticates again by the method that let the device in.
    pub(in crate::stand_in) fn reauthenticate(
        &mut self,
        step: &mut Step<'_>,
        line: &PortSettings,
        why: ReauthenticationCause,
    ) {
        if self.mac_authentication == Stage::Asking || self.dot1x.is_asking() {
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

    fn start_dot1x(&mut self, step: &mut Step<'_>, line: &PortSettings) {
        let serial = self.serial;
        let purpose = Purpose::Admission(Method::Dot1x);
        step.access.forget(&mut step.post, |question| {
            question.serial == serial && question.purpose == purpose
        });
        let state = self.state_to_return();
        let timers = &step.post.config.dot1x;
        let packet = self.dot1x.begin(step.post.now, timers, state);
        step.eapol.push((self.mac, packet));
        step.post.note(self.place(line), What::Dot1xBegan);
    }

    pub(super) fn tick_dot1x(&mut self, step: &mut Step<'_>, line: &PortSettings) {
        match self.dot1x.tick(step.post.now) {
            Waited::Nothing => {}
            Waited::Again(packet) => step.eapol.push((self.mac, packet)),
            Waited::NoEapol => {
                step.post.note(self.place(line), What::Dot1xTimedOut);
                self.failed(step, line, Method::Dot1x, Failure::TimedOut);
            }
            Waited::Silent => {
                step.post.note(self.place(line), What::SupplicantSilent);
                self.tell(step, Method::Dot1x, false, None);
                self.failed(step, line, Method::Dot1x, Failure::Refused);
            }
        }
    }

    fn ask_for_dot1x(&mut self, step: &mut Step<'_>, line: &PortSettings, eap: &[u8]) {
        let state = self.dot1x.state.clone();
        let subject = self.subject(step.post.config, line, state.as_deref());
        let draft = request::dot1x(&subject, &self.dot1x.identity, eap);
        let question = self.question(line, Purpose::Admission(Method::Dot1x));
        self.dot1x.ask();
        if step.access.send(&mut step.post, draft, question).is_err() {
            self.unanswered(step, line, Method::Dot1x);
        }
    }

    /// Tells the device how its login by 802.1X ended.
    fn tell(&self, step: &mut Step<'_>, method: Method, good: bool, eap: Option<Vec<u8>>) {
        if method == Method::Dot1x {
            step.eapol.push((self.mac, self.dot1x.outcome(good, eap)));
        }
    }

    /// Termination-Action RADIUS-Request gives the accept's State back (RFC 2865 section 5.24).
    fn state_to_return(&self) -> Option<Vec<u8>> {
        self.admission
            .as_ref()
            .filter(|admission| admission.grant.reauthenticate == Some(true))
            .and_then(|admission| admission.grant.state.clone())
    }

    fn ask_for_mac(&mut self, step: &mut Step<'_>, line: &PortSettings) {
        let state = self.state_to_return();
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
        match method {
            Method::Dot1x => self.dot1x.pass(),
            Method::Mac => self.mac_authentication = Stage::Over,
        }
        // 802.1X prevails over MAC authentication that ran beside it.
        if method == Method::Mac && self.dot1x.has_passed() {
            return;
        }
        let user_name = match &grant.user_name {
            Some(name) => name.clone(),
            None => self.own_user_name(step, method),
        };
        self.let_in(step, line, method, false, grant, user_name);
    }

    /// No server: the device keeps what it has, or gets what the switch has for this case.
    fn unanswered(&mut self, step: &mut Step<'_>, line: &PortSettings, method: Method) {
        self.settle(method);
        if let Some(admission) = &mut self.admission {
            // What the switch decided is asked about again when a server is tried again.
            if !admission.critical {
                admission.again_at = Some(after(step.post.now, step.post.config.dead_time));
            }
            return;
        }
        let Some(local) = &step.post.config.critical else {
            self.tell(step, method, false, None);
            if !self.is_busy() {
                self.hold(step, line);
            }
            return;
        };
        self.tell(step, method, true, None);
        let grant = Grant {
            role: local.role.clone(),
            vlan: local.vlan.clone(),
            filters: local.filter.iter().cloned().collect(),
            ..Grant::default()
        };
        let user_name = self.own_user_name(step, method);
        self.let_in(step, line, method, true, grant, user_name);
    }

    fn failed(
        &mut self,
        step: &mut Step<'_>,
        line: &PortSettings,
        method: Method,
        failure: Failure,
    ) {
        self.settle(method);
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
            (MethodOrder::MacThenDot1x, Method::Mac) if self.dot1x.is_idle() => Some(Method::Dot1x),
            _ => None,
        }
    }

    /// A method came to nothing.
    fn settle(&mut self, method: Method) {
        match method {
            Method::Dot1x => self.dot1x.fail(),
            Method::Mac => self.mac_authentication = Stage::Over,
        }
    }

    fn own_user_name(&self, step: &Step<'_>, method: Method) -> Vec<u8> {
        let style = &step.post.config.mac_authentication;
        match method {
            Method::Dot1x => self.dot1x.identity.clone(),
            Method::Mac => style.user_name.spell(self.mac).into_bytes(),
        }
    }

    /// The method that is being tried.
    pub(in crate::stand_in) fn trying(&self) -> Option<Method> {
        if self.mac_authentication == Stage::Asking {
            Some(Method::Mac)
        } else if self.dot1x.is_busy() {
            Some(Method::Dot1x)
        } else {
            None
        }
    }
}
