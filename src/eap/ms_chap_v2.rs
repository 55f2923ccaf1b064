//! EAP-MSCHAPv2: MS-CHAPv2 (RFC 2759) as an EAP method. How its messages are packed and when each
//! is acknowledged is common practice, from memory.

use std::fmt::Write as _;
use std::sync::Arc;

use zeroize::Zeroizing;

use super::codec::ms_chap_v2::Message;
use super::conversation::Discard;
use super::identity::readable;
use super::method::{Context, Move, judge};
use super::ms_chap::{self, StartKeys};
use super::proof::{Keys, Method, Proof};
use super::refusal::{Refusal, Silence};

const NAME: &str = "EAP-MSCHAPv2";

pub(super) struct MsChapV2 {
    challenge: [u8; 16],
    retries_left: u8,
    state: State,
}

enum State {
    Challenged,
    /// A wrong password was told, and that it may be tried again with a new challenge.
    Retrying(Refusal),
    /// The success was told; what follows is its acknowledgement.
    Succeeding(Arc<Proof>),
    /// The failure was told.
    Failing(Refusal),
}

impl MsChapV2 {
    pub(super) fn start(context: &mut Context<'_>) -> (MsChapV2, Vec<u8>) {
        let method = MsChapV2 {
            challenge: context.challenge(),
            retries_left: context.settings.plan().retries,
            state: State::Challenged,
        };
        let request = Message::Challenge {
            // Common practice: the MS-CHAPv2-ID is the identifier of the EAP request.
            id: context.identifier.wrapping_add(1),
            challenge: method.challenge,
            name: context.settings.plan().name.as_bytes(),
        };
        let request = request.encode();
        (method, request)
    }

    pub(super) fn respond(
        &mut self,
        context: &mut Context<'_>,
        data: &[u8],
    ) -> Result<Move, Refusal> {
        let message = Message::parse_response(data).ok_or(Refusal::Protocol {
            method: NAME,
            what: "the response cannot be read",
        })?;
        match (&mut self.state, message) {
            // The identifier of EAP has matched the response to its request already; the one
            // inside adds nothing, and supplicants count it differently on a retry.
            (
                State::Challenged | State::Retrying(_),
                Message::Response {
                    id,
                    peer_challenge,
                    nt_response,
                    name,
                },
            ) => {
                let exchange = ms_chap::Exchange {
                    authenticator_challenge: self.challenge,
                    peer_challenge,
                    name,
                };
                match verify(context, NAME, context.identity, &exchange, &nt_response) {
                    Ok(verified) => self.succeed(context, id, verified),
                    Err(refusal) => Ok(self.fail(context, id, refusal)),
                }
            }
            (State::Succeeding(proof), Message::SuccessResponse) => Ok(Move::Proven(proof.clone())),
            (State::Succeeding(proof), Message::FailureResponse) => Err(Refusal::ServerNotProven {
                identity: proof.identity.clone(),
            }),
            (
                State::Failing(Refusal::MustChangePassword { identity, .. }),
                Message::ChangePassword,
            ) => Err(Refusal::MustChangePassword {
                identity: std::mem::take(identity),
                change_tried: true,
            }),
            (State::Retrying(refusal) | State::Failing(refusal), _) => Err(refusal.clone()),
            (State::Challenged | State::Succeeding(_), _) => Ok(Move::Ignore(Discard::OutOfPlace(
                "an EAP-MSCHAPv2 message that does not fit here",
            ))),
        }
    }

    fn succeed(
        &mut self,
        context: &Context<'_>,
        id: u8,
        verified: Verified,
    ) -> Result<Move, Refusal> {
        let proof = Arc::new(Proof {
            method: Method::MsChapV2,
            inner: None,
            outer_identity: context.identity.to_owned(),
            identity: verified.identity,
            certificate: None,
            keys: Some(keys(&verified.keys)),
            session_id: None,
            resumed: false,
            tls: None,
        });
        context.admit(&proof)?;
        self.state = State::Succeeding(proof);
        let text = format!("{} M=OK", verified.authenticator_response);
        let request = Message::SuccessRequest {
            id,
            text: text.as_bytes(),
        };
        Ok(Move::Ask(request.encode()))
    }

    fn fail(&mut self, context: &mut Context<'_>, id: u8, refusal: Refusal) -> Move {
        let may_retry = matches!(refusal, Refusal::WrongPassword { .. }) && self.retries_left > 0;
        self.challenge = context.challenge();
        let text = failure_text(&refusal, may_retry, &self.challenge);
        self.state = if may_retry {
            self.retries_left -= 1;
            State::Retrying(refusal)
        } else {
            State::Failing(refusal)
        };
        let request = Message::FailureRequest {
            id,
            text: text.as_bytes(),
        };
        Move::Ask(request.encode())
    }

    pub(super) fn stalled(&self) -> Refusal {
        match &self.state {
            State::Challenged => Refusal::Silent(Silence::Method(Method::MsChapV2)),
            State::Succeeding(_) => Refusal::Silent(Silence::ServerProof),
            State::Retrying(refusal) | State::Failing(refusal) => refusal.clone(),
        }
    }
}

/// A response that was right.
pub(super) struct Verified {
    pub(super) identity: String,
    pub(super) authenticator_response: String,
    pub(super) keys: StartKeys,
}

/// Checks a response against the account that its name field names or, if there is none, against
/// the one of the `identity`: machines give `host/name.domain` as identity and `DOMAIN\NAME$` as name
/// (common practice, no source).
pub(super) fn verify(
    context: &Context<'_>,
    method: &'static str,
    identity: &str,
    exchange: &ms_chap::Exchange<'_>,
    nt_response: &[u8; 24],
) -> Result<Verified, Refusal> {
    let named = readable(exchange.name);
    let identity = if context.credentials.account(&named).is_some() {
        named
    } else {
        identity.to_owned()
    };
    let (account, password) = context.account(&identity, method)?;
    let nt_hash = password.to_nt_hash();
    let fits = exchange.verify(&nt_hash, nt_response);
    judge(&account, &identity, method, fits)?;
    Ok(Verified {
        authenticator_response: exchange.authenticator_response(&nt_hash, nt_response),
        keys: ms_chap::start_keys(&nt_hash, nt_response),
        identity,
    })
}

/// The Message field of a Failure packet (RFC 2759 section 6, with its error codes). Disabled and
/// expired accounts share code 647. The challenge is sent even when a retry is not allowed.
fn failure_text(refusal: &Refusal, may_retry: bool, challenge: &[u8; 16]) -> String {
    let (code, words) = match refusal {
        Refusal::AccountDisabled { .. } => (647, "Account disabled"),
        Refusal::AccountExpired { .. } => (647, "Account expired"),
        Refusal::MustChangePassword { .. } => (648, "Password expired"),
        _ => (691, "Authentication failure"),
    };
    let mut text = format!("E={code} R={} C=", u8::from(may_retry));
    for octet in challenge {
        // Writing to a String cannot fail.
        let _ = write!(text, "{octet:02X}");
    }
    let _ = write!(text, " V=3 M={words}");
    text
}

/// The MSK of the method on its own: receive key, send key, zeros (common practice, from memory).
fn keys(keys: &StartKeys) -> Keys {
    let mut msk = Zeroizing::new([0; 64]);
    let octets = keys.receive.iter().chain(keys.send.iter());
    msk.iter_mut()
        .zip(octets)
        .for_each(|(to, from)| *to = *from);
    Keys { msk, emsk: None }
}
