//! Nothing that was acknowledged is lost when the process is killed at any point.
//!
//! The test starts itself again as a child that records steps and prints each number once it is
//! stored; kills it with SIGKILL after a varying number of lines; and opens the file again.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic
)]

use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

use jiff::Timestamp;
use portproof::bench::MethodName;
use portproof::journal::{Direction, Entry, Kind, Link, PacketRecord, Place};
use portproof::roster::{Device, Effects, Session, SessionState, Sightings};
use portproof::store::{EntryQuery, Store};
use portproof::wire::Mac;

const STATE: &str = "PORTPROOF_TEST_STATE";
const ROUNDS: usize = 25;

#[test]
fn nothing_acknowledged_is_lost() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("quay.portproof-state");
    let mut acknowledged = 0;
    for round in 0..ROUNDS {
        // From "before the first commit" to "after hundreds", never a round number of batches.
        acknowledged = kill_after(&path, round * round).max(acknowledged);
        check(&path, acknowledged);
    }
    assert!(
        acknowledged > 1000,
        "the children got to work: {acknowledged}"
    );
}

/// Runs a writer until it has acknowledged `lines` steps, kills it, and returns the last number
/// that it acknowledged.
fn kill_after(path: &Path, lines: usize) -> u64 {
    let mut child = writer(path);
    let output = BufReader::new(child.stdout.take().unwrap());
    let mut acknowledged = 0;
    let mut seen = 0;
    let mut killed = false;
    // Lines that were in the pipe when it died were acknowledged too.
    for line in output.lines() {
        let line = line.unwrap();
        if let Some(number) = line.strip_prefix("stored ") {
            // The kill may cut the last line short; a shorter number only asks for less.
            acknowledged = number.parse().unwrap_or(acknowledged);
            seen += 1;
        }
        let ready = line == "ready" || line.starts_with("stored ");
        if ready && seen >= lines && !killed {
            child.kill().unwrap();
            killed = true;
        }
    }
    child.wait().unwrap();
    assert!(killed, "the writer ended by itself after {seen} steps");
    acknowledged
}

fn writer(path: &Path) -> Child {
    Command::new(std::env::current_exe().unwrap())
        .args(["--exact", "the_writer", "--ignored", "--nocapture"])
        .env(STATE, path)
        .stdout(Stdio::piped())
        .spawn()
        .unwrap()
}

#[test]
#[ignore = "the child of nothing_acknowledged_is_lost"]
fn the_writer() {
    let Some(path) = std::env::var_os(STATE).map(PathBuf::from) else {
        return;
    };
    let mut store = Store::open(&path).unwrap();
    let journal = store.journal(16).unwrap();
    let mut out = std::io::stdout();
    // The test runner has begun a line of its own.
    out.write_all(b"\nready\n").unwrap();
    loop {
        let first = journal.last() + 1;
        let mut steps: Vec<Effects> = (first..first + 3).map(step).collect();
        store.record(&journal, &mut steps).unwrap();
        out.write_all(format!("stored {}\n", journal.last()).as_bytes())
            .unwrap();
        out.flush().unwrap();
    }
}

/// Everything up to `acknowledged` is there, whole and without gaps, and so is whatever was
/// stored and not acknowledged any more.
fn check(path: &Path, acknowledged: u64) {
    let store = Store::open(path).unwrap();
    let reader = store.reader().unwrap();
    let last = reader.last_seq().unwrap();
    assert!(
        last >= acknowledged,
        "{acknowledged} acknowledged, {last} found"
    );
    let query = EntryQuery {
        after: Some(0),
        limit: usize::MAX >> 2,
        packets: true,
        ..EntryQuery::default()
    };
    let entries = reader.entries(&query).unwrap().items;
    assert_eq!(entries.len() as u64, last);
    for (entry, number) in entries.iter().zip(1..) {
        let expected = step(number);
        assert_eq!(
            Some(entry),
            expected
                .entries
                .first()
                .map(|e| Entry {
                    seq: number,
                    ..e.clone()
                })
                .as_ref()
        );
        assert_eq!(
            reader.session(number).unwrap().as_ref(),
            expected.sessions.first()
        );
    }
    let loaded = reader.load().unwrap();
    assert_eq!(loaded.devices.len() as u64, last);
    assert_eq!(loaded.sessions.len() as u64, last);
    // A whole number of batches: a transaction is there or it is not.
    assert_eq!(last % 3, 0);
}

fn step(number: u64) -> Effects {
    let at = Timestamp::from_second(1_770_000_000 + i64::try_from(number).unwrap()).unwrap();
    let [_, _, _, a, b, c, d, e] = number.to_be_bytes();
    let mac = Mac([2, a, b, c, d, e]);
    Effects {
        entries: vec![Entry {
            seq: 0,
            at,
            kind: Kind::Access,
            verdict: "answered".into(),
            reason: format!("number {number}"),
            place: Place {
                mac: Some(mac),
                session: Some(number),
                ..Place::default()
            },
            packets: vec![PacketRecord {
                at,
                direction: Direction::In,
                link: Link::Authentication,
                from: "192.0.2.9:40000".parse().unwrap(),
                to: "192.0.2.1:1812".parse().unwrap(),
                octets: number.to_be_bytes().repeat(20),
            }],
            trace: None,
            breach: None,
        }],
        devices: vec![Device {
            mac,
            sightings: Sightings::default(),
            class: None,
            why: None,
            first_seen: at,
            last_seen: at,
            pin: None,
            machine: None,
        }],
        sessions: vec![Session {
            id: number,
            switch: "quay-1".into(),
            address: "192.0.2.9".parse().unwrap(),
            port: Some("1/0/7".into()),
            mac: Some(mac),
            identity: None,
            method: MethodName::Mac,
            class: "printer".into(),
            request: vec![1, 2, 3],
            login: None,
            acct_session_id: None,
            accepted: at,
            accepted_here: true,
            started: None,
            last_heard: at,
            octets: (0, 0),
            state: SessionState::Running,
        }],
        ..Effects::default()
    }
}
