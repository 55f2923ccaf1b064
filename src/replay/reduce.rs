//! Shrinking a recording that fails to the few things that still make it fail.
//!
//! Delta debugging: groups of items are taken away, half of them at a time, then fewer, as long as
//! what is left fails in the same way. An EAP conversation and the retransmissions of a request
//! are one group.

use std::collections::HashMap;

use super::items::{Item, What};
use super::offline::{Played, Settings, Status, play};
use crate::wire::Packet;
use crate::wire::registry::attributes as a;

/// What counts as failing.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Goal {
    /// The first answer that differs goes on to differ in the same way.
    Different,
    /// The first datagram that gets this verdict in the replay goes on to get it.
    Verdict(String),
}

/// The fewest items that still fail, in order: none of their groups can be left out. `None` when
/// the whole does not fail.
#[must_use]
pub fn reduce(items: &[Item], settings: &Settings, goal: &Goal) -> Option<Vec<Item>> {
    let wanted = Wanted::find(&play(items, settings), goal)?;
    let holds = |kept: &[Vec<usize>]| {
        let indexes = flat(kept);
        let some: Vec<Item> = indexes
            .iter()
            .filter_map(|index| items.get(*index).cloned())
            .collect();
        wanted.is_met(items, &play(&some, settings), &indexes)
    };
    let indexes = flat(&shrink(groups(items), holds));
    let kept = indexes.into_iter();
    Some(kept.filter_map(|index| items.get(index).cloned()).collect())
}

/// Takes groups away while it holds, at first half of them, at last one by one.
fn shrink(mut groups: Vec<Vec<usize>>, holds: impl Fn(&[Vec<usize>]) -> bool) -> Vec<Vec<usize>> {
    let mut size = groups.len().div_ceil(2);
    while size > 0 {
        let mut at = 0;
        let mut shrunk = false;
        while at < groups.len() {
            let end = (at + size).min(groups.len());
            let mut without = groups.clone();
            without.drain(at..end);
            if holds(&without) {
                groups = without;
                shrunk = true;
            } else {
                at = end;
            }
        }
        // What goes late may let go what was needed before.
        if !shrunk || size > 1 {
            size /= 2;
        }
    }
    groups
}

/// Which items there are in some groups, in order.
fn flat(groups: &[Vec<usize>]) -> Vec<usize> {
    let mut indexes = groups.concat();
    indexes.sort_unstable();
    indexes
}

/// Items that are kept or left out together.
fn groups(items: &[Item]) -> Vec<Vec<usize>> {
    let mut groups: Vec<Vec<usize>> = Vec::new();
    // The group of a State that the bench gave, and of a request that may come again.
    let mut of_state: HashMap<Vec<u8>, usize> = HashMap::new();
    let mut of_request: HashMap<&[u8], usize> = HashMap::new();
    for (index, item) in items.iter().enumerate() {
        let What::Request { request, answer } = &item.what else {
            groups.push(vec![index]);
            continue;
        };
        let octets = request.packet.octets.as_slice();
        let earlier = of_request
            .get(octets)
            .or_else(|| of_state.get(&state(octets)?))
            .copied();
        let group = earlier.unwrap_or(groups.len());
        match groups.get_mut(group) {
            Some(group) => group.push(index),
            None => groups.push(vec![index]),
        }
        of_request.insert(octets, group);
        if let Some(given) = answer.as_ref().and_then(|answer| state(&answer.octets)) {
            of_state.insert(given, group);
        }
    }
    groups
}

fn state(octets: &[u8]) -> Option<Vec<u8>> {
    let packet = Packet::parse(octets).ok()?;
    Some(packet.first(a::STATE)?.value.to_vec())
}

/// The failure that has to stay.
enum Wanted {
    /// This item differs so; those differences were there before.
    Different {
        target: Failure,
        known: Vec<Failure>,
    },
    /// This item has this verdict.
    Verdict { item: usize, verdict: String },
}

/// An item, or a change that was not recorded, and how it differs.
#[derive(PartialEq, Eq)]
struct Failure {
    item: Option<usize>,
    status: Status,
}

impl Wanted {
    fn find(played: &[Played], goal: &Goal) -> Option<Wanted> {
        match goal {
            Goal::Different => {
                let known: Vec<Failure> = failures(played, Some).collect();
                let target = failures(played, Some).next()?;
                Some(Wanted::Different { target, known })
            }
            Goal::Verdict(verdict) => {
                let mut with = played.iter();
                let one = with.find(|one| one.verdict.as_ref() == Some(verdict))?;
                Some(Wanted::Verdict {
                    item: one.item?,
                    verdict: verdict.clone(),
                })
            }
        }
    }

    /// Whether a replay of some items fails as wanted; `indexes` are their places in the whole.
    /// Packets that are missing now make other answers differ, which is no failure of the bench:
    /// then too much was taken away. Only changes may come and go with the packets that they
    /// follow from, unless a change is what fails.
    fn is_met(&self, items: &[Item], played: &[Played], indexes: &[usize]) -> bool {
        let original = |index: usize| indexes.get(index).copied();
        match self {
            Wanted::Different { target, known } => {
                let strict = is_change(items, target);
                let mut found = failures(played, original);
                let met = failures(played, original).any(|one| one == *target);
                met && found.all(|one| known.contains(&one) || (!strict && is_change(items, &one)))
            }
            Wanted::Verdict { item, verdict } => played.iter().any(|one| {
                one.item.and_then(original) == Some(*item) && one.verdict.as_ref() == Some(verdict)
            }),
        }
    }
}

fn failures(
    played: &[Played],
    original: impl Fn(usize) -> Option<usize>,
) -> impl Iterator<Item = Failure> {
    let different = played.iter().filter(|one| one.status.is_different());
    different.map(move |one| Failure {
        item: one.item.and_then(&original),
        status: one.status.clone(),
    })
}

fn is_change(items: &[Item], failure: &Failure) -> bool {
    let item = failure.item.and_then(|index| items.get(index));
    item.is_none_or(|item| matches!(item.what, What::Change { .. }))
}

#[cfg(test)]
mod tests {
    use jiff::Timestamp;

    use super::super::items::Recorded;
    use super::*;
    use crate::journal::{Direction, Link, PacketRecord};
    use crate::wire::{Builder, Code, Secret};

    fn shrunk(count: usize, needed: &[usize]) -> Vec<usize> {
        let groups = (0..count).map(|index| vec![index]).collect();
        let holds = |kept: &[Vec<usize>]| {
            let kept = flat(kept);
            needed.iter().all(|one| kept.contains(one))
        };
        flat(&shrink(groups, holds))
    }

    #[test]
    fn only_what_is_needed_stays() {
        assert_eq!(shrunk(100, &[3, 50, 99]), [3, 50, 99]);
        assert_eq!(shrunk(7, &[0, 1, 2, 3, 4, 5, 6]).len(), 7);
        assert_eq!(shrunk(1, &[0]), [0]);
        assert!(shrunk(5, &[]).is_empty());
    }

    /// RFC 2865 section 5.24: the State of a challenge comes back in the next request.
    #[test]
    fn a_conversation_and_its_retransmissions_are_one_group() {
        let packet = |code, identifier, state: &[u8]| {
            let mut builder = Builder::new(code, identifier);
            if !state.is_empty() {
                builder.push(a::STATE, state).unwrap();
            }
            builder.finish_request(&[identifier; 16], &Secret::new("lantern quay bench"))
        };
        let record = |octets, direction| PacketRecord {
            at: Timestamp::UNIX_EPOCH,
            direction,
            link: Link::Authentication,
            from: "192.0.2.1:50000".parse().unwrap(),
            to: "192.0.2.2:1812".parse().unwrap(),
            octets,
        };
        let item = |request, answer: Option<Vec<u8>>| Item {
            at: Timestamp::UNIX_EPOCH,
            what: What::Request {
                request: Recorded {
                    packet: record(request, Direction::In),
                    verdict: None,
                },
                answer: answer.map(|octets| record(octets, Direction::Out)),
            },
        };
        let (asks, challenges) = (Code::ACCESS_REQUEST, Code::ACCESS_CHALLENGE);
        let items = [
            item(packet(asks, 1, b""), Some(packet(challenges, 1, b"one"))),
            item(packet(asks, 2, b""), Some(packet(challenges, 2, b"two"))),
            item(
                packet(asks, 3, b"one"),
                Some(packet(challenges, 3, b"three")),
            ),
            item(packet(asks, 3, b"one"), None),
            item(packet(asks, 4, b"three"), None),
            item(packet(asks, 5, b"of nobody"), None),
        ];
        assert_eq!(groups(&items), [vec![0, 2, 3, 4], vec![1], vec![5]]);
    }

    /// A pair of which either needs the other goes together at the last.
    #[test]
    fn what_goes_late_lets_go_of_what_was_needed_before() {
        let groups = (0..6).map(|index| vec![index]).collect();
        // 0 can only go once 5 is gone; 5 may go at any time.
        let holds = |kept: &[Vec<usize>]| {
            let kept = flat(kept);
            kept.contains(&2) && (kept.contains(&0) || !kept.contains(&5))
        };
        assert_eq!(flat(&shrink(groups, holds)), [2]);
    }
}
