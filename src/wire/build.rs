//! Writing packets.

use super::attribute::{AttributeBuf, MAX_VALUE};
use super::code::Code;
use super::packet::{MAX_PACKET, MIN_PACKET};
use super::registry::attributes;
use super::secret::Secret;
use super::sign;

/// Why an attribute does not go into a packet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum BuildError {
    /// A value over 253 octets.
    #[error("attribute {kind} has {length} octets, the most is 253 (RFC 2865 section 5)")]
    ValueTooLong {
        /// Attribute type.
        kind: u8,
        /// Length of the value in octets.
        length: usize,
    },
    /// The packet would pass 4096 octets.
    #[error("attribute {kind} would take the packet past 4096 octets (RFC 2865 section 3)")]
    PacketFull {
        /// Attribute type.
        kind: u8,
    },
}

/// A packet being written. Attributes keep the order in which they are pushed.
#[derive(Debug, Clone)]
pub struct Builder {
    bytes: Vec<u8>,
    message_authenticator: Option<usize>,
}

impl Builder {
    /// An empty packet.
    #[must_use]
    pub fn new(code: Code, identifier: u8) -> Builder {
        let mut bytes = Vec::with_capacity(256);
        bytes.extend_from_slice(&[code.0, identifier, 0, 20]);
        bytes.resize(MIN_PACKET, 0);
        Builder {
            bytes,
            message_authenticator: None,
        }
    }

    /// Appends one attribute.
    ///
    /// # Errors
    /// When the value or the packet would be too long; the packet is left as it was.
    pub fn push(&mut self, kind: u8, value: &[u8]) -> Result<&mut Builder, BuildError> {
        if value.len() > MAX_VALUE {
            return Err(BuildError::ValueTooLong {
                kind,
                length: value.len(),
            });
        }
        if self.bytes.len() + 2 + value.len() > MAX_PACKET {
            return Err(BuildError::PacketFull { kind });
        }
        self.bytes.push(kind);
        // 255 at the most: checked above.
        self.bytes.push((value.len() + 2) as u8);
        self.bytes.extend_from_slice(value);
        Ok(self)
    }

    /// Appends an owned attribute.
    ///
    /// # Errors
    /// As [`Builder::push`].
    pub fn attribute(&mut self, attribute: &AttributeBuf) -> Result<&mut Builder, BuildError> {
        self.push(attribute.kind, &attribute.value)
    }

    /// Appends text.
    ///
    /// # Errors
    /// As [`Builder::push`].
    pub fn text(&mut self, kind: u8, text: &str) -> Result<&mut Builder, BuildError> {
        self.push(kind, text.as_bytes())
    }

    /// Appends a 32-bit number.
    ///
    /// # Errors
    /// As [`Builder::push`].
    pub fn integer(&mut self, kind: u8, value: u32) -> Result<&mut Builder, BuildError> {
        self.push(kind, &value.to_be_bytes())
    }

    /// Appends a value of any length as consecutive attributes of at most 253 octets (data type
    /// `concat`, RFC 8044 section 3.6): EAP-Message.
    ///
    /// # Errors
    /// As [`Builder::push`].
    pub fn long(&mut self, kind: u8, value: &[u8]) -> Result<&mut Builder, BuildError> {
        for part in value.chunks(MAX_VALUE) {
            self.push(kind, part)?;
        }
        Ok(self)
    }

    /// Reserves a Message-Authenticator here; signing fills it in. A second call does nothing.
    ///
    /// # Errors
    /// As [`Builder::push`].
    pub fn message_authenticator(&mut self) -> Result<&mut Builder, BuildError> {
        if self.message_authenticator.is_none() {
            self.push(attributes::MESSAGE_AUTHENTICATOR, &[0; 16])?;
            self.message_authenticator = Some(self.bytes.len() - 16);
        }
        Ok(self)
    }

    /// Octets so far.
    #[must_use]
    pub fn len(&self) -> usize {
        self.bytes.len()
    }

    /// True while no attribute was pushed.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.bytes.len() == MIN_PACKET
    }

    /// Finishes an Access-Request or Status-Server with its random Request Authenticator
    /// (RFC 2865 section 3) and fills the Message-Authenticator, if one was reserved.
    #[must_use]
    pub fn finish_request(mut self, authenticator: &[u8; 16], secret: &Secret) -> Vec<u8> {
        self.set_length();
        self.set(4, authenticator);
        self.fill_message_authenticator(None, secret);
        self.bytes
    }

    /// Finishes an Accounting-Request, CoA-Request or Disconnect-Request: Message-Authenticator
    /// first, then the digest (RFC 2866 section 3, RFC 5176 sections 2.3 and 3.4).
    #[must_use]
    pub fn finish_digested_request(mut self, secret: &Secret) -> Vec<u8> {
        self.set_length();
        self.fill_message_authenticator(None, secret);
        let digest = sign::digested_request_authenticator(&self.bytes, secret);
        self.set(4, &digest);
        self.bytes
    }

    /// Finishes a response: Message-Authenticator first, then the Response Authenticator
    /// (RFC 3579 section 3.2, RFC 2865 section 3).
    #[must_use]
    pub fn finish_response(mut self, request: &[u8; 16], secret: &Secret) -> Vec<u8> {
        self.set_length();
        self.fill_message_authenticator(Some(request), secret);
        let digest = sign::response_authenticator(&self.bytes, request, secret);
        self.set(4, &digest);
        self.bytes
    }

    fn fill_message_authenticator(&mut self, request: Option<&[u8; 16]>, secret: &Secret) {
        if let Some(offset) = self.message_authenticator {
            let hmac = sign::message_authenticator(&self.bytes, offset, request, secret);
            self.set(offset, &hmac);
        }
    }

    fn set_length(&mut self) {
        // 4096 at the most: `push` checks it.
        let length = (self.bytes.len() as u16).to_be_bytes();
        self.set(2, &length);
    }

    fn set(&mut self, offset: usize, octets: &[u8]) {
        if let Some(place) = self.bytes.get_mut(offset..offset + octets.len()) {
            place.copy_from_slice(octets);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::packet::Packet;
    use crate::wire::sign::MessageAuthenticator;

    /// RFC 2865 section 5: a value has at most 253 octets.
    #[test]
    fn a_value_over_253_octets_is_refused() {
        let mut builder = Builder::new(Code::ACCESS_ACCEPT, 1);
        assert!(builder.push(25, &[0; 253]).is_ok());
        let error = builder.push(25, &[0; 254]).err();
        let expected = BuildError::ValueTooLong {
            kind: 25,
            length: 254,
        };
        assert_eq!(error, Some(expected));
        assert_eq!(builder.len(), 20 + 255, "and leaves the packet as it was");
    }

    /// RFC 2865 section 3: a packet has at most 4096 octets.
    #[test]
    fn a_packet_takes_4096_octets_and_no_more() {
        let mut builder = Builder::new(Code::ACCESS_ACCEPT, 1);
        assert!(builder.is_empty());
        for _ in 0..15 {
            builder.push(25, &[0; 253]).unwrap();
        }
        builder.push(25, &[0; 249]).unwrap();
        assert_eq!(builder.len(), MAX_PACKET);
        assert_eq!(
            builder.push(25, &[]).err(),
            Some(BuildError::PacketFull { kind: 25 })
        );
        let bytes = builder.finish_request(&[0; 16], &Secret::new("lantern quay bench"));
        assert_eq!(Packet::parse(&bytes).unwrap().bytes().len(), MAX_PACKET);
    }

    /// RFC 8044 section 3.6: consecutive attributes, each full but the last.
    #[test]
    fn long_values_are_cut_at_253_octets() {
        let value: Vec<u8> = (0..600u16).map(|at| at as u8).collect();
        let mut builder = Builder::new(Code::ACCESS_CHALLENGE, 1);
        builder.long(attributes::EAP_MESSAGE, &value).unwrap();
        let bytes = builder.finish_request(&[0; 16], &Secret::new("lantern quay bench"));
        let packet = Packet::parse(&bytes).unwrap();
        let lengths: Vec<usize> = packet.attributes().map(|a| a.value.len()).collect();
        assert_eq!(lengths, [253, 253, 94]);
        assert_eq!(packet.joined(attributes::EAP_MESSAGE), Some(value));
    }

    /// RFC 3579 section 3.2: one Message-Authenticator, right wherever it stands.
    #[test]
    fn message_authenticator_is_written_once() {
        let secret = Secret::new("lantern quay bench");
        for before in [0, 2] {
            let mut builder = Builder::new(Code::ACCESS_REQUEST, 1);
            for _ in 0..before {
                builder.text(attributes::USER_NAME, "till 4").unwrap();
            }
            builder.message_authenticator().unwrap();
            builder.message_authenticator().unwrap();
            builder.text(attributes::NAS_PORT_ID, "7").unwrap();
            let bytes = builder.finish_request(&[9; 16], &secret);
            let packet = Packet::parse(&bytes).unwrap();
            assert_eq!(packet.count(attributes::MESSAGE_AUTHENTICATOR), 1);
            let found = sign::check_message_authenticator(&packet, None, &secret);
            assert_eq!(found, MessageAuthenticator::Right);
        }
    }
}
