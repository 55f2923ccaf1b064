//! EAP-TLS logins beside bare TLS handshakes with the same certificates in the same run, and the
//! memory of 10,000 logins in progress.
//!
//! `cargo bench --bench eap`, or with other numbers `-- LOGINS IN_PROGRESS`. Only the server's share
//! is counted: the time within its calls, on one core. Prints a table; the tests hold no limit in
//! seconds, so that a busy machine fails nothing.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic
)]

#[path = "../eap/pki.rs"]
#[allow(dead_code)]
mod pki;

use std::sync::Arc;
use std::time::{Duration, Instant};

use jiff::Timestamp;
use portproof::eap::codec::Type;
use portproof::eap::{Account, Conversation, Credentials, Method, Plan, Settings, Step, Versions};
use portproof::stand_in::supplicant::{Config, Supplicant};
use rand::SeedableRng;
use rand::rngs::StdRng;
use rustls::client::Resumption;
use rustls::crypto::ring::default_provider;
use rustls::pki_types::UnixTime;
use rustls::server::{ServerSessionMemoryCache, WebPkiClientVerifier};
use rustls::time_provider::TimeProvider;
use rustls::version::{TLS12, TLS13};
use rustls::{
    ClientConfig, ClientConnection, HandshakeKind, RootCertStore, ServerConfig, ServerConnection,
    SupportedProtocolVersion,
};

struct Nobody;

impl Credentials for Nobody {
    fn account(&self, _identity: &str) -> Option<Account> {
        None
    }
}

fn main() {
    let mut numbers = std::env::args().filter_map(|argument| argument.parse::<u32>().ok());
    let logins = numbers.next().unwrap_or(2000);
    let in_progress = numbers.next().unwrap_or(10_000);
    let pki = pki::Pki::new();
    println!("{logins} logins a row, on one core; the server's share");
    println!(
        "{:<26} {:>12} {:>10} {:>14} {:>7}",
        "", "us a login", "a second", "bare TLS, us", "ratio"
    );
    for (versions, version, name) in [
        (Versions::Tls12, &TLS12, "EAP-TLS, TLS 1.2"),
        (Versions::Tls13, &TLS13, "EAP-TLS, TLS 1.3"),
    ] {
        for resumed in [false, true] {
            let login = eap_logins(&pki, versions, resumed, logins);
            let bare = bare_handshakes(&pki, version, resumed, logins);
            let micros = |time: Duration| time.as_secs_f64() * 1e6 / f64::from(logins);
            println!(
                "{:<26} {:>12.1} {:>10.0} {:>14.1} {:>7.2}",
                format!("{name}{}", if resumed { ", resumed" } else { "" }),
                micros(login),
                1e6 / micros(login),
                micros(bare),
                micros(login) / micros(bare)
            );
        }
    }
    memory(&pki, in_progress);
}

fn settings(pki: &pki::Pki, versions: Versions) -> Arc<Settings> {
    let plan = Plan {
        preference: vec![Method::Tls],
        tls: Some(pki::tls(pki.tls_plan(versions))),
        ..Plan::default()
    };
    Arc::new(Settings::new(plan).unwrap())
}

fn config(pki: &pki::Pki, resumption: bool) -> Arc<Config> {
    let mut plan = pki.client_plan();
    plan.resumption = resumption;
    Arc::new(Config {
        identity: "mo".to_owned(),
        methods: vec![Type::TLS],
        tls: Some(pki::client(plan)),
        ..Config::default()
    })
}

fn eap_logins(pki: &pki::Pki, versions: Versions, resumed: bool, logins: u32) -> Duration {
    let (settings, config) = (settings(pki, versions), config(pki, resumed));
    let mut rng = StdRng::seed_from_u64(1);
    let now: Timestamp = pki::NOW.parse().unwrap();
    let mut spent = Duration::ZERO;
    // The first login of a resumed row is a full one, and not counted.
    for count in 0..=logins {
        let mut peer = Supplicant::new(config.clone());
        let mut server = None;
        let mut request = vec![1, 7, 0, 5, 1];
        loop {
            let response = peer.handle(now, &request, &mut rng).unwrap();
            let start = Instant::now();
            let server = server.get_or_insert_with(|| Conversation::new(settings.clone()));
            let step = server.handle(now, &response, None, &Nobody, &mut rng);
            if count > 0 {
                spent += start.elapsed();
            }
            match step {
                Step::Send(next) => request = next,
                Step::Success(proof, _) => {
                    assert_eq!(proof.resumed, resumed && count > 0);
                    break;
                }
                other => panic!("{other:?}"),
            }
        }
    }
    spent
}

#[derive(Debug)]
struct Clock;

impl TimeProvider for Clock {
    fn current_time(&self) -> Option<UnixTime> {
        let now: Timestamp = pki::NOW.parse().unwrap();
        let seconds = Duration::from_secs(now.as_second().try_into().unwrap());
        Some(UnixTime::since_unix_epoch(seconds))
    }
}

fn bare_handshakes(
    pki: &pki::Pki,
    version: &'static SupportedProtocolVersion,
    resumed: bool,
    logins: u32,
) -> Duration {
    let provider = Arc::new(default_provider());
    let mut roots = RootCertStore::empty();
    roots.add(pki.root.certificate()).unwrap();
    let roots = Arc::new(roots);
    let verifier = WebPkiClientVerifier::builder_with_provider(roots.clone(), provider.clone());
    let mut server = ServerConfig::builder_with_details(provider.clone(), Arc::new(Clock))
        .with_protocol_versions(&[version])
        .unwrap()
        .with_client_cert_verifier(verifier.build().unwrap())
        .with_single_cert(pki.server.0.clone(), pki.server.1.clone_key())
        .unwrap();
    server.send_tls13_tickets = 1;
    server.session_storage = ServerSessionMemoryCache::new(4096);
    let mut client = ClientConfig::builder_with_details(provider, Arc::new(Clock))
        .with_protocol_versions(&[version])
        .unwrap()
        .with_root_certificates(roots)
        .with_client_auth_cert(pki.person.0.clone(), pki.person.1.clone_key())
        .unwrap();
    if !resumed {
        client.resumption = Resumption::disabled();
    }
    let (server, client) = (Arc::new(server), Arc::new(client));
    let mut spent = Duration::ZERO;
    for count in 0..=logins {
        let name = "aaa.quay.example".try_into().unwrap();
        let mut client = ClientConnection::new(client.clone(), name).unwrap();
        let start = Instant::now();
        let mut server = ServerConnection::new(server.clone()).unwrap();
        let mut own = start.elapsed();
        while client.is_handshaking() || server.is_handshaking() || client.wants_write() {
            let mut octets = Vec::new();
            while client.wants_write() {
                client.write_tls(&mut octets).unwrap();
            }
            let start = Instant::now();
            let mut rest = octets.as_slice();
            while !rest.is_empty() {
                server.read_tls(&mut rest).unwrap();
                server.process_new_packets().unwrap();
            }
            let mut octets = Vec::new();
            while server.wants_write() {
                server.write_tls(&mut octets).unwrap();
            }
            own += start.elapsed();
            let mut rest = octets.as_slice();
            while !rest.is_empty() {
                client.read_tls(&mut rest).unwrap();
                client.process_new_packets().unwrap();
            }
        }
        let is_resumed = server.handshake_kind() == Some(HandshakeKind::Resumed);
        assert_eq!(is_resumed, resumed && count > 0);
        if count > 0 {
            spent += own;
        }
    }
    spent
}

/// Logins where they hold most: the supplicant's hello is answered, and our certificate on its way.
/// All get the same hello, which a server cannot tell.
fn memory(pki: &pki::Pki, count: u32) {
    let settings = settings(pki, Versions::Both);
    let mut peer = Supplicant::new(config(pki, false));
    let mut rng = StdRng::seed_from_u64(1);
    let now: Timestamp = pki::NOW.parse().unwrap();
    let identity = peer.handle(now, &[1, 7, 0, 5, 1], &mut rng).unwrap();
    let mut begin = |hello: &dyn Fn(&[u8]) -> Vec<u8>| {
        let mut server = Conversation::new(settings.clone());
        let mut give = |octets: &[u8]| match server.handle(now, octets, None, &Nobody, &mut rng) {
            Step::Send(request) => request,
            other => panic!("{other:?}"),
        };
        let start = give(&identity);
        give(&hello(&start));
        server
    };
    let peer = std::cell::RefCell::new((peer, StdRng::seed_from_u64(2)));
    let hello = std::cell::OnceCell::new();
    let answer = |start: &[u8]| {
        let (peer, rng) = &mut *peer.borrow_mut();
        hello
            .get_or_init(|| peer.handle(now, start, rng).unwrap())
            .clone()
    };
    let first = begin(&answer);
    let before = resident();
    let held: Vec<Conversation> = (0..count).map(|_| begin(&answer)).collect();
    let grown = resident().saturating_sub(before);
    println!(
        "{} logins in progress: {} MiB resident, {} octets each",
        held.len(),
        grown >> 20,
        grown / u64::from(count.max(1))
    );
    drop((first, held));
}

/// Resident memory of this process in octets, as Linux tells it.
fn resident() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let line = status.lines().find(|line| line.starts_with("VmRSS"));
    let kib: u64 = line
        .and_then(|line| line.split_whitespace().nth(1)?.parse().ok())
        .unwrap();
    kib << 10
}
