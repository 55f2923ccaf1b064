//! What a drill sees: journal entries and what the stand-in did, in one shape.

use jiff::Timestamp;
use serde::Serialize;

use crate::bench::ChangeKind;
use crate::journal::{Direction, Entry, Kind, Link, PacketRecord};
use crate::stand_in::{SwitchEvent, What};
use crate::wire::{Code, Mac};

/// One thing that was seen.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Observation {
    /// When.
    pub at: Timestamp,
    /// Port as the switch names it.
    pub port: Option<String>,
    /// Device.
    pub mac: Option<Mac>,
    /// Who did it.
    pub who: Who,
    /// What, in a word or two: verdict of the entry or word of the event.
    pub word: String,
    /// Why, one line.
    pub why: String,
    /// Class in force after it.
    pub class: Option<String>,
    /// Kind of journal entry; `None` for what the stand-in did.
    pub kind: Option<Kind>,
    /// Which change.
    pub change: Option<ChangeKind>,
    /// Whether this is the moment when the device was put into `class`: an accept or an
    /// acknowledged regrant.
    pub grants_class: bool,
    /// A session on the bench that began or ended by this.
    pub session_step: Option<SessionStep>,
    /// Session number on the bench.
    pub session: Option<u64>,
    /// Number of the order, for changes.
    pub order: Option<u64>,
    /// What the switch put in force.
    pub admitted: Option<Admitted>,
    /// Position in the journal.
    pub seq: Option<u64>,
    /// The packets of the entry, in order.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub packets: Vec<Flown>,
}

/// A packet that flew between switch and bench.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Flown {
    /// When it was received or sent.
    pub at: Timestamp,
    /// Which way, seen from the bench.
    pub direction: Direction,
    /// What it is: the name of its code, or DHCP.
    pub what: String,
}

impl Flown {
    fn of(packet: &PacketRecord) -> Flown {
        let what = match (packet.link, packet.octets.first()) {
            (Link::Dhcp, _) => "DHCP".to_owned(),
            (_, Some(code)) => Code(*code).to_string(),
            (_, None) => "nothing".to_owned(),
        };
        Flown {
            at: packet.at,
            direction: packet.direction,
            what,
        }
    }
}

/// Who did something.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Who {
    /// The bench: portproof's answers and changes.
    Bench,
    /// The switch under test or the stand-in, and the devices on it.
    Switch,
    /// The drill itself: a step.
    Drill,
}

/// A session's begin or end, with its number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum SessionStep {
    /// It began.
    Began(u64),
    /// It ended.
    Ended(u64),
}

/// What the switch put in force for a device.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Admitted {
    /// Untagged VLAN.
    pub vlan: Option<String>,
    /// Tagged VLANs.
    pub tagged_vlans: Vec<String>,
    /// Role or filter.
    pub role: Option<String>,
}

impl Observation {
    /// What a journal entry tells.
    #[must_use]
    pub fn of_entry(entry: &Entry) -> Observation {
        let place = &entry.place;
        let accepted = entry.kind == Kind::Access && entry.verdict == "answered-accept";
        let regranted = place.change == Some(ChangeKind::Regrant) && entry.verdict == "acked";
        Observation {
            at: entry.at,
            port: place.port.clone(),
            mac: place.mac,
            who: Who::Bench,
            word: entry.verdict.clone(),
            why: entry.reason.clone(),
            class: place.class.clone(),
            kind: Some(entry.kind),
            change: place.change,
            grants_class: accepted || regranted,
            session_step: session_step(entry, accepted),
            session: place.session,
            order: place.order,
            admitted: None,
            seq: Some(entry.seq),
            packets: entry.packets.iter().map(Flown::of).collect(),
        }
    }

    /// What the stand-in or a device on it did.
    #[must_use]
    pub fn of_event(event: &SwitchEvent) -> Observation {
        Observation {
            at: event.at,
            port: event.port.clone(),
            mac: event.mac,
            who: Who::Switch,
            word: word(&event.what),
            why: event.what.to_string(),
            class: None,
            kind: None,
            change: None,
            grants_class: false,
            session_step: None,
            session: None,
            order: None,
            admitted: in_force(&event.what),
            seq: None,
            packets: Vec::new(),
        }
    }
}

fn session_step(entry: &Entry, accepted: bool) -> Option<SessionStep> {
    let id = entry.place.session?;
    if accepted {
        return Some(SessionStep::Began(id));
    }
    let over = entry.verdict == "recorded-stop"
        || (entry.kind == Kind::Session && matches!(entry.verdict.as_str(), "ended" | "moved"));
    over.then_some(SessionStep::Ended(id))
}

fn in_force(what: &What) -> Option<Admitted> {
    let (What::Admitted { grant, .. } | What::Regranted { grant }) = what else {
        return None;
    };
    Some(Admitted {
        vlan: grant.vlan.as_ref().map(ToString::to_string),
        tagged_vlans: grant.tagged.iter().map(ToString::to_string).collect(),
        role: grant
            .role
            .clone()
            .or_else(|| grant.filters.first().cloned()),
    })
}

/// The word by which drills name an event: the one that its JSON form has.
fn word(what: &What) -> String {
    serde_json::to_value(what)
        .ok()
        .and_then(|json| json.get("event")?.as_str().map(str::to_owned))
        .unwrap_or_default()
}
