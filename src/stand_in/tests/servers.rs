//! Servers that are silent, dead and back.

use super::*;
use crate::stand_in::config::LocalGrant;

const SECOND: &str = "192.0.2.11:1812";
const SECOND_ACCOUNTING: &str = "192.0.2.11:1813";

fn to(rig: &Rig, server: &str) -> Vec<u64> {
    let address: SocketAddr = server.parse().unwrap();
    rig.sent
        .iter()
        .filter(|(_, transmit)| transmit.to == address)
        .map(|(at, _)| crate::stand_in::schedule::since(start(), *at).as_secs())
        .collect()
}

fn critical() -> StandInConfig {
    let mut config = config();
    config.critical = Some(LocalGrant {
        role: Some("emergency".to_owned()),
        ..LocalGrant::default()
    });
    config
}

/// RFC 5080 section 2.2.1: given up after 30 s; then the quiet period.
#[test]
fn a_silent_server_lets_nobody_in() {
    let mut rig = Rig::new(config(), |_| Reply::Nothing);
    rig.plug("1", "till");
    rig.run(seconds(31));
    assert_eq!(rig.count(|w| matches!(w, What::ServerSilent { .. })), 1);
    let session = &rig.switch.sessions()[0];
    assert!(session.held && session.admitted.is_none());
    // RFC 5080 section 2.2.1: 0, 2, 6, 14 s; the fifth at 30 s meets the end.
    assert_eq!(to(&rig, AUTHENTICATION).len(), 4);
}

#[test]
fn the_next_server_is_asked_with_a_request_of_its_own() {
    let mut config = config();
    config.servers.push(server(SECOND, SECOND_ACCOUNTING));
    let mut rig = Rig::new(config, |_| Reply::Nothing);
    rig.plug("1", "till");
    rig.run(seconds(35));
    let requests = rig.access_requests();
    let (first, last) = (requests.first().unwrap(), requests.last().unwrap());
    assert_ne!(first.authenticator(), last.authenticator());
    assert_eq!(to(&rig, SECOND)[0], 30);
    // Now that the first is dead, others go to the second at once.
    rig.plug("2", "pc");
    rig.run(seconds(1));
    assert_eq!(to(&rig, AUTHENTICATION).len(), 4);
    assert!(to(&rig, SECOND).len() >= 2);
}

/// With every server dead the switch decides at once, and asks when one is tried again (trade).
#[test]
fn the_critical_role_holds_while_no_server_answers() {
    let answers = std::rc::Rc::new(std::cell::Cell::new(false));
    let answering = answers.clone();
    let mut rig = Rig::new(critical(), move |_| {
        if answering.get() {
            Reply::Accept(vec![AttributeBuf::text(a::FILTER_ID, "till")])
        } else {
            Reply::Nothing
        }
    });
    rig.plug("1", "till");
    rig.run(seconds(32));
    let session = rig.switch.sessions()[0].clone();
    assert!(session.critical);
    assert_eq!(session.grant.unwrap().role.as_deref(), Some("emergency"));
    // RFC 2866 section 5.6: authenticated locally.
    assert_eq!(rig.records(1)[0].1.integer(a::ACCT_AUTHENTIC), Some(2));
    // A second device does not wait for a server that is known to be dead.
    rig.plug("2", "pc");
    rig.run(seconds(1));
    assert!(rig.switch.sessions()[1].critical);
    assert_eq!(to(&rig, AUTHENTICATION).len(), 4);
    answers.set(true);
    rig.run(seconds(60));
    assert_eq!(rig.count(|w| matches!(w, What::ServerTriedAgain { .. })), 1);
    for session in rig.switch.sessions() {
        assert!(!session.critical);
        assert_eq!(session.grant.unwrap().role.as_deref(), Some("till"));
    }
    assert_eq!((rig.records(1).len(), rig.records(2).len()), (2, 0));
}

#[test]
fn the_critical_role_ends_with_a_refusal() {
    let mut turns = 0;
    let mut rig = Rig::new(critical(), move |_| {
        turns += 1;
        if turns <= 4 {
            Reply::Nothing
        } else {
            Reply::Reject
        }
    });
    rig.plug("1", "till");
    rig.run(seconds(100));
    let session = &rig.switch.sessions()[0];
    assert!(session.held && session.admitted.is_none());
    assert_eq!(rig.records(2).len(), 1);
}

/// A server that stays dead leaves the critical role in force and is tried again each dead time.
#[test]
fn a_dead_server_is_tried_again_and_again() {
    let mut rig = Rig::new(critical(), |_| Reply::Nothing);
    rig.plug("1", "till");
    rig.run(seconds(400));
    assert!(rig.count(|w| matches!(w, What::ServerTriedAgain { .. })) >= 3);
    assert!(rig.switch.sessions()[0].critical);
    assert_eq!((rig.records(1).len(), rig.records(2).len()), (1, 0));
}

/// A session that was let in keeps what it has when its re-authentication goes unanswered (trade).
#[test]
fn an_unanswered_re_authentication_takes_nothing_away() {
    let mut turns = 0;
    let mut rig = Rig::new(config(), move |_| {
        turns += 1;
        if turns == 1 {
            Reply::Accept(vec![
                AttributeBuf::integer(a::SESSION_TIMEOUT, 100),
                AttributeBuf::integer(a::TERMINATION_ACTION, 1),
            ])
        } else {
            Reply::Nothing
        }
    });
    rig.plug("1", "till");
    rig.run(seconds(400));
    let session = &rig.switch.sessions()[0];
    assert!(session.admitted.is_some() && !session.critical);
    assert!(rig.records(2).is_empty());
    assert!(rig.count(|w| matches!(w, What::Reauthenticating { .. })) >= 2);
}

/// An answer in the last moment counts, and the server is not dead.
#[test]
fn an_answer_to_a_retransmission_counts() {
    let mut turns = 0;
    let mut rig = Rig::new(config(), move |_| {
        turns += 1;
        if turns < 4 {
            Reply::Nothing
        } else {
            Reply::Accept(Vec::new())
        }
    });
    rig.plug("1", "till");
    rig.run(seconds(40));
    assert!(rig.switch.sessions()[0].admitted.is_some());
    assert_eq!(rig.count(|w| matches!(w, What::ServerSilent { .. })), 0);
}

/// A fixed interval, as many switches have it (trade).
#[test]
fn a_fixed_interval_can_be_set() {
    let mut config = config();
    config.retransmission.first = seconds(5);
    config.retransmission.longest = seconds(5);
    config.retransmission.tries = 3;
    config.retransmission.total = Duration::ZERO;
    let mut rig = Rig::new(config, |_| Reply::Nothing);
    rig.plug("1", "till");
    rig.run(seconds(18));
    let times = to(&rig, AUTHENTICATION);
    assert_eq!(times.len(), 3);
    assert!((9..=11).contains(&times[2]), "{times:?}");
    assert!(rig.switch.sessions()[0].held);
}
