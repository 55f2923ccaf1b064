//! What goes around a change (RFC 5176): signatures, time, duplicates, State and Proxy-State.

use super::changes::{NOW, admitted, refused, request, send, stamp, text_command, texts, till};
use super::*;
use crate::wire::registry::error_cause::ErrorCause;

/// RFC 5176 sections 3.1 and 3.3: Proxy-State in order, State unchanged, in ACK and NAK.
#[test]
fn state_and_proxy_state_come_back() {
    let mut rig = admitted(config());
    for code in [Code::COA_ACK, Code::COA_NAK] {
        let mut attributes = vec![
            till(),
            AttributeBuf::new(a::PROXY_STATE, *b"one"),
            AttributeBuf::new(a::STATE, [0, 1, 255]),
            AttributeBuf::new(a::PROXY_STATE, *b"two"),
            AttributeBuf::integer(a::TERMINATION_ACTION, 1),
        ];
        if code == Code::COA_NAK {
            attributes.push(AttributeBuf::integer(a::FRAMED_MTU, 1));
        }
        let answer = rig
            .change(&request(Code::COA_REQUEST, 77, &attributes))
            .unwrap();
        let answer = Packet::parse(&answer).unwrap();
        assert_eq!(answer.code(), code);
        let proxies: Vec<&[u8]> = answer.all(a::PROXY_STATE).map(|p| p.value).collect();
        assert_eq!(proxies, [b"one", b"two"]);
        assert_eq!(answer.count(a::STATE), 1);
        assert_eq!(answer.first(a::STATE).unwrap().value, [0, 1, 255]);
    }
}

fn dropped_for(rig: &Rig, words: &str) -> bool {
    rig.events.iter().any(
        |event| matches!(&event.what, What::ChangeDropped { reason } if reason.contains(words)),
    )
}

/// RFC 5176 section 6.3: outside the window a change is dropped without a word, either side.
#[test]
fn a_stale_change_is_dropped() {
    for (at, answered) in [
        (NOW, true),
        (NOW - 300, true),
        (NOW + 300, true),
        (NOW - 301, false),
        (NOW + 301, false),
        (0, false),
    ] {
        let mut rig = admitted(config());
        let answer = rig.change(&request(Code::DISCONNECT_REQUEST, 1, &[till(), stamp(at)]));
        assert_eq!(answer.is_some(), answered, "{at}");
        assert_eq!(dropped_for(&rig, "section 6.3"), !answered, "{at}");
        assert_eq!(rig.switch.sessions().is_empty(), answered, "{at}");
    }
}

/// RFC 5176 sections 2.3, 3.4 and 6.1: what is dropped without a word.
#[test]
fn unsound_changes_are_dropped() {
    let right = request(Code::DISCONNECT_REQUEST, 1, &[till()]);
    let mut flipped = right.clone();
    flipped[8] ^= 1;
    let mut wrong_secret = Builder::new(Code::DISCONNECT_REQUEST, 1);
    wrong_secret.attribute(&till()).unwrap();
    let wrong_secret = wrong_secret.finish_digested_request(&Secret::new("another"));
    let mut wrong_seal = Builder::new(Code::DISCONNECT_REQUEST, 1);
    wrong_seal.push(a::MESSAGE_AUTHENTICATOR, &[1; 16]).unwrap();
    wrong_seal.attribute(&till()).unwrap();
    let wrong_seal = wrong_seal.finish_digested_request(&secret());
    let accounting = request(Code::ACCOUNTING_REQUEST, 1, &[till()]);
    for (words, octets) in [
        ("Request Authenticator is wrong", flipped),
        ("Request Authenticator is wrong", wrong_secret),
        ("Message-Authenticator is wrong", wrong_seal),
        ("is no change", accounting),
        ("octets", right[..15].to_vec()),
    ] {
        let mut rig = admitted(config());
        assert_eq!(rig.change(&octets), None, "{words}");
        assert!(dropped_for(&rig, words), "{words}");
        assert_eq!(rig.switch.sessions().len(), 1);
    }
    let mut rig = admitted(config());
    let peer = "192.0.2.99:40000".parse().unwrap();
    rig.act(|switch, now| switch.handle(now, Socket::Change, peer, &right));
    assert!(dropped_for(&rig, "may not send changes"));
    assert_eq!(rig.switch.sessions().len(), 1);
}

/// RFC 5176 sections 3.4 and 6.3: what a switch may be set to insist on.
#[test]
fn it_can_insist_on_seal_and_time() {
    let bare = |attributes: &[AttributeBuf]| {
        let mut builder = Builder::new(Code::DISCONNECT_REQUEST, 1);
        for attribute in attributes {
            builder.attribute(attribute).unwrap();
        }
        builder.finish_digested_request(&secret())
    };
    let mut rig = admitted(config());
    assert!(rig.change(&bare(&[till()])).is_some());
    let mut strict = config();
    strict.changes.require_message_authenticator = true;
    let mut rig = admitted(strict);
    assert!(rig.change(&bare(&[till()])).is_none());
    assert!(dropped_for(&rig, "Message-Authenticator is missing"));
    let mut strict = config();
    strict.changes.require_event_timestamp = true;
    let mut rig = admitted(strict);
    assert!(rig.change(&bare(&[till()])).is_none());
    assert!(dropped_for(&rig, "Event-Timestamp is missing"));
    assert!(rig.change(&bare(&[till(), stamp(NOW)])).is_some());
}

/// RFC 5176 section 2.3, RFC 5080 section 2.2.2: a duplicate gets the same answer and is done
/// once; another authenticator under the same Identifier is another request.
#[test]
fn a_duplicate_gets_the_same_answer() {
    let mut rig = admitted(texts());
    let command = text_command("subscriber:command=reauthenticate");
    let octets = request(Code::COA_REQUEST, 9, &[till(), command.clone(), stamp(NOW)]);
    let first = rig.change(&octets).unwrap();
    rig.run(seconds(5));
    let second = rig.change(&octets).unwrap();
    assert_eq!(first, second);
    assert_eq!(rig.access_requests().len(), 2);
    assert_eq!(rig.count(|w| *w == What::ChangeRepeated), 1);
    let other = request(Code::COA_REQUEST, 9, &[till(), command, stamp(NOW + 1)]);
    assert_ne!(rig.change(&other).unwrap(), first);
    assert_eq!(rig.access_requests().len(), 3);
    // After the window it is stale anyhow.
    rig.run(seconds(400));
    assert_eq!(rig.change(&octets), None);
}

/// From another port it is another request (RFC 5176 section 2.3).
#[test]
fn the_source_port_tells_requests_apart() {
    let mut rig = admitted(texts());
    let command = text_command("subscriber:command=reauthenticate");
    let octets = request(Code::COA_REQUEST, 9, &[till(), command]);
    rig.change(&octets).unwrap();
    let peer = "192.0.2.10:40001".parse().unwrap();
    rig.act(|switch, now| switch.handle(now, Socket::Change, peer, &octets));
    assert_eq!(rig.access_requests().len(), 3);
}

/// The requests of RFC 5176 section 7 parse to what the text says; their secret is not printed,
/// so the stand-in must drop them, and does them when signed anew.
#[test]
fn traces_of_rfc_5176_section_7() {
    for trace in [
        "2801001c1b23624c3543ceba55f1be55a714ca5e01086d6368696261",
        "2801001ead0d8e5355b6bd02a0cbace64e3877bd2c0a3930323334353637",
        "2801001a0bda33fe765b05f0fd9cc32a2f6b518208060a000203",
    ] {
        let octets = answers::hex(trace);
        let packet = Packet::parse(&octets).unwrap();
        assert_eq!(packet.code(), Code::DISCONNECT_REQUEST);
        let selectors: Vec<AttributeBuf> = packet.attributes().map(|a| a.to_buf()).collect();
        let mut rig = admitted(config());
        assert_eq!(rig.change(&octets), None);
        assert!(dropped_for(&rig, "Request Authenticator is wrong"));
        assert_eq!(
            send(&mut rig, Code::DISCONNECT_REQUEST, &selectors),
            refused(Code::DISCONNECT_NAK, ErrorCause::SESSION_CONTEXT_NOT_FOUND)
        );
    }
}
