use super::case::{Case, case};
use super::script::{INTERIM, Reply, Request, START, STOP, Script};
use crate::wire::AttributeBuf;
use crate::wire::registry::attributes as a;

pub(super) fn cases() -> Vec<Case> {
    vec![
        case(
            "rfc2869-no-port",
            |s| {
                let request = s.mac().without(a::NAS_PORT).without(a::NAS_PORT_ID);
                s.send(&request, Reply::Accept(Vec::new()));
            },
            |s| s.admit(&[]),
        ),
        case(
            "rfc2869-no-event-timestamp",
            |s| started(s, |report| report.without(a::EVENT_TIMESTAMP)),
            |s| {
                started(s, |report| {
                    report
                        .without(a::EVENT_TIMESTAMP)
                        .number(a::ACCT_DELAY_TIME, 0)
                });
            },
        ),
        case("rfc2869-clock-skew", |s| clock(s, -40), |s| clock(s, -20)),
        case("rfc2869-clock-skew", |s| clock(s, 40), |s| clock(s, 20)),
        case(
            "rfc2869-interim-ignored",
            |s| {
                s.admit(&[AttributeBuf::integer(a::ACCT_INTERIM_INTERVAL, 600)]);
                s.wait(1261.0);
            },
            |s| {
                s.admit(&[AttributeBuf::integer(a::ACCT_INTERIM_INTERVAL, 600)]);
                s.wait(650.0);
                s.send_report(INTERIM);
                s.wait(300.0);
                s.send_report(STOP);
                s.wait(2000.0);
            },
        ),
        case(
            "rfc2869-interim-too-often",
            |s| interims(s, 10.0),
            |s| interims(s, 60.0),
        ),
    ]
}

fn started(s: &mut Script, edit: fn(Request) -> Request) {
    let request = s.mac();
    s.send(&request, Reply::Accept(Vec::new()));
    s.wait(0.5);
    let report = edit(s.report(START));
    s.send(&report, Reply::Nothing);
}

/// A Start by a clock that is off by so many seconds.
fn clock(s: &mut Script, off: i32) {
    let request = s.mac();
    s.send(&request, Reply::Accept(Vec::new()));
    s.wait(0.5);
    let report = s.report(START);
    // 2026-03-01T10:00:00Z
    let stamp = 1_772_359_200u32.saturating_add_signed(off);
    s.send(&report.number(a::EVENT_TIMESTAMP, stamp), Reply::Nothing);
}

fn interims(s: &mut Script, apart: f64) {
    s.admit(&[]);
    for _ in 0..3 {
        s.wait(apart);
        s.send_report(INTERIM);
    }
}
