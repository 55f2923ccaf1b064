//! One step of the engine: what it may look at, and what it leaves.

use std::time::Duration;

use jiff::Timestamp;
use rand::RngCore;

use super::order::OrderRefused;
use crate::journal::{Entry, Kind, Link, PacketRecord, Place};
use crate::roster::{Effects, Roster, Session, SessionState, Transmit};

pub(super) struct Turn<'a> {
    pub(super) now: Timestamp,
    pub(super) roster: &'a mut Roster,
    pub(super) rng: &'a mut dyn RngCore,
    pub(super) effects: Effects,
}

impl<'a> Turn<'a> {
    pub(super) fn new(
        now: Timestamp,
        roster: &'a mut Roster,
        rng: &'a mut dyn RngCore,
    ) -> Turn<'a> {
        Turn {
            now,
            roster,
            rng,
            effects: Effects::default(),
        }
    }

    /// The session, while it lives.
    pub(super) fn live(&self, id: u64) -> Result<&Session, OrderRefused> {
        let session = self
            .roster
            .sessions()
            .get(id)
            .ok_or(OrderRefused::NoSession(id))?;
        match &session.state {
            SessionState::Ended { cause, .. } => Err(OrderRefused::SessionEnded {
                session: id,
                cause: cause.clone(),
            }),
            _ => Ok(session),
        }
    }

    /// Leaves an entry of kind `change` without a packet.
    pub(super) fn note(&mut self, place: &Place, verdict: &str, reason: String) {
        let entry = self.entry(place, verdict, reason);
        self.effects.entries.push(entry);
    }

    /// Leaves one with the packet that came in, and the rule that the packet breaks.
    pub(super) fn note_packet(
        &mut self,
        place: &Place,
        verdict: &str,
        reason: String,
        packet: PacketRecord,
        breach: Option<&str>,
    ) {
        let entry = Entry {
            packets: vec![packet],
            breach: breach.map(str::to_owned),
            ..self.entry(place, verdict, reason)
        };
        self.effects.entries.push(entry);
    }

    /// Leaves an entry for a datagram that belongs to no change.
    pub(super) fn note_stray(
        &mut self,
        switch: Option<&str>,
        verdict: &str,
        reason: String,
        packet: PacketRecord,
    ) {
        let place = Place {
            switch: switch.map(str::to_owned),
            ..Place::default()
        };
        let entry = Entry {
            kind: Kind::Dropped,
            packets: vec![packet],
            ..self.entry(&place, verdict, reason)
        };
        self.effects.entries.push(entry);
    }

    /// Sends a packet and leaves an entry that carries it.
    pub(super) fn transmit(
        &mut self,
        place: &Place,
        verdict: &str,
        reason: String,
        packet: PacketRecord,
    ) {
        self.effects.transmits.push(Transmit {
            link: Link::Change,
            to: packet.to,
            octets: packet.octets.clone(),
        });
        self.note_packet(place, verdict, reason, packet, None);
    }

    fn entry(&self, place: &Place, verdict: &str, reason: String) -> Entry {
        Entry {
            seq: 0,
            at: self.now,
            kind: Kind::Change,
            verdict: verdict.to_owned(),
            reason,
            place: place.clone(),
            packets: Vec::new(),
            trace: None,
            breach: None,
        }
    }
}

/// Where a session is.
pub(super) fn place(session: &Session) -> Place {
    Place {
        switch: Some(session.switch.clone()),
        port: session.port.clone(),
        mac: session.mac,
        identity: session.identity.clone(),
        class: Some(session.class.clone()),
        session: Some(session.id),
        ..Place::default()
    }
}

/// "2.1 s"
pub(super) fn seconds(time: Duration) -> String {
    format!("{:.1} s", time.as_secs_f64())
}
