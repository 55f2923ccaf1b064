//! Octets that a device sent, as text that is safe to show and to match.

use std::fmt::Write as _;

/// Text of an option: printable ASCII as it stands, a backslash doubled, any other octet as
/// `\xNN`. Trailing NULs go, as RFC 2132 section 2 asks of a receiver.
pub(super) fn text(octets: &[u8]) -> String {
    let end = octets
        .iter()
        .rposition(|octet| *octet != 0)
        .map_or(0, |last| last + 1);
    let mut text = String::with_capacity(end);
    for octet in octets.iter().take(end) {
        match octet {
            b'\\' => text.push_str("\\\\"),
            0x20..=0x7e => text.push(char::from(*octet)),
            // Writing to a String cannot fail.
            _ => drop(write!(text, "\\x{octet:02x}")),
        }
    }
    text
}

/// An opaque identifier (RFC 3046 section 3.1): as it stands when it is all printable ASCII,
/// otherwise lower-case hex after `0x`.
pub(super) fn opaque(octets: &[u8]) -> String {
    if octets.iter().all(|octet| (0x20..=0x7e).contains(octet)) {
        octets.iter().copied().map(char::from).collect()
    } else {
        format!("0x{}", hex(octets))
    }
}

/// Lower-case hex.
pub(super) fn hex(octets: &[u8]) -> String {
    octets.iter().fold(String::new(), |mut text, octet| {
        // Writing to a String cannot fail.
        let _ = write!(text, "{octet:02x}");
        text
    })
}

/// Octet numbers with commas: "1,3,6,15".
pub(super) fn numbers(octets: &[u8]) -> String {
    let numbers: Vec<String> = octets.iter().map(u8::to_string).collect();
    numbers.join(",")
}

/// User classes: each has a length octet in front (RFC 3004 section 4), shown with commas between;
/// many devices leave the length out and send bare text (common practice, no source).
pub(super) fn user_class(octets: &[u8]) -> String {
    match counted(octets) {
        Some(classes) => {
            let classes: Vec<String> = classes.into_iter().map(text).collect();
            classes.join(",")
        }
        None => text(octets),
    }
}

fn counted(octets: &[u8]) -> Option<Vec<&[u8]>> {
    let mut classes = Vec::new();
    let mut rest = octets;
    while let Some((length, tail)) = rest.split_first() {
        if *length == 0 {
            return None;
        }
        let (class, tail) = tail.split_at_checked(usize::from(*length))?;
        classes.push(class);
        rest = tail;
    }
    Some(classes)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_is_safe_to_show() {
        assert_eq!(text(b"till-07"), "till-07");
        assert_eq!(text(b"a\\b"), "a\\\\b");
        assert_eq!(text(b"\x1b[2J\n\xff"), "\\x1b[2J\\x0a\\xff");
        assert_eq!(text("caf\u{e9}".as_bytes()), "caf\\xc3\\xa9");
    }

    /// RFC 2132 section 2: trailing NULs are deleted; those inside are not.
    #[test]
    fn trailing_nul_goes() {
        assert_eq!(text(b"kiosk\0\0"), "kiosk");
        assert_eq!(text(b"a\0b\0"), "a\\x00b");
        assert_eq!(text(b"\0"), "");
    }

    #[test]
    fn opaque_is_text_or_hex() {
        assert_eq!(opaque(b"quay/1/7"), "quay/1/7");
        assert_eq!(opaque(&[0, 4, 0, 20, 1, 7]), "0x000400140107");
    }

    #[test]
    fn user_class_with_and_without_lengths() {
        assert_eq!(user_class(b"\x05ferry\x04quay"), "ferry,quay");
        assert_eq!(user_class(b"ferry"), "ferry");
        assert_eq!(user_class(b"\x00ferry"), "\\x00ferry");
    }
}
