//! Every class's grant in every switch's dialect, spelt once.

use std::collections::HashMap;

use crate::bench::{Bench, spell};
use crate::wire::AttributeBuf;

/// Grants by switch entry, then class; or why one can't be spelt.
#[derive(Debug, Default)]
pub(super) struct Grants {
    by_switch: HashMap<String, HashMap<String, Result<Vec<AttributeBuf>, String>>>,
}

impl Grants {
    /// Spells all grants of a bench: as many as it has switch entries times classes.
    pub(super) fn new(bench: &Bench) -> Grants {
        let by_class = |switch| {
            let spelt = |class: &crate::bench::Class| {
                spell::grant(&class.grant, switch).map_err(|error| error.to_string())
            };
            let classes = bench.table.classes.iter();
            classes
                .map(|class| (class.name.clone(), spelt(class)))
                .collect()
        };
        Grants {
            by_switch: bench
                .switches
                .iter()
                .map(|switch| (switch.name.clone(), by_class(switch)))
                .collect(),
        }
    }

    /// The attributes that grant a class at a switch.
    pub(super) fn of(&self, switch: &str, class: &str) -> Result<&[AttributeBuf], &str> {
        match self.by_switch.get(switch).and_then(|all| all.get(class)) {
            Some(Ok(attributes)) => Ok(attributes),
            Some(Err(error)) => Err(error),
            None => Err("the class table has no such class"),
        }
    }
}
