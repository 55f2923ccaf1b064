//! Sets of bench certificates, read back with another library than the one that made them and
//! checked by a real TLS verifier.
#![allow(clippy::unwrap_used, clippy::indexing_slicing, clippy::panic)]

use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;
use std::sync::Arc;

use jiff::{SignedDuration, Timestamp};
use portproof::certs::{BenchSet, CertsError, Entry, Plan, Role, Variant, make, write};
use rustls::client::WebPkiServerVerifier;
use rustls::client::danger::ServerCertVerifier as _;
use rustls::pki_types::pem::PemObject as _;
use rustls::pki_types::{CertificateDer, CertificateRevocationListDer, ServerName, UnixTime};
use rustls::server::WebPkiClientVerifier;
use rustls::{CertificateError, Error, RootCertStore};
use x509_parser::prelude::*;

const NOW: i64 = 1_790_000_000;

fn now() -> Timestamp {
    Timestamp::from_second(NOW).unwrap()
}

fn plan() -> Plan {
    Plan {
        organisation: "Lantern Quay".into(),
        domain: "lantern-quay.example".into(),
        server: "radius".into(),
        machines: vec!["office-1".into()],
        people: vec!["clerk".into()],
        days: 90,
        passphrase: "bench-only".into(),
    }
}

fn set() -> BenchSet {
    make(&plan(), now()).unwrap()
}

fn chain(set: &BenchSet, path: &str) -> Vec<CertificateDer<'static>> {
    let pem = &set.file(path).unwrap().content;
    CertificateDer::pem_slice_iter(pem)
        .collect::<Result<_, _>>()
        .unwrap()
}

fn entry(set: &BenchSet, role: Role, variant: Variant) -> &Entry {
    set.manifest
        .entries
        .iter()
        .find(|entry| entry.role == role && entry.variant == variant)
        .unwrap()
}

fn roots(set: &BenchSet, path: &str) -> Arc<RootCertStore> {
    let mut roots = RootCertStore::empty();
    roots.add(chain(set, path).remove(0)).unwrap();
    Arc::new(roots)
}

fn revocation_lists(set: &BenchSet) -> Vec<CertificateRevocationListDer<'static>> {
    CertificateRevocationListDer::pem_slice_iter(&set.file("ca/revoked.crl.pem").unwrap().content)
        .collect::<Result<_, _>>()
        .unwrap()
}

fn provider() -> Arc<rustls::crypto::CryptoProvider> {
    Arc::new(rustls::crypto::ring::default_provider())
}

fn unix(seconds: i64) -> UnixTime {
    UnixTime::since_unix_epoch(std::time::Duration::from_secs(seconds.try_into().unwrap()))
}

/// What a TLS server that trusts the authority and has its revocation lists says of a client.
fn client_verdict(set: &BenchSet, authority: &str, entry: &Entry) -> Result<(), Error> {
    let verifier = WebPkiClientVerifier::builder_with_provider(roots(set, authority), provider())
        .with_crls(revocation_lists(set))
        .allow_unknown_revocation_status()
        .build()
        .unwrap();
    let chain = chain(set, &entry.certificate);
    verifier
        .verify_client_cert(&chain[0], &chain[1..], unix(NOW))
        .map(drop)
}

/// What a TLS client that trusts the authority and expects the name says of a server.
fn server_verdict(set: &BenchSet, authority: &str, entry: &Entry) -> Result<(), Error> {
    let verifier = WebPkiServerVerifier::builder_with_provider(roots(set, authority), provider())
        .with_crls(revocation_lists(set))
        .allow_unknown_revocation_status()
        .build()
        .unwrap();
    let chain = chain(set, &entry.certificate);
    let name = ServerName::try_from(set.manifest.server_name.clone()).unwrap();
    verifier
        .verify_server_cert(&chain[0], &chain[1..], &name, &[], unix(NOW))
        .map(drop)
}

fn reason(verdict: Result<(), Error>) -> CertificateError {
    match verdict {
        Err(Error::InvalidCertificate(reason)) => reason,
        other => panic!("not a refused certificate: {other:?}"),
    }
}

/// RFC 5280 section 6.1: a path is good, or refused for the reason that its entry names.
#[test]
fn a_verifier_takes_or_refuses_each_client_certificate_as_the_manifest_says() {
    let set = set();
    for role in [Role::Machine, Role::Person] {
        let verdict = |variant| client_verdict(&set, "ca/bench-ca.pem", entry(&set, role, variant));
        verdict(Variant::Good).unwrap();
        verdict(Variant::LongChain).unwrap();
        // Whose it is is no question of the path, so the verifier takes it.
        verdict(Variant::WrongName).unwrap();
        assert!(matches!(
            reason(verdict(Variant::Expired)),
            CertificateError::ExpiredContext { .. }
        ));
        assert!(matches!(
            reason(verdict(Variant::NotYetValid)),
            CertificateError::NotValidYetContext { .. }
        ));
        assert!(matches!(
            reason(verdict(Variant::WrongUsage)),
            CertificateError::InvalidPurposeContext { .. }
        ));
        assert_eq!(reason(verdict(Variant::Revoked)), CertificateError::Revoked);
        assert_eq!(
            reason(verdict(Variant::UnknownIssuer)),
            CertificateError::UnknownIssuer
        );
        client_verdict(
            &set,
            "ca/unknown-ca.pem",
            entry(&set, role, Variant::UnknownIssuer),
        )
        .unwrap();
    }
}

/// RFC 5280 section 6.1 and RFC 9525 section 6.3 (names).
#[test]
fn a_verifier_takes_or_refuses_each_server_certificate_as_the_manifest_says() {
    let set = set();
    let verdict =
        |variant| server_verdict(&set, "ca/bench-ca.pem", entry(&set, Role::Server, variant));
    verdict(Variant::Good).unwrap();
    verdict(Variant::LongChain).unwrap();
    assert!(matches!(
        reason(verdict(Variant::Expired)),
        CertificateError::ExpiredContext { .. }
    ));
    assert!(matches!(
        reason(verdict(Variant::NotYetValid)),
        CertificateError::NotValidYetContext { .. }
    ));
    assert!(matches!(
        reason(verdict(Variant::WrongUsage)),
        CertificateError::InvalidPurposeContext { .. }
    ));
    assert!(matches!(
        reason(verdict(Variant::WrongName)),
        CertificateError::NotValidForNameContext { .. }
    ));
    assert_eq!(reason(verdict(Variant::Revoked)), CertificateError::Revoked);
    assert_eq!(
        reason(verdict(Variant::UnknownIssuer)),
        CertificateError::UnknownIssuer
    );
}

#[test]
fn every_certificate_says_bench_only_in_its_subject_and_its_file() {
    let set = set();
    for file in &set.files {
        if file.path.ends_with(".p12") || file.path.ends_with(".json") {
            continue;
        }
        assert!(file.content.starts_with(b"# Bench only."), "{file:?}");
    }
    let authorities = ["ca/bench-ca.pem", "ca/unknown-ca.pem"];
    let leaves = set.manifest.entries.iter().map(|e| e.certificate.as_str());
    for path in authorities.into_iter().chain(leaves) {
        for der in chain(&set, path) {
            let (rest, certificate) = X509Certificate::from_der(&der).unwrap();
            assert!(rest.is_empty());
            let subject = certificate.subject().to_string();
            assert!(subject.contains("(bench only)"), "{path}: {subject}");
        }
    }
}

/// RFC 5280 section 4.2.1.6 for the forms; 1.3.6.1.4.1.311.20.2.3 is common practice, no RFC.
#[test]
fn alternative_names_have_the_form_of_their_role() {
    let set = set();
    let names = |role| {
        let der = chain(&set, &entry(&set, role, Variant::Good).certificate).remove(0);
        let (_, certificate) = X509Certificate::from_der(&der).unwrap();
        certificate
            .subject_alternative_name()
            .unwrap()
            .unwrap()
            .value
            .general_names
            .iter()
            .map(|name| match name {
                GeneralName::DNSName(host) => format!("dns {host}"),
                GeneralName::RFC822Name(address) => format!("mail {address}"),
                GeneralName::OtherName(oid, value) => {
                    // [0] EXPLICIT UTF8String
                    assert_eq!(value[0], 0xa0);
                    assert_eq!(value[2], 0x0c);
                    format!("{oid} {}", String::from_utf8_lossy(&value[4..]))
                }
                other => panic!("{other:?}"),
            })
            .collect::<Vec<_>>()
    };
    assert_eq!(names(Role::Server), ["dns radius.lantern-quay.example"]);
    assert_eq!(names(Role::Machine), ["dns office-1.lantern-quay.example"]);
    assert_eq!(
        names(Role::Person),
        [
            "mail clerk@lantern-quay.example",
            "1.3.6.1.4.1.311.20.2.3 clerk@lantern-quay.example"
        ]
    );
    assert_eq!(
        entry(&set, Role::Person, Variant::Good).alternative_names,
        [
            "email:clerk@lantern-quay.example",
            "UPN:clerk@lantern-quay.example"
        ]
    );
    assert_eq!(
        entry(&set, Role::Person, Variant::WrongName).alternative_names,
        [
            "email:nobody@lantern-quay.example",
            "UPN:nobody@lantern-quay.example"
        ]
    );
}

/// RFC 5280 sections 4.2.1.3 (key usage), 4.2.1.9 (basic constraints), 4.2.1.12 (extended usage).
#[test]
fn usages_and_dates_are_those_of_the_entry() {
    let set = set();
    for entry in &set.manifest.entries {
        let der = chain(&set, &entry.certificate).remove(0);
        let (_, certificate) = X509Certificate::from_der(&der).unwrap();
        let usage = certificate.extended_key_usage().unwrap().unwrap().value;
        let serves = (entry.role == Role::Server) != (entry.variant == Variant::WrongUsage);
        assert_eq!(
            (usage.server_auth, usage.client_auth),
            (serves, !serves),
            "{}",
            entry.certificate
        );
        assert!(!certificate.is_ca());
        let validity = certificate.validity();
        assert_eq!(
            validity.not_before.timestamp(),
            entry.valid_from.as_second()
        );
        assert_eq!(
            validity.not_after.timestamp(),
            entry.valid_until.as_second()
        );
        let serial: String = certificate
            .raw_serial()
            .iter()
            .map(|octet| format!("{octet:02x}"))
            .collect();
        assert_eq!(serial, entry.serial);
    }
    let good = entry(&set, Role::Person, Variant::Good);
    assert_eq!(
        good.valid_until,
        now() + SignedDuration::from_hours(24 * 90)
    );
}

#[test]
fn a_long_chain_has_four_authorities_above_the_leaf() {
    let set = set();
    let chain = chain(
        &set,
        &entry(&set, Role::Server, Variant::LongChain).certificate,
    );
    assert_eq!(chain.len(), 5);
    let octets: usize = chain.iter().map(|der| der.len()).sum();
    assert!(octets > 2 * 1024, "{octets} octets fit too few fragments");
}

/// RFC 7292: the file opens with its passphrase, with no other, and holds key and whole chain.
#[test]
fn pkcs12_files_hold_the_key_and_the_chain_up_to_the_root() {
    let set = set();
    for (variant, depth) in [(Variant::Good, 2), (Variant::LongChain, 6)] {
        let entry = entry(&set, Role::Person, variant);
        let octets = &set.file(entry.pkcs12.as_ref().unwrap()).unwrap().content;
        let policy = p12_keystore::Pkcs12ImportPolicy::Strict;
        assert!(p12_keystore::KeyStore::from_pkcs12(octets, "other", policy).is_err());
        let store = p12_keystore::KeyStore::from_pkcs12(octets, "bench-only", policy).unwrap();
        let (_, bundle) = store.private_key_chain().unwrap();
        assert_eq!(bundle.certs().len(), depth);
        assert_eq!(
            bundle.certs()[0].as_der(),
            chain(&set, &entry.certificate)[0].as_ref()
        );
        let pem = &set.file(&entry.key).unwrap().content;
        let key = rustls::pki_types::PrivatePkcs8KeyDer::from_pem_slice(pem).unwrap();
        assert_eq!(bundle.key().as_der(), key.secret_pkcs8_der());
    }
}

#[test]
fn the_manifest_names_every_file_but_the_profiles_and_itself() {
    let set = set();
    let mut named: Vec<&str> = vec!["ca/bench-ca.pem", "ca/unknown-ca.pem", "ca/revoked.crl.pem"];
    for entry in &set.manifest.entries {
        named.extend([entry.certificate.as_str(), entry.key.as_str()]);
        named.extend(entry.pkcs12.as_deref());
    }
    for file in &set.files {
        let path = file.path.as_str();
        let known = named.contains(&path)
            || path.starts_with("profiles/")
            || ["ca/bench-ca.key", "manifest.json", "README.txt"].contains(&path);
        assert!(known, "{path}");
    }
    for path in named {
        assert!(set.file(path).is_some(), "{path}");
    }
    let json: serde_json::Value =
        serde_json::from_slice(&set.file("manifest.json").unwrap().content).unwrap();
    assert_eq!(json["entries"].as_array().unwrap().len(), 3 * 8);
    assert_eq!(json["entries"][1]["variant"], "expired");
    assert_eq!(json["entries"][1]["should_be_taken"], false);
}

#[test]
fn profiles_name_files_of_the_set() {
    let set = set();
    let mut seen = 0;
    for file in &set.files {
        if !file.path.starts_with("profiles/") {
            continue;
        }
        seen += 1;
        let text = String::from_utf8(file.content.to_vec()).unwrap();
        for line in text.lines() {
            let Some((key, value)) = line.trim().split_once('=') else {
                continue;
            };
            if ["ca_cert", "client_cert", "private_key"].contains(&key) {
                let path = value.trim_matches('"');
                assert!(set.file(path).is_some(), "{}: {path}", file.path);
            }
        }
    }
    assert_eq!(seen, 1 + 4);
}

#[test]
fn keys_on_disk_are_for_the_owner_only() {
    let home = tempfile::tempdir().unwrap();
    let directory = home.path().join("new/certs");
    let set = set();
    write(&set, &directory, false).unwrap();
    let mode = |path: &Path| path.metadata().unwrap().permissions().mode() & 0o777;
    assert_eq!(mode(&directory), 0o700);
    let mut keys = 0;
    for file in &set.files {
        let path = directory.join(&file.path);
        assert_eq!(std::fs::read(&path).unwrap(), *file.content);
        assert_eq!(mode(path.parent().unwrap()), 0o700);
        if path.extension().is_some_and(|e| e == "key" || e == "p12") {
            assert_eq!(mode(&path), 0o600, "{}", file.path);
            keys += 1;
        }
    }
    // One authority; eight each for three holders, two of them with PKCS#12 as well.
    assert_eq!(keys, 1 + 3 * 8 + 2 * 8);
}

#[test]
fn nothing_is_overwritten_unasked() {
    let home = tempfile::tempdir().unwrap();
    let first = set();
    write(&first, home.path(), false).unwrap();
    let key = home.path().join("person/clerk/good.key");
    let before = std::fs::read(&key).unwrap();

    let second = set();
    let refusal = write(&second, home.path(), false).unwrap_err();
    assert!(matches!(refusal, CertsError::Exists(_)));
    assert!(refusal.to_string().contains("--force"));
    assert_eq!(std::fs::read(&key).unwrap(), before);

    // With force, a key that somebody opened up is closed again, and a link is replaced.
    std::fs::set_permissions(&key, std::fs::Permissions::from_mode(0o644)).unwrap();
    let elsewhere = home.path().join("elsewhere");
    std::fs::write(&elsewhere, "mine").unwrap();
    let linked = home.path().join("server/good.key");
    std::fs::remove_file(&linked).unwrap();
    std::os::unix::fs::symlink(&elsewhere, &linked).unwrap();
    write(&second, home.path(), true).unwrap();
    assert_ne!(std::fs::read(&key).unwrap(), before);
    assert_eq!(key.metadata().unwrap().permissions().mode() & 0o777, 0o600);
    assert_eq!(std::fs::read(&elsewhere).unwrap(), b"mine");
    assert!(linked.symlink_metadata().unwrap().is_file());
}

#[test]
fn one_file_in_the_way_stops_the_whole_set() {
    let home = tempfile::tempdir().unwrap();
    std::fs::write(home.path().join("README.txt"), "mine").unwrap();
    assert!(write(&set(), home.path(), false).is_err());
    let left: Vec<_> = std::fs::read_dir(home.path()).unwrap().collect();
    assert_eq!(left.len(), 1);
}
