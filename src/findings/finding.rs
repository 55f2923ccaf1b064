//! What was found, gathered by rule and switch.

use std::collections::BTreeMap;

use jiff::Timestamp;
use serde::Serialize;

use super::rule::{Remark, Rule};
use crate::wire::Mac;

/// Examples kept of one finding: the first ones.
const EXAMPLES: usize = 5;
/// Findings kept at the most; past it only known ones are counted.
const MOST: usize = 16_384;

/// A rule that a switch broke, once or many times.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Finding {
    /// The rule.
    #[serde(flatten)]
    pub rule: &'static Rule,
    /// Switch entry.
    pub switch: String,
    /// How often.
    pub count: u64,
    /// First time.
    pub first: Timestamp,
    /// Last time.
    pub last: Timestamp,
    /// The first few times.
    pub examples: Vec<Example>,
}

/// One time that a rule was broken.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Example {
    /// When.
    pub at: Timestamp,
    /// What was seen, in one line.
    pub what: String,
    /// Port as the switch names it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub port: Option<String>,
    /// Device.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub mac: Option<Mac>,
    /// The packets that show it, the one at fault first. Empty for what only the bench file shows.
    pub packets: Vec<PacketRef>,
}

/// A packet in the journal.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize)]
pub struct PacketRef {
    /// Number of the entry.
    pub entry: u64,
    /// Which packet of the entry, from 0.
    pub packet: usize,
}

/// Where and when a remark belongs.
#[derive(Debug, Clone, Copy)]
pub(super) struct Spot<'a> {
    pub(super) at: Timestamp,
    pub(super) switch: &'a str,
    pub(super) port: Option<&'a str>,
    pub(super) mac: Option<Mac>,
    pub(super) packet: Option<PacketRef>,
}

/// Findings so far.
#[derive(Debug, Default)]
pub(super) struct Collected {
    by_rule: BTreeMap<(&'static str, String), Finding>,
}

impl Collected {
    pub(super) fn add(&mut self, rule: &'static Rule, spot: &Spot<'_>, remark: Remark) {
        let key = (rule.id, spot.switch.to_owned());
        if self.by_rule.len() >= MOST && !self.by_rule.contains_key(&key) {
            return;
        }
        let finding = self.by_rule.entry(key).or_insert_with(|| Finding {
            rule,
            switch: spot.switch.to_owned(),
            count: 0,
            first: spot.at,
            last: spot.at,
            examples: Vec::new(),
        });
        finding.count += 1;
        finding.last = finding.last.max(spot.at);
        if finding.examples.len() < EXAMPLES {
            finding.examples.push(Example {
                at: spot.at,
                what: remark.what,
                port: spot.port.map(str::to_owned),
                mac: spot.mac,
                packets: spot.packet.into_iter().chain(remark.beside).collect(),
            });
        }
    }

    /// Breaches first, then by switch and rule.
    pub(super) fn sorted(&self) -> Vec<Finding> {
        let mut findings: Vec<Finding> = self.by_rule.values().cloned().collect();
        findings.sort_by(|a, b| {
            (b.rule.severity, &a.switch, a.rule.id).cmp(&(a.rule.severity, &b.switch, b.rule.id))
        });
        findings
    }
}
