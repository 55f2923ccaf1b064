//! The faults that are on, and what they do to the traffic.

use std::collections::VecDeque;
use std::net::SocketAddr;

use jiff::Timestamp;
use serde::Serialize;

use super::model::{Fault, FaultKind};
use super::resign::{as_reply_to, spoil};
use crate::bench::Bench;
use crate::journal::{Direction, Entry, Kind, Link, PacketRecord, Place};
use crate::roster::{Effects, Transmit};
use crate::wire::registry::attributes as a;
use crate::wire::{Code, Packet, Secret, sign};

/// Number of a fault, from 1 since the bench began.
pub type FaultId = u64;

/// How many packets wait for their time at the most; more are sent at once.
const MOST_HELD: usize = 1024;

/// How many spoilt changes may wait for their answer.
const MOST_RESIGNED: usize = 256;

/// A fault that is on.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Running {
    /// Its number.
    pub id: FaultId,
    /// What it is.
    pub fault: Fault,
    /// How often it acted.
    pub acted: u32,
}

/// The faults that are on.
#[derive(Debug, Clone, Default)]
pub struct Faults {
    running: Vec<Running>,
    last: FaultId,
    /// Late packets, by when they leave.
    held: VecDeque<(Timestamp, Transmit)>,
    /// A packet that waits for the next one to go first.
    overtaken: Option<Transmit>,
    /// The last challenge that a fault keeps repeating, by Calling-Station-Id's place.
    challenge: Vec<(Place, Vec<u8>)>,
    /// Changes that left with another authenticator than the change client signed.
    resigned: VecDeque<Resigned>,
}

/// A change as it was meant and as it was sent.
#[derive(Debug, Clone)]
struct Resigned {
    to: SocketAddr,
    identifier: u8,
    meant: [u8; 16],
    sent: [u8; 16],
}

impl Faults {
    /// The faults that are on.
    #[must_use]
    pub fn running(&self) -> &[Running] {
        &self.running
    }

    /// Switches a fault on.
    pub fn start(&mut self, now: Timestamp, fault: Fault) -> (FaultId, Effects) {
        self.last += 1;
        let reason = format!("{fault}: {}", fault.kind.expected());
        let effects = told(now, "on", reason, Place::default());
        self.running.push(Running {
            id: self.last,
            fault,
            acted: 0,
        });
        (self.last, effects)
    }

    /// Switches a fault off; `None` when no fault has that number.
    pub fn stop(&mut self, now: Timestamp, id: FaultId) -> Option<Effects> {
        let at = self.running.iter().position(|one| one.id == id)?;
        let ended = self.running.remove(at);
        Some(told(now, "off", off_reason(&ended), Place::default()))
    }

    /// Switches all of them off. What they held back leaves.
    pub fn stop_all(&mut self, now: Timestamp) -> Effects {
        let mut effects = Effects::default();
        for ended in std::mem::take(&mut self.running) {
            effects.extend(told(now, "off", off_reason(&ended), Place::default()));
        }
        effects.transmits.extend(self.overtaken.take());
        let held = std::mem::take(&mut self.held);
        effects
            .transmits
            .extend(held.into_iter().map(|(_, one)| one));
        effects
    }

    /// Whether a datagram that arrives is swallowed, with the entry that says so.
    pub fn swallow(&mut self, switch: Option<String>, packet: PacketRecord) -> Option<Effects> {
        let now = packet.at;
        let place = place_of(switch, &packet.octets);
        let dead = self.running.iter_mut().find(|one| {
            one.fault.kind == FaultKind::Dead && one.fault.scope.covers_place(&place)
        })?;
        dead.acted += 1;
        let reason = format!("swallowed as it arrived: {}", dead.fault.kind.expected());
        let mut effects = told(now, "acted-dead", reason, place);
        if let Some(entry) = effects.entries.first_mut() {
            entry.packets.push(packet);
        }
        self.end_spent();
        Some(effects)
    }

    /// The answer to a change that was sent anew with a fault in it, signed so that it answers the
    /// change that was meant; `None` for every other datagram.
    pub fn answer_to_spoilt(
        &self,
        bench: &Bench,
        peer: SocketAddr,
        octets: &[u8],
    ) -> Option<Vec<u8>> {
        let packet = Packet::parse(octets).ok()?;
        let known = self
            .resigned
            .iter()
            .rev()
            .find(|one| one.to == peer && one.identifier == packet.identifier())?;
        let secret = &bench.switch_of(peer.ip())?.change_secret;
        if !sign::response_is_authentic(&packet, &known.sent, secret) {
            return None;
        }
        as_reply_to(&packet, packet.identifier(), &known.meant, secret)
    }

    fn remember(&mut self, meant: &Transmit, left: &[Transmit]) {
        if meant.link != Link::Change {
            return;
        }
        let authenticator =
            |octets: &[u8]| Packet::parse(octets).ok().map(|one| *one.authenticator());
        for sent in left.iter().filter(|one| one.octets != meant.octets) {
            let (Some(before), Some(after)) =
                (authenticator(&meant.octets), authenticator(&sent.octets))
            else {
                continue;
            };
            if self.resigned.len() == MOST_RESIGNED {
                self.resigned.pop_front();
            }
            self.resigned.push_back(Resigned {
                to: meant.to,
                identifier: meant.octets.get(1).copied().unwrap_or_default(),
                meant: before,
                sent: after,
            });
        }
    }

    /// Spoils what leaves. Cheap while no fault is on.
    pub fn spoil(&mut self, now: Timestamp, bench: &Bench, effects: &mut Effects) {
        if self.running.is_empty() && self.overtaken.is_none() {
            return;
        }
        for transmit in std::mem::take(&mut effects.transmits) {
            let context = Context::of(&effects.entries, &transmit);
            let left = self.pass(now, bench, transmit, &context, &mut effects.entries);
            effects.transmits.extend(left);
        }
        self.end_spent();
    }

    /// When [`Faults::tick`] has something to send.
    #[must_use]
    pub fn next_deadline(&self) -> Option<Timestamp> {
        self.held.iter().map(|(due, _)| *due).min()
    }

    /// Lets the late packets go that are due.
    pub fn tick(&mut self, now: Timestamp) -> Effects {
        let mut effects = Effects::default();
        let (due, held): (VecDeque<_>, VecDeque<_>) = std::mem::take(&mut self.held)
            .into_iter()
            .partition(|(due, _)| *due <= now);
        self.held = held;
        effects
            .transmits
            .extend(due.into_iter().map(|(_, one)| one));
        effects
    }

    /// One packet on its way out: what leaves in its place.
    fn pass(
        &mut self,
        now: Timestamp,
        bench: &Bench,
        transmit: Transmit,
        context: &Context,
        entries: &mut Vec<Entry>,
    ) -> Vec<Transmit> {
        let Ok(packet) = Packet::parse(&transmit.octets) else {
            return vec![transmit];
        };
        let code = packet.code();
        let Some(at) = self.running.iter().position(|one| {
            one.fault.kind != FaultKind::Dead && one.fault.scope.covers(&context.place, code)
        }) else {
            return self.with_overtaken(vec![transmit]);
        };
        let Some(kind) = self.running.get(at).map(|one| one.fault.kind.clone()) else {
            return vec![transmit];
        };
        let secret = secret_of(bench, &transmit);
        let spoilt =
            secret.and_then(|secret| spoil(&kind, &packet, context.request.as_ref(), secret));
        let left = match (&kind, spoilt) {
            (FaultKind::Drop, _) => Vec::new(),
            (FaultKind::Duplicate, _) => vec![transmit.clone(), transmit.clone()],
            (FaultKind::Delay(by), _) if self.held.len() < MOST_HELD => {
                let due = now.checked_add(*by).unwrap_or(Timestamp::MAX);
                self.held.push_back((due, transmit.clone()));
                Vec::new()
            }
            (FaultKind::Reorder, _) if self.overtaken.is_none() => {
                self.overtaken = Some(transmit.clone());
                Vec::new()
            }
            (FaultKind::EndlessChallenge, _) => {
                match self.repeat_challenge(&context.place, &packet, context, secret) {
                    Some(octets) => vec![Transmit {
                        octets,
                        ..transmit.clone()
                    }],
                    None => return self.with_overtaken(vec![transmit]),
                }
            }
            (_, Some(octets)) => vec![Transmit {
                octets,
                ..transmit.clone()
            }],
            // The packet has nothing that this fault could spoil.
            (_, None) => return self.with_overtaken(vec![transmit]),
        };
        if let Some(one) = self.running.get_mut(at) {
            one.acted += 1;
        }
        self.remember(&transmit, &left);
        entries.push(acted(now, &kind, &context.place, &transmit, &left));
        self.with_overtaken(left)
    }

    fn with_overtaken(&mut self, mut left: Vec<Transmit>) -> Vec<Transmit> {
        if !left.is_empty() {
            left.extend(self.overtaken.take());
        }
        left
    }

    /// Keeps the first challenge of a place and answers everything after it with its attributes.
    fn repeat_challenge(
        &mut self,
        place: &Place,
        packet: &Packet<'_>,
        context: &Context,
        secret: Option<&Secret>,
    ) -> Option<Vec<u8>> {
        let known = self.challenge.iter().find(|(at, _)| at.mac == place.mac);
        if let Some((_, octets)) = known {
            let first = Packet::parse(octets).ok()?;
            return as_reply_to(
                &first,
                packet.identifier(),
                context.request.as_ref()?,
                secret?,
            );
        }
        if packet.code() == Code::ACCESS_CHALLENGE && self.challenge.len() < MOST_HELD {
            self.challenge
                .push((place.clone(), packet.bytes().to_vec()));
        }
        None
    }

    /// Lets faults go that have acted as often as they should.
    fn end_spent(&mut self) {
        self.running
            .retain(|one| one.fault.times.is_none_or(|times| one.acted < times));
        if !self
            .running
            .iter()
            .any(|one| one.fault.kind == FaultKind::EndlessChallenge)
        {
            self.challenge.clear();
        }
    }
}

/// What the journal knows of a packet that leaves.
struct Context {
    place: Place,
    request: Option<[u8; 16]>,
}

impl Context {
    fn of(entries: &[Entry], transmit: &Transmit) -> Context {
        let entry = entries.iter().find(|entry| {
            entry.packets.iter().any(|packet| {
                packet.direction == Direction::Out
                    && packet.to == transmit.to
                    && packet.octets == transmit.octets
            })
        });
        let request = entry.and_then(|entry| {
            let asked = entry
                .packets
                .iter()
                .find(|packet| packet.direction == Direction::In)?;
            Packet::parse(&asked.octets)
                .ok()
                .map(|packet| *packet.authenticator())
        });
        Context {
            place: entry.map(|entry| entry.place.clone()).unwrap_or_default(),
            request,
        }
    }
}

/// Where a datagram comes from, as far as its attributes say it.
fn place_of(switch: Option<String>, octets: &[u8]) -> Place {
    let packet = Packet::parse(octets).ok();
    let text = |kind| packet.and_then(|packet| packet.text(kind));
    Place {
        switch,
        port: text(a::NAS_PORT_ID).map(str::to_owned),
        mac: text(a::CALLING_STATION_ID).and_then(|text| text.parse().ok()),
        ..Place::default()
    }
}

fn secret_of<'b>(bench: &'b Bench, transmit: &Transmit) -> Option<&'b Secret> {
    let switch = bench.switch_of(transmit.to.ip())?;
    Some(match transmit.link {
        Link::Change => &switch.change_secret,
        _ => &switch.secret,
    })
}

fn off_reason(ended: &Running) -> String {
    format!("{} is over, it acted {} times", ended.fault, ended.acted)
}

fn acted(
    now: Timestamp,
    kind: &FaultKind,
    place: &Place,
    meant: &Transmit,
    left: &[Transmit],
) -> Entry {
    let what = match left {
        [] => "held back",
        [one] if one.octets == meant.octets => "sent as it was",
        [_] => "spoilt",
        _ => "sent more than once",
    };
    let mut entry = entry(
        now,
        &format!("acted-{}", kind.word()),
        format!("the packet was {what}: {}", kind.expected()),
        place.clone(),
    );
    entry.packets = left
        .iter()
        .map(|one| PacketRecord {
            at: now,
            direction: Direction::Out,
            link: one.link,
            // The journal's entry of the exchange has the bench's own address.
            from: SocketAddr::from(([0, 0, 0, 0], 0)),
            to: one.to,
            octets: one.octets.clone(),
        })
        .collect();
    entry
}

fn told(now: Timestamp, verdict: &str, reason: String, place: Place) -> Effects {
    Effects {
        entries: vec![entry(now, verdict, reason, place)],
        ..Effects::default()
    }
}

fn entry(now: Timestamp, verdict: &str, reason: String, place: Place) -> Entry {
    Entry {
        seq: 0,
        at: now,
        kind: Kind::Fault,
        verdict: verdict.to_owned(),
        reason,
        place,
        packets: Vec::new(),
        trace: None,
        breach: None,
    }
}
