//! Requests on their way to a server: identifiers, retransmission, servers that fall silent, and
//! the checks on answers. The same for authentication and accounting.

use std::collections::VecDeque;
use std::net::SocketAddr;
use std::time::Duration;

use jiff::Timestamp;

use super::config::{Retransmission, Server, StandInConfig};
use super::draft::{Draft, Signed};
use super::event::What;
use super::misbehave::Misbehaviour;
use super::outputs::{Place, Post, Socket};
use super::schedule::{Schedule, after, is_due, since, whole_seconds};
use crate::wire::registry::attributes as a;
use crate::wire::sign::{self, MessageAuthenticator};
use crate::wire::{Code, Packet, Secret};

/// What a request is about, so that its answer finds home.
pub(super) trait Errand {
    /// Where on the switch it belongs.
    fn place(&self) -> Place;
    /// The event that tells of its leaving, if any.
    fn leaves(&self, identifier: u8) -> Option<What>;
}

/// Requests of one kind.
pub(super) struct Courier<E> {
    socket: Socket,
    flights: Vec<Flight<E>>,
    /// Requests for which no identifier is free. Bounded by those who send: a session has one
    /// request at a time, the books hold their own queue.
    waiting: VecDeque<(Draft, E)>,
    servers: Vec<ServerState>,
}

struct Flight<E> {
    errand: E,
    draft: Draft,
    server: usize,
    identifier: u8,
    signed: Signed,
    schedule: Schedule,
}

#[derive(Clone, Default)]
struct ServerState {
    next_identifier: u8,
    dead_until: Option<Timestamp>,
}

/// An answer that was found right.
pub(super) struct Arrived<'d, 'c> {
    pub(super) packet: Packet<'d>,
    /// Request Authenticator of the request that it answers.
    pub(super) request: [u8; 16],
    /// Secret shared with the server that it came from.
    pub(super) secret: &'c Secret,
}

/// What time brought.
pub(super) struct Ticked<E> {
    /// Errands that no server answered.
    pub(super) silent: Vec<E>,
    /// A server's dead time is over.
    pub(super) woke: bool,
}

impl<E: Errand> Courier<E> {
    pub(super) fn new(socket: Socket, config: &StandInConfig) -> Courier<E> {
        Courier {
            socket,
            flights: Vec::new(),
            waiting: VecDeque::new(),
            servers: vec![ServerState::default(); config.servers.len()],
        }
    }

    /// Sends a request to the first server that is not dead.
    ///
    /// # Errors
    /// Gives the errand back when there is none.
    pub(super) fn send(&mut self, post: &mut Post<'_>, draft: Draft, errand: E) -> Result<(), E> {
        self.send_from(post, draft, errand, 0)
    }

    /// Forgets requests whose answers nobody waits for any more.
    pub(super) fn forget(&mut self, post: &mut Post<'_>, unwanted: impl Fn(&E) -> bool) {
        self.flights.retain(|flight| !unwanted(&flight.errand));
        self.waiting.retain(|(_, errand)| !unwanted(errand));
        self.send_waiting(post);
    }

    /// Takes a datagram. Gives the errand and the answer's octets where it is one; drops it with
    /// a reason otherwise.
    pub(super) fn receive<'d, 'c>(
        &mut self,
        post: &mut Post<'c>,
        peer: SocketAddr,
        datagram: &'d [u8],
    ) -> Option<(E, Arrived<'d, 'c>)> {
        match self.check(post.config, peer, datagram) {
            Ok((at, packet, secret)) => {
                let flight = self.flights.swap_remove(at);
                if let Some(state) = self.servers.get_mut(flight.server) {
                    state.dead_until = None;
                }
                self.send_waiting(post);
                let arrived = Arrived {
                    packet,
                    request: flight.signed.authenticator,
                    secret,
                };
                Some((flight.errand, arrived))
            }
            Err(reason) => {
                post.note(Place::default(), What::ReplyDropped { reason });
                None
            }
        }
    }

    /// When to call [`Courier::tick`] next.
    pub(super) fn next_deadline(&self) -> Option<Timestamp> {
        let flights = self.flights.iter().map(|flight| flight.schedule.due);
        let servers = self.servers.iter().filter_map(|state| state.dead_until);
        flights.chain(servers).min()
    }

    /// Sends again and gives up what is due.
    pub(super) fn tick(&mut self, post: &mut Post<'_>) -> Ticked<E> {
        let woke = self.wake_servers(post);
        let mut silent = Vec::new();
        let mut at = 0;
        while let Some(flight) = self.flights.get_mut(at) {
            if flight.schedule.due > post.now {
                at += 1;
                continue;
            }
            let rule = retransmission(self.socket, post.config);
            if flight.schedule.advance(post.now, rule, post.rng) {
                self.repeat(post, at);
                at += 1;
                continue;
            }
            // What takes its place was looked at already or is looked at next: a request to the
            // next server begins a schedule of its own.
            let flight = self.flights.swap_remove(at);
            self.declare_dead(post, flight.server);
            let next = flight.server + 1;
            if let Err(errand) = self.send_from(post, flight.draft, flight.errand, next) {
                silent.push(errand);
            }
        }
        self.send_waiting(post);
        Ticked { silent, woke }
    }

    fn send_from(
        &mut self,
        post: &mut Post<'_>,
        draft: Draft,
        errand: E,
        first: usize,
    ) -> Result<(), E> {
        let alive = self
            .servers
            .iter()
            .skip(first)
            .position(|state| state.dead_until.is_none());
        let Some(server) = alive.map(|at| at + first) else {
            return Err(errand);
        };
        let Some(identifier) = self.free_identifier(server, post.config) else {
            self.waiting.push_back((draft, errand));
            return Ok(());
        };
        self.launch(post, draft, errand, server, identifier);
        Ok(())
    }

    fn launch(
        &mut self,
        post: &mut Post<'_>,
        draft: Draft,
        errand: E,
        server: usize,
        identifier: u8,
    ) {
        let Some(entry) = post.config.servers.get(server) else {
            return;
        };
        let rule = retransmission(self.socket, post.config);
        let schedule = Schedule::begin(post.now, rule, post.rng);
        let signed = sign(post, &draft, identifier, &entry.secret);
        post.transmit(
            self.socket,
            address(self.socket, entry),
            signed.octets.clone(),
        );
        if let Some(what) = errand.leaves(identifier) {
            post.note(errand.place(), what);
        }
        self.flights.push(Flight {
            errand,
            draft,
            server,
            identifier,
            signed,
            schedule,
        });
    }

    /// The same octets again; a packet that says how late it is changes, and a changed packet has
    /// another Identifier (RFC 2866 section 5.2, RFC 2865 section 3).
    fn repeat(&mut self, post: &mut Post<'_>, at: usize) {
        let Some((changes, server)) = self.flights.get(at).map(|flight| {
            let changes = flight.draft.dated.is_some()
                || post.config.does(Misbehaviour::NewIdentifierOnRetransmit);
            (changes, flight.server)
        }) else {
            return;
        };
        let keeps = post.config.does(Misbehaviour::OldIdentifierForNewDelay);
        let fresh = (changes && !keeps)
            .then(|| self.free_identifier(server, post.config))
            .flatten();
        let (Some(flight), Some(entry)) =
            (self.flights.get_mut(at), post.config.servers.get(server))
        else {
            return;
        };
        if let Some(identifier) = fresh {
            flight.identifier = identifier;
            flight.signed = sign(post, &flight.draft, identifier, &entry.secret);
        } else if (changes && keeps) || post.config.does(Misbehaviour::NewAuthenticatorOnRetransmit)
        {
            flight.signed = sign(post, &flight.draft, flight.identifier, &entry.secret);
        }
        post.transmit(
            self.socket,
            address(self.socket, entry),
            flight.signed.octets.clone(),
        );
        post.note(
            flight.errand.place(),
            What::Repeated {
                identifier: flight.identifier,
                times: flight.schedule.sent,
            },
        );
    }

    /// Never one that is in flight to the same server (RFC 2865 section 3).
    fn free_identifier(&mut self, server: usize, config: &StandInConfig) -> Option<u8> {
        if config.does(Misbehaviour::ReusesIdentifier) {
            return Some(1);
        }
        let state = self.servers.get_mut(server)?;
        let mut taken = [false; 256];
        for flight in self.flights.iter().filter(|f| f.server == server) {
            if let Some(slot) = taken.get_mut(usize::from(flight.identifier)) {
                *slot = true;
            }
        }
        let count = if config.does(Misbehaviour::FewIdentifiers) {
            4
        } else {
            256
        };
        let identifier = (0..count)
            .map(|step| (u16::from(state.next_identifier) + step) % count)
            .map(|identifier| u8::try_from(identifier).unwrap_or_default())
            .find(|identifier| taken.get(usize::from(*identifier)) == Some(&false))?;
        state.next_identifier = identifier.wrapping_add(1);
        Some(identifier)
    }

    fn send_waiting(&mut self, post: &mut Post<'_>) {
        for _ in 0..self.waiting.len() {
            let Some((draft, errand)) = self.waiting.pop_front() else {
                return;
            };
            // A dead server keeps them waiting; its waking sends them.
            if let Err(errand) = self.send(post, draft.clone(), errand) {
                self.waiting.push_back((draft, errand));
            }
        }
    }

    fn declare_dead(&mut self, post: &mut Post<'_>, server: usize) {
        let (Some(state), Some(entry)) = (
            self.servers.get_mut(server),
            post.config.servers.get(server),
        ) else {
            return;
        };
        if state.dead_until.is_none() {
            state.dead_until = Some(after(post.now, post.config.dead_time));
            post.note(
                Place::default(),
                What::ServerSilent {
                    server: address(self.socket, entry),
                },
            );
        }
    }

    fn wake_servers(&mut self, post: &mut Post<'_>) -> bool {
        let mut woke = false;
        for (state, entry) in self.servers.iter_mut().zip(&post.config.servers) {
            if is_due(state.dead_until, post.now) {
                state.dead_until = None;
                woke = true;
                let server = address(self.socket, entry);
                post.note(Place::default(), What::ServerTriedAgain { server });
            }
        }
        woke
    }

    fn check<'d, 'c>(
        &self,
        config: &'c StandInConfig,
        peer: SocketAddr,
        datagram: &'d [u8],
    ) -> Result<(usize, Packet<'d>, &'c Secret), String> {
        let packet = Packet::parse(datagram).map_err(|error| error.to_string())?;
        if !self.answers().contains(&packet.code()) {
            return Err(format!(
                "{} is no answer here (RFC 2865 section 3)",
                packet.code()
            ));
        }
        let from_server = |flight: &Flight<E>| {
            config
                .servers
                .get(flight.server)
                .filter(|entry| address(self.socket, entry) == peer)
        };
        let (at, flight, entry) = self
            .flights
            .iter()
            .enumerate()
            .filter(|(_, flight)| flight.identifier == packet.identifier())
            .find_map(|(at, flight)| Some((at, flight, from_server(flight)?)))
            .ok_or_else(|| {
                format!(
                    "no request with identifier {} to {peer} is open (RFC 2865 section 3)",
                    packet.identifier()
                )
            })?;
        self.check_signature(config, &packet, &flight.signed.authenticator, &entry.secret)?;
        Ok((at, packet, &entry.secret))
    }

    fn check_signature(
        &self,
        config: &StandInConfig,
        packet: &Packet<'_>,
        request: &[u8; 16],
        secret: &Secret,
    ) -> Result<(), String> {
        if !sign::response_is_authentic(packet, request, secret) {
            return Err("Response Authenticator is wrong (RFC 2865 section 3)".to_owned());
        }
        // Access answers with EAP-Message need it always (RFC 3579 section 3.2); the others since
        // responses can be forged (the 2024 attack on MD5). Accounting answers carry none.
        let required = self.socket == Socket::Authentication
            && (config.requests.require_message_authenticator
                || packet.first(a::EAP_MESSAGE).is_some());
        match sign::check_message_authenticator(packet, Some(request), secret) {
            _ if config.does(Misbehaviour::TakesUnsealedReplies) => Ok(()),
            MessageAuthenticator::Right => Ok(()),
            MessageAuthenticator::Absent if !required => Ok(()),
            MessageAuthenticator::Absent => {
                Err("Message-Authenticator is missing (RFC 3579 section 3.2)".to_owned())
            }
            MessageAuthenticator::Wrong => {
                Err("Message-Authenticator is wrong (RFC 3579 section 3.2)".to_owned())
            }
        }
    }

    fn answers(&self) -> &'static [Code] {
        match self.socket {
            Socket::Authentication => &[
                Code::ACCESS_ACCEPT,
                Code::ACCESS_REJECT,
                Code::ACCESS_CHALLENGE,
            ],
            _ => &[Code::ACCOUNTING_RESPONSE],
        }
    }
}

fn sign(post: &mut Post<'_>, draft: &Draft, identifier: u8, secret: &Secret) -> Signed {
    let mut draft = draft.clone();
    if let Some(at) = draft.dated {
        let delay = whole_seconds(since(at, post.now));
        draft.rewrite(a::ACCT_DELAY_TIME, |_| delay.to_be_bytes().to_vec());
    }
    draft.sign_request(identifier, post.config, secret, post.rng)
}

fn address(socket: Socket, server: &Server) -> SocketAddr {
    match socket {
        Socket::Authentication => server.authentication,
        _ => server.accounting,
    }
}

fn retransmission(socket: Socket, config: &StandInConfig) -> &Retransmission {
    const HASTY: Retransmission = Retransmission {
        first: Duration::from_secs(1),
        tries: 30,
        longest: Duration::from_secs(1),
        total: Duration::ZERO,
        jitter: true,
    };
    match socket {
        _ if config.does(Misbehaviour::HastyRetransmit) => &HASTY,
        Socket::Authentication => &config.retransmission,
        _ => &config.accounting.retransmission,
    }
}
