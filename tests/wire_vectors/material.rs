//! Packets and their twins.

use portproof::wire::registry::attributes as a;
use portproof::wire::{Attribute, AttributeBuf, Builder, Code, Packet, Secret};

pub fn parse(bytes: &[u8]) -> Packet<'_> {
    Packet::parse(bytes).expect("a packet")
}

pub fn on_wire(attribute: &AttributeBuf) -> Vec<u8> {
    let length = u8::try_from(attribute.value.len() + 2).expect("fits");
    [&[attribute.kind, length], attribute.value.as_slice()].concat()
}

pub fn packet_of(attributes: &[AttributeBuf]) -> Vec<u8> {
    let mut builder = Builder::new(Code::ACCESS_ACCEPT, 1);
    for attribute in attributes {
        builder.attribute(attribute).expect("fits");
    }
    builder.finish_request(&[7; 16], &Secret::new("xyzzy5461"))
}

/// The same packet, yet to be signed; a Message-Authenticator keeps its place.
pub fn rewritten(packet: &Packet<'_>) -> Builder {
    let mut builder = Builder::new(packet.code(), packet.identifier());
    for Attribute { kind, value } in packet.attributes() {
        if kind == a::MESSAGE_AUTHENTICATOR {
            builder.message_authenticator().expect("fits");
        } else {
            builder.push(kind, value).expect("fits");
        }
    }
    builder
}

/// Every octet string that differs in one bit.
pub fn flipped(octets: &[u8]) -> Vec<Vec<u8>> {
    flipped_in(octets, 0..octets.len())
}

pub fn flipped_in(octets: &[u8], range: std::ops::Range<usize>) -> Vec<Vec<u8>> {
    range
        .flat_map(|at| (0..8).map(move |bit| (at, bit)))
        .map(|(at, bit)| {
            let mut twin = octets.to_vec();
            twin[at] ^= 1 << bit;
            twin
        })
        .collect()
}
