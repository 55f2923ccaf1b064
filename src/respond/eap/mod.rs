//! 802.1X: EAP in Access-Requests (RFC 3579).
//!
//! The login itself is a [`Conversation`] of the `eap` room. Here it is found again by its State,
//! asked, and its outcome turned into an answer.

mod accounts;
mod conversations;
mod outcome;

use crate::eap::codec::packet::failure;
use crate::eap::{Conversation, Step};

pub(super) use conversations::Conversations;

use super::access::{self, Carried, Desk};
use super::arrival::{Dropped, Request};
use super::credentials::Refused;
use super::engine::Answer;
use super::reply;
use super::verdict::{Refusal, Silence, Verdict};
use crate::journal::Kind;
use crate::roster::Effects;
use crate::wire::registry::attributes;
use crate::wire::{AttributeBuf, Code};
use accounts::Accounts;
use conversations::{Open, Token};

/// Answers an Access-Request with EAP-Message.
pub(super) fn answer(desk: &mut Desk<'_>, request: &Request<'_>) -> Result<Answer, Dropped> {
    // Joined by RFC 3579 section 3.1; there is one, or this would not be asked.
    let eap = request
        .packet
        .joined(attributes::EAP_MESSAGE)
        .unwrap_or_default();
    let state = request.packet.first(attributes::STATE);
    let found = match state {
        Some(state) => going_on(desk, request, state.value),
        None if desk.conversations.is_full() => {
            return Err(Dropped::new(
                Silence::EapOverload,
                "too many 802.1X logins in progress, and those go first (RFC 5080 section 2.2.3)",
            ));
        }
        None => beginning(desk, request),
    };
    match found {
        Ok((token, open)) => step(desk, request, &eap, token, open),
        Err(refused) => {
            // Under the identifier that came (RFC 3748 section 4.2).
            let identifier = eap.get(1).copied().unwrap_or_default();
            let failure = Carried::failure(&failure(identifier));
            access::reject(desk, request, &refused, &failure)
        }
    }
}

fn beginning(desk: &mut Desk<'_>, request: &Request<'_>) -> Result<(Token, Open), Refused> {
    let settings = desk.conversations.settings().ok_or_else(|| {
        Refused::new(
            Refusal::NoEap,
            "802.1X, but the bench sets up no EAP methods",
        )
    })?;
    let open = Open::new(Conversation::new(settings), request);
    Ok((Token::new(desk.rng), open))
}

fn going_on(
    desk: &mut Desk<'_>,
    request: &Request<'_>,
    state: &[u8],
) -> Result<(Token, Open), Refused> {
    desk.conversations
        .take(state, request.address())
        .ok_or_else(|| {
            Refused::new(
                Refusal::NoConversation,
                "the State is of no 802.1X login in progress: it ended, ran out of time, or \
                 belongs to another server",
            )
        })
}

/// Asks a login what to answer.
fn step(
    desk: &mut Desk<'_>,
    request: &Request<'_>,
    eap: &[u8],
    token: Token,
    mut open: Open,
) -> Result<Answer, Dropped> {
    let accounts = Accounts::new(desk.bench, desk.roster, request);
    let step = open.conversation.handle(
        request.arrival.now,
        eap,
        request.packet.integer(attributes::FRAMED_MTU),
        &accounts,
        desk.rng,
    );
    // A tunnel may take another round to tell the supplicant.
    open.denied = accounts.into_denied().or(open.denied);
    let identity = open.conversation.identity().map(str::to_owned);
    match step {
        Step::Send(message) => {
            let answer = challenge(request, &message, &token, identity)?;
            desk.conversations.keep(request.arrival.now, token, open);
            Ok(answer)
        }
        Step::Discard(discard) => {
            // A stray packet ends no login, and begins none.
            if request.packet.first(attributes::STATE).is_some() {
                desk.conversations.keep(request.arrival.now, token, open);
            }
            Err(Dropped::new(Silence::EapDiscarded, discard.to_string()))
        }
        Step::Success(proof, success) => outcome::success(desk, request, &proof, &success),
        Step::Failure(refusal, failure) => {
            let carried = Carried::failure(&failure);
            match open.denied {
                // The class table spoke before the method ended, and speaks again for the journal.
                Some(proof) => access::decide_on(desk, request, proof, &carried),
                None => {
                    let refused = outcome::refused(&refusal);
                    let mut answer = access::reject(desk, request, &refused, &carried)?;
                    if identity.is_some() {
                        answer.entry.place.identity = identity;
                    }
                    Ok(answer)
                }
            }
        }
    }
}

impl Carried {
    /// A reject with an EAP-Failure.
    fn failure(failure: &[u8]) -> Carried {
        Carried {
            reject: vec![AttributeBuf::new(attributes::EAP_MESSAGE, failure)],
            ..Carried::default()
        }
    }
}

fn challenge(
    request: &Request<'_>,
    message: &[u8],
    token: &Token,
    identity: Option<String>,
) -> Result<Answer, Dropped> {
    let mut builder = reply::start(Code::ACCESS_CHALLENGE, request)?;
    builder.long(attributes::EAP_MESSAGE, message)?;
    builder.push(attributes::STATE, token.octets())?;
    reply::echo_proxy_state(&mut builder, request)?;
    let mut entry =
        request
            .arrival
            .entry(Kind::Access, Verdict::Challenge, outcome::describe(message));
    entry.place = request.place();
    entry.place.identity = identity;
    Ok(Answer {
        entry,
        reply: reply::finish(builder, request),
        effects: Effects::default(),
    })
}
