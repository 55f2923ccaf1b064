//! Logins that fail, each for one named cause, and the cause in words.

use portproof::eap::codec::Type;
use portproof::eap::{
    AccountState, CertificateCause, Inner, Method, Password, Plan, Refusal, Settings, Silence,
    Versions,
};
use portproof::stand_in::supplicant::{Config, Status, Why};
use rcgen::{CertificateParams, ExtendedKeyUsagePurpose, date_time_ymd};

use super::logins::{Case, PLAIN, TUNNELS, VERSIONS, config, pair, plan};
use super::pair::{Book, Mishap, Outcome, Pair};
use super::pki::{self, Authority, Pki, client, tls};

const EAP_TLS: Case = TUNNELS[0];
const TTLS_PAP: Case = TUNNELS[1];
const PEAP_MS_CHAP: Case = TUNNELS[6];

fn by_password() -> impl Iterator<Item = Case> {
    let inside = |case: &Case| {
        case.inner
            .is_some_and(|inner| inner != Inner::Eap(Method::Tls))
    };
    PLAIN.into_iter().chain(TUNNELS.into_iter().filter(inside))
}

fn in_words(outcome: &Outcome) -> String {
    let words = outcome.refusal().to_string();
    assert!(!words.contains('\n'), "{words}");
    words
}

#[test]
fn wrong_password() {
    let pki = Pki::new();
    for case in by_password() {
        for (versions, _) in VERSIONS {
            let mut config = config(&pki, case);
            config.password = "Gangway".to_owned().into();
            let pair = Pair::new(Settings::new(plan(&pki, case, versions)).unwrap(), config);
            let outcome = pair.login();
            let method = case.inner.map_or(case.method.name(), Inner::name);
            let expected = Refusal::WrongPassword {
                identity: "mo".to_owned(),
                method,
            };
            assert_eq!(outcome.refusal(), &expected, "{case:?}");
            let tells =
                case.method == Method::MsChapV2 || case.inner == Some(Inner::Eap(Method::MsChapV2));
            let why = if tells {
                Why::PasswordRefused(691)
            } else {
                Why::Refused
            };
            assert_eq!(outcome.peer, Status::Failed(why), "{case:?}");
            // Nothing of a failed login may be resumed.
            assert!(pair.login().server.is_err());
        }
    }
}

#[test]
fn unknown_user() {
    let pki = Pki::new();
    for case in by_password() {
        let mut pair = pair(&pki, case, Versions::Both);
        pair.book = Book::default().with("ann", Password::text("gangway"), AccountState::Active);
        let outcome = pair.login();
        let expected = Refusal::UserUnknown {
            identity: "mo".to_owned(),
        };
        assert_eq!(outcome.refusal(), &expected, "{case:?}");
        assert!(in_words(&outcome).contains("'mo'"));
    }
}

/// RFC 2759 section 6: 647 for disabled, 648 for an expired password, and only for who knows the
/// password.
#[test]
fn account_states() {
    use AccountState::{Disabled, Expired, MustChangePassword};
    let pki = Pki::new();
    for case in by_password() {
        for (state, code) in [(Disabled, 647), (Expired, 647), (MustChangePassword, 648)] {
            let book = || Book::default().with("mo", Password::text("gangway"), state);
            let mut pair = pair(&pki, case, Versions::Both);
            pair.book = book();
            let outcome = pair.login();
            match (state, outcome.refusal()) {
                (Disabled, Refusal::AccountDisabled { .. })
                | (Expired, Refusal::AccountExpired { .. })
                | (MustChangePassword, Refusal::MustChangePassword { .. }) => {}
                other => panic!("{case:?}: {other:?}"),
            }
            if let Status::Failed(Why::PasswordRefused(told)) = outcome.peer {
                assert_eq!(told, code);
            }
            let mut config = config(&pki, case);
            config.password = "wrong".to_owned().into();
            let settings = Settings::new(plan(&pki, case, Versions::Both)).unwrap();
            let mut pair = Pair::new(settings, config);
            pair.book = book();
            assert!(matches!(
                pair.login().refusal(),
                Refusal::WrongPassword { .. }
            ));
        }
    }
}

/// An NT hash serves MS-CHAPv2 and PAP; the methods that need the text say so.
#[test]
fn nt_hash_in_place_of_the_text() {
    // MD4 over "clientPass" in UTF-16: RFC 2759 section 9.2.
    let hash = [
        0x44, 0xeb, 0xba, 0x8d, 0x53, 0x12, 0xb8, 0xd6, 0x11, 0x47, 0x44, 0x11, 0xf5, 0x69, 0x89,
        0xae,
    ];
    let pki = Pki::new();
    for case in by_password() {
        let mut config = config(&pki, case);
        config.password = "clientPass".to_owned().into();
        let settings = Settings::new(plan(&pki, case, Versions::Both)).unwrap();
        let mut pair = Pair::new(settings, config);
        pair.book = Book::default().with("mo", Password::nt_hash(hash), AccountState::Active);
        let outcome = pair.login();
        let needs_text = case.method == Method::Md5
            || matches!(case.inner, Some(Inner::Chap | Inner::Eap(Method::Md5)));
        if needs_text {
            assert!(matches!(outcome.refusal(), Refusal::PasswordNotText { .. }));
        } else {
            outcome.agreed();
        }
    }
}

#[test]
fn bench_refuses_what_is_proven() {
    let pki = Pki::new();
    for case in PLAIN.into_iter().chain(TUNNELS) {
        for (versions, _) in VERSIONS {
            let mut pair = pair(&pki, case, versions);
            pair.book.refused = Some("no account has this certificate".to_owned());
            let outcome = pair.login();
            assert_eq!(in_words(&outcome), "no account has this certificate");
            assert!(matches!(outcome.peer, Status::Failed(_)));
            pair.book.refused = None;
            assert!(!pair.login().agreed().resumed);
        }
    }
}

/// RFC 3748 section 5.3.1: a Nak that finds nothing ends the login, and says what was wanted.
#[test]
fn no_method_in_common() {
    let pki = Pki::new();
    let mut plan = plan(&pki, EAP_TLS, Versions::Both);
    plan.preference = vec![Method::Tls, Method::Peap];
    let nothing_else = Config {
        methods: vec![Type::TTLS],
        ..config(&pki, EAP_TLS)
    };
    let outcome = Pair::new(Settings::new(plan).unwrap(), nothing_else).login();
    let expected = Refusal::NoCommonMethod {
        offered: vec![Method::Tls],
        wanted: vec![Type::TTLS],
    };
    assert_eq!(outcome.refusal(), &expected);
    assert_eq!(
        in_words(&outcome),
        "method refused: the supplicant would not do EAP-TLS and asked for EAP-TTLS, which the \
         bench does not offer it"
    );
    let nothing_at_all = Config {
        methods: Vec::new(),
        ..config(&pki, EAP_TLS)
    };
    let outcome = Pair::new(Settings::new(Plan::default()).unwrap(), nothing_at_all).login();
    assert!(in_words(&outcome).ends_with("MD5-Challenge and has no other method"));
}

#[test]
fn inner_methods_that_the_bench_does_not_allow() {
    let pki = Pki::new();
    for case in TUNNELS {
        let Some(inner) = case.inner.filter(|_| case.method == Method::Ttls) else {
            continue;
        };
        let mut plan = plan(&pki, case, Versions::Both);
        plan.ttls.retain(|allowed| match (allowed, inner) {
            (Inner::Eap(_), Inner::Eap(_)) => false,
            (allowed, inner) => *allowed != inner,
        });
        let outcome = Pair::new(Settings::new(plan).unwrap(), config(&pki, case)).login();
        assert!(
            matches!(outcome.refusal(), Refusal::InnerNotAllowed { .. }),
            "{inner}: {:?}",
            outcome.server
        );
    }
    let mut plan = plan(&pki, PEAP_MS_CHAP, Versions::Both);
    plan.peap = vec![Method::Tls];
    let outcome = Pair::new(Settings::new(plan).unwrap(), config(&pki, PEAP_MS_CHAP)).login();
    assert!(matches!(outcome.refusal(), Refusal::NoCommonMethod { .. }));
}

fn login_as(pki: &Pki, from: &Authority, leaf: &CertificateParams, versions: Versions) -> Outcome {
    let mut client_plan = pki.client_plan();
    client_plan.certificate = Some(from.issue(leaf));
    let mut config = config(pki, EAP_TLS);
    config.tls = Some(client(client_plan));
    Pair::new(Settings::new(plan(pki, EAP_TLS, versions)).unwrap(), config).login()
}

fn cause(outcome: &Outcome) -> &CertificateCause {
    match outcome.refusal() {
        Refusal::Certificate(fault) => {
            let facts = fault.certificate.as_ref().expect("the certificate is read");
            assert_eq!(facts.user, ["mo@quay.example"]);
            &fault.cause
        }
        other => panic!("{other}"),
    }
}

#[test]
fn certificates_that_are_refused_by_cause() {
    let pki = Pki::new();
    for (versions, _) in VERSIONS {
        let mut expired = pki::person("mo", 1);
        expired.not_after = date_time_ymd(2026, 2, 1);
        let outcome = login_as(&pki, &pki.issuing, &expired, versions);
        let on = "2026-02-01T00:00:00Z".parse().unwrap();
        assert_eq!(cause(&outcome), &CertificateCause::Expired { on });
        assert!(in_words(&outcome).contains("expired on 2026-02-01T00:00:00Z"));
        // RFC 8446 section 6.2: the supplicant is told with the alert of that name.
        let Status::Failed(Why::Tls(told)) = &outcome.peer else {
            panic!("{:?}", outcome.peer);
        };
        assert!(told.contains("CertificateExpired"), "{told}");

        let mut early = pki::person("mo", 2);
        early.not_before = date_time_ymd(2026, 4, 1);
        let outcome = login_as(&pki, &pki.issuing, &early, versions);
        let from = "2026-04-01T00:00:00Z".parse().unwrap();
        assert_eq!(cause(&outcome), &CertificateCause::NotYetValid { from });

        let stranger = Authority::root("another root");
        let outcome = login_as(&pki, &stranger, &pki::person("mo", 3), versions);
        assert_eq!(cause(&outcome), &CertificateCause::UnknownIssuer);
        assert!(in_words(&outcome).contains("another root"));

        let mut server = pki::person("mo", 4);
        server.extended_key_usages = vec![ExtendedKeyUsagePurpose::ServerAuth];
        let outcome = login_as(&pki, &pki.issuing, &server, versions);
        let purposes = vec!["serverAuth".to_owned()];
        assert_eq!(
            cause(&outcome),
            &CertificateCause::WrongPurpose { purposes }
        );

        let good = login_as(&pki, &pki.issuing, &pki::person("mo", 5), versions);
        good.agreed();
    }
}

#[test]
fn long_chain_passes() {
    let pki = Pki::new();
    let mut authority = pki.root.below("first");
    for name in ["second", "third", "fourth"] {
        authority = authority.below(name);
    }
    for (versions, _) in VERSIONS {
        let outcome = login_as(&pki, &authority, &pki::person("mo", 9), versions);
        outcome.agreed();
    }
}

#[test]
fn revoked_certificate() {
    let pki = Pki::new();
    for (versions, _) in VERSIONS {
        let mut tls_plan = pki.tls_plan(versions);
        tls_plan.crls = vec![pki.issuing.revoke(7)];
        let mut plan = plan(&pki, EAP_TLS, versions);
        plan.tls = Some(tls(tls_plan));
        let pair = Pair::new(Settings::new(plan).unwrap(), config(&pki, EAP_TLS));
        let outcome = pair.login();
        assert_eq!(cause(&outcome), &CertificateCause::Revoked);
        assert!(
            in_words(&outcome).contains("serial 07"),
            "{}",
            in_words(&outcome)
        );

        let mut tls_plan = pki.tls_plan(versions);
        tls_plan.crls = vec![pki.issuing.revoke(8)];
        let mut plan = self::plan(&pki, EAP_TLS, versions);
        plan.tls = Some(tls(tls_plan));
        let pair = Pair::new(Settings::new(plan).unwrap(), config(&pki, EAP_TLS));
        pair.login().agreed();
    }
}

#[test]
fn supplicant_without_a_certificate() {
    let pki = Pki::new();
    for (versions, _) in VERSIONS {
        let mut client_plan = pki.client_plan();
        client_plan.certificate = None;
        let mut config = config(&pki, EAP_TLS);
        config.tls = Some(client(client_plan));
        let settings = Settings::new(plan(&pki, EAP_TLS, versions)).unwrap();
        let outcome = Pair::new(settings, config).login();
        assert_eq!(outcome.refusal(), &Refusal::NoCertificate);
    }
}

/// The server's certificate, as the supplicant judges it.
fn judged(pki: &Pki, case: Case, versions: Versions, change: impl FnOnce(&mut Pair)) -> Outcome {
    let mut pair = pair(pki, case, versions);
    change(&mut pair);
    pair.login()
}

fn serve(pair: &mut Pair, pki: &Pki, case: Case, versions: Versions, leaf: &CertificateParams) {
    let mut tls_plan = pki.tls_plan(versions);
    (tls_plan.chain, tls_plan.key) = pki.issuing.issue(leaf);
    let mut plan = plan(pki, case, versions);
    plan.tls = Some(tls(tls_plan));
    pair.settings = Settings::new(plan).unwrap().into();
}

#[test]
fn supplicant_refuses_our_certificate() {
    let pki = Pki::new();
    for case in [EAP_TLS, TTLS_PAP, PEAP_MS_CHAP] {
        for (versions, _) in VERSIONS {
            let alert = |outcome: &Outcome| match outcome.refusal() {
                Refusal::Alert(alert) => alert.clone(),
                other => panic!("{case:?}: {other}"),
            };
            // Unknown CA.
            let outcome = judged(&pki, case, versions, |pair| {
                let mut plan = pki.client_plan();
                plan.roots = vec![Authority::root("another root").certificate()];
                std::sync::Arc::get_mut(&mut pair.config).unwrap().tls = Some(client(plan));
            });
            assert_eq!(alert(&outcome).code, 48);
            assert!(in_words(&outcome).contains("CN=Lantern Quay bench issuing"));

            // Expired, by everybody's clock.
            let outcome = judged(&pki, case, versions, |pair| {
                let mut leaf = pki::server("aaa.quay.example");
                leaf.not_after = date_time_ymd(2026, 2, 1);
                serve(pair, &pki, case, versions, &leaf);
            });
            assert_eq!(alert(&outcome).code, 45);
            assert!(!alert(&outcome).shows_skewed_clock());
            assert!(in_words(&outcome).contains("2026-02-01"));

            // Wrong name.
            let outcome = judged(&pki, case, versions, |pair| {
                let leaf = pki::server("other.quay.example");
                serve(pair, &pki, case, versions, &leaf);
            });
            assert_eq!(alert(&outcome).code, 42);
            assert!(in_words(&outcome).contains("other.quay.example"));
        }
    }
}

/// A supplicant whose clock is wrong refuses a certificate that is good, and the refusal says so.
#[test]
fn skewed_clock_of_the_supplicant_is_named() {
    let pki = Pki::new();
    for (versions, _) in VERSIONS {
        let mut pair = pair(&pki, TTLS_PAP, versions);
        pair.peer_clock = Some("2031-01-01T00:00:00Z".parse().unwrap());
        let outcome = pair.login();
        let Refusal::Alert(alert) = outcome.refusal() else {
            panic!("{:?}", outcome.server);
        };
        assert!(alert.shows_skewed_clock());
        assert!(in_words(&outcome).contains("the supplicant's clock is wrong"));
    }
}

#[test]
fn no_tls_version_in_common() {
    let pki = Pki::new();
    for (server, tls12, tls13) in [
        (Versions::Tls13, true, false),
        (Versions::Tls12, false, true),
    ] {
        let mut client_plan = pki.client_plan();
        (client_plan.tls12, client_plan.tls13) = (tls12, tls13);
        let mut config = config(&pki, EAP_TLS);
        config.tls = Some(client(client_plan));
        let settings = Settings::new(plan(&pki, EAP_TLS, server)).unwrap();
        let outcome = Pair::new(settings, config).login();
        assert!(
            matches!(
                outcome.refusal(),
                Refusal::NoCommonTls {
                    what: "TLS version"
                }
            ),
            "{:?}",
            outcome.server
        );
    }
}

/// RFC 2759 section 8.8: a server whose proof does not fit knows no password, and the supplicant
/// leaves it. Somebody on the way changes the proof.
#[test]
fn supplicant_does_not_believe_a_wrong_proof() {
    let pki = Pki::new();
    let mut pair = pair(&pki, PLAIN[1], Versions::Tls12);
    pair.tamper = |request| {
        if let Some(at) = request.windows(2).position(|octets| octets == b"S=") {
            request[at + 2] ^= 1;
        }
    };
    let outcome = pair.login();
    assert_eq!(outcome.peer, Status::Failed(Why::ServerNotProven));
    let expected = Refusal::ServerNotProven {
        identity: "mo".to_owned(),
    };
    assert_eq!(outcome.refusal(), &expected);
}

#[test]
fn machine_whose_name_differs_from_its_identity() {
    let pki = Pki::new();
    let mut config = config(&pki, PEAP_MS_CHAP);
    config.account = "host/till-3.quay.example".to_owned();
    config.ms_chap_name = Some("QUAY\\TILL-3$".to_owned());
    let settings = Settings::new(plan(&pki, PEAP_MS_CHAP, Versions::Both)).unwrap();
    let mut pair = Pair::new(settings, config);
    let machine = "host/till-3.quay.example";
    pair.book = Book::default().with(machine, Password::text("gangway"), AccountState::Active);
    assert_eq!(pair.login().agreed().identity, machine);
}

/// A supplicant that goes silent: the refusal says where it stood.
#[test]
fn silence_is_named_by_where_it_began() {
    use Silence::{Fragment, Last, Offer, ServerCertificate};
    let pki = Pki::new();
    let mut tls_plan = pki.tls_plan(Versions::Tls12);
    tls_plan.resumption = None;
    let mut plan = plan(&pki, EAP_TLS, Versions::Tls12);
    plan.tls = Some(tls(tls_plan));
    plan.fragment = 1000;
    let mut config = config(&pki, EAP_TLS);
    config.fragment = 3000;
    let pair = Pair::new(Settings::new(plan).unwrap(), config);
    let rounds = pair.login().requests.len();
    let silences: Vec<Silence> = (0..rounds)
        .map(|at| {
            let gone = |round| {
                if round == at {
                    Mishap::Gone
                } else {
                    Mishap::None
                }
            };
            match pair.login_with(gone).server {
                Err(Refusal::Silent(silence)) => silence,
                other => panic!("{other:?}"),
            }
        })
        .collect();
    let [who, offer, fragment, certificate, last] = silences.as_slice() else {
        panic!("{silences:?}")
    };
    assert_eq!(who, &Silence::Identity);
    assert_eq!(offer, &Offer(Method::Tls));
    assert!(matches!(fragment, Fragment { sent: 990, of } if (1000..3000).contains(of)));
    assert_eq!(certificate, &ServerCertificate(Method::Tls));
    assert_eq!(last, &Last(Method::Tls));
    for silence in silences {
        assert!(!silence.to_string().contains('\n'));
    }
}

/// RFC 3748 section 4.2: the supplicant passes over a success that comes before its method is done;
/// with TLS 1.3 that is before the protected success (RFC 9190 section 2.1.1).
#[test]
fn early_success_is_passed_over() {
    let pki = Pki::new();
    for case in PLAIN.into_iter().chain(TUNNELS) {
        for (versions, _) in VERSIONS {
            let pair = pair(&pki, case, versions);
            pair.login_with(|_| Mishap::EarlySuccess).agreed();
        }
    }
}
