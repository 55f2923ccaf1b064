//! The state file with 100,000 devices and 1,000,000 entries: start, pages, searches, size.
//!
//! `cargo bench --bench state`, or with other numbers `-- DEVICES ENTRIES`. Prints a table; the
//! tests hold no limit in seconds, so that a busy machine fails nothing.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic
)]

use std::time::Instant;

use jiff::Timestamp;
use portproof::journal::{Direction, Entry, Filter, Kind, Link, PacketRecord, Place};
use portproof::roster::{Device, Effects, Roster};
use portproof::store::{DeviceQuery, EntryQuery, Reader, Store};
use portproof::wire::Mac;

const STEP: usize = 500;

fn main() {
    let mut numbers = std::env::args().filter_map(|argument| argument.parse::<u64>().ok());
    let devices = numbers.next().unwrap_or(100_000);
    let entries = numbers.next().unwrap_or(1_000_000);
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("bench.portproof-state");
    println!("{devices} devices, {entries} entries");

    let start = Instant::now();
    fill(&path, devices, entries);
    report("written in steps of 500", start);
    let size: u64 = std::fs::read_dir(folder.path())
        .unwrap()
        .map(|file| file.unwrap().metadata().unwrap().len())
        .sum();
    println!("{:<44} {:>9} MiB", "size on disk", size >> 20);

    let before = resident();
    let start = Instant::now();
    let store = Store::open(&path).unwrap();
    let loaded = store.reader().unwrap().load().unwrap();
    let roster = Roster::load(loaded.devices, loaded.sessions);
    report("start: open and load the roster", start);
    assert_eq!(roster.device_count() as u64, devices);
    println!(
        "{:<44} {:>9} MiB",
        "memory of that start",
        resident().saturating_sub(before) >> 10
    );
    read(&store.reader().unwrap(), entries);
}

fn fill(path: &std::path::Path, devices: u64, entries: u64) {
    let mut store = Store::open(path).unwrap();
    let journal = store.journal(1000).unwrap();
    let mut number = 0;
    let mut known = 0;
    while number < entries || known < devices {
        let mut step = Effects::default();
        for _ in 0..STEP {
            if known < devices {
                step.devices.push(device(known));
                known += 1;
            }
            if number < entries {
                step.entries.push(entry(number, devices));
                number += 1;
            }
        }
        store.record(&journal, &mut [step]).unwrap();
    }
}

fn read(reader: &Reader, entries: u64) {
    let page = |label: &str, filter: serde_json::Value, before: Option<u64>| {
        let query = EntryQuery {
            filter: serde_json::from_value::<Filter>(filter).unwrap(),
            before,
            limit: 100,
            ..EntryQuery::default()
        };
        let start = Instant::now();
        let found = reader.entries(&query).unwrap().items.len();
        report(&format!("{label} ({found})"), start);
    };
    let none = serde_json::json!({});
    page("newest page", none.clone(), None);
    page("page in the middle", none, Some(entries / 2));
    page("by device", serde_json::json!({"mac": mac(77)}), None);
    page(
        "by switch and port",
        serde_json::json!({"switch": "quay-3", "port": "1/0/3"}),
        None,
    );
    page(
        "by switch and another switch's port",
        serde_json::json!({"switch": "quay-3", "port": "1/0/4"}),
        None,
    );
    page(
        "by a rare verdict",
        serde_json::json!({"verdict": "nak-503"}),
        None,
    );
    page(
        "by the start of a verdict",
        serde_json::json!({"verdict": "nak-*"}),
        None,
    );
    page(
        "by a verdict that never was",
        serde_json::json!({"verdict": "dropped-*"}),
        None,
    );
    page(
        "by class and kind",
        serde_json::json!({"class": "till", "kind": "change"}),
        None,
    );
    page(
        "by a class without changes",
        serde_json::json!({"class": "phone", "kind": "change"}),
        None,
    );
    page(
        "since the middle",
        serde_json::json!({"since": at(entries / 2)}),
        None,
    );
    page(
        "an early second",
        serde_json::json!({"since": at(100), "until": at(200)}),
        None,
    );
    page(
        "before an early time",
        serde_json::json!({"until": at(200)}),
        None,
    );
    let start = Instant::now();
    reader.entry(entries / 3).unwrap().unwrap();
    report("one entry with packets", start);
    let search = |label: &str, query: DeviceQuery| {
        let start = Instant::now();
        let found = reader
            .devices(&DeviceQuery { limit: 50, ..query })
            .unwrap()
            .items
            .len();
        report(&format!("{label} ({found})"), start);
    };
    search("roster, newest", DeviceQuery::default());
    search(
        "roster, page 1000",
        DeviceQuery {
            offset: 50_000,
            ..DeviceQuery::default()
        },
    );
    search(
        "search by end of address",
        DeviceQuery {
            search: Some("01-86-9f".into()),
            ..DeviceQuery::default()
        },
    );
    search(
        "search for nothing there",
        DeviceQuery {
            search: Some("nowhere".into()),
            ..DeviceQuery::default()
        },
    );
    search(
        "search for many",
        DeviceQuery {
            search: Some("ticket".into()),
            ..DeviceQuery::default()
        },
    );
    let start = Instant::now();
    let ports = reader.ports(5000).unwrap().len();
    report(&format!("ports ({ports})"), start);
}

fn report(label: &str, start: Instant) {
    println!(
        "{label:<44} {:>9.1} ms",
        start.elapsed().as_secs_f64() * 1e3
    );
}

/// Resident memory of this process in KiB; 0 where the system does not tell.
fn resident() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    status
        .lines()
        .find_map(|line| {
            line.strip_prefix("VmRSS:")?
                .split_whitespace()
                .next()?
                .parse()
                .ok()
        })
        .unwrap_or(0)
}

fn at(number: u64) -> Timestamp {
    Timestamp::from_second(1_770_000_000 + i64::try_from(number).unwrap()).unwrap()
}

fn mac(n: u64) -> Mac {
    let [_, _, _, _, a, b, c, d] = n.to_be_bytes();
    Mac([2, 0, a, b, c, d])
}

fn device(n: u64) -> Device {
    serde_json::from_value(serde_json::json!({
        "mac": mac(n),
        "sightings": {"dhcp": {
            "host-name": format!("ticket-printer-{n}"),
            "parameter-list": "1,3,6,15,44,46,47",
            "vendor-class": "generic printer 7",
        }},
        "class": "printer",
        "why": "DHCP vendor class 'generic printer 7' fits",
        "first_seen": at(n),
        "last_seen": at(n * 7919 % 100_003),
        "pin": null,
        "machine": null,
    }))
    .unwrap()
}

fn entry(n: u64, devices: u64) -> Entry {
    let change = n.is_multiple_of(10);
    let packet = |direction| PacketRecord {
        at: at(n),
        direction,
        link: Link::Authentication,
        from: "192.0.2.9:40000".parse().unwrap(),
        to: "192.0.2.1:1812".parse().unwrap(),
        octets: n.to_be_bytes().repeat(20),
    };
    Entry {
        seq: 0,
        at: at(n),
        kind: if change { Kind::Change } else { Kind::Access },
        verdict: match n % 10_000 {
            0 => "nak-503",
            _ if change => "acked",
            _ => "answered",
        }
        .into(),
        reason: "class printer: the DHCP vendor class 'generic printer 7' fits".into(),
        place: Place {
            switch: Some(format!("quay-{}", n % 40)),
            port: Some(format!("1/0/{}", n % 40)),
            mac: Some(mac(n % devices.max(1))),
            class: Some(["till", "phone", "gate", "signage"][(n % 4) as usize].into()),
            session: Some(n / 8),
            ..Place::default()
        },
        packets: vec![packet(Direction::In), packet(Direction::Out)],
        trace: None,
        breach: None,
    }
}
