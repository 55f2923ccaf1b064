//! 802.1X: EAP in Access-Requests (RFC 3579).

use jiff::Timestamp;

use super::access::{self, Carried, Desk};
use super::arrival::{Dropped, Request};
use super::credentials::Refused;
use super::engine::Answer;
use super::verdict::Refusal;
use crate::roster::Effects;
use crate::wire::AttributeBuf;
use crate::wire::registry::attributes;

/// EAP conversations in progress.
#[derive(Debug, Default)]
pub(super) struct Conversations {}

impl Conversations {
    pub(super) fn next_deadline(&self) -> Option<Timestamp> {
        None
    }

    pub(super) fn expire(&mut self, _now: Timestamp) -> Effects {
        Effects::default()
    }
}

/// Answers an Access-Request with EAP-Message.
pub(super) fn answer(desk: &mut Desk<'_>, request: &Request<'_>) -> Result<Answer, Dropped> {
    let refused = Refused::new(
        Refusal::NoEap,
        "802.1X, and the bench file sets up no EAP methods",
    );
    let identifier = request
        .packet
        .first(attributes::EAP_MESSAGE)
        .and_then(|message| message.value.get(1).copied())
        .unwrap_or_default();
    // EAP Failure (RFC 3748 section 4.2).
    let failure = AttributeBuf::new(attributes::EAP_MESSAGE, [4, identifier, 0, 4]);
    let carried = Carried {
        reject: vec![failure],
        ..Carried::default()
    };
    access::reject(desk, request, &refused, &carried)
}
