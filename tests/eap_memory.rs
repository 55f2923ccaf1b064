//! What one login holds in memory: while it is in progress, and when it is over.

// clippy.toml allows these in tests, and not in the helpers beside them.
#![allow(
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic,
    clippy::unwrap_used
)]

#[path = "eap/pki.rs"]
#[allow(dead_code)]
mod pki;

use std::sync::Arc;

use portproof::eap::codec::Type;
use portproof::eap::{Account, Conversation, Credentials, Method, Plan, Settings, Step, Versions};
use portproof::stand_in::supplicant::{Config, Supplicant};
use rand::SeedableRng;
use rand::rngs::StdRng;

/// Most octets of a login in progress, so that 10,000 of them stay below 160 MiB. Half of it is the
/// TLS library's: its connection, its input buffer and its transcript.
const IN_PROGRESS: u64 = 16 * 1024;
/// Most octets of a login that is over: its proof, and what a repeated response gets.
const OVER: u64 = 3 * 1024;

struct Nobody;

impl Credentials for Nobody {
    fn account(&self, _identity: &str) -> Option<Account> {
        None
    }
}

/// What a supplicant says in one login; the keys of TLS make it different each time.
struct Login<'a> {
    settings: &'a Arc<Settings>,
    peer: Supplicant,
    rng: StdRng,
}

impl Login<'_> {
    /// Runs the login until the server has sent this many requests, or it is over.
    fn run(&mut self, requests: usize) -> (Conversation, bool) {
        let now = pki::NOW.parse().unwrap();
        let mut server = Conversation::new(self.settings.clone());
        let mut request = vec![1, 7, 0, 5, 1];
        for _ in 0..requests {
            let response = self.peer.handle(now, &request, &mut self.rng).unwrap();
            match server.handle(now, &response, None, &Nobody, &mut self.rng) {
                Step::Send(next) => request = next,
                Step::Success(..) => return (server, true),
                other => panic!("{other:?}"),
            }
        }
        (server, false)
    }
}

#[test]
fn login_in_progress_and_over() {
    let pki = pki::Pki::new();
    for versions in [Versions::Tls12, Versions::Tls13] {
        let mut tls_plan = pki.tls_plan(versions);
        // Sessions that are kept are bounded by themselves, and not part of the login.
        tls_plan.resumption = None;
        let plan = Plan {
            preference: vec![Method::Tls],
            tls: Some(pki::tls(tls_plan)),
            ..Plan::default()
        };
        let settings = Arc::new(Settings::new(plan).unwrap());
        let config = Arc::new(Config {
            identity: "mo".to_owned(),
            methods: vec![Type::TLS],
            tls: Some(pki::client(pki.client_plan())),
            ..Config::default()
        });
        for requests in 1.. {
            let mut login = Login {
                settings: &settings,
                peer: Supplicant::new(config.clone()),
                rng: StdRng::seed_from_u64(1),
            };
            let (server, over) = login.run(requests);
            // What is given back by letting go of the server's side is what it held.
            let freed = allocation_counter::measure(|| drop(server)).bytes_current;
            let held = u64::try_from(-freed).unwrap();
            println!("{versions:?}, {requests} requests, over: {over}: {held} octets");
            assert!(held < if over { OVER } else { IN_PROGRESS });
            if over {
                break;
            }
        }
    }
}
