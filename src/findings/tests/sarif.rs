//! What SARIF 2.1.0 requires of a log (section numbers of the OASIS standard, from memory).

use std::collections::BTreeSet;

use serde_json::Value;

use super::script::{Reply, Script, Seal};
use crate::findings::{rules, sarif};
use crate::wire::registry::attributes as a;

fn log() -> Value {
    let mut s = Script::new();
    s.facts.shared_with.push("quay-4".to_owned());
    let request = s.mac().seal(Seal::None).without(a::CALLED_STATION_ID);
    s.send(&request, Reply::Reject);
    sarif::log(&s.findings(), "quay.portproof-state")
}

/// Sections 3.13, 3.14, 3.18, 3.19: version, runs, tool, driver, name.
#[test]
fn log_run_and_tool_have_what_they_must() {
    let log = log();
    assert_eq!(log["version"], "2.1.0");
    let runs = log["runs"].as_array().unwrap();
    assert_eq!(runs.len(), 1);
    assert_eq!(runs[0]["tool"]["driver"]["name"], "portproof");
    let known = BTreeSet::from(["tool", "results"]);
    let found: BTreeSet<&str> = keys(&runs[0]);
    assert_eq!(found, known);
}

/// Sections 3.49.3 and 3.19.23: ids are there and unique, texts are not empty, levels are known.
#[test]
fn descriptors_have_what_they_must() {
    let log = log();
    let descriptors = log["runs"][0]["tool"]["driver"]["rules"]
        .as_array()
        .unwrap();
    let ids: BTreeSet<&str> = descriptors
        .iter()
        .map(|one| one["id"].as_str().unwrap())
        .collect();
    assert_eq!(ids.len(), rules().count());
    for one in descriptors {
        for member in ["shortDescription", "fullDescription", "help"] {
            assert!(!one[member]["text"].as_str().unwrap().is_empty());
        }
        assert_level(&one["defaultConfiguration"]["level"]);
    }
}

/// Sections 3.27.5, 3.27.6, 3.27.10, 3.27.11, 3.28, 3.29, 3.33.
#[test]
fn results_have_what_they_must() {
    let log = log();
    let run = &log["runs"][0];
    let results = run["results"].as_array().unwrap();
    assert_eq!(results.len(), 3);
    for result in results {
        assert!(!result["message"]["text"].as_str().unwrap().is_empty());
        assert_level(&result["level"]);
        let index = result["ruleIndex"].as_u64().unwrap() as usize;
        let descriptor = &run["tool"]["driver"]["rules"][index];
        assert_eq!(descriptor["id"], result["ruleId"]);
        assert!(result["occurrenceCount"].as_u64().unwrap() >= 1);
        let location = &result["locations"][0];
        let uri = &location["physicalLocation"]["artifactLocation"]["uri"];
        assert_eq!(uri, "quay.portproof-state");
        let logical = &location["logicalLocations"][0];
        assert!(
            logical["fullyQualifiedName"]
                .as_str()
                .unwrap()
                .starts_with("quay-3")
        );
    }
    let levels: BTreeSet<&str> = results
        .iter()
        .map(|result| result["level"].as_str().unwrap())
        .collect();
    assert_eq!(levels, BTreeSet::from(["note", "warning"]));
}

fn assert_level(level: &Value) {
    assert!(["none", "note", "warning", "error"].contains(&level.as_str().unwrap()));
}

fn keys(value: &Value) -> BTreeSet<&str> {
    value
        .as_object()
        .unwrap()
        .keys()
        .map(String::as_str)
        .collect()
}
