//! Accepts and rejects: what they carry and what they leave in the roster.

use super::rig::*;
use crate::journal::Link;
use crate::roster::SessionState;
use crate::wire::registry::attributes as a;
use crate::wire::{Code, Mac, Packet};

#[test]
fn an_accept_carries_the_grant_and_a_class_and_begins_a_session() {
    let mut rig = Rig::new();
    let outcome = rig.ask(0, &Asking::mac(1, PRINTER, "7"));
    assert_eq!(outcome.verdict(), "answered-accept");
    let answer = outcome.answer().unwrap();
    assert_eq!(answer.code(), Code::ACCESS_ACCEPT);
    let kinds: Vec<u8> = answer.attributes().map(|a| a.kind).collect();
    assert_eq!(kinds.first(), Some(&a::MESSAGE_AUTHENTICATOR));
    assert_eq!(kinds.last(), Some(&a::CLASS));
    let vlan = answer.first(a::TUNNEL_PRIVATE_GROUP_ID).unwrap();
    assert_eq!(vlan.tagged_text().1, b"30");

    let entry = outcome.entry();
    assert_eq!(entry.place.class.as_deref(), Some("printer"));
    assert_eq!(entry.place.switch.as_deref(), Some("quay"));
    assert_eq!(entry.place.port.as_deref(), Some("7"));
    assert_eq!(entry.place.mac, Some(PRINTER));
    assert!(
        entry
            .trace
            .as_ref()
            .unwrap()
            .rows
            .iter()
            .any(|row| row.fits)
    );

    let session = &outcome.effects.sessions[0];
    assert_eq!(entry.place.session, Some(session.id));
    assert_eq!(
        (session.class.as_str(), &session.state),
        ("printer", &SessionState::Accepted)
    );
    let kept = Packet::parse(&session.request).unwrap();
    assert!(kept.first(a::USER_PASSWORD).is_none());
    assert_eq!(kept.text(a::NAS_PORT_ID), Some("7"));

    let device = &outcome.effects.devices[0];
    assert_eq!(device.class.as_deref(), Some("printer"));
    assert_eq!(device.why.as_deref(), Some(entry.reason.as_str()));
    assert_eq!((device.first_seen, device.last_seen), (at(0), at(0)));
}

#[test]
fn a_device_that_no_row_fits_is_held() {
    let outcome = Rig::new().ask(0, &Asking::mac(1, STRANGER, "7"));
    assert_eq!(outcome.verdict(), "answered-accept");
    assert_eq!(outcome.entry().place.class.as_deref(), Some("holding"));
}

/// RFC 2865 section 5.44: of a grant, a reject may carry Reply-Message only.
#[test]
fn the_deny_class_is_rejected_with_its_message_only() {
    let outcome = Rig::new().ask(0, &Asking::mac(1, BANNED, "7"));
    assert_eq!(outcome.verdict(), "answered-reject");
    let answer = outcome.answer().unwrap();
    assert_eq!(answer.code(), Code::ACCESS_REJECT);
    let kinds: Vec<u8> = answer.attributes().map(|a| a.kind).collect();
    assert_eq!(kinds, [a::MESSAGE_AUTHENTICATOR, a::REPLY_MESSAGE]);
    assert_eq!(answer.text(a::REPLY_MESSAGE), Some("no entry"));
    assert!(outcome.effects.sessions.is_empty());
    assert_eq!(outcome.effects.devices[0].class.as_deref(), Some("banned"));
    assert!(outcome.entry().trace.is_some());
}

/// RFC 2865 section 5.33.
#[test]
fn proxy_state_comes_back_in_order() {
    let mut rig = Rig::new();
    for (identifier, mac) in [(1, PRINTER), (2, BANNED)] {
        let request = Asking::mac(identifier, mac, "7")
            .with(a::PROXY_STATE, b"one")
            .with(a::PROXY_STATE, b"two");
        let outcome = rig.ask(0, &request);
        let answer = outcome.answer().unwrap();
        let states: Vec<&[u8]> = answer.all(a::PROXY_STATE).map(|a| a.value).collect();
        assert_eq!(states, [&b"one"[..], b"two"]);
    }
    let accounting = Asking::accounting(3, 7, "x").with(a::PROXY_STATE, b"one");
    let outcome = rig.report(0, &accounting);
    assert_eq!(
        outcome
            .answer()
            .unwrap()
            .first(a::PROXY_STATE)
            .unwrap()
            .value,
        b"one"
    );
}

#[test]
fn a_grant_that_the_dialect_cannot_spell_is_a_named_reject() {
    let mac = Mac([0x02, 0, 0x5e, 0, 0x77, 1]);
    let outcome = Rig::new().ask(0, &Asking::mac(1, mac, "7"));
    assert_eq!(outcome.verdict(), "answered-reject-cannot-spell");
    assert!(
        outcome.entry().reason.contains("trunk"),
        "{}",
        outcome.entry().reason
    );
    assert!(outcome.effects.sessions.is_empty());
    assert_eq!(outcome.effects.devices[0].class, None, "it is in no class");
}

/// With 4096 octets at the most (RFC 2865 section 3), Proxy-State may leave no room for a grant,
/// and then not even for a reject.
#[test]
fn a_full_packet_is_a_named_reject_and_then_a_named_silence() {
    let mut rig = Rig::new();
    let mut ask = |request: Asking, octets: usize| {
        let octets = filled(request, octets);
        let effects = rig.send_from("192.0.2.11:50000", 0, Link::Authentication, &octets);
        Outcome::of(effects, &octets).verdict().to_owned()
    };
    let whole = |identifier| Asking::mac(identifier, PRINTER, "7");
    assert_eq!(ask(whole(1), 1000), "answered-accept");
    assert_eq!(ask(whole(2), 4096), "answered-reject-cannot-spell");
    let empty = Asking::new(3).number(a::SERVICE_TYPE, 10);
    assert_eq!(ask(empty.clone(), 1000), "answered-reject-no-mac");
    let empty = Asking {
        identifier: 4,
        ..empty
    };
    assert_eq!(ask(empty, 4096), "dropped-no-room");
}

/// The request without Message-Authenticator, brought to a length by Proxy-State.
fn filled(mut request: Asking, octets: usize) -> Vec<u8> {
    request.signed = false;
    loop {
        let left = octets - request.octets().len();
        if left == 0 {
            return request.octets();
        }
        let part = if left > 253 { left.min(200) } else { left };
        request = request.with(a::PROXY_STATE, &vec![0; part - 2]);
    }
}

#[test]
fn no_eap_methods_is_a_reject_with_an_eap_failure() {
    let request = Asking::new(1)
        .with(a::USER_NAME, b"mo")
        .with(a::EAP_MESSAGE, &[2, 77, 0, 7, 1, b'm', b'o']);
    let outcome = Rig::new().ask(0, &request);
    assert_eq!(outcome.verdict(), "answered-reject-no-eap");
    let answer = outcome.answer().unwrap();
    // EAP Failure (RFC 3748 section 4.2) under the same identifier.
    assert_eq!(answer.first(a::EAP_MESSAGE).unwrap().value, [4, 77, 0, 4]);
    // RFC 3579 section 2.6.5.
    assert!(answer.first(a::REPLY_MESSAGE).is_none());
}

#[test]
fn a_second_request_of_the_session_renews_it_with_the_same_class_attribute() {
    let mut rig = Rig::new();
    let first = rig.ask(0, &Asking::mac(1, PRINTER, "7"));
    let second = rig.ask(60, &Asking::mac(2, PRINTER, "7"));
    assert_eq!(first.class_attribute(), second.class_attribute());
    assert_eq!(rig.roster.sessions().live_count(), 1);
    let other = rig.ask(60, &Asking::mac(3, STRANGER, "7"));
    assert_ne!(first.class_attribute(), other.class_attribute());
}

#[test]
fn an_accept_elsewhere_ends_a_session_that_accounting_never_spoke_of() {
    let mut rig = Rig::new();
    rig.ask(0, &Asking::mac(1, PRINTER, "7"));
    let outcome = rig.ask(60, &Asking::mac(2, PRINTER, "8"));
    let moved = &outcome.effects.entries[1];
    assert_eq!(moved.verdict, "moved");
    assert_eq!(moved.place.port.as_deref(), Some("7"));
    assert_eq!(moved.reason, "the device moved to port 8 of quay");

    let octets = Asking::mac(3, PRINTER, "8").octets();
    let effects = rig.send_from("192.0.2.11:5", 61, Link::Authentication, &octets);
    assert_eq!(effects.entries[1].verdict, "moved");
    assert_eq!(
        effects.entries[1].reason,
        "the device moved to port 8 of old-quay"
    );
}

/// RFC 5176 section 3.2.
#[test]
fn authorize_only_gets_the_grant_of_its_session_and_of_no_other() {
    let mut rig = Rig::new();
    rig.ask(0, &Asking::mac(1, PRINTER, "7"));
    let ask = |identifier, mac, port| {
        Asking::new(identifier)
            .number(a::SERVICE_TYPE, 17)
            .with(a::STATE, b"from the change")
            .of(mac, port)
    };
    let outcome = rig.ask(9, &ask(2, PRINTER, "7"));
    assert_eq!(outcome.verdict(), "answered-accept");
    assert_eq!(outcome.entry().place.class.as_deref(), Some("printer"));
    let outcome = rig.ask(9, &ask(3, PRINTER, "8"));
    assert_eq!(outcome.verdict(), "answered-reject-no-session");
}

#[test]
fn a_pin_goes_before_the_rows_and_a_forgotten_device_starts_anew() {
    let mut rig = Rig::new();
    rig.roster.pin(at(0), STRANGER, "till", None);
    let outcome = rig.ask(1, &Asking::mac(1, STRANGER, "7"));
    assert_eq!(outcome.entry().place.class.as_deref(), Some("till"));
    rig.roster.forget(at(2), STRANGER);
    let outcome = rig.ask(3, &Asking::mac(2, STRANGER, "7"));
    assert_eq!(outcome.entry().place.class.as_deref(), Some("holding"));
    assert_eq!(outcome.effects.devices[0].first_seen, at(3));
}

/// Sockets on `[::]` show IPv4 peers as `::ffff:…`.
#[test]
fn a_mapped_address_is_the_switch_too() {
    let octets = Asking::mac(1, PRINTER, "7").octets();
    let peer = "[::ffff:192.0.2.10]:50000";
    let effects = Rig::new().send_from(peer, 0, Link::Authentication, &octets);
    assert_eq!(effects.entries[0].verdict, "answered-accept");
    assert_eq!(effects.sessions[0].address.to_string(), "192.0.2.10");
}
