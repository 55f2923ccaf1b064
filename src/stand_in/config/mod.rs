//! What a stand-in is told: the switch, its ports, its servers, and the devices that may be
//! plugged into it.
//!
//! Plain data. Durations are texts with a unit ("2s", "500ms", "1h"). Defaults marked "trade" are
//! common practice, no source.

use std::collections::{BTreeMap, BTreeSet};
use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::path::Path;
use std::time::Duration;

use jiff::fmt::serde::unsigned_duration::{optional as optional_duration, required as duration};
use serde::{Deserialize, Deserializer};

use super::device::DeviceConfig;
use super::mac_style::{MacSpelling, PasswordStyle, Protocol};
use super::misbehave::Misbehaviour;
use crate::wire::vlan::VlanRef;
use crate::wire::{Mac, Secret};

mod check;
mod defaults;

pub use check::ConfigError;
use defaults::{bridge_mac, loopback, minute, relay_address, yes};

/// A whole stand-in.
#[derive(Debug, Clone, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct StandInConfig {
    /// Name of the switch, for people; also its NAS-Identifier unless that is given.
    pub name: String,
    /// Address that it sends from and takes changes on. Default 127.0.0.1.
    #[serde(default = "loopback")]
    pub address: IpAddr,
    /// NAS-IP-Address or NAS-IPv6-Address; the address it sends from when left out.
    pub nas_address: Option<IpAddr>,
    /// NAS-Identifier; the name when left out.
    pub nas_identifier: Option<String>,
    /// Its base MAC address; port n has this plus n, and names it in Called-Station-Id.
    #[serde(default = "bridge_mac")]
    pub bridge_mac: Mac,
    /// Servers in the order in which they are tried; at least one. A drill fills them in.
    #[serde(default)]
    pub servers: Vec<Server>,
    /// Its ports.
    #[serde(default)]
    pub ports: Ports,
    /// Timers of 802.1X.
    #[serde(default)]
    pub dot1x: Dot1xTimers,
    /// Wait after a refusal before the methods start over. Default 60 s (IEEE 802.1X quietPeriod).
    #[serde(default = "minute", with = "duration")]
    pub quiet_period: Duration,
    /// When sessions authenticate again.
    #[serde(default)]
    pub reauthentication: Reauthentication,
    /// When an unanswered Access-Request is sent again and given up.
    #[serde(default)]
    pub retransmission: Retransmission,
    /// How long a silent server is left alone. Default 60 s (trade).
    #[serde(default = "minute", with = "duration")]
    pub dead_time: Duration,
    /// What a device gets while no server answers; refused when left out.
    pub critical: Option<LocalGrant>,
    /// Accounting.
    #[serde(default)]
    pub accounting: AccountingConfig,
    /// How MAC authentication is spelt.
    #[serde(default)]
    pub mac_authentication: MacAuthentication,
    /// What Access-Requests carry.
    #[serde(default)]
    pub requests: Requests,
    /// Which spellings of roles and changes it understands.
    #[serde(default)]
    pub dialect: Dialect,
    /// How it takes changes.
    #[serde(default)]
    pub changes: Changes,
    /// Relay of DHCP; devices' DHCP goes nowhere when left out.
    pub dhcp: Option<Relay>,
    /// What a bounce does.
    #[serde(default)]
    pub bounce: Bounce,
    /// VLANs by name. Where any are listed, a grant of another one is refused.
    #[serde(default)]
    pub vlans: BTreeMap<String, u16>,
    /// Devices that can be plugged.
    #[serde(default)]
    pub devices: Vec<DeviceConfig>,
    /// What it does wrong on purpose.
    #[serde(default)]
    pub misbehaviours: BTreeSet<Misbehaviour>,
}

/// One RADIUS server.
#[derive(Debug, Clone, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Server {
    /// Where Access-Requests go.
    pub authentication: SocketAddr,
    /// Where Accounting-Requests go.
    pub accounting: SocketAddr,
    /// Shared secret, for changes from this server's address too.
    #[serde(deserialize_with = "secret")]
    pub secret: Secret,
}

/// The ports: numbered from 1, alike but for `each`.
#[derive(Debug, Clone, Deserialize)]
#[serde(default, rename_all = "kebab-case", deny_unknown_fields)]
pub struct Ports {
    /// How many, 1..=1024. Default 24.
    pub count: u16,
    /// Put before the number to make the name (NAS-Port-Id), "1/0/" for instance. Default none.
    pub prefix: String,
    /// Most devices admitted at once, 1..=64. Default 1.
    pub limit: u16,
    /// Method order. Default 802.1X, then MAC authentication.
    pub order: MethodOrder,
    /// Whether MAC authentication is tried after 802.1X was refused, and not only after silence.
    /// Default false.
    pub next_after_refusal: bool,
    /// Whether the port feeds power over Ethernet. Default true.
    pub poe: bool,
    /// What differs, by port number.
    pub each: BTreeMap<u16, PortChange>,
}

/// What differs on one port.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(default, rename_all = "kebab-case", deny_unknown_fields)]
pub struct PortChange {
    /// Name (NAS-Port-Id).
    pub name: Option<String>,
    /// As [`Ports::limit`].
    pub limit: Option<u16>,
    /// As [`Ports::order`].
    pub order: Option<MethodOrder>,
    /// As [`Ports::next_after_refusal`].
    pub next_after_refusal: Option<bool>,
    /// As [`Ports::poe`].
    pub poe: Option<bool>,
}

/// Which methods a port tries, in which order.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum MethodOrder {
    /// 802.1X, and after its timeout MAC authentication.
    #[default]
    Dot1xThenMac,
    /// MAC authentication, and after its refusal 802.1X; a supplicant that starts is heard.
    MacThenDot1x,
    /// Both at once; 802.1X prevails.
    Both,
    /// MAC authentication alone.
    MacOnly,
    /// 802.1X alone.
    Dot1xOnly,
}

/// Timers of 802.1X on a port.
#[derive(Debug, Clone, Deserialize)]
#[serde(default, rename_all = "kebab-case", deny_unknown_fields)]
pub struct Dot1xTimers {
    /// Time between two requests for the identity. Default 2 s (trade: shortened on ports where
    /// devices without 802.1X are expected; IEEE 802.1X has 30 s).
    #[serde(with = "duration")]
    pub tx_period: Duration,
    /// How often the identity is asked for, 1..=20. Default 2.
    pub tries: u32,
    /// How long a supplicant may take for an answer, unless the server says (RFC 3580 section
    /// 3.17). Default 30 s (IEEE 802.1X suppTimeout).
    #[serde(with = "duration")]
    pub supplicant_timeout: Duration,
    /// How often a request is sent to a supplicant, 1..=20. Default 2 (IEEE 802.1X maxReq).
    pub supplicant_tries: u32,
}

/// When sessions authenticate again.
#[derive(Debug, Clone, Deserialize)]
#[serde(default, rename_all = "kebab-case", deny_unknown_fields)]
pub struct Reauthentication {
    /// Local timer, used where the server set none. Default none.
    #[serde(with = "optional_duration")]
    pub every: Option<Duration>,
    /// Whether Session-Timeout with Termination-Action RADIUS-Request is followed
    /// (RFC 3580 section 3.17). Default true.
    pub from_server: bool,
}

/// Schedule of retransmission by RFC 5080 section 2.2.1. With `longest` equal to `first` the
/// interval is fixed, as many switches have it.
#[derive(Debug, Clone, Deserialize)]
#[serde(default, rename_all = "kebab-case", deny_unknown_fields)]
pub struct Retransmission {
    /// IRT, the first timeout.
    #[serde(with = "duration")]
    pub first: Duration,
    /// MRC, how often a packet is sent at the most; 0 for no limit.
    pub tries: u32,
    /// MRT, the longest timeout; 0 for no limit.
    #[serde(with = "duration")]
    pub longest: Duration,
    /// MRD, time from the first packet to giving up; 0 for no limit.
    #[serde(with = "duration")]
    pub total: Duration,
    /// Whether each timeout varies by up to a tenth (RAND). Default true.
    pub jitter: bool,
}

/// What a device gets without a server.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(default, rename_all = "kebab-case", deny_unknown_fields)]
pub struct LocalGrant {
    /// Role.
    pub role: Option<String>,
    /// Untagged VLAN.
    #[serde(deserialize_with = "vlan")]
    pub vlan: Option<VlanRef>,
    /// Filter.
    pub filter: Option<String>,
}

/// Accounting.
#[derive(Debug, Clone, Deserialize)]
#[serde(default, rename_all = "kebab-case", deny_unknown_fields)]
pub struct AccountingConfig {
    /// Whether there is any. Default true.
    pub enabled: bool,
    /// Interim interval set here; it overrides the server's (RFC 2869 section 2.1). Default none.
    #[serde(with = "optional_duration")]
    pub interim: Option<Duration>,
    /// Whether records carry Acct-Delay-Time, which gives each retransmission a new Identifier
    /// (RFC 2866 section 5.2). Without it Event-Timestamp alone says when. Default false.
    pub delay_time: bool,
    /// Schedule of retransmission; by default without end (RFC 5080 section 2.2.1).
    pub retransmission: Retransmission,
}

/// How MAC authentication is spelt.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(default, rename_all = "kebab-case", deny_unknown_fields)]
pub struct MacAuthentication {
    /// User-Name, written as an example: "xxxxxxxxxxxx", "XX-XX-XX-XX-XX-XX", "xxxx.xxxx.xxxx".
    pub user_name: MacSpelling,
    /// Password.
    pub password: PasswordStyle,
    /// How the password travels.
    pub protocol: Protocol,
    /// Service-Type.
    pub service_type: ServiceType,
}

/// Service-Type of a MAC authentication.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ServiceType {
    /// Call-Check (RFC 3580 section 3.5).
    #[default]
    CallCheck,
    /// Framed, as for 802.1X.
    Framed,
    /// No Service-Type.
    None,
}

/// What Access-Requests carry and what their answers must.
#[derive(Debug, Clone, Deserialize)]
#[serde(default, rename_all = "kebab-case", deny_unknown_fields)]
pub struct Requests {
    /// Whether they carry Message-Authenticator, as their first attribute. Default true. Requests
    /// with EAP-Message or Authorize-Only always do (RFC 3579 section 3.2, RFC 5176 section 3.2).
    pub message_authenticator: bool,
    /// Whether answers must carry it. Default true.
    pub require_message_authenticator: bool,
    /// Whether they carry Acct-Session-Id. Default true.
    pub acct_session_id: bool,
    /// Framed-MTU. Default 1500 (RFC 3580 section 3.10).
    pub framed_mtu: u32,
}

/// Which spellings of roles and changes the switch understands.
#[derive(Debug, Clone, Default, Deserialize)]
#[serde(default, rename_all = "kebab-case", deny_unknown_fields)]
pub struct Dialect {
    /// Family. Default standard.
    pub family: Family,
    /// Where the role stands; where the family has it when left out.
    pub role: Option<RoleSpelling>,
}

/// Families of switches, by IANA enterprise number. Their spellings are from memory.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
pub enum Family {
    /// The RFCs and nothing else; the role stands in the first Filter-Id.
    #[default]
    #[serde(rename = "standard")]
    Standard,
    /// Texts in vendor type 1.
    #[serde(rename = "enterprise-9")]
    Enterprise9,
    /// Role in vendor type 25, seconds of a bounce in 23.
    #[serde(rename = "enterprise-11")]
    Enterprise11,
    /// Role in vendor type 1, seconds of a bounce in 40.
    #[serde(rename = "enterprise-14823")]
    Enterprise14823,
}

/// Where a role stands in an accept.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub enum RoleSpelling {
    /// In the first Filter-Id that begins with the prefix; other Filter-Ids name filters.
    FilterId {
        /// Left out of the role's name.
        #[serde(default)]
        prefix: String,
    },
    /// In a vendor sub-attribute.
    Vendor {
        /// IANA enterprise number.
        vendor: u32,
        /// Vendor type.
        #[serde(rename = "type")]
        kind: u8,
        /// Only texts that begin with it count; left out of the role's name.
        #[serde(default)]
        prefix: String,
    },
    /// Nowhere: each Filter-Id names a filter.
    None,
}

impl Dialect {
    /// Where the role stands.
    #[must_use]
    pub fn role(&self) -> RoleSpelling {
        let vendor = |vendor, kind, prefix: &str| RoleSpelling::Vendor {
            vendor,
            kind,
            prefix: prefix.to_owned(),
        };
        self.role.clone().unwrap_or_else(|| match self.family {
            Family::Standard => RoleSpelling::FilterId {
                prefix: String::new(),
            },
            Family::Enterprise9 => vendor(9, 1, "interface-template-name="),
            Family::Enterprise11 => vendor(11, 25, ""),
            Family::Enterprise14823 => vendor(14823, 1, ""),
        })
    }
}

/// How changes are taken.
#[derive(Debug, Clone, Deserialize)]
#[serde(default, rename_all = "kebab-case", deny_unknown_fields)]
pub struct Changes {
    /// Whether the switch listens for them. Default true.
    pub enabled: bool,
    /// UDP port. Default 3799 (RFC 5176 section 2.3); 0 leaves the choice to the system.
    pub port: u16,
    /// Secret for changes; the server's when left out.
    #[serde(deserialize_with = "optional_secret")]
    pub secret: Option<Secret>,
    /// Addresses that may send changes; those of the servers when empty.
    pub from: BTreeSet<IpAddr>,
    /// How far Event-Timestamp may be off. Default 300 s (RFC 5176 section 6.3).
    #[serde(with = "duration")]
    pub window: Duration,
    /// Whether a request without Event-Timestamp is dropped. Default false.
    pub require_event_timestamp: bool,
    /// Whether a request without Message-Authenticator is dropped. Default false (RFC 5176
    /// section 3.4 leaves it to the sender).
    pub require_message_authenticator: bool,
    /// Whether a request that names several sessions is done to all of them; else it is refused
    /// with Error-Cause 508 (RFC 5176 section 3). Default false.
    pub several_sessions: bool,
    /// Whether Authorize-Only is understood (RFC 5176 section 3.2). Default true.
    pub authorize_only: bool,
}

/// Relay of DHCP.
#[derive(Debug, Clone, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Relay {
    /// Where relayed datagrams go.
    pub to: SocketAddr,
    /// Address put into giaddr (RFC 2131 section 4.1).
    #[serde(default = "relay_address")]
    pub relay_address: Ipv4Addr,
    /// Whether option 82 is added, with the port's name as circuit and the bridge MAC address as
    /// remote (RFC 3046). Default true.
    #[serde(default = "yes")]
    pub option_82: bool,
    /// Whether an imagined server behind the relay answers, so that devices get an address.
    /// Default true.
    #[serde(default = "yes")]
    pub answered: bool,
}

impl Relay {
    /// A relay with all defaults.
    #[must_use]
    pub fn to(to: SocketAddr) -> Relay {
        Relay {
            to,
            relay_address: relay_address(),
            option_82: true,
            answered: true,
        }
    }
}

/// What a bounce does.
#[derive(Debug, Clone, Deserialize)]
#[serde(default, rename_all = "kebab-case", deny_unknown_fields)]
pub struct Bounce {
    /// How long the link stays down where the command does not say. Default 5 s (trade).
    #[serde(with = "duration")]
    pub link_down: Duration,
    /// Whether power over Ethernet is cut as well. Default true.
    pub cut_power: bool,
}

/// One port with everything settled.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PortSettings {
    /// Number, from 1 (NAS-Port).
    pub number: u16,
    /// Name (NAS-Port-Id).
    pub name: String,
    /// Its MAC address (Called-Station-Id).
    pub mac: Mac,
    /// Most devices admitted at once.
    pub limit: u16,
    /// Method order.
    pub order: MethodOrder,
    /// As [`Ports::next_after_refusal`].
    pub next_after_refusal: bool,
    /// Whether it feeds power.
    pub poe: bool,
}

impl StandInConfig {
    /// A stand-in with one server and all defaults.
    #[must_use]
    pub fn new(name: &str, server: Server) -> StandInConfig {
        StandInConfig {
            name: name.to_owned(),
            address: loopback(),
            nas_address: None,
            nas_identifier: None,
            bridge_mac: bridge_mac(),
            servers: vec![server],
            ports: Ports::default(),
            dot1x: Dot1xTimers::default(),
            quiet_period: minute(),
            reauthentication: Reauthentication::default(),
            retransmission: Retransmission::default(),
            dead_time: minute(),
            critical: None,
            accounting: AccountingConfig::default(),
            mac_authentication: MacAuthentication::default(),
            requests: Requests::default(),
            dialect: Dialect::default(),
            changes: Changes::default(),
            dhcp: None,
            bounce: Bounce::default(),
            vlans: BTreeMap::new(),
            devices: Vec::new(),
            misbehaviours: BTreeSet::new(),
        }
    }

    /// Every port with its own settings, in order of number.
    #[must_use]
    pub fn port_settings(&self) -> Vec<PortSettings> {
        let ports = &self.ports;
        (1..=ports.count)
            .map(|number| {
                let own = ports.each.get(&number).cloned().unwrap_or_default();
                PortSettings {
                    number,
                    name: own
                        .name
                        .unwrap_or_else(|| format!("{}{number}", ports.prefix)),
                    mac: add(self.bridge_mac, number),
                    limit: own.limit.unwrap_or(ports.limit),
                    order: own.order.unwrap_or(ports.order),
                    next_after_refusal: own.next_after_refusal.unwrap_or(ports.next_after_refusal),
                    poe: own.poe.unwrap_or(ports.poe),
                }
            })
            .collect()
    }

    /// Replaces the files that supplicants name by their text.
    ///
    /// # Errors
    /// The first file that cannot be read.
    pub fn read_files(
        &mut self,
        mut read: impl FnMut(&Path) -> std::io::Result<String>,
    ) -> Result<(), ConfigError> {
        for device in &mut self.devices {
            if let Some(supplicant) = &mut device.supplicant {
                supplicant
                    .read_files(&mut read)
                    .map_err(|error| ConfigError::Login {
                        device: device.name.clone(),
                        login: None,
                        error,
                    })?;
            }
        }
        Ok(())
    }

    /// The address that requests name.
    #[must_use]
    pub fn nas_address(&self) -> IpAddr {
        self.nas_address.unwrap_or(self.address)
    }

    /// The NAS-Identifier.
    #[must_use]
    pub fn nas_identifier(&self) -> &str {
        self.nas_identifier.as_deref().unwrap_or(&self.name)
    }
}

fn add(base: Mac, number: u16) -> Mac {
    let [_, _, octets @ ..] = base.to_u64().wrapping_add(number.into()).to_be_bytes();
    Mac(octets)
}

fn secret<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Secret, D::Error> {
    Ok(Secret::new(String::deserialize(deserializer)?))
}

pub(super) fn optional_secret<'de, D: Deserializer<'de>>(
    deserializer: D,
) -> Result<Option<Secret>, D::Error> {
    Ok(Option::<String>::deserialize(deserializer)?.map(Secret::new))
}

fn vlan<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Option<VlanRef>, D::Error> {
    #[derive(Deserialize)]
    #[serde(untagged)]
    enum Written {
        Number(u16),
        Text(String),
    }
    let Some(written) = Option::<Written>::deserialize(deserializer)? else {
        return Ok(None);
    };
    let text = match written {
        Written::Number(number) => number.to_string(),
        Written::Text(text) => text,
    };
    VlanRef::parse(&text).map(Some).ok_or_else(|| {
        serde::de::Error::custom(format!("VLAN '{text}' is neither 1 to 4094 nor a name"))
    })
}
