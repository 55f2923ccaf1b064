//! The simulated world: bench and stand-in as a pair, a network between them, and a clock that
//! jumps from one event to the next.

use std::collections::BTreeMap;
use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::sync::Arc;

use jiff::Timestamp;
use rand::rngs::StdRng;
use rand::{Rng as _, SeedableRng as _};

use super::load::Loaded;
use super::observe::Observation;
use super::run::{Next, Outcome, Run};
use super::script::{Network, Step};
use super::stage::{self, BenchAt, StageError};
use crate::journal::{Entry, Link};
use crate::roster::{Effects, Roster};
use crate::serve::Engine;
use crate::stand_in::{Outputs, Socket, StandIn};

/// A world that does more steps than this at one moment goes round in circles.
const MOST_STEPS_AT_ONCE: u32 = 100_000;
/// The day on which every simulated drill begins, so that two runs are the same to the octet.
const BEGIN: Timestamp = Timestamp::constant(1_767_225_600, 0);

/// Runs a drill in simulated time. The same seed gives the same outcome.
#[must_use]
pub fn run(loaded: &Loaded, seed: u64) -> Outcome {
    run_recorded(loaded, seed, |_| {})
}

/// The same; `record` is shown every journal entry.
#[must_use]
pub fn run_recorded(loaded: &Loaded, seed: u64, mut record: impl FnMut(&Entry)) -> Outcome {
    let mut run = Run::new(loaded, seed, BEGIN);
    let now = match World::new(loaded, seed, &mut record) {
        Ok(mut world) => world.play(&mut run),
        Err(error) => {
            run.abort(&error.to_string());
            BEGIN
        }
    };
    run.outcome(now)
}

struct World<'a> {
    loaded: &'a Loaded,
    now: Timestamp,
    engine: Engine,
    switch: StandIn,
    at: BenchAt,
    switch_at: IpAddr,
    change_port: u16,
    /// Datagrams under way, by arrival; the number keeps the order of those that arrive together.
    flights: BTreeMap<(Timestamp, u64), Flight>,
    flown: u64,
    entries: u64,
    open: bool,
    /// Chance on the way, apart from the chance in bench and switch.
    chance: StdRng,
    record: &'a mut dyn FnMut(&Entry),
}

#[derive(Clone)]
enum Flight {
    ToBench {
        link: Link,
        from: SocketAddr,
        octets: Vec<u8>,
    },
    ToSwitch {
        socket: Socket,
        from: SocketAddr,
        octets: Vec<u8>,
    },
}

impl<'a> World<'a> {
    fn new(
        loaded: &'a Loaded,
        seed: u64,
        record: &'a mut dyn FnMut(&Entry),
    ) -> Result<World<'a>, StageError> {
        let at = bench_at(loaded);
        let entry = loaded
            .bench
            .switch(&loaded.drill.switch.name)
            .ok_or_else(|| StageError::NoSwitch(loaded.drill.switch.name.clone()))?;
        let mut engine = Engine::new(
            Arc::clone(&loaded.bench),
            Roster::default(),
            Box::new(StdRng::seed_from_u64(seed)),
        );
        engine.set_change_address(at.change);
        let certificates = stage::certificates(loaded, BEGIN)?;
        if let Some(certificates) = &certificates {
            engine.offer_eap(Some(certificates.settings()?));
        }
        Ok(World {
            loaded,
            now: BEGIN,
            engine,
            switch: stage::stand_in(loaded, at, entry.change_port, certificates.as_ref(), seed)?,
            at,
            switch_at: entry.address.addr(),
            change_port: entry.change_port,
            flights: BTreeMap::new(),
            flown: 0,
            entries: 0,
            open: true,
            chance: StdRng::seed_from_u64(seed.rotate_left(32)),
            record,
        })
    }

    /// Goes on until the drill is over; returns when that was.
    fn play(&mut self, run: &mut Run) -> Timestamp {
        let started = self.switch.start(self.now);
        self.after_switch(run, started);
        let mut steps_now = 0;
        loop {
            match run.next(self.now) {
                Next::Done => return self.now,
                Next::Act(step) => {
                    if let Err(error) = self.act(run, &step) {
                        run.abort(&error.to_string());
                    }
                }
                Next::Wait(until) => {
                    let next = self.next_event().map_or(until, |event| event.min(until));
                    steps_now = if next > self.now { 0 } else { steps_now + 1 };
                    if steps_now > MOST_STEPS_AT_ONCE {
                        run.abort("bench and switch go round in circles without time passing");
                    }
                    self.now = next.max(self.now);
                    self.happen(run);
                }
            }
        }
    }

    fn next_event(&self) -> Option<Timestamp> {
        let arrival = self.flights.keys().next().map(|(at, _)| *at);
        [
            arrival,
            self.engine.next_deadline(),
            self.switch.next_deadline(),
        ]
        .into_iter()
        .flatten()
        .min()
    }

    /// Everything that is due now.
    fn happen(&mut self, run: &mut Run) {
        while let Some(entry) = self.flights.first_entry() {
            if entry.key().0 > self.now {
                break;
            }
            let flight = entry.remove();
            self.arrive(run, flight);
        }
        if self
            .switch
            .next_deadline()
            .is_some_and(|due| due <= self.now)
        {
            let outputs = self.switch.tick(self.now);
            self.after_switch(run, outputs);
        }
        if self
            .engine
            .next_deadline()
            .is_some_and(|due| due <= self.now)
        {
            let effects = self.engine.tick(self.now);
            self.after_bench(run, effects);
        }
    }

    fn arrive(&mut self, run: &mut Run, flight: Flight) {
        match flight {
            Flight::ToBench { link, from, octets } => {
                let local = self.bench_socket(link);
                let effects = self.engine.datagram(self.now, link, local, from, &octets);
                self.after_bench(run, effects);
            }
            Flight::ToSwitch {
                socket,
                from,
                octets,
            } => {
                let outputs = self.switch.handle(self.now, socket, from, &octets);
                self.after_switch(run, outputs);
            }
        }
    }

    fn act(&mut self, run: &mut Run, step: &Step) -> Result<(), StageError> {
        self.open = stage::open_after(step, self.open);
        if let Some(outputs) = stage::on_switch(&mut self.switch, self.now, step)? {
            self.after_switch(run, outputs);
            return Ok(());
        }
        let effects = stage::on_bench(&mut self.engine, self.now, self.loaded, step)?;
        self.after_bench(run, effects);
        Ok(())
    }

    fn after_switch(&mut self, run: &mut Run, outputs: Outputs) {
        for event in outputs.events {
            run.observe(Observation::of_event(&event));
        }
        for transmit in outputs.transmits {
            let (link, from) = match transmit.socket {
                Socket::Authentication => (Link::Authentication, self.switch_socket(49_152)),
                Socket::Accounting => (Link::Accounting, self.switch_socket(49_153)),
                Socket::Change => (Link::Change, self.switch_socket(self.change_port)),
                Socket::Dhcp => (Link::Dhcp, self.switch_socket(67)),
            };
            self.fly(Flight::ToBench {
                link,
                from,
                octets: transmit.octets,
            });
        }
    }

    fn after_bench(&mut self, run: &mut Run, effects: Effects) {
        for mut entry in effects.entries {
            self.entries += 1;
            entry.seq = self.entries;
            (self.record)(&entry);
            run.see(&entry);
        }
        for transmit in effects.transmits {
            let socket = match transmit.link {
                Link::Authentication => Socket::Authentication,
                Link::Accounting => Socket::Accounting,
                Link::Change => Socket::Change,
                Link::Dhcp => continue,
            };
            let from = self.bench_socket(transmit.link);
            self.fly(Flight::ToSwitch {
                socket,
                from,
                octets: transmit.octets,
            });
        }
    }

    fn fly(&mut self, flight: Flight) {
        if !self.open {
            return;
        }
        let network = self.loaded.drill.network.clone();
        if self.chance.random_bool(network.loss) {
            return;
        }
        if self.chance.random_bool(network.duplication) {
            self.arrive_later(&network, flight.clone());
        }
        self.arrive_later(&network, flight);
    }

    fn arrive_later(&mut self, network: &Network, flight: Flight) {
        let jitter = network.jitter.mul_f64(self.chance.random());
        let arrival = self
            .now
            .checked_add(network.latency.saturating_add(jitter))
            .unwrap_or(Timestamp::MAX);
        self.flown += 1;
        self.flights.insert((arrival, self.flown), flight);
    }

    fn bench_socket(&self, link: Link) -> SocketAddr {
        match link {
            Link::Authentication => self.at.authentication,
            Link::Accounting => self.at.accounting,
            Link::Change => self.at.change,
            Link::Dhcp => self.at.dhcp.unwrap_or(self.at.authentication),
        }
    }

    fn switch_socket(&self, port: u16) -> SocketAddr {
        SocketAddr::new(self.switch_at, port)
    }
}

/// The bench's own addresses; a wildcard is loopback in here.
fn bench_at(loaded: &Loaded) -> BenchAt {
    let listen = &loaded.bench.listen;
    let seen = |address: SocketAddr| {
        if address.ip().is_unspecified() {
            SocketAddr::new(IpAddr::V4(Ipv4Addr::LOCALHOST), address.port())
        } else {
            address
        }
    };
    let authentication = seen(listen.authentication);
    BenchAt {
        authentication,
        accounting: seen(listen.accounting),
        dhcp: listen.dhcp.map(seen),
        change: SocketAddr::new(authentication.ip(), 49_154),
    }
}
