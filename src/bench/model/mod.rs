//! A bench, resolved: every name looked up, every range checked. Built only by the parser.

mod account;
mod condition;
mod dialect;
mod grant;

use std::collections::BTreeMap;
use std::net::{IpAddr, SocketAddr};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use ipnet::IpNet;

use super::accounts::Directory;
use crate::wire::Secret;

pub use account::{Account, AccountState, Password};
pub use condition::{AttributeName, CertificateField, Condition, DhcpField, MethodName, Test};
pub use dialect::{ChangeSpelling, Dialect, RoleSpelling, VlanSpelling};
pub use grant::{ChangeKind, Grant, GrantedAttribute, Template, ValueForm};

/// Everything that one bench file says, with the class table, dialects and people it names.
#[derive(Debug, Clone)]
pub struct Bench {
    /// Name of the bench, for people.
    pub name: String,
    /// Where the sockets listen.
    pub listen: Listen,
    /// The declared switches, in file order.
    pub switches: Vec<Arc<Switch>>,
    /// The class table.
    pub table: Arc<ClassTable>,
    /// People who may log on.
    pub people: Vec<Arc<Account>>,
    /// Machines that may log on.
    pub machines: Vec<Arc<Account>>,
    /// Accounts by every spelling of their names; asked through [`Bench::find`].
    pub directory: Directory,
    /// 802.1X methods and their certificates; `None`: no EAP method is offered.
    pub eap: Option<EapSettings>,
    /// How MAC authentication is told apart and checked.
    pub mac_authentication: MacAuthentication,
    /// How requests are answered.
    pub answers: AnswerRules,
    /// Limits of the change client and the flap guard.
    pub changes: ChangeRules,
}

impl Bench {
    /// The switch that a peer address belongs to: the longest matching prefix.
    #[must_use]
    pub fn switch_of(&self, address: IpAddr) -> Option<&Arc<Switch>> {
        self.switches
            .iter()
            .filter(|switch| switch.address.contains(&address))
            .max_by_key(|switch| switch.address.prefix_len())
    }

    /// A switch by name.
    #[must_use]
    pub fn switch(&self, name: &str) -> Option<&Arc<Switch>> {
        self.switches.iter().find(|switch| switch.name == name)
    }
}

/// Addresses to bind. Defaults: 1812, 1813, board on loopback 8312; DHCP off unless named.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Listen {
    /// Authentication, UDP.
    pub authentication: SocketAddr,
    /// Accounting, UDP.
    pub accounting: SocketAddr,
    /// DHCP listener, UDP; never answers.
    pub dhcp: Option<SocketAddr>,
    /// The board, TCP.
    pub board: Option<SocketAddr>,
}

/// One declared switch, or a prefix full of like switches.
#[derive(Debug, Clone)]
pub struct Switch {
    /// Name of the entry.
    pub name: String,
    /// Address, or prefix.
    pub address: IpNet,
    /// Shared secret for authentication and accounting.
    pub secret: Secret,
    /// Shared secret for changes; the same unless the file says otherwise.
    pub change_secret: Secret,
    /// How it spells grants and changes.
    pub dialect: Arc<Dialect>,
    /// UDP port for changes, default 3799.
    pub change_port: u16,
    /// Per-switch values that a grant refers to as `$name`.
    pub variables: BTreeMap<String, String>,
    /// Whether an Access-Request without Message-Authenticator is dropped (default true).
    pub require_message_authenticator: bool,
}

/// The class table: rows in order; the first row that fits wins.
#[derive(Debug, Clone, Default)]
pub struct ClassTable {
    /// Rows in file order, the holding and deny rows included.
    pub classes: Vec<Arc<Class>>,
    /// Name of the class for devices that no row fits.
    pub holding: String,
    /// Name of the class whose devices are rejected, if there is one.
    pub deny: Option<String>,
}

impl ClassTable {
    /// A class by name.
    #[must_use]
    pub fn class(&self, name: &str) -> Option<&Arc<Class>> {
        self.classes.iter().find(|class| class.name == name)
    }
}

/// One row of the class table.
#[derive(Debug, Clone)]
pub struct Class {
    /// Name, unique in the table.
    pub name: String,
    /// One line for people.
    pub about: Option<String>,
    /// How a device is recognised; `None` for the holding class (and for a row only pins reach).
    pub recognise: Option<Condition>,
    /// What it is given.
    pub grant: Grant,
    /// How a device already on a port is moved into this class.
    pub change: ChangeKind,
    /// Where the row stands, "file:line".
    pub place: String,
}

/// 802.1X settings, as the bench file gives them; paths are resolved against its folder.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct EapSettings {
    /// Methods that may be used, the preferred one first.
    pub methods: Vec<MethodName>,
    /// Server certificate with its chain, PEM. Given when a method of the list needs TLS.
    pub certificate: Option<PathBuf>,
    /// Private key of the certificate, PEM.
    pub key: Option<PathBuf>,
    /// Certificates that client certificates must lead to, PEM.
    pub client_ca: Vec<PathBuf>,
    /// Revocation lists, PEM.
    pub crl: Vec<PathBuf>,
    /// TLS versions that are offered (default both).
    pub tls: Vec<TlsVersion>,
    /// Whether a TLS session may be resumed (default true).
    pub resumption: bool,
    /// Longest EAP packet sent, octets, 100..=1400 (default 1024); a smaller Framed-MTU of the
    /// request goes first.
    pub fragment_size: u16,
}

/// A TLS version.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum TlsVersion {
    /// TLS 1.2.
    V1_2,
    /// TLS 1.3.
    V1_3,
}

/// How MAC authentication is told from a login and what password it must carry.
#[derive(Debug, Clone, Default)]
pub struct MacAuthentication {
    /// A fixed password that the switches send, besides the address in any spelling and the
    /// empty one, which are always taken.
    pub password: Option<Secret>,
}

/// How requests are answered.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct AnswerRules {
    /// How long an answer is kept for retransmissions, 5..=30 s (RFC 5080 section 2.2.2;
    /// default 30 s, as long as a switch may retransmit by section 2.2.1).
    pub keep: Duration,
    /// Whether a reject tells the reason in Reply-Message (default false: whoever tries passwords
    /// could read it). With EAP there is no Reply-Message (RFC 3579 section 2.6.5).
    pub reasons: bool,
}

impl AnswerRules {
    /// Shortest and longest [`AnswerRules::keep`].
    pub const KEEP: std::ops::RangeInclusive<Duration> =
        Duration::from_secs(5)..=Duration::from_secs(30);
}

impl Default for AnswerRules {
    fn default() -> AnswerRules {
        AnswerRules {
            keep: Duration::from_secs(30),
            reasons: false,
        }
    }
}

/// Limits of changes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ChangeRules {
    /// Whether a recognition triggers a change at all (default true).
    pub automatic: bool,
    /// Wait between recognition and change, so that the accept and the accounting start come
    /// first (default 1 s).
    pub delay: Duration,
    /// At most this many automatic changes of one device … (default 3)
    pub flap_limit: u32,
    /// … within this time (default 10 min).
    pub flap_window: Duration,
}

impl Default for ChangeRules {
    fn default() -> ChangeRules {
        ChangeRules {
            automatic: true,
            delay: Duration::from_secs(1),
            flap_limit: 3,
            flap_window: Duration::from_secs(600),
        }
    }
}
