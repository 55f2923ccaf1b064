//! How PEAP version 0 packs EAP inside its tunnel.
//!
//! There is no RFC: this is common practice, written from memory. The header of an inner packet
//! (code, identifier, length) is left out, because the outer packet's says the same; only packets
//! of type 33, which carry TLVs, keep it.

use super::packet::{self, Code, Packet, Type};
use super::read::Reader;

const MANDATORY: u16 = 0x8000;
const RESULT: u16 = 3;

/// What goes into the tunnel for an inner EAP packet.
#[must_use]
pub fn compress(packet: &[u8]) -> &[u8] {
    match Packet::parse(packet) {
        Ok(parsed) if parsed.kind == Some(Type::TLV) => packet,
        Ok(parsed) if parsed.kind.is_some() => packet.get(packet::HEADER..).unwrap_or_default(),
        _ => packet,
    }
}

/// The inner EAP packet for what came out of the tunnel. A sender that keeps the header (`code`
/// and a length that fits) is understood too.
#[must_use]
pub fn expand(code: Code, identifier: u8, inside: &[u8]) -> Option<Vec<u8>> {
    if let Ok(whole) = Packet::parse(inside)
        && whole.code == code
        && length_field(inside) == Some(inside.len())
    {
        return Some(inside.to_vec());
    }
    let (&kind, data) = inside.split_first()?;
    Some(packet::encode(code, identifier, Type(kind), data))
}

fn length_field(bytes: &[u8]) -> Option<usize> {
    let mut reader = Reader::new(bytes);
    reader.u16()?;
    reader.u16().map(usize::from)
}

/// The data of a type 33 packet that tells the inner result: a mandatory Result TLV of two octets.
#[must_use]
pub fn result_tlv(success: bool) -> Vec<u8> {
    let status: u16 = if success { 1 } else { 2 };
    [MANDATORY | RESULT, 2, status]
        .iter()
        .flat_map(|field| field.to_be_bytes())
        .collect()
}

/// The result told by the data of a type 33 packet: `None` when it holds no Result TLV.
#[must_use]
pub fn read_result(data: &[u8]) -> Option<bool> {
    let mut reader = Reader::new(data);
    while !reader.is_empty() {
        let kind = reader.u16()? & 0x3fff;
        let length = reader.u16()?;
        let value = reader.take(usize::from(length))?;
        if kind == RESULT {
            return match value {
                [0, 1] => Some(true),
                [0, 2] => Some(false),
                _ => None,
            };
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn header_is_left_out_and_put_back_except_for_tlvs() {
        let identity = packet::encode(Code::Response, 9, Type::IDENTITY, b"mo");
        assert_eq!(compress(&identity), [1, b'm', b'o']);
        assert_eq!(
            expand(Code::Response, 9, compress(&identity)),
            Some(identity.clone())
        );
        assert_eq!(expand(Code::Response, 9, &identity), Some(identity));
        let tlv = packet::encode(Code::Request, 9, Type::TLV, &result_tlv(true));
        assert_eq!(compress(&tlv), tlv);
        assert_eq!(expand(Code::Request, 9, &tlv), Some(tlv));
        assert_eq!(expand(Code::Request, 9, &[]), None);
    }

    #[test]
    fn result_is_read_among_other_tlvs() {
        assert_eq!(result_tlv(true), [0x80, 3, 0, 2, 0, 1]);
        let binding = [0x00, 12, 0, 3, 1, 2, 3];
        let both = [binding.as_slice(), &result_tlv(false)].concat();
        assert_eq!(read_result(&both), Some(false));
        assert_eq!(read_result(&binding), None);
        assert_eq!(read_result(&[0x80, 3, 0, 2, 0]), None);
        assert_eq!(read_result(&[0x80, 3, 0, 2, 0, 7]), None);
    }
}
