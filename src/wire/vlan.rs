//! VLANs in attributes: the tunnel triple (RFC 3580 section 3.31) and RFC 4675.
//!
//! The builders write what they are given; the reader is strict, as a good switch is.

use std::collections::BTreeMap;
use std::fmt;

use super::attribute::{Attribute, AttributeBuf};
use super::packet::Packet;
use super::registry::attributes as a;

/// Tunnel-Type VLAN (RFC 3580 section 3.31).
pub const TUNNEL_TYPE_VLAN: u32 = 13;
/// Tunnel-Medium-Type IEEE 802 (RFC 2868 section 3.2).
pub const MEDIUM_IEEE_802: u32 = 6;
/// VLAN ids that a port can be given (RFC 3580 section 3.31).
pub const VLAN_IDS: std::ops::RangeInclusive<u16> = 1..=4094;

const TAGGED: u8 = 0x31;
const UNTAGGED: u8 = 0x32;
const LAST_TAG: u8 = 0x1f;

/// The three attributes that put a port into a VLAN (RFC 3580 section 3.31). `vlan` is an id in
/// decimal digits, or the name of a VLAN where the switch takes one (common practice, no source).
/// With tag 0 the numbers carry a tag octet of 0 and the string carries none.
#[must_use]
pub fn tunnel_vlan(tag: u8, vlan: &str) -> [AttributeBuf; 3] {
    let tag_octet: &[u8] = if tag == 0 { &[] } else { &[tag] };
    [
        AttributeBuf::new(a::TUNNEL_TYPE, tagged_number(tag, TUNNEL_TYPE_VLAN)),
        AttributeBuf::new(a::TUNNEL_MEDIUM_TYPE, tagged_number(tag, MEDIUM_IEEE_802)),
        AttributeBuf::new(
            a::TUNNEL_PRIVATE_GROUP_ID,
            [tag_octet, vlan.as_bytes()].concat(),
        ),
    ]
}

fn tagged_number(tag: u8, value: u32) -> [u8; 4] {
    let [_, high, middle, low] = value.to_be_bytes();
    [tag, high, middle, low]
}

/// Egress-VLANID (RFC 4675 section 2.1). `vid` is 12 bits; higher bits are left out.
#[must_use]
pub fn egress_vlan(vid: u16, tagged: bool) -> AttributeBuf {
    let [high, low] = (vid & 0x0fff).to_be_bytes();
    AttributeBuf::new(a::EGRESS_VLANID, [egress_tag(tagged), 0, high, low])
}

/// Egress-VLAN-Name (RFC 4675 section 2.3).
#[must_use]
pub fn egress_vlan_name(name: &str, tagged: bool) -> AttributeBuf {
    AttributeBuf::new(
        a::EGRESS_VLAN_NAME,
        [&[egress_tag(tagged)], name.as_bytes()].concat(),
    )
}

fn egress_tag(tagged: bool) -> u8 {
    if tagged { TAGGED } else { UNTAGGED }
}

/// Ingress-Filters: whether frames of VLANs that the port is not a member of are dropped
/// (RFC 4675 section 2.2).
#[must_use]
pub fn ingress_filters(enabled: bool) -> AttributeBuf {
    AttributeBuf::integer(a::INGRESS_FILTERS, if enabled { 1 } else { 2 })
}

/// User-Priority-Table: the n-th octet is what priority n becomes, each 0..=7
/// (RFC 4675 section 2.4).
#[must_use]
pub fn user_priority_table(map: [u8; 8]) -> AttributeBuf {
    AttributeBuf::new(a::USER_PRIORITY_TABLE, map)
}

/// A VLAN as an attribute names it.
#[derive(Clone, PartialEq, Eq, Hash, PartialOrd, Ord, Debug, serde::Serialize)]
#[serde(untagged)]
pub enum VlanRef {
    /// 1..=4094
    Id(u16),
    /// A name that the switch resolves.
    Name(String),
}

impl fmt::Display for VlanRef {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            VlanRef::Id(id) => write!(f, "{id}"),
            VlanRef::Name(name) => f.write_str(name),
        }
    }
}

/// Everything about VLANs and priorities that a packet grants.
#[derive(Clone, PartialEq, Eq, Debug, Default, serde::Serialize)]
pub struct Vlans {
    /// From the tunnel triple, or from an untagged egress attribute.
    pub untagged: Option<VlanRef>,
    /// From the egress attributes, in order.
    pub tagged: Vec<VlanRef>,
    /// Ingress-Filters, where given.
    pub ingress_filters: Option<bool>,
    /// User-Priority-Table, where given.
    pub priority: Option<[u8; 8]>,
}

/// Why the VLAN attributes of a packet cannot be carried out.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum VlanError {
    /// A tunnel number that is not a tag octet up to 0x1F and three octets.
    #[error("attribute {0} is not a tag up to 31 and a 24-bit number (RFC 2868 section 3)")]
    TunnelNumber(u8),
    /// Two of the same attribute with one tag.
    #[error("attribute {kind} twice with tag {tag} (RFC 2868 section 3)")]
    Repeated {
        /// Attribute type.
        kind: u8,
        /// Tunnel tag.
        tag: u8,
    },
    /// A triple with a part missing.
    #[error(
        "attribute {missing} is missing from the tunnel with tag {tag} (RFC 3580 section 3.31)"
    )]
    Incomplete {
        /// Attribute type that is missing.
        missing: u8,
        /// Tunnel tag.
        tag: u8,
    },
    /// Tunnel-Type VLAN over a medium that is not IEEE 802.
    #[error("Tunnel-Medium-Type {0} with Tunnel-Type VLAN, 6 is right (RFC 3580 section 3.31)")]
    Medium(u32),
    /// A VLAN id outside 1..=4094.
    #[error("VLAN {0} is not one of 1 to 4094 (RFC 3580 section 3.31, RFC 4675 section 2.1)")]
    Id(String),
    /// A VLAN name that is empty or not text.
    #[error("attribute {0} has no VLAN name in text (RFC 4675 section 2.3)")]
    Name(u8),
    /// The layout of an RFC 4675 attribute is wrong.
    #[error("attribute {0} does not have the layout of RFC 4675 section 2")]
    Layout(u8),
    /// More than one untagged VLAN.
    #[error("untagged VLAN {first} and {second}, a port has one")]
    SeveralUntagged {
        /// The one found first.
        first: VlanRef,
        /// The other one.
        second: VlanRef,
    },
    /// More than one of an attribute that stands once.
    #[error("attribute {0} more than once (RFC 4675 section 3)")]
    MoreThanOnce(u8),
}

impl Vlans {
    /// Reads all VLAN attributes of a packet. Tunnels of other types are not looked at.
    ///
    /// # Errors
    /// The first breach found; nothing should be carried out then.
    pub fn read(packet: &Packet<'_>) -> Result<Vlans, VlanError> {
        let mut vlans = Vlans {
            ingress_filters: read_ingress_filters(packet)?,
            priority: read_priority(packet)?,
            ..Vlans::default()
        };
        for vlan in tunnel_vlans(packet)? {
            vlans.add_untagged(vlan)?;
        }
        for attribute in packet.attributes() {
            let Some((tagged, vlan)) = egress(&attribute)? else {
                continue;
            };
            if !tagged {
                vlans.add_untagged(vlan)?;
            } else if !vlans.tagged.contains(&vlan) {
                vlans.tagged.push(vlan);
            }
        }
        Ok(vlans)
    }

    /// An id and a name may be the same VLAN, only the switch knows: the first is kept.
    fn add_untagged(&mut self, vlan: VlanRef) -> Result<(), VlanError> {
        match (&self.untagged, vlan) {
            (None, vlan) => self.untagged = Some(vlan),
            (Some(first), second) if first.contradicts(&second) => {
                return Err(VlanError::SeveralUntagged {
                    first: first.clone(),
                    second,
                });
            }
            _ => {}
        }
        Ok(())
    }
}

impl VlanRef {
    /// The id or the name that a text stands for; `None` for an id outside 1..=4094 and for no
    /// text at all.
    #[must_use]
    pub fn parse(text: &str) -> Option<VlanRef> {
        if text.is_empty() {
            return None;
        }
        if text.bytes().all(|c| c.is_ascii_digit()) {
            let id = text.parse().ok()?;
            return VLAN_IDS.contains(&id).then_some(VlanRef::Id(id));
        }
        Some(VlanRef::Name(text.to_owned()))
    }

    fn contradicts(&self, other: &VlanRef) -> bool {
        std::mem::discriminant(self) == std::mem::discriminant(other) && self != other
    }
}

/// What a packet says about one tunnel.
#[derive(Default)]
struct Tunnel<'a> {
    kind: Option<u32>,
    medium: Option<u32>,
    group: Option<&'a [u8]>,
}

/// The VLANs of all tunnels of type VLAN, in the order of their tags.
fn tunnel_vlans(packet: &Packet<'_>) -> Result<Vec<VlanRef>, VlanError> {
    let mut tunnels: BTreeMap<u8, Tunnel<'_>> = BTreeMap::new();
    for attribute in packet.attributes() {
        let kind = attribute.kind;
        let (tag, repeated) = match kind {
            a::TUNNEL_TYPE => {
                let (tag, number) = tunnel_number(&attribute)?;
                (
                    tag,
                    tunnels
                        .entry(tag)
                        .or_default()
                        .kind
                        .replace(number)
                        .is_some(),
                )
            }
            a::TUNNEL_MEDIUM_TYPE => {
                let (tag, number) = tunnel_number(&attribute)?;
                (
                    tag,
                    tunnels
                        .entry(tag)
                        .or_default()
                        .medium
                        .replace(number)
                        .is_some(),
                )
            }
            a::TUNNEL_PRIVATE_GROUP_ID => {
                let (tag, group) = attribute.tagged_text();
                let tag = tag.unwrap_or(0);
                (
                    tag,
                    tunnels
                        .entry(tag)
                        .or_default()
                        .group
                        .replace(group)
                        .is_some(),
                )
            }
            _ => continue,
        };
        if repeated {
            return Err(VlanError::Repeated { kind, tag });
        }
    }
    tunnels
        .into_iter()
        .filter_map(|(tag, tunnel)| tunnel.vlan(tag).transpose())
        .collect()
}

fn tunnel_number(attribute: &Attribute<'_>) -> Result<(u8, u32), VlanError> {
    attribute
        .tagged_integer()
        .filter(|(tag, _)| *tag <= LAST_TAG)
        .ok_or(VlanError::TunnelNumber(attribute.kind))
}

impl Tunnel<'_> {
    /// The VLAN, or `None` for a tunnel of another type.
    fn vlan(&self, tag: u8) -> Result<Option<VlanRef>, VlanError> {
        let incomplete = |missing| VlanError::Incomplete { missing, tag };
        if self.kind.ok_or(incomplete(a::TUNNEL_TYPE))? != TUNNEL_TYPE_VLAN {
            return Ok(None);
        }
        let medium = self.medium.ok_or(incomplete(a::TUNNEL_MEDIUM_TYPE))?;
        if medium != MEDIUM_IEEE_802 {
            return Err(VlanError::Medium(medium));
        }
        let group = self.group.ok_or(incomplete(a::TUNNEL_PRIVATE_GROUP_ID))?;
        let text = std::str::from_utf8(group)
            .ok()
            .filter(|text| !text.is_empty())
            .ok_or(VlanError::Name(a::TUNNEL_PRIVATE_GROUP_ID))?;
        match VlanRef::parse(text) {
            Some(vlan) => Ok(Some(vlan)),
            None => Err(VlanError::Id(text.to_owned())),
        }
    }
}

/// Whether tagged, and which VLAN, by one egress attribute; `None` for other attributes.
fn egress(attribute: &Attribute<'_>) -> Result<Option<(bool, VlanRef)>, VlanError> {
    match attribute.kind {
        a::EGRESS_VLANID => egress_id(attribute).map(Some),
        a::EGRESS_VLAN_NAME => egress_name(attribute).map(Some),
        _ => Ok(None),
    }
}

fn egress_id(attribute: &Attribute<'_>) -> Result<(bool, VlanRef), VlanError> {
    let layout = VlanError::Layout(attribute.kind);
    let [tag, 0, high, low] = *attribute.value else {
        return Err(layout);
    };
    let tagged = read_egress_tag(tag).ok_or(layout.clone())?;
    let vid = u16::from_be_bytes([high, low]);
    if vid > 0x0fff {
        return Err(layout);
    }
    if !VLAN_IDS.contains(&vid) {
        return Err(VlanError::Id(vid.to_string()));
    }
    Ok((tagged, VlanRef::Id(vid)))
}

fn egress_name(attribute: &Attribute<'_>) -> Result<(bool, VlanRef), VlanError> {
    let (&tag, name) = attribute
        .value
        .split_first()
        .ok_or(VlanError::Layout(attribute.kind))?;
    let tagged = read_egress_tag(tag).ok_or(VlanError::Layout(attribute.kind))?;
    let name = std::str::from_utf8(name)
        .ok()
        .filter(|name| !name.is_empty())
        .ok_or(VlanError::Name(attribute.kind))?;
    Ok((tagged, VlanRef::Name(name.to_owned())))
}

fn read_egress_tag(octet: u8) -> Option<bool> {
    match octet {
        TAGGED => Some(true),
        UNTAGGED => Some(false),
        _ => None,
    }
}

fn read_ingress_filters(packet: &Packet<'_>) -> Result<Option<bool>, VlanError> {
    match single(packet, a::INGRESS_FILTERS)?.map(|found| found.integer()) {
        None => Ok(None),
        Some(Some(1)) => Ok(Some(true)),
        Some(Some(2)) => Ok(Some(false)),
        Some(_) => Err(VlanError::Layout(a::INGRESS_FILTERS)),
    }
}

fn read_priority(packet: &Packet<'_>) -> Result<Option<[u8; 8]>, VlanError> {
    let Some(found) = single(packet, a::USER_PRIORITY_TABLE)? else {
        return Ok(None);
    };
    <[u8; 8]>::try_from(found.value)
        .ok()
        .filter(|map| map.iter().all(|priority| *priority <= 7))
        .map(Some)
        .ok_or(VlanError::Layout(a::USER_PRIORITY_TABLE))
}

fn single<'a>(packet: &Packet<'a>, kind: u8) -> Result<Option<Attribute<'a>>, VlanError> {
    let mut found = packet.all(kind);
    let first = found.next();
    if found.next().is_some() {
        return Err(VlanError::MoreThanOnce(kind));
    }
    Ok(first)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::build::Builder;
    use crate::wire::code::Code;
    use crate::wire::secret::Secret;

    fn read(attributes: &[AttributeBuf]) -> Result<Vlans, VlanError> {
        let mut builder = Builder::new(Code::ACCESS_ACCEPT, 1);
        for attribute in attributes {
            builder.attribute(attribute).unwrap();
        }
        let bytes = builder.finish_request(&[0; 16], &Secret::new("lantern quay bench"));
        Vlans::read(&Packet::parse(&bytes).unwrap())
    }

    fn untagged(attributes: &[AttributeBuf]) -> Result<Option<VlanRef>, VlanError> {
        read(attributes).map(|vlans| vlans.untagged)
    }

    fn joined(parts: &[&[AttributeBuf]]) -> Vec<AttributeBuf> {
        parts.concat()
    }

    /// RFC 3580 section 3.31, tags by RFC 2868 section 3.6
    #[test]
    fn a_tag_stands_on_all_three_or_on_none() {
        let [_, _, group] = tunnel_vlan(0, "100");
        assert_eq!(group.value, b"100");
        let [kind, medium, group] = tunnel_vlan(5, "100");
        assert_eq!((kind.value[0], medium.value[0]), (5, 5));
        assert_eq!(group.value, b"\x05100");
        for tag in [0, 1, 0x1f] {
            let found = untagged(&tunnel_vlan(tag, "100"));
            assert_eq!(found, Ok(Some(VlanRef::Id(100))), "tag {tag}");
        }
        let [kind, medium, _] = tunnel_vlan(1, "100");
        let [_, _, group] = tunnel_vlan(0, "100");
        let missing = VlanError::Incomplete {
            missing: a::TUNNEL_TYPE,
            tag: 0,
        };
        assert_eq!(untagged(&[kind, medium, group]), Err(missing));
        // RFC 2868 section 3.1: a tag is at most 0x1F.
        let error = untagged(&tunnel_vlan(0x20, "100"));
        assert_eq!(error, Err(VlanError::TunnelNumber(a::TUNNEL_TYPE)));
    }

    #[test]
    fn tunnels_that_are_no_vlan_are_not_looked_at() {
        let l2tp = AttributeBuf::new(a::TUNNEL_TYPE, [1, 0, 0, 3]);
        let server = AttributeBuf::new(a::TUNNEL_PRIVATE_GROUP_ID, *b"\x01\xff\xfe");
        assert_eq!(untagged(&[l2tp.clone(), server.clone()]), Ok(None));
        let both = joined(&[&[l2tp, server], &tunnel_vlan(2, "7")]);
        assert_eq!(untagged(&both), Ok(Some(VlanRef::Id(7))));
        assert_eq!(read(&[]), Ok(Vlans::default()));
    }

    #[test]
    fn names_and_ids() {
        let found = |vlan: &str| untagged(&tunnel_vlan(0, vlan));
        let name = |name: &str| Ok(Some(VlanRef::Name(name.to_owned())));
        assert_eq!(found("1"), Ok(Some(VlanRef::Id(1))));
        assert_eq!(found("4094"), Ok(Some(VlanRef::Id(4094))));
        assert_eq!(found("printers"), name("printers"));
        assert_eq!(found("20-printers"), name("20-printers"));
        for id in ["0", "4095", "65636", "99999999999"] {
            assert_eq!(found(id), Err(VlanError::Id(id.to_owned())));
        }
        assert_eq!(found(""), Err(VlanError::Name(a::TUNNEL_PRIVATE_GROUP_ID)));
    }

    #[test]
    fn one_untagged_vlan() {
        let several = VlanError::SeveralUntagged {
            first: VlanRef::Id(10),
            second: VlanRef::Id(20),
        };
        let two = joined(&[&tunnel_vlan(1, "10"), &tunnel_vlan(2, "20")]);
        assert_eq!(untagged(&two), Err(several.clone()));
        let mixed = joined(&[&tunnel_vlan(0, "10"), &[egress_vlan(20, false)]]);
        assert_eq!(untagged(&mixed), Err(several));
        let same = joined(&[&tunnel_vlan(0, "10"), &[egress_vlan(10, false)]]);
        assert_eq!(untagged(&same), Ok(Some(VlanRef::Id(10))));
        let named = joined(&[&tunnel_vlan(0, "10"), &[egress_vlan_name("tills", false)]]);
        assert_eq!(untagged(&named), Ok(Some(VlanRef::Id(10))));
        let alone = untagged(&[egress_vlan(30, false)]);
        assert_eq!(alone, Ok(Some(VlanRef::Id(30))));
    }

    /// RFC 4675 sections 2.1 to 2.4
    #[test]
    fn a_trunk() {
        let attributes = joined(&[
            &tunnel_vlan(0, "10"),
            &[
                egress_vlan(20, true),
                egress_vlan_name("voice", true),
                egress_vlan(20, true),
                ingress_filters(true),
                user_priority_table([0, 0, 0, 3, 4, 5, 6, 7]),
            ],
        ]);
        let expected = Vlans {
            untagged: Some(VlanRef::Id(10)),
            tagged: vec![VlanRef::Id(20), VlanRef::Name("voice".to_owned())],
            ingress_filters: Some(true),
            priority: Some([0, 0, 0, 3, 4, 5, 6, 7]),
        };
        assert_eq!(read(&attributes), Ok(expected));
        let off = read(&[ingress_filters(false)]).unwrap();
        assert_eq!(off.ingress_filters, Some(false));
    }

    /// RFC 4675 sections 2.1 to 2.4, and section 3 for how often each may stand.
    #[test]
    fn broken_attributes_are_refused() {
        let layout = |kind, value: &[u8]| {
            let error = read(&[AttributeBuf::new(kind, value)]).unwrap_err();
            assert_eq!(error, VlanError::Layout(kind), "{value:?}");
        };
        layout(a::EGRESS_VLANID, &[0x31, 0, 0x10, 100]);
        layout(a::EGRESS_VLANID, &[0x31, 1, 0, 100]);
        layout(a::EGRESS_VLANID, &[0x30, 0, 0, 100]);
        layout(a::EGRESS_VLANID, &[0x31, 0, 100]);
        layout(a::EGRESS_VLAN_NAME, &[]);
        layout(a::EGRESS_VLAN_NAME, b"voice");
        layout(a::INGRESS_FILTERS, &[0, 0, 0, 3]);
        layout(a::INGRESS_FILTERS, &[1]);
        layout(a::USER_PRIORITY_TABLE, &[0, 1, 2, 3, 4, 5, 6, 8]);
        layout(a::USER_PRIORITY_TABLE, &[0, 1, 2, 3, 4, 5, 6]);
        let nameless = read(&[egress_vlan_name("", true)]);
        assert_eq!(nameless, Err(VlanError::Name(a::EGRESS_VLAN_NAME)));
        let twice = read(&[ingress_filters(true), ingress_filters(true)]);
        assert_eq!(twice, Err(VlanError::MoreThanOnce(a::INGRESS_FILTERS)));
        let table = user_priority_table([0; 8]);
        let twice = read(&[table.clone(), table]);
        assert_eq!(twice, Err(VlanError::MoreThanOnce(a::USER_PRIORITY_TABLE)));
    }
}
