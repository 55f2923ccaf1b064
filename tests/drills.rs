//! The drills that ship, in simulated time: they pass, the same seed gives the same run, and each
//! clause is able to fail.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic,
    reason = "a test that goes wrong should stop where it does"
)]

use std::path::{Path, PathBuf};
use std::sync::Arc;

use portproof::drill::{self, Loaded, Outcome};

fn shipped() -> Vec<PathBuf> {
    drill::find(&[PathBuf::from("lab/drills")]).unwrap()
}

fn run(path: &Path) -> Outcome {
    drill::sim::run(&drill::load(path).unwrap(), 1)
}

/// A shipped drill with some of its text changed, so that it sits beside the original.
fn changed(name: &str, from: &str, to: &str) -> Loaded {
    let original = Path::new("lab/drills").join(name);
    let text = std::fs::read_to_string(&original).unwrap();
    assert!(text.contains(from), "{name} has '{from}'");
    let folder = tempfile::tempdir().unwrap();
    let copy = folder.path().join(name);
    let bench = std::fs::canonicalize("lab/lantern-quay.yaml").unwrap();
    let text = text
        .replacen(from, to, 1)
        .replace("../lantern-quay.yaml", bench.to_str().unwrap());
    std::fs::write(&copy, text).unwrap();
    drill::load(&copy).unwrap()
}

fn failed_clauses(outcome: &Outcome) -> Vec<&str> {
    outcome
        .results
        .iter()
        .filter(|result| !result.held)
        .map(|result| result.clause.as_str())
        .collect()
}

#[test]
fn every_shipped_drill_passes() {
    let files = shipped();
    assert!(files.len() >= 6, "six drills ship at the least");
    for file in files {
        let outcome = run(&file);
        assert!(
            outcome.passed,
            "{}: {:?}",
            file.display(),
            failed_clauses(&outcome)
        );
        assert!(
            outcome.results.len() >= 3,
            "{} proves something",
            file.display()
        );
    }
}

/// However chance falls: the limits of the shipped drills do not hang on one seed.
#[test]
fn they_pass_for_other_seeds_too() {
    for file in shipped() {
        let loaded = drill::load(&file).unwrap();
        for seed in 2..22 {
            let outcome = drill::sim::run(&loaded, seed);
            assert!(
                outcome.passed,
                "{} seed {seed}: {:?}",
                file.display(),
                failed_clauses(&outcome)
            );
        }
    }
}

#[test]
fn the_same_seed_gives_the_same_run() {
    for file in shipped() {
        assert_eq!(run(&file), run(&file), "{}", file.display());
    }
}

#[test]
fn another_seed_gives_another_run() {
    let loaded = drill::load(Path::new("lab/drills/new-printer.yaml")).unwrap();
    let seen = |seed| drill::sim::run(&loaded, seed).seen;
    assert_ne!(seen(1), seen(2), "chance plays a part");
}

#[test]
fn a_limit_that_is_too_short_fails_and_says_what_was_seen() {
    let loaded = changed(
        "new-printer.yaml",
        "class: holding, within: 5s",
        "class: holding, within: 4s",
    );
    let outcome = drill::sim::run(&loaded, 1);
    assert!(!outcome.passed);
    let result = outcome.results.iter().find(|result| !result.held).unwrap();
    assert_eq!(
        result.clause,
        "printer on port 1/7 class holding within 4 s"
    );
    assert!(
        result.found.starts_with("not seen; the last about it was"),
        "{}",
        result.found
    );
}

#[test]
fn a_class_that_never_comes_fails() {
    let loaded = changed(
        "new-printer.yaml",
        "class: printer, within: 60s",
        "class: till, within: 60s",
    );
    assert!(!drill::sim::run(&loaded, 1).passed);
}

#[test]
fn something_forbidden_fails() {
    let loaded = changed(
        "new-printer.yaml",
        "- expect: { port: \"1/7\", event: bounced, within: 15s }",
        "- never: { port: \"1/7\", event: bounced, for: 15s }",
    );
    let outcome = drill::sim::run(&loaded, 1);
    assert_eq!(failed_clauses(&outcome)[0], "never on port 1/7 bounced");
}

#[test]
fn a_wrong_count_fails() {
    let loaded = changed(
        "new-printer.yaml",
        "event: bounced, exactly: 1",
        "event: bounced, exactly: 2",
    );
    assert_eq!(
        failed_clauses(&drill::sim::run(&loaded, 1)),
        ["on port 1/7 bounced exactly 2"]
    );
}

#[test]
fn sessions_at_once_are_counted() {
    let loaded = changed(
        "device-moves.yaml",
        "sessions: true, at-most: 1",
        "sessions: true, exactly: 0",
    );
    assert_eq!(
        failed_clauses(&drill::sim::run(&loaded, 1)),
        ["till sessions at once exactly 0"]
    );
}

/// Without a recognition there is no change: the table decides, not the drill.
#[test]
fn a_printer_that_says_something_else_stays_held() {
    let loaded = changed(
        "new-printer.yaml",
        "vendor-class: lq-print/3, host-name: printer-7",
        "vendor-class: other/1, host-name: other-7",
    );
    let outcome = drill::sim::run(&loaded, 1);
    assert!(!outcome.passed);
    assert!(
        outcome
            .seen
            .iter()
            .all(|seen| seen.class.as_deref() != Some("printer"))
    );
}

#[test]
fn every_mistake_of_a_drill_is_told_at_its_place() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("bad.yaml");
    let bench = std::fs::canonicalize("lab/lantern-quay.yaml").unwrap();
    let text = format!(
        "drill: bad\nbench: {}\nswitch: {{ name: quay-1, ports: {{ count: 4 }} }}\n\
         devices: [ {{ name: printer, mac: 02:1a:70:00:00:07 }} ]\n\
         steps:\n  - plug: {{ device: printr, port: \"7\" }}\n  - plug: {{ device: printer }}\n\
         \x20 - expect: {{ device: printer, class: holdin }}\noverall:\n  - {{ device: printer }}\n",
        bench.display()
    );
    std::fs::write(&path, text).unwrap();
    let mistakes = drill::load(&path).unwrap_err();
    let told: Vec<(usize, String)> = mistakes
        .iter()
        .map(|one| (one.place.line, one.message.clone()))
        .collect();
    let expected = [
        (6, "there is no device 'printr'"),
        (6, "there is no port '7'"),
        (7, "a device is plugged into one place"),
        (8, "there is no class 'holdin'"),
        (8, "this `expect` has no limit"),
        (10, "this `overall` has no limit"),
    ];
    for (line, message) in expected {
        assert!(
            told.iter().any(|(at, text)| *at == line && text == message),
            "line {line}: {message} in {told:?}"
        );
    }
    assert_eq!(told.len(), expected.len(), "{told:?}");
}

/// The bench may be shared by many runs at once.
#[test]
fn a_loaded_drill_is_cheap_to_run_again() {
    let loaded = drill::load(Path::new("lab/drills/new-printer.yaml")).unwrap();
    let bench = Arc::strong_count(&loaded.bench);
    for seed in 0..50 {
        assert!(drill::sim::run(&loaded, seed).passed);
    }
    assert_eq!(Arc::strong_count(&loaded.bench), bench, "nothing is kept");
}

/// Where the bench offers 802.1X, a device that came by MAC authentication is told as one that
/// brought no EAPOL; where it does not, nobody asks.
#[test]
fn a_workstation_without_eapol_is_told_as_such() {
    let says = |name: &str| {
        let outcome = run(&Path::new("lab/drills").join(name));
        let accepts: Vec<_> = outcome
            .seen
            .iter()
            .filter(|seen| seen.word == "answered-accept")
            .collect();
        assert!(!accepts.is_empty());
        accepts.iter().all(|seen| seen.why.contains("no EAPOL"))
    };
    assert!(says("workstation-without-eapol.yaml"));
    assert!(!says("new-printer.yaml"));
}

#[test]
fn a_drill_that_proves_nothing_is_a_mistake() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("nothing.yaml");
    let bench = std::fs::canonicalize("lab/lantern-quay.yaml").unwrap();
    let text = |steps: &str| {
        format!(
            "drill: nothing\nbench: {}\nswitch: {{ name: quay-1 }}\n\
             devices: [ {{ name: till, mac: 02:1a:71:00:00:01 }} ]\nsteps: {steps}\n",
            bench.display()
        )
    };
    for (steps, told) in [
        ("[]", "expects nothing"),
        ("[ { wait: -5s } ]", "is negative"),
        (
            "[ { expect: { device: till, event: admitted, within: -1s } } ]",
            "is negative",
        ),
        (
            "[ { plug: { device: till, behind: till } } ]",
            "into itself",
        ),
    ] {
        std::fs::write(&path, text(steps)).unwrap();
        let mistakes = drill::load(&path).unwrap_err();
        assert!(
            mistakes.iter().any(|one| one.message.contains(told)),
            "{steps}: {mistakes:?}"
        );
    }
}

/// A word that nothing says would make a `never` hold for ever.
#[test]
fn a_misspelt_word_is_a_mistake() {
    for (from, to, near) in [
        (
            "event: bounced, within",
            "event: bouncd, within",
            "`bounced`",
        ),
        (
            "kind: recognition, within",
            "verdict: recognisd, within",
            "`recognised`",
        ),
        (
            "port: \"1/7\", event: bounced, for",
            "port: \"1/77\", event: bounced, for",
            "1/7",
        ),
    ] {
        let text = std::fs::read_to_string("lab/drills/new-printer.yaml").unwrap();
        assert!(text.contains(from), "{from}");
        let bench = std::fs::canonicalize("lab/lantern-quay.yaml").unwrap();
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("misspelt.yaml");
        let text = text
            .replacen(from, to, 1)
            .replace("../lantern-quay.yaml", bench.to_str().unwrap());
        std::fs::write(&path, text).unwrap();
        let mistakes = drill::load(&path).unwrap_err();
        assert_eq!(mistakes.len(), 1, "{to}");
        let told = portproof::bench::yaml::render(&mistakes, false);
        assert!(told.contains(near.trim_matches('`')), "{told}");
    }
}
