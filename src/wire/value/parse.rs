//! Text from a table made into the octets of an attribute.

use std::net::{Ipv4Addr, Ipv6Addr};

use jiff::Timestamp;

use super::spell::{self, from_digits};
use crate::wire::attribute::MAX_VALUE;
use crate::wire::registry::attributes as a;
use crate::wire::registry::{DataType, values};
use crate::wire::vlan::{self, VlanRef};

/// Why a text is not a value of an attribute.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum ValueError {
    /// An attribute with no value is not sent (RFC 8044 sections 3.4 and 3.5).
    #[error("an empty value cannot be sent: leave the attribute out")]
    Empty,
    /// More octets than an attribute takes.
    #[error("{0} octets, an attribute takes 253")]
    TooLong(usize),
    /// Text that is not of the attribute's data type.
    #[error("'{text}' is not {wanted}")]
    Not {
        /// What was given.
        text: String,
        /// What would be right, with its article.
        wanted: &'static str,
    },
    /// Neither a number nor a named value.
    #[error("'{text}' is neither a number nor one of: {known}")]
    UnknownName {
        /// What was given.
        text: String,
        /// The names that there are, separated by commas.
        known: String,
    },
    /// An attribute whose value is computed for each packet.
    #[error("{0} is computed for each packet: it cannot be given a value")]
    Computed(&'static str),
}

/// The octets of attribute `kind` for a text, by its data type:
/// numbers in decimal or hex (`0x…`), or by the name of the value; addresses and prefixes in their
/// usual spelling; times by RFC 3339 or in seconds; text as it stands; opaque octets as text or as
/// hex (`0x…`). Tunnel attributes get tag 0. Attributes of RFC 4675 are spelt as they are shown:
/// `100 tagged`, `voice untagged`, `0 1 2 3 4 5 6 7`.
///
/// # Errors
/// When the text is not of that type, empty or too long.
pub fn parse_value(kind: u8, text: &str) -> Result<Vec<u8>, ValueError> {
    if matches!(kind, a::USER_PASSWORD | a::MESSAGE_AUTHENTICATOR) {
        return Err(ValueError::Computed(a::name(kind).unwrap_or_default()));
    }
    let value = match kind {
        a::EGRESS_VLANID => egress_vlan(text)?,
        a::EGRESS_VLAN_NAME => egress_name(text)?,
        a::USER_PRIORITY_TABLE => priority_table(text)?,
        _ => octets(kind, text)?,
    };
    match value.len() {
        0 => Err(ValueError::Empty),
        length if length > MAX_VALUE => Err(ValueError::TooLong(length)),
        _ => Ok(value),
    }
}

fn egress_vlan(text: &str) -> Result<Vec<u8>, ValueError> {
    let parsed = egress(text).and_then(|(vlan, tagged)| match VlanRef::parse(vlan)? {
        VlanRef::Id(id) => Some(vlan::egress_vlan(id, tagged).value),
        VlanRef::Name(_) => None,
    });
    parsed.ok_or_else(|| ValueError::Not {
        text: text.to_owned(),
        wanted: "a VLAN id from 1 to 4094, then tagged or untagged, such as '100 tagged'",
    })
}

fn egress_name(text: &str) -> Result<Vec<u8>, ValueError> {
    match egress(text).filter(|(name, _)| !name.is_empty()) {
        Some((name, tagged)) => Ok(vlan::egress_vlan_name(name, tagged).value),
        None => Err(ValueError::Not {
            text: text.to_owned(),
            wanted: "a VLAN name, then tagged or untagged, such as 'voice tagged'",
        }),
    }
}

fn egress(text: &str) -> Option<(&str, bool)> {
    let (vlan, word) = text.rsplit_once(' ')?;
    match word {
        "tagged" => Some((vlan, true)),
        "untagged" => Some((vlan, false)),
        _ => None,
    }
}

fn priority_table(text: &str) -> Result<Vec<u8>, ValueError> {
    let priorities: Option<Vec<u8>> = text
        .split(' ')
        .map(|word| {
            u8::try_from(from_digits(word, 8)?)
                .ok()
                .filter(|priority| *priority <= 7)
        })
        .collect();
    priorities
        .and_then(|priorities| <[u8; 8]>::try_from(priorities).ok())
        .map(|map| vlan::user_priority_table(map).value)
        .ok_or_else(|| ValueError::Not {
            text: text.to_owned(),
            wanted: "eight priorities from 0 to 7, such as '0 1 2 3 4 5 6 7'",
        })
}

fn octets(kind: u8, text: &str) -> Result<Vec<u8>, ValueError> {
    let not = |wanted| ValueError::Not {
        text: text.to_owned(),
        wanted,
    };
    match a::data_type(kind) {
        DataType::Integer | DataType::Enum if a::is_tagged(kind) => {
            let number = number_or_name(kind, text)?;
            if number > 0x00ff_ffff {
                return Err(not("a number up to 16777215 (RFC 2868 section 3)"));
            }
            Ok(number.to_be_bytes().to_vec())
        }
        DataType::Integer | DataType::Enum => {
            Ok(number_or_name(kind, text)?.to_be_bytes().to_vec())
        }
        DataType::Integer64 => number(text)
            .map(|number| number.to_be_bytes().to_vec())
            .ok_or_else(|| not("a number")),
        DataType::Time => seconds(text)
            .map(|seconds| seconds.to_be_bytes().to_vec())
            .ok_or_else(|| not("a time such as 2026-01-31T12:00:00Z, or seconds since 1970")),
        DataType::Text => Ok(text.as_bytes().to_vec()),
        DataType::IfId => {
            spell::parse_interface_id(text).ok_or_else(|| not("an interface id such as 0:0:0:1"))
        }
        DataType::Ipv4Addr => text
            .parse::<Ipv4Addr>()
            .map(|address| address.octets().to_vec())
            .map_err(|_| not("an IPv4 address")),
        DataType::Ipv6Addr => text
            .parse::<Ipv6Addr>()
            .map(|address| address.octets().to_vec())
            .map_err(|_| not("an IPv6 address")),
        DataType::Ipv6Prefix => spell::parse_ipv6_prefix(text).ok_or_else(|| not("an IPv6 prefix")),
        DataType::Ipv4Prefix => spell::parse_ipv4_prefix(text).ok_or_else(|| not("an IPv4 prefix")),
        DataType::String
        | DataType::Concat
        | DataType::Tlv
        | DataType::Vsa
        | DataType::Extended
        | DataType::LongExtended
        | DataType::Evs => match text.strip_prefix("0x") {
            None => Ok(text.as_bytes().to_vec()),
            Some(digits) => {
                spell::parse_hex(digits).ok_or_else(|| not("an even number of hex digits"))
            }
        },
    }
}

fn number_or_name(kind: u8, text: &str) -> Result<u32, ValueError> {
    if let Some(number) = number(text) {
        return u32::try_from(number).map_err(|_| ValueError::Not {
            text: text.to_owned(),
            wanted: "a number up to 4294967295",
        });
    }
    values::value_by_name(kind, text).ok_or_else(|| {
        let names: Vec<&str> = values::values(kind).iter().map(|(_, name)| *name).collect();
        if names.is_empty() {
            ValueError::Not {
                text: text.to_owned(),
                wanted: "a number",
            }
        } else {
            ValueError::UnknownName {
                text: text.to_owned(),
                known: names.join(", "),
            }
        }
    })
}

fn number(text: &str) -> Option<u64> {
    match text.strip_prefix("0x") {
        Some(digits) => from_digits(digits, 16),
        None => from_digits(text, 10),
    }
}

fn seconds(text: &str) -> Option<u32> {
    let seconds = match number(text) {
        Some(number) => number,
        None => u64::try_from(text.parse::<Timestamp>().ok()?.as_second()).ok()?,
    };
    u32::try_from(seconds).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn not(text: &str) -> bool {
        let is_not = |kind| {
            matches!(
                parse_value(kind, text),
                Err(ValueError::Not { .. } | ValueError::UnknownName { .. })
            )
        };
        [a::SESSION_TIMEOUT, a::SERVICE_TYPE]
            .into_iter()
            .all(is_not)
    }

    #[test]
    fn numbers() {
        assert_eq!(
            parse_value(a::SESSION_TIMEOUT, "3600"),
            Ok(vec![0, 0, 0x0e, 0x10])
        );
        assert_eq!(
            parse_value(a::SESSION_TIMEOUT, "0xE10"),
            Ok(vec![0, 0, 0x0e, 0x10])
        );
        assert_eq!(
            parse_value(a::SERVICE_TYPE, "Call-Check"),
            Ok(vec![0, 0, 0, 10])
        );
        assert_eq!(
            parse_value(a::SERVICE_TYPE, "call check"),
            Ok(vec![0, 0, 0, 10])
        );
        assert_eq!(parse_value(a::SERVICE_TYPE, "10"), Ok(vec![0, 0, 0, 10]));
        for text in [
            "",
            "-1",
            "+1",
            " 1",
            "1.5",
            "0x",
            "0x+1",
            "0xg",
            "4294967296",
            "1e3",
        ] {
            assert!(not(text), "'{text}'");
        }
        let error = parse_value(a::TERMINATION_ACTION, "again").unwrap_err();
        let words = "'again' is neither a number nor one of: Default, RADIUS-Request";
        assert_eq!(error.to_string(), words);
    }

    /// RFC 2868 section 3: a tag of 0 and three octets.
    #[test]
    fn tunnel_numbers() {
        assert_eq!(parse_value(a::TUNNEL_TYPE, "VLAN"), Ok(vec![0, 0, 0, 13]));
        assert_eq!(
            parse_value(a::TUNNEL_MEDIUM_TYPE, "IEEE-802"),
            Ok(vec![0, 0, 0, 6])
        );
        assert_eq!(
            parse_value(a::TUNNEL_PREFERENCE, "16777215"),
            Ok(vec![0, 255, 255, 255])
        );
        assert!(parse_value(a::TUNNEL_PREFERENCE, "16777216").is_err());
        assert_eq!(
            parse_value(a::TUNNEL_PRIVATE_GROUP_ID, "100"),
            Ok(b"100".to_vec())
        );
    }

    #[test]
    fn addresses_and_prefixes() {
        assert_eq!(
            parse_value(a::NAS_IP_ADDRESS, "192.0.2.7"),
            Ok(vec![192, 0, 2, 7])
        );
        assert!(parse_value(a::NAS_IP_ADDRESS, "192.0.2").is_err());
        assert!(parse_value(a::NAS_IP_ADDRESS, "2001:db8::1").is_err());
        let six = parse_value(a::NAS_IPV6_ADDRESS, "2001:db8::1").unwrap();
        assert_eq!(
            (six.len(), six[..4].to_vec()),
            (16, vec![0x20, 1, 0x0d, 0xb8])
        );
        // RFC 8044 section 3.10: bits beyond the length are zero, octets beyond it are left out.
        let prefix = parse_value(a::FRAMED_IPV6_PREFIX, "2001:db8::ff/33");
        assert_eq!(prefix, Ok(vec![0, 33, 0x20, 1, 0x0d, 0xb8, 0]));
        assert_eq!(parse_value(a::FRAMED_IPV6_PREFIX, "::/0"), Ok(vec![0, 0]));
        assert!(parse_value(a::FRAMED_IPV6_PREFIX, "2001:db8::/129").is_err());
        // RFC 8044 section 3.11
        let prefix = parse_value(a::PMIP6_HOME_IPV4_HOA, "192.0.2.9/24");
        assert_eq!(prefix, Ok(vec![0, 24, 192, 0, 2, 0]));
        // RFC 8044 section 3.7
        let interface = parse_value(a::FRAMED_INTERFACE_ID, "0:ff:fe00:1");
        assert_eq!(interface, Ok(vec![0, 0, 0, 0xff, 0xfe, 0, 0, 1]));
        for text in ["0:1:2", "0:1:2:3:4", "0:1:2:10000", "0:1:2:", "0:1:2:+3"] {
            assert!(parse_value(a::FRAMED_INTERFACE_ID, text).is_err(), "{text}");
        }
    }

    /// RFC 8044 section 3.3: seconds since 1970, 32 bits.
    #[test]
    fn times() {
        let expected = Ok(1_700_000_000u32.to_be_bytes().to_vec());
        assert_eq!(parse_value(a::EVENT_TIMESTAMP, "1700000000"), expected);
        assert_eq!(
            parse_value(a::EVENT_TIMESTAMP, "2023-11-14T22:13:20Z"),
            expected
        );
        assert_eq!(
            parse_value(a::EVENT_TIMESTAMP, "2023-11-14T23:13:20+01:00"),
            expected
        );
        for text in ["yesterday", "1969-12-31T23:59:59Z", "2200-01-01T00:00:00Z"] {
            assert!(parse_value(a::EVENT_TIMESTAMP, text).is_err(), "{text}");
        }
    }

    #[test]
    fn text_and_octets() {
        assert_eq!(parse_value(a::FILTER_ID, "0x41"), Ok(b"0x41".to_vec()));
        assert_eq!(parse_value(a::CLASS, "0x41ff"), Ok(vec![0x41, 0xff]));
        assert_eq!(parse_value(a::CLASS, "tills"), Ok(b"tills".to_vec()));
        assert_eq!(
            parse_value(200, "0x00"),
            Ok(vec![0]),
            "an unknown attribute"
        );
        for text in ["0x4", "0x4g", "0x+f", "0xé0"] {
            assert!(parse_value(a::CLASS, text).is_err(), "{text}");
        }
        assert_eq!(parse_value(a::FILTER_ID, ""), Err(ValueError::Empty));
        assert_eq!(parse_value(a::CLASS, "0x"), Err(ValueError::Empty));
        let long = "a".repeat(254);
        assert_eq!(
            parse_value(a::FILTER_ID, &long),
            Err(ValueError::TooLong(254))
        );
        assert!(parse_value(a::FILTER_ID, &long[1..]).is_ok());
    }

    /// RFC 4675 sections 2.1, 2.3 and 2.4
    #[test]
    fn vlans_and_priorities() {
        let parse = |kind, text| parse_value(kind, text).ok();
        let id = |text| parse(a::EGRESS_VLANID, text);
        assert_eq!(id("100 tagged"), Some(vec![0x31, 0, 0, 100]));
        assert_eq!(id("4094 untagged"), Some(vec![0x32, 0, 0x0f, 0xfe]));
        for text in [
            "100",
            "0 tagged",
            "4095 tagged",
            "voice tagged",
            "100 both",
            " tagged",
        ] {
            assert_eq!(id(text), None, "{text}");
        }
        let name = |text| parse(a::EGRESS_VLAN_NAME, text);
        assert_eq!(name("till voice tagged"), Some(b"\x31till voice".to_vec()));
        for text in ["voice", " tagged", ""] {
            assert_eq!(name(text), None, "{text}");
        }
        let table = |text| parse(a::USER_PRIORITY_TABLE, text);
        assert_eq!(table("7 6 5 4 3 2 1 0"), Some(vec![7, 6, 5, 4, 3, 2, 1, 0]));
        for text in [
            "0 1 2 3 4 5 6",
            "0 1 2 3 4 5 6 7 7",
            "0 1 2 3 4 5 6 8",
            "0 1 2 3 4 5 6 11",
            "",
        ] {
            assert_eq!(table(text), None, "{text}");
        }
    }

    #[test]
    fn computed_attributes_take_no_value() {
        for kind in [a::USER_PASSWORD, a::MESSAGE_AUTHENTICATOR] {
            let error = parse_value(kind, "a").unwrap_err();
            assert_eq!(error, ValueError::Computed(a::name(kind).unwrap()));
        }
    }
}
