//! Sightings go into the roster and the journal.

use jiff::Timestamp;

use crate::journal::{Entry, Kind, PacketRecord, Place};
use crate::roster::{Effects, Roster};
use crate::sight::Sighting;

/// Notes what a device said. `packet` is the datagram that the sighting was read from. The verdict
/// is `learnt` or, when the device only said again what is known of it, `nothing-new`.
pub fn sight(
    now: Timestamp,
    roster: &mut Roster,
    sighting: &Sighting,
    packet: Option<PacketRecord>,
) -> Effects {
    let fields = sighting
        .fields
        .iter()
        .map(|(field, value)| (field.as_str(), value.as_str()));
    let (touched, new) = roster.learn(now, sighting.mac, fields);
    let (verdict, reason) = line(sighting, &new);
    let entry = Entry {
        seq: 0,
        at: now,
        kind: Kind::Sighting,
        verdict: verdict.to_owned(),
        reason,
        place: place(roster, sighting),
        packets: packet.into_iter().collect(),
        trace: None,
        breach: None,
    };
    let mut effects = Effects {
        entries: vec![entry],
        ..Effects::default()
    };
    effects.device(touched);
    effects
}

fn line(sighting: &Sighting, new: &[&str]) -> (&'static str, String) {
    let message = sighting.message_name();
    if new.is_empty() {
        return ("nothing-new", format!("{message} with nothing new"));
    }
    let said: Vec<String> = new
        .iter()
        .filter_map(|field| Some(format!("{field} {:?}", sighting.fields.get(*field)?)))
        .collect();
    ("learnt", format!("{message}: {}", said.join(", ")))
}

/// Where the device is, when it has one live session.
fn place(roster: &Roster, sighting: &Sighting) -> Place {
    let mut sessions = roster.sessions().of_mac(sighting.mac);
    let session = sessions.next().filter(|_| sessions.next().is_none());
    let class = roster.device(sighting.mac).and_then(|d| d.class.clone());
    Place {
        switch: session.map(|session| session.switch.clone()),
        port: session.and_then(|session| session.port.clone()),
        mac: Some(sighting.mac),
        class,
        session: session.map(|session| session.id),
        ..Place::default()
    }
}
