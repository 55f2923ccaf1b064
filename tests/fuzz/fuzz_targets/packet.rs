//! A packet that parses is written again and read again: the octets are the same, and so is what
//! every reader says of them.

#![no_main]

use libfuzzer_sys::fuzz_target;
use portproof::wire::registry::attributes;
use portproof::wire::sign::{self, MessageAuthenticator};
use portproof::wire::value::describe_packet;
use portproof::wire::vlan::Vlans;
use portproof::wire::{Builder, Packet, Secret, extended, filter, hide};

fuzz_target!(|datagram: &[u8]| {
    let Ok(packet) = Packet::parse(datagram) else {
        return;
    };
    let secret = Secret::new(&b"a secret of the fuzzer"[..]);
    let mut builder = Builder::new(packet.code(), packet.identifier());
    for attribute in packet.attributes() {
        builder
            .push(attribute.kind, attribute.value)
            .expect("what was parsed fits into a packet");
    }
    let encoded = builder.finish_request(packet.authenticator(), &secret);
    assert_eq!(encoded, packet.bytes(), "the encoding is what was decoded");
    let again = Packet::parse(&encoded).expect("an encoding decodes");
    assert_eq!(again, packet);
    assert!(again.attributes().eq(packet.attributes()));
    read_everything(&packet, &secret);
    signed_is_authentic(&packet, &secret);
});

/// Every reader, for its panics.
fn read_everything(packet: &Packet<'_>, secret: &Secret) {
    assert!(describe_packet(packet).len() >= packet.attributes().count());
    let _ = (Vlans::read(packet), filter::rules(packet));
    let _ = hide::chap_matches(packet, b"password");
    for extended in extended::read(packet).into_iter().flatten() {
        let _ = (extended.evs(), extended::tlvs(&extended.value));
    }
    for attribute in packet.attributes() {
        let _ = (attribute.text(), attribute.integer());
        let _ = (attribute.tagged_text(), attribute.tagged_integer());
        let _ = hide::reveal_password(attribute.value, secret, packet.authenticator());
        for vendor in attribute.vendor_attributes() {
            let _ = hide::reveal_mppe_key(vendor.value, secret, packet.authenticator());
        }
    }
}

/// A response with these attributes and a Message-Authenticator in front verifies, and under
/// another secret it does not.
fn signed_is_authentic(packet: &Packet<'_>, secret: &Secret) {
    let mut builder = Builder::new(packet.code(), packet.identifier());
    let mut push = || {
        builder.message_authenticator()?;
        for attribute in packet.attributes() {
            if attribute.kind != attributes::MESSAGE_AUTHENTICATOR {
                builder.push(attribute.kind, attribute.value)?;
            }
        }
        Ok::<_, portproof::wire::BuildError>(())
    };
    // 18 octets more than the packet had may be too many.
    if push().is_err() || !packet.code().is_response() {
        return;
    }
    let request = packet.authenticator();
    let response = builder.finish_response(request, secret);
    let response = Packet::parse(&response).expect("a response decodes");
    assert!(sign::response_is_authentic(&response, request, secret));
    assert_eq!(
        sign::check_message_authenticator(&response, Some(request), secret),
        MessageAuthenticator::Right
    );
    let other = Secret::new(&b"another secret"[..]);
    assert!(!sign::response_is_authentic(&response, request, &other));
    assert_eq!(
        sign::check_message_authenticator(&response, Some(request), &other),
        MessageAuthenticator::Wrong
    );
}
