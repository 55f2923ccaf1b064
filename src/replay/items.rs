//! A recording cut into what belongs together: a request with its answer, a change with its
//! answer, something done by hand.

use std::collections::HashSet;
use std::net::SocketAddr;

use jiff::Timestamp;

use crate::bench::ChangeKind;
use crate::journal::{Direction, Entry, Kind, Link, PacketRecord, Place};
use crate::wire::registry::attributes as a;
use crate::wire::{Mac, Packet};

/// A packet, and what the journal said of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Recorded {
    /// The packet.
    pub packet: PacketRecord,
    /// Verdict of its entry; `None` in a capture, which has none.
    pub verdict: Option<String>,
}

/// One thing of a recording.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Item {
    /// When it began.
    pub at: Timestamp,
    /// What it is.
    pub what: What,
}

/// Kinds of things.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum What {
    /// A datagram of the switch, and the bench's answer.
    Request {
        /// The datagram.
        request: Recorded,
        /// The answer, if one was recorded.
        answer: Option<PacketRecord>,
    },
    /// A change that the bench sent, and the switch's answer.
    Change {
        /// The request and its retransmissions, in order; one at least.
        requests: Vec<PacketRecord>,
        /// The answer, if one was recorded.
        answer: Option<PacketRecord>,
    },
    /// Something done by hand, which is done again.
    Deed(Deed),
}

/// Something done by hand.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Deed {
    /// A change was ordered.
    Change(Mac, ChangeKind),
    /// A device was pinned to a class.
    Pin(Mac, String),
    /// A pin was taken away.
    Unpin(Mac),
    /// A device was forgotten.
    Forget(Mac),
}

/// The items of a journal, in the order of their times.
#[must_use]
pub fn of_entries(entries: &[Entry]) -> Vec<Item> {
    let mut items = Items::default();
    for entry in entries {
        if let Some(deed) = deed(entry) {
            items.push(entry.at, What::Deed(deed));
        }
        for packet in &entry.packets {
            items.packet(
                packet,
                Some(entry.verdict.as_str()).filter(|word| *word != UNKNOWN),
            );
        }
    }
    items.finish()
}

/// The items of a capture, in the order of their times.
#[must_use]
pub fn of_packets(packets: &[PacketRecord]) -> Vec<Item> {
    let mut items = Items::default();
    for packet in packets {
        items.packet(packet, None);
    }
    items.finish()
}

/// Verdict in a written entry whose recording had none.
const UNKNOWN: &str = "unknown";

/// The items as journal entries, which read back as the same items.
#[must_use]
pub fn to_entries(items: &[Item]) -> Vec<Entry> {
    items.iter().zip(1..).map(to_entry).collect()
}

fn to_entry((item, seq): (&Item, u64)) -> Entry {
    let mut entry = Entry {
        seq,
        at: item.at,
        kind: Kind::Access,
        verdict: UNKNOWN.to_owned(),
        reason: "kept of a longer recording".to_owned(),
        place: Place::default(),
        packets: Vec::new(),
        trace: None,
        breach: None,
    };
    match &item.what {
        What::Request { request, answer } => {
            entry.kind = match request.packet.link {
                Link::Authentication | Link::Change => Kind::Access,
                Link::Accounting => Kind::Accounting,
                Link::Dhcp => Kind::Sighting,
            };
            entry.verdict = request.verdict.clone().unwrap_or(entry.verdict);
            entry.packets.push(request.packet.clone());
            entry.packets.extend(answer.clone());
        }
        What::Change { requests, answer } => {
            entry.kind = Kind::Change;
            entry.packets.extend_from_slice(requests);
            entry.packets.extend(answer.clone());
        }
        What::Deed(deed) => {
            let (kind, verdict, mac) = match deed {
                Deed::Change(mac, change) => {
                    entry.place.change = Some(*change);
                    (Kind::Change, "ordered", mac)
                }
                Deed::Pin(mac, class) => {
                    entry.reason = format!("pinned to {class}");
                    (Kind::Desk, "pinned", mac)
                }
                Deed::Unpin(mac) => (Kind::Desk, "unpinned", mac),
                Deed::Forget(mac) => (Kind::Desk, "forgotten", mac),
            };
            entry.kind = kind;
            entry.verdict = verdict.to_owned();
            entry.place.mac = Some(*mac);
        }
    }
    entry
}

/// What tells one recorded packet from another: several entries of a change hold the same one.
type Seen = (Timestamp, Link, SocketAddr, SocketAddr, Vec<u8>);

#[derive(Default)]
struct Items {
    items: Vec<Item>,
    seen: HashSet<Seen>,
}

impl Items {
    fn push(&mut self, at: Timestamp, what: What) {
        self.items.push(Item { at, what });
    }

    fn finish(mut self) -> Vec<Item> {
        self.items.sort_by_key(|item| item.at);
        self.items
    }

    fn packet(&mut self, packet: &PacketRecord, verdict: Option<&str>) {
        let PacketRecord {
            at, link, from, to, ..
        } = *packet;
        let one = (at, link, from, to, packet.octets.clone());
        if !self.seen.insert(one) {
            return;
        }
        match (link, packet.direction) {
            (Link::Change, Direction::Out) => self.change(packet),
            (Link::Change, Direction::In) => self.change_answer(packet),
            (_, Direction::In) => self.request(packet, verdict),
            (_, Direction::Out) => self.answer(packet),
        }
    }

    fn request(&mut self, packet: &PacketRecord, verdict: Option<&str>) {
        let request = Recorded {
            packet: packet.clone(),
            verdict: verdict.map(str::to_owned),
        };
        let answer = None;
        self.push(packet.at, What::Request { request, answer });
    }

    /// The newest open request of that switch and identifier is the one that is answered.
    fn answer(&mut self, packet: &PacketRecord) {
        let open = self
            .items
            .iter_mut()
            .rev()
            .find_map(|item| match &mut item.what {
                What::Request { request, answer }
                    if answer.is_none()
                        && request.packet.link == packet.link
                        && request.packet.from == packet.to
                        && identifier(&request.packet) == identifier(packet) =>
                {
                    Some(answer)
                }
                _ => None,
            });
        if let Some(answer) = open {
            *answer = Some(packet.clone());
        }
    }

    fn change(&mut self, packet: &PacketRecord) {
        let again = self
            .items
            .iter_mut()
            .rev()
            .find_map(|item| match &mut item.what {
                What::Change {
                    requests,
                    answer: None,
                } if requests.last().is_some_and(|last| repeats(packet, last)) => Some(requests),
                _ => None,
            });
        match again {
            Some(requests) => requests.push(packet.clone()),
            None => self.push(
                packet.at,
                What::Change {
                    requests: vec![packet.clone()],
                    answer: None,
                },
            ),
        }
    }

    fn change_answer(&mut self, packet: &PacketRecord) {
        let open = self
            .items
            .iter_mut()
            .rev()
            .find_map(|item| match &mut item.what {
                What::Change { requests, answer }
                    if answer.is_none()
                        && requests.iter().any(|request| {
                            request.to == packet.from && identifier(request) == identifier(packet)
                        }) =>
                {
                    Some(answer)
                }
                _ => None,
            });
        if let Some(answer) = open {
            *answer = Some(packet.clone());
        }
    }
}

fn identifier(packet: &PacketRecord) -> Option<u8> {
    packet.octets.get(1).copied()
}

/// Whether a change request is a retransmission: the same code for the same session, while the
/// other waits for its answer.
#[must_use]
pub fn repeats(request: &PacketRecord, earlier: &PacketRecord) -> bool {
    request.to == earlier.to
        && request.octets.first() == earlier.octets.first()
        && whom(&request.octets) == whom(&earlier.octets)
}

/// Which session a change names.
#[must_use]
pub fn whom(octets: &[u8]) -> Vec<Vec<u8>> {
    let Ok(packet) = Packet::parse(octets) else {
        return Vec::new();
    };
    [a::ACCT_SESSION_ID, a::CALLING_STATION_ID, a::USER_NAME]
        .into_iter()
        .map(|kind| {
            let found = packet.first(kind);
            found.map(|found| found.value.to_vec()).unwrap_or_default()
        })
        .collect()
}

/// An automatic order gives this reason (the engine in `serve`).
const AUTOMATIC: &str = "recognised as";

fn deed(entry: &Entry) -> Option<Deed> {
    let mac = entry.place.mac?;
    match (entry.kind, entry.verdict.as_str()) {
        (Kind::Change, "ordered") if !entry.reason.starts_with(AUTOMATIC) => {
            Some(Deed::Change(mac, entry.place.change?))
        }
        (Kind::Desk, "pinned") => {
            let said = entry.reason.strip_prefix("pinned to ")?;
            let class = said.split_once(": ").map_or(said, |(class, _)| class);
            Some(Deed::Pin(mac, class.to_owned()))
        }
        (Kind::Desk, "unpinned") => Some(Deed::Unpin(mac)),
        (Kind::Desk, "forgotten") => Some(Deed::Forget(mac)),
        _ => None,
    }
}
