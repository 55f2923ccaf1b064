//! What the auditor must know of the bench.

use std::collections::BTreeMap;

use crate::bench::{Bench, Switch};
use crate::wire::Secret;

/// The switches of a bench, as far as rules ask. Empty when only a journal is at hand: rules that
/// need more than the journal are silent then.
#[derive(Debug, Clone, Default)]
pub struct BenchFacts {
    switches: BTreeMap<String, SwitchFacts>,
}

/// One switch entry.
#[derive(Debug, Clone)]
pub struct SwitchFacts {
    /// Shared secret for authentication and accounting.
    pub secret: Secret,
    /// Shared secret for changes.
    pub change_secret: Secret,
    /// Other switch entries with the same secret.
    pub shared_with: Vec<String>,
    /// Most devices at once on one port. A bench file does not say it; whoever knows how the port
    /// is set up may.
    pub port_limit: Option<u16>,
}

impl BenchFacts {
    /// The facts of a bench.
    #[must_use]
    pub fn of(bench: &Bench) -> BenchFacts {
        let switches = bench
            .switches
            .iter()
            .map(|switch| (switch.name.clone(), facts(bench, switch)))
            .collect();
        BenchFacts { switches }
    }

    /// The facts of these switch entries, by name.
    #[must_use]
    pub fn from_switches(switches: impl IntoIterator<Item = (String, SwitchFacts)>) -> BenchFacts {
        BenchFacts {
            switches: switches.into_iter().collect(),
        }
    }

    /// Tells how many devices a port of a switch admits at once.
    #[must_use]
    pub fn with_port_limit(mut self, switch: &str, limit: u16) -> BenchFacts {
        if let Some(facts) = self.switches.get_mut(switch) {
            facts.port_limit = Some(limit);
        }
        self
    }

    /// One entry.
    #[must_use]
    pub fn switch(&self, name: &str) -> Option<&SwitchFacts> {
        self.switches.get(name)
    }
}

fn facts(bench: &Bench, switch: &Switch) -> SwitchFacts {
    let shared_with = bench
        .switches
        .iter()
        .filter(|other| other.name != switch.name && other.secret == switch.secret)
        .map(|other| other.name.clone())
        .collect();
    SwitchFacts {
        secret: switch.secret.clone(),
        change_secret: switch.change_secret.clone(),
        shared_with,
        port_limit: None,
    }
}
