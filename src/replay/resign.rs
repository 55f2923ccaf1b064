//! Signing recorded packets anew: with another secret, or with another Class that the bench gave.

use std::collections::HashMap;

use crate::wire::registry::attributes as a;
use crate::wire::sign::{self, MessageAuthenticator};
use crate::wire::{AttributeBuf, BuildError, Builder, Code, Packet, Secret, hide};

/// The secret that packets were recorded with, and the one that they leave with.
#[derive(Debug, Clone)]
pub struct Keys {
    /// Recorded with.
    pub then: Secret,
    /// Sent with.
    pub now: Secret,
}

impl Keys {
    fn differ(&self) -> bool {
        self.then != self.now
    }
}

/// Values that the bench gives and the switch brings back: those recorded, and those of now.
#[derive(Debug, Clone, Default)]
pub struct Swaps(HashMap<(u8, Vec<u8>), Vec<u8>>);

/// What is brought back (RFC 2865 sections 5.24 and 5.25).
const BROUGHT_BACK: [u8; 2] = [a::CLASS, a::STATE];

impl Swaps {
    /// Learns from an answer, recorded and now.
    pub fn learn(&mut self, then: &[u8], now: &[u8]) {
        let (Ok(then), Ok(now)) = (Packet::parse(then), Packet::parse(now)) else {
            return;
        };
        for kind in BROUGHT_BACK {
            for (old, new) in then.all(kind).zip(now.all(kind)) {
                self.0
                    .insert((kind, old.value.to_vec()), new.value.to_vec());
            }
        }
    }

    fn concern(&self, packet: &Packet<'_>) -> bool {
        packet
            .attributes()
            .any(|found| self.of(found.kind, found.value).is_some())
    }

    fn of(&self, kind: u8, value: &[u8]) -> Option<&Vec<u8>> {
        if !BROUGHT_BACK.contains(&kind) {
            return None;
        }
        let new = self.0.get(&(kind, value.to_vec()))?;
        (new != value).then_some(new)
    }
}

/// A packet to send, and what a reader should know of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Resigned {
    /// Octets.
    pub octets: Vec<u8>,
    /// Why it could not be signed as it should be.
    pub trouble: Option<&'static str>,
}

const UNKNOWN_SECRET: &str = "it was signed with some other secret, so it goes out as recorded; give that one with --capture-secret";
const NOT_BUILT: &str =
    "it does not fit one packet with its new values, so it goes out as recorded";

/// A recorded request, signed for now. A packet that needs no change keeps its octets, and one
/// that was wrong stays wrong.
#[must_use]
pub fn request(octets: &[u8], keys: &Keys, swaps: &Swaps) -> Resigned {
    let as_recorded = |trouble| Resigned {
        octets: octets.to_vec(),
        trouble,
    };
    let Ok(packet) = Packet::parse(octets) else {
        return as_recorded(None);
    };
    if !keys.differ() && !swaps.concern(&packet) {
        let trouble = (!is_authentic(&packet, &keys.then)).then_some(UNKNOWN_SECRET);
        return as_recorded(trouble);
    }
    if !is_authentic(&packet, &keys.then) {
        return as_recorded(Some(UNKNOWN_SECRET));
    }
    let attributes = packet.attributes().map(|found| {
        let value = match swaps.of(found.kind, found.value) {
            Some(new) => new.clone(),
            None if found.kind == a::USER_PASSWORD && keys.differ() => {
                password(&packet, found.value, keys)
            }
            None => found.value.to_vec(),
        };
        AttributeBuf::new(found.kind, value)
    });
    match rebuilt(&packet, attributes, &keys.now) {
        Ok(octets) => Resigned {
            octets,
            trouble: None,
        },
        Err(_) => as_recorded(Some(NOT_BUILT)),
    }
}

/// A request with these attributes in place of its own, signed with a secret.
///
/// # Errors
/// When they do not fit one packet.
pub fn rebuilt(
    packet: &Packet<'_>,
    attributes: impl IntoIterator<Item = AttributeBuf>,
    secret: &Secret,
) -> Result<Vec<u8>, BuildError> {
    let builder = filled(packet.code(), packet.identifier(), attributes)?;
    Ok(if packet.code().request_is_digested() {
        builder.finish_digested_request(secret)
    } else {
        builder.finish_request(packet.authenticator(), secret)
    })
}

/// A response with these attributes, to the request with this identifier and authenticator.
///
/// # Errors
/// When they do not fit one packet.
pub fn response(
    code: Code,
    attributes: impl IntoIterator<Item = AttributeBuf>,
    request: (u8, &[u8; 16]),
    secret: &Secret,
) -> Result<Vec<u8>, BuildError> {
    let (identifier, authenticator) = request;
    Ok(filled(code, identifier, attributes)?.finish_response(authenticator, secret))
}

/// The attributes of a packet, owned.
pub fn attributes(packet: &Packet<'_>) -> impl Iterator<Item = AttributeBuf> {
    packet
        .attributes()
        .map(|found| AttributeBuf::new(found.kind, found.value))
}

fn filled(
    code: Code,
    identifier: u8,
    attributes: impl IntoIterator<Item = AttributeBuf>,
) -> Result<Builder, BuildError> {
    let mut builder = Builder::new(code, identifier);
    for attribute in attributes {
        if attribute.kind == a::MESSAGE_AUTHENTICATOR {
            builder.message_authenticator()?;
        } else {
            builder.attribute(&attribute)?;
        }
    }
    Ok(builder)
}

/// As far as it can be told: an Access-Request without Message-Authenticator proves nothing.
#[must_use]
pub fn is_authentic(request: &Packet<'_>, secret: &Secret) -> bool {
    if request.code().request_is_digested() {
        return sign::digested_request_is_authentic(request, secret);
    }
    sign::check_message_authenticator(request, None, secret) != MessageAuthenticator::Wrong
}

/// The Request Authenticator stays, so only the secret in the hiding changes
/// (RFC 2865 section 5.2). A value that can't be read goes as it is.
fn password(packet: &Packet<'_>, value: &[u8], keys: &Keys) -> Vec<u8> {
    hide::reveal_password(value, &keys.then, packet.authenticator())
        .and_then(|plain| hide::hide_password(&plain, &keys.now, packet.authenticator()).ok())
        .unwrap_or_else(|| value.to_vec())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn keys(then: &str, now: &str) -> Keys {
        Keys {
            then: Secret::new(then),
            now: Secret::new(now),
        }
    }

    const OLD: &str = "the secret of then";
    const NEW: &str = "the secret of now.";

    fn login(secret: &Secret) -> Vec<u8> {
        let authenticator = [7; 16];
        let hidden = hide::hide_password(b"gangway", secret, &authenticator).unwrap();
        let mut builder = Builder::new(Code::ACCESS_REQUEST, 9);
        builder.message_authenticator().unwrap();
        builder.text(a::USER_NAME, "purser").unwrap();
        builder.push(a::USER_PASSWORD, &hidden).unwrap();
        builder.finish_request(&authenticator, secret)
    }

    /// RFC 2865 section 5.2 and RFC 3579 section 3.2, under the new secret.
    #[test]
    fn a_login_is_hidden_and_signed_with_the_new_secret() {
        let keys = keys(OLD, NEW);
        let resigned = request(&login(&keys.then), &keys, &Swaps::default());
        assert_eq!(resigned.trouble, None);
        let packet = Packet::parse(&resigned.octets).unwrap();
        assert!(is_authentic(&packet, &keys.now));
        assert!(!is_authentic(&packet, &keys.then));
        let hidden = packet.first(a::USER_PASSWORD).unwrap().value;
        assert_eq!(
            hide::reveal_password(hidden, &keys.now, packet.authenticator()),
            Some(b"gangway".to_vec())
        );
    }

    #[test]
    fn without_the_recorded_secret_it_is_said_and_left_as_it_was() {
        let octets = login(&Secret::new("one that nobody knows"));
        for keys in [keys(OLD, NEW), keys(OLD, OLD)] {
            let resigned = request(&octets, &keys, &Swaps::default());
            assert_eq!(resigned.octets, octets);
            assert_eq!(resigned.trouble, Some(UNKNOWN_SECRET));
        }
    }

    /// RFC 2866 section 3: the authenticator of accounting is a digest over the packet; RFC 2865
    /// section 5.25: the Class is the bench's own.
    #[test]
    fn accounting_brings_the_class_of_now() {
        let keys = keys(OLD, OLD);
        let accept = |class: &[u8]| {
            let mut builder = Builder::new(Code::ACCESS_ACCEPT, 1);
            builder.push(a::CLASS, class).unwrap();
            builder.finish_response(&[7; 16], &keys.then)
        };
        let mut swaps = Swaps::default();
        swaps.learn(&accept(b"then"), &accept(b"it is now"));
        let mut builder = Builder::new(Code::ACCOUNTING_REQUEST, 2);
        builder.push(a::CLASS, b"then").unwrap();
        builder.push(a::CLASS, b"of another server").unwrap();
        let octets = builder.finish_digested_request(&keys.then);
        let resigned = request(&octets, &keys, &swaps);
        let packet = Packet::parse(&resigned.octets).unwrap();
        assert!(is_authentic(&packet, &keys.now));
        let classes: Vec<&[u8]> = packet.all(a::CLASS).map(|found| found.value).collect();
        assert_eq!(classes, [&b"it is now"[..], b"of another server"]);
    }
}
