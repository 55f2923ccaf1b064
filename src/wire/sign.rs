//! Authenticators and Message-Authenticator: make and verify.
//!
//! All comparisons take the same time whatever differs.

use md5::{Digest, Md5};
use subtle::ConstantTimeEq;

use super::code::Code;
use super::packet::{MIN_PACKET, Packet};
use super::registry::attributes;
use super::secret::Secret;

/// What a Message-Authenticator check found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum MessageAuthenticator {
    /// Not in the packet.
    Absent,
    /// There and right.
    Right,
    /// There and wrong, of the wrong length, or there twice.
    Wrong,
}

const ZEROES: [u8; 16] = [0; 16];

pub(super) fn md5(parts: &[&[u8]]) -> [u8; 16] {
    let mut digest = Md5::new();
    for part in parts {
        digest.update(part);
    }
    digest.finalize().into()
}

/// Octets 0..4 of a packet: code, identifier, length.
fn head(bytes: &[u8]) -> &[u8] {
    bytes.get(..4).unwrap_or_default()
}

fn body(bytes: &[u8]) -> &[u8] {
    bytes.get(MIN_PACKET..).unwrap_or_default()
}

/// MD5(Code + ID + Length + Request Authenticator + Attributes + Secret) (RFC 2865 section 3).
/// `bytes` is the whole packet; its own Authenticator field is not looked at.
#[must_use]
pub fn response_authenticator(bytes: &[u8], request: &[u8; 16], secret: &Secret) -> [u8; 16] {
    md5(&[head(bytes), request, body(bytes), secret.bytes()])
}

/// The same with sixteen zero octets: Accounting-Request (RFC 2866 section 3), CoA-Request and
/// Disconnect-Request (RFC 5176 section 2.3).
#[must_use]
pub fn digested_request_authenticator(bytes: &[u8], secret: &Secret) -> [u8; 16] {
    response_authenticator(bytes, &ZEROES, secret)
}

/// Verifies a response against the Request Authenticator of its request.
#[must_use]
pub fn response_is_authentic(response: &Packet<'_>, request: &[u8; 16], secret: &Secret) -> bool {
    response_authenticator(response.bytes(), request, secret)
        .ct_eq(response.authenticator())
        .into()
}

/// Verifies the Request Authenticator of an Accounting-Request, CoA-Request or Disconnect-Request.
#[must_use]
pub fn digested_request_is_authentic(request: &Packet<'_>, secret: &Secret) -> bool {
    digested_request_authenticator(request.bytes(), secret)
        .ct_eq(request.authenticator())
        .into()
}

/// Which 16 octets stand in the Authenticator field while the HMAC is computed: zeroes for
/// requests whose authenticator is itself a digest (RFC 5176 section 3.4), the request's for
/// responses, its own for Access-Request and Status-Server (RFC 3579 section 3.2).
fn hmac_authenticator<'a>(
    code: Code,
    own: &'a [u8; 16],
    request: Option<&'a [u8; 16]>,
) -> &'a [u8; 16] {
    if code.request_is_digested() {
        &ZEROES
    } else if code.is_response() {
        request.unwrap_or(own)
    } else {
        own
    }
}

/// HMAC-MD5 over the packet with the 16 octets at `offset` taken as zero.
#[must_use]
pub fn message_authenticator(
    bytes: &[u8],
    offset: usize,
    request: Option<&[u8; 16]>,
    secret: &Secret,
) -> [u8; 16] {
    let own: &[u8; 16] = bytes
        .get(4..MIN_PACKET)
        .and_then(|octets| octets.try_into().ok())
        .unwrap_or(&ZEROES);
    let code = Code(bytes.first().copied().unwrap_or_default());
    let authenticator = hmac_authenticator(code, own, request);
    let before = bytes.get(MIN_PACKET..offset).unwrap_or_default();
    let after = bytes.get(offset + 16..).unwrap_or_default();
    secret.hmac(&[head(bytes), authenticator, before, &ZEROES, after])
}

/// Checks the Message-Authenticator of any packet. `request` is the Request Authenticator of the
/// request that a response answers; requests take `None`.
#[must_use]
pub fn check_message_authenticator(
    packet: &Packet<'_>,
    request: Option<&[u8; 16]>,
    secret: &Secret,
) -> MessageAuthenticator {
    let mut found = packet.all(attributes::MESSAGE_AUTHENTICATOR);
    let Some(attribute) = found.next() else {
        return MessageAuthenticator::Absent;
    };
    if attribute.value.len() != 16 || found.next().is_some() {
        return MessageAuthenticator::Wrong;
    }
    let Some(offset) = packet.value_offset(attributes::MESSAGE_AUTHENTICATOR) else {
        return MessageAuthenticator::Absent;
    };
    let expected = message_authenticator(packet.bytes(), offset, request, secret);
    if expected.ct_eq(attribute.value).into() {
        MessageAuthenticator::Right
    } else {
        MessageAuthenticator::Wrong
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::build::Builder;

    /// RFC 3579 section 3.2: 16 octets, once; none is no error of its own.
    #[test]
    fn odd_message_authenticators_are_wrong() {
        let secret = Secret::new("lantern quay bench");
        let check = |values: &[&[u8]]| {
            let mut builder = Builder::new(Code::ACCESS_REQUEST, 1);
            for value in values {
                builder
                    .push(attributes::MESSAGE_AUTHENTICATOR, value)
                    .unwrap();
            }
            let bytes = builder.finish_request(&[9; 16], &secret);
            let packet = Packet::parse(&bytes).unwrap();
            check_message_authenticator(&packet, None, &secret)
        };
        assert_eq!(check(&[]), MessageAuthenticator::Absent);
        assert_eq!(check(&[&[]]), MessageAuthenticator::Wrong);
        assert_eq!(check(&[&[0; 15]]), MessageAuthenticator::Wrong);
        assert_eq!(check(&[&[0; 17]]), MessageAuthenticator::Wrong);
        assert_eq!(check(&[&[0; 16]]), MessageAuthenticator::Wrong);

        // Even one that is right in itself is wrong with a second one beside it.
        let mut builder = Builder::new(Code::ACCESS_REQUEST, 1);
        builder.message_authenticator().unwrap();
        builder
            .push(attributes::MESSAGE_AUTHENTICATOR, &[0; 16])
            .unwrap();
        let bytes = builder.finish_request(&[9; 16], &secret);
        let packet = Packet::parse(&bytes).unwrap();
        let found = check_message_authenticator(&packet, None, &secret);
        assert_eq!(found, MessageAuthenticator::Wrong);
    }

    /// RFC 5176 section 3.4: zeroes stand in the authenticator of a CoA-Request, so that its
    /// Message-Authenticator does not depend on it.
    #[test]
    fn a_digested_request_is_covered_without_its_authenticator() {
        let secret = Secret::new("lantern quay bench");
        let mut builder = Builder::new(Code::COA_REQUEST, 1);
        builder.message_authenticator().unwrap();
        let mut bytes = builder.finish_digested_request(&secret);
        bytes[4] ^= 1;
        let packet = Packet::parse(&bytes).unwrap();
        let found = check_message_authenticator(&packet, None, &secret);
        assert_eq!(found, MessageAuthenticator::Right);
        assert!(!digested_request_is_authentic(&packet, &secret));
    }
}
