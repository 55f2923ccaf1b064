//! Attributes in words: for the board, logs and findings.
//!
//! Octets that hide a password or a key are never shown, not even in their hidden form.

use std::fmt::Write as _;

use jiff::Timestamp;
use serde::Serialize;

use crate::wire::attribute::{Attribute, VendorAttribute};
use crate::wire::code::Code;
use crate::wire::extended;
use crate::wire::hide::MPPE_VENDOR;
use crate::wire::mac::Mac;
use crate::wire::packet::Packet;
use crate::wire::registry::attributes as a;
use crate::wire::registry::{DataType, ErrorCause, values};

/// An attribute in words.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Described {
    /// Its numbers: `6`, or `26.9.1` for a vendor attribute, `241.26.9.1` for an extended one.
    pub path: String,
    /// Its registered name; that of the attribute around it for a vendor attribute.
    pub name: String,
    /// The value, safe to print: one line, no control characters, no secrets.
    pub value: String,
    /// What a reader should know about it, if anything.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

/// A value and what there is to say about it.
struct Shown {
    value: String,
    note: Option<String>,
}

/// Every attribute of a packet in words, in order. Fragments of a long extended attribute are
/// shown one by one.
#[must_use]
pub fn describe_packet(packet: &Packet<'_>) -> Vec<Described> {
    packet
        .attributes()
        .flat_map(|attribute| describe(&attribute, packet.code()))
        .collect()
}

/// One attribute in words, as it stands in a packet of `code`: one entry, or one for each
/// sub-attribute of a Vendor-Specific attribute.
#[must_use]
pub fn describe(attribute: &Attribute<'_>, code: Code) -> Vec<Described> {
    let vendor_attributes = attribute.vendor_attributes();
    if !vendor_attributes.is_empty() {
        return vendor_attributes.iter().map(describe_vendor).collect();
    }
    let (path, shown) = show(attribute, code);
    vec![Described {
        path,
        name: name(attribute.kind),
        value: shown.value,
        note: shown.note,
    }]
}

fn name(kind: u8) -> String {
    match a::name(kind) {
        Some(name) => name.to_owned(),
        None => format!("Attribute {kind}"),
    }
}

fn describe_vendor(attribute: &VendorAttribute<'_>) -> Described {
    let VendorAttribute {
        vendor,
        kind,
        value,
    } = *attribute;
    let shown = if vendor == MPPE_VENDOR && MPPE_VENDOR_SECRETS.contains(&kind) {
        hidden(value)
    } else {
        opaque(value)
    };
    Described {
        path: format!("{}.{vendor}.{kind}", a::VENDOR_SPECIFIC),
        name: name(a::VENDOR_SPECIFIC),
        value: shown.value,
        note: shown.note,
    }
}

/// Responses, encrypted passwords and keys (RFC 2548 sections 2.1 to 2.4).
const MPPE_VENDOR_SECRETS: &[u8] = &[1, 3, 4, 5, 6, 12, 16, 17, 25, 27];

fn show(attribute: &Attribute<'_>, code: Code) -> (String, Shown) {
    let Attribute { kind, value } = *attribute;
    let path = kind.to_string();
    if a::is_secret(kind) {
        return (path, hidden(value));
    }
    match a::data_type(kind) {
        DataType::Extended | DataType::LongExtended => show_extended(attribute),
        data_type => {
            let shown = special(attribute, code)
                .or_else(|| by_type(attribute, data_type))
                .unwrap_or_else(|| wrong_layout(value, data_type));
            (path, shown)
        }
    }
}

/// Attributes with a layout or a meaning of their own. `None` when there is none, or when the
/// value does not have it.
fn special(attribute: &Attribute<'_>, code: Code) -> Option<Shown> {
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

fn by_type(attribute: &Attribute<'_>, data_type: DataType) -> Option<Shown> {
    let value = attribute.value;
    match data_type {
        DataType::Integer => plain(attribute.integer()?.to_string()),
        DataType::Enum => plain(enumerated(attribute.kind, attribute.integer()?)),
        DataType::Time => {
            let time = Timestamp::from_second(attribute.integer()?.into()).ok()?;
            plain(time.to_string())
        }
        DataType::Text => plain(escape(attribute.text().filter(|text| !text.is_empty())?)),
        DataType::IfId => {
            let octets: [u8; 8] = value.try_into().ok()?;
            plain(groups(octets))
        }
        DataType::Ipv4Addr => plain(attribute.ipv4()?.to_string()),
        DataType::Ipv6Addr => plain(attribute.ipv6()?.to_string()),
        DataType::Ipv6Prefix => ipv6_prefix(value),
        DataType::Ipv4Prefix => ipv4_prefix(value),
        DataType::Integer64 => {
            let octets: [u8; 8] = value.try_into().ok()?;
            plain(u64::from_be_bytes(octets).to_string())
        }
        DataType::String
        | DataType::Concat
        | DataType::Tlv
        | DataType::Vsa
        | DataType::Extended
        | DataType::LongExtended
        | DataType::Evs => Some(opaque(value)),
    }
}

#[allow(clippy::unnecessary_wraps)] // The callers are chains of `?` that end in it.
fn plain(value: String) -> Option<Shown> {
    Some(Shown { value, note: None })
}

fn hidden(value: &[u8]) -> Shown {
    Shown {
        value: format!("({} octets, not shown)", value.len()),
        note: None,
    }
}

/// Text where the octets are text, hex where not.
fn opaque(value: &[u8]) -> Shown {
    let text = std::str::from_utf8(value)
        .ok()
        .filter(|text| !text.is_empty() && !text.chars().any(char::is_control));
    Shown {
        value: text.map_or_else(|| hex(value), escape),
        note: None,
    }
}

fn wrong_layout(value: &[u8], data_type: DataType) -> Shown {
    Shown {
        value: hex(value),
        note: Some(format!(
            "not of type {data_type}: {} octets (RFC 8044 section 3)",
            value.len()
        )),
    }
}

/// `0x` and two digits an octet.
fn hex(value: &[u8]) -> String {
    let mut text = String::with_capacity(2 + 2 * value.len());
    text.push_str("0x");
    for octet in value {
        // Writing to a String does not fail.
        let _ = write!(text, "{octet:02x}");
    }
    text
}

/// Text made safe for one line of a terminal, a log or a page: control characters, direction marks
/// and the like become escapes.
#[must_use]
pub fn escape(text: &str) -> String {
    text.chars().fold(String::new(), |mut escaped, c| {
        match c {
            '\'' | '"' => escaped.push(c),
            _ => escaped.extend(c.escape_debug()),
        }
        escaped
    })
}

fn enumerated(kind: u8, number: u32) -> String {
    match values::value_name(kind, number) {
        Some(name) => format!("{name} ({number})"),
        None => number.to_string(),
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
        Err(_) => {
            let (mac, network) = text.rsplit_once(':')?;
            (mac.parse().ok()?, Some(network))
        }
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

fn show_extended(attribute: &Attribute<'_>) -> (String, Shown) {
    let kind = attribute.kind;
    match extended::single(attribute) {
        Err(error) => (
            kind.to_string(),
            Shown {
                value: hex(attribute.value),
                note: Some(error.to_string()),
            },
        ),
        Ok((found, more)) => {
            let (path, value) = match found.evs().filter(|_| !more) {
                Some(evs) => (
                    format!("{kind}.{}.{}.{}", found.extended, evs.vendor, evs.kind),
                    evs.value,
                ),
                None => (format!("{kind}.{}", found.extended), found.value.as_slice()),
            };
            let mut shown = opaque(value);
            if more {
                shown.note = Some("a fragment, more follows (RFC 6929 section 2.2)".to_owned());
            }
            (path, shown)
        }
    }
}

/// Four groups of hex digits, as in an IPv6 address (RFC 8044 section 3.7).
fn groups(octets: [u8; 8]) -> String {
    let words: Vec<String> = octets
        .chunks_exact(2)
        .map(|pair| pair.iter().map(|octet| format!("{octet:02x}")).collect())
        .collect();
    words.join(":")
}

/// RFC 8044 section 3.10: reserved octet, length in bits, as many octets of prefix as it takes.
fn ipv6_prefix(value: &[u8]) -> Option<Shown> {
    let [_, bits, prefix @ ..] = value else {
        return None;
    };
    if *bits > 128 || prefix.len() > 16 || prefix.len() * 8 < usize::from(*bits) {
        return None;
    }
    let mut octets = [0u8; 16];
    octets.get_mut(..prefix.len())?.copy_from_slice(prefix);
    plain(format!("{}/{bits}", std::net::Ipv6Addr::from(octets)))
}

/// RFC 8044 section 3.11: reserved octet, length in bits, address.
fn ipv4_prefix(value: &[u8]) -> Option<Shown> {
    let [_, bits, address @ ..] = value else {
        return None;
    };
    let octets: [u8; 4] = address.try_into().ok()?;
    let bits = bits & 0x3f;
    if bits > 32 {
        return None;
    }
    plain(format!("{}/{bits}", std::net::Ipv4Addr::from(octets)))
}
