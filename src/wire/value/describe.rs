//! Attributes in words: for the board, logs and findings.
//!
//! Octets that hide a password or a key are never shown, not even in their hidden form.

use jiff::Timestamp;
use serde::Serialize;

use super::special::special;
use super::spell::{self, escape, hex};
use crate::wire::attribute::{Attribute, VendorAttribute};
use crate::wire::code::Code;
use crate::wire::extended;
use crate::wire::hide::MPPE_VENDOR;
use crate::wire::packet::Packet;
use crate::wire::registry::attributes as a;
use crate::wire::registry::{DataType, values};

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
pub(super) struct Shown {
    pub(super) value: String,
    pub(super) note: Option<String>,
}

/// Every attribute of a packet in words, in order. Fragments of a long extended attribute are
/// shown one by one.
#[must_use]
pub fn describe_packet(packet: &Packet<'_>) -> Vec<Described> {
    let mut eap_started = false;
    packet
        .attributes()
        .flat_map(|attribute| {
            let continues = attribute.kind == a::EAP_MESSAGE && eap_started;
            eap_started |= attribute.kind == a::EAP_MESSAGE;
            if continues {
                return vec![eap_continued(&attribute)];
            }
            describe(&attribute, packet.code())
        })
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

/// The octets of an EAP packet that did not fit the attribute before: there is no header to read.
fn eap_continued(attribute: &Attribute<'_>) -> Described {
    Described {
        path: attribute.kind.to_string(),
        name: name(attribute.kind),
        value: hidden(attribute.value).value,
        note: Some("continues the EAP packet (RFC 3579 section 3.1)".to_owned()),
    }
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
            plain(spell::interface_id(octets))
        }
        DataType::Ipv4Addr => plain(attribute.ipv4()?.to_string()),
        DataType::Ipv6Addr => plain(attribute.ipv6()?.to_string()),
        DataType::Ipv6Prefix => plain(spell::ipv6_prefix(value)?),
        DataType::Ipv4Prefix => plain(spell::ipv4_prefix(value)?),
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
pub(super) fn plain(value: String) -> Option<Shown> {
    Some(Shown { value, note: None })
}

pub(super) fn hidden(value: &[u8]) -> Shown {
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

pub(super) fn enumerated(kind: u8, number: u32) -> String {
    match values::value_name(kind, number) {
        Some(name) => format!("{name} ({number})"),
        None => number.to_string(),
    }
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::attribute::AttributeBuf;
    use crate::wire::build::Builder;
    use crate::wire::hide;
    use crate::wire::secret::Secret;
    use crate::wire::vlan;

    fn shown(attribute: &AttributeBuf) -> (String, Option<String>) {
        let described = describe(&attribute.view(), Code::ACCESS_ACCEPT);
        let [one] = described.as_slice() else {
            panic!("{described:?}");
        };
        (one.value.clone(), one.note.clone())
    }

    fn value(kind: u8, octets: &[u8]) -> String {
        shown(&AttributeBuf::new(kind, octets)).0
    }

    #[test]
    fn values_by_data_type() {
        assert_eq!(value(a::SERVICE_TYPE, &[0, 0, 0, 10]), "Call-Check (10)");
        assert_eq!(value(a::SERVICE_TYPE, &[0, 0, 0, 99]), "99");
        assert_eq!(value(a::NAS_PORT, &[0, 0, 0, 7]), "7");
        assert_eq!(value(a::SESSION_TIMEOUT, &[0, 0, 0x0e, 0x10]), "3600 s");
        assert_eq!(value(a::NAS_IP_ADDRESS, &[192, 0, 2, 7]), "192.0.2.7");
        assert_eq!(value(a::USER_NAME, b"till 4"), "till 4");
        assert_eq!(value(a::CLASS, b"tills"), "tills");
        assert_eq!(value(a::CLASS, &[0, 0xff]), "0x00ff");
        assert_eq!(value(200, &[1]), "0x01");
        let time = value(a::EVENT_TIMESTAMP, &1_700_000_000u32.to_be_bytes());
        assert_eq!(time, "2023-11-14T22:13:20Z");
        let prefix = value(a::FRAMED_IPV6_PREFIX, &[0, 33, 0x20, 1, 0x0d, 0xb8, 0]);
        assert_eq!(prefix, "2001:db8::/33");
        assert_eq!(
            value(a::PMIP6_HOME_IPV4_HOA, &[0, 24, 192, 0, 2, 0]),
            "192.0.2.0/24"
        );
        let interface = value(a::FRAMED_INTERFACE_ID, &[0, 0, 0, 0xff, 0xfe, 0, 0, 1]);
        assert_eq!(interface, "0000:00ff:fe00:0001");
    }

    /// RFC 8044 section 3: a value that is not of its type is shown as octets, with the reason.
    #[test]
    fn values_of_the_wrong_layout() {
        for (kind, octets, data_type) in [
            (a::NAS_PORT, &[0, 7][..], "integer"),
            (a::NAS_IP_ADDRESS, &[192, 0, 2], "ipv4addr"),
            (a::USER_NAME, &[0xff, 0xfe], "text"),
            (a::USER_NAME, &[], "text"),
            (a::FRAMED_IPV6_PREFIX, &[0, 64, 0x20], "ipv6prefix"),
            (a::FRAMED_IPV6_PREFIX, &[0, 129], "ipv6prefix"),
            (a::PMIP6_HOME_IPV4_HOA, &[0, 33, 1, 1, 1, 1], "ipv4prefix"),
            (a::EVENT_TIMESTAMP, &[1], "time"),
            (a::TUNNEL_TYPE, &[0, 13], "enum"),
        ] {
            let (value, note) = shown(&AttributeBuf::new(kind, octets));
            assert_eq!(value, hex(octets));
            assert!(note.unwrap().contains(data_type), "attribute {kind}");
        }
    }

    #[test]
    fn text_is_safe_to_print() {
        let nasty = "a\nb\x1b[31m\u{202e}c\0 \"quoted\" \\";
        let shown = value(a::USER_NAME, nasty.as_bytes());
        assert_eq!(shown, "a\\nb\\u{1b}[31m\\u{202e}c\\0 \"quoted\" \\\\");
        // Printable letters of any script stay as they are.
        assert_eq!(
            value(a::USER_NAME, "Fährhafen 渡し場".as_bytes()),
            "Fährhafen 渡し場"
        );
    }

    /// RFC 3580 sections 3.20 and 3.21 give the spelling.
    #[test]
    fn stations() {
        let note = |kind, text: &str| shown(&AttributeBuf::text(kind, text)).1;
        let calling = a::CALLING_STATION_ID;
        assert_eq!(note(calling, "02-00-00-00-00-2A"), None);
        let spelt = note(calling, "0200.0000.002a").unwrap();
        assert_eq!(spelt, "RFC 3580 section 3.21 spells it 02-00-00-00-00-2A");
        let called = a::CALLED_STATION_ID;
        assert_eq!(note(called, "02-00-00-00-00-01:quay"), None);
        let spelt = note(called, "02:00:00:00:00:01:quay").unwrap();
        assert_eq!(
            spelt,
            "RFC 3580 section 3.20 spells it 02-00-00-00-00-01:quay"
        );
        let spelt = note(called, "0200.0000.0001:pier: 2").unwrap();
        assert!(spelt.ends_with("spells it 02-00-00-00-00-01:pier: 2"));
        assert_eq!(note(called, "quay"), None, "no MAC address at all");
    }

    #[test]
    fn vlans() {
        let [kind, medium, group] = vlan::tunnel_vlan(0, "100");
        assert_eq!(shown(&kind), ("VLAN (13)".to_owned(), None));
        assert_eq!(shown(&medium), ("IEEE-802 (6)".to_owned(), None));
        assert_eq!(shown(&group), ("100".to_owned(), None));
        let [_, _, group] = vlan::tunnel_vlan(3, "100");
        assert_eq!(shown(&group), ("100".to_owned(), Some("tag 3".to_owned())));
        assert_eq!(shown(&vlan::egress_vlan(100, true)).0, "100 tagged");
        assert_eq!(
            shown(&vlan::egress_vlan_name("tills", false)).0,
            "tills untagged"
        );
        assert_eq!(shown(&vlan::ingress_filters(true)).0, "Enabled (1)");
        let table = vlan::user_priority_table([0, 1, 2, 3, 4, 5, 6, 7]);
        assert_eq!(shown(&table).0, "0 1 2 3 4 5 6 7");
    }

    /// Nothing that hides a password or a key is shown, not even hidden.
    #[test]
    fn secrets_are_not_shown() {
        let (secret, ra) = (Secret::new("lantern quay bench"), [9; 16]);
        let hidden = [
            AttributeBuf::new(
                a::USER_PASSWORD,
                hide::hide_password(b"gangway", &secret, &ra).unwrap(),
            ),
            hide::hide_tunnel_password(0, [1, 2], b"gangway", &secret, &ra).unwrap(),
            hide::hide_mppe_key(hide::MppeKey::Send, [1, 2], b"gangway", &secret, &ra).unwrap(),
            hide::hide_mppe_key(hide::MppeKey::Receive, [1, 2], b"gangway", &secret, &ra).unwrap(),
            AttributeBuf::new(a::CHAP_PASSWORD, *b"gangwaygangwaygan"),
            AttributeBuf::vendor(MPPE_VENDOR, 25, b"gangway"),
            AttributeBuf::new(a::EAP_MESSAGE, *b"\x02\x01\x00\x0c\x06gangway"),
            AttributeBuf::new(a::EAP_MESSAGE, *b"gangway"),
        ];
        for attribute in hidden {
            let (value, note) = shown(&attribute);
            assert_eq!(note, None);
            let found = value.contains("gangway") || value.contains("0x");
            assert!(!found, "{value}");
            assert!(value.contains(" octets"), "{value}");
        }
        let eap = value(a::EAP_MESSAGE, b"\x02\x07\x00\x0c\x06gangway");
        assert_eq!(eap, "EAP Response type 6, identifier 7, 12 octets");
    }

    #[test]
    fn vendor_attributes_go_by_number() {
        let several = AttributeBuf::vendor_several(64_999, &[(1, b"tills"), (2, &[0, 1])]);
        let described = describe(&several.view(), Code::ACCESS_ACCEPT);
        let found: Vec<(&str, &str)> = described
            .iter()
            .map(|one| (one.path.as_str(), one.value.as_str()))
            .collect();
        assert_eq!(found, [("26.64999.1", "tills"), ("26.64999.2", "0x0001")]);
        assert!(described.iter().all(|one| one.name == "Vendor-Specific"));
        // A vendor that does not follow the suggested form.
        let other = describe(&AttributeBuf::new(26, [0, 0, 0, 9, 1, 77]).view(), Code(2));
        assert_eq!(
            (other[0].path.as_str(), other[0].value.as_str()),
            ("26", "0x00000009014d")
        );
    }

    #[test]
    fn extended_attributes_go_by_path() {
        let path = |attribute: &AttributeBuf| {
            let described = describe(&attribute.view(), Code::ACCESS_ACCEPT);
            (described[0].path.clone(), described[0].value.clone())
        };
        let expect = |path: &str, value: &str| (path.to_owned(), value.to_owned());
        let plain = extended::build(241, 1, b"bob").unwrap();
        assert_eq!(path(&plain[0]), expect("241.1", "bob"));
        let evs = extended::Evs {
            vendor: 64_999,
            kind: 4,
            value: b"test",
        };
        let vendor = extended::build(245, 26, &evs.to_value()).unwrap();
        assert_eq!(path(&vendor[0]), expect("245.26.64999.4", "test"));
        let parts = extended::build(245, 4, &[b'a'; 300]).unwrap();
        let first = shown(&parts[0]);
        assert!(first.1.unwrap().starts_with("a fragment"));
        assert_eq!(shown(&parts[1]).1, None);
        let broken = shown(&AttributeBuf::new(241, [1]));
        assert_eq!(broken.0, "0x01");
        assert!(broken.1.unwrap().contains("RFC 6929"));
    }

    #[test]
    fn notes_depend_on_the_packet() {
        let note = |attribute: &AttributeBuf, code| {
            let described = describe(&attribute.view(), code);
            described[0].note.clone().unwrap_or_default()
        };
        let timeout = AttributeBuf::integer(a::SESSION_TIMEOUT, 30);
        assert!(note(&timeout, Code::ACCESS_CHALLENGE).contains("3580 section 3.17"));
        assert_eq!(note(&timeout, Code::ACCESS_ACCEPT), "");
        let cause = AttributeBuf::integer(a::ERROR_CAUSE, 503);
        assert!(note(&cause, Code::COA_NAK).contains("compare the change"));
        assert!(note(&cause, Code::COA_ACK).contains("must not be in a CoA-ACK"));
    }

    /// RFC 3579 section 3.1: the octets of a later attribute are no header, whatever they look like.
    #[test]
    fn an_eap_packet_has_one_header() {
        let eap = [&[1, 7, 1, 44, 13], [1; 295].as_slice()].concat();
        let mut builder = Builder::new(Code::ACCESS_CHALLENGE, 7);
        builder.long(a::EAP_MESSAGE, &eap).unwrap();
        let bytes = builder.finish_request(&[9; 16], &Secret::new("lantern quay bench"));
        let words = describe_packet(&Packet::parse(&bytes).unwrap());
        assert_eq!(words.len(), 2);
        assert_eq!(
            words[0].value,
            "EAP Request type 13, identifier 7, 300 octets"
        );
        assert_eq!(words[1].value, "(47 octets, not shown)");
        assert!(words[1].note.as_deref().unwrap().contains("continues"));
    }

    #[test]
    fn a_packet_in_words() {
        let secret = Secret::new("lantern quay bench");
        let mut builder = Builder::new(Code::ACCESS_REQUEST, 7);
        builder.message_authenticator().unwrap();
        builder.text(a::USER_NAME, "02000000002a").unwrap();
        builder.integer(a::SERVICE_TYPE, 10).unwrap();
        builder.push(200, &[1]).unwrap();
        let bytes = builder.finish_request(&[9; 16], &secret);
        let words = describe_packet(&Packet::parse(&bytes).unwrap());
        let names: Vec<&str> = words.iter().map(|one| one.name.as_str()).collect();
        let expected = [
            "Message-Authenticator",
            "User-Name",
            "Service-Type",
            "Attribute 200",
        ];
        assert_eq!(names, expected);
        let json = serde_json::to_string(&words[2]).unwrap();
        let expected = r#"{"path":"6","name":"Service-Type","value":"Call-Check (10)"}"#;
        assert_eq!(json, expected);
    }
}
