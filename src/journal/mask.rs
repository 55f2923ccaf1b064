//! Hiding what a recorded packet must not give away.
//!
//! A packet carries passwords and keys only in a form that the shared secret covers, but whoever
//! knows or guesses the secret reads them. Lengths stay, so that the packet still parses.

use crate::wire::registry::attributes as a;
use crate::wire::{MIN_PACKET, Packet};

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
/// there were any. Octets that are not a RADIUS packet come back as they are.
#[must_use]
pub fn masked(octets: &[u8], mask: Mask) -> (Vec<u8>, bool) {
    let mut copy = octets.to_vec();
    let mut hidden = false;
    let Ok(packet) = Packet::parse(octets) else {
        return (copy, false);
    };
    let mut at = MIN_PACKET;
    for attribute in packet.attributes() {
        let value = at + 2;
        at = value + attribute.value.len();
        let from = match attribute.kind {
            a::USER_PASSWORD | a::CHAP_PASSWORD => Some(value),
            a::TUNNEL_PASSWORD if mask == Mask::PasswordsAndKeys => Some(value),
            // The vendor's number stays, what it says goes.
            a::VENDOR_SPECIFIC if hides_vendor(&attribute.vendor_attributes(), mask) => {
                Some(value + 4)
            }
            _ => None,
        };
        if let Some(from) = from {
            hidden = true;
            if attribute.kind == a::VENDOR_SPECIFIC {
                zero_vendor_values(copy.get_mut(from..at));
            } else if let Some(value) = copy.get_mut(from..at) {
                value.fill(0);
            }
        }
    }
    (copy, hidden)
}

fn hides_vendor(parts: &[crate::wire::VendorAttribute<'_>], mask: Mask) -> bool {
    parts.iter().any(|part| {
        part.vendor == VENDOR
            && (VENDOR_PASSWORDS.contains(&part.kind)
                || (mask == Mask::PasswordsAndKeys && VENDOR_KEYS.contains(&part.kind)))
    })
}

/// Zeroes every sub-attribute's value and keeps its type and length.
fn zero_vendor_values(parts: Option<&mut [u8]>) {
    let mut rest = parts.unwrap_or_default();
    while let Some((&mut [_, length], _)) = rest.split_first_chunk_mut::<2>() {
        let length = usize::from(length);
        let Some((part, tail)) = rest.split_at_mut_checked(length) else {
            return;
        };
        let Some(value) = part.get_mut(2..) else {
            return;
        };
        value.fill(0);
        rest = tail;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::{AttributeBuf, Builder, Code, Secret};

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
        assert_eq!(masked(&octets, Mask::PasswordsAndKeys), (octets, false));
        assert_eq!(
            masked(b"no packet", Mask::Passwords),
            (b"no packet".to_vec(), false)
        );
    }
}
