use super::case::{Case, case};
use super::script::{INTERIM, Reply, START, Script, Seal, eap_response};
use crate::wire::registry::attributes as a;
use crate::wire::{AttributeBuf, Code, Packet, Secret};

pub(super) fn cases() -> Vec<Case> {
    let mut cases = requests();
    cases.extend(transmissions());
    cases.extend(states());
    cases.extend(grants());
    cases
}

fn good_login(s: &mut Script) {
    s.admit(&[]);
    s.wait(60.0);
    s.leave();
    s.admit(&[]);
}

fn ask(s: &mut Script, request: &super::script::Request) {
    s.send(request, Reply::Accept(Vec::new()));
}

fn requests() -> Vec<Case> {
    vec![
        case(
            "rfc2865-malformed",
            |s| {
                let request = s.mac();
                s.dropped(&request, "dropped-malformed");
            },
            good_login,
        ),
        case(
            "rfc2865-wrong-port",
            |s| {
                let request = s.report(START);
                s.dropped(&request, "dropped-wrong-port");
            },
            good_login,
        ),
        case(
            "rfc2865-empty-attribute",
            |s| {
                let request = s.mac().with(a::CONNECT_INFO, []);
                ask(s, &request);
            },
            |s| {
                let request = s.mac().with(a::CONNECT_INFO, *b"1000BASE-T");
                ask(s, &request);
            },
        ),
        case(
            "rfc2865-repeated-attribute",
            |s| {
                let request = s.mac().with(a::NAS_PORT, 7u32.to_be_bytes());
                ask(s, &request);
            },
            |s| {
                // Class may stand more often (RFC 2866 section 5.13).
                s.admit(&[AttributeBuf::text(a::CLASS, "another")]);
            },
        ),
        case(
            "rfc2865-misplaced-attribute",
            |s| {
                let request = s.mac().with(a::FILTER_ID, *b"tills");
                ask(s, &request);
            },
            |s| s.admit(&[AttributeBuf::text(a::FILTER_ID, "tills")]),
        ),
        case(
            "rfc2865-no-nas-identity",
            |s| {
                let request = s
                    .mac()
                    .without(a::NAS_IP_ADDRESS)
                    .without(a::NAS_IDENTIFIER);
                ask(s, &request);
            },
            |s| {
                let request = s.mac().without(a::NAS_IP_ADDRESS);
                ask(s, &request);
            },
        ),
        case(
            "rfc2865-no-user-name",
            |s| {
                let request = s.mac().without(a::USER_NAME);
                ask(s, &request);
            },
            good_login,
        ),
        case(
            "rfc2865-both-passwords",
            |s| {
                let request = s.mac().with(a::CHAP_PASSWORD, [7; 17]);
                s.dropped(&request, "dropped-mixed-credentials");
            },
            |s| {
                let request = s
                    .mac()
                    .without(a::USER_PASSWORD)
                    .with(a::CHAP_PASSWORD, [7; 17]);
                ask(s, &request);
            },
        ),
        case(
            "rfc2865-no-credentials",
            |s| {
                let request = s.mac().without(a::USER_PASSWORD);
                ask(s, &request);
            },
            good_login,
        ),
        case(
            "rfc2865-framed-mtu-range",
            |s| {
                let request = s.mac().number(a::FRAMED_MTU, 32);
                ask(s, &request);
            },
            |s| {
                let request = s.mac().number(a::FRAMED_MTU, 64);
                ask(s, &request);
            },
        ),
        case(
            "rfc2865-short-secret",
            |s| {
                s.facts.secret = Secret::new("fifteen octets.");
                s.admit(&[]);
            },
            |s| {
                s.facts.secret = Secret::new("sixteen octets..");
                s.admit(&[]);
            },
        ),
    ]
}

fn transmissions() -> Vec<Case> {
    vec![
        case(
            "rfc2865-identifier-unchanged",
            |s| {
                let first = s.mac().identifier(1);
                ask(s, &first);
                s.wait(300.0);
                s.next_session();
                let second = s.mac().identifier(1);
                ask(s, &second);
            },
            |s| {
                for identifier in [1, 2, 1] {
                    let request = s.mac().identifier(identifier);
                    ask(s, &request);
                    s.wait(300.0);
                    s.next_session();
                }
            },
        ),
        case(
            "rfc2865-repeated-with-new-identifier",
            |s| {
                let first = s.mac();
                s.send(&first, Reply::Nothing);
                s.wait(2.0);
                let second = s.mac();
                s.send(&second, Reply::Accept(Vec::new()));
            },
            |s| {
                let first = s.mac();
                s.send(&first, Reply::Nothing);
                s.wait(2.0);
                s.send(&first, Reply::Nothing);
                s.wait(4.1);
                // Given up, and begun anew.
                let second = s.mac();
                s.send(&second, Reply::Reject);
                s.wait(8.0);
                let third = s.mac();
                s.send(&third, Reply::Reject);
            },
        ),
        case(
            "rfc2865-repeated-with-new-authenticator",
            |s| {
                let first = s.mac();
                s.send(&first, Reply::Nothing);
                s.wait(2.0);
                let second = s.mac().identifier_of(&first);
                s.send(&second, Reply::Accept(Vec::new()));
            },
            |s| {
                let first = s.mac();
                s.send(&first, Reply::Nothing);
                s.wait(2.0);
                s.send(&first, Reply::Accept(Vec::new()));
            },
        ),
        case(
            "rfc2865-authenticator-reused",
            |s| {
                let first = s.mac();
                ask(s, &first);
                s.wait(60.0);
                s.next_session();
                let second = s.mac().authenticator_of(&first);
                ask(s, &second);
            },
            good_login,
        ),
        case(
            "rfc2865-authenticator-predictable",
            |s| {
                for last in [1, 2] {
                    let mut authenticator = [0x37; 16];
                    authenticator[0] = 0x11;
                    authenticator[15] = last;
                    let request = s.mac().authenticator(authenticator);
                    ask(s, &request);
                    s.wait(60.0);
                    s.next_session();
                }
            },
            |s| {
                for first in [1u8, 2] {
                    let authenticator = std::array::from_fn(|at| {
                        if at < 11 {
                            at as u8
                        } else {
                            first * 17 + at as u8
                        }
                    });
                    let request = s.mac().authenticator(authenticator);
                    ask(s, &request);
                    s.wait(60.0);
                    s.next_session();
                }
            },
        ),
    ]
}

/// An identity, its challenge, and the answer to it.
fn challenged(s: &mut Script, answer: fn(super::script::Request) -> super::script::Request) {
    let identity = s.identity();
    s.send(&identity, Reply::Challenge(2, b"step 1"));
    s.wait(0.1);
    let response = s.eap(&eap_response(2, 4, &[16; 17]));
    let response = answer(response);
    s.send(&response, Reply::Reject);
}

fn given_back(s: &mut Script) {
    challenged(s, |response| response.with(a::STATE, *b"step 1"));
}

fn states() -> Vec<Case> {
    vec![
        case(
            "rfc2865-state-not-echoed",
            |s| challenged(s, |response| response),
            given_back,
        ),
        case(
            "rfc2865-state-not-echoed",
            |s| challenged(s, |response| response.with(a::STATE, *b"step 2")),
            |s| {
                // A device that starts over answers no challenge.
                let identity = s.identity();
                s.send(&identity, Reply::Challenge(2, b"step 1"));
                s.wait(5.0);
                s.next_session();
                let again = s.identity();
                s.send(&again, Reply::Reject);
            },
        ),
        case(
            "rfc2865-state-not-echoed",
            |s| reauthenticated(s, |request| request),
            |s| reauthenticated(s, |request| request.with(a::STATE, *b"kept")),
        ),
        case(
            "rfc2865-state-unasked",
            |s| {
                let request = s.mac().with(a::STATE, *b"mine");
                ask(s, &request);
            },
            given_back,
        ),
        case(
            "rfc2865-proxy-state-invented",
            |s| {
                let request = s.mac().with(a::PROXY_STATE, *b"1");
                ask(s, &request);
            },
            good_login,
        ),
    ]
}

/// RFC 2865 section 5.24: State of an accept comes back when Termination-Action is
/// RADIUS-Request.
fn reauthenticated(s: &mut Script, edit: fn(super::script::Request) -> super::script::Request) {
    s.admit(&[
        AttributeBuf::integer(a::SESSION_TIMEOUT, 100),
        AttributeBuf::integer(a::TERMINATION_ACTION, 1),
        AttributeBuf::text(a::STATE, "kept"),
    ]);
    s.wait(99.5);
    let again = edit(s.mac());
    s.send(&again, Reply::Accept(Vec::new()));
}

/// A Start after a reject, with this Acct-Authentic (RFC 2866 section 5.6).
fn started_after_reject(s: &mut Script, authentic: u32) {
    let request = s.mac();
    s.send(&request, Reply::Reject);
    s.wait(0.5);
    let report = s.report(START).number(a::ACCT_AUTHENTIC, authentic);
    s.send(&report, Reply::Nothing);
}

/// An accept whose last authenticator octet is another.
fn forged(s: &mut Script, request: &Packet<'_>) -> Vec<u8> {
    let mut octets = s.reply(request, Code::ACCESS_ACCEPT, &[]);
    octets[19] ^= 1;
    octets
}

fn grants() -> Vec<Case> {
    vec![
        case(
            "rfc2865-took-forged-accept",
            |s| {
                let request = s.mac();
                s.send(&request, Reply::Spoilt(forged));
                s.wait(0.2);
                s.send_report(START);
            },
            |s| {
                let request = s.mac();
                s.send(&request, Reply::Spoilt(forged));
                s.wait(2.0);
                s.send(&request, Reply::Accept(Vec::new()));
                s.wait(0.2);
                s.send_report(START);
            },
        ),
        case(
            "rfc2865-admitted-after-reject",
            |s| started_after_reject(s, 1),
            |s| started_after_reject(s, 2),
        ),
        case(
            "rfc2865-class-not-echoed",
            |s| {
                let request = s.mac();
                ask(s, &request);
                let report = s.report(START).without(a::CLASS);
                s.send(&report, Reply::Nothing);
            },
            good_login,
        ),
        case(
            "rfc2865-class-changed",
            |s| {
                let request = s.mac();
                ask(s, &request);
                let report = s.report(START).set(a::CLASS, *b"class 9");
                s.send(&report, Reply::Nothing);
            },
            |s| {
                // A device that the switch let in by itself has no Class of ours.
                let request = s.mac();
                ask(s, &request);
                let report = s
                    .report(START)
                    .set(a::CLASS, *b"own")
                    .number(a::ACCT_AUTHENTIC, 2);
                s.send(&report, Reply::Nothing);
            },
        ),
        case(
            "rfc2865-user-name-ignored",
            |s| s.admit(&[AttributeBuf::text(a::USER_NAME, "till-7")]),
            |s| s.admit(&[AttributeBuf::text(a::USER_NAME, "02005e000007")]),
        ),
        case(
            "rfc2865-filter-contradicted",
            |s| {
                let request = s.mac();
                s.send(
                    &request,
                    Reply::Accept(vec![AttributeBuf::text(a::FILTER_ID, "tills")]),
                );
                let report = s.report(START).set(a::FILTER_ID, *b"all");
                s.send(&report, Reply::Nothing);
            },
            |s| s.admit(&[AttributeBuf::text(a::FILTER_ID, "tills")]),
        ),
        case(
            "rfc2865-idle-timeout-ignored",
            |s| idle(s, 400.0),
            |s| idle(s, 250.0),
        ),
    ]
}

/// Two interims with the same counters so far apart, with an Idle-Timeout of 300 s.
fn idle(s: &mut Script, apart: f64) {
    s.admit(&[AttributeBuf::integer(a::IDLE_TIMEOUT, 300)]);
    for _ in 0..2 {
        s.wait(apart);
        let report = s
            .report(INTERIM)
            .number(a::ACCT_INPUT_OCTETS, 500)
            .number(a::ACCT_OUTPUT_OCTETS, 500);
        s.send(&report, Reply::Nothing);
    }
}

/// The seal of a request is no part of its content.
#[test]
fn a_seal_elsewhere_is_the_same_request() {
    let mut s = Script::new();
    let first = s.mac();
    s.send(&first, Reply::Nothing);
    s.wait(2.0);
    let second = s.mac().seal(Seal::None);
    s.send(&second, Reply::Nothing);
    let found = s.findings();
    let repeated = |id: &str| found.iter().any(|finding| finding.rule.id == id);
    assert!(repeated("rfc2865-repeated-with-new-identifier"));
}
