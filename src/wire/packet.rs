//! A received packet, checked once and then read in place.

use super::attribute::{Attribute, VendorAttribute, split_tlv};
use super::code::Code;
use super::registry::attributes;

/// The shortest packet in octets (RFC 2865 section 3).
pub const MIN_PACKET: usize = 20;
/// The longest packet in octets (RFC 2865 section 3).
pub const MAX_PACKET: usize = 4096;

/// Why a datagram is not a RADIUS packet. Each is a silent discard (RFC 2865 section 3, section 5).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, thiserror::Error)]
#[non_exhaustive]
pub enum Malformed {
    /// Fewer than 20 octets arrived.
    #[error("{0} octets, a RADIUS packet has at least 20 (RFC 2865 section 3)")]
    Short(usize),
    /// The Length field is below 20.
    #[error("Length field says {0}, the least is 20 (RFC 2865 section 3)")]
    LengthTooSmall(usize),
    /// The Length field is above 4096.
    #[error("Length field says {0}, the most is 4096 (RFC 2865 section 3)")]
    LengthTooLarge(usize),
    /// The datagram is shorter than its Length field.
    #[error("Length field says {said}, only {got} octets arrived (RFC 2865 section 3)")]
    Truncated {
        /// What the Length field says, in octets.
        said: usize,
        /// How many octets arrived.
        got: usize,
    },
    /// An attribute's length octet is below 2 or runs past the packet.
    #[error(
        "attribute {kind} at octet {at} has length {length}, {left} octets are left (RFC 2865 section 5)"
    )]
    AttributeLength {
        /// Offset of the attribute in the packet.
        at: usize,
        /// Its type.
        kind: u8,
        /// Its length octet.
        length: u8,
        /// Octets left in the packet from the attribute's start.
        left: usize,
    },
    /// One octet is left where an attribute should start.
    #[error("a lone octet at {0} where an attribute should start (RFC 2865 section 5)")]
    LoneOctet(usize),
}

/// A packet whose header and attribute framing are known to be right.
#[derive(Clone, Copy, PartialEq, Eq)]
pub struct Packet<'a> {
    /// Exactly as many octets as the Length field says.
    bytes: &'a [u8],
    code: Code,
    identifier: u8,
    authenticator: &'a [u8; 16],
    body: &'a [u8],
}

impl<'a> Packet<'a> {
    /// Checks header and attribute framing. Octets beyond Length are padding and are left out
    /// (RFC 2865 section 3).
    ///
    /// # Errors
    /// The first breach of framing found.
    pub fn parse(datagram: &'a [u8]) -> Result<Packet<'a>, Malformed> {
        let (header, _) = datagram
            .split_first_chunk::<MIN_PACKET>()
            .ok_or(Malformed::Short(datagram.len()))?;
        let [code, identifier, high, low, ..] = *header;
        let said = usize::from(u16::from_be_bytes([high, low]));
        if said < MIN_PACKET {
            return Err(Malformed::LengthTooSmall(said));
        }
        if said > MAX_PACKET {
            return Err(Malformed::LengthTooLarge(said));
        }
        let bytes = datagram.get(..said).ok_or(Malformed::Truncated {
            said,
            got: datagram.len(),
        })?;
        let (_, rest) = bytes
            .split_first_chunk::<4>()
            .ok_or(Malformed::Short(said))?;
        let (authenticator, body) = rest
            .split_first_chunk::<16>()
            .ok_or(Malformed::Short(said))?;
        check_framing(body)?;
        Ok(Packet {
            bytes,
            code: Code(code),
            identifier,
            authenticator,
            body,
        })
    }

    /// The packet's octets, without padding.
    #[must_use]
    pub fn bytes(&self) -> &'a [u8] {
        self.bytes
    }

    /// The attributes' octets.
    #[must_use]
    pub fn body(&self) -> &'a [u8] {
        self.body
    }

    /// Packet code.
    #[must_use]
    pub fn code(&self) -> Code {
        self.code
    }

    /// Identifier, 0..=255.
    #[must_use]
    pub fn identifier(&self) -> u8 {
        self.identifier
    }

    /// The Authenticator field: request or response, by code.
    #[must_use]
    pub fn authenticator(&self) -> &'a [u8; 16] {
        self.authenticator
    }

    /// All attributes in wire order, unknown ones and duplicates included.
    pub fn attributes(&self) -> impl Iterator<Item = Attribute<'a>> + use<'a> {
        let mut rest = self.body;
        std::iter::from_fn(move || {
            let (kind, value, tail) = split_tlv(rest)?;
            rest = tail;
            Some(Attribute { kind, value })
        })
    }

    /// All attributes of one type, in order.
    pub fn all(&self, kind: u8) -> impl Iterator<Item = Attribute<'a>> + use<'a> {
        self.attributes().filter(move |a| a.kind == kind)
    }

    /// The first attribute of one type.
    #[must_use]
    pub fn first(&self, kind: u8) -> Option<Attribute<'a>> {
        self.all(kind).next()
    }

    /// The first attribute of one type as text.
    #[must_use]
    pub fn text(&self, kind: u8) -> Option<&'a str> {
        self.first(kind)?.text()
    }

    /// The first attribute of one type as a 32-bit number.
    #[must_use]
    pub fn integer(&self, kind: u8) -> Option<u32> {
        self.first(kind)?.integer()
    }

    /// How many attributes of one type there are.
    #[must_use]
    pub fn count(&self, kind: u8) -> usize {
        self.all(kind).count()
    }

    /// Every sub-attribute of one vendor, over all Vendor-Specific attributes, in order.
    pub fn vendor(&self, vendor: u32) -> impl Iterator<Item = VendorAttribute<'a>> + use<'a> {
        self.all(attributes::VENDOR_SPECIFIC)
            .flat_map(|a| a.vendor_attributes())
            .filter(move |v| v.vendor == vendor)
    }

    /// The values of all attributes of one type, joined (data type `concat`, RFC 8044 section 3.6):
    /// EAP-Message, NAS-Filter-Rule.
    #[must_use]
    pub fn joined(&self, kind: u8) -> Option<Vec<u8>> {
        let mut joined: Option<Vec<u8>> = None;
        for attribute in self.all(kind) {
            joined
                .get_or_insert_default()
                .extend_from_slice(attribute.value);
        }
        joined
    }

    /// Offset in [`Packet::bytes`] of the value of the first attribute of one type.
    #[must_use]
    pub fn value_offset(&self, kind: u8) -> Option<usize> {
        let mut at = MIN_PACKET;
        for attribute in self.attributes() {
            if attribute.kind == kind {
                return Some(at + 2);
            }
            at += 2 + attribute.value.len();
        }
        None
    }
}

impl std::fmt::Debug for Packet<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            f,
            "{} id {} ({} octets)",
            self.code,
            self.identifier,
            self.bytes.len()
        )
    }
}

fn check_framing(body: &[u8]) -> Result<(), Malformed> {
    let mut rest = body;
    while !rest.is_empty() {
        let at = MIN_PACKET + (body.len() - rest.len());
        rest = match split_tlv(rest) {
            Some((_, _, tail)) => tail,
            None => {
                return Err(match *rest {
                    [kind, length, ..] => Malformed::AttributeLength {
                        at,
                        kind,
                        length,
                        left: rest.len(),
                    },
                    _ => Malformed::LoneOctet(at),
                });
            }
        };
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn packet(attributes: &[u8]) -> Vec<u8> {
        let length = u8::try_from(MIN_PACKET + attributes.len()).unwrap();
        let mut bytes = vec![1, 7, 0, length];
        bytes.extend_from_slice(&[0xaa; 16]);
        bytes.extend_from_slice(attributes);
        bytes
    }

    /// RFC 2865 section 3: Length is 20 to 4096, and no more than what arrived.
    #[test]
    fn length_field() {
        let whole = packet(&[]);
        assert!(Packet::parse(&whole).is_ok());
        assert_eq!(Packet::parse(&[]), Err(Malformed::Short(0)));
        assert_eq!(Packet::parse(&whole[..19]), Err(Malformed::Short(19)));
        for (said, error) in [
            (0, Malformed::LengthTooSmall(0)),
            (19, Malformed::LengthTooSmall(19)),
            (21, Malformed::Truncated { said: 21, got: 20 }),
            (
                4096,
                Malformed::Truncated {
                    said: 4096,
                    got: 20,
                },
            ),
            (4097, Malformed::LengthTooLarge(4097)),
            (65_535, Malformed::LengthTooLarge(65_535)),
        ] {
            let mut bytes = whole.clone();
            bytes[2..4].copy_from_slice(&u16::to_be_bytes(said));
            assert_eq!(Packet::parse(&bytes), Err(error));
        }
    }

    /// RFC 2865 section 3: octets outside Length are padding.
    #[test]
    fn padding_is_left_out() {
        let mut bytes = packet(&[1, 3, b'a']);
        bytes.extend_from_slice(&[1, 9, 9]);
        let parsed = Packet::parse(&bytes).unwrap();
        assert_eq!(parsed.bytes().len(), 23);
        assert_eq!(parsed.attributes().count(), 1);
    }

    /// RFC 2865 section 5: an attribute is 2 to 255 octets long and ends within the packet.
    #[test]
    fn attribute_lengths() {
        let error = |at, kind, length, left| {
            Err(Malformed::AttributeLength {
                at,
                kind,
                length,
                left,
            })
        };
        assert!(
            Packet::parse(&packet(&[1, 2])).is_ok(),
            "no value is framing"
        );
        assert_eq!(Packet::parse(&packet(&[1, 0])), error(20, 1, 0, 2));
        assert_eq!(Packet::parse(&packet(&[1, 1])), error(20, 1, 1, 2));
        assert_eq!(Packet::parse(&packet(&[1, 3])), error(20, 1, 3, 2));
        assert_eq!(Packet::parse(&packet(&[1, 2, 4, 9, 0])), error(22, 4, 9, 3));
        assert_eq!(
            Packet::parse(&packet(&[1, 2, 4])),
            Err(Malformed::LoneOctet(22))
        );
    }

    #[test]
    fn attributes_keep_their_order_and_duplicates() {
        let bytes = packet(&[25, 3, b'a', 200, 4, 0, 1, 25, 3, b'b', 200, 2]);
        let parsed = Packet::parse(&bytes).unwrap();
        let kinds: Vec<u8> = parsed.attributes().map(|found| found.kind).collect();
        assert_eq!(kinds, [25, 200, 25, 200]);
        assert_eq!(parsed.count(25), 2);
        assert_eq!(parsed.text(25), Some("a"));
        assert_eq!(parsed.joined(25), Some(b"ab".to_vec()));
        assert_eq!(parsed.joined(26), None);
        assert_eq!(parsed.value_offset(200), Some(25));
        assert_eq!(parsed.value_offset(1), None);
        let values: Vec<&[u8]> = parsed.all(200).map(|found| found.value).collect();
        assert_eq!(values, [&[0, 1][..], &[]]);
    }

    /// RFC 2865 section 5.26: several sub-attributes in one, and one vendor in several.
    #[test]
    fn vendor_attributes_are_found_across_attributes() {
        let mut attributes = Vec::new();
        for value in [
            &[0, 0, 0x12, 0x34, 1, 3, b'a', 2, 4, b'b', b'c'][..],
            &[0, 0, 0, 9, 1, 3, b'x'],
            &[0, 0, 0x12, 0x34, 1, 3, b'd'],
            // Its sub-attribute runs past the end.
            &[0, 0, 0x12, 0x34, 1, 9, b'e'],
            // One that ends well does not save the next, which does not.
            &[0, 0, 0x12, 0x34, 1, 3, b'f', 2, 9, b'g'],
            // Too short for an enterprise number.
            &[0, 0, 0x12],
        ] {
            attributes.extend_from_slice(&[26, u8::try_from(value.len() + 2).unwrap()]);
            attributes.extend_from_slice(value);
        }
        let bytes = packet(&attributes);
        let parsed = Packet::parse(&bytes).unwrap();
        let found: Vec<(u8, &[u8])> = parsed
            .vendor(0x1234)
            .map(|found| (found.kind, found.value))
            .collect();
        assert_eq!(found, [(1, &b"a"[..]), (2, b"bc"), (1, b"d")]);
        assert_eq!(parsed.vendor(9).count(), 1);
        assert_eq!(parsed.vendor(10).count(), 0);
    }
}
