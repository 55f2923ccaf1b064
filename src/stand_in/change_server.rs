//! The switch's side of RFC 5176: which requests are taken at all, and the signing of answers.

use std::collections::VecDeque;
use std::net::{IpAddr, SocketAddr};

use jiff::Timestamp;

use super::config::StandInConfig;
use super::draft::{Draft, Seal};
use super::event::What;
use super::misbehave::Misbehaviour;
use super::outputs::{Place, Post, Socket};
use super::request::AUTHORIZE_ONLY;
use super::schedule::{after, event_timestamp, skew};
use crate::wire::registry::attributes as a;
use crate::wire::registry::error_cause::ErrorCause;
use crate::wire::sign::{self, MessageAuthenticator};
use crate::wire::{Code, Packet, Secret};

/// Answers that are remembered at the most.
const MOST_ANSWERS: usize = 1024;

/// Takes requests and remembers what it answered.
#[derive(Default)]
pub(super) struct ChangeServer {
    answers: VecDeque<Answered>,
}

struct Answered {
    peer: SocketAddr,
    identifier: u8,
    authenticator: [u8; 16],
    /// The answer; none for a request that got none.
    octets: Option<Vec<u8>>,
    until: Timestamp,
}

/// A request that is to be carried out or refused.
pub(super) struct ChangeRequest<'a> {
    peer: SocketAddr,
    pub(super) packet: Packet<'a>,
    secret: Secret,
}

/// What is answered.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Verdict {
    Done,
    Refused(ErrorCause),
    /// The switch asks on its own (RFC 5176 section 3.2).
    Begun,
}

impl ChangeServer {
    /// Checks a datagram. A duplicate gets its answer again here; what is not to be answered is
    /// dropped with a reason.
    pub(super) fn receive<'d>(
        &mut self,
        post: &mut Post<'_>,
        peer: SocketAddr,
        datagram: &'d [u8],
    ) -> Option<ChangeRequest<'d>> {
        let request = match check(post, peer, datagram) {
            Ok(request) => request,
            Err(reason) => {
                post.note(Place::default(), What::ChangeDropped { reason });
                return None;
            }
        };
        if self.is_duplicate(post, &request) {
            return None;
        }
        Some(request)
    }

    /// Signs and sends an answer, and remembers it.
    pub(super) fn answer(
        &mut self,
        post: &mut Post<'_>,
        place: Place,
        request: &ChangeRequest<'_>,
        verdict: Verdict,
    ) {
        let packet = &request.packet;
        let disconnect = packet.code() == Code::DISCONNECT_REQUEST;
        let code = match (disconnect, verdict) {
            (true, Verdict::Done) => Code::DISCONNECT_ACK,
            (true, _) => Code::DISCONNECT_NAK,
            (false, Verdict::Done) => Code::COA_ACK,
            (false, _) => Code::COA_NAK,
        };
        let cause = match verdict {
            Verdict::Done => None,
            Verdict::Refused(cause) => Some(cause),
            Verdict::Begun => Some(ErrorCause::REQUEST_INITIATED),
        };
        let mut draft = Draft::new(code, Seal::First);
        if let Some(cause) = cause {
            draft.integer(a::ERROR_CAUSE, cause.0);
        }
        if verdict == Verdict::Begun {
            draft.integer(a::SERVICE_TYPE, AUTHORIZE_ONLY);
        }
        draft.integer(a::EVENT_TIMESTAMP, event_timestamp(post.now));
        // RFC 5176 sections 3.1 and 3.3.
        for attribute in packet.all(a::PROXY_STATE).chain(packet.first(a::STATE)) {
            draft.attributes.push(attribute.to_buf());
        }
        let octets = draft.sign_response(
            packet.identifier(),
            post.config,
            &request.secret,
            packet.authenticator(),
        );
        let silent = post.config.does(Misbehaviour::NoAnswerToChange);
        if !silent {
            post.transmit(Socket::Change, request.peer, octets.clone());
            post.note(
                place,
                What::ChangeAnswered {
                    answer: code,
                    cause,
                },
            );
        }
        self.remember(post, request, (!silent).then_some(octets));
    }

    /// RFC 5176 section 2.3: same source address and port, same Identifier. Another authenticator
    /// makes it another request (RFC 5080 section 2.2.2).
    fn is_duplicate(&mut self, post: &mut Post<'_>, request: &ChangeRequest<'_>) -> bool {
        if post.config.does(Misbehaviour::ProcessesDuplicates) {
            return false;
        }
        let known = self.answers.iter().find(|known| {
            known.peer == request.peer
                && known.identifier == request.packet.identifier()
                && known.authenticator == *request.packet.authenticator()
                && known.until > post.now
        });
        let Some(known) = known else {
            return false;
        };
        if let Some(octets) = &known.octets {
            post.transmit(Socket::Change, request.peer, octets.clone());
            post.note(Place::default(), What::ChangeRepeated);
        }
        true
    }

    /// The window of duplicates is that of Event-Timestamp (RFC 5176 section 6.3).
    fn remember(&mut self, post: &Post<'_>, request: &ChangeRequest<'_>, octets: Option<Vec<u8>>) {
        while self.answers.len() >= MOST_ANSWERS
            || self
                .answers
                .front()
                .is_some_and(|oldest| oldest.until <= post.now)
        {
            self.answers.pop_front();
        }
        self.answers.push_back(Answered {
            peer: request.peer,
            identifier: request.packet.identifier(),
            authenticator: *request.packet.authenticator(),
            octets,
            until: after(post.now, post.config.changes.window),
        });
    }
}

fn check<'d>(
    post: &Post<'_>,
    peer: SocketAddr,
    datagram: &'d [u8],
) -> Result<ChangeRequest<'d>, String> {
    let rules = &post.config.changes;
    let secret = secret_of(post.config, peer.ip())
        .ok_or_else(|| format!("{} may not send changes (RFC 5176 section 6.1)", peer.ip()))?;
    let packet = Packet::parse(datagram).map_err(|error| error.to_string())?;
    if !matches!(packet.code(), Code::COA_REQUEST | Code::DISCONNECT_REQUEST) {
        return Err(format!(
            "{} is no change (RFC 5176 section 2.3)",
            packet.code()
        ));
    }
    if !sign::digested_request_is_authentic(&packet, secret) {
        return Err("Request Authenticator is wrong (RFC 5176 section 2.3)".to_owned());
    }
    match sign::check_message_authenticator(&packet, None, secret) {
        MessageAuthenticator::Wrong => {
            return Err("Message-Authenticator is wrong (RFC 5176 section 3.4)".to_owned());
        }
        MessageAuthenticator::Absent if rules.require_message_authenticator => {
            return Err("Message-Authenticator is missing (RFC 5176 section 3.4)".to_owned());
        }
        MessageAuthenticator::Absent | MessageAuthenticator::Right => {}
    }
    check_time(post, &packet)?;
    Ok(ChangeRequest {
        peer,
        packet,
        secret: secret.clone(),
    })
}

/// RFC 5176 section 6.3
fn check_time(post: &Post<'_>, packet: &Packet<'_>) -> Result<(), String> {
    let rules = &post.config.changes;
    let Some(stamp) = packet.first(a::EVENT_TIMESTAMP) else {
        return if rules.require_event_timestamp {
            Err("Event-Timestamp is missing (RFC 5176 section 6.3)".to_owned())
        } else {
            Ok(())
        };
    };
    let stamp = stamp
        .integer()
        .ok_or("Event-Timestamp does not have four octets (RFC 2869 section 5.3)")?;
    let off = skew(post.now, stamp);
    if off > rules.window && !post.config.does(Misbehaviour::TakesStaleChanges) {
        return Err(format!(
            "Event-Timestamp is {} s off, {} are allowed (RFC 5176 section 6.3)",
            off.as_secs(),
            rules.window.as_secs()
        ));
    }
    Ok(())
}

/// The secret for changes from an address, or `None` when it may not send any.
fn secret_of(config: &StandInConfig, peer: IpAddr) -> Option<&Secret> {
    let server = config
        .servers
        .iter()
        .find(|server| server.authentication.ip() == peer);
    let rules = &config.changes;
    let allowed = if rules.from.is_empty() {
        server.is_some()
    } else {
        rules.from.contains(&peer)
    };
    if !allowed {
        return None;
    }
    rules
        .secret
        .as_ref()
        .or(server.map(|server| &server.secret))
        .or(config.servers.first().map(|server| &server.secret))
}
