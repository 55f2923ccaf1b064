//! `portproof findings` on a state file.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic
)]

use std::path::PathBuf;
use std::process::{Command, Output};

use portproof::journal::{Direction, Entry, Kind, Link, PacketRecord, Place};
use portproof::roster::Effects;
use portproof::store::Store;
use portproof::wire::registry::attributes as a;
use portproof::wire::{Builder, Code, Secret};

const BENCH: &str = "\
bench: findings-test
switches:
  - { name: quay, address: 192.0.2.3/32, secret: short, dialect: standard }
classes: { holding: holding, classes: [{ name: holding }] }
";

/// A journal of one Access-Request that lacks Message-Authenticator and NAS-Port-Type.
struct Folder(tempfile::TempDir);

impl Folder {
    fn new() -> Folder {
        let folder = Folder(tempfile::tempdir().unwrap());
        std::fs::write(folder.path("quay.yaml"), BENCH).unwrap();
        let mut store = Store::open(&folder.path("quay.portproof-state")).unwrap();
        let journal = store.journal(10).unwrap();
        let effects = Effects {
            entries: vec![entry(request())],
            ..Effects::default()
        };
        store.record(&journal, &mut [effects]).unwrap();
        folder
    }

    fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    fn run(&self, words: &[&str]) -> Output {
        Command::new(env!("CARGO_BIN_EXE_portproof"))
            .arg("findings")
            .args(words)
            .current_dir(self.0.path())
            .env_remove("PORTPROOF_BENCH")
            .output()
            .unwrap()
    }

    fn said(&self, words: &[&str]) -> String {
        let output = self.run(words);
        assert_eq!(output.status.code(), Some(0), "{output:?}");
        String::from_utf8(output.stdout).unwrap()
    }
}

fn request() -> Vec<u8> {
    let mut builder = Builder::new(Code::ACCESS_REQUEST, 7);
    builder.text(a::USER_NAME, "02005e000007").unwrap();
    builder.push(a::USER_PASSWORD, &[7; 16]).unwrap();
    builder.push(a::NAS_IP_ADDRESS, &[192, 0, 2, 3]).unwrap();
    builder.integer(a::NAS_PORT, 7).unwrap();
    builder.text(a::NAS_PORT_ID, "1/7").unwrap();
    builder.integer(a::SERVICE_TYPE, 10).unwrap();
    builder
        .text(a::CALLING_STATION_ID, "02-00-5E-00-00-07")
        .unwrap();
    builder
        .text(a::CALLED_STATION_ID, "02-00-5E-00-FF-07")
        .unwrap();
    builder.text(a::ACCT_SESSION_ID, "quay-1").unwrap();
    builder.finish_request(
        &[9, 8, 7, 6, 5, 4, 3, 2, 1, 0, 1, 2, 3, 4, 5, 6],
        &Secret::new("short"),
    )
}

fn entry(octets: Vec<u8>) -> Entry {
    let at = "2026-03-01T10:00:00Z".parse().unwrap();
    Entry {
        seq: 0,
        at,
        kind: Kind::Access,
        verdict: "dropped-missing-message-authenticator".to_owned(),
        reason: "as the test has it".to_owned(),
        place: Place {
            switch: Some("quay".to_owned()),
            ..Place::default()
        },
        packets: vec![PacketRecord {
            at,
            direction: Direction::In,
            link: Link::Authentication,
            from: "192.0.2.3:49152".parse().unwrap(),
            to: "192.0.2.10:1812".parse().unwrap(),
            octets,
        }],
        trace: None,
        breach: None,
    }
}

fn rules(lines: &str) -> Vec<String> {
    lines
        .lines()
        .map(|line| serde_json::from_str::<serde_json::Value>(line).unwrap())
        .map(|finding| finding["id"].as_str().unwrap().to_owned())
        .collect()
}

#[test]
fn the_journal_alone_and_with_the_bench_file() {
    let folder = Folder::new();
    let journal = [
        "rfc3580-no-nas-port-type",
        "rfc5080-no-message-authenticator",
    ];
    let found = folder.said(&["--state", "quay.portproof-state", "--json"]);
    assert_eq!(rules(&found), journal);
    let found = rules(&folder.said(&["--bench", "quay.yaml", "--json"]));
    assert!(
        found.contains(&"rfc2865-short-secret".to_owned()),
        "{found:?}"
    );
    assert!(
        found.contains(&"trade-one-secret-for-changes".to_owned()),
        "{found:?}"
    );
}

#[test]
fn a_person_reads_what_why_and_where() {
    let folder = Folder::new();
    let text = folder.said(&["--state", "quay.portproof-state"]);
    for part in [
        "an Access-Request without NAS-Port-Type (RFC 3580 section 3.23)",
        "port 1/7 02-00-5E-00-00-07: no NAS-Port-Type [packet 1.0]",
        "Why: ",
        "Remedy: ",
        "2 findings: breach 0, weakness 2, note 0",
    ] {
        assert!(text.contains(part), "no '{part}' in\n{text}");
    }
}

#[test]
fn severity_and_switch_choose() {
    let folder = Folder::new();
    let state = ["--state", "quay.portproof-state", "--json"];
    let with = |more: &[&str]| folder.said(&[&state, more].concat());
    assert_eq!(rules(&with(&["--severity", "weakness"])).len(), 2);
    assert!(with(&["--severity", "breach"]).is_empty());
    // A gate must not pass on a misspelt name.
    let misspelt = folder.run(&[&state[..], &["--switch", "other", "--require-none"]].concat());
    assert_eq!(misspelt.status.code(), Some(2));
    assert_eq!(rules(&with(&["--switch", "quay"])).len(), 2);
}

#[test]
fn sarif_goes_to_a_file_or_to_standard_output() {
    let folder = Folder::new();
    let state = "quay.portproof-state";
    let text = folder.said(&["--state", state, "--sarif", "found.sarif"]);
    assert!(text.contains("2 findings"));
    let written = std::fs::read_to_string(folder.path("found.sarif")).unwrap();
    let printed = folder.said(&["--state", state, "--sarif", "-"]);
    assert_eq!(written, printed);
    let log: serde_json::Value = serde_json::from_str(&printed).unwrap();
    assert_eq!(log["runs"][0]["results"].as_array().unwrap().len(), 2);
}

#[test]
fn exit_codes() {
    let folder = Folder::new();
    let code = |words: &[&str]| folder.run(words).status.code();
    let state = "quay.portproof-state";
    assert_eq!(code(&["--state", state]), Some(0));
    assert_eq!(code(&["--state", state, "--require-none"]), Some(1));
    let none = ["--state", state, "--require-none", "--severity", "breach"];
    assert_eq!(code(&none), Some(0));
    assert_eq!(code(&[]), Some(2));
    assert_eq!(code(&["--state", state, "--severity", "bad"]), Some(2));
    assert_eq!(code(&["--state", "missing"]), Some(3));
    assert_eq!(code(&["--state", "quay.yaml"]), Some(3));
}

/// The state file of a running bench is looked at, and not locked.
#[test]
fn a_state_file_in_use_is_read() {
    let folder = Folder::new();
    let _store = Store::open(&folder.path("quay.portproof-state")).unwrap();
    assert_eq!(
        rules(&folder.said(&["--state", "quay.portproof-state", "--json"])).len(),
        2
    );
}
