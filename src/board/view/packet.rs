//! One packet: decoded attributes beside hex.

use std::fmt::Write as _;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::journal::mask::{Mask, masked};
use crate::journal::{Link, PacketRecord};
use crate::sight;
use crate::wire::value::describe;
use crate::wire::{MIN_PACKET, Packet};

/// A packet.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct PacketView {
    /// When it was received or sent.
    #[schema(value_type = String, format = DateTime)]
    pub at: Timestamp,
    /// `in` to the bench, `out` from it.
    pub direction: String,
    /// authentication, accounting, change or dhcp.
    pub link: String,
    /// Source address and port.
    pub from: String,
    /// Destination address and port.
    pub to: String,
    /// What it is: "Access-Request", "DHCPDISCOVER", or what is wrong with it.
    pub name: String,
    /// Identifier of a RADIUS packet.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub identifier: Option<u8>,
    /// The octets in hex; passwords and keys are set to zero.
    pub octets: String,
    /// Whether something was set to zero.
    pub masked: bool,
    /// The attributes in order.
    pub attributes: Vec<AttributeView>,
}

/// An attribute in words.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct AttributeView {
    /// Its numbers: `6`, `26.9.1`, `241.26.9.1`; the option number for DHCP.
    pub path: String,
    /// Its name.
    pub name: String,
    /// Its value, safe to print.
    pub value: String,
    /// What a reader should know about it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
    /// Where it begins in the octets; left out where that is not known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub offset: Option<usize>,
    /// How many octets it has there, type and length included.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub length: Option<usize>,
}

impl From<&PacketRecord> for PacketView {
    fn from(record: &PacketRecord) -> PacketView {
        if record.link == Link::Dhcp {
            dhcp(record)
        } else {
            radius(record)
        }
    }
}

fn bare(record: &PacketRecord, name: String) -> PacketView {
    PacketView {
        at: record.at,
        direction: record.direction.word().to_owned(),
        link: record.link.word().to_owned(),
        from: record.from.to_string(),
        to: record.to.to_string(),
        name,
        identifier: None,
        octets: hex(&record.octets),
        masked: false,
        attributes: Vec::new(),
    }
}

fn radius(record: &PacketRecord) -> PacketView {
    let (octets, masked) = masked(&record.octets, Mask::PasswordsAndKeys);
    let shown = PacketView {
        octets: hex(&octets),
        masked,
        ..bare(record, String::new())
    };
    let packet = match Packet::parse(&record.octets) {
        Ok(packet) => packet,
        Err(malformed) => {
            return PacketView {
                name: format!("not a RADIUS packet: {malformed}"),
                ..shown
            };
        }
    };
    let mut at = MIN_PACKET;
    let mut attributes = Vec::new();
    for attribute in packet.attributes() {
        let length = attribute.value.len() + 2;
        for said in describe(&attribute, packet.code()) {
            attributes.push(AttributeView {
                path: said.path,
                name: said.name,
                value: said.value,
                note: said.note,
                offset: Some(at),
                length: Some(length),
            });
        }
        at += length;
    }
    PacketView {
        name: packet.code().to_string(),
        identifier: Some(packet.identifier()),
        attributes,
        ..shown
    }
}

fn dhcp(record: &PacketRecord) -> PacketView {
    let sighting = match sight::read_dhcp(record.at, record.from, &record.octets) {
        Ok(sighting) => sighting,
        Err(reason) => return bare(record, format!("not a DHCP request: {reason}")),
    };
    let mut view = bare(record, sighting.message_name().to_owned());
    let mut say = |path: &str, name: &str, value: String| {
        view.attributes.push(AttributeView {
            path: path.to_owned(),
            name: name.to_owned(),
            value,
            note: None,
            offset: None,
            length: None,
        });
    };
    say("chaddr", "hardware address", sighting.mac.to_string());
    if let Some(relay) = sighting.relay {
        say("giaddr", "relay agent", relay.to_string());
    }
    if let Some(address) = sighting.requested {
        say("50", "requested address", address.to_string());
    }
    for (field, value) in &sighting.fields {
        say(option_of(field), field, value.clone());
    }
    for fault in &sighting.faults {
        say("", "fault", fault.clone());
    }
    view
}

/// Option numbers of the sighted fields (RFC 2132, RFC 3004, RFC 3046).
fn option_of(field: &str) -> &'static str {
    match field {
        "host-name" => "12",
        "parameter-list" => "55",
        "vendor-class" => "60",
        "client-id" => "61",
        "user-class" => "77",
        "circuit-id" => "82.1",
        "remote-id" => "82.2",
        _ => "",
    }
}

fn hex(octets: &[u8]) -> String {
    let mut text = String::with_capacity(octets.len() * 2);
    for octet in octets {
        // Writing to a String does not fail.
        let _ = write!(text, "{octet:02x}");
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::journal::{Direction, hex_octets};
    use crate::wire::registry::attributes as a;
    use crate::wire::{AttributeBuf, Builder, Code, Secret};

    fn view(link: Link, octets: Vec<u8>) -> PacketView {
        PacketView::from(&PacketRecord {
            at: Timestamp::UNIX_EPOCH,
            direction: Direction::In,
            link,
            from: "192.0.2.9:40000".parse().unwrap(),
            to: "192.0.2.1:1812".parse().unwrap(),
            octets,
        })
    }

    #[test]
    fn every_attribute_points_at_its_octets() {
        let mut builder = Builder::new(Code::ACCESS_REQUEST, 7);
        builder.text(a::USER_NAME, "ada").unwrap();
        builder
            .attribute(&AttributeBuf::vendor_several(9, &[(1, b"x"), (2, b"y")]))
            .unwrap();
        builder.text(a::NAS_PORT_ID, "1/0/7").unwrap();
        let octets = builder.finish_request(&[9; 16], &Secret::new("lantern"));
        let view = view(Link::Authentication, octets.clone());
        assert_eq!(
            (view.name.as_str(), view.identifier),
            ("Access-Request", Some(7))
        );
        let back = hex_octets::decode(&view.octets).unwrap();
        assert_eq!(back, octets);
        let kinds: Vec<u8> = view
            .attributes
            .iter()
            .map(|a| back[a.offset.unwrap()])
            .collect();
        assert_eq!(kinds, [a::USER_NAME, 26, 26, a::NAS_PORT_ID]);
        for attribute in &view.attributes {
            let offset = attribute.offset.unwrap();
            assert_eq!(usize::from(back[offset + 1]), attribute.length.unwrap());
        }
    }

    #[test]
    fn no_password_goes_out_in_any_form() {
        let mut builder = Builder::new(Code::ACCESS_REQUEST, 7);
        builder
            .attribute(&AttributeBuf::new(a::USER_PASSWORD, [0xaa; 16]))
            .unwrap();
        let mut octets = builder.finish_request(&[9; 16], &Secret::new("lantern"));
        let json = serde_json::to_string(&view(Link::Authentication, octets.clone())).unwrap();
        assert!(!json.contains("aaaaaaaa"), "{json}");
        // Nor out of a packet whose framing is broken behind it.
        octets.push(1);
        let length = u16::try_from(octets.len()).unwrap().to_be_bytes();
        octets[2..4].copy_from_slice(&length);
        let view = view(Link::Authentication, octets);
        assert!(!view.octets.contains("aaaaaaaa") && view.masked);
        assert!(view.name.contains("not a RADIUS packet"), "{}", view.name);
    }
}
