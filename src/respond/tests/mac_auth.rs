//! MAC authentication in the forms of the trade (common practice, no source, but for Call-Check:
//! RFC 2865 section 5.6 and RFC 3580 section 3.5).

use super::rig::*;
use crate::wire::registry::attributes as a;

const SPELLINGS: [&str; 8] = [
    "02005e001001",
    "02005E001001",
    "02-00-5E-00-10-01",
    "02:00:5e:00:10:01",
    "0200.5e00.1001",
    "0200-5e00-1001",
    "02005e-001001",
    "02.00.5e.00.10.01",
];

fn verdict(request: &Asking) -> String {
    let outcome = Rig::new().ask(0, request);
    let verdict = outcome.verdict().to_owned();
    if verdict == "answered-accept" {
        assert_eq!(outcome.entry().place.mac, Some(PRINTER));
        assert_eq!(outcome.entry().place.class.as_deref(), Some("printer"));
    }
    verdict
}

fn named(name: &str) -> Asking {
    Asking::new(1).with(a::USER_NAME, name.as_bytes())
}

#[test]
fn name_and_password_in_any_spelling_with_and_without_call_check() {
    for name in SPELLINGS {
        for password in SPELLINGS {
            for station in [None, Some("02-00-5E-00-10-01"), Some("02005e001001")] {
                for call_check in [false, true] {
                    for chap in [false, true] {
                        let mut request = named(name);
                        if let Some(station) = station {
                            request = request.with(a::CALLING_STATION_ID, station.as_bytes());
                        }
                        if call_check {
                            request = request.number(a::SERVICE_TYPE, 10);
                        }
                        request = if chap {
                            request.chap(password.as_bytes())
                        } else {
                            request.pap(password.as_bytes())
                        };
                        assert_eq!(verdict(&request), "answered-accept", "{request:?}");
                    }
                }
            }
        }
    }
}

#[test]
fn empty_and_fixed_passwords() {
    for password in [&b""[..], b"same-for-all"] {
        assert_eq!(
            verdict(&named("02005e001001").pap(password)),
            "answered-accept"
        );
        assert_eq!(
            verdict(&named("02005e001001").chap(password)),
            "answered-accept"
        );
    }
    // No octets at all where RFC 2865 section 5.2 wants sixteen.
    let bare = named("02005e001001").with(a::USER_PASSWORD, b"");
    assert_eq!(verdict(&bare), "answered-accept");
}

#[test]
fn other_passwords_are_a_named_reject() {
    for password in [
        &b"same-for-al"[..],
        b"02005e001002",
        b"Same-for-all",
        b"\xff",
    ] {
        for request in [
            named("02005e001001").pap(password),
            named("02005e001001").chap(password),
            named("02005e001001")
                .pap(password)
                .number(a::SERVICE_TYPE, 10),
        ] {
            assert_eq!(
                verdict(&request),
                "answered-reject-mac-password",
                "{request:?}"
            );
        }
    }
}

/// RFC 2865 sections 5.2 and 5.3.
#[test]
fn passwords_of_a_wrong_length_are_a_named_reject() {
    for request in [
        named("02005e001001").with(a::USER_PASSWORD, &[1; 15]),
        named("02005e001001").with(a::USER_PASSWORD, &[1; 144]),
        named("02005e001001").with(a::CHAP_PASSWORD, &[1; 16]),
    ] {
        assert_eq!(
            verdict(&request),
            "answered-reject-password-form",
            "{request:?}"
        );
    }
}

#[test]
fn call_check_needs_no_password_and_no_mac_in_the_name() {
    let check = |request: Asking| request.number(a::SERVICE_TYPE, 10);
    assert_eq!(verdict(&check(named("02005e001001"))), "answered-accept");
    let station = check(Asking::new(1)).with(a::CALLING_STATION_ID, b"02-00-5E-00-10-01");
    assert_eq!(verdict(&station), "answered-accept");
    assert_eq!(
        verdict(&station.with(a::USER_NAME, b"device")),
        "answered-accept"
    );
    assert_eq!(verdict(&check(named("device"))), "answered-reject-no-mac");
}

/// RFC 2865 section 4.1.
#[test]
fn no_password_without_call_check_is_a_breach() {
    let request = named("02005e001001").with(a::CALLING_STATION_ID, b"02-00-5E-00-10-01");
    let outcome = Rig::new().ask(0, &request);
    assert_eq!(outcome.verdict(), "dropped-no-credentials");
    assert_eq!(
        outcome.entry().breach.as_deref(),
        Some("RFC 2865 section 4.1")
    );
}

#[test]
fn two_different_addresses_are_a_named_reject() {
    let request = named("02005e001001")
        .pap(b"02005e001001")
        .with(a::CALLING_STATION_ID, b"02-00-5E-00-10-02");
    assert_eq!(verdict(&request), "answered-reject-mac-mismatch");
    assert_eq!(
        verdict(&request.number(a::SERVICE_TYPE, 10)),
        "answered-reject-mac-mismatch"
    );
}
