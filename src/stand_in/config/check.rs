//! What the types of a configuration cannot check.

use std::collections::BTreeSet;

use super::super::login::LoginError;
use super::StandInConfig;
use super::defaults::minute;
use crate::wire::Secret;

/// What is wrong with a configuration.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum ConfigError {
    /// No server.
    #[error("stand-in '{0}' has no server: add one under `servers`")]
    NoServer(String),
    /// A secret without octets.
    #[error("the secret for {0} is empty: give the one that the bench file has for this switch")]
    EmptySecret(String),
    /// A number out of its range.
    #[error("{what} is {value}, it must be {from} to {to}")]
    Range {
        /// Key.
        what: String,
        /// Value found.
        value: u64,
        /// Least.
        from: u64,
        /// Most.
        to: u64,
    },
    /// A duration that must not be zero.
    #[error("{0} is zero: give a time such as \"2s\"")]
    Zero(&'static str),
    /// A port number that does not exist.
    #[error("`ports.each` names port {port}, there are {count}")]
    NoSuchPort {
        /// Number found.
        port: u16,
        /// How many ports there are.
        count: u16,
    },
    /// Two things of one name or address.
    #[error("{what} '{value}' stands twice")]
    Twice {
        /// What.
        what: &'static str,
        /// Its value.
        value: String,
    },
    /// A device with a group address.
    #[error("device '{0}' has a group address, a device's own address has an even first octet")]
    GroupAddress(String),
    /// A login that cannot be used.
    #[error("login{} of device '{device}': {error}", login.as_ref().map(|l| format!(" '{l}'")).unwrap_or_default())]
    Login {
        /// The device.
        device: String,
        /// Whose login, where it is known.
        login: Option<String>,
        /// Why.
        error: LoginError,
    },
}

impl StandInConfig {
    /// Checks what the types cannot.
    ///
    /// # Errors
    /// The first thing that is wrong.
    pub fn check(&self) -> Result<(), ConfigError> {
        if self.servers.is_empty() {
            return Err(ConfigError::NoServer(self.name.clone()));
        }
        for server in &self.servers {
            if server.secret.is_empty() {
                return Err(ConfigError::EmptySecret(server.authentication.to_string()));
            }
        }
        if self.changes.secret.as_ref().is_some_and(Secret::is_empty) {
            return Err(ConfigError::EmptySecret("changes".to_owned()));
        }
        self.check_numbers()?;
        self.check_ports()?;
        self.check_devices()
    }

    fn check_numbers(&self) -> Result<(), ConfigError> {
        range("ports.count", self.ports.count.into(), 1, 1024)?;
        range("dot1x.tries", self.dot1x.tries.into(), 1, 20)?;
        range(
            "dot1x.supplicant-tries",
            self.dot1x.supplicant_tries.into(),
            1,
            20,
        )?;
        // RFC 3580 section 3.10: 64 octets at least; one Ethernet frame at the most.
        range(
            "requests.framed-mtu",
            self.requests.framed_mtu.into(),
            64,
            65_535,
        )?;
        for (name, id) in &self.vlans {
            range(&format!("vlans.{name}"), (*id).into(), 1, 4094)?;
        }
        for (what, duration) in [
            ("dot1x.tx-period", self.dot1x.tx_period),
            ("dot1x.supplicant-timeout", self.dot1x.supplicant_timeout),
            ("retransmission.first", self.retransmission.first),
            (
                "accounting.retransmission.first",
                self.accounting.retransmission.first,
            ),
            ("dead-time", self.dead_time),
            ("quiet-period", self.quiet_period),
            (
                "reauthentication.every",
                self.reauthentication.every.unwrap_or(minute()),
            ),
            (
                "accounting.interim",
                self.accounting.interim.unwrap_or(minute()),
            ),
        ] {
            if duration.is_zero() {
                return Err(ConfigError::Zero(what));
            }
        }
        Ok(())
    }

    fn check_ports(&self) -> Result<(), ConfigError> {
        let count = self.ports.count;
        if let Some(&port) = self
            .ports
            .each
            .keys()
            .find(|&&port| port == 0 || port > count)
        {
            return Err(ConfigError::NoSuchPort { port, count });
        }
        let mut names = BTreeSet::new();
        for port in self.port_settings() {
            range(
                &format!("limit of port {}", port.name),
                port.limit.into(),
                1,
                64,
            )?;
            if !names.insert(port.name.clone()) {
                return Err(ConfigError::Twice {
                    what: "port",
                    value: port.name,
                });
            }
        }
        Ok(())
    }

    fn check_devices(&self) -> Result<(), ConfigError> {
        let mut names = BTreeSet::new();
        let mut macs = BTreeSet::new();
        for device in &self.devices {
            if device.mac.is_group() {
                return Err(ConfigError::GroupAddress(device.name.clone()));
            }
            let twice = |what, value| Err(ConfigError::Twice { what, value });
            if !names.insert(&device.name) {
                return twice("device", device.name.clone());
            }
            if !macs.insert(device.mac) {
                return twice("MAC address", device.mac.to_string());
            }
        }
        Ok(())
    }
}

fn range(what: &str, value: u64, from: u64, to: u64) -> Result<(), ConfigError> {
    if (from..=to).contains(&value) {
        return Ok(());
    }
    Err(ConfigError::Range {
        what: what.to_owned(),
        value,
        from,
        to,
    })
}
