//! EAP packets (RFC 3748 section 4).

use std::fmt;

use super::read::Reader;

/// Octets of an EAP header without the Type field.
pub const HEADER: usize = 4;

/// The Code field (RFC 3748 section 4).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Code {
    /// From the server to the peer.
    Request,
    /// From the peer to the server.
    Response,
    /// The login succeeded.
    Success,
    /// The login failed.
    Failure,
}

impl Code {
    fn from_octet(octet: u8) -> Option<Code> {
        Some(match octet {
            1 => Code::Request,
            2 => Code::Response,
            3 => Code::Success,
            4 => Code::Failure,
            _ => return None,
        })
    }

    fn octet(self) -> u8 {
        match self {
            Code::Request => 1,
            Code::Response => 2,
            Code::Success => 3,
            Code::Failure => 4,
        }
    }
}

/// The Type field of a request or response (RFC 3748 section 5 and the IANA registry).
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Type(pub u8);

impl Type {
    /// Identity (RFC 3748 section 5.1).
    pub const IDENTITY: Type = Type(1);
    /// Notification (RFC 3748 section 5.2).
    pub const NOTIFICATION: Type = Type(2);
    /// Legacy Nak, in responses only (RFC 3748 section 5.3.1).
    pub const NAK: Type = Type(3);
    /// MD5-Challenge (RFC 3748 section 5.4).
    pub const MD5: Type = Type(4);
    /// EAP-TLS (RFC 5216 section 3.1).
    pub const TLS: Type = Type(13);
    /// EAP-TTLS (RFC 5281 section 9.1).
    pub const TTLS: Type = Type(21);
    /// PEAP.
    pub const PEAP: Type = Type(25);
    /// EAP-MSCHAPv2 (number from memory, IANA registry).
    pub const MS_CHAP_V2: Type = Type(26);
    /// The TLV exchange inside PEAP (number from memory).
    pub const TLV: Type = Type(33);
    /// Expanded types (RFC 3748 section 5.7).
    pub const EXPANDED: Type = Type(254);
}

impl fmt::Display for Type {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        // Numbers without an RFC in this list are from memory of the IANA registry.
        f.write_str(match self.0 {
            1 => "Identity",
            2 => "Notification",
            3 => "Nak",
            4 => "MD5-Challenge",
            5 => "One-Time Password",
            6 => "Generic Token Card",
            13 => "EAP-TLS",
            18 => "EAP-SIM",
            21 => "EAP-TTLS",
            23 => "EAP-AKA",
            25 => "PEAP",
            26 => "EAP-MSCHAPv2",
            33 => "EAP-TLV",
            43 => "EAP-FAST",
            50 => "EAP-AKA'",
            52 => "EAP-PWD",
            55 => "TEAP",
            254 => "an expanded type",
            other => return write!(f, "type {other}"),
        })
    }
}

impl fmt::Debug for Type {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{self} ({})", self.0)
    }
}

/// Why octets are not an EAP packet. Each is a silent discard (RFC 3748 section 4).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, thiserror::Error)]
#[non_exhaustive]
pub enum Malformed {
    /// Fewer octets than a header.
    #[error("{0} octets, an EAP packet has at least 4 (RFC 3748 section 4)")]
    Short(usize),
    /// A Code other than 1 to 4.
    #[error("EAP code {0} does not exist (RFC 3748 section 4)")]
    Code(u8),
    /// The Length field is below what the Code needs, or above what arrived.
    #[error("EAP length field says {said}, {got} octets arrived (RFC 3748 section 4)")]
    Length {
        /// What the Length field says, in octets.
        said: usize,
        /// How many octets arrived.
        got: usize,
    },
}

/// A parsed EAP packet.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Packet<'a> {
    /// What kind of packet this is.
    pub code: Code,
    /// Matches a response to its request.
    pub identifier: u8,
    /// The Type of a request or response; `None` for Success and Failure.
    pub kind: Option<Type>,
    /// What follows the Type.
    pub data: &'a [u8],
}

impl<'a> Packet<'a> {
    /// Reads one packet. Octets past its Length field are padding of the link and left out
    /// (RFC 3748 section 4).
    ///
    /// # Errors
    /// The first breach of framing.
    pub fn parse(bytes: &'a [u8]) -> Result<Packet<'a>, Malformed> {
        let (&[code, identifier, high, low], _) = bytes
            .split_first_chunk::<HEADER>()
            .ok_or(Malformed::Short(bytes.len()))?;
        let code = Code::from_octet(code).ok_or(Malformed::Code(code))?;
        let said = usize::from(u16::from_be_bytes([high, low]));
        let wrong = Malformed::Length {
            said,
            got: bytes.len(),
        };
        let mut reader = Reader::new(bytes.get(HEADER..said).ok_or(wrong)?);
        let kind = match code {
            Code::Request | Code::Response => Some(Type(reader.u8().ok_or(wrong)?)),
            Code::Success | Code::Failure => None,
        };
        Ok(Packet {
            code,
            identifier,
            kind,
            data: reader.rest(),
        })
    }
}

/// Writes a Request or Response. `data` beyond 65,530 octets does not fit the Length field and is
/// cut there; no method comes near that, because fragments are cut to the size of a link.
#[must_use]
pub fn encode(code: Code, identifier: u8, kind: Type, data: &[u8]) -> Vec<u8> {
    let data = data
        .get(..data.len().min(usize::from(u16::MAX) - HEADER - 1))
        .unwrap_or_default();
    let length = u16::try_from(HEADER + 1 + data.len()).unwrap_or(u16::MAX);
    let mut packet = Vec::with_capacity(usize::from(length));
    packet.extend_from_slice(&[code.octet(), identifier]);
    packet.extend_from_slice(&length.to_be_bytes());
    packet.push(kind.0);
    packet.extend_from_slice(data);
    packet
}

/// Writes an EAP-Success (RFC 3748 section 4.2).
#[must_use]
pub fn success(identifier: u8) -> Vec<u8> {
    vec![Code::Success.octet(), identifier, 0, 4]
}

/// Writes an EAP-Failure (RFC 3748 section 4.2).
#[must_use]
pub fn failure(identifier: u8) -> Vec<u8> {
    vec![Code::Failure.octet(), identifier, 0, 4]
}

/// The types that a legacy Nak asks for (RFC 3748 section 5.3.1): zero means "no other", and is
/// left out.
#[must_use]
pub fn nak_types(data: &[u8]) -> Vec<Type> {
    data.iter()
        .filter(|&&octet| octet != 0)
        .map(|&octet| Type(octet))
        .collect()
}

/// The types that an expanded Nak asks for (RFC 3748 section 5.3.2), from the data after Type 254:
/// `None` when it is some other expanded message. Types of other vendors cannot be served and are
/// left out.
#[must_use]
pub fn expanded_nak_types(data: &[u8]) -> Option<Vec<Type>> {
    const IETF: u32 = 0;
    const NAK: u32 = 3;
    let mut reader = Reader::new(data);
    if (reader.u24()?, reader.u32()?) != (IETF, NAK) {
        return None;
    }
    let mut types = Vec::new();
    while !reader.is_empty() {
        let (expanded, vendor, kind) = (reader.u8()?, reader.u24()?, reader.u32()?);
        if Type(expanded) == Type::EXPANDED && vendor == IETF && kind != 0 {
            types.extend(u8::try_from(kind).ok().map(Type));
        }
    }
    Some(types)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn request_round_trip_and_padding_is_left_out() {
        let mut bytes = encode(Code::Request, 7, Type::IDENTITY, b"who");
        assert_eq!(bytes, [1, 7, 0, 8, 1, b'w', b'h', b'o']);
        bytes.extend_from_slice(&[0xee; 3]);
        let packet = Packet::parse(&bytes).unwrap();
        assert_eq!(packet.code, Code::Request);
        assert_eq!(packet.kind, Some(Type::IDENTITY));
        assert_eq!(packet.data, b"who");
    }

    /// RFC 3748 section 4: a length above what arrived, or too small for the code, is discarded.
    #[test]
    fn broken_framing_is_named() {
        assert_eq!(Packet::parse(&[1, 2, 0]), Err(Malformed::Short(3)));
        assert_eq!(Packet::parse(&[9, 2, 0, 4]), Err(Malformed::Code(9)));
        let long = Malformed::Length { said: 6, got: 5 };
        assert_eq!(Packet::parse(&[2, 2, 0, 6, 1]), Err(long));
        let typeless = Malformed::Length { said: 4, got: 5 };
        assert_eq!(Packet::parse(&[2, 2, 0, 4, 1]), Err(typeless));
        let tiny = Malformed::Length { said: 3, got: 5 };
        assert_eq!(Packet::parse(&[2, 2, 0, 3, 1]), Err(tiny));
        assert!(Packet::parse(&success(2)).is_ok());
    }

    /// RFC 3748 section 5.3.1 and 5.3.2; the second list is the layout of section 5.3.2 with
    /// EAP-TLS, an unknown vendor's type 1 and "no alternative".
    #[test]
    fn naks() {
        assert_eq!(nak_types(&[0]), []);
        assert_eq!(nak_types(&[25, 13]), [Type::PEAP, Type::TLS]);
        let mut nak = vec![0, 0, 0, 0, 0, 0, 3];
        nak.extend_from_slice(&[254, 0, 0, 0, 0, 0, 0, 13]);
        nak.extend_from_slice(&[254, 0, 0, 9, 0, 0, 0, 1]);
        nak.extend_from_slice(&[254, 0, 0, 0, 0, 0, 0, 0]);
        assert_eq!(expanded_nak_types(&nak), Some(vec![Type::TLS]));
        nak.pop();
        assert_eq!(expanded_nak_types(&nak), None);
        assert_eq!(expanded_nak_types(&[0, 0, 0, 0, 0, 0, 4]), None);
    }

    proptest! {
        #[test]
        fn any_octets_parse_or_are_refused(bytes in proptest::collection::vec(any::<u8>(), 0..64)) {
            if let Ok(packet) = Packet::parse(&bytes) && let Some(kind) = packet.kind {
                let again = encode(packet.code, packet.identifier, kind, packet.data);
                prop_assert_eq!(Packet::parse(&again), Ok(packet));
            }
        }
    }
}
