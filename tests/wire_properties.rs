//! Properties of the wire over arbitrary packets and arbitrary octets.

// clippy.toml allows these in tests, and not in the helpers beside them.
#![allow(
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic,
    clippy::unwrap_used
)]

use portproof::wire::registry::attributes as a;
use portproof::wire::value::{describe_packet, parse_value};
use portproof::wire::vlan::Vlans;
use portproof::wire::{
    AttributeBuf, Builder, Code, MAX_PACKET, Packet, Secret, extended, filter, hide, sign,
};
use proptest::collection::vec;
use proptest::prelude::*;

fn attributes() -> impl Strategy<Value = Vec<AttributeBuf>> {
    let value = prop_oneof![
        4 => vec(any::<u8>(), 0..20),
        1 => vec(any::<u8>(), 0..=253),
        // Shapes that readers look inside.
        1 => (any::<u32>(), any::<u8>(), vec(any::<u8>(), 0..=240))
            .prop_map(|(vendor, kind, value)| AttributeBuf::vendor(vendor, kind, &value).value),
    ];
    let kind = prop_oneof![
        4 => any::<u8>(),
        1 => Just(a::VENDOR_SPECIFIC),
        1 => 241..=246u8,
        1 => proptest::sample::select(vec![
            a::TUNNEL_TYPE, a::TUNNEL_MEDIUM_TYPE, a::TUNNEL_PRIVATE_GROUP_ID, a::EGRESS_VLANID,
            a::EGRESS_VLAN_NAME, a::NAS_FILTER_RULE, a::EAP_MESSAGE, a::MESSAGE_AUTHENTICATOR,
        ]),
    ];
    vec(
        (kind, value).prop_map(|(kind, value)| AttributeBuf::new(kind, value)),
        0..40,
    )
}

fn build(code: u8, identifier: u8, attributes: &[AttributeBuf]) -> (Builder, Vec<AttributeBuf>) {
    let mut builder = Builder::new(Code(code), identifier);
    let mut pushed = Vec::new();
    for attribute in attributes {
        let before = builder.len();
        if builder.attribute(attribute).is_ok() {
            pushed.push(attribute.clone());
        } else {
            assert_eq!(builder.len(), before, "a refused attribute leaves nothing");
            assert!(before + 2 + attribute.value.len() > MAX_PACKET);
        }
    }
    (builder, pushed)
}

/// Everything that reads a packet, for the sake of what it must not do.
fn read_all(bytes: &[u8]) {
    let Ok(packet) = Packet::parse(bytes) else {
        return;
    };
    let secret = Secret::new("correct horse battery");
    for described in describe_packet(&packet) {
        let safe = !described.value.chars().any(char::is_control);
        assert!(safe, "{described:?}");
    }
    let _ = Vlans::read(&packet);
    let _ = extended::read(&packet);
    let _ = filter::rules(&packet);
    let _ = hide::chap_matches(&packet, b"secret");
    let _ = sign::check_message_authenticator(&packet, Some(&[1; 16]), &secret);
    for attribute in packet.attributes() {
        let _ = hide::reveal_password(attribute.value, &secret, packet.authenticator());
        let _ = hide::reveal_tunnel_password(attribute.value, &secret, packet.authenticator());
        let _ = extended::tlvs(attribute.value);
        for inner in attribute.vendor_attributes() {
            let _ = hide::reveal_mppe_key(inner.value, &secret, packet.authenticator());
            let _ = inner.tlvs();
        }
    }
}

proptest! {
    /// What is written is read, in order, and written again to the same octets.
    #[test]
    fn decode_encode_decode(
        code: u8, identifier: u8, authenticator: [u8; 16], attributes in attributes(),
    ) {
        let secret = Secret::new("correct horse battery");
        let (builder, pushed) = build(code, identifier, &attributes);
        let bytes = builder.finish_request(&authenticator, &secret);
        let packet = Packet::parse(&bytes).unwrap();
        prop_assert_eq!(packet.code(), Code(code));
        prop_assert_eq!(packet.identifier(), identifier);
        prop_assert_eq!(packet.authenticator(), &authenticator);
        let read: Vec<AttributeBuf> = packet.attributes().map(|found| found.to_buf()).collect();
        prop_assert_eq!(&read, &pushed);

        let (builder, _) = build(code, identifier, &read);
        let again = builder.finish_request(&authenticator, &secret);
        prop_assert_eq!(&again, &bytes);
        prop_assert_eq!(Packet::parse(&again).unwrap(), packet);
        read_all(&bytes);
    }

    /// Signed packets verify, and stop verifying when an octet changes.
    #[test]
    fn signatures_cover_every_octet(
        attributes in attributes(), request: [u8; 16], at: prop::sample::Index, change in 1..=255u8,
    ) {
        let secret = Secret::new("correct horse battery");
        let (builder, _) = build(Code::ACCESS_ACCEPT.0, 1, &attributes);
        let mut bytes = builder.finish_response(&request, &secret);
        let verify = |bytes: &[u8]| Packet::parse(bytes)
            .is_ok_and(|packet| sign::response_is_authentic(&packet, &request, &secret));
        prop_assert!(verify(&bytes));
        let at = at.index(bytes.len());
        bytes[at] ^= change;
        prop_assert!(!verify(&bytes));
    }

    /// No octets make a reader panic.
    #[test]
    fn arbitrary_octets_are_read_without_panic(bytes in vec(any::<u8>(), 0..600)) {
        let mut bytes = bytes;
        read_all(&bytes);
        // The same with a Length that fits, so that it gets further.
        if bytes.len() >= 20 {
            let length = (bytes.len() as u16).to_be_bytes();
            bytes[2..4].copy_from_slice(&length);
            read_all(&bytes);
        }
    }

    /// An accepted packet is fully covered by its header and attributes.
    #[test]
    fn accepted_octets_are_accounted_for(
        attributes in attributes(), at: prop::sample::Index, octet: u8, padding in 0..4usize,
    ) {
        let secret = Secret::new("correct horse battery");
        let (builder, _) = build(1, 1, &attributes);
        let mut bytes = builder.finish_request(&[3; 16], &secret);
        let at = at.index(bytes.len());
        bytes[at] = octet;
        bytes.resize(bytes.len() + padding, 0);
        if let Ok(packet) = Packet::parse(&bytes) {
            let covered: usize = packet.attributes().map(|found| 2 + found.value.len()).sum();
            prop_assert_eq!(20 + covered, packet.bytes().len());
            prop_assert!(packet.bytes().len() <= bytes.len());
        }
    }

    /// Long extended attributes come back whole, whatever their length.
    #[test]
    fn extended_attributes_round_trip(
        kind in 241..=246u8, extended: u8, value in vec(any::<u8>(), 1..3000),
    ) {
        match extended::build(kind, extended, &value) {
            Err(error) => {
                let expected = extended::ExtendedError::TooLong { kind, length: value.len() };
                prop_assert_eq!(error, expected);
                prop_assert!(kind < 245 && value.len() > 252);
            }
            Ok(parts) => {
                let (builder, pushed) = build(2, 1, &parts);
                prop_assert_eq!(pushed.len(), parts.len());
                let bytes = builder.finish_request(&[0; 16], &Secret::new("s"));
                let found = extended::read(&Packet::parse(&bytes).unwrap());
                prop_assert_eq!(found.len(), 1);
                let found = found[0].clone().unwrap();
                prop_assert_eq!((found.kind, found.extended), (kind, extended));
                prop_assert_eq!(found.value, value);
                prop_assert_eq!(found.fragments, parts.len());
            }
        }
    }

    /// Filter rules come back, wherever the cuts fall (RFC 4849 section 2).
    #[test]
    fn filter_rules_round_trip(rules in vec("[ -~]{1,300}", 0..12)) {
        let (builder, _) = build(2, 1, &filter::split_rules(&rules));
        let bytes = builder.finish_request(&[0; 16], &Secret::new("s"));
        prop_assert_eq!(filter::rules(&Packet::parse(&bytes).unwrap()), Ok(rules));
    }

    /// Hidden passwords and keys come back, and not with another secret.
    #[test]
    fn hiding_round_trips(
        data in vec(any::<u8>(), 1..=hide::MAX_TUNNEL_PASSWORD), salt: [u8; 2], ra: [u8; 16], tag in 0..=0x1fu8,
    ) {
        let secret = Secret::new("correct horse battery");
        let other = Secret::new("correct horse batterie");
        let hidden = hide::hide_tunnel_password(tag, salt, &data, &secret, &ra).unwrap();
        let read = hide::reveal_tunnel_password(&hidden.value, &secret, &ra);
        prop_assert_eq!(read, Some((tag, data.clone())));
        let read = hide::reveal_tunnel_password(&hidden.value, &other, &ra);
        // Two octets can agree by chance, eight cannot.
        prop_assert!(data.len() < 8 || read != Some((tag, data.clone())));

        let hidden = hide::hide_mppe_key(hide::MppeKey::Send, salt, &data, &secret, &ra).unwrap();
        let inner = hidden.view().vendor_attributes();
        let [inner] = inner.as_slice() else { panic!("{inner:?}") };
        prop_assert_eq!((inner.vendor, inner.kind), (311, 16));
        prop_assert_eq!(hide::reveal_mppe_key(inner.value, &secret, &ra), Some(data));
    }

    /// Numbers, addresses and times read back as they were shown.
    #[test]
    fn shown_values_parse_to_the_same_octets(
        kind in 0..=110u8, number in prop_oneof![0..600u32, any::<u32>()], wide: [u8; 16],
    ) {
        use portproof::wire::registry::DataType;
        let value = match a::data_type(kind) {
            DataType::Integer | DataType::Enum if a::is_tagged(kind) =>
                (number & 0x00ff_ffff).to_be_bytes().to_vec(),
            DataType::Integer | DataType::Enum | DataType::Time | DataType::Ipv4Addr =>
                number.to_be_bytes().to_vec(),
            DataType::Ipv6Addr => wide.to_vec(),
            DataType::IfId => wide[..8].to_vec(),
            _ => return Ok(()),
        };
        // Its first octet says whether the VLAN is tagged.
        prop_assume!(kind != a::EGRESS_VLANID);
        let attribute = AttributeBuf::new(kind, value.clone());
        let (builder, _) = build(2, 1, &[attribute]);
        let bytes = builder.finish_request(&[0; 16], &Secret::new("s"));
        let shown = describe_packet(&Packet::parse(&bytes).unwrap());
        let [shown] = shown.as_slice() else { panic!("{shown:?}") };
        // "Call-Check (10)" is a name with its number, "30 s" a number with its unit.
        let text = shown.value.rsplit_once(" (").map_or(shown.value.as_str(), |(name, _)| name).trim_end_matches(" s");
        prop_assert_eq!(parse_value(kind, text), Ok(value), "{:?}", shown);
    }
}
