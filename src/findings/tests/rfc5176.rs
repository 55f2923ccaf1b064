use super::case::{Case, case};
use super::script::{INTERIM, Reply, Request, STOP, Script};
use crate::bench::ChangeKind;
use crate::wire::registry::attributes as a;
use crate::wire::{AttributeBuf, vlan};

fn changed(s: &mut Script, kind: ChangeKind, attributes: &[AttributeBuf]) {
    s.admit(&[]);
    s.wait(60.0);
    s.change(kind, attributes);
}

/// A re-authentication that is refused with this cause after so long.
fn refused(s: &mut Script, cause: u32, after: f64) {
    changed(s, ChangeKind::Reauth, &[]);
    s.wait(after);
    s.answer_change(false, Some(cause), |_| {});
}

/// A re-authentication acknowledged with an edited answer, and its request.
fn acked(s: &mut Script, edit: fn(&mut Vec<AttributeBuf>)) {
    changed(s, ChangeKind::Reauth, &[]);
    s.wait(0.01);
    s.answer_change(true, None, edit);
    come_back(s);
}

fn come_back(s: &mut Script) {
    s.wait(0.2);
    let again = s.mac();
    s.send(&again, Reply::Accept(vlan::tunnel_vlan(0, "20").to_vec()));
}

fn good_change(s: &mut Script) {
    acked(s, |_| {});
}

fn drop_kind(attributes: &mut Vec<AttributeBuf>, kind: u8) {
    attributes.retain(|attribute| attribute.kind != kind);
}

pub(super) fn answers() -> Vec<Case> {
    let mut cases = forms();
    cases.extend(causes());
    cases
}

fn forms() -> Vec<Case> {
    vec![
        case(
            "rfc5176-no-answer",
            |s| {
                changed(s, ChangeKind::Reauth, &[]);
                s.wait(2.0);
                s.change_leaves("repeated");
                s.wait(28.0);
                s.give_up();
            },
            good_change,
        ),
        case(
            "rfc5176-late-answer",
            |s| refused(s, 503, 1.5),
            |s| {
                // The first transmission got lost.
                changed(s, ChangeKind::Reauth, &[]);
                s.wait(2.0);
                s.change_leaves("repeated");
                s.wait(0.1);
                s.answer_change(false, Some(503), |_| {});
            },
        ),
        case(
            "rfc5176-bad-response-authenticator",
            |s| stray(s, "dropped-bad-response-authenticator"),
            good_change,
        ),
        case(
            "rfc5176-bad-message-authenticator",
            |s| stray(s, "dropped-bad-message-authenticator"),
            good_change,
        ),
        case(
            "rfc5176-wrong-code",
            |s| stray(s, "dropped-wrong-code"),
            good_change,
        ),
        case(
            "rfc5176-unsealed-answer",
            |s| acked(s, |answer| drop_kind(answer, a::MESSAGE_AUTHENTICATOR)),
            good_change,
        ),
        case(
            "rfc5176-undated-answer",
            |s| acked(s, |answer| drop_kind(answer, a::EVENT_TIMESTAMP)),
            good_change,
        ),
        case(
            "rfc5176-clock-skew",
            |s| acked(s, |answer| shift(answer, 31)),
            |s| acked(s, |answer| shift(answer, 29)),
        ),
        case(
            "rfc5176-state-not-echoed",
            |s| proxied(s, |answer| drop_kind(answer, a::PROXY_STATE)),
            |s| proxied(s, |_| {}),
        ),
        case(
            "rfc5176-took-stale-change",
            |s| dated(s, 301),
            |s| dated(s, 299),
        ),
        case(
            "rfc5176-duplicate-carried-out",
            |s| {
                // The first answer got lost, the session is over.
                changed(s, ChangeKind::Disconnect, &[]);
                s.wait(0.5);
                let report = s.report(STOP).number(a::ACCT_TERMINATE_CAUSE, 6);
                s.send(&report, Reply::Nothing);
                s.wait(1.5);
                s.change_leaves("repeated");
                s.answer_change(false, Some(503), |_| {});
            },
            |s| {
                changed(s, ChangeKind::Disconnect, &[]);
                s.wait(0.5);
                let report = s.report(STOP).number(a::ACCT_TERMINATE_CAUSE, 6);
                s.send(&report, Reply::Nothing);
                s.wait(1.5);
                s.change_leaves("repeated");
                s.answer_change(true, None, |_| {});
            },
        ),
        case(
            "rfc5176-duplicate-carried-out",
            |s| twice(s, 1),
            |s| twice(s, 0),
        ),
    ]
}

/// An acknowledged change whose answer comes twice, the second time with a later clock.
fn twice(s: &mut Script, later: u32) {
    changed(s, ChangeKind::Reauth, &[]);
    let first = s.change_answer(true, None, |_| {});
    let second = s.change_answer(true, None, |answer| shift(answer, later));
    s.change_arrives("acked", first);
    s.wait(0.1);
    s.change_arrives("dropped-late-answer", second);
    come_back(s);
}

fn stray(s: &mut Script, verdict: &str) {
    changed(s, ChangeKind::Reauth, &[]);
    let octets = s.change_answer(true, None, |_| {});
    s.change_arrives(verdict, octets);
    s.answer_change(true, None, |_| {});
    come_back(s);
}

fn shift(answer: &mut [AttributeBuf], seconds: u32) {
    for attribute in answer {
        if attribute.kind == a::EVENT_TIMESTAMP {
            let stamp = attribute.view().integer().unwrap() + seconds;
            attribute.value = stamp.to_be_bytes().to_vec();
        }
    }
}

fn proxied(s: &mut Script, edit: fn(&mut Vec<AttributeBuf>)) {
    let state = AttributeBuf::text(a::PROXY_STATE, "hop 1");
    changed(s, ChangeKind::Reauth, &[state]);
    s.answer_change(true, None, edit);
    come_back(s);
}

/// A change that was dated so many seconds ago and is acknowledged.
fn dated(s: &mut Script, age: u32) {
    // 2026-03-01T10:01:00.5Z by then.
    let stamp = 1_772_359_260 - age;
    changed(
        s,
        ChangeKind::Reauth,
        &[AttributeBuf::integer(a::EVENT_TIMESTAMP, stamp)],
    );
    s.answer_change(true, None, |_| {});
    come_back(s);
}

fn causes() -> Vec<Case> {
    vec![
        case(
            "rfc5176-no-error-cause",
            |s| {
                changed(s, ChangeKind::Reauth, &[]);
                s.answer_change(false, None, |_| {});
            },
            |s| refused(s, 501, 0.1),
        ),
        case(
            "rfc5176-refusal-in-ack",
            |s| {
                changed(s, ChangeKind::Reauth, &[]);
                s.answer_change(true, Some(503), |_| {});
                come_back(s);
            },
            good_change,
        ),
        case(
            "rfc5176-success-in-nak",
            |s| refused(s, 201, 0.1),
            |s| refused(s, 407, 0.1),
        ),
        // RFC 5176 section 3.5: 504 is for Disconnect-NAK, 405 for CoA-NAK.
        case(
            "rfc5176-cause-of-other-request",
            |s| refused(s, 504, 0.1),
            |s| refused(s, 405, 0.1),
        ),
        case(
            "rfc5176-vague-cause",
            |s| refused(s, 404, 0.1),
            |s| refused(s, 401, 0.1),
        ),
        case(
            "rfc5176-wrong-cause",
            |s| refused_after_end(s, 401),
            |s| refused_after_end(s, 503),
        ),
        case(
            "rfc5176-authorize-only-acked",
            |s| authorize_only(s, true, None, |request| request),
            |s| authorize_only(s, false, Some(507), |request| request),
        ),
    ]
}

fn refused_after_end(s: &mut Script, cause: u32) {
    s.admit(&[]);
    s.wait(60.0);
    s.send_report(STOP);
    s.wait(1.0);
    s.change(ChangeKind::Reauth, &[]);
    s.wait(0.1);
    s.answer_change(false, Some(cause), |_| {});
}

/// RFC 5176 section 3.2.
fn authorize_only(s: &mut Script, ack: bool, cause: Option<u32>, edit: fn(Request) -> Request) {
    changed(
        s,
        ChangeKind::Reauth,
        &[
            AttributeBuf::integer(a::SERVICE_TYPE, 17),
            AttributeBuf::text(a::STATE, "order 1"),
        ],
    );
    s.answer_change(ack, cause, |_| {});
    s.wait(0.2);
    let request = s
        .mac()
        .without(a::USER_PASSWORD)
        .number(a::SERVICE_TYPE, 17)
        .with(a::STATE, *b"order 1");
    let request = edit(request);
    s.send(&request, Reply::Accept(vlan::tunnel_vlan(0, "30").to_vec()));
}

pub(super) fn deeds() -> Vec<Case> {
    vec![
        case(
            "rfc5176-no-acct-session-id",
            |s| {
                let request = s.mac().without(a::ACCT_SESSION_ID);
                s.send(&request, Reply::Reject);
            },
            |s| s.admit(&[]),
        ),
        case(
            "rfc5176-disconnect-without-stop",
            |s| {
                changed(s, ChangeKind::Disconnect, &[]);
                s.answer_change(true, None, |_| {});
                s.wait(181.0);
            },
            |s| disconnected(s, 6),
        ),
        case(
            "rfc5176-bounce-without-drop",
            |s| {
                changed(s, ChangeKind::Bounce, &[]);
                s.answer_change(true, None, |_| {});
                s.wait(181.0);
            },
            |s| {
                changed(s, ChangeKind::Bounce, &[]);
                s.answer_change(true, None, |_| {});
                s.wait(1.0);
                s.send_report(STOP);
                s.wait(120.0);
            },
        ),
        case(
            "rfc5176-reauth-without-request",
            |s| {
                changed(s, ChangeKind::Reauth, &[]);
                s.answer_change(true, None, |_| {});
                s.wait(181.0);
            },
            |s| {
                good_change(s);
                s.wait(181.0);
            },
        ),
        case(
            "rfc5176-regrant-ignored",
            |s| regranted(s, b"20"),
            |s| regranted(s, b"30"),
        ),
        case(
            "rfc5176-session-denied",
            |s| {
                refused(s, 503, 0.1);
                s.wait(60.0);
                s.send_report(INTERIM);
            },
            |s| {
                refused(s, 503, 0.1);
                s.wait(2.0);
                s.send_report(STOP);
            },
        ),
        case(
            "rfc5176-terminate-cause",
            |s| disconnected(s, 1),
            |s| disconnected(s, 6),
        ),
        case(
            "rfc5176-authorize-only-state",
            |s| authorize_only(s, false, Some(507), |request| request.without(a::STATE)),
            |s| authorize_only(s, false, Some(507), |request| request),
        )
        .also(&["rfc2865-no-credentials"]),
    ]
}

fn disconnected(s: &mut Script, cause: u32) {
    changed(s, ChangeKind::Disconnect, &[]);
    s.answer_change(true, None, |_| {});
    s.wait(0.2);
    let report = s.report(STOP).number(a::ACCT_TERMINATE_CAUSE, cause);
    s.send(&report, Reply::Nothing);
    s.wait(181.0);
}

/// VLAN 30 in place of 20, acknowledged, and an interim with this one.
fn regranted(s: &mut Script, reported: &'static [u8]) {
    let vlan = vlan::tunnel_vlan(0, "30");
    changed(s, ChangeKind::Regrant, &vlan);
    s.answer_change(true, None, |_| {});
    s.wait(300.0);
    let report = s.report(INTERIM).set(a::TUNNEL_PRIVATE_GROUP_ID, reported);
    s.send(&report, Reply::Nothing);
}
