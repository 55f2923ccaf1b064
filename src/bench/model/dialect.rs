//! How switches spell grants and changes.

use std::collections::BTreeMap;

use super::grant::{ChangeKind, Template};
use crate::wire::AttributeBuf;

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
