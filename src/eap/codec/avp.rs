//! The attribute-value pairs inside an EAP-TTLS tunnel (RFC 5281 section 10.1).

use super::read::Reader;

/// User-Name (RFC 2865 section 5.1).
pub const USER_NAME: u32 = 1;
/// User-Password (RFC 2865 section 5.2; in the tunnel it is not hidden: RFC 5281 section 11.2.5).
pub const USER_PASSWORD: u32 = 2;
/// CHAP-Password (RFC 2865 section 5.3).
pub const CHAP_PASSWORD: u32 = 3;
/// CHAP-Challenge (RFC 2865 section 5.40).
pub const CHAP_CHALLENGE: u32 = 60;
/// EAP-Message (RFC 3579 section 3.1).
pub const EAP_MESSAGE: u32 = 79;
/// MS-CHAP-Response, of the first MS-CHAP, under vendor 311 (RFC 2548 section 2.1.3).
pub const MS_CHAP_RESPONSE: u32 = 1;
/// MS-CHAP-Challenge under vendor 311 (RFC 2548 section 2.1.2).
pub const MS_CHAP_CHALLENGE: u32 = 11;
/// MS-CHAP2-Response under vendor 311 (RFC 2548 section 2.3.2).
pub const MS_CHAP2_RESPONSE: u32 = 25;
/// MS-CHAP2-Success under vendor 311 (RFC 2548 section 2.3.3).
pub const MS_CHAP2_SUCCESS: u32 = 26;

const VENDOR: u8 = 0x80;
const MANDATORY: u8 = 0x40;

/// One attribute-value pair.
#[derive(Clone, Copy, PartialEq, Eq)]
pub struct Avp<'a> {
    /// Attribute number, within the vendor if one is named.
    pub code: u32,
    /// IANA enterprise number; 0 stands for none.
    pub vendor: u32,
    /// The receiver must understand it or fail (RFC 5281 section 10.1).
    pub mandatory: bool,
    /// The value, without padding.
    pub data: &'a [u8],
}

impl<'a> Avp<'a> {
    /// A mandatory pair without vendor.
    #[must_use]
    pub fn new(code: u32, data: &'a [u8]) -> Avp<'a> {
        Avp::of_vendor(0, code, data)
    }

    /// A mandatory pair of a vendor.
    #[must_use]
    pub fn of_vendor(vendor: u32, code: u32, data: &'a [u8]) -> Avp<'a> {
        Avp {
            code,
            vendor,
            mandatory: true,
            data,
        }
    }

    fn header(&self) -> usize {
        if self.vendor == 0 { 8 } else { 12 }
    }

    /// Appends the pair, padded to four octets. A value beyond 16 MiB does not fit the length
    /// field and would be cut; what is sent here is a few hundred octets.
    pub fn write(&self, out: &mut Vec<u8>) {
        const MOST: usize = 0x00ff_ffff;
        let data = self
            .data
            .get(..self.data.len().min(MOST - self.header()))
            .unwrap_or_default();
        let length = u32::try_from(self.header() + data.len()).unwrap_or_default();
        let [_, length @ ..] = length.to_be_bytes();
        let mut flags = if self.mandatory { MANDATORY } else { 0 };
        if self.vendor != 0 {
            flags |= VENDOR;
        }
        out.extend_from_slice(&self.code.to_be_bytes());
        out.push(flags);
        out.extend_from_slice(&length);
        if self.vendor != 0 {
            out.extend_from_slice(&self.vendor.to_be_bytes());
        }
        out.extend_from_slice(data);
        out.resize(out.len().next_multiple_of(4), 0);
    }
}

/// Reads all pairs. `None` when one runs past the end. The padding of the last one may be missing.
#[must_use]
pub fn parse(bytes: &[u8]) -> Option<Vec<Avp<'_>>> {
    let mut reader = Reader::new(bytes);
    let mut pairs = Vec::new();
    while !reader.is_empty() {
        let (code, flags) = (reader.u32()?, reader.u8()?);
        let length = usize::try_from(reader.u24()?).ok()?;
        let vendor = if flags & VENDOR == 0 {
            0
        } else {
            reader.u32()?
        };
        let mut pair = Avp {
            code,
            vendor,
            mandatory: flags & MANDATORY != 0,
            data: &[],
        };
        pair.data = reader.take(length.checked_sub(pair.header())?)?;
        let padding = length.next_multiple_of(4) - length;
        if reader.take(padding).is_none() {
            reader = Reader::new(&[]);
        }
        pairs.push(pair);
    }
    Some(pairs)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// RFC 5281 section 10.1: code, flags with V and M on top, 24-bit length that counts the
    /// header and not the padding, then the vendor.
    #[test]
    fn layout() {
        let mut bytes = Vec::new();
        Avp::new(USER_NAME, b"mo").write(&mut bytes);
        assert_eq!(bytes, [0, 0, 0, 1, 0x40, 0, 0, 10, b'm', b'o', 0, 0]);
        let mut bytes = Vec::new();
        Avp::of_vendor(311, MS_CHAP2_SUCCESS, b"abcd").write(&mut bytes);
        assert_eq!(
            bytes,
            [
                0, 0, 0, 26, 0xc0, 0, 0, 16, 0, 0, 1, 0x37, b'a', b'b', b'c', b'd'
            ]
        );
    }

    #[test]
    fn lengths_that_lie_are_refused() {
        assert!(parse(&[0, 0, 0, 1, 0x40, 0, 0, 7, 0]).is_none());
        assert!(parse(&[0, 0, 0, 1, 0x40, 0, 0, 12, b'm', b'o']).is_none());
        assert!(parse(&[0, 0, 0, 1, 0xc0, 0, 0, 10, 0, 0, 1, 0x37]).is_none());
        let unpadded = [0, 0, 0, 1, 0x40, 0, 0, 10, b'm', b'o'];
        assert_eq!(parse(&unpadded).unwrap()[0].data, b"mo");
    }

    proptest! {
        #[test]
        fn pairs_round_trip(
            values in proptest::collection::vec(
                (any::<u32>(), any::<u32>(), any::<bool>(),
                 proptest::collection::vec(any::<u8>(), 0..20)), 0..5)
        ) {
            let pairs: Vec<Avp<'_>> = values.iter()
                .map(|(code, vendor, mandatory, data)| Avp {
                    code: *code, vendor: *vendor, mandatory: *mandatory, data })
                .collect();
            let mut bytes = Vec::new();
            pairs.iter().for_each(|pair| pair.write(&mut bytes));
            prop_assert!(parse(&bytes) == Some(pairs));
        }

        #[test]
        fn any_octets_are_survived(bytes in proptest::collection::vec(any::<u8>(), 0..64)) {
            let _ = parse(&bytes);
        }
    }
}
