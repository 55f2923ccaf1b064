//! What a decision costs, with its reasons and without: `cargo bench --bench decide`.
//!
//! Prints nanoseconds a decision, the median of eleven rounds over tables of 12 and of 100 rows
//! of which the last fits.

#![allow(clippy::unwrap_used, clippy::indexing_slicing)] // As in tests.

use std::collections::BTreeMap;
use std::hint::black_box;
use std::time::Instant;

use jiff::Timestamp;
use portproof::bench::{Bench, MethodName, parse_str};
use portproof::decide::{Facts, decide, pick};
use portproof::roster::{Device, Sightings};
use portproof::wire::Mac;

const ROUNDS: usize = 11;
const CALLS: u32 = 5_000;
const MAC: Mac = Mac([0x02, 0x1a, 0x70, 0, 0, 1]);

fn main() {
    for rows in [12, 100] {
        let bench = bench(rows);
        let device = device();
        let facts = Facts {
            now: Timestamp::UNIX_EPOCH,
            switch: &bench.switches[0],
            port: Some("ge-0/7"),
            mac: Some(MAC),
            method: MethodName::Mac,
            login: None,
            request: None,
            device: Some(&device),
        };
        assert_eq!(decide(&facts, &bench.table).class, format!("r{}", rows - 1));
        measure(rows, "with reasons", || {
            black_box(decide(black_box(&facts), &bench.table));
        });
        measure(rows, "without", || {
            black_box(pick(black_box(&facts), &bench.table));
        });
    }
}

/// Rows of the usual kinds by turns; only the last one fits.
fn bench(rows: usize) -> Bench {
    let row = |at: usize| {
        let recognise = match at {
            at if at + 1 == rows => "{mac-prefix: 02:1a:70}".to_owned(),
            at => match at % 4 {
                0 => format!("{{mac-prefix: 02:{at:02x}:00}}"),
                1 => format!("{{dhcp: {{vendor-class: {{glob: 'kind-{at}/*'}}}}}}"),
                2 => format!("{{dhcp: {{host-name: host-{at}, parameter-list: '1,3,6'}}}}"),
                _ => format!("{{any: [{{port: p{at}}}, {{mac: '02:00:00:00:01:{at:02x}'}}]}}"),
            },
        };
        format!("    - {{name: r{at}, recognise: {recognise}}}\n")
    };
    let rows: String = (0..rows).map(row).collect();
    let text = format!(
        "bench: b\nswitches: [{{name: s, address: 192.0.2.1, secret: at-least-sixteen, dialect: standard}}]\n\
         classes:\n  holding: h\n  classes:\n{rows}    - name: h\n"
    );
    parse_str("b.yaml", &text).unwrap().bench
}

fn device() -> Device {
    let said = [
        ("host-name", "ticket-3"),
        ("vendor-class", "lq-print/4"),
        ("parameter-list", "1,3,6,15,44,47"),
    ];
    let dhcp: BTreeMap<String, String> = said
        .into_iter()
        .map(|(field, value)| (field.to_owned(), value.to_owned()))
        .collect();
    Device {
        mac: MAC,
        sightings: Sightings { dhcp },
        class: None,
        why: None,
        first_seen: Timestamp::UNIX_EPOCH,
        last_seen: Timestamp::UNIX_EPOCH,
        pin: None,
        machine: None,
    }
}

fn measure(rows: usize, what: &str, mut decision: impl FnMut()) {
    let mut nanos: Vec<u128> = (0..ROUNDS)
        .map(|_| {
            let start = Instant::now();
            for _ in 0..CALLS {
                decision();
            }
            start.elapsed().as_nanos() / u128::from(CALLS)
        })
        .collect();
    nanos.sort_unstable();
    println!(
        "{:>6} ns (least {:>5})  {rows} rows, {what}",
        nanos[ROUNDS / 2],
        nanos[0]
    );
}
