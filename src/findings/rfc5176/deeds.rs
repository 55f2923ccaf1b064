//! What a switch does about changes, and what it gives the server to name sessions by.

use crate::bench::ChangeKind;
use crate::findings::agenda::Duty;
use crate::findings::granted::Granted;
use crate::findings::read::{self, AUTHORIZE_ONLY, seconds};
use crate::findings::rule::{Check, Remark, Rule, Severity, rfc, rfc_from_memory, when};
use crate::findings::seen::{Asked, Reported, Status};
use crate::wire::registry::attributes as a;

pub(in crate::findings) const DEEDS: &[Rule] = &[
    Rule {
        id: "rfc5176-no-acct-session-id",
        source: rfc(5176, "3"),
        severity: Severity::Weakness,
        title: "an Access-Request without Acct-Session-Id",
        why: "A change before accounting began has less to name the session by, and may hit another one of the port.",
        remedy: "Turn on Acct-Session-Id in Access-Requests.",
        check: Check::Asked(no_acct_session_id),
    },
    Rule {
        id: "rfc5176-disconnect-without-stop",
        source: rfc_from_memory(5176, "2.1"),
        severity: Severity::Breach,
        title: "a Disconnect is acknowledged and the session does not end",
        why: "A device that was thrown out stays on the network, and everybody believes that it is gone.",
        remedy: "Update the switch; until then end sessions by a bounce.",
        check: Check::Missed(Duty::StopAfterDisconnect),
    },
    Rule {
        id: "rfc5176-bounce-without-drop",
        source: rfc_from_memory(5176, "2.2"),
        severity: Severity::Breach,
        title: "a bounce is acknowledged and the link does not drop",
        why: "The device keeps the address of its old VLAN: it is moved and cannot talk.",
        remedy: "Check that the port may be bounced by the server; some switches acknowledge and ignore it by default.",
        check: Check::Missed(Duty::DropAfterBounce),
    },
    Rule {
        id: "rfc5176-reauth-without-request",
        source: rfc_from_memory(5176, "2.2"),
        severity: Severity::Breach,
        title: "a re-authentication is acknowledged and no request comes",
        why: "The device stays in its old class.",
        remedy: "Check that re-authentication by the server is on for this port and method.",
        check: Check::Missed(Duty::RequestAfterReauth),
    },
    Rule {
        id: "rfc5176-regrant-ignored",
        source: rfc(5176, "2.3"),
        severity: Severity::Breach,
        title: "new attributes are acknowledged and the old ones stay in force",
        why: "The device stays in its old VLAN or behind its old filter.",
        remedy: "Move devices of this switch by re-authentication or bounce.",
        check: Check::Reported(regrant_ignored),
    },
    Rule {
        id: "rfc5176-session-denied",
        source: rfc(5176, "3.5"),
        severity: Severity::Weakness,
        title: "the switch says Session Context Not Found (503) of a session that goes on",
        why: "Devices cannot be moved: the switch does not know its sessions by what the change says.",
        remedy: "Name sessions by what the switch's own requests carry; compare Acct-Session-Id and address letter by letter.",
        check: Check::Reported(session_denied),
    },
    Rule {
        id: "rfc5176-terminate-cause",
        source: rfc(5176, "2.1"),
        severity: Severity::Note,
        title: "the Stop after a Disconnect does not say Admin-Reset (6)",
        why: "Reports show a pulled cable where the server threw a device out.",
        remedy: "Nothing to set; know it when reading reports.",
        check: Check::Reported(terminate_cause),
    },
    Rule {
        id: "rfc5176-authorize-only-state",
        source: rfc(5176, "3.3"),
        severity: Severity::Breach,
        title: "an Authorize-Only request does not bring the State of the change",
        why: "The server cannot join it to the change and grants nothing new.",
        remedy: "Use another change with this switch.",
        check: Check::Asked(authorize_only_state),
    },
];

/// Acct-Terminate-Cause Admin-Reset (RFC 2866 section 5.10).
const ADMIN_RESET: u32 = 6;
/// Reports this soon after an answer may have left before it.
const CROSSING: f64 = 5.0;

fn no_acct_session_id(asked: &Asked<'_>) -> Option<Remark> {
    when(asked.packet.first(a::ACCT_SESSION_ID).is_none(), || {
        "no Acct-Session-Id".to_owned()
    })
}

fn regrant_ignored(reported: &Reported<'_>) -> Option<Remark> {
    let track = reported.granted_track()?;
    let accept = track.accept.as_ref()?;
    let (acked, before) = track.before.as_ref()?;
    if acked.ago(reported.made).as_secs_f64() < CROSSING {
        return None;
    }
    let what = old_vlan(reported, &accept.granted, before)
        .or_else(|| old_filter(reported, &accept.granted, before))?;
    Some(Remark::new(what).beside(acked.packet))
}

fn old_vlan(reported: &Reported<'_>, now: &Granted, before: &Granted) -> Option<String> {
    let vlans = reported.vlans.as_ref().ok()?;
    let untagged = now.other_untagged(vlans);
    if let Some((granted, found)) = untagged
        && before.other_untagged(vlans).is_none()
    {
        return Some(format!("still in VLAN {found}, and not in {granted}"));
    }
    (now.other_tagged(vlans).is_some() && before.other_tagged(vlans).is_none())
        .then(|| "still the old tagged VLANs".to_owned())
}

fn old_filter(reported: &Reported<'_>, now: &Granted, before: &Granted) -> Option<String> {
    let filters = read::values(&reported.packet, a::FILTER_ID);
    let other = now.other_filter(&filters)?;
    before
        .filters
        .contains(other)
        .then(|| format!("still the filter {}", read::quoted(other)))
}

fn session_denied(reported: &Reported<'_>) -> Option<Remark> {
    let denied = reported.track?.denied?;
    let after = denied.ago(reported.made);
    let of_session = matches!(reported.status, Status::Interim | Status::Stop);
    (of_session && after.as_secs_f64() > CROSSING).then(|| {
        let what = format!("reported {} after the refusal", seconds(after));
        Remark::new(what).beside(denied.packet)
    })
}

fn terminate_cause(reported: &Reported<'_>) -> Option<Remark> {
    let (kind, acked) = reported.track?.done?;
    let cause = reported.packet.integer(a::ACCT_TERMINATE_CAUSE)?;
    let soon = acked.ago(reported.made).as_secs_f64() < 30.0;
    let ends = reported.status == Status::Stop && kind == ChangeKind::Disconnect;
    (ends && soon && cause != ADMIN_RESET)
        .then(|| Remark::new(format!("Acct-Terminate-Cause {cause}")).beside(acked.packet))
}

fn authorize_only_state(asked: &Asked<'_>) -> Option<Remark> {
    let authorizes = asked.packet.integer(a::SERVICE_TYPE) == Some(AUTHORIZE_ONLY);
    when(authorizes && asked.packet.first(a::STATE).is_none(), || {
        "Service-Type Authorize-Only and no State".to_owned()
    })
}
