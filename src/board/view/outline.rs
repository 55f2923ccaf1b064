//! One journal entry, without its packets.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::journal::Entry;

/// A journal entry in outline.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Outline {
    /// Number, from 1.
    pub seq: u64,
    /// When.
    #[schema(value_type = String, format = DateTime)]
    pub at: Timestamp,
    /// Kind: access, accounting, status, dropped, repeat, sighting, recognition, change, session,
    /// desk, fault.
    pub kind: String,
    /// Named verdict.
    pub verdict: String,
    /// How it went, at a glance.
    pub mark: Mark,
    /// Why, in one line.
    pub reason: String,
    /// Switch entry.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub switch: Option<String>,
    /// Port as the switch names it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub port: Option<String>,
    /// Device.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mac: Option<String>,
    /// Identity, for a login.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub identity: Option<String>,
    /// Class in force after the entry.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub class: Option<String>,
    /// Session number.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub session: Option<u64>,
    /// Which change.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub change: Option<String>,
    /// Number of the order that a change belongs to.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub order: Option<u64>,
    /// Standard and section that the other side broke.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub breach: Option<String>,
}

/// How an entry went, at a glance.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Mark {
    /// It came to its good end.
    Done,
    /// It goes on.
    UnderWay,
    /// It went wrong, or nothing came of it.
    Trouble,
    /// Worth knowing.
    Note,
}

/// Starts of verdicts and what they mean; the first that fits counts.
const MARKS: [(&str, Mark); 17] = [
    ("answered-reject", Mark::Trouble),
    ("answered-challenge", Mark::UnderWay),
    ("answered", Mark::Done),
    ("recorded", Mark::Done),
    ("acked", Mark::Done),
    ("dropped-superseded", Mark::Note),
    ("dropped-settled", Mark::Note),
    ("dropped", Mark::Trouble),
    ("nak", Mark::Trouble),
    ("gave-up", Mark::Trouble),
    ("refused", Mark::Trouble),
    ("ordered", Mark::UnderWay),
    ("sent", Mark::UnderWay),
    ("begun", Mark::UnderWay),
    ("repeated", Mark::UnderWay),
    ("queued", Mark::UnderWay),
    ("fell-back", Mark::UnderWay),
];

impl Mark {
    /// The mark of a verdict.
    #[must_use]
    pub fn of(verdict: &str) -> Mark {
        MARKS
            .iter()
            .find(|(start, _)| verdict.starts_with(start))
            .map_or(Mark::Note, |(_, mark)| *mark)
    }
}

impl From<&Entry> for Outline {
    fn from(entry: &Entry) -> Outline {
        let place = &entry.place;
        Outline {
            seq: entry.seq,
            at: entry.at,
            kind: entry.kind.word().to_owned(),
            verdict: entry.verdict.clone(),
            mark: Mark::of(&entry.verdict),
            reason: entry.reason.clone(),
            switch: place.switch.clone(),
            port: place.port.clone(),
            mac: place.mac.map(|mac| mac.to_string()),
            identity: place.identity.clone(),
            class: place.class.clone(),
            session: place.session,
            change: place.change.map(|change| change.word().to_owned()),
            order: place.order,
            breach: entry.breach.clone(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn verdicts_have_their_mark() {
        for (verdict, mark) in [
            ("answered-accept", Mark::Done),
            ("answered-reject-wrong-password", Mark::Trouble),
            ("answered-challenge", Mark::UnderWay),
            ("dropped-malformed", Mark::Trouble),
            ("recorded-start", Mark::Done),
            ("nak-503", Mark::Trouble),
            ("gave-up", Mark::Trouble),
            ("sent", Mark::UnderWay),
            ("acked", Mark::Done),
            ("forgotten", Mark::Note),
        ] {
            assert_eq!(Mark::of(verdict), mark, "{verdict}");
        }
    }
}
