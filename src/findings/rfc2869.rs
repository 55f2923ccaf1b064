//! RFC 2869: extensions.

use super::agenda::Duty;
use super::read::{self, between, seconds};
use super::rule::{Check, Remark, Rule, Severity, rfc_from_memory, when};
use super::seen::{Asked, Reported, Status};
use crate::wire::registry::attributes as a;

pub(super) const RULES: &[Rule] = &[
    Rule {
        id: "rfc2869-no-port",
        source: rfc_from_memory(2869, "5.17"),
        severity: Severity::Weakness,
        title: "an Access-Request with neither NAS-Port nor NAS-Port-Id",
        why: "Nobody can say which port a device is on, no policy can tell ports apart, and a bounce cannot be named.",
        remedy: "Allow NAS-Port and NAS-Port-Id in the switch's RADIUS attributes.",
        check: Check::Asked(no_port),
    },
    Rule {
        id: "rfc2869-no-event-timestamp",
        source: rfc_from_memory(2869, "5.3"),
        severity: Severity::Weakness,
        title: "accounting with neither Event-Timestamp nor Acct-Delay-Time",
        why: "A record that waited for a server to come back is dated by its arrival.",
        remedy: "Allow Event-Timestamp in the switch's accounting attributes, and set its clock by NTP.",
        check: Check::Reported(no_event_timestamp),
    },
    Rule {
        id: "rfc2869-clock-skew",
        source: rfc_from_memory(2869, "5.3"),
        severity: Severity::Weakness,
        title: "the switch's clock is off by more than 30 s",
        why: "Records and logs of the port do not line up; past 300 s changes with a time are dropped, and certificates fail.",
        remedy: "Set NTP on the switch, and check that it is reachable before 802.1X lets anything through.",
        check: Check::Reported(clock_skew),
    },
    Rule {
        id: "rfc2869-interim-ignored",
        source: rfc_from_memory(2869, "5.16"),
        severity: Severity::Weakness,
        title: "no interim update at the interval granted",
        why: "A switch that loses power leaves sessions open, and nobody sees it until the device comes back.",
        remedy: "Let the port take the interval from the server, or set interim updates on the switch.",
        check: Check::Missed(Duty::Interim),
    },
    Rule {
        id: "rfc2869-interim-too-often",
        source: rfc_from_memory(2869, "5.16"),
        severity: Severity::Weakness,
        title: "interim updates come more often than once a minute",
        why: "Hundreds of ports at this pace load server and switch, and push real logins out of the queue.",
        remedy: "Set the interim interval to 600 s or more, never below 60 s.",
        check: Check::Reported(interim_too_often),
    },
];

/// Clocks may differ by this much before it is told.
const TOLERANCE: f64 = 30.0;
/// The shortest interval, less what arrival may blur (RFC 2869 section 5.16: not below 60 s).
const LEAST_INTERVAL: f64 = 55.0;

fn no_port(asked: &Asked<'_>) -> Option<Remark> {
    let has = |kind| asked.packet.first(kind).is_some();
    when(!has(a::NAS_PORT) && !has(a::NAS_PORT_ID), || {
        "neither NAS-Port nor NAS-Port-Id".to_owned()
    })
}

fn no_event_timestamp(reported: &Reported<'_>) -> Option<Remark> {
    let has = |kind| reported.packet.first(kind).is_some();
    when(!has(a::EVENT_TIMESTAMP) && !has(a::ACCT_DELAY_TIME), || {
        "neither Event-Timestamp nor Acct-Delay-Time".to_owned()
    })
}

/// A record may be late, so its time is held against what the bench did: nothing of a session
/// happens before its accept, and nothing after its record arrived.
fn clock_skew(reported: &Reported<'_>) -> Option<Remark> {
    let stamp = read::stamp(&reported.packet)?;
    let ahead = between(reported.at, stamp);
    if ahead.as_secs_f64() > TOLERANCE {
        return Some(Remark::new(format!("{} ahead", seconds(ahead))));
    }
    let accept = reported.granted_track()?.accept.as_ref()?;
    let behind = between(stamp, accept.first);
    (behind.as_secs_f64() > TOLERANCE).then(|| {
        let what = format!("{} behind at the least", seconds(behind));
        Remark::new(what).beside(accept.moment.packet)
    })
}

fn interim_too_often(reported: &Reported<'_>) -> Option<Remark> {
    if reported.status != Status::Interim {
        return None;
    }
    let last = reported
        .track?
        .last
        .filter(|last| last.status == Status::Interim)?;
    let gap = between(last.made, reported.made);
    (gap.as_secs_f64() < LEAST_INTERVAL).then(|| {
        Remark::new(format!("{} after the one before", seconds(gap))).beside(last.moment.packet)
    })
}
