//! Replies per second over loopback, beside a plain UDP echo of the same sizes in the same run.
//!
//! Rounds alternate between echo and bench, so that a machine that slows down slows both; the
//! figure to keep is the median of the ratios. Wall-clock figures are for reading, not for gates.
//!
//! `cargo bench --bench loopback [-- --seconds 2 --rounds 5]`
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic,
    reason = "a test that goes wrong should stop where it does"
)]

use std::net::{SocketAddr, UdpSocket};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use portproof::bench;
use portproof::serve;
use portproof::wire::registry::attributes as a;
use portproof::wire::{Builder, Code, Secret};

const SECRET: &str = "bench-secret-of-the-loopback-run";
const SOCKETS: usize = 8;
const WINDOW: usize = 8;

fn main() {
    let option = |name: &str, default: u64| {
        let mut arguments = std::env::args();
        arguments
            .find(|argument| argument == name)
            .and_then(|_| arguments.next())
            .and_then(|value| value.parse().ok())
            .unwrap_or(default)
    };
    let slice = Duration::from_millis(option("--seconds", 2) * 1000);
    let rounds = option("--rounds", 5);

    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(1)
        .enable_all()
        .build()
        .expect("a runtime");
    let server = runtime
        .block_on(serve::start(Arc::new(bench_file()), None))
        .expect("the bench starts on free ports");
    let bench_at = server.bound.authentication;
    let echo_at = start_echo();

    println!(
        "requests of {} octets, {} outstanding",
        request(0, 0).len(),
        SOCKETS * WINDOW
    );
    let mut ratios = Vec::new();
    for round in 1..=rounds {
        let echo = load(echo_at, slice);
        let replies = load(bench_at, slice);
        let ratio = replies / echo;
        println!("round {round}: echo {echo:.0}/s, bench {replies:.0}/s, ratio {ratio:.2}");
        ratios.push(ratio);
    }
    ratios.sort_by(f64::total_cmp);
    println!(
        "median ratio to plain echo: {:.2}",
        ratios[ratios.len() / 2]
    );
    runtime.block_on(server.stop());
}

fn bench_file() -> bench::Bench {
    let text = format!(
        "bench: loopback\nlisten: {{ authentication: 127.0.0.1:0, accounting: 127.0.0.1:0 }}\n\
         switches:\n  - name: one\n    address: 127.0.0.1\n    secret: {SECRET}\n\
         \x20   dialect: enterprise-9\n\
         \x20   variables: {{ office-vlan: 1, voice-vlan: 2, till-vlan: 3, device-vlan: 4, \
         radio-vlan: 5, guest-vlan: 6, holding-vlan: 7 }}\n\
         classes: lantern-quay\n"
    );
    bench::parse_str("loopback.yaml", &text)
        .expect("the bench file is sound")
        .bench
}

/// A MAC authentication as a switch sends it; different devices, valid Message-Authenticator.
fn request(socket: usize, identifier: u8) -> Vec<u8> {
    let mac = format!("02-10-50-00-{socket:02X}-{identifier:02X}");
    let mut builder = Builder::new(Code::ACCESS_REQUEST, identifier);
    let mut build = || {
        builder.message_authenticator()?;
        builder.text(a::USER_NAME, &mac.replace('-', "").to_lowercase())?;
        builder.push(a::NAS_IP_ADDRESS, &[127, 0, 0, 1])?;
        builder.text(a::NAS_IDENTIFIER, "one")?;
        builder.integer(a::NAS_PORT, 7)?;
        builder.text(a::NAS_PORT_ID, "7")?;
        builder.integer(a::NAS_PORT_TYPE, 15)?;
        builder.integer(a::SERVICE_TYPE, 10)?;
        builder.integer(a::FRAMED_MTU, 1500)?;
        builder.text(a::CALLING_STATION_ID, &mac)?;
        builder.text(a::CALLED_STATION_ID, "02-00-5E-00-00-07")?;
        builder
            .text(a::ACCT_SESSION_ID, &format!("{socket:04x}{identifier:04x}"))
            .map(drop)
    };
    build().expect("it fits one packet");
    let mut authenticator = [0; 16];
    getrandom::fill(&mut authenticator).expect("the system has random octets");
    builder.finish_request(&authenticator, &Secret::new(SECRET))
}

/// Replies per second over the time.
fn load(to: SocketAddr, time: Duration) -> f64 {
    // Signed beforehand: the load must not be the slower side.
    let packets: Vec<Vec<Vec<u8>>> = (0..SOCKETS)
        .map(|socket| (0..=255).map(|id| request(socket, id)).collect())
        .collect();
    let start = Instant::now();
    let mut replies = 0;
    while start.elapsed() < time {
        replies += lap(to, &packets);
    }
    f64::from(replies) / start.elapsed().as_secs_f64()
}

/// Sends every packet once, each list from a fresh socket: a new source port makes the same octets
/// a new request (RFC 5080 section 2.2.2). `WINDOW` are outstanding on each socket.
fn lap(to: SocketAddr, packets: &[Vec<Vec<u8>>]) -> u32 {
    let mut lanes: Vec<(UdpSocket, std::slice::Iter<'_, Vec<u8>>, usize)> = packets
        .iter()
        .map(|own| (socket(to), own.iter(), 0))
        .collect();
    for (socket, own, outstanding) in &mut lanes {
        for packet in own.by_ref().take(WINDOW) {
            // A full socket buffer loses the datagram as a network would.
            let _ = socket.send(packet);
            *outstanding += 1;
        }
    }
    let mut buffer = [0; 4096];
    let mut replies = 0;
    while lanes.iter().any(|(_, _, outstanding)| *outstanding > 0) {
        for (socket, own, outstanding) in &mut lanes {
            if *outstanding == 0 {
                continue;
            }
            match socket.recv(&mut buffer) {
                Ok(length) => {
                    assert!(length >= 20, "a reply is a packet");
                    replies += 1;
                    *outstanding -= 1;
                }
                // Lost: what is outstanding will not come.
                Err(_) => *outstanding = 0,
            }
            if let Some(packet) = own.next() {
                let _ = socket.send(packet);
                *outstanding += 1;
            }
        }
    }
    replies
}

fn socket(to: SocketAddr) -> UdpSocket {
    let socket = UdpSocket::bind("127.0.0.1:0").expect("a free port");
    socket.connect(to).expect("loopback");
    socket
        .set_read_timeout(Some(Duration::from_millis(200)))
        .expect("a timeout");
    socket
}

fn start_echo() -> SocketAddr {
    let socket = UdpSocket::bind("127.0.0.1:0").expect("a free port");
    let address = socket.local_addr().expect("bound");
    let stop = Arc::new(AtomicBool::new(false));
    std::thread::spawn(move || {
        let mut buffer = [0; 4096];
        while !stop.load(Ordering::Relaxed) {
            if let Ok((length, peer)) = socket.recv_from(&mut buffer) {
                let _ = socket.send_to(&buffer[..length], peer);
            }
        }
    });
    address
}
