//! Responder, change client, roster and sightings as one sans-IO engine.

use std::net::SocketAddr;
use std::sync::Arc;

use jiff::Timestamp;
use rand::RngCore;

use crate::bench::{Bench, ChangeKind};
use crate::change::{Changer, Order, OrderId, OrderRefused, Origin};
use crate::eap::Settings;
use crate::fault::{Fault, FaultId, Faults, Running};
use crate::journal::{Direction, Entry, Kind, Link, PacketRecord, Place};
use crate::respond::{self, Responder};
use crate::roster::{Device, Effects, Roster, Session};
use crate::sight::{self, NotASighting};
use crate::wire::Mac;

/// A bench at work, without sockets or clock.
pub struct Engine {
    bench: Arc<Bench>,
    roster: Roster,
    responder: Responder,
    changer: Changer,
    faults: Faults,
    rng: Box<dyn RngCore + Send>,
}

/// Which session a change by hand is meant for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Target {
    /// By our number.
    Session(u64),
    /// By address.
    Mac(Mac),
    /// By switch entry and port; the switch may be left out while only one has such a port.
    Port {
        /// Switch entry.
        switch: Option<String>,
        /// Port as the switch names it.
        port: String,
    },
}

/// Why a change by hand was not even ordered.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum TargetError {
    /// No live session there.
    #[error("no live session matches {0}; 'portproof sessions' lists those there are")]
    NoSession(String),
    /// More than one device on the port.
    #[error("{0} live sessions match; name one by --mac or --session ({1})")]
    Several(usize, String),
    /// The change client refused.
    #[error(transparent)]
    Refused(#[from] OrderRefused),
}

impl Engine {
    /// A bench with what the roster remembers.
    #[must_use]
    pub fn new(bench: Arc<Bench>, roster: Roster, rng: Box<dyn RngCore + Send>) -> Engine {
        Engine {
            responder: Responder::new(Arc::clone(&bench)),
            changer: Changer::new(Arc::clone(&bench)),
            bench,
            roster,
            faults: Faults::default(),
            rng,
        }
    }

    /// Tells where changes leave from, for the journal.
    pub fn set_change_address(&mut self, local: SocketAddr) {
        self.changer.set_local(local);
    }

    /// The bench in force.
    #[must_use]
    pub fn bench(&self) -> &Arc<Bench> {
        &self.bench
    }

    /// The roster, to read.
    #[must_use]
    pub fn roster(&self) -> &Roster {
        &self.roster
    }

    /// The change client, to ask for the outcome of an order.
    #[must_use]
    pub fn changer(&self) -> &Changer {
        &self.changer
    }

    /// One received datagram.
    pub fn datagram(
        &mut self,
        now: Timestamp,
        link: Link,
        local: SocketAddr,
        peer: SocketAddr,
        octets: &[u8],
    ) -> Effects {
        if let Some(swallowed) = self.swallow(now, link, local, peer, octets) {
            return swallowed;
        }
        let rng = &mut *self.rng;
        let effects = match link {
            Link::Authentication | Link::Accounting => {
                self.responder
                    .handle(now, &mut self.roster, link, local, peer, octets, rng)
            }
            Link::Change => {
                let meant = self.faults.answer_to_spoilt(&self.bench, peer, octets);
                let octets = meant.as_deref().unwrap_or(octets);
                self.changer
                    .handle(now, &mut self.roster, peer, octets, rng)
            }
            Link::Dhcp => self.dhcp(now, local, peer, octets),
        };
        self.spoilt(now, effects)
    }

    /// When [`Engine::tick`] wants to be called next.
    #[must_use]
    pub fn next_deadline(&self) -> Option<Timestamp> {
        [
            self.responder.next_deadline(),
            self.changer.next_deadline(),
            self.faults.next_deadline(),
        ]
        .into_iter()
        .flatten()
        .min()
    }

    /// Does what is due at `now`.
    pub fn tick(&mut self, now: Timestamp) -> Effects {
        let mut effects = self.responder.tick(now, &mut self.roster);
        effects.extend(self.changer.tick(now, &mut self.roster, &mut *self.rng));
        let mut effects = self.spoilt(now, effects);
        effects.extend(self.faults.tick(now));
        effects
    }

    /// The faults that are on.
    #[must_use]
    pub fn faults(&self) -> &[Running] {
        self.faults.running()
    }

    /// Switches a fault on.
    pub fn start_fault(&mut self, now: Timestamp, fault: Fault) -> (FaultId, Effects) {
        self.faults.start(now, fault)
    }

    /// Switches a fault off; `None` when no fault has that number.
    pub fn stop_fault(&mut self, now: Timestamp, id: FaultId) -> Option<Effects> {
        self.faults.stop(now, id)
    }

    /// Switches every fault off.
    pub fn stop_faults(&mut self, now: Timestamp) -> Effects {
        self.faults.stop_all(now)
    }

    /// Orders a change by hand. The effects stand either way: a refusal has its journal entry.
    ///
    /// # Errors
    /// When the target is not one live session, or the change client refuses.
    pub fn change(
        &mut self,
        now: Timestamp,
        target: &Target,
        kind: ChangeKind,
        reason: &str,
    ) -> (Result<OrderId, TargetError>, Effects) {
        let session = match self.find(target) {
            Ok(session) => session.id,
            Err(error) => return (Err(error), Effects::default()),
        };
        let order = Order {
            session,
            kind,
            to_class: None,
            origin: Origin::Hand,
            reason: reason.to_owned(),
        };
        let (result, effects) = self
            .changer
            .order(now, &mut self.roster, order, &mut *self.rng);
        let effects = self.spoilt(now, effects);
        (result.map_err(TargetError::from), effects)
    }

    /// Forgets a device: its next plug-in is a first time.
    pub fn forget(&mut self, now: Timestamp, mac: Mac) -> Effects {
        self.roster.forget(now, mac)
    }

    /// Fixes the class of a device by hand and moves its live sessions into it.
    ///
    /// # Errors
    /// When the class table has no such class.
    pub fn pin(
        &mut self,
        now: Timestamp,
        mac: Mac,
        class: &str,
        note: Option<&str>,
    ) -> Result<Effects, UnknownClass> {
        self.check_class(class)?;
        let mut effects = self.roster.pin(now, mac, class, note);
        effects.extend(self.recognise(now, mac));
        Ok(effects)
    }

    /// Lets the class table decide on a device again, and moves its live sessions.
    pub fn unpin(&mut self, now: Timestamp, mac: Mac) -> Effects {
        let mut effects = self.roster.unpin(now, mac);
        effects.extend(self.recognise(now, mac));
        effects
    }

    /// Sets the EAP methods for logins that begin from now on.
    pub fn offer_eap(&mut self, settings: Option<Arc<Settings>>) {
        self.responder.offer_eap(settings);
    }

    /// Takes over what is known of devices: their sightings and pins.
    ///
    /// # Errors
    /// When the class table lacks the class of a pin; then nothing is taken over.
    pub fn import(&mut self, now: Timestamp, devices: &[Device]) -> Result<Effects, UnknownClass> {
        let pins = devices.iter().filter_map(|device| device.pin.as_ref());
        for pin in pins {
            self.check_class(&pin.class)?;
        }
        let mut effects = self.roster.import(now, devices);
        for device in devices {
            effects.extend(self.recognise(now, device.mac));
        }
        Ok(effects)
    }

    /// Notes that the bench is up: what switches did before was not heard.
    #[must_use]
    pub fn started(&self, now: Timestamp) -> Effects {
        Effects {
            entries: vec![note(
                now,
                Kind::Desk,
                "started",
                format!("{} answers", self.bench.name),
            )],
            ..Effects::default()
        }
    }

    /// Puts a new bench in force; sessions and roster stay.
    pub fn reload(&mut self, now: Timestamp, bench: Arc<Bench>) -> Effects {
        self.responder.reload(Arc::clone(&bench));
        self.changer.reload(Arc::clone(&bench));
        let mut effects = Effects::default();
        effects.entries.push(note(
            now,
            Kind::Desk,
            "reloaded",
            format!("{} classes in force", bench.table.classes.len()),
        ));
        self.bench = bench;
        effects
    }

    /// What a dead bench does not hear.
    fn swallow(
        &mut self,
        now: Timestamp,
        link: Link,
        local: SocketAddr,
        peer: SocketAddr,
        octets: &[u8],
    ) -> Option<Effects> {
        if self.faults.running().is_empty() {
            return None;
        }
        let packet = PacketRecord {
            at: now,
            direction: Direction::In,
            link,
            from: peer,
            to: local,
            octets: octets.to_vec(),
        };
        let switch = self.bench.switch_of(peer.ip()).map(|one| one.name.clone());
        self.faults.swallow(switch, packet)
    }

    fn spoilt(&mut self, now: Timestamp, mut effects: Effects) -> Effects {
        self.faults.spoil(now, &self.bench, &mut effects);
        effects
    }

    /// A datagram on the DHCP listener. What is no sighting is a named verdict too.
    fn dhcp(
        &mut self,
        now: Timestamp,
        local: SocketAddr,
        peer: SocketAddr,
        octets: &[u8],
    ) -> Effects {
        let packet = PacketRecord {
            at: now,
            direction: Direction::In,
            link: Link::Dhcp,
            from: peer,
            to: local,
            octets: octets.to_vec(),
        };
        let sighting = match sight::read_dhcp(now, peer, octets) {
            Ok(sighting) => sighting,
            Err(reason) => return not_a_sighting(now, &reason, packet),
        };
        let mut effects = respond::sight(now, &mut self.roster, &sighting, Some(packet));
        effects.extend(self.recognise(now, sighting.mac));
        effects
    }

    /// Decides the device's live sessions again and orders the changes that follow.
    fn recognise(&mut self, now: Timestamp, mac: Mac) -> Effects {
        let (recognitions, mut effects) =
            respond::recognise(now, &self.bench, &mut self.roster, mac);
        if !self.bench.changes.automatic {
            return effects;
        }
        for recognition in recognitions {
            let order = Order {
                session: recognition.session,
                kind: recognition.change,
                reason: format!("recognised as {}", recognition.to),
                to_class: Some(recognition.to),
                origin: Origin::Recognition,
            };
            // A refusal leaves its own journal entry, with the reason.
            let (_, more) = self
                .changer
                .order(now, &mut self.roster, order, &mut *self.rng);
            effects.extend(more);
        }
        effects
    }

    fn check_class(&self, class: &str) -> Result<(), UnknownClass> {
        match self.bench.table.class(class) {
            Some(_) => Ok(()),
            None => Err(UnknownClass(class.to_owned())),
        }
    }

    fn find(&self, target: &Target) -> Result<&Session, TargetError> {
        let found: Vec<&Session> = self
            .roster
            .sessions()
            .iter()
            .filter(|session| session.is_live())
            .filter(|session| match target {
                Target::Session(id) => session.id == *id,
                Target::Mac(mac) => session.mac == Some(*mac),
                Target::Port { switch, port } => {
                    session.port.as_deref() == Some(port)
                        && switch.as_ref().is_none_or(|name| *name == session.switch)
                }
            })
            .collect();
        match found.as_slice() {
            [] => Err(TargetError::NoSession(target.to_string())),
            [one] => Ok(one),
            several => Err(TargetError::Several(
                several.len(),
                several
                    .iter()
                    .map(|s| format!("session {} {}", s.id, s.mac.unwrap_or_default()))
                    .collect::<Vec<_>>()
                    .join(", "),
            )),
        }
    }
}

/// A class that the table does not have.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("the class table has no class '{0}'")]
pub struct UnknownClass(pub String);

impl std::fmt::Display for Target {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Target::Session(id) => write!(f, "session {id}"),
            Target::Mac(mac) => write!(f, "device {mac}"),
            Target::Port {
                switch: Some(switch),
                port,
            } => write!(f, "port {port} of {switch}"),
            Target::Port { switch: None, port } => write!(f, "port {port}"),
        }
    }
}

fn not_a_sighting(now: Timestamp, reason: &NotASighting, packet: PacketRecord) -> Effects {
    let mut effects = Effects::default();
    effects.entries.push(Entry {
        packets: vec![packet],
        ..note(
            now,
            Kind::Dropped,
            "dropped-no-sighting",
            reason.to_string(),
        )
    });
    effects
}

fn note(now: Timestamp, kind: Kind, verdict: &str, reason: String) -> Entry {
    Entry {
        seq: 0,
        at: now,
        kind,
        verdict: verdict.to_owned(),
        reason,
        place: Place::default(),
        packets: Vec::new(),
        trace: None,
        breach: None,
    }
}
