use super::case::{Case, case};
use super::script::{Reply, Request, START, STOP, Script, Seal};
use crate::wire::registry::attributes as a;
use crate::wire::{AttributeBuf, Builder, Code, Packet};

pub(super) fn cases() -> Vec<Case> {
    let mut cases = forms();
    cases.extend(conduct());
    cases
}

fn asked(s: &mut Script, edit: fn(Request) -> Request) {
    let request = edit(s.mac());
    s.send(&request, Reply::Reject);
}

fn forms() -> Vec<Case> {
    vec![
        case(
            "trade-late-message-authenticator",
            |s| asked(s, |request| request.seal(Seal::Last)),
            |s| s.admit(&[]),
        ),
        case(
            "trade-took-unsealed-accept",
            |s| unsealed_accept(s, true),
            |s| unsealed_accept(s, false),
        ),
        case(
            "trade-one-secret-for-changes",
            |s| {
                s.facts.change_secret = s.facts.secret.clone();
                s.admit(&[]);
            },
            |s| s.admit(&[]),
        ),
        case(
            "trade-one-secret-for-switches",
            |s| {
                s.facts.shared_with.push("quay-4".to_owned());
                s.admit(&[]);
            },
            |s| s.admit(&[]),
        ),
        case(
            "trade-no-port-number",
            |s| asked(s, |request| request.without(a::NAS_PORT)),
            |s| s.admit(&[]),
        ),
        case(
            "trade-no-port-name",
            |s| asked(s, |request| request.without(a::NAS_PORT_ID)),
            |s| s.admit(&[]),
        ),
        case(
            "trade-other-source-address",
            |s| {
                asked(s, |request| {
                    request.set(a::NAS_IP_ADDRESS, [198, 51, 100, 3])
                });
            },
            |s| {
                // Of another family it can be no other address of this one.
                asked(s, |request| {
                    request
                        .without(a::NAS_IP_ADDRESS)
                        .with(a::NAS_IPV6_ADDRESS, [0xfd; 16])
                });
            },
        ),
    ]
}

fn conduct() -> Vec<Case> {
    vec![
        case(
            "trade-mac-before-802.1x",
            |s| mac_then_eap(s, 0.3),
            |s| mac_then_eap(s, 20.0),
        ),
        case(
            "trade-port-limit-exceeded",
            |s| two_devices(s, 1),
            |s| two_devices(s, 2),
        ),
        case(
            "trade-no-quiet-period",
            |s| refusals(s, 1.0),
            |s| refusals(s, 60.0),
        ),
        case(
            "trade-no-accounting",
            |s| accepted_only(s, 4),
            |s| accepted_only(s, 3),
        ),
        case(
            "trade-no-interim",
            |s| {
                s.admit(&[]);
                s.wait(4000.0);
                s.send_report(STOP);
            },
            |s| {
                s.admit(&[]);
                s.wait(3000.0);
                s.send_report(STOP);
            },
        ),
        case(
            "trade-dead-counters",
            |s| counted(s, 900.0),
            |s| counted(s, 500.0),
        ),
    ]
}

fn unsealed_accept(s: &mut Script, acts: bool) {
    let request = s.mac();
    s.send(&request, Reply::Spoilt(unsealed));
    s.wait(0.5);
    if acts {
        s.send_report(START);
    }
}

fn unsealed(s: &mut Script, request: &Packet<'_>) -> Vec<u8> {
    Builder::new(Code::ACCESS_ACCEPT, request.identifier())
        .finish_response(request.authenticator(), &s.facts.secret)
}

fn mac_then_eap(s: &mut Script, after: f64) {
    s.admit(&[AttributeBuf::text(a::REPLY_MESSAGE, "held")]);
    s.wait(after);
    let identity = s.identity();
    s.send(&identity, Reply::Reject);
}

/// Two devices on one port that admits so many.
fn two_devices(s: &mut Script, limit: u16) {
    s.facts.port_limit = Some(limit);
    s.admit(&[]);
    s.wait(30.0);
    s.next_session();
    let other = |request: Request| {
        request
            .set(a::CALLING_STATION_ID, *b"02-00-5E-00-00-08")
            .set(a::USER_NAME, *b"02005e000008")
    };
    let request = other(s.mac());
    s.send(&request, Reply::Accept(Vec::new()));
    s.wait(0.5);
    let report = other(s.report(START));
    s.send(&report, Reply::Nothing);
}

fn refusals(s: &mut Script, apart: f64) {
    for _ in 0..4 {
        let request = s.mac();
        s.send(&request, Reply::Reject);
        s.wait(apart);
    }
}

/// Accepts two minutes apart, and no accounting.
fn accepted_only(s: &mut Script, accepts: u32) {
    for _ in 0..accepts {
        let request = s.mac();
        s.send(&request, Reply::Accept(Vec::new()));
        s.wait(120.0);
        s.next_session();
    }
}

fn counted(s: &mut Script, seconds: f64) {
    s.admit(&[]);
    s.wait(seconds);
    let report = s
        .report(STOP)
        .number(a::ACCT_INPUT_OCTETS, 0)
        .number(a::ACCT_OUTPUT_OCTETS, 0);
    s.send(&report, Reply::Nothing);
}
