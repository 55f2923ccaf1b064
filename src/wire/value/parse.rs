//! Text from a table made into the octets of an attribute.

use std::net::{Ipv4Addr, Ipv6Addr};

use ipnet::{Ipv4Net, Ipv6Net};
use jiff::Timestamp;

use crate::wire::attribute::MAX_VALUE;
use crate::wire::registry::attributes as a;
use crate::wire::registry::{DataType, values};

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
/// hex (`0x…`). Tunnel attributes get tag 0.
///
/// # Errors
/// When the text is not of that type, empty or too long.
pub fn parse_value(kind: u8, text: &str) -> Result<Vec<u8>, ValueError> {
    if matches!(kind, a::USER_PASSWORD | a::MESSAGE_AUTHENTICATOR) {
        return Err(ValueError::Computed(a::name(kind).unwrap_or_default()));
    }
    let value = octets(kind, text)?;
    match value.len() {
        0 => Err(ValueError::Empty),
        length if length > MAX_VALUE => Err(ValueError::TooLong(length)),
        _ => Ok(value),
    }
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
        DataType::IfId => interface_id(text).ok_or_else(|| not("an interface id such as 0:0:0:1")),
        DataType::Ipv4Addr => text
            .parse::<Ipv4Addr>()
            .map(|address| address.octets().to_vec())
            .map_err(|_| not("an IPv4 address")),
        DataType::Ipv6Addr => text
            .parse::<Ipv6Addr>()
            .map(|address| address.octets().to_vec())
            .map_err(|_| not("an IPv6 address")),
        DataType::Ipv6Prefix => ipv6_prefix(text).ok_or_else(|| not("an IPv6 prefix")),
        DataType::Ipv4Prefix => ipv4_prefix(text).ok_or_else(|| not("an IPv4 prefix")),
        DataType::String
        | DataType::Concat
        | DataType::Tlv
        | DataType::Vsa
        | DataType::Extended
        | DataType::LongExtended
        | DataType::Evs => match text.strip_prefix("0x") {
            None => Ok(text.as_bytes().to_vec()),
            Some(digits) => hex(digits).ok_or_else(|| not("an even number of hex digits")),
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
        Some(digits) => u64::from_str_radix(digits, 16).ok(),
        None => text.parse().ok(),
    }
}

fn seconds(text: &str) -> Option<u32> {
    let seconds = match number(text) {
        Some(number) => number,
        None => u64::try_from(text.parse::<Timestamp>().ok()?.as_second()).ok()?,
    };
    u32::try_from(seconds).ok()
}

/// Pairs of hex digits.
fn hex(digits: &str) -> Option<Vec<u8>> {
    if !digits.len().is_multiple_of(2) || !digits.is_ascii() {
        return None;
    }
    (0..digits.len())
        .step_by(2)
        .map(|at| u8::from_str_radix(digits.get(at..at + 2)?, 16).ok())
        .collect()
}

/// RFC 8044 section 3.7: four groups of up to four hex digits.
fn interface_id(text: &str) -> Option<Vec<u8>> {
    let groups: Vec<u16> = text
        .split(':')
        .map(|group| u16::from_str_radix(group, 16).ok())
        .collect::<Option<_>>()?;
    (groups.len() == 4).then(|| {
        groups
            .iter()
            .flat_map(|group| group.to_be_bytes())
            .collect()
    })
}

/// RFC 8044 section 3.10: reserved octet, length in bits, and no more octets than it takes.
fn ipv6_prefix(text: &str) -> Option<Vec<u8>> {
    let net: Ipv6Net = text.parse().ok()?;
    let bits = net.prefix_len();
    let octets = net.trunc().addr().octets();
    let used = octets.get(..usize::from(bits).div_ceil(8))?;
    Some([&[0, bits], used].concat())
}

/// RFC 8044 section 3.11: reserved octet, length in bits, address.
fn ipv4_prefix(text: &str) -> Option<Vec<u8>> {
    let net: Ipv4Net = text.parse().ok()?;
    Some(
        [
            &[0, net.prefix_len()],
            net.trunc().addr().octets().as_slice(),
        ]
        .concat(),
    )
}
