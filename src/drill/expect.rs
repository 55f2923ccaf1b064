//! Whether an observation is what a clause means, and clauses in words.

use std::collections::{BTreeMap, BTreeSet};

use jiff::Timestamp;

use super::observe::{Observation, SessionStep};
use super::run::StepResult;
use super::script::Clause;
use crate::wire::Mac;

/// Device names to addresses.
pub type Names = BTreeMap<String, Mac>;

/// Whether the observation concerns the clause's device and port at all.
#[must_use]
pub fn is_about(clause: &Clause, seen: &Observation, names: &Names) -> bool {
    let device = clause
        .device
        .as_ref()
        .is_none_or(|name| seen.mac.is_some() && seen.mac == names.get(&name.value).copied());
    let port = clause
        .port
        .as_ref()
        .is_none_or(|port| seen.port.as_ref() == Some(&port.value));
    device && port
}

/// Whether the observation is what the clause describes.
#[must_use]
pub fn matches(clause: &Clause, seen: &Observation, names: &Names) -> bool {
    is_about(clause, seen, names)
        && takes_class(clause, seen)
        && clause.kind.is_none_or(|kind| seen.kind == Some(kind))
        && clause
            .change
            .is_none_or(|change| seen.change == Some(change))
        && clause
            .verdict
            .as_ref()
            .is_none_or(|pattern| seen.kind.is_some() && glob(pattern, &seen.word))
        && clause
            .event
            .as_ref()
            .is_none_or(|event| seen.kind.is_none() && seen.word == event.value)
        && in_force(clause, seen)
}

/// A class alone means "was put into that class": an accept or a regrant. With a kind, verdict or
/// event beside it, it only narrows that.
fn takes_class(clause: &Clause, seen: &Observation) -> bool {
    let Some(class) = &clause.class else {
        return true;
    };
    let narrowed = clause.kind.is_some() || clause.verdict.is_some() || clause.event.is_some();
    seen.class.as_ref() == Some(&class.value) && (narrowed || seen.grants_class)
}

fn in_force(clause: &Clause, seen: &Observation) -> bool {
    if clause.vlan.is_none() && clause.tagged_vlans.is_none() && clause.role.is_none() {
        return true;
    }
    let Some(admitted) = &seen.admitted else {
        return false;
    };
    let tagged = clause.tagged_vlans.as_ref().is_none_or(|wanted| {
        wanted.iter().collect::<BTreeSet<_>>() == admitted.tagged_vlans.iter().collect()
    });
    clause
        .vlan
        .as_ref()
        .is_none_or(|vlan| admitted.vlan.as_ref() == Some(vlan))
        && tagged
        && clause
            .role
            .as_ref()
            .is_none_or(|role| admitted.role.as_ref() == Some(role))
}

pub(super) fn glob(pattern: &str, text: &str) -> bool {
    globset::Glob::new(pattern).is_ok_and(|glob| glob.compile_matcher().is_match(text))
}

/// The clause as a person would say it.
#[must_use]
pub fn in_words(clause: &Clause) -> String {
    let mut parts = Vec::new();
    if let Some(device) = &clause.device {
        parts.push(device.value.clone());
    }
    if let Some(port) = &clause.port {
        parts.push(format!("on port {}", port.value));
    }
    if let Some(class) = &clause.class {
        parts.push(format!("class {}", class.value));
    }
    if let Some(change) = clause.change {
        parts.push(change.word().to_owned());
    }
    if let Some(kind) = clause.kind {
        parts.push(kind.word().to_owned());
    }
    if let Some(verdict) = &clause.verdict {
        parts.push(verdict.value.clone());
    }
    if let Some(event) = &clause.event {
        parts.push(event.value.clone());
    }
    if let Some(vlan) = &clause.vlan {
        parts.push(format!("VLAN {vlan}"));
    }
    if let Some(tagged) = &clause.tagged_vlans {
        parts.push(format!("tagged {}", tagged.join("+")));
    }
    if let Some(role) = &clause.role {
        parts.push(format!("role {role}"));
    }
    if clause.sessions {
        parts.push("sessions at once".to_owned());
    }
    for (limit, words) in [
        (clause.exactly, "exactly"),
        (clause.at_least, "at least"),
        (clause.at_most, "at most"),
    ] {
        if let Some(limit) = limit {
            parts.push(format!("{words} {limit}"));
        }
    }
    if let Some(earliest) = clause.not_before {
        parts.push(format!("not before {:.0} s", earliest.as_secs_f64()));
    }
    if let Some(within) = clause.within {
        parts.push(format!("within {:.0} s", within.as_secs_f64()));
    }
    parts.join(" ")
}

/// Counts for one overall clause.
#[derive(Debug, Clone, Default)]
pub struct Counter {
    happenings: u32,
    live: BTreeSet<u64>,
    most: usize,
    at: Timestamp,
}

impl Counter {
    /// Takes one observation into account.
    pub fn count(&mut self, clause: &Clause, seen: &Observation, names: &Names) {
        if !clause.sessions {
            self.happenings += u32::from(matches(clause, seen, names));
            return;
        }
        // An accept that takes the place of a session and the end of that one are two entries of
        // one moment: what counts is how the moment ends.
        if seen.at > self.at {
            self.settle();
            self.at = seen.at;
        }
        match seen.session_step {
            Some(SessionStep::Began(id)) if is_about(clause, seen, names) => {
                self.live.insert(id);
            }
            Some(SessionStep::Ended(id)) => {
                self.live.remove(&id);
            }
            _ => {}
        }
    }

    fn settle(&mut self) {
        self.most = self.most.max(self.live.len());
    }

    /// How the clause came out.
    #[must_use]
    pub fn result(mut self, clause: &Clause) -> StepResult {
        self.settle();
        let number = if clause.sessions {
            u32::try_from(self.most).unwrap_or(u32::MAX)
        } else {
            self.happenings
        };
        let held = clause.exactly.is_none_or(|limit| number == limit)
            && clause.at_least.is_none_or(|limit| number >= limit)
            && clause.at_most.is_none_or(|limit| number <= limit);
        StepResult {
            clause: in_words(clause),
            held,
            after: None,
            found: if clause.sessions {
                format!("{number} at most at once")
            } else {
                format!("{number} seen")
            },
        }
    }
}
