//! Status-Server (RFC 5997).

use std::sync::Arc;

use super::rig::*;
use crate::bench::{Bench, Switch};
use crate::journal::{Kind, Link};
use crate::respond::Responder;
use crate::roster::Roster;
use crate::wire::registry::attributes as a;
use crate::wire::{Code, Packet, Secret};

fn query(identifier: u8) -> Asking {
    let mut query = Asking::new(identifier);
    query.code = Code::STATUS_SERVER;
    query
}

/// RFC 5997 section 3: an accept on the authentication port, an Accounting-Response without
/// attributes on the accounting port.
#[test]
fn answered_on_either_port() {
    let octets = query(1).octets();
    for (link, code, attributes) in [
        (Link::Authentication, Code::ACCESS_ACCEPT, 18),
        (Link::Accounting, Code::ACCOUNTING_RESPONSE, 0),
    ] {
        let outcome = Outcome::of(Rig::new().send(0, link, &octets), &octets);
        assert_eq!(outcome.verdict(), "answered-status");
        assert_eq!(outcome.entry().kind, Kind::Status);
        let answer = outcome.answer().unwrap();
        assert_eq!((answer.code(), answer.body().len()), (code, attributes));
    }
}

/// RFC 5997 section 3: Message-Authenticator is mandatory.
#[test]
fn dropped_without_message_authenticator_even_where_requests_may_lack_it() {
    let mut query = query(1);
    query.signed = false;
    for link in [Link::Authentication, Link::Accounting] {
        let effects = Rig::new().send_from("192.0.2.11:50000", 0, link, &query.octets());
        let entry = &effects.entries[0];
        assert_eq!(entry.verdict, "dropped-missing-message-authenticator");
        assert_eq!(entry.breach.as_deref(), Some("RFC 5997 section 3"));
    }
}

/// RFC 5997 section 3: credentials must not appear; other attributes are ignored.
#[test]
fn credentials_are_a_breach_and_ignored() {
    let octets = query(1).with(a::USER_NAME, b"mo").octets();
    let effects = Rig::new().send(0, Link::Authentication, &octets);
    assert_eq!(effects.entries[0].breach, None);
    let octets = query(2).pap(b"tide-table").octets();
    let effects = Rig::new().send(0, Link::Authentication, &octets);
    assert_eq!(effects.entries[0].verdict, "answered-status");
    assert_eq!(
        effects.entries[0].breach.as_deref(),
        Some("RFC 5997 section 3")
    );
}

#[test]
fn each_query_is_answered_anew() {
    let mut rig = Rig::new();
    let octets = query(1).octets();
    for seconds in 0..2 {
        let effects = rig.send(seconds, Link::Authentication, &octets);
        assert_eq!(effects.entries[0].verdict, "answered-status");
    }
}

/// The printed queries of RFC 5997 sections 6.1 to 6.3.
#[test]
fn the_queries_of_rfc_5997_section_6() {
    for (link, hex) in [
        (
            Link::Authentication,
            "0cda00268a54f4686fb394c52866e302185d062350125a665e2e1e8411f3e243822097c84fa3",
        ),
        (
            Link::Accounting,
            "0cb30026925f6b66dd5fed571fcb1db7ad3882605012e8d6eabda910875cd91fdade26367858",
        ),
        (
            Link::Authentication,
            "0c47002cbf58de56ae408ad3b70c8513f9b03fbe0406c00002105012852d6fec61e7ed74b8e32dac2f2a5f\
             b2",
        ),
    ] {
        let octets = crate::journal::hex_octets::decode(hex).unwrap();
        let old = bench();
        let switch = Switch {
            secret: Secret::new("xyzzy5461"),
            ..Switch::clone(&old.switches[0])
        };
        let bench = Bench {
            switches: vec![Arc::new(switch)],
            ..old
        };
        let effects = Responder::new(Arc::new(bench)).handle(
            at(0),
            &mut Roster::default(),
            link,
            AUTHENTICATION.parse().unwrap(),
            PEER.parse().unwrap(),
            &octets,
            &mut Rig::new().rng,
        );
        assert_eq!(effects.entries[0].verdict, "answered-status");
        let answer = Packet::parse(&effects.transmits[0].octets).unwrap();
        assert_eq!(answer.identifier(), octets[1]);
    }
}
