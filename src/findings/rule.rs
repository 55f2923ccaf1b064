//! A rule: one row of the table.

use std::fmt;

use serde::{Serialize, Serializer};

use super::agenda::Duty;
use super::facts::SwitchFacts;
use super::finding::PacketRef;
use super::seen::{Answered, Asked, Packeted, Reported, Sent, Stray};

/// One rule.
#[derive(Debug, Serialize)]
pub struct Rule {
    /// Name, unique: the standard, then what is wrong.
    pub id: &'static str,
    /// Where it is written.
    pub source: Source,
    /// How bad a break is.
    pub severity: Severity,
    /// What is wrong, in one line.
    pub title: &'static str,
    /// Why it matters for a port configuration.
    pub why: &'static str,
    /// What to do, in general terms.
    pub remedy: &'static str,
    /// What it looks at.
    #[serde(skip)]
    pub(super) check: Check,
}

/// The name is unique.
impl PartialEq for Rule {
    fn eq(&self, other: &Rule) -> bool {
        self.id == other.id
    }
}

/// How bad the break of a rule is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Severity {
    /// Worth knowing; no rule is broken.
    Note,
    /// Allowed, but it makes the port weaker, slower or harder to run.
    Weakness,
    /// A standard says MUST, or a promise of the switch was not kept.
    Breach,
}

impl Severity {
    /// Every severity, the lightest first.
    pub const ALL: [Severity; 3] = [Severity::Note, Severity::Weakness, Severity::Breach];

    /// The word in options, reports and on the page.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Severity::Note => "note",
            Severity::Weakness => "weakness",
            Severity::Breach => "breach",
        }
    }
}

/// A word that is no severity.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("one of note, weakness, breach")]
pub struct NoSeverity;

impl std::str::FromStr for Severity {
    type Err = NoSeverity;

    fn from_str(word: &str) -> Result<Severity, NoSeverity> {
        Severity::ALL
            .into_iter()
            .find(|severity| severity.word() == word)
            .ok_or(NoSeverity)
    }
}

/// Where a rule is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Source {
    /// An RFC.
    Rfc {
        /// Its number.
        number: u16,
        /// The section.
        section: &'static str,
        /// True when number and section are from memory and the text was not at hand.
        from_memory: bool,
    },
    /// What engineers hold to, written nowhere.
    Practice,
}

/// A section whose text was at hand.
pub(super) const fn rfc(number: u16, section: &'static str) -> Source {
    Source::Rfc {
        number,
        section,
        from_memory: false,
    }
}

/// A section from memory.
pub(super) const fn rfc_from_memory(number: u16, section: &'static str) -> Source {
    Source::Rfc {
        number,
        section,
        from_memory: true,
    }
}

impl fmt::Display for Source {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Source::Rfc {
                number, section, ..
            } => write!(f, "RFC {number} section {section}"),
            Source::Practice => f.write_str("common practice, no source"),
        }
    }
}

impl Serialize for Source {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

/// What a rule looks at. A function gives a remark when the rule is broken.
#[derive(Debug, Clone, Copy)]
pub(super) enum Check {
    /// Every request as it was transmitted, repetitions included.
    Sent(fn(&Sent<'_>) -> Option<Remark>),
    /// The attributes of any packet of the switch.
    Packet(fn(&Packeted<'_>) -> Option<Remark>),
    /// Every Access-Request that is not a repetition.
    Asked(fn(&Asked<'_>) -> Option<Remark>),
    /// Every Accounting-Request that is not a repetition.
    Reported(fn(&Reported<'_>) -> Option<Remark>),
    /// Every answer to a change.
    Answered(fn(&Answered<'_>) -> Option<Remark>),
    /// Every datagram that was dropped for its form.
    Stray(fn(&Stray<'_>) -> Option<Remark>),
    /// Something that the switch owed and did not do in time.
    Missed(Duty),
    /// What the bench file says of a switch.
    Switch(fn(&SwitchFacts) -> Option<Remark>),
}

/// What was seen, and the other packets that show it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Remark {
    pub(super) what: String,
    pub(super) beside: Vec<PacketRef>,
}

impl Remark {
    pub(super) fn new(what: impl Into<String>) -> Remark {
        Remark {
            what: what.into(),
            beside: Vec::new(),
        }
    }

    pub(super) fn beside(mut self, packet: PacketRef) -> Remark {
        self.beside.push(packet);
        self
    }
}

/// A remark when the rule is broken.
pub(super) fn when(broken: bool, what: impl FnOnce() -> String) -> Option<Remark> {
    broken.then(|| Remark::new(what()))
}
