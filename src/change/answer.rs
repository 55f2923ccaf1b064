//! What a switch answered, once it is known to be its answer.

use crate::wire::registry::attributes;
use crate::wire::registry::error_cause::ErrorCause;
use crate::wire::sign::{self, MessageAuthenticator};
use crate::wire::{Code, Packet, Secret};

use super::request::Request;

/// A verified answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Answer {
    pub(super) acked: bool,
    pub(super) cause: Option<ErrorCause>,
    /// The rule that the answer breaks, though it counts.
    pub(super) breach: Option<&'static str>,
}

/// Why a datagram with the right address and Identifier is not the answer. It is dropped and the
/// answer still waited for: anybody may have sent it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub(super) enum Unusable {
    #[error("{got} does not answer a {asked}")]
    Code { got: Code, asked: Code },
    #[error(
        "the Response Authenticator is wrong: the change-secret differs, or somebody else answered"
    )]
    ResponseAuthenticator,
    #[error("the Message-Authenticator is wrong")]
    MessageAuthenticator,
}

impl Unusable {
    pub(super) fn verdict(self) -> &'static str {
        match self {
            Unusable::Code { .. } => "dropped-wrong-code",
            Unusable::ResponseAuthenticator => "dropped-bad-response-authenticator",
            Unusable::MessageAuthenticator => "dropped-bad-message-authenticator",
        }
    }

    pub(super) fn breach(self) -> &'static str {
        match self {
            Unusable::Code { .. } | Unusable::ResponseAuthenticator => "RFC 5176 section 2.3",
            Unusable::MessageAuthenticator => "RFC 5176 section 3.4",
        }
    }
}

/// Reads the answer to `request`, whose Request Authenticator was `authenticator`.
pub(super) fn read(
    packet: &Packet<'_>,
    request: &Request,
    authenticator: &[u8; 16],
    secret: &Secret,
) -> Result<Answer, Unusable> {
    let acked =
        match (request.code, packet.code()) {
            (Code::COA_REQUEST, Code::COA_ACK)
            | (Code::DISCONNECT_REQUEST, Code::DISCONNECT_ACK) => true,
            (Code::COA_REQUEST, Code::COA_NAK)
            | (Code::DISCONNECT_REQUEST, Code::DISCONNECT_NAK) => false,
            (asked, got) => return Err(Unusable::Code { got, asked }),
        };
    if !sign::response_is_authentic(packet, authenticator, secret) {
        return Err(Unusable::ResponseAuthenticator);
    }
    if sign::check_message_authenticator(packet, Some(authenticator), secret)
        == MessageAuthenticator::Wrong
    {
        return Err(Unusable::MessageAuthenticator);
    }
    let cause = packet.integer(attributes::ERROR_CAUSE).map(ErrorCause);
    Ok(Answer {
        acked,
        cause,
        breach: breach(packet, request, acked, cause),
    })
}

fn breach(
    packet: &Packet<'_>,
    request: &Request,
    acked: bool,
    cause: Option<ErrorCause>,
) -> Option<&'static str> {
    if cause.is_some_and(|cause| !cause.allowed_in(packet.code())) {
        return Some("RFC 5176 section 3.5");
    }
    let state = request.state.as_deref()?;
    if acked {
        return Some("RFC 5176 section 3.2");
    }
    let mut given_back = packet.all(attributes::STATE).map(|found| found.value);
    let same = given_back.next() == Some(state) && given_back.next().is_none();
    (!same).then_some("RFC 5176 section 3.3")
}
