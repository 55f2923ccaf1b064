//! One entry of the journal.

use std::net::SocketAddr;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::bench::ChangeKind;
use crate::decide::Trace;
use crate::wire::Mac;

/// One thing that happened.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Entry {
    /// Position in the journal, from 1, without gaps; given when it is appended.
    pub seq: u64,
    /// When.
    pub at: Timestamp,
    /// What kind of thing.
    pub kind: Kind,
    /// Named verdict, kebab-case: "answered", "dropped-unknown-switch", "acked", "nak-503", …
    pub verdict: String,
    /// Why, in one line that a person can act on.
    pub reason: String,
    /// Where.
    #[serde(flatten)]
    pub place: Place,
    /// The packets of this exchange, in order.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub packets: Vec<PacketRecord>,
    /// How the decision fell.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub trace: Option<Trace>,
    /// The standard and section that the other side broke, where it did ("RFC 3579 section 3.2").
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub breach: Option<String>,
}

/// Where something happened and what it was about; whatever is known of it.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Place {
    /// Switch entry.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub switch: Option<String>,
    /// Port as the switch names it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub port: Option<String>,
    /// Device.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub mac: Option<Mac>,
    /// Identity, for a login.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub identity: Option<String>,
    /// Class in force after this entry.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub class: Option<String>,
    /// Session number.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub session: Option<u64>,
    /// Which change, for [`Kind::Change`].
    #[serde(skip_serializing_if = "Option::is_none")]
    pub change: Option<ChangeKind>,
    /// Number of the order that the change belongs to; a fallback keeps its order's number.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub order: Option<u64>,
}

/// Kinds of entries.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// An Access-Request and what became of it.
    Access,
    /// An Accounting-Request and what became of it.
    Accounting,
    /// A Status-Server and its answer.
    Status,
    /// A datagram that was dropped before its kind mattered.
    Dropped,
    /// A retransmission that got the same octets again.
    Repeat,
    /// Something learnt about a device.
    Sighting,
    /// Sightings picked another class than the one in force.
    Recognition,
    /// A change sent, repeated, answered or given up.
    Change,
    /// A session began, moved or ended.
    Session,
    /// Something done by hand: pin, forget, reload.
    Desk,
    /// A fault was switched on or off, or acted.
    Fault,
}

impl Kind {
    /// Every kind.
    pub const ALL: [Kind; 11] = [
        Kind::Access,
        Kind::Accounting,
        Kind::Status,
        Kind::Dropped,
        Kind::Repeat,
        Kind::Sighting,
        Kind::Recognition,
        Kind::Change,
        Kind::Session,
        Kind::Desk,
        Kind::Fault,
    ];

    /// The word in the state file, in filters and on the page.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Kind::Access => "access",
            Kind::Accounting => "accounting",
            Kind::Status => "status",
            Kind::Dropped => "dropped",
            Kind::Repeat => "repeat",
            Kind::Sighting => "sighting",
            Kind::Recognition => "recognition",
            Kind::Change => "change",
            Kind::Session => "session",
            Kind::Desk => "desk",
            Kind::Fault => "fault",
        }
    }

    /// The kind that a word names.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Kind> {
        Kind::ALL.into_iter().find(|kind| kind.word() == word)
    }
}

/// A packet with where it came from and went.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct PacketRecord {
    /// When it was received or sent.
    pub at: Timestamp,
    /// Which way, seen from the bench.
    pub direction: Direction,
    /// What it travelled on.
    pub link: Link,
    /// Source.
    pub from: SocketAddr,
    /// Destination.
    pub to: SocketAddr,
    /// The octets (hex in JSON).
    #[serde(with = "hex_octets")]
    pub octets: Vec<u8>,
}

/// Which way a packet went.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Direction {
    /// To the bench.
    In,
    /// From the bench.
    Out,
}

impl Direction {
    /// The word in the state file.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Direction::In => "in",
            Direction::Out => "out",
        }
    }

    /// The direction that a word names.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Direction> {
        [Direction::In, Direction::Out]
            .into_iter()
            .find(|direction| direction.word() == word)
    }
}

/// What a packet travelled on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Link {
    /// RADIUS authentication.
    Authentication,
    /// RADIUS accounting.
    Accounting,
    /// Dynamic authorization.
    Change,
    /// DHCP.
    Dhcp,
}

impl Link {
    /// The word in the state file.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Link::Authentication => "authentication",
            Link::Accounting => "accounting",
            Link::Change => "change",
            Link::Dhcp => "dhcp",
        }
    }

    /// The link that a word names.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Link> {
        [
            Link::Authentication,
            Link::Accounting,
            Link::Change,
            Link::Dhcp,
        ]
        .into_iter()
        .find(|link| link.word() == word)
    }
}

/// Octets as one hex text.
pub mod hex_octets {
    use serde::{Deserialize, Deserializer, Serializer};

    /// Lower-case hex.
    ///
    /// # Errors
    /// Those of the serializer.
    pub fn serialize<S: Serializer>(octets: &[u8], serializer: S) -> Result<S::Ok, S::Error> {
        use std::fmt::Write as _;
        let mut text = String::with_capacity(octets.len() * 2);
        for octet in octets {
            // Writing to a String cannot fail.
            let _ = write!(text, "{octet:02x}");
        }
        serializer.serialize_str(&text)
    }

    /// Hex of either case.
    ///
    /// # Errors
    /// When the text is not an even number of hex digits.
    pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Vec<u8>, D::Error> {
        let text = String::deserialize(deserializer)?;
        decode(&text).ok_or_else(|| serde::de::Error::custom("not an even number of hex digits"))
    }

    /// Hex to octets; `None` when it is no hex.
    #[must_use]
    pub fn decode(text: &str) -> Option<Vec<u8>> {
        let digits: Option<Vec<u8>> = text
            .chars()
            .map(|c| c.to_digit(16).map(|d| d as u8))
            .collect();
        let digits = digits?;
        if digits.len() % 2 != 0 {
            return None;
        }
        Some(
            digits
                .chunks(2)
                .filter_map(|pair| match pair {
                    [high, low] => Some((high << 4) | low),
                    _ => None,
                })
                .collect(),
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_are_those_of_the_json_form() {
        for kind in Kind::ALL {
            assert_eq!(serde_json::json!(kind), kind.word());
            assert_eq!(Kind::from_word(kind.word()), Some(kind));
        }
        for direction in [Direction::In, Direction::Out] {
            assert_eq!(serde_json::json!(direction), direction.word());
            assert_eq!(Direction::from_word(direction.word()), Some(direction));
        }
        for link in [
            Link::Authentication,
            Link::Accounting,
            Link::Change,
            Link::Dhcp,
        ] {
            assert_eq!(serde_json::json!(link), link.word());
            assert_eq!(Link::from_word(link.word()), Some(link));
        }
        assert_eq!(Kind::from_word("Access"), None);
    }
}
