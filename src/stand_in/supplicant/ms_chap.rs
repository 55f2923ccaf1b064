//! MS-CHAPv2 as the peer computes it (RFC 2759 section 8, RFC 3079 section 3), written apart from
//! the server's so that each can be held against the other.

use des::Des;
use des::cipher::{BlockEncrypt, KeyInit};
use md4::{Digest, Md4};
use sha1::Sha1;
use zeroize::Zeroizing;

/// One login as the peer sees it.
pub(super) struct Login {
    nt_hash: Zeroizing<[u8; 16]>,
    challenge: [u8; 8],
    /// NtResponse.
    pub(super) response: [u8; 24],
}

impl Login {
    /// Answers the server's challenge.
    pub(super) fn new(
        account: &str,
        password: &str,
        server_challenge: &[u8; 16],
        peer_challenge: &[u8; 16],
    ) -> Login {
        let mut md4 = Md4::new();
        for unit in password.encode_utf16() {
            md4.update(unit.to_le_bytes());
        }
        let nt_hash = Zeroizing::new(<[u8; 16]>::from(md4.finalize()));
        let name = account.rsplit_once('\\').map_or(account, |(_, name)| name);
        let challenge = sha1(&[peer_challenge, server_challenge, name.as_bytes()]);
        let challenge = *challenge.first_chunk().unwrap_or(&[0; 8]);
        Login {
            response: three_des(&nt_hash, challenge),
            nt_hash,
            challenge,
        }
    }

    fn hash_hash(&self) -> [u8; 16] {
        Md4::digest(*self.nt_hash).into()
    }

    /// The proof that the server knows the password too: "S=" and 40 hexadecimal digits.
    pub(super) fn expected_proof(&self) -> String {
        let inner = sha1(&[
            &self.hash_hash(),
            &self.response,
            b"Magic server to client signing constant",
        ]);
        let outer = sha1(&[
            &inner,
            &self.challenge,
            b"Pad to make it do more than one iteration",
        ]);
        let digits = outer.iter().map(|octet| format!("{octet:02X}"));
        format!("S={}", digits.collect::<String>())
    }

    /// MSK of EAP-MSCHAPv2: the peer's send key, its receive key, zeros (common practice, from
    /// memory).
    pub(super) fn msk(&self) -> Zeroizing<[u8; 64]> {
        let master = sha1(&[
            &self.hash_hash(),
            &self.response,
            b"This is the MPPE Master Key",
        ]);
        let start_key = |magic: &[u8]| {
            let master = master.get(..16).unwrap_or_default();
            sha1(&[master, &[0; 40], magic, &[0xf2; 40]])
        };
        let send = start_key(
            b"On the client side, this is the send key; on the server side, it is the receive key.",
        );
        let receive = start_key(
            b"On the client side, this is the receive key; on the server side, it is the send key.",
        );
        let mut msk = Zeroizing::new([0; 64]);
        let octets = send.iter().take(16).chain(receive.iter().take(16));
        msk.iter_mut()
            .zip(octets)
            .for_each(|(to, from)| *to = *from);
        msk
    }
}

fn sha1(parts: &[&[u8]]) -> [u8; 20] {
    let mut hash = Sha1::new();
    parts.iter().for_each(|part| hash.update(part));
    hash.finalize().into()
}

/// DES under each third of the hash; the last third is filled up with zeros.
fn three_des(nt_hash: &[u8; 16], challenge: [u8; 8]) -> [u8; 24] {
    let mut response = [0; 24];
    for (third, out) in response.chunks_exact_mut(8).enumerate() {
        let key = std::array::from_fn(|at| {
            // Seven key bits an octet, from bit 7 * at of the third on; the eighth is parity,
            // which DES does not look at.
            let bit = 7 * at;
            let octet = |index: usize| match index {
                0..7 => nt_hash.get(third * 7 + index).copied().unwrap_or(0),
                _ => 0,
            };
            let pair = u16::from_be_bytes([octet(bit / 8), octet(bit / 8 + 1)]);
            let [top, _] = (pair << (bit % 8)).to_be_bytes();
            top & 0xfe
        });
        let mut block = challenge.into();
        Des::new(&<[u8; 8]>::into(key)).encrypt_block(&mut block);
        out.copy_from_slice(&block);
    }
    response
}

#[cfg(test)]
mod tests {
    use super::*;

    fn login(password: &str) -> Login {
        Login::new(
            "QUAY\\User",
            password,
            b"\x5b\x5d\x7c\x7d\x7b\x3f\x2f\x3e\x3c\x2c\x60\x21\x32\x26\x26\x28",
            b"\x21\x40\x23\x24\x25\x5e\x26\x2a\x28\x29\x5f\x2b\x3a\x33\x7c\x7e",
        )
    }

    fn hex(octets: &[u8]) -> String {
        octets.iter().map(|octet| format!("{octet:02x}")).collect()
    }

    /// RFC 2759 section 9.2, and the keys of RFC 3079 section 3.5.3 (its receive key is not
    /// printed; recomputed by the same rule).
    #[test]
    fn rfc2759_and_rfc3079_example() {
        let login = login("clientPass");
        assert_eq!(hex(&login.challenge), "d02e4386bce91226");
        assert_eq!(
            hex(&login.response),
            "82309ecd8d708b5ea08faa3981cd83544233114a3d85d6df"
        );
        assert_eq!(
            login.expected_proof(),
            "S=407A5589115FD0D6209F510FE9C04566932CDA56"
        );
        assert_eq!(
            hex(&login.msk()[..32]),
            "d5f0e9521e3ea9589645e86051c822268b7cdc149b993a1ba118cb153f56dccb"
        );
        assert_eq!(login.msk()[32..], [0; 32]);
    }

    /// Negative twin: another password gives another response, proof and key.
    #[test]
    fn another_password_gives_nothing_of_it() {
        let (right, wrong) = (login("clientPass"), login("clientpass"));
        assert_ne!(right.response, wrong.response);
        assert_ne!(right.expected_proof(), wrong.expected_proof());
        assert_ne!(*right.msk(), *wrong.msk());
    }
}
