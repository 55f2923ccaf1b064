//! Data types of attributes (IANA registry "RADIUS Data Types", RFC 8044 section 4.1).

use std::fmt;

/// How the value of an attribute is laid out.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum DataType {
    /// 32-bit number (RFC 8044 section 3.1)
    Integer,
    /// 32-bit number with named values (RFC 8044 section 3.2)
    Enum,
    /// Seconds since 1970-01-01T00:00:00Z (RFC 8044 section 3.3)
    Time,
    /// UTF-8 text, 1 to 253 octets (RFC 8044 section 3.4)
    Text,
    /// Opaque octets, 1 to 253 (RFC 8044 section 3.5)
    String,
    /// Opaque octets over consecutive attributes (RFC 8044 section 3.6)
    Concat,
    /// Interface identifier, 8 octets (RFC 8044 section 3.7)
    IfId,
    /// IPv4 address (RFC 8044 section 3.8)
    Ipv4Addr,
    /// IPv6 address (RFC 8044 section 3.9)
    Ipv6Addr,
    /// IPv6 prefix, 2 to 18 octets (RFC 8044 section 3.10)
    Ipv6Prefix,
    /// IPv4 prefix, 6 octets (RFC 8044 section 3.11)
    Ipv4Prefix,
    /// 64-bit number (RFC 8044 section 3.12)
    Integer64,
    /// Type-length-value, nests (RFC 8044 section 3.13)
    Tlv,
    /// Vendor-Specific (RFC 8044 section 3.14)
    Vsa,
    /// Extended type (RFC 8044 section 3.15)
    Extended,
    /// Extended type that may be fragmented (RFC 8044 section 3.16)
    LongExtended,
    /// Vendor-specific within an extended type (RFC 8044 section 3.17)
    Evs,
}

impl DataType {
    /// The registered name.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            DataType::Integer => "integer",
            DataType::Enum => "enum",
            DataType::Time => "time",
            DataType::Text => "text",
            DataType::String => "string",
            DataType::Concat => "concat",
            DataType::IfId => "ifid",
            DataType::Ipv4Addr => "ipv4addr",
            DataType::Ipv6Addr => "ipv6addr",
            DataType::Ipv6Prefix => "ipv6prefix",
            DataType::Ipv4Prefix => "ipv4prefix",
            DataType::Integer64 => "integer64",
            DataType::Tlv => "tlv",
            DataType::Vsa => "vsa",
            DataType::Extended => "extended",
            DataType::LongExtended => "long-extended",
            DataType::Evs => "evs",
        }
    }
}

impl fmt::Display for DataType {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}
