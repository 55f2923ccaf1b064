//! The delay, one change at a time, the flap guard, sessions that end, identifiers.

use std::collections::HashSet;
use std::time::Duration;

use super::world::*;
use crate::bench::{Bench, ChangeKind, ChangeRules};
use crate::change::{OrderRefused, Outcome};
use crate::roster::Session;

fn with_rules(rules: ChangeRules) -> Bench {
    Bench {
        changes: rules,
        ..bench(switch(dialect()))
    }
}

#[test]
fn a_recognition_waits_the_delay_and_a_hand_does_not() {
    let mut world = World::new();
    world.recognised("till").unwrap();
    assert_eq!(world.changer.next_deadline(), Some(start() + seconds(1.0)));
    world.pass(seconds(0.9));
    assert!(world.sent.is_empty());
    world.pass(seconds(0.1));
    assert_eq!(world.sent.len(), 1);
    let mut world = World::new();
    world.by_hand(ChangeKind::Bounce);
    assert_eq!(world.sent.len(), 1);
}

#[test]
fn the_same_recognition_again_is_the_same_order() {
    let mut world = World::new();
    let order = world.recognised("till").unwrap();
    world.pass(seconds(0.5));
    assert_eq!(world.recognised("till"), Ok(order), "while it waits");
    world.pass(seconds(0.5));
    assert_eq!(world.recognised("till"), Ok(order), "while it is in flight");
    world.ack();
    world.pass(seconds(5.0));
    assert_eq!(
        world.recognised("till"),
        Ok(order),
        "while the device is on its way back"
    );
    assert_eq!(world.verdicts(), ["ordered", "sent", "acked"]);
}

#[test]
fn while_one_waits_the_newest_wins_and_the_older_deadline_holds() {
    let mut world = World::new();
    let first = world.recognised("till").unwrap();
    world.pass(seconds(0.7));
    let second = world.recognised("printer").unwrap();
    assert_eq!(world.changer.next_deadline(), Some(start() + seconds(1.0)));
    assert_eq!(
        world.outcome(first),
        Some(Outcome::Dropped {
            reason: format!("order {second} takes its place")
        })
    );
    world.pass(seconds(0.3));
    assert_eq!(world.entry("sent").place.order, Some(second));
    assert_eq!(world.sent.len(), 1);
}

#[test]
fn a_hand_takes_the_place_of_a_waiting_recognition() {
    let mut world = World::new();
    world.recognised("till").unwrap();
    let order = world.by_hand(ChangeKind::Reauth);
    assert_eq!(world.entry("sent").place.order, Some(order));
    assert!(world.verdicts().contains(&"dropped-superseded"));
}

#[test]
fn while_one_is_in_flight_a_hand_is_refused() {
    let mut world = World::new();
    let order = world.by_hand(ChangeKind::Bounce);
    let refused = world.try_order(by_hand(ChangeKind::Reauth)).unwrap_err();
    let kind = ChangeKind::Bounce;
    assert_eq!(refused, OrderRefused::InFlight { kind, order });
    assert_eq!(world.verdicts(), ["ordered", "sent", "refused-in-flight"]);
    let entry = world.entry("refused-in-flight");
    assert_eq!(entry.place.session, Some(TILL));
    assert_eq!(entry.place.change, Some(ChangeKind::Reauth));
    assert_eq!(world.sent.len(), 1);
}

#[test]
fn another_session_is_not_in_the_way() {
    let mut world = World::new();
    world.by_hand(ChangeKind::Bounce);
    let mut other = by_hand(ChangeKind::Bounce);
    other.session = PHONE;
    world.try_order(other).unwrap();
    assert_eq!(world.sent.len(), 2);
    assert_ne!(world.sent[0].1.octets[1], world.sent[1].1.octets[1]);
}

#[test]
fn while_one_is_in_flight_recognitions_queue_and_the_newest_wins() {
    let mut world = World::new();
    world.by_hand(ChangeKind::Reauth);
    let older = world.recognised("till").unwrap();
    let newer = world.recognised("printer").unwrap();
    assert_eq!(world.sent.len(), 1, "never two in flight");
    assert!(!world.outcome(older).unwrap().is_done());
    assert_eq!(world.outcome(newer), None);
    world.nak(406);
    assert_eq!(world.sent.len(), 1, "it waits its delay");
    world.pass(seconds(1.0));
    assert_eq!(world.sent.len(), 2);
    assert_eq!(world.entry("sent").place.order, Some(newer));
}

#[test]
fn the_queued_one_follows_a_change_that_was_given_up() {
    let mut world = World::new();
    world.by_hand(ChangeKind::Reauth);
    let queued = world.recognised("till").unwrap();
    world.pass(seconds(30.0));
    assert_eq!(world.verdicts().last(), Some(&"gave-up"));
    world.pass(seconds(1.0));
    assert_eq!(world.entry("sent").place.order, Some(queued));
}

/// What made the queued order will decide the device when it comes back.
#[test]
fn the_queued_one_is_dropped_once_the_device_comes_anew() {
    let mut world = World::new();
    world.by_hand(ChangeKind::Bounce);
    let queued = world.recognised("till").unwrap();
    world.ack();
    assert_eq!(world.verdicts().last(), Some(&"dropped-settled"));
    assert!(!world.outcome(queued).unwrap().is_done());
    assert_eq!(world.changer.next_deadline(), None);
}

#[test]
fn the_queued_one_follows_an_acknowledged_regrant() {
    let mut world = World::new();
    world.by_hand(ChangeKind::Regrant);
    let queued = world.recognised("till").unwrap();
    world.ack();
    world.pass(seconds(1.0));
    assert_eq!(world.entry("sent").place.order, Some(queued));
}

#[test]
fn after_an_acknowledged_bounce_no_other_recognition_bounces_until_the_device_is_back() {
    let mut world = World::new();
    let order = world.recognised("till").unwrap();
    world.pass(seconds(1.0));
    world.ack();
    let refused = world.recognised("printer").unwrap_err();
    let kind = ChangeKind::Bounce;
    assert_eq!(refused, OrderRefused::Settling { kind, order });
    assert_eq!(world.verdicts().last(), Some(&"refused-settling"));
    // A person may.
    world.by_hand(ChangeKind::Bounce);
    world.ack();
    // The new accept puts the session into another class: it is back.
    world.set_class(TILL, "till");
    assert!(world.recognised("printer").is_ok());
}

#[test]
fn a_device_that_never_comes_back_is_tried_again_after_a_minute() {
    let mut world = World::new();
    let first = world.recognised("till").unwrap();
    world.pass(seconds(1.0));
    world.ack();
    world.pass(seconds(59.9));
    assert_eq!(world.recognised("till"), Ok(first));
    world.pass(seconds(0.1));
    assert_ne!(world.recognised("till"), Ok(first));
}

/// A device whose sightings take turns: bounced into the other class each time.
fn flap(world: &mut World, times: usize) -> Vec<Result<u64, OrderRefused>> {
    let classes = ["till", "printer"];
    (0..times)
        .map(|turn| {
            let class = classes[turn % 2];
            let result = world.recognised(class);
            world.pass(seconds(1.0));
            if result.is_ok() {
                world.ack();
                world.set_class(TILL, class);
            }
            world.pass(seconds(9.0));
            result
        })
        .collect()
}

#[test]
fn the_flap_guard_stops_a_device_whose_sightings_alternate() {
    let mut world = World::new();
    let results = flap(&mut world, 5);
    let taken: Vec<bool> = results.iter().map(Result::is_ok).collect();
    assert_eq!(taken, [true, true, true, false, false]);
    assert_eq!(
        results[3],
        Err(OrderRefused::Flapping {
            mac: mac(TILL),
            limit: 3,
            window: Duration::from_secs(600),
            next: start() + Duration::from_secs(600),
        })
    );
    assert_eq!(world.sent.len(), 3);
    let entry = world.entry("refused-flapping");
    assert!(entry.reason.contains("Pin its class"), "{}", entry.reason);
    assert_eq!(entry.place.mac, Some(mac(TILL)));
}

#[test]
fn the_count_falls_as_changes_leave_the_window() {
    let mut world = World::new();
    // At 0, 10 and 20 s; it is 40 s after the refused fourth.
    flap(&mut world, 4);
    world.pass(seconds(559.9));
    assert!(world.recognised("printer").is_err());
    world.pass(seconds(0.1));
    assert!(
        world.recognised("printer").is_ok(),
        "the first left at 600 s"
    );
    world.pass(seconds(1.0));
    world.ack();
    world.set_class(TILL, "printer");
    assert!(
        world.recognised("till").is_err(),
        "the second leaves at 610 s"
    );
    world.pass(seconds(9.0));
    assert!(world.recognised("till").is_ok());
}

#[test]
fn hands_are_neither_counted_nor_stopped() {
    let mut world = World::new();
    for _ in 0..10 {
        world.by_hand(ChangeKind::Bounce);
        world.ack();
    }
    world.set_class(TILL, "printer");
    flap(&mut world, 4);
    assert_eq!(world.verdicts().last(), Some(&"refused-flapping"));
    world.by_hand(ChangeKind::Bounce);
}

#[test]
fn other_devices_are_not_stopped() {
    let mut world = World::new();
    flap(&mut world, 4);
    assert!(world.try_order(recognition(PHONE, "till")).is_ok());
}

#[test]
fn what_was_never_sent_is_not_counted() {
    let mut world = World::new();
    for turn in 0..20 {
        let class = ["till", "printer"][turn % 2];
        world.recognised(class).unwrap();
    }
    world.pass(seconds(1.0));
    assert_eq!(world.sent.len(), 1);
}

#[test]
fn the_limits_are_those_of_the_bench() {
    let mut world = World::with(with_rules(ChangeRules {
        flap_limit: 1,
        flap_window: Duration::from_secs(30),
        delay: Duration::from_secs(3),
        automatic: true,
    }));
    world.recognised("till").unwrap();
    world.pass(seconds(2.9));
    assert!(world.sent.is_empty());
    world.pass(seconds(0.1));
    world.ack();
    world.set_class(TILL, "till");
    assert!(world.recognised("printer").is_err());
    world.pass(seconds(27.0));
    assert!(world.recognised("printer").is_ok());
}

#[test]
fn a_session_that_ended_meanwhile_gets_nothing() {
    let mut world = World::new();
    let order = world.recognised("till").unwrap();
    world.pass(seconds(0.5));
    world.end_session(TILL);
    world.pass(seconds(10.0));
    assert!(world.sent.is_empty());
    assert_eq!(world.verdicts(), ["ordered", "dropped-session-ended"]);
    let Some(Outcome::Dropped { reason }) = world.outcome(order) else {
        panic!("{:?}", world.outcome(order));
    };
    assert!(reason.contains("User-Request"), "{reason}");
}

/// The Stop may overtake the answer: it still counts. Without one nothing is sent again.
#[test]
fn a_session_that_ends_in_flight_is_not_asked_again() {
    let mut world = World::new();
    let order = world.by_hand(ChangeKind::Disconnect);
    world.end_session(TILL);
    let answer = world.signed(crate::wire::Code::DISCONNECT_ACK, &[], CHANGE_SECRET);
    let mut answered = World {
        changer: world.changer.clone(),
        roster: world.roster.clone(),
        ..World::new()
    };
    answered.receive(switch_address(), &answer);
    assert!(answered.outcome(order).unwrap().is_done());

    world.pass(seconds(10.0));
    assert_eq!(world.sent.len(), 1);
    assert_eq!(
        world.verdicts(),
        ["ordered", "sent", "dropped-session-ended"]
    );
    assert!(!world.outcome(order).unwrap().is_done());
}

#[test]
fn sessions_that_are_over_or_unknown_are_refused() {
    let mut world = World::new();
    world.end_session(TILL);
    let refused = world.try_order(by_hand(ChangeKind::Bounce)).unwrap_err();
    assert_eq!(refused.verdict(), "refused-session-ended");
    let mut unknown = by_hand(ChangeKind::Bounce);
    unknown.session = 99;
    assert_eq!(world.try_order(unknown), Err(OrderRefused::NoSession(99)));
    assert_eq!(world.entry("refused-no-session").place.session, Some(99));
    assert!(world.sent.is_empty());
}

/// RFC 5176 section 2.3 tells a duplicate by address, port and Identifier; section 6.3 gives the
/// window of 300 s.
#[test]
fn no_identifier_is_used_again_within_the_duplicate_window() {
    let sessions: Vec<Session> = (1..=300).map(session).collect();
    let mut world = World::with_sessions(bench(switch(dialect())), sessions);
    for id in 1..=256 {
        let mut order = by_hand(ChangeKind::Bounce);
        order.session = id;
        world.try_order(order).unwrap();
        world.ack();
        world.pass(seconds(0.1));
    }
    let used: HashSet<u8> = world.sent.iter().map(|(_, sent)| sent.octets[1]).collect();
    assert_eq!(used.len(), 256);

    let mut order = by_hand(ChangeKind::Bounce);
    order.session = 257;
    let held = world.try_order(order).unwrap();
    assert_eq!(world.verdicts().last(), Some(&"held-no-identifier"));
    assert_eq!(world.sent.len(), 256);
    assert_eq!(
        world.changer.next_deadline(),
        Some(start() + seconds(300.0))
    );
    world.pass(seconds(300.0));
    assert_eq!(world.entry("sent").place.order, Some(held));
    let (at, first) = &world.sent[256];
    assert_eq!(*at, start() + seconds(300.0));
    assert_eq!(first.octets[1], world.sent[0].1.octets[1]);
}

/// The window counts from the last transmission, which the switch remembers best.
#[test]
fn a_repetition_keeps_its_identifier_taken_for_longer() {
    let sessions: Vec<Session> = (1..=300).map(session).collect();
    let mut world = World::with_sessions(bench(switch(dialect())), sessions);
    let mut order = by_hand(ChangeKind::Bounce);
    order.session = 1;
    world.try_order(order).unwrap();
    world.pass(seconds(40.0));
    let last = world.sent.last().unwrap().0;
    assert!(last > start());
    for id in 2..=257 {
        let mut order = by_hand(ChangeKind::Bounce);
        order.session = id;
        world.try_order(order).unwrap();
        if id < 257 {
            world.ack();
        }
    }
    assert_eq!(world.verdicts().last(), Some(&"held-no-identifier"));
    assert_eq!(world.changer.next_deadline(), Some(last + seconds(300.0)));
}

#[test]
fn each_switch_has_identifiers_of_its_own() {
    let mut other = switch(dialect());
    other.name = "gate-hall".to_owned();
    other.address = "192.0.2.20/32".parse().unwrap();
    let mut bench = bench(switch(dialect()));
    bench.switches.push(std::sync::Arc::new(other));
    let mut gate = session(PHONE);
    gate.address = "192.0.2.20".parse().unwrap();
    let mut world = World::with_sessions(bench, [session(TILL), gate]);
    world.by_hand(ChangeKind::Bounce);
    let mut order = by_hand(ChangeKind::Bounce);
    order.session = PHONE;
    world.try_order(order).unwrap();
    assert_eq!(world.sent[0].1.octets[1], world.sent[1].1.octets[1]);
    assert_ne!(world.sent[0].1.to, world.sent[1].1.to);
}

#[test]
fn the_last_outcomes_are_kept_and_no_more() {
    let mut world = World::new();
    let orders: Vec<u64> = (0..1500)
        .map(|_| {
            let order = world.by_hand(ChangeKind::Bounce);
            world.ack();
            world.pass(seconds(2.0));
            order
        })
        .collect();
    let kept = orders
        .iter()
        .filter(|order| world.outcome(**order).is_some());
    assert_eq!(kept.count(), 1024);
    assert!(world.outcome(orders[0]).is_none());
}
