//! `docs/reference-findings.md` is made of the table of rules.

use std::fmt::Write as _;
use std::path::PathBuf;

use super::pair::table::found_by;
use crate::findings::{Rule, Severity, Source, rules};

/// Set to write the file anew.
const WRITE: &str = "PORTPROOF_WRITE_REFERENCE";

const HEAD: &str = "\
# Findings

`portproof findings` reads the journal of a state file and tells where the switch under test broke
a standard or used it weakly. Each finding has its packets, by number of the journal entry and
place in it.

| severity | what it means |
|---|---|
| breach | a standard says MUST, or a promise of the switch was not kept |
| weakness | allowed, but it makes the port weaker, slower or harder to run |
| note | worth knowing; no rule is broken |

```
portproof findings --bench lab/lantern-quay.yaml              text, by weight
portproof findings --state quay.portproof-state --json        one JSON object a line
portproof findings --bench FILE --sarif findings.sarif        SARIF 2.1.0 besides
portproof findings --bench FILE --severity breach --require-none   exit code 1 when there is one
```

The bench may run meanwhile. With `--bench` the secrets and what depends on them are looked at as
well; `--state` alone looks at the journal.

What a bench did not see counts for nothing: a rule about something that did not happen (no Stop,
no answer, no interim update) needs a session whose accounting shows that it goes on, and starts
over when the bench starts or a fault goes on or off. Sections marked * are cited from memory.

Where the stand-in can break a rule, its misbehaviour is named. This file is made of the table of
rules by a test.
";

fn text() -> String {
    let mut text = HEAD.to_owned();
    let mut heading = String::new();
    for rule in rules() {
        let standard = standard(rule);
        if standard != heading {
            let _ = write!(text, "\n## {standard}\n");
            heading = standard;
        }
        let _ = write!(
            text,
            "\n### {}\n{} ({}{})  \nWhy: {}  \nRemedy: {}\n",
            rule.id,
            sentence(rule.title),
            rule.severity.word(),
            section(rule),
            rule.why,
            rule.remedy
        );
        let misbehaviours: Vec<String> = found_by(rule.id)
            .iter()
            .map(|one| format!("`{one}`"))
            .collect();
        if !misbehaviours.is_empty() {
            text.pop();
            let _ = write!(text, "  \nStand-in: {}\n", misbehaviours.join(", "));
        }
    }
    text
}

fn standard(rule: &Rule) -> String {
    match rule.source {
        Source::Rfc { number, .. } => format!("RFC {number}"),
        Source::Practice => "Common practice, no source".to_owned(),
    }
}

fn section(rule: &Rule) -> String {
    match rule.source {
        Source::Rfc {
            section,
            from_memory,
            ..
        } => format!(
            ", section {section}{}",
            if from_memory { "\\*" } else { "" }
        ),
        Source::Practice => String::new(),
    }
}

fn sentence(title: &str) -> String {
    let mut letters = title.chars();
    letters.next().map_or_else(String::new, |first| {
        format!("{}{}.", first.to_uppercase(), letters.as_str())
    })
}

#[test]
fn the_reference_is_that_of_the_rules() {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("docs/reference-findings.md");
    let made = text();
    if std::env::var_os(WRITE).is_some() {
        std::fs::write(&path, &made).unwrap();
    }
    let found = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(
        found == made,
        "docs/reference-findings.md is not that of the rules: run the test with {WRITE}=1"
    );
}

#[test]
fn every_rule_is_told_in_whole_sentences() {
    for rule in rules() {
        let id = rule.id;
        assert!(
            rule.why.ends_with('.') && rule.remedy.ends_with('.'),
            "{id}"
        );
        assert!(!rule.title.ends_with('.') && !rule.title.is_empty(), "{id}");
        let standard = match rule.source {
            Source::Rfc { number, .. } => format!("rfc{number}-"),
            Source::Practice => "trade-".to_owned(),
        };
        assert!(id.starts_with(&standard), "{id}");
    }
    for severity in Severity::ALL {
        assert!(rules().any(|rule| rule.severity == severity));
    }
}
