//! What a device is given, and how it is moved to it.

use super::condition::AttributeName;

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
