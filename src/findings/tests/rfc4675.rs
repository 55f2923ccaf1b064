//! RFC 4675, and its small neighbours RFC 4849, RFC 5997 and RFC 8044.

use super::case::{Case, case};
use super::script::{Reply, Request, START, Script, Seal};
use crate::wire::registry::attributes as a;
use crate::wire::{AttributeBuf, Code, vlan};

pub(super) fn cases() -> Vec<Case> {
    vec![
        case(
            "rfc4675-layout",
            |s| reported(s, |report| report.with(a::EGRESS_VLANID, [0x33, 0, 0, 20])),
            |s| reported(s, |report| report),
        ),
        case(
            "rfc4675-layout-in-request",
            |s| {
                asked(s, |request| {
                    request.with(a::EGRESS_VLANID, [0x31, 0, 0x0f, 0xff])
                });
            },
            |s| {
                asked(s, |request| {
                    request.with(a::EGRESS_VLANID, [0x31, 0, 0x0f, 0xfe])
                });
            },
        ),
        case(
            "rfc4675-priority-in-request",
            |s| {
                asked(s, |request| {
                    request.with(a::USER_PRIORITY_TABLE, [0, 1, 2, 3, 4, 5, 6, 7])
                });
            },
            |s| s.admit(&[vlan::user_priority_table([0, 1, 2, 3, 4, 5, 6, 7])]),
        ),
        case(
            "rfc4675-tagged-contradicted",
            |s| reported(s, |report| report.set(a::EGRESS_VLANID, [0x31, 0, 0, 41])),
            |s| reported(s, |report| report.without(a::EGRESS_VLANID)),
        ),
        case(
            "rfc4849-filter-rule-in-request",
            |s| {
                asked(s, |request| {
                    request.with(a::NAS_FILTER_RULE, *b"permit in ip from any to any")
                });
            },
            |s| {
                s.admit(&[AttributeBuf::text(
                    a::NAS_FILTER_RULE,
                    "permit in ip from any to any",
                )]);
            },
        ),
        case(
            "rfc5997-unsealed-status",
            |s| {
                let status = status_server(s).seal(Seal::None);
                s.dropped(&status, "dropped-missing-message-authenticator");
            },
            |s| {
                let status = status_server(s);
                s.send(&status, Reply::Accept(Vec::new()));
            },
        ),
        case(
            "rfc8044-length",
            |s| asked(s, |request| request.set(a::NAS_PORT, [0, 7])),
            |s| asked(s, |request| request.with(a::CONNECT_INFO, *b"10")),
        ),
        case(
            "rfc8044-text",
            |s| asked(s, |request| request.set(a::NAS_PORT_ID, [0x37, 0xff])),
            |s| {
                asked(s, |request| {
                    request.set(a::NAS_PORT_ID, "Kai 7 Süd".as_bytes())
                });
            },
        ),
    ]
}

fn status_server(s: &mut Script) -> Request {
    s.mac().without(a::USER_PASSWORD).code(Code::STATUS_SERVER)
}

fn asked(s: &mut Script, edit: fn(Request) -> Request) {
    let request = edit(s.mac());
    s.send(&request, Reply::Reject);
}

/// A Start of a session with VLAN 40 tagged.
fn reported(s: &mut Script, edit: fn(Request) -> Request) {
    let request = s.mac();
    s.send(&request, Reply::Accept(vec![vlan::egress_vlan(40, true)]));
    s.wait(0.5);
    let report = edit(s.report(START));
    s.send(&report, Reply::Nothing);
}
