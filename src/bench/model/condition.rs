//! How devices are told apart.

use std::time::Duration;

use crate::wire::Mac;
use crate::wire::registry::attributes;

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
