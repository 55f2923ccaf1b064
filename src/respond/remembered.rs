//! The request that a session keeps, without its secrets.

use crate::wire::registry::attributes;
use crate::wire::{MIN_PACKET, Packet};

/// Attributes that prove something once or tie a request to its answer; worthless afterwards, and
/// the first three are secrets. Without them a re-authentication with nothing new looks alike.
const LEFT_OUT: [u8; 8] = [
    attributes::USER_PASSWORD,
    attributes::CHAP_PASSWORD,
    attributes::CHAP_CHALLENGE,
    attributes::STATE,
    attributes::PROXY_STATE,
    attributes::EAP_MESSAGE,
    attributes::MESSAGE_AUTHENTICATOR,
    attributes::EVENT_TIMESTAMP,
];

/// The request as a packet of its own, with identifier 0 and an authenticator of zeroes.
pub(super) fn remember(packet: &Packet<'_>) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(packet.bytes().len());
    bytes.extend_from_slice(&[packet.code().0, 0, 0, 0]);
    bytes.resize(MIN_PACKET, 0);
    for attribute in packet.attributes() {
        if LEFT_OUT.contains(&attribute.kind) {
            continue;
        }
        bytes.push(attribute.kind);
        // It came from a length octet, so it fits one.
        bytes.push((attribute.value.len() + 2) as u8);
        bytes.extend_from_slice(attribute.value);
    }
    // No longer than the packet it came from, so at most 4096.
    let length = (bytes.len() as u16).to_be_bytes();
    if let Some(place) = bytes.get_mut(2..4) {
        place.copy_from_slice(&length);
    }
    bytes
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::{Builder, Code, Secret};

    #[test]
    fn keeps_the_attributes_in_order_and_no_secret() {
        let mut builder = Builder::new(Code::ACCESS_REQUEST, 9);
        builder.text(attributes::USER_NAME, "mo").unwrap();
        builder.push(attributes::USER_PASSWORD, &[7; 16]).unwrap();
        builder.push(attributes::CHAP_PASSWORD, &[7; 17]).unwrap();
        builder.push(attributes::STATE, &[7; 4]).unwrap();
        builder.integer(attributes::NAS_PORT, 7).unwrap();
        builder.push(200, &[]).unwrap();
        let octets = builder.finish_request(&[5; 16], &Secret::new("quay"));
        let bytes = remember(&Packet::parse(&octets).unwrap());
        let kept = Packet::parse(&bytes).unwrap();
        let kinds: Vec<u8> = kept.attributes().map(|a| a.kind).collect();
        assert_eq!(kinds, [attributes::USER_NAME, attributes::NAS_PORT, 200]);
        assert_eq!(kept.bytes().len(), bytes.len());
        assert_eq!(kept.authenticator(), &[0; 16]);
        assert_eq!(kept.code(), Code::ACCESS_REQUEST);
    }
}
