//! People and machines by name and password.

use std::sync::Arc;

use super::rig::*;
use crate::wire::registry::attributes as a;

fn verdict(request: &Asking) -> String {
    Rig::new().ask(0, request).verdict().to_owned()
}

fn chap(name: &str, password: &str) -> Asking {
    Asking::new(1)
        .with(a::USER_NAME, name.as_bytes())
        .chap(password.as_bytes())
}

#[test]
fn a_person_logs_in_by_pap_and_chap_under_every_name() {
    for name in ["mo", "MO", "mo@quay.example", "QUAY\\mo"] {
        let outcome = Rig::new().ask(0, &Asking::login(1, name, "tide-table"));
        assert_eq!(outcome.verdict(), "answered-accept", "{name}");
        assert_eq!(outcome.entry().place.identity.as_deref(), Some(name));
        assert_eq!(outcome.entry().place.class.as_deref(), Some("staff"));
        let login = outcome.effects.sessions[0].login.clone().unwrap();
        assert_eq!(
            (login.account.as_deref(), login.machine),
            (Some("mo"), false)
        );
        assert_eq!(
            verdict(&chap(name, "tide-table")),
            "answered-accept",
            "{name}"
        );
    }
}

/// RFC 2865 sections 2.2 and 5.40: CHAP-Challenge goes before the Request Authenticator.
#[test]
fn chap_with_a_challenge_of_its_own() {
    let response = crate::wire::hide::chap_response(9, b"tide-table", b"sixteen octets!!");
    let value = [&[9][..], &response].concat();
    let request = |challenge: &[u8]| {
        Asking::new(1)
            .with(a::USER_NAME, b"mo")
            .with(a::CHAP_PASSWORD, &value)
            .with(a::CHAP_CHALLENGE, challenge)
    };
    assert_eq!(verdict(&request(b"sixteen octets!!")), "answered-accept");
    assert_eq!(
        verdict(&request(b"sixteen octets!?")),
        "answered-reject-wrong-password"
    );
}

#[test]
fn wrong_passwords_and_names_are_told_apart_in_the_journal_only() {
    let mut answers = Vec::new();
    for (request, expected) in [
        (
            Asking::login(1, "mo", "ebb-table"),
            "answered-reject-wrong-password",
        ),
        (chap("mo", "ebb-table"), "answered-reject-wrong-password"),
        (
            Asking::login(1, "nobody", "tide-table"),
            "answered-reject-unknown-account",
        ),
        (
            Asking::login(1, "ed", "tide-table"),
            "answered-reject-no-password",
        ),
        (
            Asking::login(1, "di", "tide-table"),
            "answered-reject-wrong-password",
        ),
        (chap("di", "clientPass"), "answered-reject-needs-text"),
        (Asking::new(1).pap(b"tide-table"), "answered-reject-no-name"),
    ] {
        let outcome = Rig::new().ask(0, &request);
        assert_eq!(outcome.verdict(), expected);
        assert!(outcome.effects.sessions.is_empty());
        answers.push(outcome.answer().unwrap().body().len());
    }
    // Nothing but the Message-Authenticator.
    assert!(answers.iter().all(|length| *length == 18), "{answers:?}");
}

#[test]
fn a_reject_tells_the_reason_where_the_bench_says_so() {
    let mut rig = Rig::new();
    let mut bench = bench();
    bench.answers.reasons = true;
    rig.responder.reload(Arc::new(bench));
    let outcome = rig.ask(0, &Asking::login(1, "mo", "ebb-table"));
    let told = outcome.answer().unwrap();
    assert_eq!(
        told.text(a::REPLY_MESSAGE),
        Some(outcome.entry().reason.as_str())
    );
    // As much as fits, cut between characters.
    let name = "ö".repeat(126);
    let outcome = rig.ask(0, &Asking::login(2, &name, "ebb-table"));
    let told = outcome.answer().unwrap();
    let told = told.text(a::REPLY_MESSAGE).unwrap();
    assert!(told.len() > 200 && outcome.entry().reason.starts_with(told));
    // RFC 3579 section 2.6.5.
    let eap = Asking::new(3).with(a::EAP_MESSAGE, &[2, 1, 0, 4]);
    let outcome = rig.ask(0, &eap);
    assert_eq!(outcome.verdict(), "answered-reject-no-eap");
    assert!(outcome.answer().unwrap().first(a::REPLY_MESSAGE).is_none());
}

/// RFC 2759 section 9.2 gives password and hash.
#[test]
fn a_person_with_a_hash_logs_in_by_pap() {
    assert_eq!(
        verdict(&Asking::login(1, "di", "clientPass")),
        "answered-accept"
    );
}

#[test]
fn account_states_are_named_to_who_knows_the_password_only() {
    for (name, expected) in [
        ("ann", "answered-reject-disabled"),
        ("bo", "answered-reject-must-change-password"),
        ("cy", "answered-reject-expired"),
    ] {
        assert_eq!(verdict(&Asking::login(1, name, "tide-table")), expected);
        assert_eq!(verdict(&chap(name, "tide-table")), expected);
        let wrong = Asking::login(1, name, "ebb-table");
        assert_eq!(verdict(&wrong), "answered-reject-wrong-password");
    }
}

/// RFC 2865 section 4.1.
#[test]
fn both_passwords_are_a_breach() {
    let request = chap("mo", "tide-table").pap(b"tide-table");
    let outcome = Rig::new().ask(0, &request);
    assert_eq!(outcome.verdict(), "dropped-mixed-credentials");
    assert_eq!(
        outcome.entry().breach.as_deref(),
        Some("RFC 2865 section 4.1")
    );
    let request = chap("mo", "tide-table").with(a::EAP_MESSAGE, &[2, 1, 0, 4]);
    assert_eq!(verdict(&request), "dropped-mixed-credentials");
}

#[test]
fn a_machine_is_remembered_for_the_person_after_it() {
    let mut rig = Rig::new();
    let machine = Asking::login(1, "host/office-3.quay.example", "machine-word");
    let outcome = rig.ask(0, &machine);
    let known = outcome.effects.devices[0].machine.clone().unwrap();
    assert_eq!((known.name.as_str(), known.at), ("office-3", at(0)));
    assert_eq!(known.groups, ["offices"]);
    let person = |identifier| Asking::login(identifier, "mo", "tide-table");
    let outcome = rig.ask(60, &person(2));
    assert_eq!(outcome.entry().place.class.as_deref(), Some("paired"));
    let outcome = rig.ask(7200, &person(3));
    assert_eq!(outcome.entry().place.class.as_deref(), Some("staff"));
}

#[test]
fn nothing_secret_reaches_the_journal() {
    for request in [
        Asking::login(1, "mo", "tide-table"),
        Asking::login(1, "mo", "ebb-table"),
        Asking::login(1, "ann", "tide-table"),
    ] {
        let outcome = Rig::new().ask(0, &request);
        let mut told = outcome.effects.clone();
        told.entries[0].packets.clear();
        let shown = format!("{told:?}");
        for secret in ["tide-table", "ebb-table", SECRET] {
            assert!(!shown.contains(secret), "{shown}");
        }
    }
}
