//! MD5-Challenge (RFC 3748 section 5.4): the CHAP of RFC 1994 in an EAP packet.

use std::sync::Arc;

use md5::{Digest, Md5 as Hash};
use subtle::ConstantTimeEq;

use super::account::Password;
use super::method::{Context, Move, judge};
use super::proof::{Method, Proof};
use super::refusal::Refusal;

pub(super) struct Md5 {
    challenge: [u8; 16],
}

impl Md5 {
    pub(super) fn start(context: &mut Context<'_>) -> (Md5, Vec<u8>) {
        let challenge = context.challenge();
        let name = context.settings.plan().name.as_bytes();
        let request = [&[16], challenge.as_slice(), name].concat();
        (Md5 { challenge }, request)
    }

    pub(super) fn respond(
        &mut self,
        context: &mut Context<'_>,
        data: &[u8],
    ) -> Result<Move, Refusal> {
        let method = Method::Md5.name();
        let Some((&[16], rest)) = data.split_first_chunk::<1>() else {
            return Err(malformed());
        };
        let (value, _name) = rest.split_first_chunk::<16>().ok_or_else(malformed)?;
        let identity = context.identity;
        let (account, password) = context.account(identity, method)?;
        let fits = chap_fits(
            &password,
            identity,
            method,
            context.identifier,
            &self.challenge,
            value,
        )?;
        judge(&account, identity, method, fits)?;
        let proof = Proof {
            method: Method::Md5,
            inner: None,
            outer_identity: identity.to_owned(),
            identity: identity.to_owned(),
            certificate: None,
            keys: None,
            session_id: None,
            resumed: false,
            tls: None,
        };
        context.admit(&proof)?;
        Ok(Move::Proven(Arc::new(proof)))
    }
}

/// MD5 over identifier, password and challenge (RFC 1994 section 4.1).
pub(super) fn chap_fits(
    password: &Password,
    identity: &str,
    method: &'static str,
    identifier: u8,
    challenge: &[u8],
    value: &[u8; 16],
) -> Result<bool, Refusal> {
    let text = password.as_text().ok_or_else(|| Refusal::PasswordNotText {
        identity: identity.to_owned(),
        method,
    })?;
    let digest = Hash::new()
        .chain_update([identifier])
        .chain_update(text)
        .chain_update(challenge)
        .finalize();
    Ok(digest.as_slice().ct_eq(value).into())
}

fn malformed() -> Refusal {
    Refusal::Protocol {
        method: Method::Md5.name(),
        what: "the response does not hold 16 octets of digest (RFC 3748 section 5.4)",
    }
}
