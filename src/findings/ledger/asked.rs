//! Access-Requests and their answers.

use std::net::{IpAddr, SocketAddr};
use std::time::Duration;

use jiff::{SignedDuration, Timestamp};

use super::{Duty, Ledger, Question, Reply, TrackId, Visit, entry};
use crate::findings::granted::Granted;
use crate::findings::read::{self, Eap, Method};
use crate::findings::tracks::{Accept, Challenge, Moment, Refusals, Seat};
use crate::wire::Code;
use crate::wire::registry::attributes as a;

/// A Start may wait for the device's address (common practice, no source).
const START_WITHIN: SignedDuration = SignedDuration::from_secs(60);
/// Asking again sooner than this after a reject is no wait.
const HASTY: Duration = Duration::from_secs(5);

impl Ledger {
    /// The session that an Access-Request asks about again; `None` when a new one begins.
    pub(in crate::findings) fn asked_again(&self, visit: &Visit<'_>) -> Option<TrackId> {
        let id = self.seat(visit.switch, visit.mac)?.track?;
        let track = self.track(id)?;
        let other = |known: Option<&[u8]>, now: Option<&[u8]>| match (known, now) {
            (Some(known), Some(now)) => known != now,
            _ => false,
        };
        let session = read::session_id(&visit.packet);
        let port = read::port(&visit.packet);
        let known = track.reported_as.as_deref().or(track.asked_as.as_deref());
        let renamed = other(known, session.as_deref())
            && other(track.asked_as.as_deref(), session.as_deref());
        let moved = matches!((&track.port, &port), (Some(known), Some(now)) if known != now);
        (!renamed && !moved && track.stop.is_none()).then_some(id)
    }

    /// An Access-Request and its answer.
    pub(in crate::findings) fn asked(
        &mut self,
        visit: &Visit<'_>,
        method: Method,
        eap: Option<&Eap>,
        reply: Option<Reply<'_>>,
    ) {
        let again = self.asked_again(visit);
        self.came_back(visit, again);
        if let Some(reply) = &reply {
            self.give_state(visit.switch, &reply.packet);
        }
        let accepted = reply.filter(|reply| reply.packet.code() == Code::ACCESS_ACCEPT);
        let track = accepted.map(|reply| self.accepted(visit, again, &reply));
        let question = Question {
            authenticator: *visit.packet.authenticator(),
            sealed: visit.packet.first(a::MESSAGE_AUTHENTICATOR).is_some(),
            method,
            mac: visit.mac,
            track,
        };
        self.questions
            .insert((visit.from, visit.packet.identifier()), question);
        let Some(mac) = visit.mac else {
            return;
        };
        let seat = entry(&mut self.seats, (visit.switch, mac));
        seat.asked = Some(visit.moment.at);
        if let Some(identity) = eap.and_then(|eap| eap.identity.clone()) {
            seat.identity = Some((visit.moment, identity));
        }
        if let Some(reply) = reply {
            let moment = Moment {
                at: visit.moment.at,
                packet: reply.reference,
            };
            answer_seat(seat, moment, method, &reply);
        }
        if track.is_some() {
            seat.track = track;
        }
    }

    /// The Access-Request that an answer to this socket and identifier belongs to.
    pub(in crate::findings) fn question(&self, to: SocketAddr, identifier: u8) -> Option<Question> {
        self.questions.peek(&(to, identifier)).copied()
    }

    /// An answer left otherwise than it was meant, or once more.
    pub(in crate::findings) fn answered_otherwise(
        &mut self,
        switch: IpAddr,
        at: Timestamp,
        question: Question,
        reply: &Reply<'_>,
    ) {
        let moment = Moment {
            at,
            packet: reply.reference,
        };
        self.give_state(switch, &reply.packet);
        let accepted = reply.packet.code() == Code::ACCESS_ACCEPT;
        let track = question.track.and_then(|id| self.tracks.get_mut(&id));
        if let Some(track) = track {
            track.accept = track.accept.take().filter(|_| accepted);
            if let Some(accept) = &mut track.accept {
                accept.granted = Granted::read(&reply.packet);
                accept.flaw = reply.flaw;
                accept.repeats = accept.repeats.saturating_add(1);
                if track.start.is_none() {
                    accept.moment = moment;
                }
            }
        }
        if let Some(mac) = question.mac {
            let seat = entry(&mut self.seats, (switch, mac));
            answer_seat(seat, moment, question.method, reply);
        }
    }

    /// An Access-Request came once more: a re-authentication that was asked for meanwhile has it
    /// for its own.
    pub(in crate::findings) fn asked_once_more(&mut self, visit: &Visit<'_>) {
        let Some(mac) = visit.mac else {
            return;
        };
        let Some(seat) = self.seats.get_mut(&(visit.switch, mac)) else {
            return;
        };
        seat.asked = Some(visit.moment.at);
        if let Some(id) = seat.track {
            self.agenda.settle(id, Duty::RequestAfterReauth);
        }
    }

    /// A device asked: a bounce or a re-authentication had its effect, a session its due.
    fn came_back(&mut self, visit: &Visit<'_>, again: Option<TrackId>) {
        let current = self
            .seat(visit.switch, visit.mac)
            .and_then(|seat| seat.track);
        if let Some(id) = current {
            self.agenda.settle(id, Duty::RequestAfterReauth);
            // After a drop of the link it is another session.
            if again.is_none() || read::session_id(&visit.packet).is_none() {
                self.agenda.settle(id, Duty::DropAfterBounce);
            }
        }
        if let Some(id) = again {
            self.agenda.settle(id, Duty::Reauthentication);
            self.agenda.settle(id, Duty::End);
        }
    }

    fn accepted(
        &mut self,
        visit: &Visit<'_>,
        again: Option<TrackId>,
        reply: &Reply<'_>,
    ) -> TrackId {
        let log = entry(&mut self.switches, visit.switch);
        log.accepts = log.accepts.saturating_add(1);
        let moment = Moment {
            at: visit.moment.at,
            packet: reply.reference,
        };
        log.first_accept.get_or_insert(moment);
        let accounts = log.accounting.is_some();
        let id = again.unwrap_or_else(|| self.begin(visit));
        let session = read::session_id(&visit.packet);
        self.name(visit.switch, id, session.as_deref());
        if let Some(track) = self.tracks.get_mut(&id) {
            if session.is_some() {
                track.asked_as = session;
            }
            let earlier = track.accept.take();
            track.early = earlier
                .as_ref()
                .filter(|earlier| earlier.granted.session_timeout.is_some())
                .filter(|earlier| track.ordered.is_none_or(|at| at < earlier.moment.at))
                .map(|earlier| earlier.moment.ago(moment.at));
            track.accept = Some(Accept {
                moment,
                first: earlier.as_ref().map_or(moment.at, |earlier| earlier.first),
                granted: Granted::read(&reply.packet),
                earlier: earlier.map(|earlier| (earlier.moment, earlier.granted)),
                flaw: reply.flaw,
                repeats: 0,
            });
            track.before = None;
            if track.start.is_none() && accounts {
                let since = (moment.at, moment.packet);
                self.agenda.owe(id, Duty::Start, since, START_WITHIN);
            }
        }
        self.owe_times(id, moment);
        id
    }
}

/// Puts the answer to its last request into a device's memory.
fn answer_seat(seat: &mut Seat, moment: Moment, method: Method, reply: &Reply<'_>) {
    seat.challenge = None;
    match reply.packet.code() {
        Code::ACCESS_CHALLENGE => {
            seat.challenge = Some(Challenge {
                moment,
                state: reply
                    .packet
                    .first(a::STATE)
                    .map(|state| state.value.to_vec()),
                eap: read::eap(&reply.packet).map(|eap| eap.identifier),
            });
        }
        Code::ACCESS_ACCEPT => {
            seat.refusals = None;
            if method == Method::Mac {
                seat.let_in_by_mac = Some(moment);
            }
        }
        Code::ACCESS_REJECT => {
            let earlier = seat.refusals.filter(|refusals| {
                refusals.method == method && refusals.last.ago(moment.at) < HASTY
            });
            seat.refusals = Some(Refusals {
                method,
                last: moment,
                hasty: earlier.map_or(0, |earlier| earlier.hasty + 1),
            });
        }
        _ => {}
    }
}
