//! What reading and signing a packet costs, ours beside the protocol crate's, in one run:
//! `cargo bench --bench wire`.
//!
//! Prints nanoseconds a call, the median of eleven rounds; rounds of all rows take turns, so that
//! a busy machine slows them alike. `docs/decisions/0001-wire-framing.md` keeps a result.

use std::hint::black_box;
use std::time::Instant;

use portproof::wire::registry::attributes as a;
use portproof::wire::{BuildError, Builder, Code, Packet, Secret, sign};
use radius::core::avp::AVP;
use radius::core::code::Code as CrateCode;
use radius::core::packet::Packet as CratePacket;

const ROUNDS: usize = 11;
const CALLS: u32 = 20_000;
const SECRET: &[u8] = b"lantern quay bench";

fn main() -> Result<(), BuildError> {
    let secret = Secret::new(SECRET);
    let request = request(&secret)?;
    let parsed = Packet::parse(&request).ok();
    println!(
        "request of {} octets, {} attributes",
        request.len(),
        parsed.map_or(0, |p| p.attributes().count())
    );

    let mut rows: Vec<Row<'_>> = vec![
        Row::new("ours: parse", || {
            let _ = black_box(Packet::parse(black_box(&request)));
        }),
        Row::new("ours: parse, find 6 attributes by type", || {
            if let Ok(packet) = Packet::parse(black_box(&request)) {
                for kind in WANTED {
                    black_box(packet.first(kind));
                }
            }
        }),
        Row::new("ours: parse, check Message-Authenticator", || {
            if let Ok(packet) = Packet::parse(black_box(&request)) {
                black_box(sign::check_message_authenticator(&packet, None, &secret));
            }
        }),
        Row::new("crate: decode", || {
            let _ = black_box(CratePacket::decode(black_box(&request), SECRET));
        }),
        Row::new("crate: decode, find 6 attributes by type", || {
            if let Ok(packet) = CratePacket::decode(black_box(&request), SECRET) {
                for kind in WANTED {
                    black_box(packet.lookup(kind));
                }
            }
        }),
        Row::new(
            "ours: accept of 5 attributes, no Message-Authenticator",
            || {
                let _ = black_box(accept(&secret, false));
            },
        ),
        Row::new("ours: the same with Message-Authenticator", || {
            let _ = black_box(accept(&secret, true));
        }),
        Row::new("crate: accept of 5 attributes", || {
            let _ = black_box(crate_accept());
        }),
    ];
    for _ in 0..ROUNDS {
        for row in &mut rows {
            row.round();
        }
    }
    for row in &mut rows {
        row.nanos.sort_unstable();
        let median = row.nanos.get(ROUNDS / 2).copied().unwrap_or_default();
        let least = row.nanos.first().copied().unwrap_or_default();
        println!("{median:>6} ns (least {least:>5})  {}", row.name);
    }
    Ok(())
}

const WANTED: [u8; 6] = [
    a::USER_NAME,
    a::SERVICE_TYPE,
    a::CALLING_STATION_ID,
    a::NAS_PORT_ID,
    a::STATE,
    a::EAP_MESSAGE,
];

/// One thing measured.
struct Row<'a> {
    name: &'static str,
    work: Box<dyn FnMut() + 'a>,
    nanos: Vec<u128>,
}

impl<'a> Row<'a> {
    fn new(name: &'static str, work: impl FnMut() + 'a) -> Row<'a> {
        Row {
            name,
            work: Box::new(work),
            nanos: Vec::with_capacity(ROUNDS),
        }
    }

    fn round(&mut self) {
        let start = Instant::now();
        for _ in 0..CALLS {
            (self.work)();
        }
        self.nanos
            .push(start.elapsed().as_nanos() / u128::from(CALLS));
    }
}

/// What a switch sends for MAC authentication.
fn request(secret: &Secret) -> Result<Vec<u8>, BuildError> {
    let mut builder = Builder::new(Code::ACCESS_REQUEST, 7);
    builder
        .message_authenticator()?
        .text(a::USER_NAME, "02000000002a")?
        .push(a::USER_PASSWORD, &[7; 16])?
        .push(a::NAS_IP_ADDRESS, &[192, 0, 2, 7])?
        .text(a::NAS_IDENTIFIER, "pier-2-cabinet-1")?
        .integer(a::NAS_PORT, 7)?
        .text(a::NAS_PORT_ID, "port 7")?
        .integer(a::NAS_PORT_TYPE, 15)?
        .integer(a::SERVICE_TYPE, 10)?
        .integer(a::FRAMED_MTU, 1500)?
        .text(a::CALLING_STATION_ID, "02-00-00-00-00-2A")?
        .text(a::CALLED_STATION_ID, "02-00-00-00-01-07")?
        .text(a::ACCT_SESSION_ID, "0000002A")?;
    Ok(builder.finish_request(&[9; 16], secret))
}

fn accept(secret: &Secret, message_authenticator: bool) -> Result<Vec<u8>, BuildError> {
    let mut builder = Builder::new(Code::ACCESS_ACCEPT, 7);
    if message_authenticator {
        builder.message_authenticator()?;
    }
    for (kind, value) in GRANT {
        builder.push(kind, value)?;
    }
    Ok(builder.finish_response(&[9; 16], secret))
}

fn crate_accept() -> Option<Vec<u8>> {
    let mut packet = CratePacket::new_with_identifier(CrateCode::AccessAccept, SECRET, 7);
    for (kind, value) in GRANT {
        packet.add(AVP::from_bytes(kind, value));
    }
    packet.encode().ok()
}

const GRANT: [(u8, &[u8]); 5] = [
    (a::TUNNEL_TYPE, &[0, 0, 0, 13]),
    (a::TUNNEL_MEDIUM_TYPE, &[0, 0, 0, 6]),
    (a::TUNNEL_PRIVATE_GROUP_ID, b"100"),
    (a::SESSION_TIMEOUT, &[0, 0, 0x0e, 0x10]),
    (a::FILTER_ID, b"printers"),
];
