//! Every published or derived record of `tests/vectors/vectors.json` that belongs to the wire, each with
//! its negative twins: a flipped bit, a wrong secret or a missing octet must be refused.
//!
//! A record names its source (RFC and section); `published: false` marks values computed by the
//! stated rule, with nothing printed to compare with.

// clippy.toml allows these in tests, and not in the helpers beside them.
#![allow(
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic,
    clippy::unwrap_used
)]

mod attributes;
mod authenticators;
mod hiding;
mod material;
mod notation;
mod record;

use std::collections::BTreeMap;

use record::{Checks, Record};

/// Kinds that the EAP room runs, with the number of their records.
const LEFT_TO_EAP: &[(&str, usize)] = &[
    ("mschapv2", 1),
    ("des-key-parity", 1),
    ("mppe-key-derivation", 3),
    ("mppe-key-derivation-derived", 1),
    ("rc4-sample", 1),
    ("tls-key-derivation", 2),
    ("tls13-exporter", 3),
];

/// Kinds that are run here, with the number of their records.
const RUN_HERE: &[(&str, usize, Run)] = &[
    ("user-password-hiding", 3, hiding::user_password),
    (
        "response-authenticator",
        7,
        authenticators::response_authenticator,
    ),
    (
        "message-authenticator",
        3,
        authenticators::message_authenticator,
    ),
    ("chap-password", 1, hiding::chap_password),
    ("malformed-packet", 1, attributes::malformed_packet),
    ("hmac-md5", 3, hiding::hmac_md5),
    (
        "disconnect-request-layout",
        3,
        attributes::disconnect_layout,
    ),
    (
        "extended-attribute-encoding",
        13,
        attributes::extended_attribute,
    ),
    ("attribute-encoding", 5, attributes::attribute_encoding),
    ("mppe-salt-encryption", 2, hiding::mppe_key),
    (
        "dynamic-authorization",
        2,
        authenticators::dynamic_authorization,
    ),
    ("accounting-authenticator", 1, authenticators::accounting),
];

type Run = fn(&Record, &mut Checks);

#[test]
fn every_record_of_the_wire_holds_and_its_twins_are_refused() {
    let mut run: BTreeMap<&str, usize> = BTreeMap::new();
    let mut failures = Vec::new();
    let records = records();
    for record in &records {
        *run.entry(record.kind.as_str()).or_default() += 1;
        let Some((_, _, check)) = RUN_HERE.iter().find(|(kind, ..)| *kind == record.kind) else {
            continue;
        };
        let mut checks = Checks::default();
        check(record, &mut checks);
        if checks.held == 0 || checks.refused == 0 {
            checks
                .failed
                .push("has no positive or no negative check".to_owned());
        }
        for failed in checks.failed {
            failures.push(format!(
                "{}: {failed}\n    source: {}\n    note: {}",
                record.id, record.source, record.note
            ));
        }
    }
    assert!(failures.is_empty(), "\n{}", failures.join("\n"));

    let expected: BTreeMap<&str, usize> = RUN_HERE
        .iter()
        .map(|(kind, count, _)| (*kind, *count))
        .chain(LEFT_TO_EAP.iter().copied())
        .collect();
    assert_eq!(run, expected, "kinds and numbers of records");
}

fn records() -> Vec<Record> {
    serde_json::from_str(include_str!("../vectors/vectors.json")).expect("vectors.json")
}
