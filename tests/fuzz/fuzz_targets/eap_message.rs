//! The message codecs of EAP and its methods: what parses is written again, and reads the same.

#![no_main]

use libfuzzer_sys::fuzz_target;
use portproof::eap::codec::fragment::Fragment;
use portproof::eap::codec::ms_chap_v2::Message;
use portproof::eap::codec::{Packet, Type, avp, packet, peap, tls_record};

fuzz_target!(|octets: &[u8]| {
    if let Ok(parsed) = Packet::parse(octets) {
        eap(&parsed);
    }
    if let Some(fragment) = Fragment::parse(octets) {
        assert_eq!(Fragment::parse(&fragment.encode()), Some(fragment));
    }
    ms_chap_v2(|octets| Message::parse_request(octets), octets);
    ms_chap_v2(|octets| Message::parse_response(octets), octets);
    if let Some(pairs) = avp::parse(octets) {
        let mut encoded = Vec::new();
        for pair in &pairs {
            pair.write(&mut encoded);
        }
        let again = avp::parse(&encoded).expect("what was written reads");
        assert!(again == pairs);
    }
    let _ = (tls_record::hello_random(octets), peap::read_result(octets));
});

fn eap(parsed: &Packet<'_>) {
    let Some(kind) = parsed.kind else {
        return;
    };
    let encoded = packet::encode(parsed.code, parsed.identifier, kind, parsed.data);
    assert_eq!(Packet::parse(&encoded), Ok(*parsed));
    let inside = peap::compress(&encoded);
    if kind != Type::TLV {
        let expanded = peap::expand(parsed.code, parsed.identifier, inside);
        assert!(expanded.is_some());
    }
    let _ = (
        packet::nak_types(parsed.data),
        packet::expanded_nak_types(parsed.data),
    );
}

fn ms_chap_v2(parse: for<'a> fn(&'a [u8]) -> Option<Message<'a>>, octets: &[u8]) {
    if let Some(message) = parse(octets) {
        assert_eq!(parse(&message.encode()), Some(message));
    }
}
