//! RFC 8044: data types of attributes.

use super::read;
use super::rule::{Check, Remark, Rule, Severity, rfc};
use super::seen::Packeted;
use crate::wire::Attribute;
use crate::wire::registry::DataType;
use crate::wire::registry::attributes as a;

pub(super) const RULES: &[Rule] = &[
    Rule {
        id: "rfc8044-length",
        source: rfc(8044, "3"),
        severity: Severity::Breach,
        title: "an attribute has a length that its data type does not allow",
        why: "Servers ignore the attribute or the whole packet, each in its own way.",
        remedy: "Report it to the switch's maker, unless the value is one that you set as raw octets.",
        check: Check::Packet(length),
    },
    Rule {
        id: "rfc8044-text",
        source: rfc(8044, "3.4"),
        severity: Severity::Breach,
        title: "a text is not UTF-8",
        why: "Names of ports, sites and people compare unequal to what stands in the policy.",
        remedy: "Use plain ASCII in the port's and the switch's names.",
        check: Check::Packet(text),
    },
];

fn length(packeted: &Packeted<'_>) -> Option<Remark> {
    packeted.packet.attributes().find_map(|attribute| {
        let allowed = lengths(&attribute)?;
        let found = attribute.value.len();
        // An empty one has a rule of its own.
        (found > 0 && !allowed.contains(&found))
            .then(|| Remark::new(format!("{} has {found} octets", read::name(attribute.kind))))
    })
}

/// Lengths of a value, by its data type; `None` where any is right.
fn lengths(attribute: &Attribute<'_>) -> Option<std::ops::RangeInclusive<usize>> {
    if attribute.kind == a::MESSAGE_AUTHENTICATOR {
        return Some(16..=16);
    }
    Some(match a::data_type(attribute.kind) {
        DataType::Integer | DataType::Enum | DataType::Time | DataType::Ipv4Addr => 4..=4,
        DataType::IfId | DataType::Integer64 => 8..=8,
        DataType::Ipv6Addr => 16..=16,
        DataType::Ipv6Prefix => 2..=18,
        DataType::Ipv4Prefix => 6..=6,
        _ => return None,
    })
}

fn text(packeted: &Packeted<'_>) -> Option<Remark> {
    let wrong = packeted.packet.attributes().find(|attribute| {
        a::data_type(attribute.kind) == DataType::Text
            && !a::is_tagged(attribute.kind)
            && attribute.text().is_none()
    })?;
    Some(Remark::new(format!(
        "{} {}",
        read::name(wrong.kind),
        read::quoted(wrong.value)
    )))
}
