//! RFC 2866: accounting.

use super::agenda::Duty;
use super::read::{self, between, seconds};
use super::rule::{Check, Remark, Rule, Severity, rfc, rfc_from_memory, when};
use super::seen::{Asked, Reported, Sent, Status, Stray};
use crate::journal::Link;
use crate::wire::registry::attributes as a;

pub(super) const RULES: &[Rule] = &[
    Rule {
        id: "rfc2866-bad-authenticator",
        source: rfc(2866, "3"),
        severity: Severity::Breach,
        title: "an Accounting-Request has a wrong Request Authenticator",
        why: "Every server drops it: no session of this switch is recorded.",
        remedy: "Set the accounting secret of the switch; it may be another setting than the authentication secret.",
        check: Check::Stray(bad_authenticator),
    },
    Rule {
        id: "rfc2866-no-status-type",
        source: rfc_from_memory(2866, "5.13"),
        severity: Severity::Breach,
        title: "an Accounting-Request without Acct-Status-Type",
        why: "It says nothing about any session, and servers drop it.",
        remedy: "Report it to the switch's maker.",
        check: Check::Stray(no_status_type),
    },
    Rule {
        id: "rfc2866-forbidden-attribute",
        source: rfc_from_memory(2866, "4.1"),
        severity: Severity::Breach,
        title: "accounting carries a password, State or Reply-Message",
        why: "Passwords end up in accounting logs, which more people read.",
        remedy: "Take the attribute out of the list that the switch adds to accounting.",
        check: Check::Reported(forbidden_attribute),
    },
    Rule {
        id: "rfc2866-no-session-id",
        source: rfc_from_memory(2866, "5.5"),
        severity: Severity::Breach,
        title: "an Accounting-Request without Acct-Session-Id",
        why: "Start and Stop cannot be joined, and a change cannot name the session.",
        remedy: "Report it to the switch's maker.",
        check: Check::Reported(no_session_id),
    },
    Rule {
        id: "rfc2866-session-id-changed",
        source: rfc_from_memory(2866, "5.5"),
        severity: Severity::Breach,
        title: "accounting has another Acct-Session-Id than the Access-Request",
        why: "A change that names the session by what the request said misses it.",
        remedy: "Update the switch; until then let changes name sessions by the device's address.",
        check: Check::Reported(session_id_changed),
    },
    Rule {
        id: "rfc2866-session-id-reused",
        source: rfc_from_memory(2866, "5.5"),
        severity: Severity::Breach,
        title: "an Acct-Session-Id is used for a second session",
        why: "Records of two devices or two visits run into one, and a change may hit the wrong one.",
        remedy: "Look for a setting that puts boot time or a random part into session ids; else update the switch.",
        check: Check::Reported(session_id_reused),
    },
    Rule {
        id: "rfc2866-no-nas-identity",
        source: rfc_from_memory(2866, "4.1"),
        severity: Severity::Breach,
        title: "accounting without NAS-IP-Address, NAS-IPv6-Address or NAS-Identifier",
        why: "Records do not say which switch they are from once a relay or a log has them.",
        remedy: "Set a source interface or a NAS identifier for RADIUS accounting.",
        check: Check::Reported(no_nas_identity),
    },
    Rule {
        id: "rfc2866-no-port",
        source: rfc_from_memory(2866, "4.1"),
        severity: Severity::Weakness,
        title: "accounting names no port",
        why: "A session cannot be traced to its socket on the wall.",
        remedy: "Allow NAS-Port or NAS-Port-Id in the switch's accounting attributes.",
        check: Check::Reported(no_port),
    },
    Rule {
        id: "rfc2866-other-port",
        source: rfc_from_memory(2866, "4.1"),
        severity: Severity::Breach,
        title: "accounting names another port than the Access-Request",
        why: "The device is looked for, and the port bounced, where it is not.",
        remedy: "Look for stacked or trunked ports that authentication and accounting number apart; report it to the maker.",
        check: Check::Reported(other_port),
    },
    Rule {
        id: "rfc2866-no-user-name",
        source: rfc_from_memory(2866, "5.13"),
        severity: Severity::Weakness,
        title: "accounting without User-Name",
        why: "Sessions show no person and no device name.",
        remedy: "Allow User-Name in the switch's accounting attributes.",
        check: Check::Reported(no_user_name),
    },
    Rule {
        id: "rfc2866-no-acct-authentic",
        source: rfc_from_memory(2866, "5.6"),
        severity: Severity::Note,
        title: "accounting without Acct-Authentic",
        why: "A device that the switch let in by itself (critical VLAN) looks like one that the server let in.",
        remedy: "Allow Acct-Authentic in the switch's accounting attributes.",
        check: Check::Reported(no_acct_authentic),
    },
    Rule {
        id: "rfc2866-no-session-time",
        source: rfc_from_memory(2866, "5.7"),
        severity: Severity::Weakness,
        title: "a Stop without Acct-Session-Time",
        why: "How long a device was there must be guessed from arrival times.",
        remedy: "Allow Acct-Session-Time in the switch's accounting attributes.",
        check: Check::Reported(no_session_time),
    },
    Rule {
        id: "rfc2866-session-time-wrong",
        source: rfc_from_memory(2866, "5.7"),
        severity: Severity::Weakness,
        title: "Acct-Session-Time does not fit the clock",
        why: "Times in reports are wrong; often the counter is that of the port and not of the session.",
        remedy: "Check the switch's clock and time zone; else report it to the maker.",
        check: Check::Reported(session_time_wrong),
    },
    Rule {
        id: "rfc2866-no-terminate-cause",
        source: rfc_from_memory(2866, "5.10"),
        severity: Severity::Weakness,
        title: "a Stop without Acct-Terminate-Cause",
        why: "A pulled cable, a timeout and an administrator cannot be told apart when a port flaps.",
        remedy: "Allow Acct-Terminate-Cause in the switch's accounting attributes.",
        check: Check::Reported(no_terminate_cause),
    },
    Rule {
        id: "rfc2866-counters-went-back",
        source: rfc_from_memory(2866, "5.3"),
        severity: Severity::Breach,
        title: "a counter of a session is lower than before",
        why: "Volumes come out wrong or negative; often Gigawords are missing or counters reset at re-authentication.",
        remedy: "Turn on Acct-Input-Gigawords and Acct-Output-Gigawords; update the switch.",
        check: Check::Reported(counters_went_back),
    },
    Rule {
        id: "rfc2866-no-start",
        source: rfc_from_memory(2866, "2"),
        severity: Severity::Weakness,
        title: "a device was accepted and no Start came",
        why: "The session is missing in reports, and a server that limits sessions does not count it.",
        remedy: "Turn on start records for this method on the port; see whether the switch waits for an address.",
        check: Check::Missed(Duty::Start),
    },
    Rule {
        id: "rfc2866-second-start",
        source: rfc_from_memory(2866, "2"),
        severity: Severity::Weakness,
        title: "a session starts a second time",
        why: "Servers that count sessions count the device twice, and may refuse it for that.",
        remedy: "Let the switch send an interim update, and not a Start, when it re-authenticates or learns an address.",
        check: Check::Reported(second_start),
    },
    Rule {
        id: "rfc2866-stop-without-start",
        source: rfc_from_memory(2866, "2"),
        severity: Severity::Weakness,
        title: "a Stop of a session that never started",
        why: "Stop-only accounting hides devices while they are connected.",
        remedy: "Set accounting to start and stop records.",
        check: Check::Reported(stop_without_start),
    },
    Rule {
        id: "rfc2866-no-stop",
        source: rfc_from_memory(2866, "2"),
        severity: Severity::Weakness,
        title: "a device began a new session and no Stop of the one before came",
        why: "Dead sessions pile up: reports show devices where they are not, and changes go to them.",
        remedy: "Turn on stop records; check that the port ends sessions when the link goes down.",
        check: Check::Missed(Duty::StopOfReplaced),
    },
    Rule {
        id: "rfc2866-no-accounting-on",
        source: rfc_from_memory(2866, "5.1"),
        severity: Severity::Weakness,
        title: "the switch is back after Accounting-Off and sent no Accounting-On",
        why: "Sessions from before the restart stay open on the server for ever.",
        remedy: "Turn on system accounting, so that the switch announces that it came up.",
        check: Check::Asked(no_accounting_on),
    },
    Rule {
        id: "rfc2866-delay-with-old-identifier",
        source: rfc_from_memory(2866, "5.2"),
        severity: Severity::Breach,
        title: "Acct-Delay-Time changed and the Identifier did not",
        why: "The server takes it for a repetition of other octets and may drop the record.",
        remedy: "Report it to the switch's maker, or let it send Event-Timestamp in place of Acct-Delay-Time.",
        check: Check::Sent(delay_with_old_identifier),
    },
];

fn bad_authenticator(stray: &Stray<'_>) -> Option<Remark> {
    when(
        stray.verdict == "dropped-bad-accounting-authenticator",
        || "the secret differs, or the packet was altered".to_owned(),
    )
}

fn no_status_type(stray: &Stray<'_>) -> Option<Remark> {
    when(stray.verdict == "dropped-no-status-type", || {
        "no Acct-Status-Type".to_owned()
    })
}

fn forbidden_attribute(reported: &Reported<'_>) -> Option<Remark> {
    let kind = [
        a::USER_PASSWORD,
        a::CHAP_PASSWORD,
        a::REPLY_MESSAGE,
        a::STATE,
    ]
    .into_iter()
    .find(|kind| reported.packet.first(*kind).is_some())?;
    Some(Remark::new(format!("{} in accounting", read::name(kind))))
}

fn no_session_id(reported: &Reported<'_>) -> Option<Remark> {
    when(reported.packet.first(a::ACCT_SESSION_ID).is_none(), || {
        "no Acct-Session-Id".to_owned()
    })
}

fn session_id_changed(reported: &Reported<'_>) -> Option<Remark> {
    let track = reported.track?;
    let asked = track.asked_as.as_deref()?;
    let accept = track.accept.as_ref()?;
    let came = reported.packet.first(a::ACCT_SESSION_ID)?.value;
    (came != asked).then(|| {
        let what = format!("{} and not {}", read::quoted(came), read::quoted(asked));
        Remark::new(what).beside(accept.moment.packet)
    })
}

fn session_id_reused(reported: &Reported<'_>) -> Option<Remark> {
    if reported.status != Status::Start {
        return None;
    }
    let track = reported.track?;
    // Either the request used it already, or this Start is of a session that is over.
    let earlier = track.reuses.or(track.stop.and(track.start))?;
    let what = format!(
        "{} again",
        read::shown(&reported.packet, a::ACCT_SESSION_ID)
    );
    Some(Remark::new(what).beside(earlier.packet))
}

fn no_nas_identity(reported: &Reported<'_>) -> Option<Remark> {
    let named = [a::NAS_IP_ADDRESS, a::NAS_IPV6_ADDRESS, a::NAS_IDENTIFIER]
        .into_iter()
        .any(|kind| reported.packet.first(kind).is_some());
    when(!named, || "accounting that names no switch".to_owned())
}

fn no_port(reported: &Reported<'_>) -> Option<Remark> {
    let packet = &reported.packet;
    let named = packet.first(a::NAS_PORT).is_some() || packet.first(a::NAS_PORT_ID).is_some();
    when(reported.status.is_of_session() && !named, || {
        "neither NAS-Port nor NAS-Port-Id".to_owned()
    })
}

fn other_port(reported: &Reported<'_>) -> Option<Remark> {
    let track = reported.track?;
    let accept = track.accept.as_ref()?;
    let here = read::line(&reported.packet);
    track.line.differs(&here).then(|| {
        let what = format!(
            "port {} and not {}",
            read::port(&reported.packet).unwrap_or_default(),
            track.port.as_deref().unwrap_or_default()
        );
        Remark::new(what).beside(accept.moment.packet)
    })
}

fn no_user_name(reported: &Reported<'_>) -> Option<Remark> {
    let missing = reported.packet.first(a::USER_NAME).is_none();
    when(reported.status.is_of_session() && missing, || {
        "no User-Name".to_owned()
    })
}

fn no_acct_authentic(reported: &Reported<'_>) -> Option<Remark> {
    let missing = reported.packet.first(a::ACCT_AUTHENTIC).is_none();
    when(reported.status.is_of_session() && missing, || {
        "no Acct-Authentic".to_owned()
    })
}

fn no_session_time(reported: &Reported<'_>) -> Option<Remark> {
    when(
        reported.status == Status::Stop && reported.counts.time.is_none(),
        || "no Acct-Session-Time".to_owned(),
    )
}

fn session_time_wrong(reported: &Reported<'_>) -> Option<Remark> {
    let track = reported.track?;
    let start = track.start?;
    let said = f64::from(reported.counts.time?);
    // By the switch's own clock where it tells, because a record may arrive late.
    let ran = match (track.start_stamp, read::stamp(&reported.packet)) {
        (Some(from), Some(to)) => between(from, to),
        _ => start.ago(reported.at),
    }
    .as_secs_f64();
    let off = (said - ran).abs() > (ran * 0.1).max(10.0);
    (reported.status != Status::Start && off).then(|| {
        let what = format!("{said} s, and {ran:.0} s since the Start");
        Remark::new(what).beside(start.packet)
    })
}

fn no_terminate_cause(reported: &Reported<'_>) -> Option<Remark> {
    let missing = reported.packet.first(a::ACCT_TERMINATE_CAUSE).is_none();
    when(reported.status == Status::Stop && missing, || {
        "no Acct-Terminate-Cause".to_owned()
    })
}

fn counters_went_back(reported: &Reported<'_>) -> Option<Remark> {
    let last = reported.track?.last?;
    let (now, then) = (reported.counts, last.counts);
    let pairs = [
        ("Acct-Input-Octets", then.input, now.input),
        ("Acct-Output-Octets", then.output, now.output),
        (
            "Acct-Session-Time",
            then.time.map(u64::from),
            now.time.map(u64::from),
        ),
    ];
    let (name, then, now) = pairs
        .into_iter()
        .find_map(|(name, then, now)| Some((name, then?, now?)).filter(|(_, t, n)| n < t))?;
    // A Start that comes again, or a report that overtook another, is older and not lower.
    if reported.status == Status::Start || last.status == Status::Stop {
        return None;
    }
    let what = format!("{name} {now}, {then} before");
    Some(Remark::new(what).beside(last.moment.packet))
}

fn second_start(reported: &Reported<'_>) -> Option<Remark> {
    let track = reported.track?;
    let start = track.start.filter(|_| track.stop.is_none())?;
    let same = reported.packet.first(a::ACCT_SESSION_ID).map(|id| id.value)
        == track.reported_as.as_deref();
    (reported.status == Status::Start && same && !reported.repeats).then(|| {
        let what = format!("{} after the first", seconds(start.ago(reported.at)));
        Remark::new(what).beside(start.packet)
    })
}

fn stop_without_start(reported: &Reported<'_>) -> Option<Remark> {
    let track = reported.track?;
    let accept = track.accept.as_ref()?;
    (reported.status == Status::Stop && track.start.is_none()).then(|| {
        let what = format!(
            "accepted {} before, and no Start",
            seconds(between(accept.first, reported.at))
        );
        Remark::new(what).beside(accept.moment.packet)
    })
}

fn no_accounting_on(asked: &Asked<'_>) -> Option<Remark> {
    let off = asked.switch.off?;
    Some(
        Remark::new("a device is authenticated, and the last word was Accounting-Off")
            .beside(off.packet),
    )
}

fn delay_with_old_identifier(sent: &Sent<'_>) -> Option<Remark> {
    let repeat = sent.repeat.as_ref()?;
    let wrong = sent.link == Link::Accounting && repeat.new_delay && !repeat.new_identifier;
    wrong.then(|| {
        let what = format!("Identifier {} again", sent.packet.identifier());
        Remark::new(what).beside(repeat.first)
    })
}
