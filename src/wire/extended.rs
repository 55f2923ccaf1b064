//! Extended attributes, long extended attributes and TLVs (RFC 6929), both ways.

use super::attribute::{Attribute, AttributeBuf, MAX_VALUE, VendorAttribute, split_tlv};
use super::packet::Packet;
use super::registry::DataType;
use super::registry::attributes;

/// Extended type that carries vendor attributes (RFC 6929 section 2.4).
pub const EXTENDED_VENDOR_SPECIFIC: u8 = 26;
/// The most octets in one extended attribute (RFC 6929 section 2.1).
pub const MAX_EXTENDED: usize = MAX_VALUE - 1;
/// The most octets in one fragment of a long extended attribute (RFC 6929 section 2.2).
pub const MAX_FRAGMENT: usize = MAX_VALUE - 2;
/// The most octets in one TLV (RFC 6929 section 2.3).
pub const MAX_TLV: usize = 253;

const MORE: u8 = 0x80;

/// An extended attribute, reassembled.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Extended {
    /// Type, 241..=246.
    pub kind: u8,
    /// Extended type.
    pub extended: u8,
    /// The whole value, over all fragments.
    pub value: Vec<u8>,
    /// How many attributes it took: 1, or more for a long one.
    pub fragments: usize,
}

/// A vendor attribute within an extended one (data type `evs`, RFC 6929 section 2.4).
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Evs<'a> {
    /// IANA enterprise number.
    pub vendor: u32,
    /// Vendor type.
    pub kind: u8,
    /// Value, 1 octet or more.
    pub value: &'a [u8],
}

/// A TLV (RFC 6929 section 2.3).
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Tlv<'a> {
    /// TLV type.
    pub kind: u8,
    /// Value, 1..=253 octets. May itself hold TLVs: see [`tlvs`].
    pub value: &'a [u8],
}

/// Why an extended attribute is invalid. It is left out; the packet around it stays valid
/// (RFC 6929 section 2.8).
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum ExtendedError {
    /// Not a type of the extended space.
    #[error("attribute {0} is not an extended attribute (RFC 6929 section 3)")]
    Kind(u8),
    /// Too short to hold its header and one octet of value.
    #[error("extended attribute {0} has no value (RFC 6929 section 2)")]
    Short(u8),
    /// A value too long for an attribute that is not fragmented.
    #[error("{length} octets for attribute {kind}, which takes 252 (RFC 6929 section 2.1)")]
    TooLong {
        /// Attribute type.
        kind: u8,
        /// Octets given.
        length: usize,
    },
    /// The More flag on a fragment that is not full.
    #[error(
        "attribute {0} says that more follows and is not 255 octets long (RFC 6929 section 2.2)"
    )]
    MoreOnShort(u8),
    /// The More flag with no fragment of the same type after it.
    #[error(
        "attribute {kind}.{extended} says that more follows, and none does (RFC 6929 section 2.2)"
    )]
    Unfinished {
        /// Attribute type.
        kind: u8,
        /// Extended type.
        extended: u8,
    },
}

/// Reads the extended attributes of a packet, each on its own, in order. Long ones are put
/// together from consecutive fragments.
#[must_use]
pub fn read(packet: &Packet<'_>) -> Vec<Result<Extended, ExtendedError>> {
    let mut attributes = packet.attributes().peekable();
    let mut found = Vec::new();
    while let Some(attribute) = attributes.next() {
        match attributes::data_type(attribute.kind) {
            DataType::Extended => found.push(read_one(&attribute)),
            DataType::LongExtended => found.push(reassemble(attribute, &mut attributes)),
            _ => {}
        }
    }
    found
}

/// Reads one attribute on its own, and whether it is a fragment that more should follow.
///
/// # Errors
/// When it is not an extended attribute or its layout is wrong.
pub fn single(attribute: &Attribute<'_>) -> Result<(Extended, bool), ExtendedError> {
    match attributes::data_type(attribute.kind) {
        DataType::Extended => Ok((read_one(attribute)?, false)),
        DataType::LongExtended => {
            let part = fragment(attribute)?;
            Ok((part.start_of(attribute.kind), part.more))
        }
        _ => Err(ExtendedError::Kind(attribute.kind)),
    }
}

fn read_one(attribute: &Attribute<'_>) -> Result<Extended, ExtendedError> {
    match *attribute.value {
        [extended, ref value @ ..] if !value.is_empty() => Ok(Extended {
            kind: attribute.kind,
            extended,
            value: value.to_vec(),
            fragments: 1,
        }),
        _ => Err(ExtendedError::Short(attribute.kind)),
    }
}

/// Takes the fragments that follow `first` out of `rest`. A broken chain ends where it breaks, so
/// that what comes after it is read afresh.
fn reassemble<'a>(
    first: Attribute<'a>,
    rest: &mut std::iter::Peekable<impl Iterator<Item = Attribute<'a>>>,
) -> Result<Extended, ExtendedError> {
    let kind = first.kind;
    let start = fragment(&first)?;
    let mut whole = start.start_of(kind);
    let mut more = start.more;
    while more {
        let next = rest
            .next_if(|next| next.kind == kind && next.value.first() == Some(&whole.extended))
            .ok_or(ExtendedError::Unfinished {
                kind,
                extended: whole.extended,
            })?;
        let part = fragment(&next)?;
        whole.value.extend_from_slice(part.value);
        whole.fragments += 1;
        more = part.more;
    }
    Ok(whole)
}

struct Fragment<'a> {
    extended: u8,
    more: bool,
    value: &'a [u8],
}

impl Fragment<'_> {
    fn start_of(&self, kind: u8) -> Extended {
        Extended {
            kind,
            extended: self.extended,
            value: self.value.to_vec(),
            fragments: 1,
        }
    }
}

fn fragment<'a>(attribute: &Attribute<'a>) -> Result<Fragment<'a>, ExtendedError> {
    let [extended, flags, value @ ..] = attribute.value else {
        return Err(ExtendedError::Short(attribute.kind));
    };
    if value.is_empty() {
        return Err(ExtendedError::Short(attribute.kind));
    }
    // The other seven bits are reserved and not looked at.
    let more = flags & MORE != 0;
    if more && value.len() != MAX_FRAGMENT {
        return Err(ExtendedError::MoreOnShort(attribute.kind));
    }
    Ok(Fragment {
        extended: *extended,
        more,
        value,
    })
}

/// The attributes that carry one extended attribute: one for 241 to 244, as many as it takes for
/// 245 and 246.
///
/// # Errors
/// Another type, no value, or over 252 octets for 241 to 244.
pub fn build(kind: u8, extended: u8, value: &[u8]) -> Result<Vec<AttributeBuf>, ExtendedError> {
    if value.is_empty() {
        return Err(ExtendedError::Short(kind));
    }
    match attributes::data_type(kind) {
        DataType::Extended if value.len() > MAX_EXTENDED => Err(ExtendedError::TooLong {
            kind,
            length: value.len(),
        }),
        DataType::Extended => Ok(vec![AttributeBuf::new(kind, [&[extended], value].concat())]),
        DataType::LongExtended => Ok(build_fragments(kind, extended, value)),
        _ => Err(ExtendedError::Kind(kind)),
    }
}

fn build_fragments(kind: u8, extended: u8, value: &[u8]) -> Vec<AttributeBuf> {
    let count = value.len().div_ceil(MAX_FRAGMENT);
    value
        .chunks(MAX_FRAGMENT)
        .enumerate()
        .map(|(at, part)| {
            let flags = if at + 1 < count { MORE } else { 0 };
            AttributeBuf::new(kind, [&[extended, flags], part].concat())
        })
        .collect()
}

impl Extended {
    /// The vendor attribute inside, when the extended type is 26.
    #[must_use]
    pub fn evs(&self) -> Option<Evs<'_>> {
        if self.extended != EXTENDED_VENDOR_SPECIFIC {
            return None;
        }
        let (vendor, rest) = self.value.split_first_chunk::<4>()?;
        let (&kind, value) = rest.split_first()?;
        if value.is_empty() {
            return None;
        }
        Some(Evs {
            vendor: u32::from_be_bytes(*vendor),
            kind,
            value,
        })
    }
}

impl Evs<'_> {
    /// The value of the extended attribute around it, for [`build`] with extended type 26.
    #[must_use]
    pub fn to_value(&self) -> Vec<u8> {
        let mut value = self.vendor.to_be_bytes().to_vec();
        value.push(self.kind);
        value.extend_from_slice(self.value);
        value
    }
}

/// The TLVs that fill `bytes`, in order. `None` when they do not fill it exactly, or when one has
/// no value: a TLV is 3 to 255 octets long (RFC 6929 section 2.3).
#[must_use]
pub fn tlvs(bytes: &[u8]) -> Option<Vec<Tlv<'_>>> {
    let mut found = Vec::new();
    let mut rest = bytes;
    while let Some((kind, value, tail)) = split_tlv(rest) {
        if value.is_empty() {
            return None;
        }
        found.push(Tlv { kind, value });
        rest = tail;
    }
    (rest.is_empty() && !found.is_empty()).then_some(found)
}

/// Appends one TLV. False, and nothing appended, for a value that is not 1 to 253 octets.
#[must_use]
pub fn push_tlv(to: &mut Vec<u8>, kind: u8, value: &[u8]) -> bool {
    match u8::try_from(value.len() + 2) {
        Ok(length) if !value.is_empty() => {
            to.extend_from_slice(&[kind, length]);
            to.extend_from_slice(value);
            true
        }
        _ => false,
    }
}

/// The values at a path of nested TLVs, in order: `[1, 4]` gives every TLV 4 within every TLV 1.
/// What is not made of TLVs has no children.
#[must_use]
pub fn at_path<'a>(bytes: &'a [u8], path: &[u8]) -> Vec<&'a [u8]> {
    let Some((wanted, deeper)) = path.split_first() else {
        return vec![bytes];
    };
    tlvs(bytes)
        .unwrap_or_default()
        .into_iter()
        .filter(|tlv| tlv.kind == *wanted)
        .flat_map(|tlv| at_path(tlv.value, deeper))
        .collect()
}

/// The values of one vendor's attribute at a path: the vendor type, then the types of nested TLVs
/// for vendors whose attributes hold them. `[1]` gives the plain attribute.
#[must_use]
pub fn vendor_at_path<'a>(packet: &Packet<'a>, vendor: u32, path: &[u8]) -> Vec<&'a [u8]> {
    let Some((wanted, deeper)) = path.split_first() else {
        return Vec::new();
    };
    packet
        .vendor(vendor)
        .filter(|attribute| attribute.kind == *wanted)
        .flat_map(|attribute| at_path(attribute.value, deeper))
        .collect()
}

impl<'a> VendorAttribute<'a> {
    /// The TLVs that fill this attribute, if it is made of them.
    #[must_use]
    pub fn tlvs(&self) -> Option<Vec<Tlv<'a>>> {
        tlvs(self.value)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::build::Builder;
    use crate::wire::code::Code;
    use crate::wire::secret::Secret;

    fn packet(attributes: &[(u8, &[u8])]) -> Vec<u8> {
        let mut builder = Builder::new(Code::ACCESS_ACCEPT, 1);
        for (kind, value) in attributes {
            builder.push(*kind, value).unwrap();
        }
        builder.finish_request(&[0; 16], &Secret::new("lantern quay bench"))
    }

    fn full(extended: u8, flags: u8) -> Vec<u8> {
        let mut value = vec![extended, flags];
        value.resize(MAX_VALUE, b'a');
        value
    }

    /// RFC 6929 section 2.8: an invalid attribute is left out, the others stand.
    #[test]
    fn an_invalid_attribute_does_not_take_others_with_it() {
        let bytes = packet(&[
            (241, &[1]),
            (241, &[1, b'a']),
            (1, b"till 4"),
            (245, &[2, 0x80, b'b']),
            (245, &[2, 0, b'c']),
            (245, &[2, 0]),
        ]);
        let found = read(&Packet::parse(&bytes).unwrap());
        let [Err(first), Ok(second), Err(third), Ok(fourth), Err(fifth)] = found.as_slice() else {
            panic!("{found:?}");
        };
        assert_eq!(*first, ExtendedError::Short(241));
        assert_eq!((second.extended, second.value.as_slice()), (1, &b"a"[..]));
        assert_eq!(*third, ExtendedError::MoreOnShort(245));
        assert_eq!(fourth.value, b"c");
        assert_eq!(*fifth, ExtendedError::Short(245));
    }

    /// RFC 6929 section 2.2: a fragment is followed at once by one of the same type.
    #[test]
    fn a_broken_chain_ends_where_it_breaks() {
        let more = full(2, 0x80);
        let other = [3, 0, b'x'];
        let bytes = packet(&[(245, &more), (245, &other)]);
        let found = read(&Packet::parse(&bytes).unwrap());
        let [Err(first), Ok(second)] = found.as_slice() else {
            panic!("{found:?}");
        };
        let unfinished = ExtendedError::Unfinished {
            kind: 245,
            extended: 2,
        };
        assert_eq!(*first, unfinished);
        assert_eq!((second.extended, second.value.as_slice()), (3, &b"x"[..]));

        let bytes = packet(&[(245, &more), (246, &[2, 0, b'x'])]);
        let found = read(&Packet::parse(&bytes).unwrap());
        assert_eq!(found.first(), Some(&Err(unfinished)));
        assert_eq!(found.len(), 2);
    }

    /// RFC 6929 section 2.2: the seven reserved bits are not looked at, and two values of one
    /// type stay two.
    #[test]
    fn whole_values_of_one_type_stay_apart() {
        let (first, second) = (full(2, 0x7f), [2, 0x01, b'x']);
        let bytes = packet(&[(245, &first), (245, &second)]);
        let found = read(&Packet::parse(&bytes).unwrap());
        let lengths: Vec<usize> = found.iter().flatten().map(|one| one.value.len()).collect();
        assert_eq!(lengths, [MAX_FRAGMENT, 1]);
    }

    /// RFC 6929 sections 2.1 and 2.2
    #[test]
    fn limits_of_building() {
        assert_eq!(build(241, 1, &[0; 252]).unwrap()[0].value.len(), MAX_VALUE);
        let too_long = ExtendedError::TooLong {
            kind: 241,
            length: 253,
        };
        assert_eq!(build(241, 1, &[0; 253]), Err(too_long));
        assert_eq!(build(241, 1, &[]), Err(ExtendedError::Short(241)));
        assert_eq!(build(240, 1, &[0]), Err(ExtendedError::Kind(240)));
        for (length, flags) in [(251, &[0][..]), (252, &[0x80, 0]), (502, &[0x80, 0])] {
            let built = build(245, 1, &vec![0; length]).unwrap();
            let found: Vec<u8> = built.iter().map(|part| part.value[1]).collect();
            assert_eq!(found, flags, "{length} octets");
        }
    }

    /// RFC 6929 section 2.3: a TLV is 3 to 255 octets long, and TLVs fill what is around them.
    #[test]
    fn tlv_lengths() {
        assert_eq!(tlvs(&[]), None);
        assert_eq!(tlvs(&[1]), None);
        assert_eq!(tlvs(&[1, 2]), None, "no value");
        assert_eq!(tlvs(&[1, 4, 0]), None, "too long");
        assert_eq!(tlvs(&[1, 3, 0, 2]), None, "an octet left");
        assert!(tlvs(&[1, 3, 0]).is_some());
        let mut to = Vec::new();
        assert!(!push_tlv(&mut to, 1, &[]));
        assert!(!push_tlv(&mut to, 1, &[0; 254]));
        assert!(to.is_empty());
        assert!(push_tlv(&mut to, 1, &[0; 253]));
        assert_eq!(tlvs(&to).map(|found| found.len()), Some(1));
    }

    #[test]
    fn vendor_attributes_of_tlvs_are_read_by_path() {
        let vendor = AttributeBuf::vendor_several(
            64_999,
            &[(1, &[4, 3, b'a', 5, 3, b'b', 4, 3, b'c']), (2, b"plain")],
        );
        let bytes = packet(&[(vendor.kind, &vendor.value)]);
        let parsed = Packet::parse(&bytes).unwrap();
        let at = |path: &[u8]| vendor_at_path(&parsed, 64_999, path);
        assert_eq!(at(&[1, 4]), [b"a", b"c"]);
        assert_eq!(at(&[1, 5]), [b"b"]);
        assert_eq!(at(&[2]), [b"plain"]);
        assert!(at(&[2, 4]).is_empty(), "not made of TLVs");
        assert!(at(&[3]).is_empty());
        assert!(at(&[]).is_empty());
        assert!(vendor_at_path(&parsed, 9, &[1]).is_empty());
    }

    /// RFC 6929 section 2.4: five octets of header and a value.
    #[test]
    fn vendor_attributes_in_extended_ones() {
        let short = build(241, EXTENDED_VENDOR_SPECIFIC, &[0, 0, 0, 9, 1]).unwrap();
        let bytes = packet(&[(short[0].kind, &short[0].value)]);
        let found = read(&Packet::parse(&bytes).unwrap());
        assert_eq!(found[0].as_ref().unwrap().evs(), None, "no value");
        let other = Extended {
            kind: 241,
            extended: 1,
            value: vec![0, 0, 0, 9, 1, 1],
            fragments: 1,
        };
        assert_eq!(other.evs(), None, "another extended type");
    }
}
