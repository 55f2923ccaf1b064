use super::case::{Case, case};
use super::script::{Reply, Script, Seal};

pub(super) fn cases() -> Vec<Case> {
    vec![
        case(
            "rfc5080-no-message-authenticator",
            |s| {
                let request = s.mac().seal(Seal::None);
                s.send(&request, Reply::Reject);
            },
            |s| s.admit(&[]),
        ),
        case(
            "rfc5080-too-fast",
            |s| transmitted(s, &[1.0]),
            |s| transmitted(s, &[1.8]),
        ),
        // The network may double a packet.
        case(
            "rfc5080-too-fast",
            |s| transmitted(s, &[0.6]),
            |s| transmitted(s, &[0.001]),
        ),
        case(
            "rfc5080-no-back-off",
            |s| transmitted(s, &[3.0, 3.0]),
            |s| transmitted(s, &[1.9, 4.0, 8.3, 15.0]),
        ),
        // RFC 5080 section 2.2.1: waits stop growing at MRT.
        case(
            "rfc5080-no-back-off",
            |s| transmitted(s, &[2.0, 4.0, 4.0]),
            |s| transmitted(s, &[16.0, 15.5]),
        ),
        case(
            "rfc5080-no-jitter",
            |s| paced(s, &[2.0, 2.0, 2.01, 2.0, 2.0, 2.0]),
            |s| paced(s, &[1.9, 2.1, 2.0, 2.0, 2.0, 2.0]),
        ),
        case(
            "rfc5080-never-gives-up",
            |s| transmitted(s, &[5.0, 10.0, 15.0, 16.0]),
            |s| transmitted(s, &[2.0, 4.0, 8.0, 15.9]),
        ),
        case(
            "rfc5080-identifier-reused",
            |s| identifiers(s, 1.0),
            |s| identifiers(s, 6.0),
        ),
    ]
}

/// One request, sent again after each of these waits.
fn transmitted(s: &mut Script, waits: &[f64]) {
    let request = s.mac();
    s.send(&request, Reply::Nothing);
    for wait in waits {
        s.wait(*wait);
        s.send(&request, Reply::Nothing);
    }
}

/// Requests of several sessions, each sent twice with this wait between.
fn paced(s: &mut Script, waits: &[f64]) {
    for wait in waits {
        transmitted(s, &[*wait]);
        s.wait(60.0);
        s.next_session();
    }
}

fn identifiers(s: &mut Script, apart: f64) {
    for identifier in [4, 5, 4] {
        let request = s.mac().identifier(identifier);
        s.send(&request, Reply::Reject);
        s.wait(apart);
        s.next_session();
    }
}
