use super::case::{Case, case};
use super::script::{INTERIM, OFF, ON, Reply, Request, START, STOP, Script};
use crate::wire::registry::attributes as a;

pub(super) fn cases() -> Vec<Case> {
    let mut cases = attributes();
    cases.extend(sessions());
    cases
}

/// An accept, and a Start that was edited.
fn started(s: &mut Script, edit: fn(Request) -> Request) {
    let request = s.mac();
    s.send(&request, Reply::Accept(Vec::new()));
    s.wait(0.5);
    let report = edit(s.report(START));
    s.send(&report, Reply::Nothing);
}

/// A session of a minute, and a Stop that was edited.
fn stopped(s: &mut Script, edit: fn(Request) -> Request) {
    s.admit(&[]);
    s.wait(60.0);
    let report = edit(s.report(STOP));
    s.send(&report, Reply::Nothing);
}

fn good_session(s: &mut Script) {
    s.send_report(ON);
    s.wait(1.0);
    s.admit(&[]);
    s.wait(600.0);
    s.send_report(INTERIM);
    s.wait(600.0);
    s.leave();
    s.admit(&[]);
}

fn attributes() -> Vec<Case> {
    vec![
        case(
            "rfc2866-bad-authenticator",
            |s| {
                let report = s.report(START);
                s.dropped(&report, "dropped-bad-accounting-authenticator");
            },
            good_session,
        ),
        case(
            "rfc2866-no-status-type",
            |s| {
                let report = s.report(START).without(a::ACCT_STATUS_TYPE);
                s.dropped(&report, "dropped-no-status-type");
            },
            good_session,
        ),
        case(
            "rfc2866-forbidden-attribute",
            |s| started(s, |report| report.with(a::REPLY_MESSAGE, *b"welcome")),
            good_session,
        ),
        case(
            "rfc2866-no-session-id",
            |s| started(s, |report| report.without(a::ACCT_SESSION_ID)),
            good_session,
        ),
        case(
            "rfc2866-session-id-changed",
            |s| started(s, |report| report.set(a::ACCT_SESSION_ID, *b"quay-3-9999")),
            |s| s.admit(&[]),
        ),
        case(
            "rfc2866-no-nas-identity",
            |s| {
                started(s, |report| {
                    report.without(a::NAS_IP_ADDRESS).without(a::NAS_IDENTIFIER)
                });
            },
            |s| started(s, |report| report.without(a::NAS_IDENTIFIER)),
        ),
        case(
            "rfc2866-no-port",
            |s| {
                started(s, |report| {
                    report.without(a::NAS_PORT).without(a::NAS_PORT_ID)
                });
            },
            |s| started(s, |report| report.without(a::NAS_PORT)),
        ),
        case(
            "rfc2866-other-port",
            |s| started(s, |report| report.number(a::NAS_PORT, 9)),
            |s| started(s, |report| report.without(a::NAS_PORT)),
        ),
        case(
            "rfc2866-no-user-name",
            |s| started(s, |report| report.without(a::USER_NAME)),
            |s| s.send_report(ON),
        ),
        case(
            "rfc2866-no-acct-authentic",
            |s| started(s, |report| report.without(a::ACCT_AUTHENTIC)),
            |s| s.send_report(OFF),
        ),
        case(
            "rfc2866-no-session-time",
            |s| stopped(s, |report| report.without(a::ACCT_SESSION_TIME)),
            |s| stopped(s, |report| report),
        ),
        case(
            "rfc2866-session-time-wrong",
            |s| stopped(s, |report| report.number(a::ACCT_SESSION_TIME, 40)),
            |s| stopped(s, |report| report.number(a::ACCT_SESSION_TIME, 52)),
        ),
        case(
            "rfc2866-no-terminate-cause",
            |s| stopped(s, |report| report.without(a::ACCT_TERMINATE_CAUSE)),
            |s| stopped(s, |report| report),
        ),
    ]
}

fn sessions() -> Vec<Case> {
    vec![
        case(
            "rfc2866-session-id-reused",
            |s| {
                s.admit(&[]);
                s.wait(60.0);
                s.send_report(STOP);
                s.wait(10.0);
                s.admit(&[]);
            },
            |s| {
                s.admit(&[]);
                s.wait(60.0);
                s.leave();
                s.admit(&[]);
            },
        ),
        case(
            "rfc2866-counters-went-back",
            |s| {
                s.admit(&[]);
                s.wait(600.0);
                s.send_report(INTERIM);
                s.wait(600.0);
                let report = s.report(STOP).number(a::ACCT_INPUT_OCTETS, 1000);
                s.send(&report, Reply::Nothing);
            },
            |s| {
                // RFC 2869 section 5.1: what wraps goes on in Gigawords.
                s.admit(&[]);
                s.wait(600.0);
                s.send_report(INTERIM);
                s.wait(600.0);
                let report = s
                    .report(STOP)
                    .number(a::ACCT_INPUT_OCTETS, 10)
                    .number(a::ACCT_INPUT_GIGAWORDS, 1);
                s.send(&report, Reply::Nothing);
            },
        ),
        case(
            "rfc2866-no-start",
            |s| {
                s.send_report(ON);
                let request = s.mac();
                s.send(&request, Reply::Accept(Vec::new()));
                s.wait(30.0);
                s.send_report(INTERIM);
                s.wait(31.0);
            },
            |s| {
                // A switch without accounting owes none.
                let request = s.mac();
                s.send(&request, Reply::Accept(Vec::new()));
                s.wait(61.0);
            },
        ),
        case(
            "rfc2866-second-start",
            |s| {
                s.admit(&[]);
                s.wait(30.0);
                s.send_report(START);
            },
            |s| {
                let request = s.mac();
                s.send(&request, Reply::Accept(Vec::new()));
                let start = s.report(START);
                s.send(&start, Reply::Nothing);
                s.wait(2.0);
                s.send(&start, Reply::Nothing);
            },
        ),
        // One accept may get lost, three do not.
        case(
            "rfc2866-no-start",
            |s| silent_sessions(s, 3),
            |s| silent_sessions(s, 2),
        ),
        case(
            "rfc2866-stop-without-start",
            |s| {
                let request = s.mac();
                s.send(&request, Reply::Accept(Vec::new()));
                s.wait(30.0);
                let report = s.report(STOP).without(a::ACCT_SESSION_TIME);
                let report = report.number(a::ACCT_SESSION_TIME, 30);
                s.send(&report, Reply::Nothing);
            },
            |s| {
                // Its accept is from before the journal began.
                let report = s.report(STOP).number(a::ACCT_SESSION_TIME, 30);
                s.send(&report, Reply::Nothing);
            },
        ),
        case(
            "rfc2866-no-stop",
            |s| {
                s.admit(&[]);
                s.wait(60.0);
                s.next_session();
                s.admit(&[]);
                s.wait(301.0);
            },
            |s| {
                // A switch that restarted has forgotten its sessions.
                s.admit(&[]);
                s.wait(60.0);
                s.send_report(ON);
                s.wait(1.0);
                s.next_session();
                s.admit(&[]);
                s.wait(301.0);
            },
        ),
        case(
            "rfc2866-no-accounting-on",
            |s| {
                s.send_report(OFF);
                s.wait(90.0);
                s.admit(&[]);
            },
            |s| {
                s.send_report(OFF);
                s.wait(90.0);
                s.send_report(ON);
                s.wait(1.0);
                s.admit(&[]);
            },
        ),
        case(
            "rfc2866-delay-with-old-identifier",
            |s| repeated_with_delay(s, |first, again| again.identifier_of(first)),
            |s| repeated_with_delay(s, |_, again| again),
        ),
    ]
}

/// Accepts of which nothing more is heard, on a switch that does accounting.
fn silent_sessions(s: &mut Script, sessions: u32) {
    s.send_report(ON);
    for _ in 0..sessions {
        let request = s.mac();
        s.send(&request, Reply::Accept(Vec::new()));
        s.wait(61.0);
        s.next_session();
    }
}

fn repeated_with_delay(s: &mut Script, edit: fn(&Request, Request) -> Request) {
    let first = s.report(START).number(a::ACCT_DELAY_TIME, 0);
    s.send(&first, Reply::Nothing);
    let again = s.report(START).number(a::ACCT_DELAY_TIME, 3);
    s.wait(3.0);
    s.send(&edit(&first, again), Reply::Nothing);
}
