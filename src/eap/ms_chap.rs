//! The arithmetic of MS-CHAPv2: RFC 2759 section 8 and the keys of RFC 3079 section 3.

use des::Des;
use des::cipher::{BlockEncrypt, KeyInit};
use md4::{Digest, Md4};
use sha1::Sha1;
use subtle::ConstantTimeEq;
use zeroize::Zeroizing;

/// `NtPasswordHash` (RFC 2759 section 8.3): MD4 over the password in UTF-16, little-endian.
#[must_use]
pub fn nt_password_hash(password: &str) -> [u8; 16] {
    let utf16: Zeroizing<Vec<u8>> =
        Zeroizing::new(password.encode_utf16().flat_map(u16::to_le_bytes).collect());
    Md4::digest(&*utf16).into()
}

/// `HashNtPasswordHash` (RFC 2759 section 8.4).
fn hash_of_hash(nt_hash: &[u8; 16]) -> [u8; 16] {
    Md4::digest(nt_hash).into()
}

/// `ChallengeHash` (RFC 2759 section 8.2). `name` goes in without the domain in front.
fn challenge_hash(
    peer_challenge: &[u8; 16],
    authenticator_challenge: &[u8; 16],
    name: &[u8],
) -> [u8; 8] {
    let digest: [u8; 20] = Sha1::new()
        .chain_update(peer_challenge)
        .chain_update(authenticator_challenge)
        .chain_update(name)
        .finalize()
        .into();
    first(&digest)
}

/// `ChallengeResponse` (RFC 2759 section 8.5): the hash, padded with zeros to 21 octets, is three
/// DES keys.
fn challenge_response(challenge: [u8; 8], nt_hash: &[u8; 16]) -> [u8; 24] {
    let padded: Zeroizing<Vec<u8>> =
        Zeroizing::new(nt_hash.iter().copied().chain([0; 5]).collect());
    let mut response = [0; 24];
    for (part, key) in response.chunks_exact_mut(8).zip(padded.chunks_exact(7)) {
        let mut block = challenge.into();
        Des::new(&des_key(key).into()).encrypt_block(&mut block);
        part.copy_from_slice(&block);
    }
    response
}

/// Spreads 56 bits over eight octets, seven bits in the top of each, and sets odd parity as the
/// examples of RFC 2759 section 9.3 do; DES itself ignores the parity bit.
fn des_key(raw: &[u8]) -> [u8; 8] {
    let bits = raw
        .iter()
        .fold(0u64, |bits, &octet| bits << 8 | u64::from(octet));
    let mut shift = 56;
    [0; 8].map(|_: u8| {
        shift -= 7;
        let [.., seven] = (bits >> shift & 0x7f).to_be_bytes();
        let odd = (seven.count_ones() + 1) % 2;
        seven << 1 | u8::from(odd == 1)
    })
}

/// A challenge pair as a response is computed over it.
#[derive(Clone, Copy)]
pub struct Exchange<'a> {
    /// Sixteen octets from the server.
    pub authenticator_challenge: [u8; 16],
    /// Sixteen octets from the peer.
    pub peer_challenge: [u8; 16],
    /// The account name as the peer sent it, with or without a domain in front.
    pub name: &'a [u8],
}

impl Exchange<'_> {
    fn hash(&self) -> [u8; 8] {
        challenge_hash(
            &self.peer_challenge,
            &self.authenticator_challenge,
            without_domain(self.name),
        )
    }

    /// True if `nt_response` was made with this password hash (RFC 2759 section 8.1).
    #[must_use]
    pub fn verify(&self, nt_hash: &[u8; 16], nt_response: &[u8; 24]) -> bool {
        challenge_response(self.hash(), nt_hash)
            .ct_eq(nt_response)
            .into()
    }

    /// `GenerateAuthenticatorResponse` (RFC 2759 section 8.7): "S=" and 40 hexadecimal digits.
    #[must_use]
    pub fn authenticator_response(&self, nt_hash: &[u8; 16], nt_response: &[u8; 24]) -> String {
        let digest = Sha1::new()
            .chain_update(hash_of_hash(nt_hash))
            .chain_update(nt_response)
            .chain_update(b"Magic server to client signing constant")
            .finalize();
        let digest = Sha1::new()
            .chain_update(digest)
            .chain_update(self.hash())
            .chain_update(b"Pad to make it do more than one iteration")
            .finalize();
        let mut text = String::from("S=");
        text.extend(digest.iter().map(|octet| format!("{octet:02X}")));
        text
    }
}

/// The hash is over the name alone (RFC 2759 section 8.2).
fn without_domain(name: &[u8]) -> &[u8] {
    name.rsplit(|&octet| octet == b'\\')
        .next()
        .unwrap_or_default()
}

/// The two 128-bit start keys of RFC 3079 section 3.3, from the server's view.
#[derive(Clone)]
pub struct StartKeys {
    /// For what the server receives.
    pub receive: Zeroizing<[u8; 16]>,
    /// For what the server sends.
    pub send: Zeroizing<[u8; 16]>,
}

/// Derives the start keys (RFC 3079 section 3.3, section 3.4).
#[must_use]
pub fn start_keys(nt_hash: &[u8; 16], nt_response: &[u8; 24]) -> StartKeys {
    const TO_SERVER: &[u8] =
        b"On the client side, this is the send key; on the server side, it is the receive key.";
    const TO_CLIENT: &[u8] =
        b"On the client side, this is the receive key; on the server side, it is the send key.";
    let master = master_key(&hash_of_hash(nt_hash), nt_response);
    StartKeys {
        receive: Zeroizing::new(asymmetric_start_key(&master, TO_SERVER)),
        send: Zeroizing::new(asymmetric_start_key(&master, TO_CLIENT)),
    }
}

/// `GetMasterKey` (RFC 3079 section 3.4).
fn master_key(hash_hash: &[u8; 16], nt_response: &[u8; 24]) -> Zeroizing<[u8; 16]> {
    let digest: [u8; 20] = Sha1::new()
        .chain_update(hash_hash)
        .chain_update(nt_response)
        .chain_update(b"This is the MPPE Master Key")
        .finalize()
        .into();
    Zeroizing::new(first(&digest))
}

/// `GetAsymmetricStartKey` (RFC 3079 section 3.4) at 128 bits.
fn asymmetric_start_key(master: &[u8; 16], magic: &[u8]) -> [u8; 16] {
    let digest: [u8; 20] = Sha1::new()
        .chain_update(master)
        .chain_update([0x00; 40])
        .chain_update(magic)
        .chain_update([0xf2; 40])
        .finalize()
        .into();
    first(&digest)
}

fn first<const N: usize>(digest: &[u8; 20]) -> [u8; N] {
    // N is 8 or 16, below the 20 octets of the digest.
    digest.first_chunk().copied().unwrap_or([0; N])
}

#[cfg(test)]
mod tests;
