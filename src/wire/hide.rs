//! Hiding of passwords and keys, and CHAP.
//!
//! User-Password is hidden by the protocol crate. Revealing is our own, because the crate cuts a
//! password at its first null octet and takes values that are no multiple of 16 octets. So are the
//! salted forms, because the crate draws the salt itself and leaves the length octet out.

use radius::core::avp::{AVP, AVPError};
use subtle::ConstantTimeEq;
use zeroize::Zeroizing;

use super::attribute::AttributeBuf;
use super::packet::Packet;
use super::registry::attributes;
use super::secret::Secret;
use super::sign::md5;

/// The longest User-Password in octets (RFC 2865 section 5.2).
pub const MAX_PASSWORD: usize = 128;
/// The longest Tunnel-Password in octets: 15 blocks of 16, less the length octet
/// (RFC 2868 section 3.5).
pub const MAX_TUNNEL_PASSWORD: usize = 239;
/// The longest MPPE key in octets that fits a Vendor-Specific attribute (RFC 2548 section 2.4.2).
pub const MAX_MPPE_KEY: usize = 239;
/// The IANA enterprise number of the MPPE key attributes (RFC 2548 section 2).
pub const MPPE_VENDOR: u32 = 311;

const BLOCK: usize = 16;
const SALT: usize = 2;

/// Why something was not hidden.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum HideError {
    /// Longer than the attribute can carry.
    #[error("{length} octets to hide, the most is {most}")]
    TooLong {
        /// Octets given.
        length: usize,
        /// Octets that fit.
        most: usize,
    },
    /// A shared secret of no octets hides nothing.
    #[error("the shared secret is empty")]
    EmptySecret,
}

/// Which of the two MPPE keys, seen from the NAS.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum MppeKey {
    /// MS-MPPE-Send-Key, vendor type 16 (RFC 2548 section 2.4.2).
    Send,
    /// MS-MPPE-Recv-Key, vendor type 17 (RFC 2548 section 2.4.3).
    Receive,
}

impl MppeKey {
    /// The vendor type.
    #[must_use]
    pub fn vendor_type(self) -> u8 {
        match self {
            MppeKey::Send => 16,
            MppeKey::Receive => 17,
        }
    }
}

/// The value of a User-Password attribute (RFC 2865 section 5.2): a multiple of 16 octets.
///
/// # Errors
/// Over 128 octets, or an empty secret.
pub fn hide_password(
    password: &[u8],
    secret: &Secret,
    request_authenticator: &[u8; 16],
) -> Result<Vec<u8>, HideError> {
    AVP::from_user_password(
        attributes::USER_PASSWORD,
        password,
        secret.bytes(),
        request_authenticator,
    )
    .map(|hidden| hidden.encode_bytes())
    .map_err(|error| match error {
        AVPError::PasswordSecretMissingError() => HideError::EmptySecret,
        _ => HideError::TooLong {
            length: password.len(),
            most: MAX_PASSWORD,
        },
    })
}

/// The password of a User-Password value, without its null padding; any octets, not only UTF-8.
/// `None` when the value is not 1 to 8 blocks of 16 octets (RFC 2865 section 5.2).
#[must_use]
pub fn reveal_password(
    value: &[u8],
    secret: &Secret,
    request_authenticator: &[u8; 16],
) -> Option<Vec<u8>> {
    if value.len() > MAX_PASSWORD {
        return None;
    }
    let mut plain = uncover(value, secret, &[request_authenticator])?;
    let end = plain.iter().rposition(|octet| *octet != 0);
    plain.truncate(end.map_or(0, |last| last + 1));
    Some(plain)
}

/// MD5(identifier + password + challenge): the last 16 octets of CHAP-Password
/// (RFC 2865 section 2.2, RFC 1994 section 4.1).
#[must_use]
pub fn chap_response(identifier: u8, password: &[u8], challenge: &[u8]) -> [u8; 16] {
    md5(&[&[identifier], password, challenge])
}

/// Whether the CHAP-Password of a request was made from this password. The challenge is
/// CHAP-Challenge or else the Request Authenticator (RFC 2865 section 5.3). `None` when there is
/// no CHAP-Password or it has not 17 octets.
#[must_use]
pub fn chap_matches(packet: &Packet<'_>, password: &[u8]) -> Option<bool> {
    let value = packet.first(attributes::CHAP_PASSWORD)?.value;
    let (&identifier, response) = value.split_first()?;
    let response: &[u8; 16] = response.try_into().ok()?;
    let challenge = packet
        .first(attributes::CHAP_CHALLENGE)
        .map_or(packet.authenticator().as_slice(), |found| found.value);
    let expected = chap_response(identifier, password, challenge);
    Some(expected.ct_eq(response).into())
}

/// A Tunnel-Password attribute (RFC 2868 section 3.5). Its salt must differ from every other in
/// the packet; the top bit is set here, as the RFC wants it. A tag over 0x1F is taken as 0.
///
/// # Errors
/// Over 239 octets, or an empty secret.
pub fn hide_tunnel_password(
    tag: u8,
    salt: [u8; SALT],
    password: &[u8],
    secret: &Secret,
    request_authenticator: &[u8; 16],
) -> Result<AttributeBuf, HideError> {
    let hidden = hide_salted(
        salt,
        password,
        MAX_TUNNEL_PASSWORD,
        secret,
        request_authenticator,
    )?;
    let mut value = vec![if tag <= 0x1f { tag } else { 0 }];
    value.extend_from_slice(&hidden);
    Ok(AttributeBuf::new(attributes::TUNNEL_PASSWORD, value))
}

/// Tag and password of a Tunnel-Password value. `None` when the layout is wrong, which a wrong
/// secret mostly shows as, though not always: nothing in the attribute proves the secret.
#[must_use]
pub fn reveal_tunnel_password(
    value: &[u8],
    secret: &Secret,
    request_authenticator: &[u8; 16],
) -> Option<(u8, Vec<u8>)> {
    let (&tag, hidden) = value.split_first()?;
    let password = reveal_salted(hidden, secret, request_authenticator)?;
    Some((tag, password))
}

/// An MPPE key in a Vendor-Specific attribute of its own (RFC 2548 sections 2.4.2 and 2.4.3). Its
/// salt must differ from every other in the packet; the top bit is set here.
///
/// # Errors
/// Over 239 octets, or an empty secret.
pub fn hide_mppe_key(
    which: MppeKey,
    salt: [u8; SALT],
    key: &[u8],
    secret: &Secret,
    request_authenticator: &[u8; 16],
) -> Result<AttributeBuf, HideError> {
    let hidden = hide_salted(salt, key, MAX_MPPE_KEY, secret, request_authenticator)?;
    Ok(AttributeBuf::vendor(
        MPPE_VENDOR,
        which.vendor_type(),
        &hidden,
    ))
}

/// The key in the vendor value (salt and hidden octets) of an MPPE key attribute. `None` when the
/// layout is wrong, which a wrong secret mostly shows as, though not always.
#[must_use]
pub fn reveal_mppe_key(
    value: &[u8],
    secret: &Secret,
    request_authenticator: &[u8; 16],
) -> Option<Vec<u8>> {
    reveal_salted(value, secret, request_authenticator)
}

/// Salt, then the hidden form of length octet, data and null padding.
fn hide_salted(
    salt: [u8; SALT],
    data: &[u8],
    most: usize,
    secret: &Secret,
    request_authenticator: &[u8; 16],
) -> Result<Vec<u8>, HideError> {
    if secret.is_empty() {
        return Err(HideError::EmptySecret);
    }
    let too_long = HideError::TooLong {
        length: data.len(),
        most,
    };
    if data.len() > most {
        return Err(too_long);
    }
    let length = u8::try_from(data.len()).map_err(|_| too_long)?;
    let mut plain = Zeroizing::new(vec![length]);
    plain.extend_from_slice(data);
    let padded = plain.len().next_multiple_of(BLOCK);
    plain.resize(padded, 0);

    let [first, second] = salt;
    let salt = [first | 0x80, second];
    let mut hidden = salt.to_vec();
    let mut pad = md5(&[secret.bytes(), request_authenticator, &salt]);
    for block in plain.chunks_exact(BLOCK) {
        let cipher = xor(block, &pad);
        pad = md5(&[secret.bytes(), &cipher]);
        hidden.extend_from_slice(&cipher);
    }
    Ok(hidden)
}

fn reveal_salted(
    value: &[u8],
    secret: &Secret,
    request_authenticator: &[u8; 16],
) -> Option<Vec<u8>> {
    let (salt, hidden) = value.split_first_chunk::<SALT>()?;
    if salt.first()? & 0x80 == 0 {
        return None;
    }
    let plain = Zeroizing::new(uncover(hidden, secret, &[request_authenticator, salt])?);
    let (&length, rest) = plain.split_first()?;
    let data = rest.get(..usize::from(length))?;
    // Padding fills one block at the most.
    (rest.len() - data.len() < BLOCK).then(|| data.to_vec())
}

/// Undoes the chain of RFC 2865 section 5.2; `start` is what the first MD5 takes after the secret.
/// `None` when the value is not a whole number of blocks.
fn uncover(value: &[u8], secret: &Secret, start: &[&[u8]]) -> Option<Vec<u8>> {
    if value.is_empty() || !value.len().is_multiple_of(BLOCK) {
        return None;
    }
    let mut parts = vec![secret.bytes()];
    parts.extend_from_slice(start);
    let mut pad = md5(&parts);
    let mut plain = Vec::with_capacity(value.len());
    for block in value.chunks_exact(BLOCK) {
        plain.extend_from_slice(&xor(block, &pad));
        pad = md5(&[secret.bytes(), block]);
    }
    Some(plain)
}

fn xor(block: &[u8], pad: &[u8; BLOCK]) -> [u8; BLOCK] {
    let mut result = *pad;
    for (to, from) in result.iter_mut().zip(block) {
        *to ^= from;
    }
    result
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::build::Builder;
    use crate::wire::code::Code;

    const RA: [u8; 16] = [0x5a; 16];

    fn secret() -> Secret {
        Secret::new("lantern quay bench")
    }

    /// RFC 2865 section 5.2: null-padded to a multiple of 16, at most 128.
    #[test]
    fn password_lengths() {
        for (length, hidden) in [(0, 16), (1, 16), (16, 16), (17, 32), (128, 128)] {
            let password = vec![0xc3; length];
            let value = hide_password(&password, &secret(), &RA).unwrap();
            assert_eq!(value.len(), hidden, "{length} octets");
            assert_eq!(reveal_password(&value, &secret(), &RA), Some(password));
        }
        let error = hide_password(&[0; 129], &secret(), &RA).unwrap_err();
        let expected = HideError::TooLong {
            length: 129,
            most: 128,
        };
        assert_eq!(error, expected);
        assert_eq!(reveal_password(&[0; 144], &secret(), &RA), None);
    }

    #[test]
    fn an_empty_secret_hides_nothing() {
        let empty = Secret::new("");
        let error = Some(HideError::EmptySecret);
        assert_eq!(hide_password(b"a", &empty, &RA).err(), error);
        assert_eq!(
            hide_tunnel_password(0, [0; 2], b"a", &empty, &RA).err(),
            error
        );
        assert_eq!(
            hide_mppe_key(MppeKey::Send, [0; 2], b"a", &empty, &RA).err(),
            error
        );
    }

    /// RFC 2868 section 3.5: tag, salt with its top bit set, then whole blocks.
    #[test]
    fn tunnel_password_layout() {
        let hidden = hide_tunnel_password(3, [0x01, 0x02], b"gangway", &secret(), &RA).unwrap();
        assert_eq!(hidden.value.len(), 1 + 2 + 16);
        assert_eq!(hidden.value[..3], [3, 0x81, 0x02]);
        let longest = [b'a'; MAX_TUNNEL_PASSWORD];
        let hidden = hide_tunnel_password(0, [0; 2], &longest, &secret(), &RA).unwrap();
        assert_eq!(hidden.value.len(), 243);
        let too_long = [b'a'; MAX_TUNNEL_PASSWORD + 1];
        assert!(hide_tunnel_password(0, [0; 2], &too_long, &secret(), &RA).is_err());
        let other = hide_tunnel_password(0x20, [0; 2], b"a", &secret(), &RA).unwrap();
        assert_eq!(other.value[0], 0);
    }

    /// A length octet that does not fit its blocks is refused, whichever way.
    #[test]
    fn a_hidden_length_must_fit() {
        let forged_with = |salt: [u8; SALT], length: u8, octets: usize| {
            let mut plain = vec![length];
            plain.resize(octets, 0);
            let mut hidden = salt.to_vec();
            let mut pad = md5(&[secret().bytes(), &RA, &salt]);
            for block in plain.chunks_exact(BLOCK) {
                let cipher = xor(block, &pad);
                pad = md5(&[secret().bytes(), &cipher]);
                hidden.extend_from_slice(&cipher);
            }
            reveal_mppe_key(&hidden, &secret(), &RA)
        };
        let forged = |length, octets| forged_with([0x80, 1], length, octets);
        assert_eq!(forged(15, 16), Some(vec![0; 15]));
        let unmarked = forged_with([0x00, 1], 15, 16);
        assert_eq!(
            unmarked, None,
            "a salt without its top bit (RFC 2548 section 2.4.2)"
        );
        assert_eq!(forged(16, 16), None, "past the end");
        assert_eq!(forged(16, 32), Some(vec![0; 16]));
        assert_eq!(forged(15, 32), None, "a block of padding alone");
        assert_eq!(forged(0, 16), Some(Vec::new()));
    }

    #[test]
    fn two_salts_hide_one_key_in_two_ways() {
        let one = hide_mppe_key(MppeKey::Send, [1, 1], &[7; 32], &secret(), &RA).unwrap();
        let two = hide_mppe_key(MppeKey::Send, [1, 2], &[7; 32], &secret(), &RA).unwrap();
        assert_ne!(one.value[8..], two.value[8..]);
    }

    /// RFC 2865 section 5.3: CHAP-Challenge goes before the Request Authenticator.
    #[test]
    fn chap_challenge_in_an_attribute() {
        let request = |password: &[u8], challenge: Option<&[u8]>| {
            let mut builder = Builder::new(Code::ACCESS_REQUEST, 1);
            builder.push(attributes::CHAP_PASSWORD, password).unwrap();
            if let Some(challenge) = challenge {
                builder.push(attributes::CHAP_CHALLENGE, challenge).unwrap();
            }
            builder.finish_request(&RA, &secret())
        };
        let matches = |bytes: &[u8]| chap_matches(&Packet::parse(bytes).unwrap(), b"gangway");
        let value = |challenge: &[u8]| {
            let response = chap_response(5, b"gangway", challenge);
            [&[5], response.as_slice()].concat()
        };
        let challenge = b"a challenge that is not sixteen octets";
        assert_eq!(
            matches(&request(&value(challenge), Some(challenge))),
            Some(true)
        );
        assert_eq!(matches(&request(&value(challenge), None)), Some(false));
        assert_eq!(matches(&request(&value(&RA), None)), Some(true));
        assert_eq!(matches(&request(&value(&RA), Some(challenge))), Some(false));
        assert_eq!(
            matches(&request(&value(&RA)[..16], None)),
            None,
            "16 octets"
        );
        assert_eq!(matches(&request(&[], None)), None);
        let none = Builder::new(Code::ACCESS_REQUEST, 1).finish_request(&RA, &secret());
        assert_eq!(matches(&none), None);
    }
}
