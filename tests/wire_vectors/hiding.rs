//! Records of hidden passwords and keys, of CHAP and of HMAC-MD5.

use portproof::wire::registry::attributes as a;
use portproof::wire::{Packet, Secret, hide};
use serde_json::Value;

use crate::material::{flipped, flipped_in, on_wire};
use crate::record::{Checks, Record, unhex};

pub fn user_password(record: &Record, checks: &mut Checks) {
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

pub fn chap_password(record: &Record, checks: &mut Checks) {
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

pub fn mppe_key(record: &Record, checks: &mut Checks) {
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

pub fn hmac_md5(record: &Record, checks: &mut Checks) {
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
