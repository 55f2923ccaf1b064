//! What the switch does with what an accept grants.

use crate::findings::read::{self, seconds};
use crate::findings::rule::{Check, Remark, Rule, Severity, rfc, rfc_from_memory};
use crate::findings::seen::{Reported, Status};
use crate::findings::tracks::Flaw;
use crate::wire::registry::attributes as a;

pub(in crate::findings) const GRANTS: &[Rule] = &[
    Rule {
        id: "rfc2865-took-forged-accept",
        source: rfc(2865, "3"),
        severity: Severity::Breach,
        title: "an accept with a wrong Response Authenticator was acted on",
        why: "Anybody on the path can let any device into any VLAN of this port.",
        remedy: "Update the switch; do not ship this configuration on it before that.",
        check: Check::Reported(took_forged_accept),
    },
    Rule {
        id: "rfc2865-admitted-after-reject",
        source: rfc_from_memory(2865, "4.3"),
        severity: Severity::Breach,
        title: "a device was rejected and its session starts",
        why: "The port is open to whom the server keeps out.",
        remedy: "Look for a fail-open setting or a critical VLAN that also takes rejects; else update the switch.",
        check: Check::Reported(admitted_after_reject),
    },
    Rule {
        id: "rfc2865-class-not-echoed",
        source: rfc_from_memory(2865, "5.25"),
        severity: Severity::Weakness,
        title: "accounting does not bring Class back",
        why: "Records cannot be joined to the decision that let the device in; reports and quotas go astray.",
        remedy: "Allow Class in the switch's accounting attributes; look for a proxy that drops it.",
        check: Check::Reported(class_not_echoed),
    },
    Rule {
        id: "rfc2865-class-changed",
        source: rfc_from_memory(2865, "5.25"),
        severity: Severity::Breach,
        title: "accounting brings another Class than was given",
        why: "Records are joined to another device's decision.",
        remedy: "Look for a switch that cuts Class or treats it as text; report it to the maker.",
        check: Check::Reported(class_changed),
    },
    Rule {
        id: "rfc2865-user-name-ignored",
        source: rfc_from_memory(2865, "5.1"),
        severity: Severity::Weakness,
        title: "accounting does not use the User-Name of the accept",
        why: "Sessions show the outer name or the address and not the person that the server proved.",
        remedy: "Look for a setting that keeps the name of the request in accounting.",
        check: Check::Reported(user_name_ignored),
    },
    Rule {
        id: "rfc2865-filter-contradicted",
        source: rfc_from_memory(2865, "5.11"),
        severity: Severity::Breach,
        title: "accounting names another filter than was granted",
        why: "The port enforces something else than the policy says, and nobody sees it.",
        remedy: "Check that the filter exists on the switch under the granted name, and what it does when it does not.",
        check: Check::Reported(filter_contradicted),
    },
    Rule {
        id: "rfc2865-idle-timeout-ignored",
        source: rfc_from_memory(2865, "5.28"),
        severity: Severity::Weakness,
        title: "a session goes on past its Idle-Timeout",
        why: "A device that is gone behind a phone or hub keeps its place, and the next one there gets its rights.",
        remedy: "Turn on the port's inactivity timer from the server, or set one on the port.",
        check: Check::Reported(idle_timeout_ignored),
    },
];

fn took_forged_accept(reported: &Reported<'_>) -> Option<Remark> {
    let accept = reported.granted_track()?.accept.as_ref()?;
    let acts = reported.status == Status::Start && accept.flaw == Some(Flaw::Authenticator);
    acts.then(|| {
        Remark::new("a Start for an accept whose Response Authenticator was wrong")
            .beside(accept.moment.packet)
    })
}

/// With Acct-Authentic Local the switch let it in by itself, as ports with a VLAN for refused
/// devices do.
fn admitted_after_reject(reported: &Reported<'_>) -> Option<Remark> {
    const BY_RADIUS: u32 = 1;
    const SOON: f64 = 60.0;
    let reject = reported.seat?.refusals?.last;
    let accepted = reported.track.is_some_and(|track| track.accept.is_some());
    let by_server = reported.packet.integer(a::ACCT_AUTHENTIC) == Some(BY_RADIUS);
    let after = reject.ago(reported.at);
    let starts = reported.status == Status::Start && by_server && !accepted;
    (starts && after.as_secs_f64() < SOON).then(|| {
        Remark::new(format!("a Start {} after the reject", seconds(after))).beside(reject.packet)
    })
}

fn class_not_echoed(reported: &Reported<'_>) -> Option<Remark> {
    let accept = reported.granted_track()?.accept.as_ref()?;
    let missing = !accept.granted.class.is_empty() && reported.packet.first(a::CLASS).is_none();
    missing.then(|| Remark::new("no Class").beside(accept.moment.packet))
}

fn class_changed(reported: &Reported<'_>) -> Option<Remark> {
    let came = read::values(&reported.packet, a::CLASS);
    let (what, accept) = reported.contradiction(|granted| {
        let given = &granted.class;
        (!came.is_empty() && !given.is_empty() && came != *given).then_some("another Class")
    })?;
    Some(Remark::new(what).beside(accept))
}

fn user_name_ignored(reported: &Reported<'_>) -> Option<Remark> {
    let came = reported.packet.first(a::USER_NAME)?.value;
    let (what, accept) = reported.contradiction(|granted| {
        let name = granted.user_name.as_deref()?;
        (came != name).then(|| format!("{} and not {}", read::quoted(came), read::quoted(name)))
    })?;
    Some(Remark::new(what).beside(accept))
}

fn filter_contradicted(reported: &Reported<'_>) -> Option<Remark> {
    let filters = read::values(&reported.packet, a::FILTER_ID);
    let (what, accept) = reported.contradiction(|granted| {
        let other = granted.other_filter(&filters)?;
        Some(format!("Filter-Id {} was not granted", read::quoted(other)))
    })?;
    Some(Remark::new(what).beside(accept))
}

fn idle_timeout_ignored(reported: &Reported<'_>) -> Option<Remark> {
    let track = reported.granted_track()?;
    let idle = track.accept.as_ref()?.granted.idle_timeout?;
    let still = track.still?;
    let counts = reported.counts;
    let last = track.last.as_ref()?;
    let same = counts.input.is_some()
        && (counts.input, counts.output) == (last.counts.input, last.counts.output);
    let ago = still.ago(reported.at);
    let past = ago.as_secs_f64() > f64::from(idle) * 1.1 + 10.0;
    (reported.status == Status::Interim && same && past).then(|| {
        let what = format!("no traffic for {}, Idle-Timeout is {idle} s", seconds(ago));
        Remark::new(what).beside(still.packet)
    })
}
