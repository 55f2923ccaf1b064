use super::case::{Case, case};
use super::script::{INTERIM, Reply, Request, START, STOP, Script};
use crate::wire::registry::attributes as a;
use crate::wire::{AttributeBuf, vlan};

pub(super) fn cases() -> Vec<Case> {
    let mut cases = requests();
    cases.extend(grants());
    cases
}

fn asked(s: &mut Script, edit: fn(Request) -> Request) {
    let request = edit(s.mac());
    s.send(&request, Reply::Reject);
}

fn requests() -> Vec<Case> {
    vec![
        case(
            "rfc3580-no-calling-station-id",
            |s| asked(s, |request| request.without(a::CALLING_STATION_ID)),
            |s| s.admit(&[]),
        ),
        case(
            "rfc3580-calling-station-id-no-address",
            |s| asked(s, |request| request.set(a::CALLING_STATION_ID, *b"port 7")),
            |s| s.admit(&[]),
        ),
        case(
            "rfc3580-calling-station-id-form",
            |s| {
                asked(s, |request| {
                    request.set(a::CALLING_STATION_ID, *b"02:00:5e:00:00:07")
                });
            },
            |s| s.admit(&[]),
        ),
        case(
            "rfc3580-no-called-station-id",
            |s| asked(s, |request| request.without(a::CALLED_STATION_ID)),
            |s| s.admit(&[]),
        ),
        case(
            "rfc3580-called-station-id-form",
            |s| {
                asked(s, |request| {
                    request.set(a::CALLED_STATION_ID, *b"02005e00ff07")
                });
            },
            |s| {
                // RFC 3580 section 3.20: a name may follow after a colon.
                asked(s, |request| {
                    request.set(a::CALLED_STATION_ID, *b"02-00-5E-00-FF-07:quay")
                });
            },
        ),
        case(
            "rfc3580-no-nas-port-type",
            |s| asked(s, |request| request.without(a::NAS_PORT_TYPE)),
            |s| s.admit(&[]),
        ),
        case(
            "rfc3580-nas-port-type",
            |s| asked(s, |request| request.number(a::NAS_PORT_TYPE, 19)),
            |s| s.admit(&[]),
        ),
        case(
            "rfc3580-service-type-mac",
            |s| asked(s, |request| request.number(a::SERVICE_TYPE, 2)),
            |s| s.admit(&[]),
        ),
        case(
            "rfc3580-service-type-eap",
            |s| {
                let request = s.identity().without(a::SERVICE_TYPE);
                s.send(&request, Reply::Reject);
            },
            |s| {
                let request = s.identity().number(a::SERVICE_TYPE, 8);
                s.send(&request, Reply::Reject);
            },
        ),
        case(
            "rfc3580-address-mismatch",
            |s| asked(s, |request| request.set(a::USER_NAME, *b"02005e000008")),
            |s| {
                asked(s, |request| {
                    request.set(a::USER_NAME, *b"02-00-5E-00-00-07")
                });
            },
        ),
    ]
}

fn timed(action: u32) -> [AttributeBuf; 2] {
    [
        AttributeBuf::integer(a::SESSION_TIMEOUT, 600),
        AttributeBuf::integer(a::TERMINATION_ACTION, action),
    ]
}

fn grants() -> Vec<Case> {
    vec![
        case(
            "rfc3580-session-timeout-no-reauthentication",
            |s| {
                s.admit(&timed(1));
                s.wait(721.0);
            },
            |s| {
                s.admit(&timed(1));
                s.wait(599.5);
                let again = s.mac();
                s.send(&again, Reply::Accept(vlan::tunnel_vlan(0, "20").to_vec()));
                s.wait(1000.0);
            },
        ),
        case(
            "rfc3580-session-timeout-no-end",
            |s| {
                s.admit(&timed(0));
                s.wait(400.0);
                s.send_report(INTERIM);
                s.wait(400.0);
                s.send_report(INTERIM);
            },
            |s| {
                s.admit(&timed(0));
                s.wait(600.0);
                let report = s.report(STOP).number(a::ACCT_TERMINATE_CAUSE, 5);
                s.send(&report, Reply::Nothing);
                s.wait(400.0);
            },
        ),
        case(
            "rfc3580-reauthentication-early",
            |s| reauthenticated(s, &[300.0, 300.0]),
            |s| reauthenticated(s, &[300.0, 600.0, 450.0]),
        ),
        case(
            "rfc3580-session-end-early",
            |s| ended(s, 300.0),
            |s| ended(s, 600.0),
        ),
        case(
            "rfc3580-termination-action-ignored",
            |s| {
                s.admit(&timed(1));
                s.wait(600.0);
                let report = s.report(STOP).number(a::ACCT_TERMINATE_CAUSE, 5);
                s.send(&report, Reply::Nothing);
            },
            |s| {
                s.admit(&timed(1));
                s.wait(300.0);
                s.send_report(STOP);
            },
        ),
        case(
            "rfc3580-vlan-contradicted",
            |s| reported_vlan(s, b"30"),
            // Only the switch knows what a name stands for.
            |s| reported_vlan(s, b"tills"),
        ),
        case(
            "rfc3580-vlan-reported-wrong",
            |s| reported_vlan(s, b"4095"),
            |s| reported_vlan(s, b"20"),
        ),
        case(
            "rfc3580-vlan-reported-wrong",
            |s| started(s, |report| report.without(a::TUNNEL_MEDIUM_TYPE)),
            |s| {
                started(s, |report| {
                    report
                        .without(a::TUNNEL_TYPE)
                        .without(a::TUNNEL_MEDIUM_TYPE)
                        .without(a::TUNNEL_PRIVATE_GROUP_ID)
                });
            },
        ),
        case(
            "rfc3580-accounting-without-device",
            |s| started(s, |report| report.without(a::CALLING_STATION_ID)),
            |s| s.admit(&[]),
        ),
    ]
}

/// A session that is let in again after each of these waits.
fn reauthenticated(s: &mut Script, waits: &[f64]) {
    s.admit(&timed(1));
    for wait in waits {
        s.wait(*wait);
        let again = s.mac();
        let mut grant = vlan::tunnel_vlan(0, "20").to_vec();
        grant.extend(timed(1));
        s.send(&again, Reply::Accept(grant));
    }
}

/// A session that ends for Session-Timeout, which was 600 s.
fn ended(s: &mut Script, after: f64) {
    s.admit(&timed(0));
    s.wait(after);
    let report = s.report(STOP).number(a::ACCT_TERMINATE_CAUSE, 5);
    s.send(&report, Reply::Nothing);
}

fn started(s: &mut Script, edit: fn(Request) -> Request) {
    let request = s.mac();
    s.send(&request, Reply::Accept(vlan::tunnel_vlan(0, "20").to_vec()));
    s.wait(0.5);
    let report = edit(s.report(START));
    s.send(&report, Reply::Nothing);
}

fn reported_vlan(s: &mut Script, vlan: &'static [u8]) {
    let request = s.mac();
    s.send(&request, Reply::Accept(vlan::tunnel_vlan(0, "20").to_vec()));
    s.wait(0.5);
    let report = s.report(START).set(a::TUNNEL_PRIVATE_GROUP_ID, vlan);
    s.send(&report, Reply::Nothing);
}
