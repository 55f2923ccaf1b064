//! Sessions and devices over their lives.

use std::net::{IpAddr, Ipv4Addr};

use jiff::{SignedDuration, Timestamp};

use super::*;
use crate::bench::MethodName;
use crate::wire::Mac;

const SWITCH: IpAddr = IpAddr::V4(Ipv4Addr::new(192, 0, 2, 10));

fn mac(last: u8) -> Mac {
    Mac([0x02, 0, 0, 0, 0, last])
}

fn at(seconds: i64) -> Timestamp {
    Timestamp::UNIX_EPOCH + SignedDuration::from_secs(seconds)
}

fn admission<'a>(mac: Mac, port: &'a str, class: &'a str) -> Admission<'a> {
    Admission {
        switch: "quay",
        address: SWITCH,
        port: Some(port),
        mac: Some(mac),
        identity: None,
        method: MethodName::Mac,
        class,
        request: vec![1, 2, 3],
        login: None,
        accounting_id: None,
    }
}

fn small(devices: usize, live: usize, ended: usize) -> Roster {
    let limits = Limits {
        devices,
        live,
        ended,
    };
    Roster::with_limits(limits, [], [])
}

fn ids<'a>(sessions: impl Iterator<Item = &'a Session>) -> Vec<u64> {
    sessions.map(|session| session.id).collect()
}

#[test]
fn a_second_accept_at_the_same_place_renews_the_session() {
    let mut roster = Roster::default();
    let sessions = roster.sessions_mut();
    let first = sessions.admit(at(0), admission(mac(1), "7", "holding"));
    let second = sessions.admit(at(9), admission(mac(1), "7", "printer"));
    assert!(first.began && !second.began);
    assert_eq!((first.id, first.accepted), (second.id, second.accepted));
    assert_eq!(second.session.unwrap().class, "printer");
    assert_eq!(sessions.live_count(), 1);
}

#[test]
fn an_accept_that_changes_nothing_is_not_stored_again() {
    let mut roster = Roster::default();
    let sessions = roster.sessions_mut();
    let first = sessions.admit(at(0), admission(mac(1), "7", "till"));
    let again = sessions.admit(at(9), admission(mac(1), "7", "till"));
    assert!(first.session.is_some() && again.session.is_none());
    assert_eq!(sessions.get(first.id).unwrap().last_heard, at(9));
}

#[test]
fn another_accounting_id_on_the_port_is_another_session() {
    let mut roster = Roster::default();
    let sessions = roster.sessions_mut();
    let mut request = admission(mac(1), "7", "till");
    request.accounting_id = Some("a1");
    let first = sessions.admit(at(0), request.clone());
    request.accounting_id = Some("a2");
    let second = sessions.admit(at(9), request);
    assert_ne!(first.id, second.id);
    assert_eq!(second.ended[0].id, first.id);
    assert_eq!(ids(sessions.of_mac(mac(1))), [second.id]);
    assert_eq!(
        sessions.by_accounting_id(SWITCH, "a1").unwrap().id,
        first.id
    );
}

#[test]
fn two_devices_on_a_port_have_two_sessions() {
    let mut roster = Roster::default();
    let sessions = roster.sessions_mut();
    let phone = sessions.admit(at(0), admission(mac(1), "7", "phone"));
    let pc = sessions.admit(at(1), admission(mac(2), "7", "office"));
    assert_eq!(ids(sessions.at_port("quay", "7")), [phone.id, pc.id]);
    assert!(ids(sessions.at_port("quay", "8")).is_empty());
    assert!(ids(sessions.at_port("gate", "7")).is_empty());
}

#[test]
fn a_session_without_accounting_ends_when_the_device_is_accepted_elsewhere() {
    let mut roster = Roster::default();
    let sessions = roster.sessions_mut();
    let first = sessions.admit(at(0), admission(mac(1), "7", "till"));
    let second = sessions.admit(at(5), admission(mac(1), "8", "till"));
    let SessionState::Ended { at: when, cause } = &second.ended[0].state else {
        panic!("not ended");
    };
    assert_eq!(*when, at(5));
    assert_eq!(cause, "the device moved to port 8 of quay");
    assert_eq!(ids(sessions.of_mac(mac(1))), [second.id]);
    assert!(!sessions.get(first.id).unwrap().is_live());
}

#[test]
fn a_session_with_accounting_waits_for_the_start_elsewhere() {
    let mut roster = Roster::default();
    let sessions = roster.sessions_mut();
    let first = sessions.admit(at(0), admission(mac(1), "7", "till"));
    sessions.update(first.id, |session| session.state = SessionState::Running);
    let second = sessions.admit(at(5), admission(mac(1), "8", "till"));
    assert!(second.ended.is_empty());
    let ended = sessions.end_others(at(6), mac(1), second.id);
    assert_eq!(ended[0].id, first.id);
}

#[test]
fn an_ended_session_leaves_the_indexes_and_comes_back_when_revived() {
    let mut roster = Roster::default();
    let sessions = roster.sessions_mut();
    let session = sessions.admit(at(0), admission(mac(1), "7", "till"));
    assert!(sessions.end(at(1), session.id, "User-Request").is_some());
    assert!(sessions.end(at(2), session.id, "again").is_none());
    assert!(ids(sessions.of_mac(mac(1))).is_empty());
    assert!(ids(sessions.at_port("quay", "7")).is_empty());
    assert_eq!(sessions.live_count(), 0);
    sessions.update(session.id, |session| session.state = SessionState::Running);
    assert_eq!(ids(sessions.of_mac(mac(1))), [session.id]);
    assert_eq!(sessions.live_count(), 1);
}

#[test]
fn ended_sessions_are_dropped_past_the_limit_the_oldest_first() {
    let mut roster = small(10, 10, 2);
    let sessions = roster.sessions_mut();
    let all: Vec<u64> = (1..=3)
        .map(|n| sessions.admit(at(0), admission(mac(n), "7", "till")).id)
        .collect();
    for id in &all {
        sessions.end(at(1), *id, "over");
    }
    assert_eq!(ids(sessions.iter()), all[1..]);
}

#[test]
fn live_sessions_past_the_limit_end_the_longest_unheard_first() {
    let mut roster = small(10, 2, 10);
    let sessions = roster.sessions_mut();
    let first = sessions.admit(at(0), admission(mac(1), "1", "till"));
    sessions.admit(at(1), admission(mac(2), "2", "till"));
    let third = sessions.admit(at(2), admission(mac(3), "3", "till"));
    assert_eq!(third.ended[0].id, first.id);
    assert_eq!(sessions.live_count(), 2);
}

#[test]
fn devices_past_the_limit_make_room_the_longest_unseen_first_and_pins_stay() {
    let mut roster = small(2, 10, 10);
    roster.pin(at(0), mac(1), "till", None);
    roster.see(at(1), mac(2));
    let touched = roster.see(at(2), mac(3));
    assert_eq!(touched.crowded_out, [mac(2)]);
    assert!(roster.device(mac(1)).is_some());
    assert_eq!(roster.device_count(), 2);
}

#[test]
fn a_device_that_is_only_seen_again_is_stored_every_ten_seconds() {
    let mut roster = Roster::default();
    assert!(roster.see(at(0), mac(1)).device.is_some());
    assert!(roster.see(at(6), mac(1)).device.is_none());
    assert_eq!(roster.device(mac(1)).unwrap().last_seen, at(6));
    assert!(roster.see(at(12), mac(1)).device.is_some());
    assert!(roster.see(at(13), mac(1)).device.is_none());
}

#[test]
fn what_is_learnt_is_named_once() {
    let mut roster = Roster::default();
    let said = [("host-name", "till-4"), ("vendor-class", "till")];
    let (touched, new) = roster.learn(at(0), mac(1), said);
    assert!(touched.first_time);
    assert_eq!(new, ["host-name", "vendor-class"]);
    let (touched, new) = roster.learn(at(1), mac(1), said);
    assert!(new.is_empty() && touched.device.is_none());
    let (_, new) = roster.learn(at(2), mac(1), [("host-name", "till-5")]);
    assert_eq!(new, ["host-name"]);
}

#[test]
fn a_loaded_roster_goes_on_counting_and_finds_what_it_had() {
    let mut before = Roster::default();
    before.see(at(0), mac(1));
    let first = before
        .sessions_mut()
        .admit(at(0), admission(mac(1), "7", "till"));
    let second = before
        .sessions_mut()
        .admit(at(0), admission(mac(2), "8", "till"));
    before.sessions_mut().end(at(1), second.id, "over");
    let devices: Vec<Device> = before.devices().into_iter().cloned().collect();
    let sessions: Vec<Session> = before.sessions().iter().cloned().collect();

    let mut after = Roster::load(devices, sessions);
    assert!(!after.see(at(1), mac(1)).first_time);
    assert_eq!(ids(after.sessions().of_mac(mac(1))), [first.id]);
    assert_eq!(after.sessions().live_count(), 1);
    let third = after
        .sessions_mut()
        .admit(at(2), admission(mac(3), "9", "till"));
    assert!(third.id > second.id);
}
