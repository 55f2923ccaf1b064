//! What runs of drills leave behind: the HTML file, repeats, and the comparison of two runs.
#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "a test that goes wrong should stop where it does"
)]

use std::path::Path;
use std::process::{Command, Output, Stdio};

use jiff::Timestamp;
use portproof::drill::report::compare::{self, Recorded};
use portproof::drill::report::{self, Performed};
use portproof::drill::{self, Loaded};

fn loaded(name: &str) -> Loaded {
    drill::load(&Path::new("lab/drills").join(name)).unwrap()
}

fn performed(loaded: Loaded, seeds: std::ops::Range<u64>) -> Performed {
    let outcomes = seeds.map(|seed| drill::sim::run(&loaded, seed)).collect();
    Performed { loaded, outcomes }
}

fn recorded(performed: &[Performed]) -> Recorded {
    serde_json::from_str(&report::json(performed)).unwrap()
}

/// The same drill with some of its text changed, beside the same bench.
fn changed(name: &str, from: &str, to: &str) -> Loaded {
    let text = std::fs::read_to_string(Path::new("lab/drills").join(name)).unwrap();
    assert!(text.contains(from), "{name} has '{from}'");
    let bench = std::fs::canonicalize("lab/lantern-quay.yaml").unwrap();
    let text = text
        .replacen(from, to, 1)
        .replace("../lantern-quay.yaml", bench.to_str().unwrap());
    let folder = tempfile::tempdir().unwrap();
    let copy = folder.path().join(name);
    std::fs::write(&copy, text).unwrap();
    drill::load(&copy).unwrap()
}

/// Each way takes 100 ms to 300 ms, by chance.
fn slow_network() -> Loaded {
    changed(
        "new-printer.yaml",
        "switch:\n",
        "network: { latency: 100ms, jitter: 200ms }\nswitch:\n",
    )
}

fn portproof(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_portproof"))
        .args(arguments)
        .stdin(Stdio::null())
        .output()
        .unwrap()
}

#[test]
fn the_page_has_everything_and_loads_nothing() {
    let one = performed(loaded("new-printer.yaml"), 1..2);
    let page = report::html::page(&[one], Timestamp::UNIX_EPOCH);
    for part in [
        "<html lang=\"en\">",
        "1 of 1 passed",
        "Access-Accept, answered-accept [printer]",
        "printer on port 1/7 class printer within 60 s",
        "role=\"img\"",
        "scope=\"col\"",
        "dialect: { family: enterprise-9 }",
    ] {
        assert!(page.contains(part), "{part}");
    }
    for class in &loaded("new-printer.yaml").bench.table.classes {
        assert!(page.contains(&class.name), "{}", class.name);
    }
    for outside in [
        "http://", "https://", "src=", "<link", "<script", "@import", "url(",
    ] {
        assert!(!page.contains(outside), "{outside}");
    }
}

#[test]
fn the_page_shows_no_secret() {
    let one = performed(loaded("new-printer.yaml"), 1..2);
    let page = report::html::page(&[one], Timestamp::UNIX_EPOCH);
    let bench = std::fs::read_to_string("lab/lantern-quay.yaml").unwrap();
    assert!(
        bench.contains("lantern-quay-bench-only"),
        "there is one to show"
    );
    assert!(!page.contains("lantern-quay-bench-only"));
    assert!(page.contains("secret: ***"));
}

#[test]
fn what_a_drill_says_is_text_on_the_page() {
    let drill = changed(
        "new-printer.yaml",
        "drill: a new printer",
        "about: a <b>bold</b> & \"quoted\" word\ndrill: <script>alert(1)</script> a new printer",
    );
    let page = report::html::page(&[performed(drill, 1..2)], Timestamp::UNIX_EPOCH);
    assert!(!page.contains("<script"));
    assert!(page.contains("&lt;script&gt;alert(1)&lt;/script&gt; a new printer"));
    assert!(page.contains("a &lt;b&gt;bold&lt;/b&gt; &amp;"));
}

#[test]
fn a_failed_run_is_told_in_words() {
    let drill = changed(
        "new-printer.yaml",
        "printer, within: 60s",
        "printer, within: 7s",
    );
    let page = report::html::page(&[performed(drill, 1..2)], Timestamp::UNIX_EPOCH);
    assert!(page.contains("0 of 1 passed"));
    assert!(page.contains(">FAIL<") && page.contains(">FAILED<"));
}

#[test]
fn spreads_count_every_run() {
    let runs = performed(slow_network(), 1..21);
    let spreads = runs.spreads();
    let classes: Vec<(&str, usize)> = spreads
        .iter()
        .map(|one| (one.class.as_str(), one.seconds.len()))
        .collect();
    assert_eq!(classes, [("holding", 20), ("printer", 20)]);
    for one in &spreads {
        assert!(one.min < one.max, "chance plays a part: {one:?}");
        assert!(one.min <= one.median && one.median <= one.p95 && one.p95 <= one.max);
    }
    assert!(spreads[0].max < spreads[1].min, "held before it is known");
}

#[test]
fn a_run_does_not_differ_from_itself() {
    let report = recorded(&[performed(loaded("new-printer.yaml"), 1..4)]);
    let found = compare::compare(&report, &report);
    assert!(!found.broken && found.drills.is_empty(), "{found:?}");
    assert!(compare::render(&found).starts_with("SAME"));
}

#[test]
fn what_got_slower_is_told_with_by_how_much() {
    let quick = recorded(&[performed(loaded("new-printer.yaml"), 1..4)]);
    let slow = recorded(&[performed(slow_network(), 1..4)]);
    let found = compare::compare(&quick, &slow);
    let worst = &found.drills[0].times[0];
    assert!(worst.more > 0.1, "{worst:?}");
    assert!((worst.share.unwrap() - worst.more / worst.seconds.before).abs() < 1e-9);
    assert!(compare::render(&found).contains("slower"));
    let back = compare::compare(&slow, &quick);
    assert!(back.drills[0].times.iter().all(|time| time.more < 0.0));
}

#[test]
fn what_no_longer_holds_breaks_the_comparison_and_only_in_that_direction() {
    let good = recorded(&[performed(loaded("new-printer.yaml"), 1..3)]);
    let late = changed(
        "new-printer.yaml",
        "class: holding, within: 5s",
        "class: holding, within: 4s",
    );
    let late = recorded(&[performed(late, 1..3)]);
    assert!(compare::compare(&good, &late).broken);
    assert!(!compare::compare(&late, &good).broken);
}

#[test]
fn another_class_is_told() {
    let before = recorded(&[performed(loaded("new-printer.yaml"), 1..2)]);
    let till = changed(
        "new-printer.yaml",
        "vendor-class: lq-print/3",
        "vendor-class: lq-phone/2",
    );
    let after = recorded(&[performed(till, 1..2)]);
    let found = compare::compare(&before, &after);
    let change = &found.drills[0].classes[0];
    assert_eq!(change.classes.before, ["holding", "printer"]);
    assert_ne!(change.classes.after, change.classes.before);
    assert!(found.broken, "the printer is a printer no more");
}

#[test]
fn the_commands_repeat_write_and_compare() {
    let folder = tempfile::tempdir().unwrap();
    let html = folder.path().join("run.html");
    let drill = "lab/drills/new-printer.yaml";
    let ran = portproof(&[
        "drill",
        drill,
        "--repeat",
        "3",
        "--seed",
        "5",
        "--json",
        "--html",
        html.to_str().unwrap(),
    ]);
    assert_eq!(ran.status.code(), Some(0));
    let json: serde_json::Value = serde_json::from_slice(&ran.stdout).unwrap();
    let seeds: Vec<_> = json["runs"]
        .as_array()
        .unwrap()
        .iter()
        .map(|run| run["seed"].as_u64().unwrap())
        .collect();
    assert_eq!(seeds, [5, 6, 7]);
    assert_eq!(
        json["seconds-to-class"][0]["seconds"]
            .as_array()
            .unwrap()
            .len(),
        3
    );
    assert!(
        std::fs::read_to_string(&html)
            .unwrap()
            .contains("Drawing of seconds to class")
    );

    let before = folder.path().join("before.json");
    std::fs::write(&before, &ran.stdout).unwrap();
    let path = before.to_str().unwrap();
    let same = portproof(&["drill", "compare", path, path]);
    assert_eq!(same.status.code(), Some(0));
    let mut worse = json;
    worse["runs"][0]["passed"] = false.into();
    worse["runs"][0]["results"][0]["held"] = false.into();
    let after = folder.path().join("after.json");
    std::fs::write(&after, worse.to_string()).unwrap();
    let broken = portproof(&["drill", "compare", path, after.to_str().unwrap()]);
    assert_eq!(broken.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&broken.stdout).contains("held in 3 of 3, now held in 2 of 3"));
    let wrong = portproof(&["drill", "compare", path, drill]);
    assert_eq!(wrong.status.code(), Some(2));
}
