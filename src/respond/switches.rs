//! The declared switches, found by address, with every class's grant spelt once in each one's
//! dialect.

use std::collections::HashMap;
use std::net::IpAddr;
use std::sync::Arc;

use crate::bench::{Bench, Switch, spell};
use crate::wire::AttributeBuf;

/// A switch entry with its grants.
#[derive(Debug)]
pub(super) struct Served {
    pub(super) switch: Arc<Switch>,
    /// By class; or why the dialect can't spell one.
    grants: HashMap<String, Result<Vec<AttributeBuf>, String>>,
}

impl Served {
    fn new(switch: &Arc<Switch>, bench: &Bench) -> Served {
        let spelt = |class: &crate::bench::Class| {
            spell::grant(&class.grant, switch).map_err(|error| error.to_string())
        };
        let classes = bench.table.classes.iter();
        Served {
            switch: Arc::clone(switch),
            grants: classes
                .map(|class| (class.name.clone(), spelt(class)))
                .collect(),
        }
    }

    /// The attributes that grant a class.
    pub(super) fn grant(&self, class: &str) -> Result<&[AttributeBuf], &str> {
        match self.grants.get(class) {
            Some(Ok(attributes)) => Ok(attributes),
            Some(Err(error)) => Err(error),
            None => Err("the class table has no such class"),
        }
    }
}

/// All switch entries of a bench. A bench may have hundreds, and every datagram asks.
#[derive(Debug, Default)]
pub(super) struct Switches {
    /// Entries of one address.
    hosts: HashMap<IpAddr, Arc<Served>>,
    /// Entries of a prefix, the longest first.
    prefixes: Vec<Arc<Served>>,
}

impl Switches {
    pub(super) fn new(bench: &Bench) -> Switches {
        let mut switches = Switches::default();
        for switch in &bench.switches {
            let served = Arc::new(Served::new(switch, bench));
            let net = switch.address;
            if net.prefix_len() == net.max_prefix_len() {
                switches.hosts.insert(net.addr(), served);
            } else {
                switches.prefixes.push(served);
            }
        }
        switches
            .prefixes
            .sort_by_key(|served| std::cmp::Reverse(served.switch.address.prefix_len()));
        switches
    }

    /// The entry that an address belongs to: the longest matching prefix, as
    /// [`Bench::switch_of`] has it.
    pub(super) fn of(&self, address: IpAddr) -> Option<&Arc<Served>> {
        self.hosts.get(&address).or_else(|| {
            self.prefixes
                .iter()
                .find(|served| served.switch.address.contains(&address))
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::respond::tests::rig;

    #[test]
    fn the_longest_prefix_wins_as_the_bench_has_it() {
        let mut bench = rig::bench();
        for (name, address) in [
            ("all", "192.0.0.0/8"),
            ("net", "192.0.2.0/24"),
            ("half", "192.0.2.0/25"),
            ("six", "2001:db8::/32"),
            ("one-six", "2001:db8::1/128"),
        ] {
            let switch = Switch {
                name: name.to_owned(),
                address: address.parse().unwrap(),
                ..Switch::clone(&bench.switches[0])
            };
            bench.switches.push(Arc::new(switch));
        }
        let switches = Switches::new(&bench);
        for (address, expected) in [
            ("192.0.2.10", Some("quay")),
            ("192.0.2.12", Some("half")),
            ("192.0.2.200", Some("net")),
            ("192.9.9.9", Some("all")),
            ("2001:db8::1", Some("one-six")),
            ("2001:db8::2", Some("six")),
            ("198.51.100.1", None),
        ] {
            let address = address.parse().unwrap();
            let found = switches.of(address).map(|served| &served.switch.name);
            assert_eq!(found.map(String::as_str), expected, "{address}");
            let by_bench = bench.switch_of(address).map(|switch| &switch.name);
            assert_eq!(found, by_bench);
        }
    }
}
