//! The table of cases: none may be missing, each must break its rule and no other.

use std::collections::BTreeSet;

use super::script::Script;
use crate::findings::{Finding, rules};

/// One rule, broken and kept.
pub(super) struct Case {
    pub(super) rule: &'static str,
    /// Rules that are broken along with it.
    pub(super) also: &'static [&'static str],
    pub(super) breaks: fn(&mut Script),
    pub(super) keeps: fn(&mut Script),
}

pub(super) fn case(rule: &'static str, breaks: fn(&mut Script), keeps: fn(&mut Script)) -> Case {
    Case {
        rule,
        also: &[],
        breaks,
        keeps,
    }
}

impl Case {
    pub(super) fn also(mut self, also: &'static [&'static str]) -> Case {
        self.also = also;
        self
    }
}

fn cases() -> Vec<Case> {
    [
        super::rfc2865::cases(),
        super::rfc2866::cases(),
        super::rfc2869::cases(),
        super::rfc3579::cases(),
        super::rfc3580::cases(),
        super::rfc4675::cases(),
        super::rfc5080::cases(),
        super::rfc5176::answers(),
        super::rfc5176::deeds(),
        super::trade::cases(),
    ]
    .into_iter()
    .flatten()
    .collect()
}

fn play(script: fn(&mut Script)) -> (Script, Vec<Finding>) {
    let mut played = Script::new();
    script(&mut played);
    let findings = played.findings();
    (played, findings)
}

fn ids(findings: &[Finding]) -> BTreeSet<&str> {
    findings.iter().map(|finding| finding.rule.id).collect()
}

#[test]
fn every_rule_has_a_case_and_every_case_a_rule() {
    let ruled: BTreeSet<&str> = rules().map(|rule| rule.id).collect();
    assert_eq!(ruled.len(), rules().count(), "names are unique");
    assert!(ruled.len() >= 40, "{} rules", ruled.len());
    let cased: BTreeSet<&str> = cases().iter().map(|case| case.rule).collect();
    let missing: Vec<_> = ruled.symmetric_difference(&cased).collect();
    assert!(missing.is_empty(), "without a case or a rule: {missing:?}");
}

#[test]
fn each_breach_is_found_and_nothing_else() {
    let mut wrong = Vec::new();
    for case in cases() {
        let (_, findings) = play(case.breaks);
        let expected: BTreeSet<&str> = case.also.iter().copied().chain([case.rule]).collect();
        if ids(&findings) != expected {
            wrong.push(format!("{}: found {:?}", case.rule, shown(&findings)));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn each_twin_is_silent() {
    let mut wrong = Vec::new();
    for case in cases() {
        let (played, findings) = play(case.keeps);
        if !findings.is_empty() {
            wrong.push(format!("{}: found {:?}", case.rule, shown(&findings)));
        }
        if played.entries().is_empty() {
            wrong.push(format!("{}: the twin says nothing", case.rule));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// What a finding points at is in the journal.
#[test]
fn findings_name_packets_of_the_journal() {
    for case in cases() {
        let (played, findings) = play(case.breaks);
        for finding in &findings {
            for example in &finding.examples {
                assert!(!example.what.is_empty());
                assert!(
                    !example.packets.is_empty() || finding.rule.id.contains("secret"),
                    "{}",
                    finding.rule.id
                );
                for packet in &example.packets {
                    let entry = &played.entries()[packet.entry as usize - 1];
                    assert!(entry.packets.get(packet.packet).is_some());
                }
            }
        }
    }
}

fn shown(findings: &[Finding]) -> Vec<(&str, &str)> {
    findings
        .iter()
        .map(|finding| (finding.rule.id, finding.examples[0].what.as_str()))
        .collect()
}
