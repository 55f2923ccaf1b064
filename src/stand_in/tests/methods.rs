//! Which method is tried when.

use super::*;
use crate::stand_in::config::MethodOrder;
use crate::stand_in::event::Method;

fn with(order: MethodOrder) -> StandInConfig {
    let mut config = config();
    config.ports.order = order;
    config
}

fn secs(rig: &Rig, fits: impl Fn(&What) -> bool) -> Option<f64> {
    rig.when(fits).map(|time| time.as_secs_f64())
}

fn asked_for_mac(what: &What) -> bool {
    matches!(
        what,
        What::Asked {
            method: Method::Mac,
            ..
        }
    )
}

/// IEEE 802.1X times out after txPeriod times its tries; then MAC authentication (trade).
#[test]
fn dot1x_first_then_mac_after_its_timeout() {
    let mut rig = Rig::granting(with(MethodOrder::Dot1xThenMac), Vec::new());
    rig.plug("1", "till");
    rig.run(seconds(10));
    // Heard 0.5 s after link up; two requests for the identity, 2 s each.
    assert_eq!(secs(&rig, |w| *w == What::Dot1xBegan), Some(0.5));
    assert_eq!(secs(&rig, |w| *w == What::Dot1xTimedOut), Some(4.5));
    assert_eq!(secs(&rig, asked_for_mac), Some(4.5));
    assert_eq!(
        secs(&rig, |w| matches!(w, What::Admitted { .. })),
        Some(4.5)
    );
}

#[test]
fn the_timeout_is_tries_times_period() {
    let mut config = with(MethodOrder::Dot1xThenMac);
    config.dot1x.tx_period = seconds(7);
    config.dot1x.tries = 3;
    let mut rig = Rig::granting(config, Vec::new());
    rig.plug("1", "till");
    rig.run(seconds(21));
    assert!(rig.access_requests().is_empty());
    rig.run(seconds(1));
    assert_eq!(secs(&rig, asked_for_mac), Some(21.5));
}

#[test]
fn mac_first_then_dot1x_after_its_refusal() {
    let mut rig = Rig::new(with(MethodOrder::MacThenDot1x), |_| Reply::Reject);
    rig.plug("1", "till");
    rig.run(seconds(10));
    assert_eq!(secs(&rig, asked_for_mac), Some(0.5));
    assert_eq!(secs(&rig, |w| *w == What::Dot1xBegan), Some(0.5));
    // Held only when both are through.
    assert_eq!(secs(&rig, |w| matches!(w, What::Held { .. })), Some(4.5));
}

#[test]
fn mac_first_and_accepted_needs_no_dot1x() {
    let mut rig = Rig::granting(with(MethodOrder::MacThenDot1x), Vec::new());
    rig.plug("1", "till");
    rig.run(seconds(10));
    assert_eq!(rig.count(|w| *w == What::Dot1xBegan), 0);
}

#[test]
fn both_at_once() {
    let mut rig = Rig::granting(with(MethodOrder::Both), Vec::new());
    rig.plug("1", "till");
    rig.run(seconds(10));
    assert_eq!(secs(&rig, |w| *w == What::Dot1xBegan), Some(0.5));
    assert_eq!(
        secs(&rig, |w| matches!(w, What::Admitted { .. })),
        Some(0.5)
    );
    // The timeout of 802.1X takes nothing away.
    assert_eq!(secs(&rig, |w| *w == What::Dot1xTimedOut), Some(4.5));
    assert_eq!(rig.switch.sessions()[0].admitted, Some(Method::Mac));
    assert_eq!(rig.access_requests().len(), 1);
}

#[test]
fn both_refused_are_held_once() {
    let mut rig = Rig::new(with(MethodOrder::Both), |_| Reply::Reject);
    rig.plug("1", "till");
    rig.run(seconds(60));
    assert_eq!(rig.count(|w| matches!(w, What::Held { .. })), 1);
    assert_eq!(secs(&rig, |w| matches!(w, What::Held { .. })), Some(4.5));
}

#[test]
fn mac_only_never_asks_for_an_identity() {
    let mut rig = Rig::new(with(MethodOrder::MacOnly), |_| Reply::Reject);
    rig.plug("1", "till");
    rig.run(seconds(200));
    assert_eq!(rig.count(|w| *w == What::Dot1xBegan), 0);
}

#[test]
fn dot1x_only_never_asks_by_mac() {
    let mut rig = Rig::granting(with(MethodOrder::Dot1xOnly), Vec::new());
    rig.plug("1", "till");
    rig.run(seconds(300));
    assert!(rig.access_requests().is_empty());
    assert!(rig.count(|w| matches!(w, What::Held { .. })) >= 2);
}

#[test]
fn order_is_set_per_port() {
    let mut config = with(MethodOrder::Dot1xThenMac);
    config.ports.each = one_port(
        3,
        PortChange {
            order: Some(MethodOrder::MacOnly),
            ..PortChange::default()
        },
    );
    let mut rig = Rig::granting(config, Vec::new());
    rig.plug("3", "till");
    rig.run(seconds(1));
    assert_eq!(secs(&rig, asked_for_mac), Some(0.5));
}

/// IEEE 802.1X quietPeriod: 60 s, then everything from the start.
#[test]
fn a_refused_device_waits_out_the_quiet_period() {
    let mut turns = 0;
    let mut rig = Rig::new(with(MethodOrder::MacOnly), move |_| {
        turns += 1;
        if turns < 3 {
            Reply::Reject
        } else {
            Reply::Accept(Vec::new())
        }
    });
    rig.plug("1", "till");
    rig.run(seconds(200));
    let times: Vec<u64> = rig
        .requests(Socket::Authentication)
        .iter()
        .map(|(at, _)| at.as_millis() as u64)
        .collect();
    assert_eq!(times, [500, 60_500, 120_500]);
    assert_eq!(rig.count(|w| matches!(w, What::Refused { .. })), 2);
    assert_eq!(rig.records(1).len(), 1);
    // Each attempt is another packet.
    let identifiers: Vec<u8> = rig
        .access_requests()
        .iter()
        .map(Packet::identifier)
        .collect();
    assert_eq!(identifiers, [0, 1, 2]);
}
