//! Replay: a recorded drill played again says the same, and says what differs once the class
//! table is another.
#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::panic,
    reason = "a test that goes wrong should stop where it does"
)]

use std::path::Path;
use std::process::{Command, Output};
use std::sync::Arc;

use portproof::bench;
use portproof::drill;
use portproof::journal::Entry;
use portproof::journal::Link;
use portproof::journal::pcapng::Exporter;
use portproof::replay::capture::Ports;
use portproof::replay::reduce::{Goal, reduce};
use portproof::replay::{Played, Settings, Status, What, items, play, read};

const BENCH: &str = "lab/lantern-quay.yaml";
/// The grant of printers in the shipped class table, and another.
const PRINTER: &str = "role: printer\n      vlan: $device-vlan";
const PRINTER_AS_GUEST: &str = "role: printer\n      vlan: $guest-vlan";

/// The journal of a shipped drill.
fn recorded(drill: &str) -> Vec<Entry> {
    let loaded = drill::load(&Path::new("lab/drills").join(drill)).unwrap();
    let mut entries = Vec::new();
    let outcome = drill::sim::run_recorded(&loaded, 1, |entry| entries.push(entry.clone()));
    assert!(outcome.passed, "{drill}");
    entries
}

fn settings(bench: &Path) -> Settings {
    Settings {
        bench: Arc::new(bench::load(bench).unwrap().bench),
        capture_secret: None,
        as_switch: None,
    }
}

/// The shipped bench with some of its class table changed, in a folder of its own.
fn changed(from: &str, to: &str) -> (tempfile::TempDir, std::path::PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let table = std::fs::read_to_string("profiles/lantern-quay.classes.yaml").unwrap();
    assert!(table.contains(from));
    std::fs::write(
        folder.path().join("classes.yaml"),
        table.replacen(from, to, 1),
    )
    .unwrap();
    std::fs::copy(
        "lab/lantern-quay.accounts.yaml",
        folder.path().join("lantern-quay.accounts.yaml"),
    )
    .unwrap();
    let bench = std::fs::read_to_string(BENCH).unwrap();
    let bench = bench.replace("../profiles/lantern-quay.classes.yaml", "classes.yaml");
    let path = folder.path().join("bench.yaml");
    std::fs::write(&path, bench).unwrap();
    (folder, path)
}

fn json_lines(entries: &[Entry]) -> String {
    entries
        .iter()
        .map(|entry| serde_json::to_string(entry).unwrap() + "\n")
        .collect()
}

fn different(played: &[Played]) -> Vec<&Played> {
    let all = played.iter().filter(|one| one.status.is_different());
    all.collect()
}

#[test]
fn every_shipped_drill_without_eap_says_the_same_again() {
    let settings = settings(Path::new(BENCH));
    for drill in [
        "new-printer.yaml",
        "forgotten-device.yaml",
        "phone-and-pc.yaml",
        "device-moves.yaml",
        "admission-limit.yaml",
        "workstation-without-eapol.yaml",
    ] {
        let recording = read::of_entries(recorded(drill));
        let played = play(&recording.items, &settings);
        assert!(played.len() >= 4, "{drill}: {played:#?}");
        let differs = different(&played);
        assert!(differs.is_empty(), "{drill}: {differs:#?}");
        let changes = played.iter().filter(|one| one.what.contains("CoA-Request"));
        assert!(drill != "new-printer.yaml" || changes.count() == 1);
    }
}

#[test]
fn eap_logins_are_not_comparable_and_the_rest_still_is() {
    let recording = read::of_entries(recorded("phone-and-dot1x-pc.yaml"));
    let played = play(&recording.items, &settings(Path::new(BENCH)));
    assert!(different(&played).is_empty(), "{:#?}", different(&played));
    let reasons: Vec<&String> = played
        .iter()
        .filter_map(|one| match &one.status {
            Status::NotComparable(why) => Some(why),
            _ => None,
        })
        .collect();
    assert!(
        reasons.iter().any(|why| why.starts_with("EAP")),
        "{reasons:?}"
    );
    assert!(played.iter().any(|one| one.status == Status::Same));
}

#[test]
fn another_class_table_is_told_by_what_differs() {
    let (_folder, bench) = changed(PRINTER, PRINTER_AS_GUEST);
    let recording = read::of_entries(recorded("new-printer.yaml"));
    let played = play(&recording.items, &settings(&bench));
    let differs = different(&played);
    assert_eq!(differs.len(), 1, "{differs:#?}");
    let Status::Different(lines) = &differs[0].status else {
        panic!("it differs");
    };
    assert!(lines.iter().any(|line| line.contains("50")), "{lines:?}");
    assert!(lines.iter().any(|line| line.contains("70")), "{lines:?}");
}

/// Of the printer's whole story, its DHCP message and its second login are enough.
#[test]
fn reduce_finds_the_few_packets_that_still_fail() {
    let (_folder, bench) = changed(PRINTER, PRINTER_AS_GUEST);
    let settings = settings(&bench);
    let whole = read::of_entries(recorded("new-printer.yaml")).items;
    let wanted = different(&play(&whole, &settings))[0].status.clone();

    let reduced = reduce(&whole, &settings, &Goal::Different).unwrap();
    let links: Vec<Link> = reduced
        .iter()
        .map(|item| match &item.what {
            What::Request { request, .. } => request.packet.link,
            other => panic!("{other:?} is not needed"),
        })
        .collect();
    assert_eq!(links, [Link::Dhcp, Link::Authentication]);

    // What is written of it reads back, and fails in the same way.
    let again = read::of_entries(items::to_entries(&reduced));
    assert_eq!(again.items, reduced);
    assert_eq!(again.notes, Vec::<String>::new());
    let played = play(&again.items, &settings);
    assert_eq!(different(&played).len(), 1);
    assert_eq!(different(&played)[0].status, wanted);

    let good = self::settings(Path::new(BENCH));
    assert_eq!(
        reduce(&whole, &good, &Goal::Different),
        None,
        "it does not fail"
    );
    assert!(different(&play(&reduced, &good)).is_empty());
}

#[test]
fn reduce_until_a_verdict() {
    let settings = settings(Path::new(BENCH));
    let whole = read::of_entries(recorded("new-printer.yaml")).items;
    let goal = Goal::Verdict("answered-accept".to_owned());
    let reduced = reduce(&whole, &settings, &goal).unwrap();
    assert_eq!(reduced.len(), 1);
    let none = Goal::Verdict("dropped-malformed".to_owned());
    assert_eq!(reduce(&whole, &settings, &none), None);
}

/// The export of the journal is a recording too, without verdicts.
#[test]
fn the_exported_capture_reads_back() {
    let entries = recorded("new-printer.yaml");
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("capture.pcapng");
    let mut exporter = Exporter::new(Vec::new(), true).unwrap();
    for entry in &entries {
        exporter.entry(entry).unwrap();
    }
    std::fs::write(&path, exporter.finish()).unwrap();
    let settings = settings(Path::new(BENCH));
    let capture = read::read(&path, &Ports::of(&settings.bench)).unwrap();
    let journal = read::of_entries(entries);
    assert_eq!(capture.items.len(), journal.items.len());
    for (one, other) in capture.items.iter().zip(&journal.items) {
        assert_eq!(one.at, other.at);
    }
    assert!(different(&play(&capture.items, &settings)).is_empty());
}

fn portproof(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_portproof"))
        .args(args)
        .output()
        .unwrap()
}

#[test]
fn the_command_says_the_same_different_and_bad_input() {
    let folder = tempfile::tempdir().unwrap();
    let journal = folder.path().join("journal.jsonl");
    std::fs::write(&journal, json_lines(&recorded("new-printer.yaml"))).unwrap();
    let journal = journal.to_str().unwrap();

    let same = portproof(&["replay", journal, "--bench", BENCH]);
    assert_eq!(same.status.code(), Some(0));
    let text = String::from_utf8(same.stdout).unwrap();
    assert!(text.contains(", 0 different, 0 not comparable"), "{text}");

    let (_other, bench) = changed(PRINTER, PRINTER_AS_GUEST);
    let differs = portproof(&["replay", journal, "--bench", bench.to_str().unwrap()]);
    assert_eq!(differs.status.code(), Some(1));

    let few = folder.path().join("few.jsonl");
    let few = few.to_str().unwrap();
    let bench = bench.to_str().unwrap();
    let reduced = portproof(&["reduce", journal, "--bench", bench, "--out", few]);
    assert_eq!(reduced.status.code(), Some(0), "{reduced:?}");
    let replayed = portproof(&["replay", few, "--bench", bench]);
    assert_eq!(replayed.status.code(), Some(1));
    let text = String::from_utf8(replayed.stdout).unwrap();
    assert!(text.contains("1 same, 1 different"), "{text}");
    let good = portproof(&["reduce", journal, "--bench", BENCH, "--out", few]);
    assert_eq!(good.status.code(), Some(1), "nothing fails there");

    for (name, octets, said) in [
        ("empty", &b""[..], "there is nothing in it"),
        ("text", b"\nsome notes\n", "text:2: no journal entry"),
        ("octets", b"\xff\xfe\x00", "neither text nor a capture"),
        ("cut.pcapng", b"\x0a\x0d\x0d\x0a\x1c\x00", "does not read"),
        ("cut.pcap", b"\xd4\xc3\xb2\xa1\x02\x00", "does not read"),
    ] {
        let path = folder.path().join(name);
        std::fs::write(&path, octets).unwrap();
        let bad = portproof(&["replay", path.to_str().unwrap(), "--bench", BENCH]);
        assert_eq!(bad.status.code(), Some(2), "{name}");
        let text = String::from_utf8(bad.stderr).unwrap();
        assert!(text.contains(said), "{name}: {text}");
    }
    let missing = portproof(&["replay", "no-such-file", "--bench", BENCH]);
    assert_eq!(missing.status.code(), Some(2));
}
