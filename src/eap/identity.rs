//! Names that supplicants send.

/// Most octets kept of a name: what fits a User-Name attribute (RFC 2865 section 5).
const MOST: usize = 253;

/// A name from the wire as text that is safe in one line of a log: what is not UTF-8, and control
/// characters, become U+FFFD, and what is longer than a User-Name can carry is cut.
#[must_use]
pub fn readable(octets: &[u8]) -> String {
    let octets = octets.get(..MOST).unwrap_or(octets);
    String::from_utf8_lossy(octets)
        .chars()
        .map(|c| {
            if c.is_control() {
                char::REPLACEMENT_CHARACTER
            } else {
                c
            }
        })
        .collect()
}

/// How the identity shown outside a tunnel compares with the one proven inside.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum OuterIdentity {
    /// The same name.
    Same,
    /// A name that hides who it is, in the same realm or in none (RFC 7542 section 2.4).
    Anonymous,
    /// It hides who it is but names another realm.
    OtherRealm,
    /// It names somebody else.
    OtherName,
}

/// Compares the outer with the inner identity, without regard to letter case.
///
/// The realm is what follows the last `@`. "anonymous" as a name is common practice, no source; an
/// empty name is RFC 7542 section 2.4.
#[must_use]
pub fn compare(outer: &str, inner: &str) -> OuterIdentity {
    let (outer, inner) = (outer.to_lowercase(), inner.to_lowercase());
    if outer == inner {
        return OuterIdentity::Same;
    }
    let (outer_name, outer_realm) = split_realm(&outer);
    let (_, inner_realm) = split_realm(&inner);
    if !matches!(outer_name, "" | "anonymous") {
        return OuterIdentity::OtherName;
    }
    if outer_realm.is_some() && outer_realm != inner_realm {
        return OuterIdentity::OtherRealm;
    }
    OuterIdentity::Anonymous
}

fn split_realm(identity: &str) -> (&str, Option<&str>) {
    match identity.rsplit_once('@') {
        Some((name, realm)) => (name, Some(realm)),
        None => (identity, None),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_cannot_break_a_log_line() {
        assert_eq!(readable(b"mo\nACCEPT"), "mo\u{fffd}ACCEPT");
        assert_eq!(readable(&[b'm', 0xff, 0]), "m\u{fffd}\u{fffd}");
        assert_eq!(readable(&[b'a'; 4000]).len(), 253);
        assert_eq!(readable("Grüße".as_bytes()), "Grüße");
    }

    #[test]
    fn outer_against_inner() {
        use OuterIdentity::{Anonymous, OtherName, OtherRealm, Same};
        for (outer, inner, expected) in [
            ("mo@quay.example", "MO@quay.example", Same),
            ("@quay.example", "mo@quay.example", Anonymous),
            ("anonymous", "mo@quay.example", Anonymous),
            ("", "mo", Anonymous),
            ("anonymous@elsewhere.example", "mo@quay.example", OtherRealm),
            ("anonymous@quay.example", "mo", OtherRealm),
            ("ann@quay.example", "mo@quay.example", OtherName),
        ] {
            assert_eq!(compare(outer, inner), expected, "{outer} {inner}");
        }
    }
}
