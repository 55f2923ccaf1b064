//! The flags octet and length that carry TLS in EAP-TLS, EAP-TTLS and PEAP (RFC 5216 section 3.1,
//! RFC 5281 section 9.1).

use super::read::Reader;

const LENGTH_INCLUDED: u8 = 0x80;
const MORE: u8 = 0x40;
const START: u8 = 0x20;
/// EAP-TTLS and PEAP keep their version here; EAP-TLS sets it to zero.
const VERSION: u8 = 0x07;

/// Octets of flags and length in front of the first fragment.
pub const FIRST_OVERHEAD: usize = 5;

/// One EAP-TLS, EAP-TTLS or PEAP message after its Type field.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Fragment<'a> {
    /// Octets of the whole TLS message, when the sender says it.
    pub total: Option<u32>,
    /// More fragments follow.
    pub more: bool,
    /// The server's first message.
    pub start: bool,
    /// Version of the method, 0 to 7.
    pub version: u8,
    /// TLS records, or a piece of them.
    pub data: &'a [u8],
}

impl<'a> Fragment<'a> {
    /// Reads a message. One without a flags octet is taken as an acknowledgement: RFC 5216
    /// section 2.1.5 calls that a packet "with no data". `None` when the length field is cut off.
    #[must_use]
    pub fn parse(bytes: &'a [u8]) -> Option<Fragment<'a>> {
        let mut reader = Reader::new(bytes);
        let flags = reader.u8().unwrap_or_default();
        let total = match flags & LENGTH_INCLUDED {
            0 => None,
            _ => Some(reader.u32()?),
        };
        Some(Fragment {
            total,
            more: flags & MORE != 0,
            start: flags & START != 0,
            version: flags & VERSION,
            data: reader.rest(),
        })
    }

    /// Writes the message.
    #[must_use]
    pub fn encode(&self) -> Vec<u8> {
        let mut flags = self.version & VERSION;
        for (set, flag) in [
            (self.total.is_some(), LENGTH_INCLUDED),
            (self.more, MORE),
            (self.start, START),
        ] {
            if set {
                flags |= flag;
            }
        }
        let mut bytes = Vec::with_capacity(FIRST_OVERHEAD + self.data.len());
        bytes.push(flags);
        bytes.extend(self.total.iter().flat_map(|total| total.to_be_bytes()));
        bytes.extend_from_slice(self.data);
        bytes
    }

    /// An acknowledgement: neither data nor flags.
    #[must_use]
    pub fn is_acknowledgement(&self) -> bool {
        self.data.is_empty() && !self.more && !self.start
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// RFC 5216 section 3.1: L, M and S are the three top bits, Length is four octets after them.
    #[test]
    fn flags_and_length() {
        let first = Fragment {
            total: Some(0x1234),
            more: true,
            data: b"ab",
            ..Fragment::default()
        };
        assert_eq!(first.encode(), [0xc0, 0, 0, 0x12, 0x34, b'a', b'b']);
        assert_eq!(Fragment::parse(&first.encode()), Some(first));
        assert!(Fragment::parse(&[0x20]).unwrap().start);
        assert!(Fragment::parse(&[]).unwrap().is_acknowledgement());
        assert_eq!(Fragment::parse(&[0x80, 0, 0, 1]), None);
    }

    proptest! {
        #[test]
        fn what_parses_encodes_to_the_same_meaning(
            bytes in proptest::collection::vec(any::<u8>(), 0..40)
        ) {
            if let Some(fragment) = Fragment::parse(&bytes) {
                let again = fragment.encode();
                prop_assert_eq!(Fragment::parse(&again), Some(fragment));
            }
        }
    }
}
