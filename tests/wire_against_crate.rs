//! Our reading of packets against that of the protocol crate, over the vectors and over every
//! vector with something changed: what one accepts the other accepts, with the same attributes in
//! the same order, the same octets when written again, and the same opinion of authenticators.
//!
//! Where the two differ, the difference is a test here, with the reason why ours stands.

// clippy.toml allows these in tests, and not in the helpers beside them.
#![allow(
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic,
    clippy::unwrap_used
)]

use portproof::wire::registry::attributes as a;
use portproof::wire::{AttributeBuf, Builder, Code, Packet, Secret, hide, sign, vlan};
use radius::core::avp::AVP;
use radius::core::code::Code as CrateCode;
use radius::core::packet::Packet as CratePacket;
use radius::core::tag::Tag;
use radius::core::{rfc2865, rfc2868};

const SECRET: &[u8] = b"xyzzy5461";
const RA: [u8; 16] = [0x5a; 16];

#[test]
fn the_same_packets_are_accepted_with_the_same_attributes() {
    let packets = packets();
    assert_eq!(packets.len(), 24, "packets in the vectors");
    let (mut accepted, mut refused) = (0, 0);
    for bytes in packets.iter().flat_map(|packet| mutated(packet)) {
        let ours = Packet::parse(&bytes);
        let theirs = CratePacket::decode(&bytes, SECRET);
        assert_eq!(
            ours.is_ok(),
            theirs.is_ok(),
            "{ours:?} {theirs:?} {bytes:02x?}"
        );
        let (Ok(ours), Ok(theirs)) = (ours, theirs) else {
            refused += 1;
            continue;
        };
        accepted += 1;
        assert_eq!(ours.identifier(), theirs.get_identifier());
        assert_eq!(ours.authenticator(), theirs.get_authenticator().as_slice());
        for kind in 0..=u8::MAX {
            let ours: Vec<&[u8]> = ours.all(kind).map(|found| found.value).collect();
            let theirs: Vec<Vec<u8>> = theirs
                .lookup_all(kind)
                .iter()
                .map(|found| found.encode_bytes())
                .collect();
            assert_eq!(ours, theirs, "attribute {kind} of {bytes:02x?}");
        }
    }
    assert!(
        accepted > 1000 && refused > 1000,
        "{accepted} accepted, {refused} refused"
    );
}

#[test]
fn written_again_the_octets_are_the_same() {
    for bytes in packets() {
        let ours = Packet::parse(&bytes).unwrap();
        let theirs = CratePacket::decode(&bytes, SECRET).unwrap();
        let mut builder = Builder::new(ours.code(), ours.identifier());
        for attribute in ours.attributes() {
            builder.attribute(&attribute.to_buf()).unwrap();
        }
        // The crate signs with whatever authenticator stands in the packet.
        let secret = Secret::new(SECRET);
        let written = match ours.code() {
            Code::ACCESS_REQUEST | Code::STATUS_SERVER => {
                builder.finish_request(ours.authenticator(), &secret)
            }
            code if code.request_is_digested() => builder.finish_digested_request(&secret),
            _ => builder.finish_response(ours.authenticator(), &secret),
        };
        assert_eq!(Ok(written), theirs.encode(), "{bytes:02x?}");
    }
}

#[test]
fn authenticators_are_judged_alike() {
    let secret = Secret::new(SECRET);
    let (mut right, mut wrong) = (0, 0);
    for packet in packets() {
        let length = packet.len();
        // Octets past Length, and broken attributes, are differences of their own below.
        let comparable = mutated(&packet)
            .into_iter()
            .filter(|twin| twin.len() == length && twin[2..4] == packet[2..4]);
        for bytes in comparable {
            let Ok(parsed) = Packet::parse(&bytes) else {
                continue;
            };
            let request = [&[1, 1, 0, 20], RA.as_slice()].concat();
            let ours = sign::response_is_authentic(&parsed, &RA, &secret);
            let theirs = CratePacket::is_authentic_response(&bytes, &request, SECRET);
            assert_eq!(ours, theirs, "as a response: {bytes:02x?}");
            if parsed.code().request_is_digested() {
                let ours = sign::digested_request_is_authentic(&parsed, &secret);
                let theirs = CratePacket::is_authentic_request(&bytes, SECRET);
                assert_eq!(ours, theirs, "as a request: {bytes:02x?}");
                *(if ours { &mut right } else { &mut wrong }) += 1;
            }
        }
    }
    assert!(right >= 3 && wrong > 1000, "{right} right, {wrong} wrong");
}

#[test]
fn responses_of_each_are_authentic_to_the_other() {
    let secret = Secret::new(SECRET);
    for code in [
        Code::ACCESS_ACCEPT,
        Code::ACCESS_REJECT,
        Code::ACCESS_CHALLENGE,
    ] {
        let mut builder = Builder::new(code, 9);
        builder.text(a::REPLY_MESSAGE, "Lantern Quay").unwrap();
        let ours = builder.finish_response(&RA, &secret);
        let request = Builder::new(Code::ACCESS_REQUEST, 9).finish_request(&RA, &secret);
        assert!(CratePacket::is_authentic_response(&ours, &request, SECRET));

        let asked = CratePacket::decode(&request, SECRET).unwrap();
        let mut answer = asked.make_response_packet(CrateCode::from(code.0));
        rfc2865::add_reply_message(&mut answer, "Lantern Quay");
        let theirs = answer.encode().unwrap();
        assert_eq!(theirs, ours);
        let parsed = Packet::parse(&theirs).unwrap();
        assert!(sign::response_is_authentic(&parsed, &RA, &secret));
    }
}

#[test]
fn passwords_of_each_are_read_by_the_other() {
    let secret = Secret::new(SECRET);
    for length in 0..=hide::MAX_PASSWORD {
        // Octets that are not UTF-8, and no null: see the difference below.
        let password: Vec<u8> = (0..length).map(|at| 0x80 | at as u8).collect();
        let hidden = hide::hide_password(&password, &secret, &RA).unwrap();
        let theirs = AVP::from_bytes(a::USER_PASSWORD, &hidden);
        assert_eq!(
            theirs.encode_user_password(SECRET, &RA),
            Ok(password.clone())
        );
        assert_eq!(hide::reveal_password(&hidden, &secret, &RA), Some(password));
    }
    let long = [b'a'; hide::MAX_PASSWORD + 1];
    assert!(hide::hide_password(&long, &secret, &RA).is_err());
    assert!(AVP::from_user_password(a::USER_PASSWORD, &long, SECRET, &RA).is_err());
}

// Known differences

/// RFC 2865 section 3: octets outside Length are padding, to be ignored. The crate digests them.
#[test]
fn difference_padding_is_not_part_of_a_response() {
    let secret = Secret::new(SECRET);
    let mut padded = Builder::new(Code::ACCESS_REJECT, 1).finish_response(&RA, &secret);
    padded.extend_from_slice(&[0, 0]);
    let request = [&[1, 1, 0, 20], RA.as_slice()].concat();
    let ours = sign::response_is_authentic(&Packet::parse(&padded).unwrap(), &RA, &secret);
    assert!(ours);
    assert!(!CratePacket::is_authentic_response(
        &padded, &request, SECRET
    ));
}

/// RFC 2865 section 5: a packet with a broken attribute is discarded. The crate's check of
/// authenticators does not look at attributes; ours takes a packet that is already checked.
#[test]
fn difference_broken_attributes_are_never_authentic() {
    let mut broken = vec![4, 1, 0, 22];
    broken.extend_from_slice(&[0; 16]);
    broken.extend_from_slice(&[1, 9]);
    let digest = sign::digested_request_authenticator(&broken, &Secret::new(SECRET));
    broken[4..20].copy_from_slice(&digest);
    assert!(Packet::parse(&broken).is_err());
    assert!(CratePacket::is_authentic_request(&broken, SECRET));
}

/// RFC 2865 section 5.2 pads at the end with nulls. The crate cuts at the first null.
#[test]
fn difference_a_password_may_hold_a_null() {
    let secret = Secret::new(SECRET);
    let password = b"quay\0side";
    let hidden = hide::hide_password(password, &secret, &RA).unwrap();
    let ours = hide::reveal_password(&hidden, &secret, &RA);
    assert_eq!(ours.as_deref(), Some(password.as_slice()));
    let theirs = AVP::from_bytes(a::USER_PASSWORD, &hidden);
    assert_eq!(theirs.encode_user_password(SECRET, &RA).unwrap(), b"quay");
}

/// RFC 2865 section 5.2: the value is a multiple of 16 octets. The crate takes any 16 to 128.
#[test]
fn difference_a_password_comes_in_whole_blocks() {
    let value = [0x11; 17];
    assert_eq!(
        hide::reveal_password(&value, &Secret::new(SECRET), &RA),
        None
    );
    let theirs = AVP::from_bytes(a::USER_PASSWORD, &value);
    assert!(theirs.encode_user_password(SECRET, &RA).is_ok());
}

/// RFC 2868 section 3.5: a length octet goes in front of the password before it is hidden. The
/// crate writes none and takes it for a part of the password.
#[test]
fn difference_a_tunnel_password_has_a_length() {
    let secret = Secret::new(SECRET);
    let ours = hide::hide_tunnel_password(1, [0x80, 1], b"gangway", &secret, &RA).unwrap();
    let theirs = AVP::from_bytes(a::TUNNEL_PASSWORD, &ours.value);
    let (read, _) = theirs.encode_tunnel_password(SECRET, &RA).unwrap();
    assert_eq!(read, b"\x07gangway");
    let tag = Tag::new(1);
    let written =
        AVP::from_tunnel_password(a::TUNNEL_PASSWORD, Some(&tag), b"gangway", SECRET, &RA).unwrap();
    let read = hide::reveal_tunnel_password(&written.encode_bytes(), &secret, &RA);
    assert_eq!(read, None);
}

/// RFC 2868 section 3.1: tag and three octets, six octets in all. The crate writes seven and
/// refuses six.
#[test]
fn difference_a_tagged_number_has_four_octets() {
    let [tunnel_type, ..] = vlan::tunnel_vlan(1, "20");
    assert_eq!(tunnel_type.value.len(), 4);
    let mut packet = CratePacket::new(CrateCode::AccessAccept, SECRET);
    rfc2868::add_tunnel_type(&mut packet, Some(&Tag::new(1)), vlan::TUNNEL_TYPE_VLAN);
    let theirs = packet.lookup(a::TUNNEL_TYPE).unwrap().encode_bytes();
    assert_eq!(theirs, [1, 0, 0, 0, 13]);
    let ours = AVP::from_bytes(a::TUNNEL_TYPE, &tunnel_type.value);
    assert!(ours.encode_tagged_u32().is_err());
}

/// RFC 2868 section 3.6: a first octet of 0 is an unused tag. The crate refuses it.
#[test]
fn difference_an_unused_tag_may_stand_before_text() {
    let group = AttributeBuf::new(a::TUNNEL_PRIVATE_GROUP_ID, *b"\x0020");
    assert_eq!(group.view().tagged_text(), (Some(0), b"20".as_slice()));
    let theirs = AVP::from_bytes(a::TUNNEL_PRIVATE_GROUP_ID, &group.value);
    assert!(theirs.encode_tagged_string().is_err());
}

/// RFC 2865 section 3: at most 4096 octets. The crate counts in 16 bits, so that 65,537 octets of
/// attributes pass for one: the packet goes out with a Length of 21 and all of them behind it.
#[test]
fn difference_a_packet_never_passes_4096_octets() {
    let mut packet = CratePacket::new(CrateCode::AccessRequest, SECRET);
    for _ in 0..257 {
        packet.add(AVP::from_bytes(a::REPLY_MESSAGE, &[b'a'; 253]));
    }
    packet.add(AVP::from_bytes(a::REPLY_MESSAGE, b""));
    let written = packet.encode().unwrap();
    assert_eq!(written.len(), 20 + 65_537);
    assert_eq!(written[2..4], [0, 21]);

    let mut builder = Builder::new(Code::ACCESS_REQUEST, 1);
    let refused = (0..257).find(|_| builder.push(a::REPLY_MESSAGE, &[b'a'; 253]).is_err());
    assert_eq!(
        refused,
        Some(15),
        "15 attributes of 255 octets fit, the 16th does not"
    );
    assert!(builder.len() <= 4096);
}

/// Codes that we do not know keep their number. The crate makes one value of them all and cannot
/// write it again.
#[test]
fn difference_an_unknown_code_keeps_its_number() {
    let bytes = [&[52, 1, 0, 20], RA.as_slice()].concat();
    assert_eq!(Packet::parse(&bytes).unwrap().code(), Code(52));
    let theirs = CratePacket::decode(&bytes, SECRET).unwrap();
    assert_eq!(theirs.get_code() as u8, 0);
    assert!(theirs.encode().is_err());
}

// Material

/// Every packet in the vectors that is well-formed.
fn packets() -> Vec<Vec<u8>> {
    let json: serde_json::Value =
        serde_json::from_str(include_str!("vectors/vectors.json")).unwrap();
    let mut found = Vec::new();
    for record in json.as_array().unwrap() {
        for side in ["inputs", "expected"] {
            for (_, value) in record[side].as_object().unwrap() {
                let Some(bytes) = value.as_str().and_then(unhex) else {
                    continue;
                };
                let named = Code(bytes.first().copied().unwrap_or(0)).name().is_some();
                if named && Packet::parse(&bytes).is_ok_and(|p| p.bytes().len() == bytes.len()) {
                    found.push(bytes);
                }
            }
        }
    }
    found.sort();
    found.dedup();
    found
}

fn unhex(text: &str) -> Option<Vec<u8>> {
    if !text.len().is_multiple_of(2) || !text.is_ascii() {
        return None;
    }
    (0..text.len())
        .step_by(2)
        .map(|at| u8::from_str_radix(&text[at..at + 2], 16).ok())
        .collect()
}

/// A packet, every truncation of it, every flipped bit, and padding.
fn mutated(packet: &[u8]) -> Vec<Vec<u8>> {
    let mut twins = vec![packet.to_vec(), [packet, &[0, 1, 2]].concat()];
    twins.extend((0..packet.len()).map(|length| packet[..length].to_vec()));
    twins.extend((0..packet.len() * 8).map(|bit| {
        let mut twin = packet.to_vec();
        twin[bit / 8] ^= 1 << (bit % 8);
        twin
    }));
    twins
}
