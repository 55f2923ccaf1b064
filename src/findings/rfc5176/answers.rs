//! How a switch answers changes.

use std::time::Duration;

use crate::findings::agenda::Duty;
use crate::findings::read::{self, AUTHORIZE_ONLY, between, seconds};
use crate::findings::rule::{Check, Remark, Rule, Severity, rfc, rfc_from_memory};
use crate::findings::seen::{Answered, Stray};
use crate::journal::Link;
use crate::wire::registry::ErrorCause;
use crate::wire::registry::attributes as a;
use crate::wire::{Code, Packet};

pub(in crate::findings) const ANSWERS: &[Rule] = &[
    Rule {
        id: "rfc5176-no-answer",
        source: rfc_from_memory(5176, "2.1"),
        severity: Severity::Breach,
        title: "a change got no answer",
        why: "A device stays in its holding class until somebody pulls the cable.",
        remedy: "Allow changes from the server's address on UDP 3799, with the same secret; check source address and filters on the way.",
        check: Check::Missed(Duty::Answer),
    },
    Rule {
        id: "rfc5176-late-answer",
        source: rfc(5176, "2.3"),
        severity: Severity::Weakness,
        title: "a change is answered more than a second after it was sent",
        why: "Servers repeat or give up, and a change counts as failed that was carried out.",
        remedy: "Look at the load of the switch; let it answer before it acts.",
        check: Check::Answered(late_answer),
    },
    Rule {
        id: "rfc5176-bad-response-authenticator",
        source: rfc(5176, "2.3"),
        severity: Severity::Breach,
        title: "the answer to a change has a wrong Response Authenticator",
        why: "The server drops it and repeats the change.",
        remedy: "Set the secret for changes the same on both sides; some switches keep it apart from the RADIUS secret.",
        check: Check::Stray(bad_response_authenticator),
    },
    Rule {
        id: "rfc5176-bad-message-authenticator",
        source: rfc(5176, "3.4"),
        severity: Severity::Breach,
        title: "the answer to a change has a wrong Message-Authenticator",
        why: "The server drops it and repeats the change.",
        remedy: "Update the switch: the answer is sealed with the authenticator of the request.",
        check: Check::Stray(bad_message_authenticator),
    },
    Rule {
        id: "rfc5176-wrong-code",
        source: rfc(5176, "2.3"),
        severity: Severity::Breach,
        title: "a change is answered with the code of another request",
        why: "The server drops it and repeats the change.",
        remedy: "Report it to the switch's maker.",
        check: Check::Stray(wrong_code),
    },
    Rule {
        id: "rfc5176-unsealed-answer",
        source: rfc(5176, "3.4"),
        severity: Severity::Weakness,
        title: "the answer to a sealed change has no Message-Authenticator",
        why: "An answer can be forged: the server believes that a device was moved that was not.",
        remedy: "Turn on Message-Authenticator for dynamic authorization; update the switch where it cannot.",
        check: Check::Answered(unsealed_answer),
    },
    Rule {
        id: "rfc5176-undated-answer",
        source: rfc(5176, "6.3"),
        severity: Severity::Note,
        title: "the answer to a dated change has no Event-Timestamp",
        why: "An old answer can be played back.",
        remedy: "Turn on Event-Timestamp for dynamic authorization where the switch has it.",
        check: Check::Answered(undated_answer),
    },
    Rule {
        id: "rfc5176-clock-skew",
        source: rfc(5176, "6.3"),
        severity: Severity::Weakness,
        title: "Event-Timestamp of an answer is off by more than 30 s",
        why: "Past 300 s the switch drops changes as stale, and devices stay where they are.",
        remedy: "Set NTP on the switch.",
        check: Check::Answered(clock_skew),
    },
    Rule {
        id: "rfc5176-state-not-echoed",
        source: rfc(5176, "3.3"),
        severity: Severity::Breach,
        title: "State or Proxy-State of a change does not come back",
        why: "A proxy cannot send the answer on, or the server cannot join it to the change.",
        remedy: "Report it to the switch's maker.",
        check: Check::Answered(state_not_echoed),
    },
    Rule {
        id: "rfc5176-no-error-cause",
        source: rfc_from_memory(5176, "3.5"),
        severity: Severity::Weakness,
        title: "a NAK without Error-Cause",
        why: "Nobody can tell a gone session from a missing VLAN: every refusal is a hunt.",
        remedy: "Update the switch; until then look into its log.",
        check: Check::Answered(no_error_cause),
    },
    Rule {
        id: "rfc5176-refusal-in-ack",
        source: rfc(5176, "3.5"),
        severity: Severity::Breach,
        title: "an ACK with an Error-Cause of a refusal",
        why: "It says yes and no: servers differ in what they believe.",
        remedy: "Report it to the switch's maker.",
        check: Check::Answered(refusal_in_ack),
    },
    Rule {
        id: "rfc5176-success-in-nak",
        source: rfc(5176, "3.5"),
        severity: Severity::Breach,
        title: "a NAK with an Error-Cause of a success",
        why: "It says no and yes: servers differ in what they believe.",
        remedy: "Report it to the switch's maker.",
        check: Check::Answered(success_in_nak),
    },
    Rule {
        id: "rfc5176-cause-of-other-request",
        source: rfc(5176, "3.5"),
        severity: Severity::Breach,
        title: "an Error-Cause that this kind of answer cannot have",
        why: "The reason given is not the reason: whoever mends the configuration looks in the wrong place.",
        remedy: "Report it to the switch's maker.",
        check: Check::Answered(cause_of_other_request),
    },
    Rule {
        id: "rfc5176-vague-cause",
        source: rfc(5176, "3.5"),
        severity: Severity::Note,
        title: "a NAK says Invalid Request (404)",
        why: "It names nothing to mend: there are causes for unknown attributes, values and sessions.",
        remedy: "Compare the change with the attributes that the switch's documentation lists.",
        check: Check::Answered(vague_cause),
    },
    Rule {
        id: "rfc5176-wrong-cause",
        source: rfc(5176, "3.5"),
        severity: Severity::Weakness,
        title: "a NAK for a session that is over does not say so (503)",
        why: "The server takes a device that left for one that cannot be moved, and tries on.",
        remedy: "Report it to the switch's maker; until then treat any refusal of that switch as 503.",
        check: Check::Answered(wrong_cause),
    },
    Rule {
        id: "rfc5176-authorize-only-acked",
        source: rfc(5176, "3.2"),
        severity: Severity::Breach,
        title: "an Authorize-Only change is acknowledged",
        why: "Its answer is always a NAK with 507 and a request that follows: an ACK promises what does not come.",
        remedy: "Use another change with this switch.",
        check: Check::Answered(authorize_only_acked),
    },
    Rule {
        id: "rfc5176-took-stale-change",
        source: rfc(5176, "6.3"),
        severity: Severity::Weakness,
        title: "a change older than 300 s is acknowledged",
        why: "Who recorded a bounce once can play it back every day.",
        remedy: "Turn on the check of Event-Timestamp on the switch, and NTP.",
        check: Check::Answered(took_stale_change),
    },
    Rule {
        id: "rfc5176-duplicate-carried-out",
        source: rfc(5176, "2.3"),
        severity: Severity::Breach,
        title: "a repetition of a change is treated as a new one",
        why: "A lost answer bounces the port twice, or turns a success into a refusal.",
        remedy: "Report it to the switch's maker: a repetition gets the same answer and nothing more.",
        check: Check::Answered(duplicate_carried_out),
    },
];

/// An answer later than this is late: the server's first wait is 2 s (RFC 5080 section 2.2.1).
const IN_TIME: Duration = Duration::from_secs(1);
/// Clocks may differ by this much before it is told.
const TOLERANCE: Duration = Duration::from_secs(30);
/// The window of Event-Timestamp (RFC 5176 section 6.3).
const WINDOW: Duration = Duration::from_secs(300);

fn late_answer(answered: &Answered<'_>) -> Option<Remark> {
    let exchange = answered.exchange;
    if exchange.answer.is_some() {
        return None;
    }
    let after = exchange.last.ago(answered.at);
    (after > IN_TIME).then(|| {
        let what = format!("{} after it was sent last", seconds(after));
        Remark::new(what).beside(exchange.last.packet)
    })
}

fn bad_response_authenticator(stray: &Stray<'_>) -> Option<Remark> {
    (stray.verdict == "dropped-bad-response-authenticator")
        .then(|| Remark::new("the secret differs, or somebody else answered"))
}

fn bad_message_authenticator(stray: &Stray<'_>) -> Option<Remark> {
    let ours = stray.link == Link::Change && stray.verdict == "dropped-bad-message-authenticator";
    ours.then(|| Remark::new("Response Authenticator right, Message-Authenticator wrong"))
}

fn wrong_code(stray: &Stray<'_>) -> Option<Remark> {
    let ours = stray.link == Link::Change && stray.verdict == "dropped-wrong-code";
    ours.then(|| Remark::new(stray.reason))
}

fn unsealed_answer(answered: &Answered<'_>) -> Option<Remark> {
    lacks(answered, a::MESSAGE_AUTHENTICATOR)
}

fn undated_answer(answered: &Answered<'_>) -> Option<Remark> {
    lacks(answered, a::EVENT_TIMESTAMP)
}

/// An attribute that the request had and the answer has not.
fn lacks(answered: &Answered<'_>, kind: u8) -> Option<Remark> {
    let missing = answered.request.first(kind).is_some() && answered.packet.first(kind).is_none();
    missing.then(|| {
        Remark::new(format!(
            "{} without {}",
            answered.packet.code(),
            read::name(kind)
        ))
        .beside(answered.exchange.first.packet)
    })
}

fn clock_skew(answered: &Answered<'_>) -> Option<Remark> {
    let stamp = read::stamp(&answered.packet)?;
    let (ahead, behind) = (between(answered.at, stamp), between(stamp, answered.at));
    let (off, way) = if ahead > behind {
        (ahead, "ahead")
    } else {
        (behind, "behind")
    };
    (off > TOLERANCE).then(|| Remark::new(format!("{} {way}", seconds(off))))
}

fn state_not_echoed(answered: &Answered<'_>) -> Option<Remark> {
    let values = |packet: &Packet<'_>, kind| read::values(packet, kind);
    let kind = [a::STATE, a::PROXY_STATE].into_iter().find(|kind| {
        let given = values(&answered.request, *kind);
        !given.is_empty() && values(&answered.packet, *kind) != given
    })?;
    let what = format!("{} did not come back as it was", read::name(kind));
    Some(Remark::new(what).beside(answered.exchange.first.packet))
}

fn cause(packet: &Packet<'_>) -> Option<ErrorCause> {
    packet.integer(a::ERROR_CAUSE).map(ErrorCause)
}

fn is_ack(code: Code) -> bool {
    matches!(code, Code::COA_ACK | Code::DISCONNECT_ACK)
}

fn no_error_cause(answered: &Answered<'_>) -> Option<Remark> {
    let nak = !is_ack(answered.packet.code());
    (nak && cause(&answered.packet).is_none())
        .then(|| Remark::new(format!("{} without a cause", answered.packet.code())))
}

fn refusal_in_ack(answered: &Answered<'_>) -> Option<Remark> {
    let cause = cause(&answered.packet)?;
    (is_ack(answered.packet.code()) && cause.0 >= 400)
        .then(|| Remark::new(format!("{} with {cause}", answered.packet.code())))
}

fn success_in_nak(answered: &Answered<'_>) -> Option<Remark> {
    let cause = cause(&answered.packet)?;
    let success = (200..300).contains(&cause.0);
    (!is_ack(answered.packet.code()) && success)
        .then(|| Remark::new(format!("{} with {cause}", answered.packet.code())))
}

fn cause_of_other_request(answered: &Answered<'_>) -> Option<Remark> {
    let code = answered.packet.code();
    let cause = cause(&answered.packet)?;
    // The wrong hundreds have rules of their own.
    let hundreds = if is_ack(code) {
        (200..300).contains(&cause.0)
    } else {
        cause.0 >= 400
    };
    (hundreds && !cause.allowed_in(code)).then(|| Remark::new(format!("{code} with {cause}")))
}

fn vague_cause(answered: &Answered<'_>) -> Option<Remark> {
    let cause = cause(&answered.packet)?;
    (cause == ErrorCause::INVALID_REQUEST && !is_ack(answered.packet.code()))
        .then(|| Remark::new(format!("{cause}")).beside(answered.exchange.first.packet))
}

fn wrong_cause(answered: &Answered<'_>) -> Option<Remark> {
    let cause = cause(&answered.packet)?;
    let stop = answered.track?.stop?;
    let was_over = stop.at < answered.exchange.first.at;
    let refused = !is_ack(answered.packet.code()) && cause.0 >= 400;
    (was_over && refused && cause != ErrorCause::SESSION_CONTEXT_NOT_FOUND)
        .then(|| Remark::new(format!("{cause}, and the session was over")).beside(stop.packet))
}

fn authorize_only_acked(answered: &Answered<'_>) -> Option<Remark> {
    let asked = answered.request.integer(a::SERVICE_TYPE) == Some(AUTHORIZE_ONLY);
    (asked && is_ack(answered.packet.code())).then(|| {
        Remark::new("CoA-ACK to Service-Type Authorize-Only").beside(answered.exchange.first.packet)
    })
}

fn took_stale_change(answered: &Answered<'_>) -> Option<Remark> {
    let stamp = read::stamp(&answered.request)?;
    let age = between(stamp, answered.at);
    (is_ack(answered.packet.code()) && age > WINDOW).then(|| {
        Remark::new(format!("{} old", seconds(age))).beside(answered.exchange.first.packet)
    })
}

/// Shown by two answers that differ, or by a refusal because the first transmission had its
/// effect.
fn duplicate_carried_out(answered: &Answered<'_>) -> Option<Remark> {
    let exchange = answered.exchange;
    if let Some((moment, octets)) = &exchange.answer {
        return (octets.as_slice() != answered.packet.bytes())
            .then(|| Remark::new("another answer to the same request").beside(moment.packet));
    }
    let gone = cause(&answered.packet) == Some(ErrorCause::SESSION_CONTEXT_NOT_FOUND);
    let stop = answered.track?.stop?;
    let meanwhile = stop.at >= exchange.first.at && exchange.sent > 1;
    (gone && meanwhile && answered.packet.code() == Code::DISCONNECT_NAK).then(|| {
        Remark::new("the first transmission ended the session, the repetition is refused")
            .beside(stop.packet)
    })
}
