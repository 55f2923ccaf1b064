//! Every published or derived record of `vectors/vectors.json` that belongs to the wire, each with
//! its negative twins: a flipped bit, a wrong secret or a missing octet must be refused.
//!
//! A record names its source (RFC and section); `published: false` marks values computed by the
//! stated rule, with nothing printed to compare with.

// clippy.toml allows these in tests, and not in the helpers beside them.
#![allow(
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic,
    clippy::unwrap_used
)]

use std::collections::BTreeMap;

use portproof::wire::registry::attributes as a;
use portproof::wire::sign::{self, MessageAuthenticator};
use portproof::wire::vlan::{self, VlanRef, Vlans};
use portproof::wire::{
    Attribute, AttributeBuf, Builder, Code, Malformed, Packet, Secret, extended, hide,
};
use serde_json::Value;

/// Kinds that the EAP room runs, with the number of their records.
const LEFT_TO_EAP: &[(&str, usize)] = &[
    ("mschapv2", 1),
    ("des-key-parity", 1),
    ("mppe-key-derivation", 3),
    ("mppe-key-derivation-derived", 1),
    ("rc4-sample", 1),
    ("tls-key-derivation", 2),
    ("tls13-exporter", 3),
];

/// Kinds that are run here, with the number of their records.
const RUN_HERE: &[(&str, usize, Run)] = &[
    ("user-password-hiding", 3, user_password),
    ("response-authenticator", 7, response_authenticator),
    ("message-authenticator", 3, message_authenticator),
    ("chap-password", 1, chap_password),
    ("malformed-packet", 1, malformed_packet),
    ("hmac-md5", 3, hmac_md5),
    ("disconnect-request-layout", 3, disconnect_layout),
    ("extended-attribute-encoding", 13, extended_attribute),
    ("attribute-encoding", 5, attribute_encoding),
    ("mppe-salt-encryption", 2, mppe_key),
    ("dynamic-authorization", 2, dynamic_authorization),
    ("accounting-authenticator", 1, accounting),
];

type Run = fn(&Record, &mut Checks);

#[derive(serde::Deserialize)]
struct Record {
    id: String,
    source: String,
    kind: String,
    inputs: Value,
    expected: Value,
    #[serde(default)]
    note: String,
}

/// What was found of one record: positive and negative checks, and those that failed.
#[derive(Default)]
struct Checks {
    held: usize,
    refused: usize,
    failed: Vec<String>,
}

#[test]
fn every_record_of_the_wire_holds_and_its_twins_are_refused() {
    let mut run: BTreeMap<&str, usize> = BTreeMap::new();
    let mut failures = Vec::new();
    let records = records();
    for record in &records {
        *run.entry(record.kind.as_str()).or_default() += 1;
        let Some((_, _, check)) = RUN_HERE.iter().find(|(kind, ..)| *kind == record.kind) else {
            continue;
        };
        let mut checks = Checks::default();
        check(record, &mut checks);
        if checks.held == 0 || checks.refused == 0 {
            checks
                .failed
                .push("has no positive or no negative check".to_owned());
        }
        for failed in checks.failed {
            failures.push(format!(
                "{}: {failed}\n    source: {}\n    note: {}",
                record.id, record.source, record.note
            ));
        }
    }
    assert!(failures.is_empty(), "\n{}", failures.join("\n"));

    let expected: BTreeMap<&str, usize> = RUN_HERE
        .iter()
        .map(|(kind, count, _)| (*kind, *count))
        .chain(LEFT_TO_EAP.iter().copied())
        .collect();
    assert_eq!(run, expected, "kinds and numbers of records");
}

fn records() -> Vec<Record> {
    serde_json::from_str(include_str!("vectors/vectors.json")).expect("vectors.json")
}

// Records of password hiding, CHAP and key hiding

fn user_password(record: &Record, checks: &mut Checks) {
    let secret = record.secret();
    let password = record.text("password").as_bytes();
    let ra = record.octets16("request_authenticator");
    let value = record.expected_octets("user_password_value");
    let wrong = Secret::new("xyzzy5462");

    checks.equal(
        "hidden",
        &hide::hide_password(password, &secret, &ra),
        &Ok(value.clone()),
    );
    let revealed = |value: &[u8], secret: &Secret| hide::reveal_password(value, secret, &ra);
    checks.equal(
        "revealed",
        &revealed(&value, &secret),
        &Some(password.to_vec()),
    );
    checks.refuse(
        "wrong secret",
        revealed(&value, &wrong) == Some(password.to_vec()),
    );
    checks.refuse("one octet less", revealed(&value[1..], &secret).is_some());
    checks.refuse("no octets", revealed(&[], &secret).is_some());
    for twin in flipped(&value) {
        let same = revealed(&twin, &secret) == Some(password.to_vec());
        checks.refuse("a flipped bit", same);
    }

    let request = record
        .inputs
        .get("request")
        .or_else(|| record.inputs.get("request_corrected"));
    let request = unhex(request.and_then(Value::as_str).expect("a request"));
    checks.with_packet("request", &request, |packet, checks| {
        let found = packet.first(a::USER_PASSWORD).map(|found| found.value);
        checks.equal("value in the request", &found, &Some(value.as_slice()));
        checks.equal("its authenticator", packet.authenticator(), &ra);
    });
    if let Some(printed) = record.inputs.get("request_as_printed") {
        let printed = unhex(printed.as_str().expect("hex"));
        checks.refuse("the misprint", Packet::parse(&printed).is_ok());
    }
}

fn chap_password(record: &Record, checks: &mut Checks) {
    let password = record.text("password").as_bytes();
    let identifier = u8::try_from(record.inputs["chap_id"].as_u64().expect("id")).expect("octet");
    let challenge = record.octets("challenge");
    let response = record.expected_octets("chap_response");
    let request = record.octets("request");

    let made = hide::chap_response(identifier, password, &challenge);
    checks.equal("response", &made.as_slice(), &response.as_slice());
    checks.with_packet("request", &request, |packet, checks| {
        let value = packet.first(a::CHAP_PASSWORD).map(|found| found.value);
        let expected = record.expected_octets("chap_password_value");
        checks.equal("value", &value, &Some(expected.as_slice()));
        checks.equal(
            "user",
            &packet.text(a::USER_NAME),
            &Some(record.text("user_name")),
        );
        checks.equal(
            "matches",
            &hide::chap_matches(packet, password),
            &Some(true),
        );
        let other = hide::chap_matches(packet, b"arctangens");
        checks.equal("another password", &other, &Some(false));
        checks.refuse("another password", other != Some(false));
    });
    // The response covers the challenge (here the Request Authenticator) and itself.
    let at = Packet::parse(&request)
        .ok()
        .and_then(|packet| packet.value_offset(a::CHAP_PASSWORD))
        .expect("CHAP-Password");
    for covered in [4..20, at..at + 17] {
        for twin in flipped_in(&request, covered) {
            let matches = Packet::parse(&twin)
                .is_ok_and(|packet| hide::chap_matches(&packet, password) == Some(true));
            checks.refuse("a flipped bit", matches);
        }
    }
}

fn mppe_key(record: &Record, checks: &mut Checks) {
    let secret = record.secret();
    let ra = record.octets16("request_authenticator");
    let salt: [u8; 2] = record.octets("salt").try_into().expect("two octets");
    let key = record.octets("key");
    let which = match record.inputs["vendor_type"].as_u64() {
        Some(16) => hide::MppeKey::Send,
        Some(17) => hide::MppeKey::Receive,
        other => panic!("vendor type {other:?}"),
    };
    let expected = record.expected_octets("attribute");

    let made = hide::hide_mppe_key(which, salt, &key, &secret, &ra).expect("hidden");
    checks.equal("attribute", &on_wire(&made), &expected);
    let found = made.view().vendor_attributes();
    let value = found.first().expect("a sub-attribute").value;
    let string = record.expected_octets("string");
    checks.equal("string", &&value[2..], &string.as_slice());

    let revealed = |value: &[u8], secret: &Secret| hide::reveal_mppe_key(value, secret, &ra);
    checks.equal("revealed", &revealed(value, &secret), &Some(key.clone()));
    let wrong = Secret::new("xyzzy5462");
    checks.refuse("wrong secret", revealed(value, &wrong) == Some(key.clone()));
    checks.refuse(
        "one octet less",
        revealed(&value[..value.len() - 1], &secret).is_some(),
    );
    checks.refuse(
        "one block less",
        revealed(&value[..value.len() - 16], &secret).is_some(),
    );
    let plain_salt = [&[value[0] & 0x7f], &value[1..]].concat();
    checks.refuse(
        "salt without its top bit",
        revealed(&plain_salt, &secret).is_some(),
    );
    // The last 15 octets are padding, which says nothing about the key.
    for twin in flipped_in(value, 0..value.len() - 15) {
        checks.refuse(
            "a flipped bit",
            revealed(&twin, &secret) == Some(key.clone()),
        );
    }
}

fn hmac_md5(record: &Record, checks: &mut Checks) {
    let data = record.octets("data");
    let digest = record.expected_octets("digest");
    let key = Secret::new(record.octets("key"));
    checks.equal("digest", &key.hmac(&[&data]).as_slice(), &digest.as_slice());
    let (front, back) = data.split_at(3);
    checks.equal(
        "in parts",
        &key.hmac(&[front, back]).as_slice(),
        &digest.as_slice(),
    );
    for twin in flipped(&data) {
        checks.refuse("a flipped bit", key.hmac(&[&twin]).as_slice() == digest);
    }
    for twin in flipped(&record.octets("key")) {
        let same = Secret::new(twin).hmac(&[&data]).as_slice() == digest;
        checks.refuse("another key", same);
    }
}

// Records of authenticators

fn response_authenticator(record: &Record, checks: &mut Checks) {
    let secret = record.secret();
    // The request stands only in some records; the digest needs no more than its authenticator.
    let request = match record.inputs.get("request_authenticator") {
        Some(_) => record.octets16("request_authenticator"),
        None => *parse(&record.octets("request")).authenticator(),
    };
    if let Some(given) = record.inputs.get("request") {
        let given = unhex(given.as_str().expect("hex"));
        checks.with_packet("request", &given, |packet, checks| {
            checks.equal("its authenticator", packet.authenticator(), &request);
        });
    }
    let response = record
        .expected
        .get("response")
        .or_else(|| record.expected.get("response_code5"));
    let response = unhex(response.and_then(Value::as_str).expect("a response"));
    check_response(&response, &request, &secret, checks);
    if let Some(printed) = record.expected.get("response_authenticator") {
        let printed = unhex(printed.as_str().expect("hex"));
        let found = parse(&response).authenticator().to_vec();
        checks.equal("authenticator", &found, &printed);
    }
    if let Some(printed) = record.expected.get("response_as_printed") {
        let printed = unhex(printed.as_str().expect("hex"));
        let packet = parse(&printed);
        let authentic = sign::response_is_authentic(&packet, &request, &secret);
        checks.refuse("the misprint", authentic);
    }
}

/// Authentic, written again to the same octets, and refused when anything changes.
fn check_response(response: &[u8], request: &[u8; 16], secret: &Secret, checks: &mut Checks) {
    let authentic = |bytes: &[u8], request: &[u8; 16], secret: &Secret| {
        Packet::parse(bytes)
            .is_ok_and(|packet| sign::response_is_authentic(&packet, request, secret))
    };
    checks.hold("authentic", authentic(response, request, secret));
    let again = rewritten(&parse(response)).finish_response(request, secret);
    checks.equal("written again", &again.as_slice(), &response);

    checks.refuse(
        "wrong secret",
        authentic(response, request, &Secret::new("xyzzy5462")),
    );
    for other in flipped(request) {
        let other: [u8; 16] = other.try_into().expect("16 octets");
        checks.refuse("another request", authentic(response, &other, secret));
    }
    for twin in flipped(response) {
        checks.refuse("a flipped bit", authentic(&twin, request, secret));
    }
    let short = &response[..response.len() - 1];
    checks.refuse("one octet less", authentic(short, request, secret));
}

fn message_authenticator(record: &Record, checks: &mut Checks) {
    let secret = record.secret();
    let packet = record.octets("packet");
    checks.with_packet("packet", &packet, |parsed, checks| {
        let found = parsed
            .first(a::MESSAGE_AUTHENTICATOR)
            .map(|found| found.value);
        let expected = record.expected_octets("message_authenticator");
        checks.equal("value", &found, &Some(expected.as_slice()));
        let again = rewritten(parsed).finish_request(parsed.authenticator(), &secret);
        checks.equal("written again", &again, &packet);
    });
    check_message_authenticator(&packet, None, &secret, checks);
}

fn check_message_authenticator(
    packet: &[u8],
    request: Option<&[u8; 16]>,
    secret: &Secret,
    checks: &mut Checks,
) {
    let right = |bytes: &[u8], secret: &Secret| {
        Packet::parse(bytes).is_ok_and(|packet| {
            sign::check_message_authenticator(&packet, request, secret)
                == MessageAuthenticator::Right
        })
    };
    checks.hold("Message-Authenticator", right(packet, secret));
    checks.refuse("wrong secret", right(packet, &Secret::new("xyzzy5462")));
    // In a request that is digested, and in a response, the field itself is not covered.
    let covered_by_itself =
        !parse(packet).code().request_is_digested() && !parse(packet).code().is_response();
    let header = if covered_by_itself { 0..20 } else { 0..4 };
    for covered in [header, 20..packet.len()] {
        for twin in flipped_in(packet, covered) {
            checks.refuse("a flipped bit", right(&twin, secret));
        }
    }
    checks.refuse("one octet less", right(&packet[..packet.len() - 1], secret));
}

fn dynamic_authorization(record: &Record, checks: &mut Checks) {
    let secret = record.secret();
    let request = record.expected_octets("request");
    let ack = record.expected_octets("ack");
    checks.with_packet("request", &request, |packet, checks| {
        let code = record.inputs["code"].as_u64();
        checks.equal("code", &Some(u64::from(packet.code().0)), &code);
        let identifier = record.inputs["identifier"].as_u64();
        checks.equal(
            "identifier",
            &Some(u64::from(packet.identifier())),
            &identifier,
        );
        let stamp = record.inputs["event_timestamp"].as_u64();
        let found = packet.integer(a::EVENT_TIMESTAMP).map(u64::from);
        checks.equal("Event-Timestamp", &found, &stamp);
        let expected = record.expected_octets("request_message_authenticator");
        let found = packet
            .first(a::MESSAGE_AUTHENTICATOR)
            .map(|found| found.value);
        checks.equal("Message-Authenticator", &found, &Some(expected.as_slice()));
    });
    check_digested(&request, &secret, checks);
    check_message_authenticator(&request, None, &secret, checks);

    let authenticator = *parse(&request).authenticator();
    checks.with_packet("answer", &ack, |packet, checks| {
        let asked = parse(&request);
        checks.equal(
            "code of the answer",
            &packet.code().0,
            &(asked.code().0 + 1),
        );
        checks.equal("its identifier", &packet.identifier(), &asked.identifier());
    });
    check_response(&ack, &authenticator, &secret, checks);
    check_message_authenticator(&ack, Some(&authenticator), &secret, checks);
}

fn accounting(record: &Record, checks: &mut Checks) {
    let secret = record.secret();
    let request = record.expected_octets("request");
    check_digested(&request, &secret, checks);
    let authenticator = *parse(&request).authenticator();
    let response = record.expected_octets("response");
    check_response(&response, &authenticator, &secret, checks);
}

fn check_digested(request: &[u8], secret: &Secret, checks: &mut Checks) {
    let authentic = |bytes: &[u8], secret: &Secret| {
        Packet::parse(bytes)
            .is_ok_and(|packet| sign::digested_request_is_authentic(&packet, secret))
    };
    checks.hold("authentic", authentic(request, secret));
    let again = rewritten(&parse(request)).finish_digested_request(secret);
    checks.equal("written again", &again.as_slice(), &request);
    checks.refuse(
        "wrong secret",
        authentic(request, &Secret::new("xyzzy5462")),
    );
    for twin in flipped(request) {
        checks.refuse("a flipped bit", authentic(&twin, secret));
    }
    checks.refuse(
        "one octet less",
        authentic(&request[..request.len() - 1], secret),
    );
}

// Records of framing and attributes

fn malformed_packet(record: &Record, checks: &mut Checks) {
    let packet = record.octets("packet");
    let expected = Malformed::AttributeLength {
        at: 57,
        kind: 24,
        length: 16,
        left: 10,
    };
    checks.equal("refused", &Packet::parse(&packet).err(), &Some(expected));
    checks.refuse("accepted", Packet::parse(&packet).is_ok());
    // The twin of a malformed packet is the one with the right octet in place.
    let mut mended = packet.clone();
    mended[58] = 10;
    checks.with_packet("mended", &mended, |packet, checks| {
        checks.equal("State", &packet.text(a::STATE), &Some("32769430"));
    });
}

fn disconnect_layout(record: &Record, checks: &mut Checks) {
    let bytes = record.octets("packet");
    checks.with_packet("packet", &bytes, |packet, checks| {
        let number = |name: &str| record.expected[name].as_u64();
        checks.equal("code", &Some(u64::from(packet.code().0)), &number("code"));
        checks.equal("name", &packet.code(), &Code::DISCONNECT_REQUEST);
        let identifier = Some(u64::from(packet.identifier()));
        checks.equal("identifier", &identifier, &number("identifier"));
        checks.equal(
            "length",
            &Some(packet.bytes().len() as u64),
            &number("length"),
        );
        let expected: Vec<AttributeBuf> = record.expected["attributes"]
            .as_array()
            .expect("attributes")
            .iter()
            .map(|attribute| {
                let kind = attribute["type"].as_u64().expect("type") as u8;
                AttributeBuf::new(kind, unhex(attribute["value"].as_str().expect("value")))
            })
            .collect();
        let found: Vec<AttributeBuf> = packet.attributes().map(|found| found.to_buf()).collect();
        checks.equal("attributes", &found, &expected);
    });
    for length in 0..bytes.len() {
        checks.refuse("truncated", Packet::parse(&bytes[..length]).is_ok());
    }
    for wrong in [0, 1, bytes[21] + 1, 255] {
        let mut twin = bytes.clone();
        twin[21] = wrong;
        checks.refuse("attribute length", Packet::parse(&twin).is_ok());
    }
    // No secret is printed, so that no secret that we know may fit.
    let authentic = sign::digested_request_is_authentic(&parse(&bytes), &Secret::new("xyzzy5461"));
    checks.refuse("authentic by a secret that it was not made with", authentic);
}

fn extended_attribute(record: &Record, checks: &mut Checks) {
    let wanted = Notation::read(record.text("value"), record.inputs.get("value_hex"));
    let expected = record
        .expected
        .get("attribute")
        .or_else(|| record.expected.get("attributes"));
    let expected = unhex(expected.and_then(Value::as_str).expect("hex"));

    let built = extended::build(wanted.kind, wanted.extended, &wanted.value()).expect("built");
    let octets: Vec<u8> = built.iter().flat_map(on_wire).collect();
    checks.equal("built", &octets, &expected);

    let packet = packet_of(&built);
    let found = extended::read(&parse(&packet));
    let [Ok(found)] = found.as_slice() else {
        checks.failed.push(format!("read: {found:?}"));
        return;
    };
    checks.equal(
        "type",
        &(found.kind, found.extended),
        &(wanted.kind, wanted.extended),
    );
    checks.equal("fragments", &found.fragments, &built.len());
    let inner = match wanted.vendor {
        None => found.value.clone(),
        Some((vendor, kind)) => {
            let evs = found.evs().expect("a vendor attribute");
            checks.equal("vendor", &(evs.vendor, evs.kind), &(vendor, kind));
            evs.value.to_vec()
        }
    };
    checks.equal(
        "value",
        &Content::of(&inner, &wanted.content),
        &wanted.content,
    );

    check_extended_twins(&built, &wanted, checks);
}

/// Headers without a value, broken fragment chains, TLVs of the wrong length.
fn check_extended_twins(built: &[AttributeBuf], wanted: &Notation, checks: &mut Checks) {
    let reads = |attributes: &[AttributeBuf]| {
        let packet = packet_of(attributes);
        extended::read(&parse(&packet)).iter().all(Result::is_ok)
    };
    let [first, ..] = built else {
        panic!("nothing was built")
    };
    let is_long = wanted.kind >= 245;
    let header = if is_long { 2 } else { 1 };
    let bare = AttributeBuf::new(wanted.kind, first.value[..header].to_vec());
    checks.refuse("a header alone", reads(&[bare]));
    checks.refuse(
        "no header",
        reads(&[AttributeBuf::new(wanted.kind, Vec::new())]),
    );
    if is_long {
        let last = built.last().expect("one at least");
        let mut unfinished = last.clone();
        unfinished.value[1] |= 0x80;
        checks.refuse("More on a short fragment", reads(&[unfinished]));
    }
    if built.len() > 1 {
        checks.refuse("the last fragment missing", reads(&built[..1]));
        let mut other = built.to_vec();
        other[1].value[0] = 5;
        checks.refuse("a fragment of another type", reads(&other));
        let between = AttributeBuf::text(a::REPLY_MESSAGE, "in between");
        checks.refuse(
            "fragments that are not consecutive",
            reads(&[built[0].clone(), between, built[1].clone()]),
        );
    }
    if let Content::Tlvs(tlvs) = &wanted.content {
        let value = Content::octets(&wanted.content);
        checks.hold(
            "TLVs",
            extended::tlvs(&value).is_some_and(|found| found.len() == tlvs.len()),
        );
        let mut longer = value.clone();
        longer[1] += 1;
        checks.refuse("a TLV that is too long", extended::tlvs(&longer).is_some());
        checks.refuse(
            "one octet less",
            extended::tlvs(&value[..value.len() - 1]).is_some(),
        );
    }
}

fn attribute_encoding(record: &Record, checks: &mut Checks) {
    let Some(name) = record.inputs.get("attribute").and_then(Value::as_str) else {
        return tunnel_triple(record, checks);
    };
    let tagged = record.inputs.get("tagged").and_then(Value::as_bool);
    let made = match name {
        "Egress-VLANID" => {
            let id = record.inputs["vlan"].as_u64().expect("vlan") as u16;
            vlan::egress_vlan(id, tagged.expect("tagged"))
        }
        "Egress-VLAN-Name" => vlan::egress_vlan_name(record.text("name"), tagged.expect("tagged")),
        "User-Priority-Table" => {
            let map = serde_json::from_value(record.inputs["map"].clone()).expect("8 numbers");
            vlan::user_priority_table(map)
        }
        other => panic!("attribute {other}"),
    };
    checks.equal("type", &a::by_name(name), &Some(made.kind));
    checks.equal(
        "built",
        &on_wire(&made),
        &record.expected_octets("attribute"),
    );
    let read = vlans(std::slice::from_ref(&made)).expect("read");
    let vlan = match record.inputs.get("vlan").and_then(Value::as_u64) {
        Some(id) => Some(VlanRef::Id(id as u16)),
        None => record
            .inputs
            .get("name")
            .map(|_| VlanRef::Name(record.text("name").to_owned())),
    };
    let (in_tagged, in_untagged) = match tagged {
        Some(true) => (vlan.into_iter().collect(), None),
        Some(false) => (Vec::new(), vlan),
        None => (Vec::new(), None),
    };
    checks.equal("tagged", &read.tagged, &in_tagged);
    checks.equal("untagged", &read.untagged, &in_untagged);
    let map = (made.kind == a::USER_PRIORITY_TABLE).then_some([0, 1, 2, 3, 4, 5, 6, 7]);
    checks.equal("priority", &read.priority, &map);

    let mut other_tag = made.clone();
    other_tag.value[0] = 0x33;
    checks.refuse("first octet", vlans(&[other_tag]).is_ok());
    let mut short = made.clone();
    short.value.truncate(1);
    checks.refuse("truncated", vlans(&[short]).is_ok());
    if made.kind == a::EGRESS_VLANID {
        for id in [0, 4095] {
            checks.refuse("VLAN id", vlans(&[vlan::egress_vlan(id, true)]).is_ok());
        }
        let mut padding = made.clone();
        padding.value[2] |= 0x10;
        checks.refuse("padding bits", vlans(&[padding]).is_ok());
    }
}

fn tunnel_triple(record: &Record, checks: &mut Checks) {
    let vlan = record.inputs["vlan"].as_u64().expect("vlan");
    let tag = record.inputs["tag"].as_u64().expect("tag") as u8;
    let made = vlan::tunnel_vlan(tag, &vlan.to_string());
    let [kind, medium, group] = &made;
    let expected = |name: &str| record.expected_octets(name);
    checks.equal("Tunnel-Type", &on_wire(kind), &expected("tunnel_type"));
    checks.equal("medium", &on_wire(medium), &expected("tunnel_medium_type"));
    let untagged = expected("tunnel_private_group_id_untagged");
    checks.equal("group", &on_wire(group), &untagged);

    let wanted = Some(VlanRef::Id(vlan as u16));
    let with = |group: AttributeBuf| vlans(&[kind.clone(), medium.clone(), group]);
    let read = |group| with(group).map(|found| found.untagged);
    checks.equal("read", &read(group.clone()), &Ok(wanted.clone()));
    let tagged = expected("tunnel_private_group_id_tagged");
    let tagged = AttributeBuf::new(tagged[0], &tagged[2..]);
    checks.equal("read with a tag of 0", &read(tagged), &Ok(wanted));

    for id in ["0", "4095", "70000", ""] {
        let other = AttributeBuf::text(a::TUNNEL_PRIVATE_GROUP_ID, id);
        checks.refuse("VLAN id", with(other).is_ok());
    }
    for missing in 0..made.len() {
        let mut two = made.to_vec();
        two.remove(missing);
        checks.refuse("a part missing", vlans(&two).is_ok());
    }
    let mut twice = made.to_vec();
    twice.push(group.clone());
    checks.refuse("a part twice", vlans(&twice).is_ok());
    let ipv4 = AttributeBuf::new(a::TUNNEL_MEDIUM_TYPE, [0, 0, 0, 1]);
    checks.refuse(
        "medium",
        vlans(&[kind.clone(), ipv4, group.clone()]).is_ok(),
    );
}

fn vlans(attributes: &[AttributeBuf]) -> Result<Vlans, vlan::VlanError> {
    let packet = packet_of(attributes);
    Vlans::read(&parse(&packet))
}

// The notation of RFC 6929 section 9: `241.26.1.5 {3 "test"}`

#[derive(Debug)]
struct Notation {
    kind: u8,
    extended: u8,
    vendor: Option<(u32, u8)>,
    content: Content,
}

#[derive(Debug, PartialEq, Clone)]
enum Content {
    Octets(Vec<u8>),
    Tlvs(Vec<(u8, Content)>),
}

impl Notation {
    fn read(text: &str, long: Option<&Value>) -> Notation {
        let (path, rest) = text.split_once(' ').expect("a path and a value");
        let numbers: Vec<u32> = path
            .split('.')
            .map(|n| n.parse().expect("number"))
            .collect();
        let (kind, extended, vendor) = match *numbers.as_slice() {
            [kind, extended] => (kind, extended, None),
            [kind, extended, vendor, inner] => (kind, extended, Some((vendor, inner as u8))),
            _ => panic!("path {path}"),
        };
        let content = match long {
            Some(hex) => Content::Octets(unhex(hex.as_str().expect("hex"))),
            None => Content::read(&mut rest.trim_start()),
        };
        Notation {
            kind: kind as u8,
            extended: extended as u8,
            vendor,
            content,
        }
    }

    fn value(&self) -> Vec<u8> {
        let inner = self.content.octets();
        match self.vendor {
            None => inner,
            Some((vendor, kind)) => extended::Evs {
                vendor,
                kind,
                value: &inner,
            }
            .to_value(),
        }
    }
}

impl Content {
    /// `"text"`, hex octets, or TLVs in braces; stops at a closing brace.
    fn read(text: &mut &str) -> Content {
        if let Some(rest) = text.strip_prefix('"') {
            let (inside, rest) = rest.split_once('"').expect("a closing quote");
            *text = rest;
            return Content::Octets(inside.as_bytes().to_vec());
        }
        if !text.starts_with('{') {
            let (inside, rest) = text.split_at(text.find('}').unwrap_or(text.len()));
            *text = rest;
            return Content::Octets(unhex(&inside.replace(' ', "")));
        }
        let mut tlvs = Vec::new();
        while let Some(rest) = text.strip_prefix('{') {
            let (kind, rest) = rest.split_at(rest.find([' ', '{']).expect("a type"));
            *text = rest.trim_start();
            tlvs.push((kind.parse().expect("type"), Content::read(text)));
            *text = text
                .strip_prefix('}')
                .expect("a closing brace")
                .trim_start();
        }
        Content::Tlvs(tlvs)
    }

    fn octets(&self) -> Vec<u8> {
        match self {
            Content::Octets(octets) => octets.clone(),
            Content::Tlvs(tlvs) => tlvs.iter().fold(Vec::new(), |mut to, (kind, content)| {
                assert!(extended::push_tlv(&mut to, *kind, &content.octets()));
                to
            }),
        }
    }

    /// Octets taken apart as deeply as `like` is.
    fn of(octets: &[u8], like: &Content) -> Content {
        match like {
            Content::Octets(_) => Content::Octets(octets.to_vec()),
            Content::Tlvs(inner) => Content::Tlvs(
                extended::tlvs(octets)
                    .expect("TLVs")
                    .iter()
                    .zip(inner)
                    .map(|(tlv, (_, like))| (tlv.kind, Content::of(tlv.value, like)))
                    .collect(),
            ),
        }
    }
}

// Small change

impl Record {
    fn text(&self, name: &str) -> &str {
        self.inputs[name]
            .as_str()
            .unwrap_or_else(|| panic!("{}: {name}", self.id))
    }

    fn octets(&self, name: &str) -> Vec<u8> {
        unhex(self.text(name))
    }

    fn octets16(&self, name: &str) -> [u8; 16] {
        self.octets(name).try_into().expect("16 octets")
    }

    fn expected_octets(&self, name: &str) -> Vec<u8> {
        let text = self.expected[name].as_str();
        unhex(text.unwrap_or_else(|| panic!("{}: {name}", self.id)))
    }

    fn secret(&self) -> Secret {
        Secret::new(self.text("secret"))
    }
}

impl Checks {
    fn hold(&mut self, what: &str, holds: bool) {
        self.held += 1;
        if !holds {
            self.failed.push(format!("{what}: does not hold"));
        }
    }

    fn equal<T: PartialEq + std::fmt::Debug>(&mut self, what: &str, found: &T, expected: &T) {
        self.held += 1;
        if found != expected {
            self.failed
                .push(format!("{what}: {found:02x?}, expected {expected:02x?}"));
        }
    }

    fn refuse(&mut self, what: &str, accepted: bool) {
        self.refused += 1;
        if accepted {
            self.failed.push(format!("{what}: should be refused"));
        }
    }

    fn with_packet(
        &mut self,
        what: &str,
        bytes: &[u8],
        check: impl FnOnce(&Packet<'_>, &mut Checks),
    ) {
        match Packet::parse(bytes) {
            Ok(packet) => check(&packet, self),
            Err(error) => self.failed.push(format!("{what}: {error}")),
        }
    }
}

fn unhex(text: &str) -> Vec<u8> {
    assert!(text.len().is_multiple_of(2), "{text}");
    (0..text.len())
        .step_by(2)
        .map(|at| u8::from_str_radix(&text[at..at + 2], 16).expect("hex"))
        .collect()
}

fn parse(bytes: &[u8]) -> Packet<'_> {
    Packet::parse(bytes).expect("a packet")
}

fn on_wire(attribute: &AttributeBuf) -> Vec<u8> {
    let length = u8::try_from(attribute.value.len() + 2).expect("fits");
    [&[attribute.kind, length], attribute.value.as_slice()].concat()
}

fn packet_of(attributes: &[AttributeBuf]) -> Vec<u8> {
    let mut builder = Builder::new(Code::ACCESS_ACCEPT, 1);
    for attribute in attributes {
        builder.attribute(attribute).expect("fits");
    }
    builder.finish_request(&[7; 16], &Secret::new("xyzzy5461"))
}

/// The same packet, yet to be signed; a Message-Authenticator keeps its place.
fn rewritten(packet: &Packet<'_>) -> Builder {
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
fn flipped(octets: &[u8]) -> Vec<Vec<u8>> {
    flipped_in(octets, 0..octets.len())
}

fn flipped_in(octets: &[u8], range: std::ops::Range<usize>) -> Vec<Vec<u8>> {
    range
        .flat_map(|at| (0..8).map(move |bit| (at, bit)))
        .map(|(at, bit)| {
            let mut twin = octets.to_vec();
            twin[at] ^= 1 << bit;
            twin
        })
        .collect()
}
