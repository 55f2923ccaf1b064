//! What happens to one order: sent, sent again, answered, tried another way, ended.

use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use super::answer::Answer;
use super::changer::{Changer, Settling};
use super::flight::{Flight, Job, Slot, Stage};
use super::identifiers::DUPLICATE_WINDOW;
use super::later;
use super::order::{OrderRefused, Outcome};
use super::request::Request;
use super::retransmit::{MRC, Retransmission, Step};
use super::turn::{Turn, seconds};
use crate::bench::{ChangeKind, Switch};
use crate::journal::PacketRecord;

/// How long after an acknowledged bounce, reauth or disconnect no automatic change of the same
/// session is sent: longer than a device takes that loses its power by the bounce (43 s, common
/// practice, no source). A new class of the session ends it sooner.
const SETTLE: Duration = Duration::from_secs(60);

impl Changer {
    /// First transmission of a job.
    pub(super) fn send(&mut self, turn: &mut Turn<'_>, mut job: Job, queued: Option<Job>) {
        let (switch, to, request) = match self.prepare(turn, &job) {
            Ok(prepared) => prepared,
            Err(refused) => {
                let reason = refused.to_string();
                self.drop_job(turn, &job, dropped_verdict(&refused), reason);
                self.promote(turn, queued);
                return;
            }
        };
        let identifier = match self.identifiers.take(turn.now, to) {
            Ok(identifier) => identifier,
            Err(free) => {
                let window = seconds(DUPLICATE_WINDOW);
                let reason =
                    format!("all 256 identifiers to {to} were used within {window}: waits for one");
                turn.note(&job.place, "held-no-identifier", reason);
                self.start(turn, job, free, queued);
                return;
            }
        };
        let octets = match request.octets(turn.now, identifier, &switch) {
            Ok(octets) => octets,
            Err(error) => {
                self.drop_job(turn, &job, "refused-unspellable", error.to_string());
                self.promote(turn, queued);
                return;
            }
        };
        let reason = format!(
            "{} identifier {identifier} to {to}, the session named by {}",
            request.code, request.named_by
        );
        let packet = self.outgoing(turn.now, to, &octets);
        turn.transmit(&job.place, "sent", reason, packet);
        job.sent = true;
        let flight = Flight {
            switch,
            to,
            identifier,
            authenticator: authenticator(&octets),
            request,
            octets,
            timer: Retransmission::start(turn.now, turn.rng),
        };
        let stage = Stage::InFlight(Box::new(flight));
        self.slots
            .insert(job.order.session, Slot { job, stage, queued });
    }

    /// The timer of a request in flight ran out.
    pub(super) fn repeat(
        &mut self,
        turn: &mut Turn<'_>,
        job: Job,
        mut flight: Box<Flight>,
        queued: Option<Job>,
    ) {
        let waited = seconds(flight.timer.waited(turn.now));
        if let Err(ended) = turn.live(job.order.session) {
            let reason = format!("{ended}; no answer in {waited}, not sent again");
            turn.note(&job.place, "dropped-session-ended", reason.clone());
            self.end(turn, &job, Outcome::Dropped { reason }, queued);
            return;
        }
        match flight.timer.step(turn.now, turn.rng) {
            Step::Wait => {}
            Step::Again => {
                let sent = flight.timer.sent();
                let reason = format!("no answer in {waited}: transmission {sent} of {MRC}");
                self.identifiers
                    .sent_again(turn.now, flight.to, flight.identifier);
                let packet = self.outgoing(turn.now, flight.to, &flight.octets);
                turn.transmit(&job.place, "repeated", reason, packet);
            }
            Step::GiveUp => {
                let sent = flight.timer.sent();
                let reason = format!(
                    "no answer to {sent} transmissions in {waited}: check that the switch takes \
                     changes from this address on UDP port {}, and that the change secret is the \
                     same on both sides",
                    flight.to.port()
                );
                turn.note(&job.place, "gave-up", reason);
                let kind = job.kind;
                self.end(turn, &job, Outcome::NoAnswer { kind, sent }, queued);
                return;
            }
        }
        let stage = Stage::InFlight(flight);
        self.slots
            .insert(job.order.session, Slot { job, stage, queued });
    }

    /// The switch answered.
    pub(super) fn answered(
        &mut self,
        turn: &mut Turn<'_>,
        mut job: Job,
        flight: &Flight,
        queued: Option<Job>,
        answer: Answer,
        packet: PacketRecord,
    ) {
        let kind = job.kind;
        let after = seconds(flight.timer.waited(turn.now));
        if answer.acked {
            if kind == ChangeKind::Regrant {
                regranted(turn, &mut job);
            }
            let reason = match answer.cause {
                Some(cause) => format!("{kind} acknowledged after {after}: {cause}"),
                None => format!("{kind} acknowledged after {after}"),
            };
            turn.note_packet(&job.place, "acked", reason, packet, answer.breach);
            self.end(turn, &job, Outcome::Acked { kind }, queued);
        } else if answer
            .cause
            .is_some_and(|cause| flight.request.begun_by == Some(cause.0))
        {
            let reason = format!("{kind} begun after {after}: the switch asks for authorization");
            turn.note_packet(&job.place, "begun", reason, packet, answer.breach);
            self.end(turn, &job, Outcome::Begun { kind }, queued);
        } else {
            let (verdict, reason) = match answer.cause {
                Some(cause) => (
                    format!("nak-{}", cause.0),
                    format!("{kind} refused: {cause}; {}", cause.remedy()),
                ),
                None => (
                    "nak".to_owned(),
                    format!("{kind} refused without an Error-Cause: see the switch's log"),
                ),
            };
            turn.note_packet(&job.place, &verdict, reason, packet, answer.breach);
            let refused = Outcome::Refused {
                kind,
                cause: answer.cause,
            };
            match self.fallback(turn, &job, &flight.switch) {
                Some(next) => self.fall_back(turn, job, next, queued),
                None => self.end(turn, &job, refused, queued),
            }
        }
    }

    /// What to try in place of a refused change.
    fn fallback(&self, turn: &Turn<'_>, job: &Job, switch: &Switch) -> Option<ChangeKind> {
        let session = turn.live(job.order.session).ok()?;
        self.substitute(switch, session, &job.order, &job.tried)
    }

    fn fall_back(
        &mut self,
        turn: &mut Turn<'_>,
        mut job: Job,
        next: ChangeKind,
        queued: Option<Job>,
    ) {
        let refused = job.kind;
        job.turn_to(next);
        let reason = format!("{next} in place of the refused {refused}");
        turn.note(&job.place, "fell-back", reason);
        self.send(turn, job, queued);
    }

    /// Ends an order that was sent, and turns to the one queued behind it.
    fn end(&mut self, turn: &mut Turn<'_>, job: &Job, outcome: Outcome, queued: Option<Job>) {
        let comes_anew = outcome.is_done() && job.kind != ChangeKind::Regrant;
        self.keep_outcome(job.id, outcome);
        if !comes_anew {
            self.promote(turn, queued);
            return;
        }
        if let Some(queued) = queued {
            let reason = format!(
                "the {} of order {} is done: the device is decided anew when it comes back",
                job.kind, job.id
            );
            self.drop_job(turn, &queued, "dropped-settled", reason);
        }
        if let Ok(session) = turn.live(job.order.session) {
            let settling = Settling {
                job: job.clone(),
                class: session.class.clone(),
                until: later(turn.now, SETTLE),
            };
            self.settling.insert(job.order.session, settling);
        }
    }

    /// The queued order's turn: it waits its delay, so that what the last one did can be heard of.
    fn promote(&mut self, turn: &mut Turn<'_>, queued: Option<Job>) {
        if let Some(job) = queued {
            let due = later(turn.now, self.delay(&job));
            self.start(turn, job, due, None);
        }
    }

    fn prepare(
        &self,
        turn: &Turn<'_>,
        job: &Job,
    ) -> Result<(Arc<Switch>, SocketAddr, Request), OrderRefused> {
        let session = turn.live(job.order.session)?;
        let switch = self.declared(session)?;
        let to_class = job.order.to_class.as_deref();
        let request = Request::spell(&self.bench, switch, session, job.kind, to_class)?;
        let to = SocketAddr::new(session.address, switch.change_port);
        Ok((Arc::clone(switch), to, request))
    }
}

/// A regrant is in force once it is acknowledged: no new accept will say so.
fn regranted(turn: &mut Turn<'_>, job: &mut Job) {
    let Some(class) = job.order.to_class.clone() else {
        return;
    };
    let session = turn
        .roster
        .sessions_mut()
        .update(job.order.session, |session| {
            session.class.clone_from(&class);
        });
    turn.effects.sessions.extend(session);
    if let Some(mac) = job.place.mac {
        let touched = turn
            .roster
            .classify(turn.now, mac, &class, &job.order.reason, None);
        turn.effects.devices.extend(touched.device);
        turn.effects.forgotten.extend(touched.crowded_out);
    }
    job.place.class = Some(class);
}

fn dropped_verdict(refused: &OrderRefused) -> &'static str {
    match refused {
        OrderRefused::NoSession(_) | OrderRefused::SessionEnded { .. } => "dropped-session-ended",
        _ => refused.verdict(),
    }
}

/// Octets 4 to 20 of a packet (RFC 2865 section 3).
fn authenticator(packet: &[u8]) -> [u8; 16] {
    packet
        .get(4..20)
        .and_then(|octets| octets.try_into().ok())
        .unwrap_or_default()
}
