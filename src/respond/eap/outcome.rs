//! How a conversation ended, as an answer.

use crate::bench::{Bench, MethodName};
use crate::eap::codec::{Packet, Type};
use crate::eap::identity::{self, OuterIdentity};
use crate::eap::{self, CertificateFacts, Method};
use crate::respond::access::{self, Carried, Desk};
use crate::respond::arrival::{Dropped, Request};
use crate::respond::credentials::{Proof, Refused};
use crate::respond::engine::Answer;
use crate::respond::verdict::Refusal;
use crate::roster::{self, Login};
use crate::wire::hide::{MppeKey, hide_mppe_key};
use crate::wire::registry::attributes;
use crate::wire::{AttributeBuf, hide::HideError};

/// Decides on a login that succeeded. Its keys and EAP-Success go along with an accept; with a
/// reject an EAP-Failure does.
pub(super) fn success(
    desk: &mut Desk<'_>,
    request: &Request<'_>,
    proof: &eap::Proof,
    success: &[u8],
) -> Result<Answer, Dropped> {
    let identifier = success.get(1).copied().unwrap_or_default();
    let failure = crate::eap::codec::packet::failure(identifier);
    let mut carried = Carried::failure(&failure);
    carried.note = Some(how(proof));
    carried.accept = vec![AttributeBuf::new(attributes::EAP_MESSAGE, success)];
    // The name that was proven, for accounting (RFC 2865 section 5.1).
    if proof.outer_identity != proof.identity {
        carried
            .accept
            .push(AttributeBuf::text(attributes::USER_NAME, &proof.identity));
    }
    let proven = proven(desk.bench, request, proof);
    match keys(request, proof, desk.rng) {
        Ok(keys) => carried.accept.extend(keys),
        Err(error) => {
            let reason = format!("the keys can't be sent: {error}");
            let refused = Refused::new(Refusal::CannotSpell, reason);
            return access::reject(desk, request, &refused, &carried);
        }
    }
    access::decide_on(desk, request, proven, &carried)
}

/// MS-MPPE-Recv-Key and -Send-Key are the halves of the MSK (RFC 5216 section 2.3, RFC 2548
/// section 2.4); EAP-Key-Name goes to a switch that asks for it by sending one (RFC 7268
/// section 2.2, from memory).
fn keys(
    request: &Request<'_>,
    proof: &eap::Proof,
    rng: &mut dyn rand::RngCore,
) -> Result<Vec<AttributeBuf>, HideError> {
    let mut attributes = Vec::new();
    if let Some(keys) = &proof.keys {
        let (receive, send) = keys.msk.split_at(32);
        // Two salts must differ within a packet (RFC 2548 section 2.4.2).
        let [first, second, ..] = rng.next_u32().to_be_bytes();
        let halves = [
            (MppeKey::Receive, receive, [first, second]),
            (MppeKey::Send, send, [first, !second]),
        ];
        for (which, key, salt) in halves {
            attributes.push(hide_mppe_key(
                which,
                salt,
                key,
                &request.switch.secret,
                request.packet.authenticator(),
            )?);
        }
    }
    if let Some(name) = &proof.session_id
        && request.packet.first(attributes::EAP_KEY_NAME).is_some()
    {
        attributes.push(AttributeBuf::new(attributes::EAP_KEY_NAME, name.clone()));
    }
    Ok(attributes)
}

/// What a login proved, in the words of the bench.
pub(super) fn proven(bench: &Bench, request: &Request<'_>, proof: &eap::Proof) -> Proof {
    let account = bench.find(&proof.identity);
    let machine = match account {
        Some(account) => account.machine,
        None => proof.identity.starts_with("host/"),
    };
    Proof {
        method: match proof.method {
            Method::Md5 => MethodName::EapMd5,
            Method::MsChapV2 => MethodName::EapMsChapV2,
            Method::Tls => MethodName::EapTls,
            Method::Ttls => MethodName::EapTtls,
            Method::Peap => MethodName::Peap,
        },
        mac: request.station,
        login: Some(Login {
            identity: proof.identity.clone(),
            account: account.map(|account| account.name.clone()),
            machine,
            groups: account.map_or_else(Vec::new, |account| account.groups.clone()),
            certificate: proof.certificate.as_deref().map(certificate),
        }),
    }
}

fn certificate(facts: &CertificateFacts) -> roster::CertificateFacts {
    let kinds = [
        ("DNS", &facts.dns),
        ("email", &facts.mail),
        ("UPN", &facts.user),
        ("URI", &facts.uri),
    ];
    roster::CertificateFacts {
        subject: facts.subject.clone(),
        common_name: facts.common_name.clone(),
        alternative_names: kinds
            .iter()
            .flat_map(|(kind, names)| names.iter().map(move |name| format!("{kind}:{name}")))
            .collect(),
        issuer: facts.issuer.clone(),
        key_usages: facts.purposes.clone(),
        serial: facts.serial.clone(),
    }
}

/// By which method, and what is odd about the names.
fn how(proof: &eap::Proof) -> String {
    let mut text = format!("by {}", proof.method);
    if let Some(inner) = proof.inner {
        text.push_str(&format!(" with {inner}"));
    }
    if let Some(tls) = proof.tls {
        text.push_str(&format!(", {tls}"));
    }
    if proof.resumed {
        text.push_str(", resumed");
    }
    let outer = &proof.outer_identity;
    match identity::compare(outer, &proof.identity) {
        OuterIdentity::Same => {}
        OuterIdentity::Anonymous => text.push_str(&format!(", anonymous outside ('{outer}')")),
        OuterIdentity::OtherRealm => {
            text.push_str(&format!(", another realm outside ('{outer}')"));
        }
        OuterIdentity::OtherName => text.push_str(&format!(", another name outside ('{outer}')")),
    }
    text
}

/// The named refusal of a login that failed.
pub(super) fn refused(refusal: &eap::Refusal) -> Refused {
    use eap::Refusal as R;
    let name = match refusal {
        R::UserUnknown { .. } => Refusal::UnknownAccount,
        R::WrongPassword { .. } => Refusal::WrongPassword,
        R::AccountDisabled { .. } | R::NotAdmitted(_) => Refusal::Disabled,
        R::AccountExpired { .. } => Refusal::Expired,
        R::MustChangePassword { .. } => Refusal::MustChangePassword,
        R::NoPassword { .. } => Refusal::NoPassword,
        R::PasswordNotText { .. } => Refusal::NeedsText,
        R::NoCommonMethod { .. } | R::InnerNotAllowed { .. } => Refusal::MethodRefused,
        R::Alert(_) => Refusal::TlsAlert,
        R::Certificate(_) | R::NoCertificate => Refusal::Certificate,
        R::Tls(_) | R::NoCommonTls { .. } => Refusal::Tls,
        _ => Refusal::EapFailure,
    };
    Refused::new(name, refusal.to_string())
}

/// One line on a request that is sent.
pub(super) fn describe(message: &[u8]) -> String {
    match Packet::parse(message).ok().and_then(|packet| packet.kind) {
        Some(Type::IDENTITY) => "asked who it is".to_owned(),
        Some(kind) => format!("{kind} goes on"),
        None => "the login goes on".to_owned(),
    }
}
