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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::build::Builder;
    use crate::wire::code::Code;
    use crate::wire::secret::Secret;

    fn read(attributes: &[AttributeBuf]) -> Result<Vec<String>, FilterError> {
        let mut builder = Builder::new(Code::ACCESS_ACCEPT, 1);
        for attribute in attributes {
            builder.attribute(attribute).unwrap();
            // Other attributes in between do not matter: all instances are joined.
            builder.text(attributes::FILTER_ID, "quay").unwrap();
        }
        let bytes = builder.finish_request(&[0; 16], &Secret::new("lantern quay bench"));
        rules(&Packet::parse(&bytes).unwrap())
    }

    fn raw(values: &[&[u8]]) -> Vec<AttributeBuf> {
        values
            .iter()
            .map(|value| AttributeBuf::new(attributes::NAS_FILTER_RULE, *value))
            .collect()
    }

    /// RFC 4849 section 2: joined by null octets, cut at 253 octets, rules cross the cuts.
    #[test]
    fn rules_cross_attributes() {
        let long: Vec<String> = (0..9)
            .map(|at| format!("permit in udp from any to 192.0.2.{at}/32 67"))
            .collect();
        let split = split_rules(&long);
        let lengths: Vec<usize> = split.iter().map(|part| part.value.len()).collect();
        let total: usize = long.iter().map(String::len).sum::<usize>() + 8;
        assert_eq!(lengths, [253, total - 253]);
        assert_eq!(read(&split), Ok(long));
    }

    /// RFC 4849 section 2: a receiver cannot assume that a rule starts with an attribute.
    #[test]
    fn any_cut_is_read() {
        let expected = Ok(vec!["permit in ip".to_owned(), "deny in ip".to_owned()]);
        for parts in [
            &[&b"permit in ip\0deny in ip"[..]][..],
            &[b"permit in ip\0", b"deny in ip"],
            &[b"permit in ip", b"\0deny in ip"],
            &[b"perm", b"it in ip\0deny", b" in ip"],
        ] {
            assert_eq!(read(&raw(parts)), expected, "{parts:?}");
        }
        // With no null between them two attributes are one rule.
        let joined = read(&raw(&[b"permit in ip", b"deny in ip"]));
        assert_eq!(joined, Ok(vec!["permit in ipdeny in ip".to_owned()]));
    }

    #[test]
    fn broken_rules_are_refused() {
        assert_eq!(read(&[]), Ok(Vec::new()));
        assert_eq!(read(&raw(&[b"a\0\0b"])), Err(FilterError::Empty(2)));
        assert_eq!(read(&raw(&[b"a\0"])), Err(FilterError::Empty(2)));
        assert_eq!(read(&raw(&[b"\0a"])), Err(FilterError::Empty(1)));
        assert_eq!(read(&raw(&[b"a\0\xff"])), Err(FilterError::NotText(2)));
    }
}
