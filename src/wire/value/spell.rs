//! How the simple data types are spelt, both ways.

use std::fmt::Write as _;
use std::net::{Ipv4Addr, Ipv6Addr};

use ipnet::{Ipv4Net, Ipv6Net};

/// Text made safe for one line of a terminal, a log or a page: control characters, direction marks
/// and the like become escapes.
#[must_use]
pub fn escape(text: &str) -> String {
    text.chars().fold(String::new(), |mut escaped, c| {
        match c {
            '\'' | '"' => escaped.push(c),
            _ => escaped.extend(c.escape_debug()),
        }
        escaped
    })
}

/// `0x` and two digits an octet.
pub(super) fn hex(value: &[u8]) -> String {
    let mut text = String::with_capacity(2 + 2 * value.len());
    text.push_str("0x");
    for octet in value {
        // Writing to a String does not fail.
        let _ = write!(text, "{octet:02x}");
    }
    text
}

/// The octets that pairs of hex digits stand for, in either case; `None` for anything else.
#[must_use]
pub fn parse_hex(digits: &str) -> Option<Vec<u8>> {
    if !digits.len().is_multiple_of(2) {
        return None;
    }
    (0..digits.len())
        .step_by(2)
        .map(|at| u8::try_from(from_digits(digits.get(at..at + 2)?, 16)?).ok())
        .collect()
}

/// Digits only: the standard library would take a sign too.
pub(super) fn from_digits(digits: &str, radix: u32) -> Option<u64> {
    if !digits.chars().all(|c| c.is_digit(radix)) {
        return None;
    }
    u64::from_str_radix(digits, radix).ok()
}

/// Four groups of hex digits, as in an IPv6 address (RFC 8044 section 3.7).
pub(super) fn interface_id(octets: [u8; 8]) -> String {
    let words: Vec<String> = octets
        .chunks_exact(2)
        .map(|pair| pair.iter().map(|octet| format!("{octet:02x}")).collect())
        .collect();
    words.join(":")
}

/// RFC 8044 section 3.10: reserved octet, length in bits, as many octets of prefix as it takes.
pub(super) fn ipv6_prefix(value: &[u8]) -> Option<String> {
    let [_, bits, prefix @ ..] = value else {
        return None;
    };
    if *bits > 128 || prefix.len() > 16 || prefix.len() * 8 < usize::from(*bits) {
        return None;
    }
    let mut octets = [0u8; 16];
    octets.get_mut(..prefix.len())?.copy_from_slice(prefix);
    Some(format!("{}/{bits}", Ipv6Addr::from(octets)))
}

/// RFC 8044 section 3.11: reserved octet, length in bits, address.
pub(super) fn ipv4_prefix(value: &[u8]) -> Option<String> {
    let [_, bits, address @ ..] = value else {
        return None;
    };
    let octets: [u8; 4] = address.try_into().ok()?;
    let bits = bits & 0x3f;
    if bits > 32 {
        return None;
    }
    Some(format!("{}/{bits}", Ipv4Addr::from(octets)))
}

/// RFC 8044 section 3.7: four groups of up to four hex digits.
pub(super) fn parse_interface_id(text: &str) -> Option<Vec<u8>> {
    let groups: Vec<u16> = text
        .split(':')
        .map(|group| u16::try_from(from_digits(group, 16)?).ok())
        .collect::<Option<_>>()?;
    (groups.len() == 4).then(|| {
        groups
            .iter()
            .flat_map(|group| group.to_be_bytes())
            .collect()
    })
}

/// RFC 8044 section 3.10: reserved octet, length in bits, and no more octets than it takes.
pub(super) fn parse_ipv6_prefix(text: &str) -> Option<Vec<u8>> {
    let net: Ipv6Net = text.parse().ok()?;
    let bits = net.prefix_len();
    let octets = net.trunc().addr().octets();
    let used = octets.get(..usize::from(bits).div_ceil(8))?;
    Some([&[0, bits], used].concat())
}

/// RFC 8044 section 3.11: reserved octet, length in bits, address.
pub(super) fn parse_ipv4_prefix(text: &str) -> Option<Vec<u8>> {
    let net: Ipv4Net = text.parse().ok()?;
    Some(
        [
            &[0, net.prefix_len()],
            net.trunc().addr().octets().as_slice(),
        ]
        .concat(),
    )
}
