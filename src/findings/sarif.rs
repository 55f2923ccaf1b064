//! Findings in SARIF 2.1.0 (OASIS), for tools that collect the results of checkers.
//!
//! Only what there is to say is written; the standard's crate builds all of its schema's types at
//! compile time, for a few dozen lines here.

use serde::Serialize;
use serde_json::{Value, json};

use super::finding::{Example, Finding};
use super::rule::{Rule, Severity};

const SCHEMA: &str =
    "https://docs.oasis-open.org/sarif/sarif/v2.1.0/errata01/os/schemas/sarif-schema-2.1.0.json";

/// A log with one run. `journal` names the file that the findings are about.
#[must_use]
pub fn log(findings: &[Finding], journal: &str) -> Value {
    let rules: Vec<&'static Rule> = super::rules().collect();
    let results: Vec<ResultObject> = findings
        .iter()
        .map(|finding| result(finding, &rules, journal))
        .collect();
    json!({
        "$schema": SCHEMA,
        "version": "2.1.0",
        "runs": [{
            "tool": {
                "driver": {
                    "name": env!("CARGO_PKG_NAME"),
                    "version": env!("CARGO_PKG_VERSION"),
                    "rules": rules.iter().map(|rule| descriptor(rule)).collect::<Vec<_>>(),
                },
            },
            "results": results,
        }],
    })
}

/// `reportingDescriptor` (section 3.49).
#[derive(Serialize)]
#[serde(rename_all = "camelCase")]
struct Descriptor {
    id: &'static str,
    short_description: Text,
    full_description: Text,
    help: Text,
    default_configuration: Configuration,
    properties: Properties,
}

#[derive(Serialize)]
struct Configuration {
    level: &'static str,
}

#[derive(Serialize)]
struct Properties {
    source: String,
}

/// `message` and `multiformatMessageString` (sections 3.11 and 3.12).
#[derive(Serialize)]
struct Text {
    text: String,
}

/// `result` (section 3.27).
#[derive(Serialize)]
#[serde(rename_all = "camelCase")]
struct ResultObject {
    rule_id: &'static str,
    rule_index: usize,
    level: &'static str,
    message: Text,
    occurrence_count: u64,
    locations: Vec<Location>,
    properties: Value,
}

/// `location` (section 3.28).
#[derive(Serialize)]
#[serde(rename_all = "camelCase")]
struct Location {
    physical_location: Value,
    logical_locations: Vec<LogicalLocation>,
}

/// `logicalLocation` (section 3.33).
#[derive(Serialize)]
#[serde(rename_all = "camelCase")]
struct LogicalLocation {
    name: String,
    fully_qualified_name: String,
    kind: &'static str,
}

fn descriptor(rule: &Rule) -> Descriptor {
    Descriptor {
        id: rule.id,
        short_description: text(rule.title),
        full_description: text(rule.why),
        help: text(rule.remedy),
        default_configuration: Configuration {
            level: level(rule.severity),
        },
        properties: Properties {
            source: rule.source.to_string(),
        },
    }
}

fn result(finding: &Finding, rules: &[&Rule], journal: &str) -> ResultObject {
    let rule = finding.rule;
    let what = finding.examples.first().map_or("", |example| &example.what);
    ResultObject {
        rule_id: rule.id,
        rule_index: rules
            .iter()
            .position(|known| known.id == rule.id)
            .unwrap_or_default(),
        level: level(rule.severity),
        message: text(&format!("{} ({}): {what}", rule.title, finding.switch)),
        occurrence_count: finding.count,
        locations: vec![location(finding, journal)],
        properties: json!({
            "switch": finding.switch,
            "first": finding.first,
            "last": finding.last,
            "examples": finding.examples,
        }),
    }
}

fn location(finding: &Finding, journal: &str) -> Location {
    let port = finding
        .examples
        .first()
        .and_then(|example: &Example| example.port.as_deref());
    let (name, kind) = match port {
        Some(port) => (port, "port"),
        None => (finding.switch.as_str(), "switch"),
    };
    let qualified = match port {
        Some(port) => format!("{}/{port}", finding.switch),
        None => finding.switch.clone(),
    };
    Location {
        physical_location: json!({ "artifactLocation": { "uri": journal } }),
        logical_locations: vec![LogicalLocation {
            name: name.to_owned(),
            fully_qualified_name: qualified,
            kind,
        }],
    }
}

/// `level` (section 3.27.10).
fn level(severity: Severity) -> &'static str {
    match severity {
        Severity::Note => "note",
        Severity::Weakness => "warning",
        Severity::Breach => "error",
    }
}

fn text(text: &str) -> Text {
    Text {
        text: text.to_owned(),
    }
}
