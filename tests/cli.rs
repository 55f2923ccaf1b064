//! The binary from outside: exit codes, what goes to which stream, and the files it writes.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic,
    reason = "a test that goes wrong should stop where it does"
)]

use std::process::{Command, Output, Stdio};

fn portproof(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_portproof"))
        .args(arguments)
        .stdin(Stdio::null())
        .output()
        .expect("the binary runs")
}

fn code(output: &Output) -> i32 {
    output.status.code().expect("it ended by itself")
}

fn out(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).expect("UTF-8")
}

fn err(output: &Output) -> String {
    String::from_utf8(output.stderr.clone()).expect("UTF-8")
}

#[test]
fn a_drill_that_passes_ends_with_0() {
    let output = portproof(&["drill", "lab/drills/new-printer.yaml"]);
    assert_eq!(code(&output), 0, "{}", err(&output));
    assert!(out(&output).contains("PASS  a new printer"));
}

#[test]
fn a_drill_that_fails_ends_with_1_and_says_so_in_junit() {
    let folder = tempfile::tempdir().unwrap();
    let bench = std::fs::canonicalize("lab/lantern-quay.yaml").unwrap();
    let text = std::fs::read_to_string("lab/drills/new-printer.yaml")
        .unwrap()
        .replace("../lantern-quay.yaml", bench.to_str().unwrap())
        .replace("within: 60s", "within: 7s");
    let drill = folder.path().join("impatient.yaml");
    std::fs::write(&drill, text).unwrap();
    let junit = folder.path().join("junit.xml");
    let output = portproof(&[
        "drill",
        drill.to_str().unwrap(),
        "--junit",
        junit.to_str().unwrap(),
    ]);
    assert_eq!(code(&output), 1);
    assert!(out(&output).contains("FAIL  a new printer"));
    let xml = std::fs::read_to_string(junit).unwrap();
    assert!(xml.contains("failures=\"1\""), "{xml}");
    assert!(xml.contains("class printer within 7 s"), "{xml}");
}

#[test]
fn a_drill_as_json_is_one_document() {
    let output = portproof(&["drill", "--json", "lab/drills/device-moves.yaml"]);
    let json: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(json["runs"][0]["passed"], true);
    assert!(json["runs"][0]["seen"].as_array().unwrap().len() > 20);
}

#[test]
fn a_file_with_mistakes_ends_with_2_and_names_line_and_remedy() {
    let folder = tempfile::tempdir().unwrap();
    let bench = folder.path().join("bad.yaml");
    std::fs::write(
        &bench,
        "bench: bad\nswitches:\n  - { name: one, adress: 192.0.2.1, secret: short }\n",
    )
    .unwrap();
    let output = portproof(&["check", bench.to_str().unwrap()]);
    assert_eq!(code(&output), 2);
    let told = err(&output);
    assert!(told.contains("bad.yaml:3:"), "{told}");
    assert!(told.contains("`address`"), "{told}");
    assert!(!told.contains("short"), "a secret is never shown: {told}");
}

#[test]
fn a_missing_file_ends_with_2() {
    for command in ["check", "serve", "drill"] {
        let output = portproof(&[command, "no-such-file.yaml"]);
        assert_eq!(code(&output), 2, "{command}: {}", err(&output));
        assert!(err(&output).contains("no-such-file.yaml"), "{command}");
    }
}

#[test]
fn a_port_in_use_ends_with_3_and_says_which() {
    let taken = std::net::UdpSocket::bind("127.0.0.1:0").unwrap();
    let port = taken.local_addr().unwrap().port();
    let folder = tempfile::tempdir().unwrap();
    let bench = folder.path().join("taken.yaml");
    std::fs::write(
        &bench,
        format!(
            "bench: taken\nlisten: {{ authentication: 127.0.0.1:{port}, accounting: 127.0.0.1:0 }}\n\
             switches:\n  - name: one\n    address: 192.0.2.1\n    secret: a-secret-of-some-length\n\
             \x20   dialect: standard\n\
             \x20   variables: {{ office-vlan: 1, voice-vlan: 2, till-vlan: 3, device-vlan: 4, \
             radio-vlan: 5, guest-vlan: 6, holding-vlan: 7 }}\nclasses: lantern-quay\n"
        ),
    )
    .unwrap();
    let output = portproof(&["serve", "--in-memory", bench.to_str().unwrap()]);
    assert_eq!(code(&output), 3, "{}", err(&output));
    assert!(err(&output).contains(&port.to_string()), "{}", err(&output));
}

#[test]
fn usage_mistakes_end_with_2() {
    assert_eq!(code(&portproof(&[])), 2);
    assert_eq!(code(&portproof(&["answer"])), 2);
    assert_eq!(code(&portproof(&["drill"])), 2);
}

#[test]
fn every_command_has_help() {
    let help = out(&portproof(&["--help"]));
    for command in ["serve", "check", "drill", "stand-in", "certs"] {
        assert!(help.contains(command), "{help}");
        assert_eq!(code(&portproof(&[command, "--help"])), 0);
    }
}

/// A bounce can cut power: a script has to say that it means it.
#[test]
fn a_bounce_is_not_sent_without_a_yes() {
    let unasked = portproof(&["change", "bounce", "--port", "1", "--board", "127.0.0.1:9"]);
    assert_eq!(code(&unasked), 1);
    assert!(
        err(&unasked).contains("power over Ethernet"),
        "{}",
        err(&unasked)
    );
    assert!(err(&unasked).contains("--yes"), "{}", err(&unasked));
    let meant = portproof(&[
        "change",
        "bounce",
        "--yes",
        "--port",
        "1",
        "--board",
        "127.0.0.1:9",
    ]);
    assert_eq!(code(&meant), 3, "nobody answers there: {}", err(&meant));
}
