//! What the responder costs per datagram, in memory: no socket, no storage.
//!
//! `cargo bench --bench respond`. Prints the median over rounds in ns; the tests hold no limit in
//! seconds, so that a busy machine fails nothing.

// A bench is a test in this: it may give up on anything unexpected.
#![allow(clippy::expect_used, clippy::indexing_slicing, clippy::unwrap_used)]

use std::hint::black_box;
use std::net::SocketAddr;
use std::path::Path;
use std::sync::Arc;
use std::time::Instant;

use jiff::{SignedDuration, Timestamp};
use portproof::bench::{Bench, MethodName, load};
use portproof::decide::{Facts, decide};
use portproof::journal::Link;
use portproof::respond::Responder;
use portproof::roster::Roster;
use portproof::wire::registry::attributes as a;
use portproof::wire::{Builder, Code, Mac, Packet, Secret, hide, sign};
use rand::SeedableRng;
use rand::rngs::StdRng;

const ROUNDS: usize = 7;
const DEVICES: u32 = 20_000;

fn main() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("lab/lantern-quay.yaml");
    let bench = Arc::new(load(&path).expect("the bench file that ships").bench);
    let requests: Vec<Vec<u8>> = (0..DEVICES).map(|n| access_request(&bench, n)).collect();
    println!(
        "{} octets, {} rows in the table",
        requests[0].len(),
        bench.table.classes.len()
    );
    parts(&bench, &requests);
    whole(&bench, &requests);
    accounting(&bench);
}

/// The steps of an answer, one by one.
fn parts(bench: &Bench, requests: &[Vec<u8>]) {
    let secret = secret(bench);
    let packets: Vec<Packet<'_>> = requests.iter().map(|r| Packet::parse(r).unwrap()).collect();
    measure("decode", requests, |request| {
        black_box(Packet::parse(request).unwrap());
    });
    measure("verify Message-Authenticator", &packets, |packet| {
        black_box(sign::check_message_authenticator(packet, None, secret));
    });
    measure("decide, with its trace", &packets, |packet| {
        let facts = Facts {
            now: Timestamp::UNIX_EPOCH,
            switch: &bench.switches[0],
            port: Some("7"),
            mac: Some(device(3)),
            method: MethodName::Mac,
            login: None,
            request: Some(*packet),
            device: None,
        };
        black_box(decide(&facts, &bench.table));
    });
    measure("build and sign", &packets, |packet| {
        let mut builder = Builder::new(Code::ACCESS_ACCEPT, packet.identifier());
        builder.message_authenticator().unwrap();
        builder.push(a::TUNNEL_TYPE, &[0, 0, 0, 13]).unwrap();
        builder.push(a::TUNNEL_MEDIUM_TYPE, &[0, 0, 0, 6]).unwrap();
        builder.push(a::TUNNEL_PRIVATE_GROUP_ID, b"\x0099").unwrap();
        builder.push(a::CLASS, &[0; 20]).unwrap();
        black_box(builder.finish_response(packet.authenticator(), secret));
    });
}

/// `handle`, with the roster filled.
fn whole(bench: &Arc<Bench>, requests: &[Vec<u8>]) {
    let mut rig = Rig::new(bench);
    for request in requests {
        rig.handle(Link::Authentication, request);
    }
    measure(
        "handle: accept anew, one device",
        &vec![&requests[0]; 20_000],
        |request| {
            rig.forget_answers();
            rig.handle(Link::Authentication, request);
        },
    );
    measure("handle: accept anew, 20,000 devices", requests, |request| {
        rig.forget_answers();
        rig.handle(Link::Authentication, request);
    });
    rig.handle(Link::Authentication, &requests[0]);
    measure(
        "handle: retransmission",
        &vec![&requests[0]; 20_000],
        |request| {
            rig.handle(Link::Authentication, request);
        },
    );
}

fn accounting(bench: &Arc<Bench>) {
    let mut rig = Rig::new(bench);
    let reports: Vec<Vec<u8>> = (0..DEVICES).map(|n| interim(bench, n)).collect();
    for report in &reports {
        rig.handle(Link::Accounting, report);
    }
    measure(
        "handle: interim update, 20,000 sessions",
        &reports,
        |report| {
            rig.forget_answers();
            rig.handle(Link::Accounting, report);
        },
    );
}

struct Rig {
    responder: Responder,
    roster: Roster,
    rng: StdRng,
    now: Timestamp,
}

impl Rig {
    fn new(bench: &Arc<Bench>) -> Rig {
        Rig {
            responder: Responder::new(Arc::clone(bench)),
            roster: Roster::default(),
            rng: StdRng::seed_from_u64(7),
            now: Timestamp::UNIX_EPOCH,
        }
    }

    fn handle(&mut self, link: Link, datagram: &[u8]) {
        let local = SocketAddr::from(([127, 0, 0, 1], 1812));
        let peer = SocketAddr::from(([127, 0, 0, 1], 50_000));
        let effects = self.responder.handle(
            self.now,
            &mut self.roster,
            link,
            local,
            peer,
            datagram,
            &mut self.rng,
        );
        assert_eq!(effects.transmits.len(), 1, "{:?}", effects.entries);
        black_box(effects);
    }

    /// The next datagram comes half a minute later, when no answer is kept any more.
    fn forget_answers(&mut self) {
        self.now += SignedDuration::from_secs(31);
    }
}

fn access_request(bench: &Bench, number: u32) -> Vec<u8> {
    let mac = device(number);
    let bare = mac.spell(None, 0, false);
    let mut authenticator = [7; 16];
    authenticator[..4].copy_from_slice(&number.to_be_bytes());
    let secret = secret(bench);
    let password = hide::hide_password(bare.as_bytes(), secret, &authenticator).unwrap();
    let mut builder = Builder::new(Code::ACCESS_REQUEST, number as u8);
    builder.text(a::USER_NAME, &bare).unwrap();
    builder.push(a::USER_PASSWORD, &password).unwrap();
    builder.integer(a::SERVICE_TYPE, 10).unwrap();
    builder.integer(a::FRAMED_MTU, 1500).unwrap();
    builder
        .text(a::CALLED_STATION_ID, "02-00-00-00-05-01")
        .unwrap();
    builder
        .text(a::CALLING_STATION_ID, &mac.to_string())
        .unwrap();
    builder.message_authenticator().unwrap();
    builder.integer(a::NAS_PORT_TYPE, 15).unwrap();
    builder.integer(a::NAS_PORT, number).unwrap();
    builder
        .text(a::NAS_PORT_ID, &format!("1/0/{number}"))
        .unwrap();
    builder.push(a::NAS_IP_ADDRESS, &[127, 0, 0, 1]).unwrap();
    builder.finish_request(&authenticator, secret)
}

fn interim(bench: &Bench, number: u32) -> Vec<u8> {
    let mut builder = Builder::new(Code::ACCOUNTING_REQUEST, number as u8);
    builder.integer(a::ACCT_STATUS_TYPE, 3).unwrap();
    builder
        .text(a::ACCT_SESSION_ID, &format!("{number:08x}"))
        .unwrap();
    builder
        .text(a::CALLING_STATION_ID, &device(number).to_string())
        .unwrap();
    builder
        .text(a::NAS_PORT_ID, &format!("1/0/{number}"))
        .unwrap();
    builder.integer(a::ACCT_INPUT_OCTETS, number).unwrap();
    builder.integer(a::ACCT_OUTPUT_OCTETS, number).unwrap();
    builder.finish_digested_request(secret(bench))
}

fn secret(bench: &Bench) -> &Secret {
    &bench.switches[0].secret
}

fn device(number: u32) -> Mac {
    let [a, b, c, d] = number.to_be_bytes();
    Mac([0x02, 0x99, a, b, c, d])
}

/// Runs all items in each round and prints the median of the rounds, per item.
fn measure<T>(what: &str, items: &[T], mut work: impl FnMut(&T)) {
    let mut rounds: Vec<f64> = (0..ROUNDS)
        .map(|_| {
            let start = Instant::now();
            for item in items {
                work(item);
            }
            start.elapsed().as_nanos() as f64 / items.len() as f64
        })
        .collect();
    rounds.sort_by(f64::total_cmp);
    println!("{what:<44} {:>8.0} ns", rounds[ROUNDS / 2]);
}
