//! Retransmissions (RFC 5080 section 2.2.2).

use std::sync::Arc;
use std::time::Duration;

use super::rig::*;
use crate::journal::{Kind, Link};

#[test]
fn the_same_octets_again_and_no_second_decision() {
    let mut rig = Rig::new();
    let octets = Asking::mac(1, PRINTER, "7").octets();
    let first = rig.send(0, Link::Authentication, &octets);
    let again = rig.send(3, Link::Authentication, &octets);
    assert_eq!(again.entries.len(), 1);
    assert_eq!(again.entries[0].kind, Kind::Repeat);
    assert_eq!(again.entries[0].verdict, "repeated");
    assert_eq!(again.entries[0].place.port.as_deref(), Some("7"));
    assert_eq!(first.transmits, again.transmits);
    assert!(again.sessions.is_empty() && again.devices.is_empty());
}

#[test]
fn accounting_is_recorded_once() {
    let mut rig = Rig::new();
    let octets = Asking::accounting(1, 1, "a1")
        .of(PRINTER, "7")
        .accounting_octets();
    let first = rig.send(0, Link::Accounting, &octets);
    let again = rig.send(3, Link::Accounting, &octets);
    assert_eq!(again.entries[0].verdict, "repeated");
    assert_eq!(first.transmits, again.transmits);
    assert_eq!(rig.roster.sessions().iter().count(), 1);
}

#[test]
fn another_authenticator_is_a_new_request_and_purges_the_old_answer() {
    let mut rig = Rig::new();
    let first = Asking::mac(1, PRINTER, "7").octets();
    let second = Asking {
        authenticator: [9; 16],
        ..Asking::new(1)
    }
    .with(
        crate::wire::registry::attributes::SERVICE_TYPE,
        &[0, 0, 0, 10],
    )
    .of(STRANGER, "8")
    .octets();
    rig.send(0, Link::Authentication, &first);
    let effects = rig.send(1, Link::Authentication, &second);
    assert_eq!(effects.entries[0].verdict, "answered-accept");
    assert_eq!(effects.entries[0].place.mac, Some(STRANGER));
    let effects = rig.send(2, Link::Authentication, &first);
    assert_eq!(
        effects.entries[0].verdict, "answered-accept",
        "decided anew"
    );
}

#[test]
fn another_port_of_the_switch_or_socket_is_another_request() {
    let mut rig = Rig::new();
    let octets = Asking::mac(1, PRINTER, "7").octets();
    rig.send(0, Link::Authentication, &octets);
    let effects = rig.send_from("192.0.2.10:50001", 1, Link::Authentication, &octets);
    assert_eq!(effects.entries[0].verdict, "answered-accept");
}

/// A bad Message-Authenticator must not touch the cache.
#[test]
fn a_forged_packet_does_not_purge() {
    let mut rig = Rig::new();
    let octets = Asking::mac(1, PRINTER, "7").octets();
    let first = rig.send(0, Link::Authentication, &octets);
    let mut forged = octets.clone();
    forged[4] ^= 1;
    let effects = rig.send(1, Link::Authentication, &forged);
    assert_eq!(
        effects.entries[0].verdict,
        "dropped-bad-message-authenticator"
    );
    let again = rig.send(2, Link::Authentication, &octets);
    assert_eq!(first.transmits, again.transmits);
    assert_eq!(again.entries[0].verdict, "repeated");
}

#[test]
fn an_answer_is_forgotten_after_its_life() {
    let mut rig = Rig::new();
    let octets = Asking::mac(1, PRINTER, "7").octets();
    rig.send(0, Link::Authentication, &octets);
    assert_eq!(rig.responder.next_deadline(), Some(at(30)));
    let effects = rig.send(30, Link::Authentication, &octets);
    assert_eq!(effects.entries[0].verdict, "answered-accept");

    rig.responder.tick(at(60), &mut rig.roster);
    assert_eq!(rig.responder.next_deadline(), None);

    let mut bench = bench();
    bench.answers.keep = Duration::from_secs(5);
    rig.responder.reload(Arc::new(bench));
    rig.send(100, Link::Authentication, &octets);
    assert_eq!(rig.responder.next_deadline(), Some(at(105)));
}

#[test]
fn a_reload_keeps_answers_and_uses_the_new_table() {
    let mut rig = Rig::new();
    let octets = Asking::mac(1, STRANGER, "7").octets();
    let first = rig.send(0, Link::Authentication, &octets);
    let mut bench = bench();
    let mut table = (*bench.table).clone();
    table.holding = "till".to_owned();
    bench.table = Arc::new(table);
    rig.responder.reload(Arc::new(bench));
    let again = rig.send(1, Link::Authentication, &octets);
    assert_eq!(first.transmits, again.transmits);
    let effects = rig.send(
        2,
        Link::Authentication,
        &Asking::mac(2, STRANGER, "7").octets(),
    );
    assert_eq!(effects.entries[0].place.class.as_deref(), Some("till"));
}
