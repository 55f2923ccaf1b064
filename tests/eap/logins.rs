//! Logins that succeed: every method, TLS version, resumption, fragment size.

use portproof::eap::codec::Type;
use portproof::eap::{Inner, Method, Plan, Settings, TlsVersion, Versions};
use portproof::stand_in::supplicant::{Config, TtlsInside};

use super::pair::{MISHAPS, Mishap, Pair};
use super::pki::{Pki, client, tls};

/// A method and what is done inside.
#[derive(Debug, Clone, Copy)]
pub struct Case {
    pub method: Method,
    pub inner: Option<Inner>,
}

const fn case(method: Method, inner: Option<Inner>) -> Case {
    Case { method, inner }
}

pub const PLAIN: [Case; 2] = [case(Method::Md5, None), case(Method::MsChapV2, None)];

pub const TUNNELS: [Case; 8] = [
    case(Method::Tls, None),
    case(Method::Ttls, Some(Inner::Pap)),
    case(Method::Ttls, Some(Inner::Chap)),
    case(Method::Ttls, Some(Inner::MsChapV2)),
    case(Method::Ttls, Some(Inner::Eap(Method::Md5))),
    case(Method::Ttls, Some(Inner::Eap(Method::MsChapV2))),
    case(Method::Peap, Some(Inner::Eap(Method::MsChapV2))),
    case(Method::Peap, Some(Inner::Eap(Method::Tls))),
];

pub fn config(pki: &Pki, case: Case) -> Config {
    let eap = |inner| match inner {
        Some(Inner::Eap(method)) => Method::eap_type(method),
        _ => Type::MS_CHAP_V2,
    };
    Config {
        identity: if case.inner.is_some() {
            "@quay.example"
        } else {
            "mo"
        }
        .to_owned(),
        methods: vec![case.method.eap_type()],
        account: "mo".to_owned(),
        password: "gangway".to_owned().into(),
        ttls: match case.inner {
            Some(Inner::Pap) => TtlsInside::Pap,
            Some(Inner::Chap) => TtlsInside::Chap,
            Some(Inner::MsChapV2) => TtlsInside::MsChapV2,
            inner => TtlsInside::Eap(eap(inner)),
        },
        peap: eap(case.inner),
        tls: Some(client(pki.client_plan())),
        ..Config::default()
    }
}

pub fn plan(pki: &Pki, case: Case, versions: Versions) -> Plan {
    Plan {
        preference: vec![case.method],
        tls: Some(tls(pki.tls_plan(versions))),
        ..Plan::default()
    }
}

pub fn pair(pki: &Pki, case: Case, versions: Versions) -> Pair {
    let settings = Settings::new(plan(pki, case, versions)).unwrap();
    Pair::new(settings, config(pki, case))
}

pub const VERSIONS: [(Versions, TlsVersion); 2] = [
    (Versions::Tls12, TlsVersion::Tls12),
    (Versions::Tls13, TlsVersion::Tls13),
];

#[test]
fn methods_without_tls() {
    let pki = Pki::new();
    for case in PLAIN {
        let outcome = pair(&pki, case, Versions::Both).login();
        let proof = outcome.agreed();
        assert_eq!(proof.method, case.method);
        assert_eq!(proof.identity, "mo");
        assert_eq!(proof.keys.is_some(), case.method == Method::MsChapV2);
    }
}

/// RFC 5216 section 2.3, RFC 9190 section 2.3, RFC 5281 section 8, RFC 9427 section 2.1: both
/// sides come to the same MSK and Session-Id; the second login resumes, and is bound to what the
/// first one proved.
#[test]
fn methods_over_tls_full_and_resumed() {
    let pki = Pki::new();
    for case in TUNNELS {
        for (versions, version) in VERSIONS {
            let pair = pair(&pki, case, versions);
            let first = pair.login();
            let full = first.agreed();
            assert_eq!(full.tls, Some(version), "{case:?}");
            assert_eq!(full.method, case.method);
            assert_eq!(full.inner, case.inner);
            assert!(!full.resumed);
            let by_certificate =
                case.method == Method::Tls || case.inner == Some(Inner::Eap(Method::Tls));
            assert_eq!(full.certificate.is_some(), by_certificate);
            let name = if by_certificate {
                "mo@quay.example"
            } else {
                "mo"
            };
            assert_eq!(full.identity, name);

            let second = pair.login();
            let again = second.agreed();
            assert!(again.resumed, "{case:?} {version}");
            assert_eq!(again.identity, full.identity);
            assert_eq!(again.inner, full.inner);
            assert_eq!(again.certificate, full.certificate);
            assert_ne!(again.keys, full.keys);
            assert_ne!(again.session_id, full.session_id);
            assert!(second.requests.len() < first.requests.len());
        }
    }
}

/// RFC 5216 section 2.1.5: fragments of any size, both ways, and no packet above the size.
#[test]
fn fragments_both_ways() {
    let pki = Pki::new();
    for case in TUNNELS {
        for (versions, _) in VERSIONS {
            for size in [64, 100, 300, 1000] {
                let mut plan = plan(&pki, case, versions);
                plan.fragment = size;
                let mut config = config(&pki, case);
                config.fragment = size;
                let outcome = Pair::new(Settings::new(plan).unwrap(), config).login();
                outcome.agreed();
                for packet in outcome.requests.iter().chain(&outcome.responses) {
                    assert!(packet.len() <= size, "{} above {size}", packet.len());
                }
            }
        }
    }
}

/// RFC 3580 section 3.10: an EAP packet is at most Framed-MTU less four.
#[test]
fn framed_mtu_goes_before_the_fragment_size() {
    let pki = Pki::new();
    let mut pair = pair(&pki, TUNNELS[0], Versions::Tls12);
    pair.framed_mtu = Some(404);
    let outcome = pair.login();
    outcome.agreed();
    let longest = outcome.requests.iter().map(Vec::len).max();
    assert_eq!(longest, Some(400));
}

/// RFC 3748 section 4.1: whatever is lost, repeated or late in any round, the login goes on to the
/// same end.
#[test]
fn mishaps_in_every_round() {
    let pki = Pki::new();
    for case in PLAIN.into_iter().chain(TUNNELS) {
        for (versions, _) in VERSIONS {
            let mut plan = plan(&pki, case, versions);
            plan.fragment = 700;
            let pair = Pair::new(Settings::new(plan).unwrap(), config(&pki, case));
            let rounds = pair.login().requests.len();
            for mishap in MISHAPS {
                for at in 0..rounds {
                    let outcome =
                        pair.login_with(|round| if round == at { mishap } else { Mishap::None });
                    outcome.agreed();
                }
                pair.login_with(|_| mishap).agreed();
            }
        }
    }
}

/// RFC 9427: with TLS 1.3 the supplicant may begin inside together with its last handshake message.
#[test]
fn eager_supplicant() {
    let pki = Pki::new();
    for case in TUNNELS {
        let mut config = config(&pki, case);
        config.eager = true;
        let settings = Settings::new(plan(&pki, case, Versions::Tls13)).unwrap();
        let pair = Pair::new(settings, config);
        pair.login().agreed();
        pair.login().agreed();
    }
}

/// A bench without resumption does every login in full, although the supplicant would resume.
#[test]
fn resumption_switched_off_stays_off() {
    let pki = Pki::new();
    for case in TUNNELS {
        for (versions, _) in VERSIONS {
            let mut tls_plan = pki.tls_plan(versions);
            tls_plan.resumption = None;
            let mut plan = plan(&pki, case, versions);
            plan.tls = Some(tls(tls_plan));
            let pair = Pair::new(Settings::new(plan).unwrap(), config(&pki, case));
            pair.login().agreed();
            let second = pair.login();
            assert!(!second.agreed().resumed, "{case:?}");
        }
    }
}

/// Resumption never outlives what the first login proved: the lifetime of the session and of the
/// certificate.
#[test]
fn resumption_ends_with_its_lifetime() {
    let pki = Pki::new();
    for (versions, _) in VERSIONS {
        let mut pair = pair(&pki, TUNNELS[1], versions);
        pair.login().agreed();
        pair.now += jiff::SignedDuration::from_secs(3599);
        assert!(pair.login().agreed().resumed);
        pair.now += jiff::SignedDuration::from_secs(2);
        assert!(!pair.login().agreed().resumed);
    }
}

/// RFC 3748 section 2.1 and section 5.3.1: the supplicant's Nak picks the bench's favourite among
/// what it asks for.
#[test]
fn nak_leads_to_the_favourite_in_common() {
    let pki = Pki::new();
    let mut plan = plan(&pki, TUNNELS[0], Versions::Both);
    plan.preference = vec![Method::Tls, Method::Peap, Method::Ttls, Method::Md5];
    let mut config = config(&pki, TUNNELS[3]);
    config.methods = vec![Type::MD5, Type::TTLS];
    let outcome = Pair::new(Settings::new(plan).unwrap(), config).login();
    assert_eq!(outcome.agreed().method, Method::Ttls);
}

/// A supplicant that knows only the Result TLV gets in by a resumed PEAP with TLS 1.3 too.
#[test]
fn peap_supplicant_from_before_rfc9427() {
    let pki = Pki::new();
    for case in TUNNELS
        .into_iter()
        .filter(|case| case.method == Method::Peap)
    {
        let mut config = config(&pki, case);
        config.before_rfc9427 = true;
        let settings = Settings::new(plan(&pki, case, Versions::Tls13)).unwrap();
        let pair = Pair::new(settings, config);
        assert!(!pair.login().agreed().resumed);
        let second = pair.login();
        assert!(second.agreed().resumed);
    }
}
