//! A shared secret that does not show itself.

use std::fmt;

use hmac::{Hmac, Mac as _};
use md5::Md5;
use subtle::ConstantTimeEq;
use zeroize::Zeroizing;

/// A shared secret with its HMAC-MD5 key schedule prepared once: setting the key up for every
/// packet costs as much as a third of the digest.
#[derive(Clone)]
pub struct Secret {
    bytes: Zeroizing<Vec<u8>>,
    keyed: Option<Hmac<Md5>>,
}

impl Secret {
    /// Takes the secret's octets. RFC 2865 section 3 wants at least 16; the bench checks that.
    #[must_use]
    pub fn new(bytes: impl Into<Vec<u8>>) -> Secret {
        let bytes = Zeroizing::new(bytes.into());
        // HMAC takes a key of any length, so this is always `Some`.
        let keyed = Hmac::new_from_slice(&bytes).ok();
        Secret { bytes, keyed }
    }

    /// The octets, for the digests that append the secret.
    #[must_use]
    pub fn bytes(&self) -> &[u8] {
        &self.bytes
    }

    /// Length in octets.
    #[must_use]
    pub fn len(&self) -> usize {
        self.bytes.len()
    }

    /// True for an empty secret.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.bytes.is_empty()
    }

    /// HMAC-MD5 (RFC 2104) over the parts, keyed with the secret.
    #[must_use]
    pub fn hmac(&self, parts: &[&[u8]]) -> [u8; 16] {
        let Some(mut hmac) = self.keyed.clone() else {
            return [0; 16];
        };
        for part in parts {
            hmac.update(part);
        }
        hmac.finalize().into_bytes().into()
    }
}

impl PartialEq for Secret {
    fn eq(&self, other: &Secret) -> bool {
        self.bytes.ct_eq(&other.bytes).into()
    }
}

impl Eq for Secret {}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("<secret>")
    }
}
