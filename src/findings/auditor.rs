//! Shows the entries of a journal to the rules.

use std::collections::HashSet;

use jiff::{SignedDuration, Timestamp};

use super::agenda::{Duty, Owed};
use super::exchanges::{Exchange, Exchanges};
use super::facts::BenchFacts;
use super::finding::{Collected, Finding, PacketRef, Spot};
use super::ledger::{Ledger, Reply, Visit};
use super::read::{self, Counts, seconds};
use super::rule::{Check, Remark};
use super::rules;
use super::seen::{Answered, Asked, Packeted, Reported, Status, Stray};
use super::sendings::{Sendings, Transmission};
use super::tracks::{Flaw, Moment, Track};
use crate::bench::ChangeKind;
use crate::journal::{Direction, Entry, Kind, Link, PacketRecord, Place};
use crate::wire::registry::ErrorCause;
use crate::wire::registry::attributes as a;
use crate::wire::sign::{self, MessageAuthenticator};
use crate::wire::vlan::Vlans;
use crate::wire::{Code, Packet};

/// Audits the switches of a bench by the entries of its journal.
///
/// Memory is bounded: some thousands of switches, devices, sessions and requests are remembered,
/// the least recent ones go first, and a finding keeps its first five examples.
#[derive(Default)]
pub struct Auditor {
    facts: BenchFacts,
    sendings: Sendings,
    ledger: Ledger,
    exchanges: Exchanges,
    collected: Collected,
    /// Switch entries whose settings were looked at.
    known: HashSet<String>,
    first: Option<(u64, Timestamp)>,
    now: Option<Timestamp>,
}

/// How long a journal that did not begin with its first entry must run before a State that nobody
/// gave in it counts as the switch's invention.
const WATCHED: SignedDuration = SignedDuration::from_mins(10);

/// Datagrams that may be anybody's, or cannot be read: only their form is looked at.
const UNREADABLE: [&str; 9] = [
    "dropped-malformed",
    "dropped-oversized",
    "dropped-not-a-request",
    "dropped-unknown-code",
    "dropped-wrong-port",
    "dropped-wrong-code",
    "dropped-bad-message-authenticator",
    "dropped-bad-accounting-authenticator",
    "dropped-bad-response-authenticator",
];

/// Audits a whole journal. Without facts of the bench the rules that need them are silent.
pub fn audit<'e>(facts: BenchFacts, entries: impl IntoIterator<Item = &'e Entry>) -> Vec<Finding> {
    let mut auditor = Auditor::new(facts);
    for entry in entries {
        auditor.see(entry);
    }
    auditor.finish()
}

impl Auditor {
    /// An auditor that has seen nothing.
    #[must_use]
    pub fn new(facts: BenchFacts) -> Auditor {
        Auditor {
            facts,
            ..Auditor::default()
        }
    }

    /// Puts the facts of a reloaded bench in force.
    pub fn reload(&mut self, facts: BenchFacts) {
        self.facts = facts;
        self.known.clear();
    }

    /// Shows it the next entry.
    pub fn see(&mut self, entry: &Entry) {
        self.first.get_or_insert((entry.seq, entry.at));
        self.advance(entry.at);
        if begins_blind(entry) {
            self.look_away();
        }
        if entry.verdict == "gave-up" {
            self.unanswered(entry);
        }
        for (packet, record) in entry.packets.iter().enumerate() {
            let reference = PacketRef {
                entry: entry.seq,
                packet,
            };
            match (record.link, record.direction) {
                (Link::Authentication | Link::Accounting, Direction::In) => {
                    self.request(entry, record, reference);
                }
                // What a fault made of an answer.
                (Link::Authentication, Direction::Out) if entry.kind == Kind::Fault => {
                    self.answered_otherwise(&entry.place, record, reference);
                }
                (Link::Change, Direction::Out) => self.change(entry, record, reference),
                (Link::Change, Direction::In) => self.answer(entry, record, reference),
                _ => {}
            }
        }
    }

    /// Lets time pass: what a switch owed by now and did not do is found. Entries do so too.
    pub fn advance(&mut self, now: Timestamp) {
        let now = self.now.map_or(now, |before| before.max(now));
        self.now = Some(now);
        while let Some(owed) = self.ledger.missed(now) {
            if let Some(track) = self.ledger.track(owed.track) {
                missed(&mut self.collected, &owed, track);
            }
        }
    }

    /// Tells it that packets may have passed unseen (the bench was down or silent): nothing that
    /// a switch owes counts any more.
    pub fn look_away(&mut self) {
        self.ledger.forget_owed();
    }

    /// What was found so far, breaches first.
    #[must_use]
    pub fn findings(&self) -> Vec<Finding> {
        self.collected.sorted()
    }

    /// What was found.
    #[must_use]
    pub fn finish(self) -> Vec<Finding> {
        self.findings()
    }

    fn request(&mut self, entry: &Entry, record: &PacketRecord, reference: PacketRef) {
        let Some(name) = entry.place.switch.as_deref() else {
            return;
        };
        let packet = Packet::parse(&record.octets).ok();
        let mut spot = Spot {
            at: record.at,
            switch: name,
            port: entry.place.port.as_deref(),
            mac: entry.place.mac,
            packet: Some(reference),
        };
        stray(&mut self.collected, &spot, entry, record.link, packet);
        let Some(packet) = packet.filter(|_| !UNREADABLE.contains(&entry.verdict.as_str())) else {
            return;
        };
        self.look_at_settings(&spot);
        let port = read::port(&packet);
        spot.port = spot.port.or(port.as_deref());
        spot.mac = spot.mac.or_else(|| read::device(&packet));
        let reply = entry
            .packets
            .iter()
            .enumerate()
            .find(|(_, other)| other.link == record.link && other.direction == Direction::Out)
            .and_then(|(at, reply)| {
                let reply = Packet::parse(&reply.octets).ok()?;
                Some((
                    reply,
                    PacketRef {
                        packet: at,
                        ..reference
                    },
                ))
            });
        let transmission = Transmission {
            at: record.at,
            from: record.from,
            link: record.link,
            packet,
            reference,
            answer: reply.map(|(reply, _)| reply.code()),
        };
        let Some(sent) = self.sendings.see(&transmission) else {
            return;
        };
        apply(&mut self.collected, &spot, |check| match check {
            Check::Sent(run) => run(&sent),
            _ => None,
        });
        let visit = Visit {
            switch: record.from.ip(),
            from: record.from,
            name,
            mac: spot.mac,
            packet,
            moment: Moment {
                at: record.at,
                packet: reference,
            },
        };
        let repeats = sent.repeat.is_some();
        let identical = sent
            .repeat
            .is_some_and(|repeat| !repeat.new_identifier && !repeat.new_authenticator);
        if identical {
            self.repeated(entry, &visit, reply.map(|(_, reference)| reference));
            return;
        }
        packeted(&mut self.collected, &spot, packet);
        match packet.code() {
            Code::ACCESS_REQUEST => {
                let sealed = packet.first(a::MESSAGE_AUTHENTICATOR).is_some();
                let reply = reply.map(|(reply, reference)| Reply {
                    flaw: self.flaw(name, packet.authenticator(), sealed, &reply),
                    packet: reply,
                    reference,
                });
                self.asked(&visit, &spot, reply);
            }
            Code::ACCOUNTING_REQUEST => self.reported(&visit, &spot, repeats),
            _ => {}
        }
    }

    /// A request came once more to the octet, and so did its answer.
    fn repeated(&mut self, entry: &Entry, visit: &Visit<'_>, reply: Option<PacketRef>) {
        if visit.packet.code() == Code::ACCOUNTING_REQUEST {
            self.ledger.repeated(visit);
            return;
        }
        self.ledger.asked_once_more(visit);
        if let Some(reply) = reply
            && let Some(record) = entry.packets.get(reply.packet)
        {
            self.answered_otherwise(&entry.place, record, reply);
        }
    }

    fn asked(&mut self, visit: &Visit<'_>, spot: &Spot<'_>, reply: Option<Reply<'_>>) {
        let method = read::method(&visit.packet);
        let eap = read::eap(&visit.packet);
        let asked = Asked {
            at: visit.moment.at,
            from: visit.from,
            packet: visit.packet,
            method,
            eap: eap.clone(),
            seat: self.ledger.seat(visit.switch, visit.mac),
            track: self
                .ledger
                .asked_again(visit)
                .and_then(|id| self.ledger.track(id)),
            switch: self.ledger.switch(visit.switch),
            state_given: self.state_given(visit),
        };
        apply(&mut self.collected, spot, |check| match check {
            Check::Asked(run) => run(&asked),
            _ => None,
        });
        self.ledger.asked(visit, method, eap.as_ref(), reply);
    }

    /// Whether the State of a request is one that the bench gave; `None` when it has none, or when
    /// it may be from before the journal began.
    fn state_given(&self, visit: &Visit<'_>) -> Option<bool> {
        let state = visit.packet.first(a::STATE)?;
        if self.ledger.gave_state(visit.switch, state.value) {
            return Some(true);
        }
        let (seq, began) = self.first?;
        let watched = visit.moment.at.duration_since(began);
        (seq <= 1 || watched >= WATCHED).then_some(false)
    }

    fn reported(&mut self, visit: &Visit<'_>, spot: &Spot<'_>, repeats: bool) {
        let status = Status::of(visit.packet.integer(a::ACCT_STATUS_TYPE));
        let counts = Counts::read(&visit.packet);
        let vlans = Vlans::read(&visit.packet);
        let track = status
            .is_of_session()
            .then(|| self.ledger.reported_of(visit))
            .flatten();
        let reported = Reported {
            at: visit.moment.at,
            made: read::made(&visit.packet, visit.moment.at),
            packet: visit.packet,
            status,
            counts,
            vlans: &vlans,
            track: track.and_then(|id| self.ledger.track(id)),
            seat: self.ledger.seat(visit.switch, visit.mac),
            repeats,
            crowd: self.crowd(visit),
        };
        apply(&mut self.collected, spot, |check| match check {
            Check::Reported(run) => run(&reported),
            _ => None,
        });
        self.ledger.reported(visit, status, counts);
    }

    fn crowd(&self, visit: &Visit<'_>) -> Option<(u16, usize)> {
        let limit = self.facts.switch(visit.name)?.port_limit?;
        let port = read::port(&visit.packet);
        let beside = self
            .ledger
            .running_beside(visit.switch, port.as_deref(), visit.mac);
        Some((limit, beside))
    }

    /// An answer left once more, or otherwise than it was meant.
    fn answered_otherwise(&mut self, place: &Place, record: &PacketRecord, reference: PacketRef) {
        let Ok(packet) = Packet::parse(&record.octets) else {
            return;
        };
        let name = place.switch.as_deref().unwrap_or_default();
        let Some(question) = self.ledger.question(record.to, packet.identifier()) else {
            return;
        };
        let reply = Reply {
            flaw: self.flaw(name, &question.authenticator, question.sealed, &packet),
            packet,
            reference,
        };
        self.ledger
            .answered_otherwise(record.to.ip(), record.at, question, &reply);
    }

    /// Why the switch must drop an answer, as it left the bench.
    fn flaw(
        &self,
        name: &str,
        request: &[u8; 16],
        sealed: bool,
        reply: &Packet<'_>,
    ) -> Option<Flaw> {
        let secret = &self.facts.switch(name)?.secret;
        if !sign::response_is_authentic(reply, request, secret) {
            return Some(Flaw::Authenticator);
        }
        match sign::check_message_authenticator(reply, Some(request), secret) {
            MessageAuthenticator::Right => None,
            MessageAuthenticator::Wrong => Some(Flaw::Seal),
            MessageAuthenticator::Absent if reply.first(a::EAP_MESSAGE).is_some() => {
                Some(Flaw::Seal)
            }
            MessageAuthenticator::Absent => sealed.then_some(Flaw::Unsealed),
        }
    }

    /// A change left.
    fn change(&mut self, entry: &Entry, record: &PacketRecord, reference: PacketRef) {
        let Ok(packet) = Packet::parse(&record.octets) else {
            return;
        };
        let switch = record.to.ip();
        let moment = Moment {
            at: record.at,
            packet: reference,
        };
        self.sendings.changed(switch, record.at);
        self.ledger.give_state(switch, &packet);
        let track = self.ledger.changed_of(switch, entry.place.mac, &packet);
        if let Some(track) = track {
            self.ledger.ordered(track, record.at);
        }
        let exchange = Exchange {
            order: entry.place.order,
            kind: entry.place.change,
            octets: record.octets.clone(),
            first: moment,
            last: moment,
            sent: 1,
            track,
            answer: None,
        };
        self.exchanges
            .sent(record.to, packet.identifier(), exchange);
    }

    /// A switch answered a change.
    fn answer(&mut self, entry: &Entry, record: &PacketRecord, reference: PacketRef) {
        let packet = Packet::parse(&record.octets).ok();
        let spot = Spot {
            at: record.at,
            switch: entry.place.switch.as_deref().unwrap_or_default(),
            port: entry.place.port.as_deref(),
            mac: entry.place.mac,
            packet: Some(reference),
        };
        if spot.switch.is_empty() {
            return;
        }
        stray(&mut self.collected, &spot, entry, record.link, packet);
        let Some(packet) = packet.filter(|_| !UNREADABLE.contains(&entry.verdict.as_str())) else {
            return;
        };
        packeted(&mut self.collected, &spot, packet);
        let Some(exchange) = self.exchanges.of(record.from, packet.identifier()).cloned() else {
            return;
        };
        let Ok(request) = Packet::parse(&exchange.octets) else {
            return;
        };
        let answered = Answered {
            at: record.at,
            packet,
            request,
            exchange: &exchange,
            track: exchange.track.and_then(|id| self.ledger.track(id)),
        };
        apply(&mut self.collected, &spot, |check| match check {
            Check::Answered(run) => run(&answered),
            _ => None,
        });
        let moment = Moment {
            at: record.at,
            packet: reference,
        };
        self.exchanges
            .answered(record.from, packet.identifier(), moment, packet.bytes());
        if let Some(track) = exchange.track.filter(|_| exchange.answer.is_none()) {
            self.settle_change(track, &exchange, moment, &packet, &request);
        }
    }

    /// What the first answer to a change obliges the switch to.
    fn settle_change(
        &mut self,
        track: u64,
        exchange: &Exchange,
        moment: Moment,
        packet: &Packet<'_>,
        request: &Packet<'_>,
    ) {
        let cause = packet.integer(a::ERROR_CAUSE).map(ErrorCause);
        let done = match (packet.code(), exchange.kind) {
            (Code::DISCONNECT_ACK, Some(ChangeKind::Bounce)) => Some(ChangeKind::Bounce),
            (Code::DISCONNECT_ACK, _) => Some(ChangeKind::Disconnect),
            (Code::COA_ACK, kind) => kind,
            (Code::COA_NAK, _) if cause == Some(ErrorCause::REQUEST_INITIATED) => {
                Some(ChangeKind::Reauth)
            }
            _ => None,
        };
        if let Some(kind) = done {
            let when = (exchange.first.at, moment);
            self.ledger.acknowledged(track, kind, when, request);
        } else if cause == Some(ErrorCause::SESSION_CONTEXT_NOT_FOUND) {
            self.ledger.denied(track, exchange.first.at, moment);
        }
    }

    /// A change was given up.
    fn unanswered(&mut self, entry: &Entry) {
        let Some(exchange) = entry
            .place
            .order
            .and_then(|order| self.exchanges.of_order(order))
        else {
            return;
        };
        let spot = Spot {
            at: entry.at,
            switch: entry.place.switch.as_deref().unwrap_or_default(),
            port: entry.place.port.as_deref(),
            mac: entry.place.mac,
            packet: Some(exchange.first.packet),
        };
        let what = format!("{} transmissions, no answer", exchange.sent);
        apply(&mut self.collected, &spot, |check| match check {
            Check::Missed(Duty::Answer) => Some(Remark::new(what.clone())),
            _ => None,
        });
    }

    /// Looks at the settings of a switch entry once, when the switch is first heard of.
    fn look_at_settings(&mut self, spot: &Spot<'_>) {
        let Some(facts) = self.facts.switch(spot.switch) else {
            return;
        };
        if !self.known.insert(spot.switch.to_owned()) {
            return;
        }
        let spot = Spot {
            at: spot.at,
            switch: spot.switch,
            port: None,
            mac: None,
            packet: None,
        };
        apply(&mut self.collected, &spot, |check| match check {
            Check::Switch(run) => run(facts),
            _ => None,
        });
    }
}

/// From this entry on the bench may not have seen what a switch did before: it has just come up,
/// or a fault went on or off.
fn begins_blind(entry: &Entry) -> bool {
    entry.kind == Kind::Fault || (entry.kind == Kind::Desk && entry.verdict == "started")
}

fn apply(collected: &mut Collected, spot: &Spot<'_>, run: impl Fn(Check) -> Option<Remark>) {
    for rule in rules() {
        if let Some(remark) = run(rule.check) {
            collected.add(rule, spot, remark);
        }
    }
}

fn stray(
    collected: &mut Collected,
    spot: &Spot<'_>,
    entry: &Entry,
    link: Link,
    packet: Option<Packet<'_>>,
) {
    if !entry.verdict.starts_with("dropped") {
        return;
    }
    let stray = Stray {
        verdict: &entry.verdict,
        reason: &entry.reason,
        link,
        packet,
    };
    apply(collected, spot, |check| match check {
        Check::Stray(run) => run(&stray),
        _ => None,
    });
}

fn packeted(collected: &mut Collected, spot: &Spot<'_>, packet: Packet<'_>) {
    let packeted = Packeted { packet };
    apply(collected, spot, |check| match check {
        Check::Packet(run) => run(&packeted),
        _ => None,
    });
}

fn missed(collected: &mut Collected, owed: &Owed, track: &Track) {
    let spot = Spot {
        at: owed.due,
        switch: &track.name,
        port: track.port.as_deref(),
        mac: track.mac,
        packet: Some(owed.cause),
    };
    let within = seconds(read::between(owed.since, owed.due));
    let what = match owed.duty {
        Duty::Start => format!("accepted, and no Start within {within}"),
        Duty::StopOfReplaced => {
            format!(
                "a new session of the device began, and no Stop of the one before within {within}"
            )
        }
        Duty::Interim => format!("no interim update and no Stop within {within}"),
        Duty::Reauthentication => format!("neither a request nor a Stop within {within}"),
        Duty::End => format!("the session goes on after {within}"),
        Duty::StopAfterDisconnect => format!("acknowledged, and no Stop within {within}"),
        Duty::DropAfterBounce => {
            format!("acknowledged, and neither a Stop nor a request within {within}")
        }
        Duty::RequestAfterReauth => format!("acknowledged, and no request within {within}"),
        Duty::Answer => format!("no answer within {within}"),
    };
    apply(collected, &spot, |check| match check {
        Check::Missed(duty) if duty == owed.duty => Some(Remark::new(what.clone())),
        _ => None,
    });
}
