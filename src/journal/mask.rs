//! Hiding what a recorded packet must not give away.
//!
//! A packet carries passwords and keys only in a form that the shared secret covers, but whoever
//! knows or guesses the secret reads them. Lengths stay, so that the packet still parses.

use crate::wire::registry::attributes as a;
use crate::wire::{Attribute, MIN_PACKET};

/// What to hide.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mask {
    /// What a person typed: User-Password, CHAP-Password (RFC 2865 sections 5.2 and 5.3) and the
    /// responses of RFC 2548 section 2. They stand in requests only, so that the authenticators
    /// of replies stay valid.
    Passwords,
    /// Passwords, and the keys in replies: Tunnel-Password (RFC 2868 section 3.5) and the MPPE
    /// keys (RFC 2548 section 2.4).
    PasswordsAndKeys,
}

/// CHAP-like responses and password changes of enterprise 311 (RFC 2548 sections 2.1.3, 2.1.4,
/// 2.1.6, 2.1.7, 2.3.2, 2.3.3).
const VENDOR_PASSWORDS: [u8; 6] = [1, 3, 4, 6, 25, 27];
/// Keys of enterprise 311 (RFC 2548 sections 2.4.1 to 2.4.3).
const VENDOR_KEYS: [u8; 3] = [12, 16, 17];
const VENDOR: u32 = 311;

/// A copy of a RADIUS packet with the values of the hidden attributes set to zero, and whether
/// something was. Where the framing breaks, everything behind the break goes too: nobody can tell
/// what it was meant to be.
#[must_use]
pub fn masked(octets: &[u8], mask: Mask) -> (Vec<u8>, bool) {
    let mut copy = octets.to_vec();
    let mut hidden = false;
    let said = match octets {
        [_, _, high, low, ..] => usize::from(u16::from_be_bytes([*high, *low])),
        _ => return (copy, false),
    };
    let end = said.clamp(MIN_PACKET.min(octets.len()), octets.len());
    let mut at = MIN_PACKET;
    while let Some(&[kind, length]) = octets.get(at..end).and_then(|rest| rest.first_chunk()) {
        let value = at + 2;
        let next = at + usize::from(length);
        let Some(found) = octets.get(value..next).filter(|_| next <= end) else {
            zero(copy.get_mut(value..));
            return (copy, true);
        };
        hidden |= match kind {
            a::USER_PASSWORD | a::CHAP_PASSWORD => zero(copy.get_mut(value..next)),
            a::TUNNEL_PASSWORD if mask == Mask::PasswordsAndKeys => zero(copy.get_mut(value..next)),
            a::VENDOR_SPECIFIC if hides_vendor(kind, found, mask) => {
                // The vendor's number stays, what it says goes.
                zero_vendor_values(copy.get_mut(value + 4..next))
            }
            _ => false,
        };
        at = next;
    }
    hidden |= zero(copy.get_mut(at.min(end)..));
    (copy, hidden)
}

/// Sets octets to zero; true when there were any.
fn zero(octets: Option<&mut [u8]>) -> bool {
    let octets = octets.unwrap_or_default();
    octets.fill(0);
    !octets.is_empty()
}

fn hides_vendor(kind: u8, value: &[u8], mask: Mask) -> bool {
    Attribute { kind, value }
        .vendor_attributes()
        .iter()
        .any(|part| {
            part.vendor == VENDOR
                && (VENDOR_PASSWORDS.contains(&part.kind)
                    || (mask == Mask::PasswordsAndKeys && VENDOR_KEYS.contains(&part.kind)))
        })
}

/// Zeroes every sub-attribute's value and keeps its type and length.
fn zero_vendor_values(parts: Option<&mut [u8]>) -> bool {
    let mut rest = parts.unwrap_or_default();
    while let Some((&mut [_, length], _)) = rest.split_first_chunk_mut::<2>() {
        let Some((part, tail)) = rest.split_at_mut_checked(usize::from(length)) else {
            break;
        };
        zero(part.get_mut(2..));
        rest = tail;
    }
    true
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::{AttributeBuf, Builder, Code, Packet, Secret};

    fn packet(attributes: &[AttributeBuf]) -> Vec<u8> {
        let mut builder = Builder::new(Code::ACCESS_REQUEST, 1);
        for attribute in attributes {
            builder.attribute(attribute).unwrap();
        }
        builder.finish_request(&[9; 16], &Secret::new("lantern"))
    }

    #[test]
    fn passwords_go_and_the_rest_stays() {
        let octets = packet(&[
            AttributeBuf::text(a::USER_NAME, "ada"),
            AttributeBuf::new(a::USER_PASSWORD, [0xaa; 16]),
            AttributeBuf::new(a::CHAP_PASSWORD, [0xbb; 17]),
            AttributeBuf::vendor(311, 25, &[0xcc; 50]),
            AttributeBuf::vendor(311, 16, &[0xdd; 34]),
            AttributeBuf::new(a::TUNNEL_PASSWORD, [0xee; 19]),
            AttributeBuf::text(a::NAS_PORT_ID, "1/0/7"),
        ]);
        let (copy, hidden) = masked(&octets, Mask::Passwords);
        assert!(hidden);
        assert_eq!(copy.len(), octets.len());
        let parsed = Packet::parse(&copy).unwrap();
        assert_eq!(parsed.text(a::USER_NAME), Some("ada"));
        assert_eq!(parsed.text(a::NAS_PORT_ID), Some("1/0/7"));
        assert_eq!(parsed.first(a::USER_PASSWORD).unwrap().value, [0; 16]);
        assert_eq!(parsed.first(a::CHAP_PASSWORD).unwrap().value, [0; 17]);
        let vendor: Vec<_> = parsed.vendor(311).collect();
        assert_eq!((vendor[0].kind, vendor[0].value), (25, &[0u8; 50][..]));
        assert_eq!((vendor[1].kind, vendor[1].value), (16, &[0xddu8; 34][..]));
        assert_eq!(parsed.first(a::TUNNEL_PASSWORD).unwrap().value, [0xee; 19]);

        let (copy, _) = masked(&octets, Mask::PasswordsAndKeys);
        for secret in [0xaa, 0xbb, 0xcc, 0xdd, 0xee] {
            assert!(!copy.windows(4).any(|w| w == [secret; 4]), "{secret:x}");
        }
        assert_eq!(Packet::parse(&copy).unwrap().vendor(311).count(), 2);
    }

    #[test]
    fn nothing_to_hide_changes_nothing() {
        let octets = packet(&[AttributeBuf::text(a::USER_NAME, "ada")]);
        let copy = masked(&octets, Mask::PasswordsAndKeys);
        assert_eq!(copy, (octets, false));
        for short in [&b""[..], b"\x01", b"\x01\x02\x00\x14 not twenty"] {
            assert_eq!(masked(short, Mask::Passwords), (short.to_vec(), false));
        }
    }

    #[test]
    fn behind_a_break_nothing_is_left() {
        let whole = packet(&[
            AttributeBuf::text(a::USER_NAME, "ada"),
            AttributeBuf::new(a::USER_PASSWORD, [0xaa; 16]),
        ]);
        let leaks = |octets: &[u8]| octets.windows(4).any(|w| w == [0xaa; 4]);
        assert!(leaks(&whole));
        for at in 0..whole.len() {
            for value in [0, 1, 3, 0xff] {
                let mut broken = whole.clone();
                broken[at] = value;
                // A password under another type number is somebody else's attribute, and one
                // that was moved is found where its header says it is.
                let moved = (20..=25).contains(&at) || at == 25;
                let (copy, _) = masked(&broken, Mask::Passwords);
                assert_eq!(copy.len(), broken.len());
                assert!(moved || !leaks(&copy), "octet {at} set to {value}");
            }
        }
        let (copy, hidden) = masked(&whole[..whole.len() - 3], Mask::Passwords);
        assert!(hidden && !leaks(&copy));
        let (copy, hidden) = masked(&[&whole[..], &[0xaa; 9]].concat(), Mask::Passwords);
        assert!(hidden && !leaks(&copy));
    }
}
