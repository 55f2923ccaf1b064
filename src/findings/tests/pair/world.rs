//! A network between engine and stand-in, and a clock that jumps from event to event.

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use jiff::{SignedDuration, Timestamp};
use rand::rngs::StdRng;
use rand::{Rng as _, SeedableRng as _};

use super::bench::SWITCH;
use crate::bench::{Bench, ChangeKind};
use crate::fault::{Fault, FaultKind, PacketKind, Scope};
use crate::findings::{Auditor, BenchFacts};
use crate::journal::Link;
use crate::roster::{Effects, Roster};
use crate::serve::{Engine, Target, eap_settings};
use crate::stand_in::config::{MethodOrder, Server};
use crate::stand_in::{DeviceConfig, Outputs, Socket, StandIn, StandInConfig};
use crate::wire::{Mac, Packet, Secret};

const BEGIN: Timestamp = Timestamp::constant(1_767_225_600, 0);
const LATENCY: Duration = Duration::from_millis(1);

/// Which datagrams of the bench get lost, by link, octets and time since the beginning.
pub(super) type Loss = fn(Link, &Packet<'_>, Duration) -> bool;

pub(super) struct World {
    pub(super) switch: StandIn,
    engine: Engine,
    auditor: Auditor,
    now: Timestamp,
    flights: BTreeMap<(Timestamp, u64), Flight>,
    flown: u64,
    entries: u64,
    /// Loses what it says true to.
    pub(super) loses: Loss,
    /// How long answers to changes are under way.
    pub(super) slow_answers: Duration,
    /// A network that loses, doubles and reorders.
    pub(super) storm: Option<Storm>,
}

/// How bad a network is.
pub(super) struct Storm {
    /// What it draws from.
    pub(super) rng: StdRng,
    /// Part of the datagrams that it loses.
    pub(super) loses: f64,
    /// Part that it doubles.
    pub(super) doubles: f64,
    /// Longest way, milliseconds.
    pub(super) latency: u64,
}

#[derive(Clone)]
enum Flight {
    ToBench(Link, SocketAddr, Vec<u8>),
    ToSwitch(Socket, SocketAddr, Vec<u8>),
}

/// A switch of twelve ports that only does MAC authentication, with these devices.
pub(super) fn config(devices: Vec<DeviceConfig>) -> StandInConfig {
    let server = Server {
        authentication: bench_at(Link::Authentication),
        accounting: bench_at(Link::Accounting),
        secret: Secret::new("lantern-quay-radius-one"),
    };
    let mut config = StandInConfig::new(SWITCH, server);
    config.address = "192.0.2.3".parse().unwrap();
    config.ports.count = 12;
    config.ports.order = MethodOrder::MacOnly;
    config.changes.secret = Some(Secret::new("lantern-quay-changes-two"));
    config.devices = devices;
    config
}

fn bench_at(link: Link) -> SocketAddr {
    let port = match link {
        Link::Authentication => 1812,
        Link::Accounting => 1813,
        Link::Change => 49_154,
        Link::Dhcp => 6767,
    };
    SocketAddr::new([192, 0, 2, 10].into(), port)
}

fn switch_at(socket: Socket) -> SocketAddr {
    let port = match socket {
        Socket::Authentication => 49_152,
        Socket::Accounting => 49_153,
        Socket::Change => 3799,
        Socket::Dhcp => 67,
    };
    SocketAddr::new([192, 0, 2, 3].into(), port)
}

fn link_of(socket: Socket) -> Link {
    match socket {
        Socket::Authentication => Link::Authentication,
        Socket::Accounting => Link::Accounting,
        Socket::Change => Link::Change,
        Socket::Dhcp => Link::Dhcp,
    }
}

impl World {
    pub(super) fn new(bench: Arc<Bench>, config: StandInConfig) -> World {
        let facts = BenchFacts::of(&bench).with_port_limit(SWITCH, config.ports.limit);
        let eap = eap_settings::read(bench.eap.as_ref()).unwrap();
        let rng = Box::new(StdRng::seed_from_u64(5));
        let mut engine = Engine::new(bench, Roster::default(), rng);
        engine.set_change_address(bench_at(Link::Change));
        engine.offer_eap(eap);
        let mut world = World {
            switch: StandIn::new(config, 5).unwrap(),
            engine,
            auditor: Auditor::new(facts),
            now: BEGIN,
            flights: BTreeMap::new(),
            flown: 0,
            entries: 0,
            loses: |_, _, _| false,
            slow_answers: Duration::ZERO,
            storm: None,
        };
        world.act(StandIn::start);
        world
    }

    pub(super) fn run(&mut self, seconds: u64) {
        let end = self.now + SignedDuration::from_secs(seconds as i64);
        for _ in 0..1_000_000 {
            let next = [
                self.flights.keys().next().map(|(at, _)| *at),
                self.engine.next_deadline(),
                self.switch.next_deadline(),
            ];
            let next = next.into_iter().flatten().min();
            let Some(next) = next.filter(|next| *next <= end) else {
                self.now = end;
                self.auditor.advance(end);
                return;
            };
            self.now = self.now.max(next);
            self.happen();
        }
        panic!("bench and switch go round in circles");
    }

    /// Names of the rules that were broken so far.
    pub(super) fn found(&self) -> Vec<(&'static str, String)> {
        let findings = self.auditor.findings();
        findings
            .iter()
            .map(|found| (found.rule.id, found.examples[0].what.clone()))
            .collect()
    }

    pub(super) fn act(&mut self, act: impl FnOnce(&mut StandIn, Timestamp) -> Outputs) {
        let outputs = act(&mut self.switch, self.now);
        self.let_out_of_switch(outputs);
    }

    pub(super) fn plug(&mut self, port: &str, device: &str) {
        self.act(|switch, now| switch.plug(now, port, device).unwrap());
    }

    pub(super) fn unplug(&mut self, device: &str) {
        self.act(|switch, now| switch.unplug(now, device).unwrap());
    }

    /// A change; nothing for a device that its switch's faults keep out.
    pub(super) fn change(&mut self, mac: Mac, kind: ChangeKind) {
        let (_, effects) = self
            .engine
            .change(self.now, &Target::Mac(mac), kind, "by the test");
        self.let_out_of_bench(effects);
    }

    pub(super) fn pin(&mut self, mac: Mac, class: &str) {
        let effects = self.engine.pin(self.now, mac, class, None).unwrap();
        self.let_out_of_bench(effects);
    }

    pub(super) fn fault(&mut self, kind: FaultKind, packet: PacketKind) {
        let fault = Fault {
            kind,
            scope: Scope {
                packet: Some(packet),
                ..Scope::default()
            },
            times: Some(1),
        };
        let (_, effects) = self.engine.start_fault(self.now, fault);
        self.let_out_of_bench(effects);
    }

    fn happen(&mut self) {
        while let Some(entry) = self.flights.first_entry() {
            if entry.key().0 > self.now {
                break;
            }
            match entry.remove() {
                Flight::ToBench(link, from, octets) => {
                    let local = bench_at(link);
                    let effects = self.engine.datagram(self.now, link, local, from, &octets);
                    self.let_out_of_bench(effects);
                }
                Flight::ToSwitch(socket, from, octets) => {
                    let outputs = self.switch.handle(self.now, socket, from, &octets);
                    self.let_out_of_switch(outputs);
                }
            }
        }
        let due = |deadline: Option<Timestamp>, now| deadline.is_some_and(|due| due <= now);
        if due(self.switch.next_deadline(), self.now) {
            self.act(StandIn::tick);
        }
        if due(self.engine.next_deadline(), self.now) {
            let effects = self.engine.tick(self.now);
            self.let_out_of_bench(effects);
        }
    }

    fn let_out_of_switch(&mut self, outputs: Outputs) {
        for transmit in outputs.transmits {
            let link = link_of(transmit.socket);
            let from = switch_at(transmit.socket);
            let slow = if link == Link::Change {
                self.slow_answers
            } else {
                Duration::ZERO
            };
            self.fly(slow, Flight::ToBench(link, from, transmit.octets));
        }
    }

    fn let_out_of_bench(&mut self, effects: Effects) {
        for mut entry in effects.entries {
            self.entries += 1;
            entry.seq = self.entries;
            self.auditor.see(&entry);
        }
        for transmit in effects.transmits {
            let lost = Packet::parse(&transmit.octets).is_ok_and(|packet| {
                let since = self.now.duration_since(BEGIN).unsigned_abs();
                (self.loses)(transmit.link, &packet, since)
            });
            let socket = match transmit.link {
                Link::Authentication => Socket::Authentication,
                Link::Accounting => Socket::Accounting,
                _ => Socket::Change,
            };
            if !lost {
                let from = bench_at(transmit.link);
                self.fly(
                    Duration::ZERO,
                    Flight::ToSwitch(socket, from, transmit.octets),
                );
            }
        }
    }

    fn fly(&mut self, late: Duration, flight: Flight) {
        let Some(storm) = &mut self.storm else {
            self.take_off(LATENCY + late, flight);
            return;
        };
        let lost = storm.rng.random_bool(storm.loses);
        let doubled = storm.rng.random_bool(storm.doubles);
        let mut way = || Duration::from_millis(storm.rng.random_range(1..=storm.latency));
        let (first, second) = (way(), way());
        if !lost {
            self.take_off(first + late, flight.clone());
        }
        if doubled {
            self.take_off(second + late, flight);
        }
    }

    fn take_off(&mut self, way: Duration, flight: Flight) {
        self.flown += 1;
        let arrival = self.now + SignedDuration::try_from(way).unwrap();
        self.flights.insert((arrival, self.flown), flight);
    }
}
