//! Records of authenticators and Message-Authenticator.

use portproof::wire::registry::attributes as a;
use portproof::wire::sign::{self, MessageAuthenticator};
use portproof::wire::{Packet, Secret};
use serde_json::Value;

use crate::material::{flipped, flipped_in, parse, rewritten};
use crate::record::{Checks, Record, unhex};

pub fn response_authenticator(record: &Record, checks: &mut Checks) {
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

pub fn message_authenticator(record: &Record, checks: &mut Checks) {
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

pub fn dynamic_authorization(record: &Record, checks: &mut Checks) {
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

pub fn accounting(record: &Record, checks: &mut Checks) {
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
