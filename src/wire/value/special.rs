//! Attributes with a layout or a meaning beyond their data type, in words.

use super::describe::{Shown, enumerated, hidden, plain};
use super::spell::escape;
use crate::wire::attribute::Attribute;
use crate::wire::code::Code;
use crate::wire::mac::Mac;
use crate::wire::registry::attributes as a;
use crate::wire::registry::{DataType, ErrorCause};

/// The attribute in words; `None` when there is nothing special about its type, or when the value
/// does not have the layout.
pub(super) fn special(attribute: &Attribute<'_>, code: Code) -> Option<Shown> {
    match attribute.kind {
        a::CALLING_STATION_ID | a::CALLED_STATION_ID => station(attribute),
        a::SESSION_TIMEOUT => {
            let note = (code == Code::ACCESS_CHALLENGE)
                .then(|| "time to wait for the supplicant (RFC 3580 section 3.17)".to_owned());
            Some(Shown {
                value: seconds(attribute)?,
                note,
            })
        }
        a::IDLE_TIMEOUT | a::ACCT_DELAY_TIME | a::ACCT_SESSION_TIME | a::ACCT_INTERIM_INTERVAL => {
            plain(seconds(attribute)?)
        }
        a::EGRESS_VLANID => egress_vlan(attribute),
        a::EGRESS_VLAN_NAME => egress_name(attribute),
        a::USER_PRIORITY_TABLE => priority_table(attribute),
        a::EAP_MESSAGE => eap(attribute),
        a::ERROR_CAUSE => error_cause(attribute, code),
        kind if a::is_tagged(kind) => tunnel(attribute),
        _ => None,
    }
}

fn seconds(attribute: &Attribute<'_>) -> Option<String> {
    Some(format!("{} s", attribute.integer()?))
}

/// A MAC address, and the network name that access points append (RFC 3580 section 3.20).
fn station(attribute: &Attribute<'_>) -> Option<Shown> {
    let text = attribute.text()?;
    let (mac, network) = match text.parse::<Mac>() {
        Ok(mac) => (mac, None),
        // Both the address and the name may hold colons.
        Err(_) => text.match_indices(':').find_map(|(at, _)| {
            let (mac, network) = text.split_at_checked(at)?;
            Some((mac.parse().ok()?, network.strip_prefix(':')))
        })?,
    };
    let standard = network.map_or_else(|| mac.to_string(), |network| format!("{mac}:{network}"));
    Some(Shown {
        value: escape(text),
        note: (text != standard).then(|| {
            let section = if attribute.kind == a::CALLING_STATION_ID {
                "3.21"
            } else {
                "3.20"
            };
            format!("RFC 3580 section {section} spells it {}", escape(&standard))
        }),
    })
}

fn egress_vlan(attribute: &Attribute<'_>) -> Option<Shown> {
    let [tag, 0, high, low] = *attribute.value else {
        return None;
    };
    let vid = u16::from_be_bytes([high, low]);
    plain(format!("{vid} {}", egress_tag(tag)?))
}

fn egress_name(attribute: &Attribute<'_>) -> Option<Shown> {
    let (&tag, name) = attribute.value.split_first()?;
    let name = std::str::from_utf8(name).ok()?;
    plain(format!("{} {}", escape(name), egress_tag(tag)?))
}

/// RFC 4675 section 2.1
fn egress_tag(octet: u8) -> Option<&'static str> {
    match octet {
        0x31 => Some("tagged"),
        0x32 => Some("untagged"),
        _ => None,
    }
}

fn priority_table(attribute: &Attribute<'_>) -> Option<Shown> {
    let map: [u8; 8] = attribute.value.try_into().ok()?;
    let words: Vec<String> = map.iter().map(u8::to_string).collect();
    plain(words.join(" "))
}

/// Header of an EAP packet (RFC 3748 section 4). What it carries may be a credential, so only the
/// kind is shown; later fragments have no header.
fn eap(attribute: &Attribute<'_>) -> Option<Shown> {
    let value = attribute.value;
    let [code, identifier, high, low, rest @ ..] = value else {
        return Some(hidden(value));
    };
    let code = match code {
        1 => "Request",
        2 => "Response",
        3 => "Success",
        4 => "Failure",
        _ => return Some(hidden(value)),
    };
    let length = u16::from_be_bytes([*high, *low]);
    let method = rest
        .first()
        .map_or_else(String::new, |method| format!(" type {method}"));
    plain(format!(
        "EAP {code}{method}, identifier {identifier}, {length} octets"
    ))
}

fn error_cause(attribute: &Attribute<'_>, code: Code) -> Option<Shown> {
    let cause = ErrorCause(attribute.integer()?);
    let note = if cause.allowed_in(code) {
        cause.remedy().to_owned()
    } else {
        format!("must not be in a {code} (RFC 5176 section 3.5)")
    };
    Some(Shown {
        value: enumerated(attribute.kind, cause.0),
        note: Some(note),
    })
}

/// RFC 2868: a tag in front of the value.
fn tunnel(attribute: &Attribute<'_>) -> Option<Shown> {
    let (tag, value) = match a::data_type(attribute.kind) {
        DataType::Enum => {
            let (tag, number) = attribute.tagged_integer()?;
            (Some(tag), enumerated(attribute.kind, number))
        }
        DataType::Integer => {
            let (tag, number) = attribute.tagged_integer()?;
            (Some(tag), number.to_string())
        }
        _ => {
            let (tag, text) = attribute.tagged_text();
            (tag, escape(std::str::from_utf8(text).ok()?))
        }
    };
    Some(Shown {
        value,
        note: tag.filter(|tag| *tag != 0).map(|tag| format!("tag {tag}")),
    })
}
