//! One EAP exchange: identity, agreement on a method, the method, the end. The same machine runs in
//! the clear and inside EAP-TTLS and PEAP.

use std::sync::Arc;

use super::codec::{Code, Packet, Type, packet};
use super::conversation::{Discard, Step};
use super::identity::readable;
use super::method::{Context, Move, Running};
use super::proof::{Method, Proof};
use super::refusal::{Refusal, Silence};
use super::settings::{FRAGMENT_RANGE, Place};

/// Most round trips of a login. A chain of ten certificates in fragments of 64 octets takes half of
/// them.
const MOST_ROUNDS: u16 = 1000;

/// Octets that a tunnel may add to an inner packet: record header, nonce and tag, an
/// attribute-value header and its padding.
const TUNNEL_OVERHEAD: usize = 64;

pub(super) struct Exchange {
    place: Place,
    /// Identifier of the request that is out; with no request out, of the last response.
    identifier: u8,
    /// The request that is out, kept for repetition.
    request: Option<Vec<u8>>,
    identity: Option<Arc<str>>,
    phase: Phase,
    offered: Vec<Method>,
    rounds: u16,
}

enum Phase {
    /// Waits for the identity.
    Identity,
    /// A method runs. Until the supplicant has taken it up, it may ask for another one.
    Method {
        running: Running,
        taken_up: bool,
    },
    Ended(End),
}

#[derive(Clone)]
enum End {
    Success(Arc<Proof>),
    Failure(Refusal),
}

impl Exchange {
    pub(super) fn new(place: Place) -> Exchange {
        Exchange {
            place,
            identifier: 0,
            request: None,
            identity: None,
            phase: Phase::Identity,
            offered: Vec::new(),
            rounds: 0,
        }
    }

    /// Asks for the identity, or repeats the request that is out.
    pub(super) fn start(&mut self, identifier: u8) -> Vec<u8> {
        if let Some(request) = &self.request {
            return request.clone();
        }
        self.identifier = identifier;
        let request = packet::encode(Code::Request, identifier, Type::IDENTITY, &[]);
        self.request = Some(request.clone());
        request
    }

    /// Identifier of the request that is out.
    pub(super) fn identifier(&self) -> u8 {
        self.identifier
    }

    /// The identity that was given, if one was.
    pub(super) fn identity(&self) -> Option<&str> {
        self.identity.as_deref()
    }

    /// Takes an EAP packet from inside a tunnel.
    pub(super) fn inside(&mut self, context: &mut Context<'_>, packet: &[u8]) -> Step {
        let room = context.room.saturating_sub(TUNNEL_OVERHEAD);
        let mut context = Context {
            room: room.max(*FRAGMENT_RANGE.start()),
            rng: &mut *context.rng,
            ..*context
        };
        self.handle(&mut context, packet)
    }

    /// Takes an EAP packet. Of the context, `identity`, `identifier` and `place` are set here.
    pub(super) fn handle(&mut self, context: &mut Context<'_>, packet: &[u8]) -> Step {
        let response = match Packet::parse(packet) {
            Ok(packet) if packet.code == Code::Response => packet,
            Ok(packet) => return Step::Discard(Discard::NotAResponse(packet.code)),
            Err(malformed) => return Step::Discard(Discard::Malformed(malformed)),
        };
        let kind = response.kind.unwrap_or(Type(0));
        if let Some(step) = self.repeated(response.identifier) {
            return step;
        }
        let identity = self.identity.clone().unwrap_or_default();
        let mut context = Context {
            place: self.place,
            identity: &identity,
            identifier: response.identifier,
            rng: &mut *context.rng,
            ..*context
        };
        self.identifier = response.identifier;
        match &mut self.phase {
            Phase::Identity if kind == Type::IDENTITY => {
                let identity: Arc<str> = readable(response.data).into();
                context.identity = &identity;
                self.identity = Some(identity.clone());
                self.offer(&mut context, None)
            }
            Phase::Identity => Step::Discard(Discard::WrongType {
                got: kind,
                expected: Type::IDENTITY,
            }),
            Phase::Method { running, .. } if kind == running.method().eap_type() => {
                let next = running.respond(&mut context, response.data);
                self.go_on(next)
            }
            Phase::Method { running, taken_up } => match wanted_types(kind, response.data) {
                None => Step::Discard(Discard::WrongType {
                    got: kind,
                    expected: running.method().eap_type(),
                }),
                Some(_) if *taken_up => Step::Discard(Discard::NakTooLate),
                Some(wanted) => self.offer(&mut context, Some(wanted)),
            },
            Phase::Ended(_) => Step::Discard(Discard::Ended),
        }
    }

    /// The answer to a response that is not the next one: the request again for the response that
    /// led to it (RFC 3748 section 4.1), a discard for any other. `None` for the next one.
    fn repeated(&self, identifier: u8) -> Option<Step> {
        if let Phase::Ended(end) = &self.phase {
            return Some(if identifier == self.identifier {
                end.step(identifier)
            } else {
                Step::Discard(Discard::Ended)
            });
        }
        let request = self.request.as_ref()?;
        if identifier == self.identifier {
            return None;
        }
        Some(if identifier == self.identifier.wrapping_sub(1) {
            Step::Send(request.clone())
        } else {
            Step::Discard(Discard::WrongIdentifier {
                got: identifier,
                expected: self.identifier,
            })
        })
    }

    /// Offers the favourite method among those that were not offered yet and, after a Nak, are
    /// wanted (RFC 3748 section 5.3.1).
    fn offer(&mut self, context: &mut Context<'_>, wanted: Option<Vec<Type>>) -> Step {
        let next = context
            .settings
            .methods(self.place)
            .iter()
            .copied()
            .find(|method| {
                let is_wanted = |types: &Vec<Type>| types.contains(&method.eap_type());
                !self.offered.contains(method) && wanted.as_ref().is_none_or(is_wanted)
            });
        let Some(method) = next else {
            return self.end(End::Failure(Refusal::NoCommonMethod {
                offered: self.offered.clone(),
                wanted: wanted.unwrap_or_default(),
            }));
        };
        self.offered.push(method);
        match Running::start(method, context) {
            Ok((running, data)) => {
                self.phase = Phase::Method {
                    running,
                    taken_up: false,
                };
                self.ask(method, &data)
            }
            Err(refusal) => self.end(End::Failure(refusal)),
        }
    }

    fn go_on(&mut self, next: Move) -> Step {
        match (next, &mut self.phase) {
            (Move::Ask(data), Phase::Method { running, taken_up }) => {
                *taken_up = true;
                let method = running.method();
                self.ask(method, &data)
            }
            // A move comes from a method, so that this arm is a discard in name only.
            (Move::Ask(_), _) => Step::Discard(Discard::Ended),
            (Move::Proven(proof), _) => self.end(End::Success(proof)),
            (Move::Refused(refusal), _) => self.end(End::Failure(refusal)),
            (Move::Ignore(reason), _) => Step::Discard(reason),
        }
    }

    fn ask(&mut self, method: Method, data: &[u8]) -> Step {
        self.rounds += 1;
        if self.rounds > MOST_ROUNDS {
            return self.end(End::Failure(Refusal::TooManyRounds(MOST_ROUNDS)));
        }
        self.identifier = self.identifier.wrapping_add(1);
        let request = packet::encode(Code::Request, self.identifier, method.eap_type(), data);
        self.request = Some(request.clone());
        Step::Send(request)
    }

    /// Ends the exchange, and lets go of all that it held.
    fn end(&mut self, end: End) -> Step {
        let step = end.step(self.identifier);
        self.phase = Phase::Ended(end);
        self.request = None;
        self.offered = Vec::new();
        step
    }

    /// Why the login failed, if nothing more comes from the supplicant. `None` after a success, and
    /// inside a tunnel before anything was said.
    pub(super) fn stalled(&self) -> Option<Refusal> {
        match &self.phase {
            Phase::Identity => {
                (self.place == Place::Outside).then_some(Refusal::Silent(Silence::Identity))
            }
            Phase::Method {
                running,
                taken_up: false,
            } => Some(Refusal::Silent(Silence::Offer(running.method()))),
            Phase::Method { running, .. } => Some(running.stalled()),
            Phase::Ended(End::Success(_)) => None,
            Phase::Ended(End::Failure(refusal)) => Some(refusal.clone()),
        }
    }
}

impl End {
    /// The last packet carries the identifier of the response that it answers
    /// (RFC 3748 section 4.2).
    fn step(&self, identifier: u8) -> Step {
        match self {
            End::Success(proof) => Step::Success(proof.clone(), packet::success(identifier)),
            End::Failure(refusal) => Step::Failure(refusal.clone(), packet::failure(identifier)),
        }
    }
}

/// What a Nak asks for; `None` for other types.
fn wanted_types(kind: Type, data: &[u8]) -> Option<Vec<Type>> {
    match kind {
        Type::NAK => Some(packet::nak_types(data)),
        Type::EXPANDED => packet::expanded_nak_types(data),
        _ => None,
    }
}
