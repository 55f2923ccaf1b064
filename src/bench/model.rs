//! A bench, resolved: every name looked up, every range checked. Built only by the parser.

use std::collections::BTreeMap;
use std::net::{IpAddr, SocketAddr};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use ipnet::IpNet;

use super::accounts::Directory;
use crate::wire::registry::attributes;
use crate::wire::{AttributeBuf, Mac, Secret};

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

/// When a row fits. Nesting is bounded by the parser.
#[derive(Debug, Clone)]
pub enum Condition {
    /// All of them.
    All(Vec<Condition>),
    /// At least one of them.
    Any(Vec<Condition>),
    /// Not this one.
    Not(Box<Condition>),
    /// MAC address under a mask.
    MacMask {
        /// Bits to compare with.
        value: Mac,
        /// Bits that count.
        mask: Mac,
    },
    /// One of these MAC addresses.
    MacList(Vec<Mac>),
    /// Something the device said by DHCP.
    Dhcp(DhcpField, Test),
    /// An attribute of the request.
    Attribute(AttributeName, Test),
    /// Name of the switch entry.
    Switch(Test),
    /// Port: NAS-Port-Id, or else NAS-Port as a decimal number.
    Port(Test),
    /// How the device or person logged on.
    Method(Vec<MethodName>),
    /// A group of the proven person or machine.
    Group(Test),
    /// The proven identity.
    Identity(Test),
    /// A field of the client certificate.
    Certificate(CertificateField, Test),
    /// A machine of one of these groups logged on with this MAC within the time.
    AfterMachine {
        /// How long ago at the most.
        within: Duration,
        /// Groups of the machine that count; `None`: any machine.
        group: Option<Test>,
    },
}

/// What can be asked of a DHCP sighting.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum DhcpField {
    /// Option 12 (RFC 2132 section 3.14).
    HostName,
    /// Option 55 as "1,3,6,15", order kept (RFC 2132 section 9.8).
    ParameterList,
    /// Option 60 (RFC 2132 section 9.13).
    VendorClass,
    /// Option 61, lower-case hex (RFC 2132 section 9.14).
    ClientId,
    /// Option 77 (RFC 3004).
    UserClass,
    /// Option 82 sub-option 1 (RFC 3046 section 3.1).
    CircuitId,
    /// Option 82 sub-option 2 (RFC 3046 section 3.2).
    RemoteId,
}

impl DhcpField {
    /// Every field, in the order of their options.
    pub const ALL: [DhcpField; 7] = [
        DhcpField::HostName,
        DhcpField::ParameterList,
        DhcpField::VendorClass,
        DhcpField::ClientId,
        DhcpField::UserClass,
        DhcpField::CircuitId,
        DhcpField::RemoteId,
    ];

    /// The word in class tables, sightings and the roster.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            DhcpField::HostName => "host-name",
            DhcpField::ParameterList => "parameter-list",
            DhcpField::VendorClass => "vendor-class",
            DhcpField::ClientId => "client-id",
            DhcpField::UserClass => "user-class",
            DhcpField::CircuitId => "circuit-id",
            DhcpField::RemoteId => "remote-id",
        }
    }

    /// The field that a word stands for.
    #[must_use]
    pub fn from_word(word: &str) -> Option<DhcpField> {
        DhcpField::ALL
            .into_iter()
            .find(|field| field.word() == word)
    }
}

/// A field of the client certificate.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CertificateField {
    /// Subject, RFC 4514 form.
    Subject,
    /// Common name of the subject.
    CommonName,
    /// A subject alternative name: "DNS:…", "email:…", "UPN:…".
    AlternativeName,
    /// Issuer, RFC 4514 form.
    Issuer,
    /// Extended key usage OID or name.
    KeyUsage,
}

impl CertificateField {
    /// The word in class tables.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            CertificateField::Subject => "subject",
            CertificateField::CommonName => "common-name",
            CertificateField::AlternativeName => "alternative-name",
            CertificateField::Issuer => "issuer",
            CertificateField::KeyUsage => "key-usage",
        }
    }
}

/// How a login was made.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, serde::Serialize, serde::Deserialize,
)]
#[serde(rename_all = "kebab-case")]
pub enum MethodName {
    /// MAC authentication.
    Mac,
    /// PAP login of a person.
    Pap,
    /// CHAP login of a person.
    Chap,
    /// EAP-MD5.
    EapMd5,
    /// EAP-MSCHAPv2 without a tunnel.
    EapMsChapV2,
    /// EAP-TLS.
    EapTls,
    /// EAP-TTLS.
    EapTtls,
    /// PEAP.
    Peap,
}

impl MethodName {
    /// The word in class tables, bench files, the journal and on the page.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            MethodName::Mac => "mac",
            MethodName::Pap => "pap",
            MethodName::Chap => "chap",
            MethodName::EapMd5 => "eap-md5",
            MethodName::EapMsChapV2 => "eap-ms-chap-v2",
            MethodName::EapTls => "eap-tls",
            MethodName::EapTtls => "eap-ttls",
            MethodName::Peap => "peap",
        }
    }
}

impl std::fmt::Display for MethodName {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.word())
    }
}

/// An attribute by number or by vendor and number. Shown by its registered name, or as `9/1`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum AttributeName {
    /// A standard attribute.
    Standard(u8),
    /// A vendor sub-attribute.
    Vendor {
        /// IANA enterprise number.
        vendor: u32,
        /// Vendor type.
        kind: u8,
    },
}

impl std::fmt::Display for AttributeName {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match *self {
            AttributeName::Standard(kind) => match attributes::name(kind) {
                Some(name) => f.write_str(name),
                None => write!(f, "attribute {kind}"),
            },
            AttributeName::Vendor { vendor, kind } => write!(f, "attribute {vendor}/{kind}"),
        }
    }
}

/// A test on a text (numbers are tested by their decimal form unless it is a range).
#[derive(Clone)]
pub enum Test {
    /// Equal; ASCII case counts.
    Exact(String),
    /// Equal to one of these.
    OneOf(Vec<String>),
    /// Shell-like pattern, with the text it was written as.
    Glob(globset::GlobMatcher),
    /// Regular expression, unanchored as written.
    Regex(regex::Regex),
    /// A number from..=to.
    Range(u64, u64),
    /// There at all.
    Present,
}

/// As a class table writes it: a compiled pattern says much that nobody asked.
impl std::fmt::Debug for Test {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Test::Exact(text) => write!(f, "exact {text:?}"),
            Test::OneOf(texts) => write!(f, "one of {texts:?}"),
            Test::Glob(glob) => write!(f, "glob {:?}", glob.glob().glob()),
            Test::Regex(regex) => write!(f, "regex {:?}", regex.as_str()),
            Test::Range(from, to) => write!(f, "range {from}..{to}"),
            Test::Present => f.write_str("present"),
        }
    }
}

impl Test {
    /// Whether the value passes.
    #[must_use]
    pub fn passes(&self, value: &str) -> bool {
        match self {
            Test::Exact(text) => text == value,
            Test::OneOf(texts) => texts.iter().any(|text| text == value),
            Test::Glob(glob) => glob.is_match(value),
            Test::Regex(regex) => regex.is_match(value),
            Test::Range(from, to) => value
                .parse::<u64>()
                .is_ok_and(|number| (*from..=*to).contains(&number)),
            Test::Present => true,
        }
    }
}

/// What an accept carries. Texts may hold `$variable` of the switch.
#[derive(Debug, Clone, Default)]
pub struct Grant {
    /// Role name.
    pub role: Option<Template>,
    /// Untagged VLAN: number 1..=4094 or name.
    pub vlan: Option<Template>,
    /// Tagged VLANs: numbers or names.
    pub tagged_vlans: Vec<Template>,
    /// Name of a filter list (Filter-Id, RFC 2865 section 5.11).
    pub filter: Option<Template>,
    /// Rules for NAS-Filter-Rule (RFC 4849).
    pub filter_rules: Vec<Template>,
    /// Regenerated priority of the priorities 0..=7 (RFC 4675 section 2.4).
    pub priority: Option<[u8; 8]>,
    /// Session-Timeout, seconds.
    pub session_timeout: Option<u32>,
    /// Whether the timeout means re-authentication (Termination-Action 1) or the end (0).
    pub reauthenticate: bool,
    /// Idle-Timeout, seconds.
    pub idle_timeout: Option<u32>,
    /// Acct-Interim-Interval, seconds, at least 60 (RFC 2869 section 5.16).
    pub interim_interval: Option<u32>,
    /// Reply-Message.
    pub reply_message: Option<Template>,
    /// Any further attribute, value still a template.
    pub attributes: Vec<GrantedAttribute>,
}

/// An attribute that a grant names by number.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct GrantedAttribute {
    /// Which.
    pub name: AttributeName,
    /// How the text becomes octets.
    pub form: ValueForm,
    /// The text.
    pub value: Template,
}

/// How a text becomes the octets of an attribute.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ValueForm {
    /// By the data type that the registry gives the attribute (RFC 8044); text for a vendor's.
    Registered,
    /// UTF-8 (RFC 8044 section 3.4).
    Text,
    /// Four octets, most significant first (RFC 8044 section 3.1).
    Integer,
    /// Hex digits.
    Hex,
    /// Four octets (RFC 8044 section 3.8).
    Ipv4,
    /// Sixteen octets (RFC 8044 section 3.9).
    Ipv6,
}

/// Text in which `$name` or `${name}` stands for a variable of the switch; `$$` is a dollar.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Template(pub String);

/// Ways to move a session to what the table says now.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, serde::Serialize, serde::Deserialize,
)]
#[serde(rename_all = "kebab-case")]
pub enum ChangeKind {
    /// The port's link goes down and up again. Can cut power over Ethernet.
    Bounce,
    /// The switch authenticates the device again.
    Reauth,
    /// New attributes in place.
    Regrant,
    /// The session ends.
    Disconnect,
}

impl ChangeKind {
    /// The word in commands, YAML and on the page.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            ChangeKind::Bounce => "bounce",
            ChangeKind::Reauth => "reauth",
            ChangeKind::Regrant => "regrant",
            ChangeKind::Disconnect => "disconnect",
        }
    }
}

impl std::fmt::Display for ChangeKind {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.word())
    }
}

/// How one family of switches spells grants and changes.
#[derive(Debug, Clone)]
pub struct Dialect {
    /// Name of the dialect.
    pub name: String,
    /// IANA enterprise number, where vendor attributes are used.
    pub enterprise: Option<u32>,
    /// Spelling of a role.
    pub role: RoleSpelling,
    /// Whether the untagged VLAN is spelt by the tunnel triple (RFC 3580 section 3.31) or by
    /// Egress-VLANID (RFC 4675 section 2.1).
    pub vlan: VlanSpelling,
    /// Whether tagged VLANs can be spelt (RFC 4675 sections 2.1 and 2.3).
    pub tagged_vlans: bool,
    /// Whether User-Priority-Table is understood (RFC 4675 section 2.4).
    pub priority: bool,
    /// Whether NAS-Filter-Rule is understood (RFC 4849).
    pub filter_rules: bool,
    /// Which attributes name a session in a change, in order (RFC 5176 section 3).
    pub identify: Vec<u8>,
    /// Whether changes carry Event-Timestamp (RFC 5176 section 6.3).
    pub event_timestamp: bool,
    /// Whether changes carry Message-Authenticator (RFC 5176 section 3.4).
    pub message_authenticator: bool,
    /// Spelling of each change that the family understands.
    pub changes: BTreeMap<ChangeKind, ChangeSpelling>,
    /// What to try when a change is refused, in order.
    pub fallback: Vec<ChangeKind>,
}

/// Spelling of a role.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum RoleSpelling {
    /// Can't be spelt.
    None,
    /// Filter-Id with this template; `$role` is the role's name.
    FilterId(Template),
    /// A vendor sub-attribute with this template; `$role` is the role's name.
    Vendor {
        /// IANA enterprise number.
        vendor: u32,
        /// Vendor type.
        kind: u8,
        /// The text.
        text: Template,
    },
}

/// Spelling of the untagged VLAN.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum VlanSpelling {
    /// Tunnel-Type, Tunnel-Medium-Type, Tunnel-Private-Group-ID.
    Tunnel,
    /// Egress-VLANID with the untagged flag.
    Egress,
}

/// Spelling of one change.
#[derive(Debug, Clone)]
pub struct ChangeSpelling {
    /// Disconnect-Request instead of CoA-Request.
    pub disconnect: bool,
    /// Attributes that say what to do, besides the identification.
    pub attributes: Vec<AttributeBuf>,
    /// Whether the attributes of the new grant go along (`regrant`).
    pub with_grant: bool,
    /// A NAK with this Error-Cause means that it was begun (507, RFC 5176 section 3.2).
    pub begun_by: Option<u32>,
}

/// A person or a machine.
#[derive(Debug, Clone)]
pub struct Account {
    /// Name as written in the file.
    pub name: String,
    /// True for a machine.
    pub machine: bool,
    /// Further spellings under which it logs on, lower case.
    pub aliases: Vec<String>,
    /// Password, if it has one.
    pub password: Option<Password>,
    /// Groups.
    pub groups: Vec<String>,
    /// State of the account.
    pub state: AccountState,
}

/// A password in the form in which the file gives it.
#[derive(Clone)]
pub enum Password {
    /// Text.
    Text(Secret),
    /// MD4 of the UTF-16LE text (RFC 2759 section 8.3).
    NtHash(zeroize::Zeroizing<[u8; 16]>),
}

impl std::fmt::Debug for Password {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("<password>")
    }
}

/// State of an account.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum AccountState {
    /// May log on.
    #[default]
    Active,
    /// May not.
    Disabled,
    /// Must change the password first.
    MustChangePassword,
    /// The password's time is over.
    Expired,
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
