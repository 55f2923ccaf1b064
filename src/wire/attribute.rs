//! One attribute, borrowed from a packet or owned.

use std::net::{Ipv4Addr, Ipv6Addr};

use super::registry::attributes;

/// The longest value of a plain attribute in octets (RFC 2865 section 5: length octet up to 255).
pub const MAX_VALUE: usize = 253;

/// An attribute as it stands in a packet.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Attribute<'a> {
    /// Type, 1..=255 (RFC 2865 section 5).
    pub kind: u8,
    /// Value, 0..=253 octets.
    pub value: &'a [u8],
}

/// An owned attribute, in a grant or on its way into a packet.
#[derive(Clone, PartialEq, Eq, Hash, Debug, serde::Serialize, serde::Deserialize)]
pub struct AttributeBuf {
    /// Type, 1..=255.
    pub kind: u8,
    /// Value, up to 253 octets.
    pub value: Vec<u8>,
}

/// One sub-attribute of a Vendor-Specific attribute (RFC 2865 section 5.26).
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct VendorAttribute<'a> {
    /// IANA enterprise number.
    pub vendor: u32,
    /// Vendor type.
    pub kind: u8,
    /// Value, up to 247 octets.
    pub value: &'a [u8],
}

impl<'a> Attribute<'a> {
    /// The value as a 32-bit number, if it has four octets (RFC 8044 section 3.1).
    #[must_use]
    pub fn integer(&self) -> Option<u32> {
        Some(u32::from_be_bytes(self.value.try_into().ok()?))
    }

    /// The value as UTF-8 text (RFC 8044 section 3.4).
    #[must_use]
    pub fn text(&self) -> Option<&'a str> {
        std::str::from_utf8(self.value).ok()
    }

    /// The value as an IPv4 address.
    #[must_use]
    pub fn ipv4(&self) -> Option<Ipv4Addr> {
        let octets: [u8; 4] = self.value.try_into().ok()?;
        Some(octets.into())
    }

    /// The value as an IPv6 address.
    #[must_use]
    pub fn ipv6(&self) -> Option<Ipv6Addr> {
        let octets: [u8; 16] = self.value.try_into().ok()?;
        Some(octets.into())
    }

    /// Tag and value by RFC 2868: a first octet up to 0x1F is a tag, anything above belongs to
    /// the string (sections 3.3 to 3.9).
    #[must_use]
    pub fn tagged_text(&self) -> (Option<u8>, &'a [u8]) {
        match self.value.split_first() {
            Some((tag, rest)) if *tag <= 0x1f => (Some(*tag), rest),
            _ => (None, self.value),
        }
    }

    /// Tag and 24-bit number by RFC 2868 sections 3.1 and 3.2.
    #[must_use]
    pub fn tagged_integer(&self) -> Option<(u8, u32)> {
        let [tag, a, b, c] = *self.value else {
            return None;
        };
        Some((tag, u32::from_be_bytes([0, a, b, c])))
    }

    /// The sub-attributes of a Vendor-Specific attribute, in order. Empty when this is another
    /// type or when the vendor does not follow the form that RFC 2865 section 5.26 suggests.
    #[must_use]
    pub fn vendor_attributes(&self) -> Vec<VendorAttribute<'a>> {
        if self.kind != attributes::VENDOR_SPECIFIC {
            return Vec::new();
        }
        let Some((id, mut rest)) = self.value.split_first_chunk::<4>() else {
            return Vec::new();
        };
        let vendor = u32::from_be_bytes(*id);
        let mut found = Vec::new();
        while let Some((kind, value, tail)) = split_tlv(rest) {
            found.push(VendorAttribute {
                vendor,
                kind,
                value,
            });
            rest = tail;
        }
        if rest.is_empty() { found } else { Vec::new() }
    }

    /// An owned copy.
    #[must_use]
    pub fn to_buf(&self) -> AttributeBuf {
        AttributeBuf {
            kind: self.kind,
            value: self.value.to_vec(),
        }
    }
}

/// Cuts one type-length-value element off the front; `None` at the end or when the length is wrong.
pub(super) fn split_tlv(bytes: &[u8]) -> Option<(u8, &[u8], &[u8])> {
    let (&[kind, length], _) = bytes.split_first_chunk::<2>()?;
    let (element, rest) = bytes.split_at_checked(usize::from(length))?;
    // A length below 2 does not even cover its own header.
    Some((kind, element.get(2..)?, rest))
}

impl AttributeBuf {
    /// Any attribute from its octets.
    #[must_use]
    pub fn new(kind: u8, value: impl Into<Vec<u8>>) -> AttributeBuf {
        AttributeBuf {
            kind,
            value: value.into(),
        }
    }

    /// A text attribute.
    #[must_use]
    pub fn text(kind: u8, text: &str) -> AttributeBuf {
        AttributeBuf::new(kind, text.as_bytes())
    }

    /// A 32-bit number, most significant octet first (RFC 8044 section 3.1).
    #[must_use]
    pub fn integer(kind: u8, value: u32) -> AttributeBuf {
        AttributeBuf::new(kind, value.to_be_bytes())
    }

    /// One vendor sub-attribute in a Vendor-Specific attribute of its own (RFC 2865 section 5.26).
    /// A value over 247 octets makes an attribute that no packet takes; [`super::Builder::push`]
    /// refuses it.
    #[must_use]
    pub fn vendor(vendor: u32, kind: u8, value: &[u8]) -> AttributeBuf {
        let mut bytes = Vec::with_capacity(6 + value.len());
        bytes.extend_from_slice(&vendor.to_be_bytes());
        bytes.push(kind);
        bytes.push(u8::try_from(value.len() + 2).unwrap_or(u8::MAX));
        bytes.extend_from_slice(value);
        AttributeBuf::new(attributes::VENDOR_SPECIFIC, bytes)
    }

    /// Several sub-attributes of one vendor in one Vendor-Specific attribute.
    #[must_use]
    pub fn vendor_several(vendor: u32, parts: &[(u8, &[u8])]) -> AttributeBuf {
        let mut bytes = vendor.to_be_bytes().to_vec();
        for (kind, value) in parts {
            bytes.push(*kind);
            bytes.push(u8::try_from(value.len() + 2).unwrap_or(u8::MAX));
            bytes.extend_from_slice(value);
        }
        AttributeBuf::new(attributes::VENDOR_SPECIFIC, bytes)
    }

    /// Borrows it in the form that a packet yields.
    #[must_use]
    pub fn view(&self) -> Attribute<'_> {
        Attribute {
            kind: self.kind,
            value: &self.value,
        }
    }
}
