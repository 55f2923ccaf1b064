//! The declared switches.

use std::collections::{BTreeMap, HashMap};
use std::path::Path;
use std::sync::Arc;

use serde::Deserialize;

use super::context::Context;
use super::secret::SecretFile;
use super::words;
use crate::bench::yaml::{At, Entries, Span};
use crate::bench::{Dialect, Switch, is_variable_name};

/// A switch as written.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub(super) struct SwitchFile {
    name: At<String>,
    address: At<String>,
    secret: At<SecretFile>,
    change_secret: Option<At<SecretFile>>,
    dialect: At<String>,
    change_port: Option<At<u16>>,
    #[serde(default)]
    variables: Entries<At<String>, String>,
    #[serde(default = "yes")]
    require_message_authenticator: bool,
}

fn yes() -> bool {
    true
}

impl SwitchFile {
    pub(super) fn name(&self) -> &str {
        &self.name
    }
}

/// RFC 5176 section 2.3
const CHANGE_PORT: u16 = 3799;

/// A sound switch and where its name stands.
pub(super) struct PlacedSwitch {
    pub(super) switch: Arc<Switch>,
    pub(super) place: Span,
}

impl Context<'_> {
    /// The switches that are sound.
    pub(super) fn switches(
        &mut self,
        given: &At<Vec<At<SwitchFile>>>,
        base: &Path,
    ) -> Vec<PlacedSwitch> {
        if given.is_empty() {
            self.error(
                given.span,
                "no switch is declared, so none would be answered\nadd one under `switches`",
            );
        }
        self.check_names("switch", given.iter().map(|switch| &switch.name));
        let mut dialects = HashMap::new();
        let switches: Vec<PlacedSwitch> = given
            .iter()
            .filter_map(|switch| self.switch(switch, base, &mut dialects))
            .collect();
        self.check_addresses(given);
        switches
    }

    fn switch(
        &mut self,
        given: &At<SwitchFile>,
        base: &Path,
        dialects: &mut HashMap<String, Option<Arc<Dialect>>>,
    ) -> Option<PlacedSwitch> {
        let address = match words::address(&given.address) {
            Ok(address) => Some(address),
            Err(message) => {
                self.error(given.address.span, message);
                None
            }
        };
        let secret = self.shared_secret(&given.secret, base);
        let change_secret = match &given.change_secret {
            Some(own) => self.shared_secret(own, base),
            None => secret.clone(),
        };
        // A dialect that many switches name is read, and complained of, once.
        let dialect = match dialects.get(given.dialect.as_str()) {
            Some(known) => known.clone(),
            None => {
                let dialect = self.dialect(&given.dialect, base);
                dialects.insert(given.dialect.value.clone(), dialect.clone());
                dialect
            }
        };
        if let Some(port) = given.change_port.filter(|port| port.value == 0) {
            self.error(port.span, "port 0 can't be sent to\nthe usual one is 3799");
        }
        let switch = Switch {
            name: given.name.value.clone(),
            variables: self.variables(&given.variables),
            address: address?,
            secret: secret?,
            change_secret: change_secret?,
            dialect: dialect?,
            change_port: given.change_port.map_or(CHANGE_PORT, |port| port.value),
            require_message_authenticator: given.require_message_authenticator,
        };
        Some(PlacedSwitch {
            switch: Arc::new(switch),
            place: given.name.span,
        })
    }

    fn variables(&mut self, given: &Entries<At<String>, String>) -> BTreeMap<String, String> {
        let mut variables = BTreeMap::new();
        for (name, value) in given.iter() {
            if !is_variable_name(name) || name.as_str() == "role" {
                self.error(
                    name.span,
                    format!(
                        "`{}` can't be the name of a variable\n\
                         begin with a letter; use letters, digits, `-` and `_`; `role` is taken",
                        name.value
                    ),
                );
            }
            variables.insert(name.value.clone(), value.clone());
        }
        variables
    }

    /// One address must lead to one switch: the longest prefix goes first, so only equal ones are
    /// wrong. One within another may be meant, or a slip.
    fn check_addresses(&mut self, given: &[At<SwitchFile>]) {
        let nets: Vec<_> = given
            .iter()
            .filter_map(|switch| Some((switch, words::address(&switch.address).ok()?)))
            .collect();
        for (at, (switch, net)) in nets.iter().enumerate() {
            for (earlier, other) in nets.iter().take(at) {
                let (name, other_name) = (&switch.name.value, &earlier.name.value);
                let span = switch.address.span;
                let diagnostic = if net == other {
                    self.sources
                        .error(span, format!("`{name}` has the address of `{other_name}`"))
                        .help("each switch needs its own")
                } else if net.contains(other) || other.contains(net) {
                    self.sources
                        .warning(span, format!("`{name}` overlaps `{other_name}`"))
                        .help("an address in both belongs to the entry with the longer prefix")
                } else {
                    continue;
                };
                let place = self.sources.place(earlier.address.span);
                self.add(diagnostic.related("the other stands here", place));
            }
        }
    }
}
