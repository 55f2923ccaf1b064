//! Status-Server (RFC 5997): is anybody there?

use super::arrival::{Dropped, Request};
use super::engine::Answer;
use super::reply;
use super::verdict::Verdict;
use crate::journal::{Kind, Link};
use crate::roster::Effects;
use crate::wire::Code;
use crate::wire::registry::attributes;

/// What RFC 5997 section 3 says must not be in a Status-Server.
const FORBIDDEN: [u8; 3] = [
    attributes::USER_PASSWORD,
    attributes::CHAP_PASSWORD,
    attributes::EAP_MESSAGE,
];

/// Answers on either port: an accept or an accounting response, which says nothing but "I am
/// here". It is not kept for retransmissions; asking again costs nothing.
pub(super) fn answer(request: &Request<'_>) -> Result<Answer, Dropped> {
    let builder = match request.arrival.link {
        Link::Accounting => reply::bare(Code::ACCOUNTING_RESPONSE, request),
        _ => reply::start(Code::ACCESS_ACCEPT, request)?,
    };
    let mut entry =
        request
            .arrival
            .entry(Kind::Status, Verdict::Status, "the bench is up".to_owned());
    entry.place.switch = Some(request.switch.name.clone());
    if FORBIDDEN
        .iter()
        .any(|kind| request.packet.first(*kind).is_some())
    {
        entry.reason = "the bench is up; credentials in a Status-Server were ignored".to_owned();
        entry.breach = Some("RFC 5997 section 3".to_owned());
    }
    Ok(Answer {
        entry,
        reply: reply::finish(builder, request),
        effects: Effects::default(),
    })
}
