//! Each switch as its ports in a row.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use utoipa::ToSchema;

use super::{Mark, Outline, SessionView};
use crate::bench::Bench;
use crate::roster::Session;
use crate::store::SwitchPort;

/// A switch of the bench file, or one that was there once.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct SwitchView {
    /// Name of the entry.
    pub name: String,
    /// Address or prefix; left out when the bench file no longer declares it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub address: Option<String>,
    /// Dialect.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub dialect: Option<String>,
    /// Changes that the dialect can spell.
    pub changes: Vec<String>,
    /// Its ports, in their natural order.
    pub ports: Vec<PortView>,
}

/// A port.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct PortView {
    /// Port as the switch names it.
    pub port: String,
    /// When it was last heard of.
    #[schema(value_type = Option<String>, format = DateTime)]
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub heard: Option<Timestamp>,
    /// Its live sessions.
    pub sessions: Vec<SessionView>,
    /// Whether one of them is in the holding class.
    pub held: bool,
    /// What is wrong with it, as an entry to open.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub trouble: Option<Outline>,
    /// A change that waits for its answer.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub changing: Option<Outline>,
}

/// Puts switches, ports and sessions together.
#[must_use]
pub fn rows(bench: &Bench, heard: Vec<SwitchPort>, live: &[Session]) -> Vec<SwitchView> {
    let mut ports: BTreeMap<(String, String), PortView> = BTreeMap::new();
    for port in heard {
        let row = of_heard(&port);
        ports.insert((port.switch, port.port), row);
    }
    for session in live {
        let Some(port) = &session.port else { continue };
        let row = ports
            .entry((session.switch.clone(), port.clone()))
            .or_insert_with(|| empty(port));
        row.held |= session.class == bench.table.holding;
        row.sessions.push(SessionView::from(session));
    }
    let mut switches: Vec<SwitchView> = bench
        .switches
        .iter()
        .map(|switch| SwitchView {
            name: switch.name.clone(),
            address: Some(switch.address.to_string()),
            dialect: Some(switch.dialect.name.clone()),
            changes: switch
                .dialect
                .changes
                .keys()
                .map(|kind| kind.word().to_owned())
                .collect(),
            ports: Vec::new(),
        })
        .collect();
    for ((name, _), port) in ports {
        match switches.iter_mut().find(|switch| switch.name == name) {
            Some(switch) => switch.ports.push(port),
            None => switches.push(SwitchView {
                name,
                address: None,
                dialect: None,
                changes: Vec::new(),
                ports: vec![port],
            }),
        }
    }
    for switch in &mut switches {
        switch.ports.sort_by_key(|row| natural(&row.port));
    }
    switches
}

fn empty(port: &str) -> PortView {
    PortView {
        port: port.to_owned(),
        heard: None,
        sessions: Vec::new(),
        held: false,
        trouble: None,
        changing: None,
    }
}

fn of_heard(port: &SwitchPort) -> PortView {
    let access = port.access.as_ref().map(Outline::from);
    let change = port.change.as_ref().map(Outline::from);
    // A newer answer to the device makes the fate of an older change history.
    let change = change.filter(|change| access.as_ref().is_none_or(|a| a.seq < change.seq));
    let newest = [change.clone(), access].into_iter().flatten().next();
    PortView {
        heard: Timestamp::from_nanosecond(i128::from(port.heard)).ok(),
        trouble: newest.filter(|entry| entry.mark == Mark::Trouble),
        changing: change.filter(|entry| entry.mark == Mark::UnderWay),
        ..empty(&port.port)
    }
}

/// Runs of digits as numbers, so that port 10 follows port 9.
pub(crate) fn natural(port: &str) -> Vec<(u64, String)> {
    let mut parts = vec![(0_u64, String::new())];
    let mut in_digits = false;
    for c in port.chars() {
        if c.is_ascii_digit() != in_digits {
            in_digits = !in_digits;
            if in_digits {
                parts.push((0, String::new()));
            }
        }
        if let Some((number, text)) = parts.last_mut() {
            match c.to_digit(10) {
                Some(digit) => *number = number.saturating_mul(10).saturating_add(digit.into()),
                None => text.push(c),
            }
        }
    }
    parts
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ports_stand_as_on_the_switch() {
        let mut ports = ["1/0/10", "1/0/9", "2/0/1", "1/0/1", "Gi1", "uplink"];
        ports.sort_by_key(|port| natural(port));
        assert_eq!(
            ports,
            ["1/0/1", "1/0/9", "1/0/10", "2/0/1", "Gi1", "uplink"]
        );
    }
}
