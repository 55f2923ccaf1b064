//! The engine of the change client.

use std::collections::{BTreeMap, VecDeque};
use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::sync::Arc;
use std::time::Duration;

use jiff::Timestamp;
use rand::RngCore;

use super::answer;
use super::flap::FlapGuard;
use super::flight::{Job, Slot, Stage};
use super::identifiers::Identifiers;
use super::later;
use super::order::{Order, OrderId, OrderRefused, Origin, Outcome};
use super::request::{Request, Unspellable};
use super::turn::{Turn, place, seconds};
use crate::bench::{Bench, ChangeKind, Switch};
use crate::journal::{Direction, Link, PacketRecord};
use crate::roster::{Effects, Roster, Session};
use crate::wire::{Code, Packet};

/// How many outcomes are kept for callers that have not asked yet.
const OUTCOMES: usize = 1024;

/// The change client.
///
/// One change of a session is under way at a time. An order that still waits to be sent gives way
/// to a newer one. Once it is sent, a newer recognition is queued, the newest of several, and any
/// other order is refused: a person or script can order again, a recognition does not come again.
#[derive(Debug, Clone)]
pub struct Changer {
    pub(super) bench: Arc<Bench>,
    local: SocketAddr,
    pub(super) slots: BTreeMap<u64, Slot>,
    pub(super) settling: BTreeMap<u64, Settling>,
    pub(super) identifiers: Identifiers,
    flaps: FlapGuard,
    outcomes: VecDeque<(OrderId, Outcome)>,
    last_order: OrderId,
}

/// A session after a change that makes its device come anew.
#[derive(Debug, Clone)]
pub(super) struct Settling {
    pub(super) job: Job,
    /// Class of the session when the switch answered.
    pub(super) class: String,
    pub(super) until: Timestamp,
}

/// What becomes of an order that may be taken.
enum Considered {
    /// A new order, done as this change.
    New(ChangeKind),
    /// The order that is under way and wants the same.
    Like(OrderId),
}

impl Changer {
    /// A client with nothing under way.
    #[must_use]
    pub fn new(bench: Arc<Bench>) -> Changer {
        Changer {
            bench,
            local: SocketAddr::new(IpAddr::V4(Ipv4Addr::UNSPECIFIED), 0),
            slots: BTreeMap::new(),
            settling: BTreeMap::new(),
            identifiers: Identifiers::default(),
            flaps: FlapGuard::default(),
            outcomes: VecDeque::new(),
            last_order: 0,
        }
    }

    /// Tells the address of the socket for changes; packets in the journal show it.
    pub fn set_local(&mut self, local: SocketAddr) {
        self.local = local;
    }

    /// Puts a new bench in force. Requests in flight keep the secret they were signed with.
    pub fn reload(&mut self, bench: Arc<Bench>) {
        self.bench = bench;
    }

    /// Takes an order. An automatic one whose like is under way, or was acknowledged a moment
    /// ago, gets that order's number. The effects stand either way: a refusal leaves its journal
    /// entry in them.
    pub fn order(
        &mut self,
        now: Timestamp,
        roster: &mut Roster,
        order: Order,
        rng: &mut dyn RngCore,
    ) -> (Result<OrderId, OrderRefused>, Effects) {
        let mut turn = Turn::new(now, roster, rng);
        let mut place = turn
            .roster
            .sessions()
            .get(order.session)
            .map(place)
            .unwrap_or_default();
        place.session = Some(order.session);
        place.change = Some(order.kind);
        let result = match self.consider(&turn, &order) {
            Ok(Considered::Like(like)) => Ok(like),
            Ok(Considered::New(kind)) => {
                self.last_order += 1;
                let job = Job::new(self.last_order, order, place);
                self.put(&mut turn, job, kind);
                Ok(self.last_order)
            }
            Err(refused) => {
                turn.note(&place, refused.verdict(), refused.to_string());
                Err(refused)
            }
        };
        (result, turn.effects)
    }

    /// A datagram that arrived on the socket for changes.
    pub fn handle(
        &mut self,
        now: Timestamp,
        roster: &mut Roster,
        peer: SocketAddr,
        datagram: &[u8],
        rng: &mut dyn RngCore,
    ) -> Effects {
        let mut turn = Turn::new(now, roster, rng);
        let record = PacketRecord {
            at: now,
            direction: Direction::In,
            link: Link::Change,
            from: peer,
            to: self.local,
            octets: datagram.to_vec(),
        };
        match Packet::parse(datagram) {
            Ok(packet) => self.packet(&mut turn, &packet, record),
            Err(malformed) => {
                let switch = self.switch_name(peer.ip());
                turn.note_stray(switch, "dropped-malformed", malformed.to_string(), record);
            }
        }
        turn.effects
    }

    /// When [`Changer::tick`] wants to be called next.
    #[must_use]
    pub fn next_deadline(&self) -> Option<Timestamp> {
        self.slots.values().map(Slot::due).min()
    }

    /// Sends what is due, again or for the first time, and gives up what got no answer.
    pub fn tick(&mut self, now: Timestamp, roster: &mut Roster, rng: &mut dyn RngCore) -> Effects {
        let mut turn = Turn::new(now, roster, rng);
        let due: Vec<u64> = self
            .slots
            .iter()
            .filter(|(_, slot)| slot.due() <= now)
            .map(|(session, _)| *session)
            .collect();
        for session in due {
            let Some(Slot { job, stage, queued }) = self.slots.remove(&session) else {
                continue;
            };
            match stage {
                Stage::Waiting(_) => self.send(&mut turn, job, queued),
                Stage::InFlight(flight) => self.repeat(&mut turn, job, flight, queued),
            }
        }
        turn.effects
    }

    /// How an order ended; `None` while it is under way. The last 1024 are kept.
    #[must_use]
    pub fn outcome(&self, order: OrderId) -> Option<&Outcome> {
        self.outcomes
            .iter()
            .rev()
            .find(|(id, _)| *id == order)
            .map(|(_, outcome)| outcome)
    }

    /// Whether an order may be taken, and as what.
    fn consider(&mut self, turn: &Turn<'_>, order: &Order) -> Result<Considered, OrderRefused> {
        let session = turn.live(order.session)?;
        let kind = self.spellable(session, order)?;
        let slot = self.slots.get(&session.id);
        if !order.origin.is_automatic() {
            return match slot.filter(|slot| slot.in_flight().is_some()) {
                Some(Slot { job, .. }) => Err(OrderRefused::InFlight {
                    kind: job.kind,
                    order: job.id,
                }),
                None => Ok(Considered::New(kind)),
            };
        }
        let newest = slot.map(|slot| slot.queued.as_ref().unwrap_or(&slot.job));
        if let Some(like) = newest.filter(|job| job.wants_the_same(order)) {
            return Ok(Considered::Like(like.id));
        }
        if slot.is_none()
            && let Some(job) = self.settling_job(turn.now, session)
        {
            return if job.wants_the_same(order) {
                Ok(Considered::Like(job.id))
            } else {
                Err(OrderRefused::Settling {
                    kind: job.kind,
                    order: job.id,
                })
            };
        }
        if let Some(mac) = session.mac {
            self.flaps.check(turn.now, mac, &self.bench.changes)?;
        }
        Ok(Considered::New(kind))
    }

    /// The change that can be spelt for an order: the ordered one, or for a class's change that
    /// the dialect lacks, its first fallback. Who asks for one change gets that or none.
    fn spellable(&self, session: &Session, order: &Order) -> Result<ChangeKind, OrderRefused> {
        let switch = self.declared(session)?;
        let to_class = order.to_class.as_deref();
        match Request::spell(&self.bench, switch, session, order.kind, to_class) {
            Ok(_) => Ok(order.kind),
            Err(lacking @ Unspellable::Kind { .. }) if order.origin.is_automatic() => self
                .substitute(switch, session, order, &[order.kind])
                .ok_or(lacking.into()),
            Err(unspellable) => Err(unspellable.into()),
        }
    }

    /// What to try in place of the changes that were tried: each of the dialect's list once. An
    /// order by hand does not end in a bounce that nobody was cautioned about.
    pub(super) fn substitute(
        &self,
        switch: &Switch,
        session: &Session,
        order: &Order,
        tried: &[ChangeKind],
    ) -> Option<ChangeKind> {
        let to_class = order.to_class.as_deref();
        switch.dialect.fallback.iter().copied().find(|kind| {
            let unannounced = order.origin == Origin::Hand && *kind == ChangeKind::Bounce;
            !unannounced
                && !tried.contains(kind)
                && Request::spell(&self.bench, switch, session, *kind, to_class).is_ok()
        })
    }

    /// The change after which a session's device is on its way to come anew.
    fn settling_job(&mut self, now: Timestamp, session: &Session) -> Option<&Job> {
        self.settling.retain(|_, settling| settling.until > now);
        self.settling
            .get(&session.id)
            .filter(|settling| settling.class == session.class)
            .map(|settling| &settling.job)
    }

    /// Puts a new job into its session's slot, to be done as `kind`.
    fn put(&mut self, turn: &mut Turn<'_>, mut job: Job, kind: ChangeKind) {
        if let (true, Some(mac)) = (job.order.origin.is_automatic(), job.place.mac) {
            self.flaps.count(turn.now, mac, job.id);
        }
        let delay = self.delay(&job);
        let mut due = later(turn.now, delay);
        let slot = self.slots.remove(&job.order.session);
        let mut reason = job.order.reason.clone();
        match &slot {
            Some(Slot {
                job: first,
                stage: Stage::InFlight(_),
                ..
            }) => {
                reason = format!("{reason}; follows order {}", first.id);
            }
            _ if delay.is_zero() => {}
            _ => reason = format!("{reason}; waits {} first", seconds(delay)),
        }
        turn.note(&job.place, "ordered", reason);
        if kind != job.kind {
            job.turn_to(kind);
            let reason = format!("the dialect has no {}: {kind} in its place", job.order.kind);
            turn.note(&job.place, "fell-back", reason);
        }
        match slot {
            Some(mut slot) if slot.in_flight().is_some() => {
                let (id, session) = (job.id, job.order.session);
                if let Some(older) = slot.queued.replace(job) {
                    self.supersede(turn, &older, id);
                }
                self.slots.insert(session, slot);
            }
            Some(slot) => {
                // The older deadline holds: sightings in quick succession would put it off for
                // ever.
                due = due.min(slot.due());
                self.supersede(turn, &slot.job, job.id);
                self.start(turn, job, due, slot.queued);
            }
            None => self.start(turn, job, due, None),
        }
    }

    /// Sends a job when it is due.
    pub(super) fn start(
        &mut self,
        turn: &mut Turn<'_>,
        job: Job,
        due: Timestamp,
        queued: Option<Job>,
    ) {
        if due <= turn.now {
            self.send(turn, job, queued);
        } else {
            let stage = Stage::Waiting(due);
            self.slots
                .insert(job.order.session, Slot { job, stage, queued });
        }
    }

    fn supersede(&mut self, turn: &mut Turn<'_>, job: &Job, by: OrderId) {
        let reason = format!("order {by} takes its place");
        self.drop_job(turn, job, "dropped-superseded", reason);
    }

    /// Ends a job of which nothing was sent, or nothing since its last refusal.
    pub(super) fn drop_job(
        &mut self,
        turn: &mut Turn<'_>,
        job: &Job,
        verdict: &str,
        reason: String,
    ) {
        turn.note(&job.place, verdict, reason.clone());
        if let (false, Some(mac)) = (job.sent, job.place.mac) {
            self.flaps.withdraw(mac, job.id);
        }
        self.keep_outcome(job.id, Outcome::Dropped { reason });
    }

    pub(super) fn keep_outcome(&mut self, order: OrderId, outcome: Outcome) {
        if self.outcomes.len() >= OUTCOMES {
            self.outcomes.pop_front();
        }
        self.outcomes.push_back((order, outcome));
    }

    pub(super) fn delay(&self, job: &Job) -> Duration {
        if job.order.origin.is_automatic() {
            self.bench.changes.delay
        } else {
            Duration::ZERO
        }
    }

    /// The declared switch of a session: changes go nowhere else.
    pub(super) fn declared(&self, session: &Session) -> Result<&Arc<Switch>, OrderRefused> {
        self.bench
            .switch_of(session.address)
            .ok_or(OrderRefused::NotDeclared(session.address))
    }

    /// A packet that goes out now.
    pub(super) fn outgoing(&self, now: Timestamp, to: SocketAddr, octets: &[u8]) -> PacketRecord {
        PacketRecord {
            at: now,
            direction: Direction::Out,
            link: Link::Change,
            from: self.local,
            to,
            octets: octets.to_vec(),
        }
    }

    fn packet(&mut self, turn: &mut Turn<'_>, packet: &Packet<'_>, record: PacketRecord) {
        let asked = |slot: &Slot| {
            slot.in_flight().is_some_and(|flight| {
                flight.to == record.from && flight.identifier == packet.identifier()
            })
        };
        let Some(session) = self
            .slots
            .iter()
            .find_map(|(session, slot)| asked(slot).then_some(*session))
        else {
            let (verdict, reason) = self.stray(turn.now, packet, record.from);
            let switch = self.switch_name(record.from.ip());
            turn.note_stray(switch, verdict, reason, record);
            return;
        };
        let Some(Slot {
            job,
            stage: Stage::InFlight(flight),
            queued,
        }) = self.slots.remove(&session)
        else {
            return;
        };
        let secret = &flight.switch.change_secret;
        match answer::read(packet, &flight.request, &flight.authenticator, secret) {
            Ok(answer) => self.answered(turn, job, &flight, queued, answer, record),
            Err(unusable) => {
                let breach = Some(unusable.breach());
                let reason = unusable.to_string();
                turn.note_packet(&job.place, unusable.verdict(), reason, record, breach);
                let stage = Stage::InFlight(flight);
                self.slots.insert(session, Slot { job, stage, queued });
            }
        }
    }

    fn stray(
        &self,
        now: Timestamp,
        packet: &Packet<'_>,
        peer: SocketAddr,
    ) -> (&'static str, String) {
        let identifier = packet.identifier();
        if !matches!(
            packet.code(),
            Code::COA_ACK | Code::COA_NAK | Code::DISCONNECT_ACK | Code::DISCONNECT_NAK
        ) {
            let code = packet.code();
            let reason = format!("{code} is no answer to a change, and this socket takes no other");
            ("dropped-wrong-code", reason)
        } else if self.identifiers.was_used(now, peer, identifier) {
            let reason = format!("no answer to identifier {identifier} is awaited any more");
            ("dropped-late-answer", reason)
        } else if self.switch_name(peer.ip()).is_none() {
            let reason = format!("{} is no declared switch", peer.ip());
            ("dropped-unknown-switch", reason)
        } else {
            let reason = format!("nothing with identifier {identifier} was sent to {peer}");
            ("dropped-unexpected-answer", reason)
        }
    }

    fn switch_name(&self, address: IpAddr) -> Option<&str> {
        self.bench.switch_of(address).map(|switch| &*switch.name)
    }
}
