//! The whole responder with a seeded random source: datagrams in sequence, each signed or left as
//! it is, and for each exactly one named verdict and at most one answer, which verifies.

#![no_main]

use std::net::SocketAddr;
use std::time::Duration;

use libfuzzer_sys::fuzz_target;
use portproof::journal::{Kind, Link};
use portproof::respond::Responder;
use portproof::roster::{Effects, Roster};
use portproof::wire::sign::{self, MessageAuthenticator};
use portproof::wire::{Code, MAX_PACKET, Packet};
use portproof_fuzz::{SWITCH, bench, continued, eap, pieces, secret, signed, start};
use rand::SeedableRng;
use rand::rngs::StdRng;

fuzz_target!(|input: &[u8]| {
    let mut responder = Responder::new(bench());
    responder.offer_eap(Some(eap::settings(input.len() as u8)));
    let mut roster = Roster::default();
    let mut challenge = Vec::new();
    let mut rng = StdRng::seed_from_u64(1);
    let mut now = start();
    let switch: SocketAddr = SWITCH.parse().expect("an address");
    let stranger: SocketAddr = "203.0.113.5:40000".parse().expect("an address");
    for (choices, piece) in pieces(input) {
        let link = if choices & 1 == 0 {
            Link::Authentication
        } else {
            Link::Accounting
        };
        let datagram = if choices & 2 == 0 {
            signed(&continued(piece, &challenge), &[0; 16])
        } else {
            piece.to_vec()
        };
        let peer = if choices & 0xf0 == 0xf0 {
            stranger
        } else {
            switch
        };
        let local = "192.0.2.1:1812".parse().expect("an address");
        let effects = responder.handle(now, &mut roster, link, local, peer, &datagram, &mut rng);
        // A flood of a host that is not declared is told of in sum.
        if peer == stranger && effects.entries.is_empty() {
            assert!(effects.transmits.is_empty());
            continue;
        }
        check(&effects, link, peer, &datagram);
        if let Some(transmit) = effects.transmits.first() {
            challenge.clone_from(&transmit.octets);
        }
        now += Duration::from_secs(u64::from(choices >> 2 & 0x0f));
        if responder.next_deadline().is_some_and(|due| due <= now) {
            responder.tick(now, &mut roster);
            assert!(responder.next_deadline().is_none_or(|due| due > now));
        }
    }
});

fn check(effects: &Effects, link: Link, peer: SocketAddr, datagram: &[u8]) {
    let verdict = effects
        .entries
        .first()
        .expect("a verdict for each datagram");
    assert!(!verdict.verdict.is_empty() && !verdict.reason.is_empty());
    let of_a_datagram = |kind| {
        matches!(
            kind,
            Kind::Access | Kind::Accounting | Kind::Status | Kind::Dropped | Kind::Repeat
        )
    };
    let verdicts = effects
        .entries
        .iter()
        .filter(|entry| of_a_datagram(entry.kind));
    assert_eq!(verdicts.count(), 1);
    assert!(effects.transmits.len() <= 1);
    let Some(transmit) = effects.transmits.first() else {
        return;
    };
    assert_eq!((transmit.link, transmit.to), (link, peer));
    assert!(transmit.octets.len() <= MAX_PACKET);
    let request = Packet::parse(datagram).expect("only packets are answered");
    let answer = Packet::parse(&transmit.octets).expect("an answer is a packet");
    let authenticator = request.authenticator();
    assert_eq!(answer.identifier(), request.identifier());
    assert!(sign::response_is_authentic(
        &answer,
        authenticator,
        &secret()
    ));
    let message = sign::check_message_authenticator(&answer, Some(authenticator), &secret());
    match answer.code() {
        Code::ACCOUNTING_RESPONSE => assert_ne!(message, MessageAuthenticator::Wrong),
        _ => assert_eq!(message, MessageAuthenticator::Right),
    }
}
