//! Sessions as accounting tells of them (RFC 2866).

use super::rig::*;
use crate::roster::{Session, SessionState};
use crate::wire::registry::attributes as a;
use crate::wire::{Code, Mac};

const START: u32 = 1;
const STOP: u32 = 2;
const INTERIM: u32 = 3;
const ON: u32 = 7;
const OFF: u32 = 8;

/// Accepts the device and hands back the Class that accounting is to return.
fn accept(rig: &mut Rig, seconds: i64, identifier: u8, mac: Mac, port: &str) -> Vec<u8> {
    rig.ask(seconds, &Asking::mac(identifier, mac, port))
        .class_attribute()
}

fn about(identifier: u8, status: u32, id: &str, class: &[u8]) -> Asking {
    Asking::accounting(identifier, status, id)
        .of(PRINTER, "7")
        .with(a::CLASS, class)
}

fn only(rig: &Rig) -> &Session {
    let mut sessions = rig.roster.sessions().iter();
    let session = sessions.next().unwrap();
    assert!(sessions.next().is_none());
    session
}

fn cause(session: &Session) -> &str {
    match &session.state {
        SessionState::Ended { cause, .. } => cause,
        state => panic!("{state:?}"),
    }
}

#[test]
fn a_life_from_accept_to_stop() {
    let mut rig = Rig::new();
    let class = accept(&mut rig, 0, 1, PRINTER, "7");
    let start = rig.report(1, &about(1, START, "a1", &class));
    assert_eq!(start.verdict(), "recorded-start");
    assert_eq!(start.answer().unwrap().code(), Code::ACCOUNTING_RESPONSE);
    assert!(start.answer().unwrap().body().is_empty());
    assert_eq!(start.entry().place.class.as_deref(), Some("printer"));
    assert_eq!(start.entry().breach, None);
    assert_eq!(
        start.effects.sessions.len(),
        1,
        "recorded before it is answered"
    );
    assert_eq!(only(&rig).state, SessionState::Running);
    assert_eq!(only(&rig).started, Some(at(1)));
    assert_eq!(only(&rig).acct_session_id.as_deref(), Some("a1"));

    let interim = about(2, INTERIM, "a1", &class)
        .number(a::ACCT_INPUT_OCTETS, 5)
        .number(a::ACCT_INPUT_GIGAWORDS, 1)
        .number(a::ACCT_OUTPUT_OCTETS, 7);
    assert_eq!(rig.report(61, &interim).verdict(), "recorded-interim");
    assert_eq!(only(&rig).octets, ((1 << 32) + 5, 7));
    assert_eq!(only(&rig).last_heard, at(61));

    let stop = about(3, STOP, "a1", &class).number(a::ACCT_TERMINATE_CAUSE, 2);
    let outcome = rig.report(90, &stop);
    assert_eq!(outcome.verdict(), "recorded-stop");
    assert!(
        outcome.entry().reason.contains("Lost-Carrier"),
        "{}",
        outcome.entry().reason
    );
    assert_eq!(cause(only(&rig)), "Lost-Carrier");
    assert_eq!(rig.roster.sessions().live_count(), 0);
}

/// RFC 2865 section 5.25: Class should come back; without it the session is found all the same,
/// and the switch is told on.
#[test]
fn without_class_by_accounting_id_or_place() {
    let mut rig = Rig::new();
    let request = Asking::mac(1, PRINTER, "7").with(a::ACCT_SESSION_ID, b"a1");
    let session = rig.ask(0, &request).entry().place.session;
    let start = rig.report(1, &Asking::accounting(1, START, "a1"));
    assert_eq!(start.entry().place.session, session);
    assert_eq!(
        start.entry().breach.as_deref(),
        Some("RFC 2865 section 5.25")
    );

    let mut rig = Rig::new();
    accept(&mut rig, 0, 1, PRINTER, "7");
    let start = rig.report(1, &Asking::accounting(1, START, "a1").of(PRINTER, "7"));
    assert!(
        start.entry().reason.contains("device and port"),
        "{}",
        start.entry().reason
    );
    assert_eq!(only(&rig).acct_session_id.as_deref(), Some("a1"));
}

#[test]
fn a_class_of_another_life_or_switch_names_no_session() {
    let mut rig = Rig::new();
    let mut class = accept(&mut rig, 0, 1, PRINTER, "7");
    *class.last_mut().unwrap() ^= 1;
    rig.report(1, &about(1, START, "a1", &class).without(a::NAS_PORT_ID));
    assert_eq!(rig.roster.sessions().iter().count(), 2);

    let mut rig = Rig::new();
    let class = accept(&mut rig, 0, 1, PRINTER, "7");
    let octets = about(1, START, "a1", &class).accounting_octets();
    rig.send_from("192.0.2.11:5", 1, crate::journal::Link::Accounting, &octets);
    assert_eq!(rig.roster.sessions().iter().count(), 2);
}

#[test]
fn a_session_that_was_not_accepted_here() {
    for status in [START, INTERIM] {
        let mut rig = Rig::new();
        let outcome = rig.report(0, &Asking::accounting(1, status, "z9").of(PRINTER, "7"));
        assert_eq!(
            outcome.entry().breach,
            None,
            "no Class was given, so none is missing"
        );
        let session = only(&rig);
        assert!(!session.accepted_here);
        assert_eq!(
            (session.mac, session.port.as_deref()),
            (Some(PRINTER), Some("7"))
        );
        let stop = rig.report(5, &Asking::accounting(2, STOP, "z9").of(PRINTER, "7"));
        assert_eq!(stop.verdict(), "recorded-stop");
        assert_eq!(cause(only(&rig)), "no cause given");
    }
    let mut rig = Rig::new();
    let stop = rig.report(0, &Asking::accounting(1, STOP, "z9").of(PRINTER, "7"));
    assert_eq!(stop.verdict(), "recorded-stop");
    assert_eq!(rig.roster.sessions().iter().count(), 0);
}

#[test]
fn a_start_elsewhere_is_a_move() {
    let mut rig = Rig::new();
    let class = accept(&mut rig, 0, 1, PRINTER, "7");
    rig.report(1, &about(1, START, "a1", &class));
    let class = accept(&mut rig, 60, 2, PRINTER, "8");
    let start = Asking::accounting(2, START, "a2")
        .of(PRINTER, "8")
        .with(a::CLASS, &class);
    let outcome = rig.report(61, &start);
    let moved = &outcome.effects.entries[1];
    assert_eq!(
        (moved.verdict.as_str(), moved.place.port.as_deref()),
        ("moved", Some("7"))
    );
    let live: Vec<Option<&str>> = rig
        .roster
        .sessions()
        .of_mac(PRINTER)
        .map(|session| session.port.as_deref())
        .collect();
    assert_eq!(live, [Some("8")]);
}

#[test]
fn another_device_is_not_moved() {
    let mut rig = Rig::new();
    let class = accept(&mut rig, 0, 1, PRINTER, "7");
    rig.report(1, &about(1, START, "a1", &class));
    let class = accept(&mut rig, 60, 2, STRANGER, "8");
    let start = Asking::accounting(2, START, "a2")
        .of(STRANGER, "8")
        .with(a::CLASS, &class);
    assert_eq!(rig.report(61, &start).effects.entries.len(), 1);
    assert_eq!(rig.roster.sessions().live_count(), 2);
}

/// RFC 2866 section 5.1, and section 5.2 for the delay.
#[test]
fn on_and_off_end_the_sessions_of_the_switch_that_began_before() {
    for (status, verdict) in [(ON, "recorded-on"), (OFF, "recorded-off")] {
        let mut rig = Rig::new();
        accept(&mut rig, 0, 1, PRINTER, "7");
        let other = Asking::mac(2, BANNED, "1").octets();
        rig.send_from(
            "192.0.2.11:5",
            0,
            crate::journal::Link::Authentication,
            &other,
        );
        accept(&mut rig, 20, 3, STRANGER, "8");
        let delayed = Asking::accounting(1, status, "boot").number(a::ACCT_DELAY_TIME, 15);
        let outcome = rig.report(30, &delayed);
        assert_eq!(outcome.verdict(), verdict);
        assert_eq!(outcome.effects.sessions.len(), 1);
        assert_eq!(outcome.effects.sessions[0].mac, Some(PRINTER));
        assert_eq!(outcome.effects.entries[1].verdict, "ended");
        assert!(cause(&outcome.effects.sessions[0]).contains("Accounting-O"));
        assert_eq!(rig.roster.sessions().live_count(), 1);
    }
}

#[test]
fn on_leaves_other_switches_alone() {
    let mut rig = Rig::new();
    let octets = Asking::mac(1, PRINTER, "7").octets();
    rig.send_from(
        "192.0.2.11:5",
        0,
        crate::journal::Link::Authentication,
        &octets,
    );
    let outcome = rig.report(30, &Asking::accounting(1, ON, "boot"));
    assert!(outcome.effects.sessions.is_empty());
    assert_eq!(rig.roster.sessions().live_count(), 1);
}

#[test]
fn what_the_stop_overtook_does_not_bring_the_session_back() {
    let mut rig = Rig::new();
    let class = accept(&mut rig, 0, 1, PRINTER, "7");
    rig.report(1, &about(1, STOP, "a1", &class));
    rig.report(2, &about(2, START, "a1", &class));
    rig.report(3, &about(3, INTERIM, "a1", &class));
    assert!(!only(&rig).is_live());
    let ended_at = at(1).as_second();
    let before = u32::try_from(ended_at - 1).unwrap();
    let stamped = about(4, INTERIM, "a1", &class).number(a::EVENT_TIMESTAMP, before);
    rig.report(4, &stamped);
    assert!(!only(&rig).is_live());
}

/// A switch that goes on after its Stop, by its own clock (seen with a real authenticator, which
/// gave a second session the same Acct-Session-Id).
#[test]
fn what_happened_after_the_stop_does() {
    let mut rig = Rig::new();
    let class = accept(&mut rig, 0, 1, PRINTER, "7");
    rig.report(1, &about(1, START, "a1", &class));
    rig.report(2, &about(2, STOP, "a1", &class));
    let after = u32::try_from(at(9).as_second()).unwrap();
    let stamped = about(3, START, "a1", &class).number(a::EVENT_TIMESTAMP, after);
    rig.report(9, &stamped);
    assert!(only(&rig).is_live());

    rig.report(20, &about(4, STOP, "a1", &class));
    rig.report(21, &about(5, START, "a2", &class));
    assert!(only(&rig).is_live(), "another Acct-Session-Id");
    assert_eq!(only(&rig).acct_session_id.as_deref(), Some("a2"));
}

#[test]
fn a_stop_of_an_earlier_accounting_id_does_not_end_the_session() {
    let mut rig = Rig::new();
    let class = accept(&mut rig, 0, 1, PRINTER, "7");
    rig.report(1, &about(1, START, "a1", &class));
    let again = rig.report(5, &about(2, START, "a2", &class));
    assert!(
        again.entry().reason.contains("a1 had no Stop"),
        "{}",
        again.entry().reason
    );
    rig.report(6, &about(3, STOP, "a1", &class));
    assert!(only(&rig).is_live());
    rig.report(7, &about(4, STOP, "a2", &class));
    assert!(!only(&rig).is_live());
}

#[test]
fn a_switch_that_counts_from_one_again_does_not_mix_devices() {
    let mut rig = Rig::new();
    rig.report(0, &Asking::accounting(1, START, "1").of(PRINTER, "7"));
    rig.report(1, &Asking::accounting(2, START, "1").of(STRANGER, "8"));
    let macs: Vec<_> = rig.roster.sessions().iter().map(|s| s.mac).collect();
    assert_eq!(macs, [Some(PRINTER), Some(STRANGER)]);
}

#[test]
fn other_status_types_are_noted_and_answered() {
    let outcome = Rig::new().report(0, &Asking::accounting(1, 9, "t1"));
    assert_eq!(outcome.verdict(), "recorded-other");
    assert!(outcome.answer().is_some());
}

/// RFC 2866 sections 4.1 and 5.5.
#[test]
fn breaches_are_named_and_recorded_all_the_same() {
    let cases = [
        (
            about(1, START, "a1", b"").with(a::STATE, b"x"),
            "RFC 2866 section 4.1",
        ),
        (
            about(1, START, "a1", b"").with(a::REPLY_MESSAGE, b"x"),
            "RFC 2866 section 4.1",
        ),
        (
            about(1, START, "a1", b"").without(a::ACCT_SESSION_ID),
            "RFC 2866 section 5.5",
        ),
    ];
    for (request, section) in cases {
        let outcome = Rig::new().report(0, &request);
        assert_eq!(outcome.verdict(), "recorded-start");
        assert_eq!(outcome.entry().breach.as_deref(), Some(section));
    }
    let on = Asking::accounting(1, ON, "x").without(a::ACCT_SESSION_ID);
    assert_eq!(Rig::new().report(0, &on).entry().breach, None);
}
