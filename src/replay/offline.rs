//! Playing the switch's side to a fresh engine, at the recorded times.

use std::collections::{BTreeMap, HashSet};
use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;

use jiff::{SignedDuration, Timestamp};
use rand::SeedableRng as _;
use rand::rngs::StdRng;
use serde::Serialize;

use super::compare::{differences, title};
use super::items::{Deed, Item, What, repeats, whom};
use super::resign::{self, Keys, Swaps};
use crate::bench::{Bench, Switch};
use crate::eap::codec;
use crate::journal::{Direction, Link, PacketRecord};
use crate::roster::{Effects, Roster};
use crate::serve::{Engine, Target};
use crate::wire::registry::attributes as a;
use crate::wire::{Packet, Secret};

/// How a recording is played.
#[derive(Debug, Clone)]
pub struct Settings {
    /// The bench that answers.
    pub bench: Arc<Bench>,
    /// The secret of the recording, where it is not the bench's.
    pub capture_secret: Option<Secret>,
    /// Every recorded switch is this one.
    pub as_switch: Option<Arc<Switch>>,
}

/// How one item went.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Played {
    /// Which item, from 0; `None` for a change that the recording does not have.
    pub item: Option<usize>,
    /// When, by the recording's clock.
    pub at: Timestamp,
    /// What it was, in words.
    pub what: String,
    /// How it compares.
    #[serde(flatten)]
    pub status: Status,
    /// Verdict of the replay.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub verdict: Option<String>,
    /// What a reader should know.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

/// How an answer compares with the recorded one.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(tag = "status", content = "detail", rename_all = "kebab-case")]
pub enum Status {
    /// They say the same.
    Same,
    /// What differs, a line each.
    Different(Vec<String>),
    /// Why it can't be said.
    NotComparable(String),
}

impl Status {
    /// From what differs.
    #[must_use]
    pub fn of(differences: Vec<String>) -> Status {
        if differences.is_empty() {
            Status::Same
        } else {
            Status::Different(differences)
        }
    }

    /// True for [`Status::Different`].
    #[must_use]
    pub fn is_different(&self) -> bool {
        matches!(self, Status::Different(_))
    }
}

impl Settings {
    /// Where a recorded peer is now.
    #[must_use]
    pub fn peer(&self, recorded: SocketAddr) -> SocketAddr {
        match &self.as_switch {
            Some(switch) => SocketAddr::new(switch.address.addr(), recorded.port()),
            None => recorded,
        }
    }

    /// The secrets of a peer; `None` when no switch of the bench has its address.
    #[must_use]
    pub fn keys(&self, peer: IpAddr, link: Link) -> Option<Keys> {
        let switch = self.bench.switch_of(peer)?;
        let now = match link {
            Link::Change => switch.change_secret.clone(),
            _ => switch.secret.clone(),
        };
        let then = self.capture_secret.clone().unwrap_or_else(|| now.clone());
        Some(Keys { then, now })
    }
}

/// Plays the items, which are in the order of their times, and says how each went.
#[must_use]
pub fn play(items: &[Item], settings: &Settings) -> Vec<Played> {
    let mut player = Player::new(items, settings);
    for (index, item) in items.iter().enumerate() {
        player.pass(item.at);
        player.item(index, item);
    }
    player.pass(end(items));
    player.finish()
}

/// When the last recorded packet was.
fn end(items: &[Item]) -> Timestamp {
    let last = items.iter().flat_map(|item| {
        let answer = match &item.what {
            What::Request { answer, .. } | What::Change { answer, .. } => answer.as_ref(),
            What::Deed(_) => None,
        };
        [item.at, answer.map_or(item.at, |answer| answer.at)]
    });
    last.max().unwrap_or(Timestamp::UNIX_EPOCH)
}

struct Player<'a> {
    items: &'a [Item],
    settings: &'a Settings,
    engine: Engine,
    now: Timestamp,
    swaps: Swaps,
    outcomes: BTreeMap<usize, Played>,
    extra: Vec<Played>,
    /// Changes of now whose answer is not delivered yet.
    open: Vec<Open>,
    /// Answers of the switch under way; the number keeps the order of those due together.
    due: BTreeMap<(Timestamp, u64), PacketRecord>,
    scheduled: u64,
    /// What EAP requests named: sessions of theirs never came to be here.
    left_out: HashSet<Vec<u8>>,
}

struct Open {
    request: PacketRecord,
    answered: bool,
}

struct RecordedChange<'a> {
    index: usize,
    item: &'a Item,
    first: &'a PacketRecord,
    /// The switch's answer, and how long it took.
    answer: Option<(&'a PacketRecord, SignedDuration)>,
}

/// More steps than this between two items mean that the engine goes round in circles.
const MOST_STEPS: u32 = 100_000;

impl<'a> Player<'a> {
    fn new(items: &'a [Item], settings: &'a Settings) -> Player<'a> {
        Player {
            items,
            settings,
            engine: Engine::new(
                Arc::clone(&settings.bench),
                Roster::default(),
                Box::new(StdRng::seed_from_u64(1)),
            ),
            now: items.first().map_or(Timestamp::UNIX_EPOCH, |item| item.at),
            swaps: Swaps::default(),
            outcomes: BTreeMap::new(),
            extra: Vec::new(),
            open: Vec::new(),
            due: BTreeMap::new(),
            scheduled: 0,
            left_out: HashSet::new(),
        }
    }

    /// Lets time pass: what is due before `until` happens, and the switch's answers at it too.
    fn pass(&mut self, until: Timestamp) {
        for _ in 0..MOST_STEPS {
            let answer = self.due.keys().next().copied().filter(|key| key.0 <= until);
            let tick = self.engine.next_deadline().filter(|due| *due < until);
            match (answer, tick) {
                (Some(key), tick) if tick.is_none_or(|tick| key.0 <= tick) => {
                    self.now = key.0.max(self.now);
                    if let Some(answer) = self.due.remove(&key) {
                        self.deliver(&answer);
                    }
                }
                (_, Some(tick)) => {
                    self.now = tick.max(self.now);
                    let effects = self.engine.tick(self.now);
                    self.changes(&effects);
                }
                _ => break,
            }
        }
        self.now = until.max(self.now);
    }

    fn item(&mut self, index: usize, item: &Item) {
        let played = match &item.what {
            What::Request { request, answer } => {
                let (status, verdict, note) =
                    self.request(&request.packet, request.verdict.as_deref(), answer.as_ref());
                Played {
                    status,
                    verdict,
                    note,
                    ..plain(index, item)
                }
            }
            What::Deed(deed) => {
                let done = self.deed(deed);
                Played {
                    status: match done {
                        Ok(()) => Status::Same,
                        Err(why) => Status::Different(vec![why]),
                    },
                    ..plain(index, item)
                }
            }
            // The engine sends changes of its own accord.
            What::Change { .. } => return,
        };
        self.outcomes.insert(index, played);
    }

    fn request(
        &mut self,
        request: &PacketRecord,
        verdict_then: Option<&str>,
        answer: Option<&PacketRecord>,
    ) -> (Status, Option<String>, Option<String>) {
        if let Some(why) = not_comparable(request) {
            self.left_out.extend(
                whom(&request.octets)
                    .into_iter()
                    .filter(|id| !id.is_empty()),
            );
            return (Status::NotComparable(why), None, None);
        }
        let peer = self.settings.peer(request.from);
        let keys = self.settings.keys(peer.ip(), request.link);
        let resigned = match (request.link, keys) {
            (Link::Authentication | Link::Accounting, Some(keys)) => {
                resign::request(&request.octets, &keys, &self.swaps)
            }
            _ => resign::Resigned {
                octets: request.octets.clone(),
                trouble: None,
            },
        };
        let effects =
            self.engine
                .datagram(self.now, request.link, request.to, peer, &resigned.octets);
        self.changes(&effects);
        let now = effects
            .transmits
            .iter()
            .find(|sent| sent.link == request.link && sent.to == peer)
            .map(|sent| sent.octets.as_slice());
        let then = answer.map(|answer| answer.octets.as_slice());
        if let (Some(then), Some(now)) = (then, now) {
            self.swaps.learn(then, now);
        }
        let verdict = verdict_of(&effects);
        let mut found = differences(then, now);
        if let (Some(then), Some(now)) = (verdict_then, verdict.as_deref())
            && request.link == Link::Authentication
            && then != now
        {
            found.push(format!("the verdict was {then}, now {now}"));
        }
        let note = resigned.trouble.map(str::to_owned);
        (Status::of(found), verdict, note)
    }

    fn deed(&mut self, deed: &Deed) -> Result<(), String> {
        let now = self.now;
        let (result, effects) = match deed {
            Deed::Change(mac, kind) => {
                let target = Target::Mac(*mac);
                let (result, effects) =
                    self.engine.change(now, &target, *kind, "by hand, replayed");
                (result.map(drop).map_err(|why| why.to_string()), effects)
            }
            Deed::Pin(mac, class) => match self.engine.pin(now, *mac, class, None) {
                Ok(effects) => (Ok(()), effects),
                Err(why) => (Err(why.to_string()), Effects::default()),
            },
            Deed::Unpin(mac) => (Ok(()), self.engine.unpin(now, *mac)),
            Deed::Forget(mac) => (Ok(()), self.engine.forget(now, *mac)),
        };
        self.changes(&effects);
        result
    }

    /// Looks at the changes that a step of the engine sends.
    fn changes(&mut self, effects: &Effects) {
        for sent in &effects.transmits {
            if sent.link == Link::Change {
                self.change(PacketRecord {
                    at: self.now,
                    direction: Direction::Out,
                    link: Link::Change,
                    from: SocketAddr::new(sent.to.ip(), 0),
                    to: sent.to,
                    octets: sent.octets.clone(),
                });
            }
        }
    }

    fn change(&mut self, request: PacketRecord) {
        self.open.retain(|open| !open.answered);
        if self
            .open
            .iter()
            .any(|open| repeats(&request, &open.request))
        {
            return;
        }
        match self.recorded_change(&request) {
            Some(change) => {
                let then = &change.first.octets;
                let status = Status::of(differences(Some(then), Some(&request.octets)));
                if let Some((answer, after)) = change.answer {
                    self.schedule(&request, answer, after);
                }
                let played = Played {
                    status,
                    ..plain(change.index, change.item)
                };
                self.outcomes.insert(change.index, played);
            }
            None => {
                let status = match self.concerns_left_out(&request.octets) {
                    true => Status::NotComparable(OF_EAP.to_owned()),
                    false => Status::Different(differences(None, Some(&request.octets))),
                };
                self.extra.push(Played {
                    item: None,
                    at: self.now,
                    what: in_words(&request),
                    status,
                    verdict: None,
                    note: None,
                });
            }
        }
        self.open.push(Open {
            request,
            answered: false,
        });
    }

    /// The first recorded change for that session which none of now was matched with; one of the
    /// same code goes first.
    fn recorded_change(&self, request: &PacketRecord) -> Option<RecordedChange<'a>> {
        let items = self.items;
        let candidates = || {
            items.iter().enumerate().filter_map(|(index, item)| {
                let What::Change { requests, answer } = &item.what else {
                    return None;
                };
                let first = requests.first()?;
                let fits = !self.outcomes.contains_key(&index)
                    && self.settings.peer(first.to).ip() == request.to.ip()
                    && whom(&first.octets) == whom(&request.octets);
                let answer = answer.as_ref().map(|answer| {
                    let asked = requests.iter().rev().find(|one| one.at <= answer.at);
                    let asked = asked.map_or(answer.at, |asked| asked.at);
                    (answer, answer.at.duration_since(asked))
                });
                fits.then_some(RecordedChange {
                    index,
                    item,
                    first,
                    answer,
                })
            })
        };
        candidates()
            .find(|change| change.first.octets.first() == request.octets.first())
            .or_else(|| candidates().next())
    }

    /// The switch's recorded answer, signed for the change of now.
    fn schedule(&mut self, request: &PacketRecord, answer: &PacketRecord, after: SignedDuration) {
        let Some(keys) = self.settings.keys(request.to.ip(), Link::Change) else {
            return;
        };
        let (Ok(asked), Ok(said)) = (
            Packet::parse(&request.octets),
            Packet::parse(&answer.octets),
        ) else {
            return;
        };
        let to = (asked.identifier(), asked.authenticator());
        let attributes = resign::attributes(&said);
        let Ok(octets) = resign::response(said.code(), attributes, to, &keys.now) else {
            return;
        };
        self.scheduled += 1;
        let at = self.now.saturating_add(after).unwrap_or(Timestamp::MAX);
        let answer = PacketRecord {
            at,
            direction: Direction::In,
            link: Link::Change,
            from: request.to,
            to: answer.to,
            octets,
        };
        self.due.insert((at, self.scheduled), answer);
    }

    fn deliver(&mut self, answer: &PacketRecord) {
        for open in &mut self.open {
            open.answered |= open.request.to == answer.from
                && open.request.octets.get(1) == answer.octets.get(1);
        }
        let effects = self.engine.datagram(
            self.now,
            Link::Change,
            answer.to,
            answer.from,
            &answer.octets,
        );
        self.changes(&effects);
    }

    fn concerns_left_out(&self, change: &[u8]) -> bool {
        whom(change).iter().any(|id| self.left_out.contains(id))
    }

    fn finish(mut self) -> Vec<Played> {
        for (index, item) in self.items.iter().enumerate() {
            let What::Change { requests, .. } = &item.what else {
                continue;
            };
            if self.outcomes.contains_key(&index) {
                continue;
            }
            let then = requests.first().map(|first| first.octets.as_slice());
            let status = match then.is_some_and(|then| self.concerns_left_out(then)) {
                true => Status::NotComparable(OF_EAP.to_owned()),
                false => Status::of(differences(then, None)),
            };
            let played = Played {
                status,
                ..plain(index, item)
            };
            self.outcomes.insert(index, played);
        }
        let mut all: Vec<Played> = self.outcomes.into_values().collect();
        all.extend(self.extra);
        all.sort_by_key(|played| played.at);
        all
    }
}

const OF_EAP: &str = "its session began with an EAP login, which a replay can't repeat";
const ZEROED: &str = "its password is set to zero: export with --keep-passwords to replay logins";

/// Why a request can't be played again.
#[must_use]
pub fn not_comparable(request: &PacketRecord) -> Option<String> {
    if request.link != Link::Authentication {
        return None;
    }
    let packet = Packet::parse(&request.octets).ok()?;
    let zeroed = |kind| {
        packet
            .first(kind)
            .is_some_and(|found| found.value.iter().all(|octet| *octet == 0))
    };
    if zeroed(a::USER_PASSWORD) || zeroed(a::CHAP_PASSWORD) {
        return Some(ZEROED.to_owned());
    }
    let eap = packet.joined(a::EAP_MESSAGE)?;
    let kind = codec::Packet::parse(&eap).ok().and_then(|eap| eap.kind);
    Some(match kind {
        Some(kind) if kind != codec::Type::IDENTITY => format!(
            "EAP, {kind}: the supplicant's answers fit only the challenges and keys of that run"
        ),
        _ => "EAP: a conversation fits only the challenges and keys of its run".to_owned(),
    })
}

fn verdict_of(effects: &Effects) -> Option<String> {
    effects
        .entries
        .iter()
        .find(|entry| {
            let mut packets = entry.packets.iter();
            packets.any(|packet| packet.direction == Direction::In)
        })
        .map(|entry| entry.verdict.clone())
}

fn plain(index: usize, item: &Item) -> Played {
    Played {
        item: Some(index),
        at: item.at,
        what: match &item.what {
            What::Request { request, .. } => in_words(&request.packet),
            What::Change { requests, .. } => requests.first().map(in_words).unwrap_or_default(),
            What::Deed(Deed::Change(mac, kind)) => format!("{kind} of {mac} by hand"),
            What::Deed(Deed::Pin(mac, class)) => format!("{mac} pinned to {class}"),
            What::Deed(Deed::Unpin(mac)) => format!("{mac} no longer pinned"),
            What::Deed(Deed::Forget(mac)) => format!("{mac} forgotten"),
        },
        status: Status::Same,
        verdict: None,
        note: None,
    }
}

/// A datagram in a few words: what, which, about whom.
#[must_use]
pub fn in_words(packet: &PacketRecord) -> String {
    if packet.link == Link::Dhcp {
        return format!("DHCP from {}", packet.from);
    }
    let Ok(parsed) = Packet::parse(&packet.octets) else {
        return format!("{} from {}", title(&packet.octets), packet.from);
    };
    let about = [a::CALLING_STATION_ID, a::USER_NAME]
        .into_iter()
        .find_map(|kind| parsed.text(kind))
        .map(|text| format!(" about {}", crate::wire::value::escape(text)))
        .unwrap_or_default();
    format!("{} id {}{about}", parsed.code(), parsed.identifier())
}
