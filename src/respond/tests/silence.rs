//! What is dropped, and the twin that is answered.

use super::rig::*;
use crate::journal::{Kind, Link};
use crate::wire::registry::attributes as a;
use crate::wire::{Builder, Code, Secret};

fn dropped(link: Link, octets: &[u8]) -> (String, Option<String>) {
    let effects = Rig::new().send(0, link, octets);
    assert!(effects.transmits.is_empty());
    assert!(effects.devices.is_empty() && effects.sessions.is_empty());
    let entry = &effects.entries[0];
    (entry.verdict.clone(), entry.breach.clone())
}

fn verdict(link: Link, octets: &[u8]) -> String {
    dropped(link, octets).0
}

fn good() -> Vec<u8> {
    Asking::mac(1, PRINTER, "7").octets()
}

/// RFC 2865 section 3: a client without a shared secret is silently discarded.
#[test]
fn unknown_switches() {
    let mut rig = Rig::new();
    let link = Link::Authentication;
    let effects = rig.send_from("192.0.2.99:50000", 0, link, &good());
    assert_eq!(effects.entries[0].verdict, "dropped-unknown-switch");
    assert_eq!(effects.entries[0].kind, Kind::Dropped);
    assert!(effects.entries[0].reason.contains("192.0.2.99"));
    let effects = rig.send(0, link, &good());
    assert_eq!(effects.entries[0].verdict, "answered-accept");
}

/// RFC 2865 sections 3 and 5.
#[test]
fn malformed_and_oversized() {
    let link = Link::Authentication;
    let section_3 = Some("RFC 2865 section 3".to_owned());
    let section_5 = Some("RFC 2865 section 5".to_owned());
    assert_eq!(
        dropped(link, &[]),
        ("dropped-malformed".into(), section_3.clone())
    );
    assert_eq!(
        dropped(link, &good()[..good().len() - 1]),
        ("dropped-malformed".into(), section_3.clone())
    );
    let mut attribute = good();
    attribute[21] = 1;
    assert_eq!(
        dropped(link, &attribute),
        ("dropped-malformed".into(), section_5)
    );
    let mut oversized = good();
    oversized[2..4].copy_from_slice(&4097u16.to_be_bytes());
    oversized.resize(4097, 0);
    assert_eq!(
        dropped(link, &oversized),
        ("dropped-oversized".into(), section_3)
    );
}

/// RFC 2865 section 3: octets past Length are padding.
#[test]
fn padding_is_ignored() {
    let mut padded = good();
    padded.resize(5000, 0);
    let effects = Rig::new().send(0, Link::Authentication, &padded);
    assert_eq!(effects.entries[0].verdict, "answered-accept");
}

/// RFC 3579 section 3.2.
#[test]
fn wrong_message_authenticator() {
    let mut spoilt = good();
    *spoilt.last_mut().unwrap() ^= 1;
    assert_eq!(
        verdict(Link::Authentication, &spoilt),
        "dropped-bad-message-authenticator"
    );
    let mut builder = Builder::new(Code::ACCESS_REQUEST, 1);
    builder.message_authenticator().unwrap();
    let foreign = builder.finish_request(&[1; 16], &Secret::new("another secret"));
    assert_eq!(
        verdict(Link::Authentication, &foreign),
        "dropped-bad-message-authenticator"
    );
}

#[test]
fn missing_message_authenticator() {
    let mut request = Asking::mac(1, PRINTER, "7");
    request.signed = false;
    let (verdict, breach) = dropped(Link::Authentication, &request.octets());
    assert_eq!(verdict, "dropped-missing-message-authenticator");
    assert_eq!(breach, None, "plain RFC 2865 does not ask for it");
    let effects = Rig::new().send_from(
        "192.0.2.11:50000",
        0,
        Link::Authentication,
        &request.octets(),
    );
    assert_eq!(effects.entries[0].verdict, "answered-accept");
}

/// RFC 3579 section 3.2: with EAP-Message it must be there, whatever the bench file says.
#[test]
fn missing_message_authenticator_with_eap() {
    let mut request = Asking::new(1)
        .with(a::USER_NAME, b"mo")
        .with(a::EAP_MESSAGE, &[2, 1, 0, 4]);
    request.signed = false;
    let link = Link::Authentication;
    let effects = Rig::new().send_from("192.0.2.11:50000", 0, link, &request.octets());
    let entry = &effects.entries[0];
    assert_eq!(entry.verdict, "dropped-missing-message-authenticator");
    assert_eq!(entry.breach.as_deref(), Some("RFC 3579 section 3.2"));
    request.signed = true;
    let effects = Rig::new().send_from("192.0.2.11:50000", 0, link, &request.octets());
    assert_eq!(effects.entries[0].verdict, "answered-reject-no-eap");
}

/// RFC 2866 section 3.
#[test]
fn wrong_accounting_authenticator() {
    let request = Asking::accounting(1, 1, "a1").of(PRINTER, "7");
    let mut octets = request.accounting_octets();
    let effects = Rig::new().send(0, Link::Accounting, &octets);
    assert_eq!(effects.entries[0].verdict, "recorded-start");
    octets[4] ^= 1;
    assert_eq!(
        verdict(Link::Accounting, &octets),
        "dropped-bad-accounting-authenticator"
    );
}

/// RFC 2866 section 5.13: exactly one Acct-Status-Type.
#[test]
fn accounting_without_a_status() {
    let octets = Asking::new(1)
        .with(a::ACCT_SESSION_ID, b"a1")
        .accounting_octets();
    let (verdict, breach) = dropped(Link::Accounting, &octets);
    assert_eq!(verdict, "dropped-no-status-type");
    assert_eq!(breach.as_deref(), Some("RFC 2866 section 5.13"));
}

#[test]
fn requests_on_the_wrong_port() {
    let accounting = Asking::accounting(1, 1, "a1").accounting_octets();
    assert_eq!(verdict(Link::Accounting, &good()), "dropped-wrong-port");
    assert_eq!(
        verdict(Link::Authentication, &accounting),
        "dropped-wrong-port"
    );
    for code in [Code::COA_REQUEST, Code::DISCONNECT_REQUEST] {
        let octets = Builder::new(code, 1).finish_digested_request(&secret());
        for link in [Link::Authentication, Link::Accounting, Link::Change] {
            assert_eq!(verdict(link, &octets), "dropped-wrong-port");
        }
    }
}

#[test]
fn responses_and_unknown_codes() {
    for (code, expected) in [
        (Code::ACCESS_ACCEPT, "dropped-not-a-request"),
        (Code::ACCOUNTING_RESPONSE, "dropped-not-a-request"),
        (Code::COA_ACK, "dropped-not-a-request"),
        (Code(13), "dropped-unknown-code"),
        (Code(0), "dropped-unknown-code"),
        (Code(255), "dropped-unknown-code"),
    ] {
        let octets = Builder::new(code, 1).finish_request(&[1; 16], &secret());
        assert_eq!(verdict(Link::Authentication, &octets), expected, "{code}");
        assert_eq!(verdict(Link::Accounting, &octets), expected, "{code}");
    }
}

#[test]
fn a_state_that_nobody_gave_is_no_proof() {
    let octets = Asking::new(1)
        .with(a::USER_NAME, b"mo")
        .with(a::STATE, b"1234")
        .octets();
    let mut rig = Rig::new();
    let effects = rig.send(0, Link::Authentication, &octets);
    assert_eq!(effects.entries[0].verdict, "dropped-no-credentials");
    assert_eq!(effects.entries[0].kind, Kind::Access);
    assert_eq!(effects.entries[0].breach, None);
}
