use super::case::{Case, case};
use super::script::{Reply, Request, START, Script, Seal, eap_response};
use crate::wire::registry::attributes as a;
use crate::wire::{AttributeBuf, Builder, Code, Packet};

pub(super) fn cases() -> Vec<Case> {
    vec![
        case(
            "rfc3579-no-message-authenticator",
            |s| {
                let request = s.identity().seal(Seal::None);
                s.dropped(&request, "dropped-missing-message-authenticator");
            },
            refused,
        ),
        case(
            "rfc3579-wrong-message-authenticator",
            |s| {
                let request = s.mac();
                s.dropped(&request, "dropped-bad-message-authenticator");
            },
            refused,
        ),
        case(
            "rfc3579-took-unsealed-accept",
            |s| unsealed_eap(s, true),
            |s| unsealed_eap(s, false),
        ),
        case(
            "rfc3579-eap-split",
            |s| split(s, &[100, 200]),
            |s| split(s, &[253, 47]),
        ),
        case(
            "rfc3579-eap-split",
            |s| {
                let eap = eap_response(1, 1, &[b'c'; 295]);
                let request = s
                    .identity()
                    .without(a::EAP_MESSAGE)
                    .set(a::USER_NAME, *b"clerk")
                    .with(a::EAP_MESSAGE, &eap[..253])
                    .with(a::CONNECT_INFO, *b"1000BASE-T")
                    .with(a::EAP_MESSAGE, &eap[253..]);
                let request = request.set(a::USER_NAME, [b'c'; 253]);
                s.send(&request, Reply::Reject);
            },
            refused,
        )
        .also(&["rfc3579-user-name"]),
        case(
            "rfc3579-eap-length",
            |s| {
                let mut eap = eap_response(1, 1, b"clerk");
                eap.extend([0; 4]);
                let request = s.eap(&eap);
                s.send(&request, Reply::Reject);
            },
            |s| {
                // RFC 3579 section 2.1: empty asks the server to begin. An attribute has no room
                // for less than one octet elsewhere, so the switch sends the identity.
                refused(s);
            },
        ),
        case(
            "rfc3579-user-name",
            |s| {
                let request = s
                    .identity()
                    .set(a::USER_NAME, *b"clerk@lantern-quay.example");
                s.send(&request, Reply::Reject);
            },
            refused,
        ),
        case(
            "rfc3579-user-name",
            |s| later_name(s, b"till"),
            |s| later_name(s, b"clerk"),
        ),
        case(
            "rfc3579-password-beside-eap",
            |s| {
                let request = s.identity().with(a::USER_PASSWORD, [1; 16]);
                s.dropped(&request, "dropped-mixed-credentials");
            },
            refused,
        ),
        case(
            "rfc3579-no-framed-mtu",
            |s| {
                let request = s.identity().without(a::FRAMED_MTU);
                s.send(&request, Reply::Reject);
            },
            |s| {
                // MAC authentication has no EAP packets to cut.
                let request = s.mac().without(a::FRAMED_MTU);
                s.send(&request, Reply::Reject);
            },
        ),
    ]
}

fn refused(s: &mut Script) {
    let request = s.identity();
    s.send(&request, Reply::Reject);
}

fn later_name(s: &mut Script, name: &'static [u8]) {
    let identity = s.identity();
    s.send(&identity, Reply::Challenge(2, b"step 1"));
    s.wait(0.1);
    let response: Request = s
        .eap(&eap_response(2, 4, &[16; 17]))
        .with(a::STATE, *b"step 1");
    s.send(&response.set(a::USER_NAME, name), Reply::Reject);
}

/// An identity of 295 octets in parts of these lengths.
fn split(s: &mut Script, lengths: &[usize]) {
    let name = [b'c'; 253];
    let mut eap = eap_response(1, 4, &[7; 295]);
    let mut request = s.identity().without(a::EAP_MESSAGE).set(a::USER_NAME, name);
    for length in lengths {
        let rest = eap.split_off(*length);
        request = request.with(a::EAP_MESSAGE, eap);
        eap = rest;
    }
    s.send(&request, Reply::Reject);
}

fn unsealed_eap(s: &mut Script, acts: bool) {
    let request = s.identity();
    s.send(&request, Reply::Spoilt(unsealed));
    s.wait(0.5);
    if acts {
        let report = s.report(START).set(a::USER_NAME, *b"clerk");
        s.send(&report, Reply::Nothing);
    }
}

/// An accept with EAP-Message and no Message-Authenticator.
fn unsealed(s: &mut Script, request: &Packet<'_>) -> Vec<u8> {
    let mut builder = Builder::new(Code::ACCESS_ACCEPT, request.identifier());
    builder
        .attribute(&AttributeBuf::new(a::EAP_MESSAGE, [3, 1, 0, 4]))
        .unwrap();
    builder.finish_response(request.authenticator(), &s.facts.secret)
}
