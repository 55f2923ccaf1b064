//! Timers of a session that is let in.

use super::*;

fn timeout(time: u32, action: u32) -> Vec<AttributeBuf> {
    vec![
        AttributeBuf::integer(a::SESSION_TIMEOUT, time),
        AttributeBuf::integer(a::TERMINATION_ACTION, action),
        AttributeBuf::new(a::STATE, *b"remember me"),
    ]
}

fn request_times(rig: &Rig) -> Vec<u64> {
    rig.requests(Socket::Authentication)
        .iter()
        .map(|(at, _)| at.as_millis() as u64)
        .collect()
}

/// RFC 3580 sections 3.17 and 3.19: RADIUS-Request makes the timeout a re-authentication; the
/// session goes on. RFC 2865 section 5.24: the accept's State comes back.
#[test]
fn session_timeout_with_radius_request_authenticates_again() {
    let mut rig = Rig::granting(config(), timeout(100, 1));
    rig.plug("1", "till");
    rig.run(seconds(250));
    assert_eq!(request_times(&rig), [500, 100_500, 200_500]);
    let requests = rig.access_requests();
    assert!(requests[0].first(a::STATE).is_none());
    assert_eq!(requests[1].first(a::STATE).unwrap().value, b"remember me");
    let sessions: std::collections::BTreeSet<_> = requests
        .iter()
        .map(|packet| packet.text(a::ACCT_SESSION_ID).unwrap())
        .collect();
    assert_eq!(sessions.len(), 1);
    assert_eq!((rig.records(1).len(), rig.records(2).len()), (1, 0));
}

/// RFC 3580 section 3.17: without RADIUS-Request the session ends; RFC 2866 section 5.10, cause 5.
#[test]
fn session_timeout_without_radius_request_ends_the_session() {
    for grant in [timeout(100, 0), timeout(100, 1)[..1].to_vec()] {
        let mut rig = Rig::granting(config(), grant);
        rig.plug("1", "till");
        rig.run(seconds(103));
        let stops = rig.records(2);
        assert_eq!(stops.len(), 1);
        let (at, stop) = &stops[0];
        assert_eq!(at.as_millis(), 100_500);
        assert_eq!(stop.integer(a::ACCT_TERMINATE_CAUSE), Some(5));
        assert_eq!(stop.integer(a::ACCT_SESSION_TIME), Some(100));
        // The device talks on, and a new session begins.
        assert_eq!(request_times(&rig), [500, 101_500]);
        let requests = rig.access_requests();
        assert!(requests[1].first(a::STATE).is_none());
        assert_ne!(
            requests[0].text(a::ACCT_SESSION_ID),
            requests[1].text(a::ACCT_SESSION_ID)
        );
    }
}

/// RFC 3580 section 3.17 lets 0 mean at once; here that is a second, so that time goes on.
#[test]
fn session_timeout_of_zero_does_not_stop_time() {
    let mut rig = Rig::granting(config(), timeout(0, 1));
    rig.plug("1", "till");
    rig.run(seconds(5));
    assert_eq!(request_times(&rig), [500, 1500, 2500, 3500, 4500]);
}

#[test]
fn the_local_timer_holds_where_the_server_sets_none() {
    let mut config = config();
    config.reauthentication.every = Some(seconds(50));
    let mut rig = Rig::granting(config.clone(), Vec::new());
    rig.plug("1", "till");
    rig.run(seconds(110));
    assert_eq!(request_times(&rig), [500, 50_500, 100_500]);
    let mut rig = Rig::granting(config.clone(), timeout(80, 1));
    rig.plug("1", "till");
    rig.run(seconds(110));
    assert_eq!(request_times(&rig), [500, 80_500]);
    config.reauthentication.from_server = false;
    let mut rig = Rig::granting(config, timeout(80, 1));
    rig.plug("1", "till");
    rig.run(seconds(110));
    assert_eq!(request_times(&rig), [500, 50_500, 100_500]);
}

/// RFC 2866 section 5.10 with cause 20 of RFC 3580 section 2.2.
#[test]
fn refused_again_is_the_end() {
    let mut turns = 0;
    let mut rig = Rig::new(config(), move |_| {
        turns += 1;
        if turns == 1 {
            Reply::Accept(timeout(100, 1))
        } else {
            Reply::Reject
        }
    });
    rig.plug("1", "till");
    rig.run(seconds(110));
    let stops = rig.records(2);
    assert_eq!(stops.len(), 1);
    assert_eq!(stops[0].1.integer(a::ACCT_TERMINATE_CAUSE), Some(20));
    assert!(rig.switch.sessions()[0].held);
    assert_eq!(rig.switch.sessions()[0].admitted, None);
}

#[test]
fn another_grant_at_re_authentication_is_put_in_place() {
    let mut turns = 0;
    let mut rig = Rig::new(config(), move |_| {
        turns += 1;
        let mut grant = timeout(100, 1);
        grant.push(AttributeBuf::text(
            a::FILTER_ID,
            if turns == 1 { "holding" } else { "till" },
        ));
        Reply::Accept(grant)
    });
    rig.plug("1", "till");
    let role = |rig: &Rig| rig.switch.sessions()[0].grant.clone().unwrap().role;
    rig.run(seconds(90));
    assert_eq!(role(&rig).as_deref(), Some("holding"));
    rig.run(seconds(20));
    assert_eq!(role(&rig).as_deref(), Some("till"));
}

/// Idle-Timeout (RFC 2865 section 5.28), cause 4.
#[test]
fn silence_for_the_idle_timeout_ends_the_session() {
    let mut rig = Rig::granting(config(), vec![AttributeBuf::integer(a::IDLE_TIMEOUT, 30)]);
    rig.plug("1", "till");
    rig.run(seconds(100));
    assert!(rig.records(2).is_empty(), "it talks");
    rig.act(|switch, now| switch.traffic(now, "till", false).unwrap());
    rig.run(millis(29_900));
    assert!(rig.records(2).is_empty());
    rig.run(seconds(1));
    let stops = rig.records(2);
    assert_eq!(stops[0].0.as_secs(), 130);
    assert_eq!(stops[0].1.integer(a::ACCT_TERMINATE_CAUSE), Some(4));
    // Silent, so nothing more.
    rig.run(seconds(100));
    assert!(rig.switch.sessions().is_empty());
    rig.act(|switch, now| switch.traffic(now, "till", true).unwrap());
    assert_eq!(rig.switch.sessions().len(), 1);
}

/// A device that talks again in time starts the idle time anew.
#[test]
fn a_word_in_time_keeps_the_session() {
    let mut rig = Rig::granting(config(), vec![AttributeBuf::integer(a::IDLE_TIMEOUT, 30)]);
    rig.plug("1", "till");
    rig.run(seconds(10));
    rig.act(|switch, now| switch.traffic(now, "till", false).unwrap());
    rig.run(seconds(20));
    rig.act(|switch, now| switch.traffic(now, "till", true).unwrap());
    rig.act(|switch, now| switch.traffic(now, "till", false).unwrap());
    rig.run(seconds(29));
    assert!(rig.records(2).is_empty());
    rig.run(seconds(2));
    assert_eq!(rig.records(2).len(), 1);
}

/// Re-authentication by hand asks at once.
#[test]
fn by_hand() {
    let mut rig = Rig::granting(config(), Vec::new());
    rig.plug("1", "till");
    rig.run(seconds(5));
    rig.act(|switch, now| switch.reauthenticate(now, "1").unwrap());
    assert_eq!(request_times(&rig), [500, 5000]);
    assert_eq!(rig.records(1).len(), 1);
}
