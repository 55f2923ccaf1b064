//! NAS-Filter-Rule (RFC 4849): rules that cross attribute borders.

use super::attribute::{AttributeBuf, MAX_VALUE};
use super::packet::Packet;
use super::registry::attributes;

/// What is wrong with the filter rules of a packet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum FilterError {
    /// A rule is not UTF-8; rules are ASCII.
    #[error("filter rule {0} is not text (RFC 4849 section 2)")]
    NotText(usize),
    /// Two separators in a row, or one at either end.
    #[error("filter rule {0} is empty (RFC 4849 section 2)")]
    Empty(usize),
}

/// The attributes that carry these rules: joined by null octets, cut every 253 octets
/// (RFC 4849 section 2). Rules must not be empty nor hold a null character: a reader would see
/// other rules.
#[must_use]
pub fn split_rules(rules: &[String]) -> Vec<AttributeBuf> {
    rules
        .join("\0")
        .as_bytes()
        .chunks(MAX_VALUE)
        .map(|part| AttributeBuf::new(attributes::NAS_FILTER_RULE, part))
        .collect()
}

/// The rules of a packet, in order; empty when it has none.
///
/// # Errors
/// A rule that is not text or is empty; rules are counted from 1.
pub fn rules(packet: &Packet<'_>) -> Result<Vec<String>, FilterError> {
    let Some(joined) = packet.joined(attributes::NAS_FILTER_RULE) else {
        return Ok(Vec::new());
    };
    joined
        .split(|octet| *octet == 0)
        .enumerate()
        .map(|(at, rule)| {
            if rule.is_empty() {
                return Err(FilterError::Empty(at + 1));
            }
            std::str::from_utf8(rule)
                .map(str::to_owned)
                .map_err(|_| FilterError::NotText(at + 1))
        })
        .collect()
}
