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
