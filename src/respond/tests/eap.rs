//! 802.1X through RADIUS (RFC 3579), against the stand-in's supplicant.

use std::sync::Arc;

use super::rig::*;
use crate::eap::{Method, codec::packet};
use crate::journal::Link;
use crate::stand_in::supplicant::{Config, Status, Supplicant};
use crate::wire::hide::{MPPE_VENDOR, MppeKey, reveal_mppe_key};
use crate::wire::registry::attributes as a;
use crate::wire::{Code, Mac};

/// A device with a supplicant on a port, and the switch that carries its packets.
struct Login {
    supplicant: Supplicant,
    mac: Mac,
    identifier: u8,
    state: Option<Vec<u8>>,
    /// The supplicant's next packet; empty for EAP-Start (RFC 3579 section 2.1).
    message: Vec<u8>,
    asks_for_key_name: bool,
}

impl Login {
    fn new(method: Method, name: &str, password: &str) -> Login {
        let config = Config {
            identity: name.to_owned(),
            methods: vec![method.eap_type()],
            account: name.to_owned(),
            password: password.to_owned().into(),
            ..Config::default()
        };
        Login {
            supplicant: Supplicant::new(Arc::new(config)),
            mac: STRANGER,
            identifier: 0,
            state: None,
            message: vec![],
            asks_for_key_name: false,
        }
    }

    fn request(&mut self) -> Asking {
        self.identifier += 1;
        let mut request = Asking::new(self.identifier)
            .of(self.mac, "7")
            .with(a::EAP_MESSAGE, &self.message);
        if let Some(state) = &self.state {
            request = request.with(a::STATE, state);
        }
        if self.asks_for_key_name {
            request = request.with(a::EAP_KEY_NAME, b"\0");
        }
        request
    }

    /// One round: a request, and what the supplicant makes of the answer.
    fn round(&mut self, rig: &mut Rig, seconds: i64) -> Outcome {
        let request = self.request();
        let outcome = rig.ask(seconds, &request);
        if let Some(answer) = outcome.answer() {
            let message = answer.joined(a::EAP_MESSAGE).unwrap();
            self.state = answer.first(a::STATE).map(|state| state.value.to_vec());
            let next = self.supplicant.handle(at(seconds), &message, &mut rig.rng);
            self.message = next.unwrap_or_default();
        }
        outcome
    }

    /// Rounds until there is an end.
    fn run(&mut self, rig: &mut Rig, seconds: i64) -> Outcome {
        for _ in 0..20 {
            let outcome = self.round(rig, seconds);
            if outcome.verdict() != "answered-challenge" {
                return outcome;
            }
            let answer = outcome.answer().unwrap();
            assert_eq!(answer.code(), Code::ACCESS_CHALLENGE);
            assert_eq!(answer.first(a::STATE).unwrap().value.len(), 16);
        }
        panic!("no end");
    }
}

fn rig() -> Rig {
    let mut rig = Rig::new();
    rig.offer(&[Method::Md5, Method::MsChapV2]);
    rig
}

#[test]
fn a_login_from_start_to_accept() {
    let mut rig = rig();
    let mut login = Login::new(Method::Md5, "mo", "tide-table");
    let first = login.round(&mut rig, 0);
    assert_eq!(first.verdict(), "answered-challenge");
    assert_eq!(first.entry().reason, "asked who it is");
    let outcome = login.run(&mut rig, 1);
    assert_eq!(outcome.verdict(), "answered-accept");
    assert_eq!(*login.supplicant.status(), Status::Success);
    let entry = outcome.entry();
    assert_eq!(entry.place.identity.as_deref(), Some("mo"));
    assert_eq!(entry.place.class.as_deref(), Some("staff"));
    assert!(
        entry.reason.contains("by MD5-Challenge"),
        "{}",
        entry.reason
    );
    let session = &outcome.effects.sessions[0];
    assert_eq!(
        session.login.as_ref().unwrap().account.as_deref(),
        Some("mo")
    );
    assert!(!session.request.windows(2).any(|w| w == [a::EAP_MESSAGE, 7]));
    let answer = outcome.answer().unwrap();
    assert_eq!(
        answer.vendor(MPPE_VENDOR).count(),
        0,
        "MD5-Challenge gives no keys"
    );
    rig.responder.tick(at(31), &mut rig.roster);
    assert_eq!(rig.responder.next_deadline(), None, "the login is over");
}

/// RFC 2548 section 2.4 and RFC 5216 section 2.3: the supplicant has the same keys.
#[test]
fn keys_reach_the_switch() {
    let mut rig = rig();
    let mut login = Login::new(Method::MsChapV2, "mo", "tide-table");
    let outcome = login.run(&mut rig, 0);
    assert_eq!(outcome.verdict(), "answered-accept");
    let answer = outcome.answer().unwrap();
    let request = &outcome.entry().packets[0].octets;
    let authenticator: &[u8; 16] = request[4..20].try_into().unwrap();
    let key = |which: MppeKey| {
        let mut found = answer
            .vendor(MPPE_VENDOR)
            .filter(|v| v.kind == which.vendor_type());
        reveal_mppe_key(found.next().unwrap().value, &secret(), authenticator).unwrap()
    };
    let msk = login.supplicant.msk().unwrap();
    assert_eq!(key(MppeKey::Receive), msk[..32]);
    assert_eq!(key(MppeKey::Send), msk[32..]);
    let salts: Vec<&[u8]> = answer.vendor(MPPE_VENDOR).map(|v| &v.value[..2]).collect();
    assert_ne!(salts[0], salts[1]);
}

#[test]
fn failures_are_named() {
    for (method, name, password, expected) in [
        (
            Method::Md5,
            "mo",
            "ebb-table",
            "answered-reject-wrong-password",
        ),
        (
            Method::MsChapV2,
            "mo",
            "ebb-table",
            "answered-reject-wrong-password",
        ),
        (
            Method::Md5,
            "nobody",
            "x",
            "answered-reject-unknown-account",
        ),
        (Method::Md5, "ann", "tide-table", "answered-reject-disabled"),
        (
            Method::Md5,
            "bo",
            "tide-table",
            "answered-reject-must-change-password",
        ),
        (Method::Md5, "cy", "tide-table", "answered-reject-expired"),
        (
            Method::Md5,
            "di",
            "clientPass",
            "answered-reject-needs-text",
        ),
        (Method::Md5, "ed", "x", "answered-reject-no-password"),
        (Method::Tls, "mo", "x", "answered-reject-method-refused"),
    ] {
        let mut rig = rig();
        let mut login = Login::new(method, name, password);
        let outcome = login.run(&mut rig, 0);
        assert_eq!(outcome.verdict(), expected, "{name} {password}");
        assert_eq!(outcome.entry().place.identity.as_deref(), Some(name));
        let message = outcome.answer().unwrap().joined(a::EAP_MESSAGE).unwrap();
        assert_eq!(message[0], 4, "EAP Failure (RFC 3748 section 4.2)");
        assert!(matches!(login.supplicant.status(), Status::Failed(_)));
        assert!(outcome.effects.sessions.is_empty());
    }
}

#[test]
fn the_deny_class_is_told_failure_and_never_success() {
    let mut rig = rig();
    let mut login = Login::new(Method::MsChapV2, "mo", "tide-table");
    login.mac = BANNED;
    let outcome = login.run(&mut rig, 0);
    assert_eq!(outcome.verdict(), "answered-reject");
    assert!(outcome.entry().trace.is_some());
    assert_eq!(outcome.entry().place.class.as_deref(), Some("banned"));
    let answer = outcome.answer().unwrap();
    assert_eq!(answer.joined(a::EAP_MESSAGE).unwrap()[0], 4);
    // RFC 3579 section 2.6.5.
    assert!(answer.first(a::REPLY_MESSAGE).is_none());
}

#[test]
fn a_repeated_request_gets_the_same_challenge_again() {
    let mut rig = rig();
    let mut login = Login::new(Method::Md5, "mo", "tide-table");
    login.round(&mut rig, 0);
    let octets = login.request().octets();
    let first = rig.send(1, Link::Authentication, &octets);
    let again = rig.send(4, Link::Authentication, &octets);
    assert_eq!(again.entries[0].verdict, "repeated");
    assert_eq!(first.transmits, again.transmits);
}

/// The switch may repeat a response under another RADIUS identifier.
#[test]
fn a_repeated_response_gets_the_same_eap_request_again() {
    let mut rig = rig();
    let mut login = Login::new(Method::Md5, "mo", "tide-table");
    login.round(&mut rig, 0);
    let (first, again) = (login.request(), login.request());
    let message = |outcome: &Outcome| outcome.answer().unwrap().joined(a::EAP_MESSAGE);
    let first = rig.ask(1, &first);
    let again = rig.ask(2, &again);
    assert_eq!(again.verdict(), "answered-challenge");
    assert_eq!(message(&first), message(&again));
}

#[test]
fn a_state_of_nobody_is_a_named_reject() {
    let mut rig = rig();
    let mut login = Login::new(Method::Md5, "mo", "tide-table");
    login.round(&mut rig, 0);
    let request = login.request();
    // Another switch shows it.
    let octets = request.octets();
    let effects = rig.send_from("192.0.2.11:5", 1, Link::Authentication, &octets);
    assert_eq!(
        effects.entries[0].verdict,
        "answered-reject-no-conversation"
    );
    // Another value, and another length.
    for state in [&[7; 16][..], b"short"] {
        let strange = login.request().without(a::STATE).with(a::STATE, state);
        let outcome = rig.ask(1, &strange);
        assert_eq!(outcome.verdict(), "answered-reject-no-conversation");
        let message = outcome.answer().unwrap().joined(a::EAP_MESSAGE).unwrap();
        assert_eq!(message, packet::failure(login.message[1]));
    }
    // None of that hurt the login.
    assert_eq!(login.run(&mut rig, 2).verdict(), "answered-accept");
}

/// RFC 3748 section 4.1: discarded silently; the login goes on.
#[test]
fn a_stray_packet_ends_no_login() {
    let mut rig = rig();
    let mut login = Login::new(Method::Md5, "mo", "tide-table");
    login.round(&mut rig, 0);
    for stray in [&[1, 1, 0, 4][..], &[2, 200, 0, 5, 4], &[2, 1, 0, 99, 1]] {
        let strange = login
            .request()
            .without(a::EAP_MESSAGE)
            .with(a::EAP_MESSAGE, stray);
        assert_eq!(rig.ask(1, &strange).verdict(), "dropped-eap-discarded");
    }
    assert_eq!(login.run(&mut rig, 2).verdict(), "answered-accept");
}

#[test]
fn a_login_that_falls_silent_is_given_up_with_the_point_where_it_did() {
    let mut rig = rig();
    let mut login = Login::new(Method::Md5, "mo", "tide-table");
    login.round(&mut rig, 0);
    login.round(&mut rig, 1);
    rig.responder.tick(at(60), &mut rig.roster);
    assert_eq!(rig.responder.next_deadline(), Some(at(61)));
    let effects = rig.responder.tick(at(61), &mut rig.roster);
    let entry = &effects.entries[0];
    assert_eq!(entry.verdict, "stalled");
    assert_eq!(entry.place.identity.as_deref(), Some("mo"));
    assert_eq!(entry.place.port.as_deref(), Some("7"));
    assert!(entry.reason.contains("MD5-Challenge"), "{}", entry.reason);
    assert_eq!(rig.responder.next_deadline(), None);
    let late = login.round(&mut rig, 62);
    assert_eq!(late.verdict(), "answered-reject-no-conversation");
}

#[test]
fn logins_in_progress_outlive_a_change_of_the_methods() {
    let mut rig = rig();
    let mut login = Login::new(Method::Md5, "mo", "tide-table");
    login.round(&mut rig, 0);
    rig.responder.offer_eap(None);
    assert_eq!(login.run(&mut rig, 1).verdict(), "answered-accept");
    let mut login = Login::new(Method::Md5, "mo", "tide-table");
    login.identifier = 100;
    assert_eq!(login.round(&mut rig, 2).verdict(), "answered-reject-no-eap");
}
