//! Attribute values as the texts that a class table tests.

use std::borrow::Cow;

use crate::wire::Attribute;
use crate::wire::registry::{DataType, attributes as a};

/// A standard attribute's value: text as it stands, numbers in decimal, addresses in their usual
/// spelling, other octets as [`opaque`]. The tag of a tunnel attribute is left out.
pub(super) fn standard<'a>(attribute: &Attribute<'a>) -> Cow<'a, str> {
    let kind = attribute.kind;
    let value = if a::is_tagged(kind) {
        untagged(attribute)
    } else {
        attribute.value
    };
    let bare = Attribute { kind, value };
    let text = match a::data_type(kind) {
        DataType::Integer | DataType::Enum | DataType::Time => number(value),
        DataType::Text => bare.text().map(Cow::Borrowed),
        DataType::Ipv4Addr => bare.ipv4().map(|address| address.to_string().into()),
        DataType::Ipv6Addr => bare.ipv6().map(|address| address.to_string().into()),
        _ => None,
    };
    text.unwrap_or_else(|| opaque(value))
}

/// A vendor attribute's value: its type is not known, so text where it is printable, a number
/// where it has four octets, else hex.
pub(super) fn vendor(value: &[u8]) -> Cow<'_, str> {
    match printable(value) {
        Some(text) => Cow::Borrowed(text),
        None if value.len() == 4 => number(value).unwrap_or_else(|| hex(value)),
        None => hex(value),
    }
}

fn untagged<'a>(attribute: &Attribute<'a>) -> &'a [u8] {
    match a::data_type(attribute.kind) {
        DataType::Integer | DataType::Enum => attribute.value.get(1..).unwrap_or_default(),
        _ => attribute.tagged_text().1,
    }
}

/// Up to four octets, most significant first.
fn number<'a>(value: &[u8]) -> Option<Cow<'a, str>> {
    let fits = (1..=4).contains(&value.len());
    let number = || {
        value
            .iter()
            .fold(0u32, |sum, octet| (sum << 8) | u32::from(*octet))
    };
    fits.then(|| number().to_string().into())
}

/// Octets of no known type: text where it is printable, else hex after `0x`.
fn opaque(value: &[u8]) -> Cow<'_, str> {
    printable(value).map_or_else(|| hex(value), Cow::Borrowed)
}

fn printable(value: &[u8]) -> Option<&str> {
    let text = std::str::from_utf8(value).ok()?;
    (!text.is_empty() && !text.chars().any(char::is_control)).then_some(text)
}

fn hex<'a>(value: &[u8]) -> Cow<'a, str> {
    use std::fmt::Write as _;
    let mut text = String::from("0x");
    for octet in value {
        // Writing to a String cannot fail.
        let _ = write!(text, "{octet:02x}");
    }
    text.into()
}
