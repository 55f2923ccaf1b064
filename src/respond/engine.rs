//! The responder: one datagram in, one named verdict and at most one answer out.

use std::net::SocketAddr;
use std::sync::Arc;

use jiff::Timestamp;

use super::access::{self, Desk};
use super::arrival::{Arrival, Dropped, Request};
use super::check;
use super::duplicates::Duplicates;
use super::eap::Conversations;
use super::strangers::{self, Strangers};
use super::switches::{Served, Switches};
use super::verdict::Verdict;
use super::{accounting, status};
use crate::bench::Bench;
use crate::journal::{Entry, Kind, Link, Place};
use crate::roster::{Effects, Roster, Session, Transmit};
use crate::wire::Code;

/// Answers the RADIUS requests of the declared switches. No socket, no clock, no random source of
/// its own.
#[derive(Debug)]
pub struct Responder {
    bench: Arc<Bench>,
    switches: Switches,
    duplicates: Duplicates,
    conversations: Conversations,
    strangers: Strangers,
}

/// What one request leads to.
#[derive(Debug)]
pub(super) struct Answer {
    /// The entry of the verdict, with the request in it.
    pub(super) entry: Entry,
    /// The signed answer.
    pub(super) reply: Vec<u8>,
    /// What else is to be stored; its entries follow the verdict's.
    pub(super) effects: Effects,
}

impl Responder {
    /// A responder for a bench.
    #[must_use]
    pub fn new(bench: Arc<Bench>) -> Responder {
        Responder {
            switches: Switches::new(&bench),
            duplicates: Duplicates::new(bench.answers.keep),
            bench,
            conversations: Conversations::default(),
            strangers: Strangers::default(),
        }
    }

    /// Goes on with another bench. Answers already given stay good for retransmissions.
    pub fn reload(&mut self, bench: Arc<Bench>) {
        self.switches = Switches::new(&bench);
        self.duplicates.keep_for(bench.answers.keep);
        self.bench = bench;
    }

    /// Sets the EAP methods for logins that begin from now on; `None`, as at first, is none.
    pub fn offer_eap(&mut self, settings: Option<Arc<crate::eap::Settings>>) {
        self.conversations.offer(settings);
    }

    /// Takes one datagram that arrived on `local` from `peer`. Exactly one entry of the effects
    /// is the datagram's verdict, and it comes first; only a host that is not declared and sends
    /// more than one in a second is told of in sum.
    #[expect(clippy::too_many_arguments, reason = "each is a fact of the datagram")]
    pub fn handle(
        &mut self,
        now: Timestamp,
        roster: &mut Roster,
        link: Link,
        local: SocketAddr,
        peer: SocketAddr,
        datagram: &[u8],
        rng: &mut dyn rand::RngCore,
    ) -> Effects {
        let arrival = Arrival {
            now,
            link,
            local,
            peer,
            datagram,
        };
        let Some(served) = self.switches.of(arrival.address()).cloned() else {
            return self.stranger(&arrival);
        };
        let place = Place {
            switch: Some(served.switch.name.clone()),
            ..Place::default()
        };
        match check::check(arrival, &served.switch) {
            Ok(request) => self.answer(&served, roster, &request, rng),
            Err(dropped) => silent(&arrival, Kind::Dropped, place, &dropped),
        }
    }

    /// A host that no bench file declares. A flood of it leaves an entry a second, not one a
    /// datagram: it must not push out what happened.
    fn stranger(&mut self, arrival: &Arrival<'_>) -> Effects {
        let Some(untold) = self.strangers.tell(arrival.now, arrival.address()) else {
            return Effects::default();
        };
        let start = arrival.datagram.get(..strangers::KEPT);
        let arrival = Arrival {
            datagram: start.unwrap_or(arrival.datagram),
            ..*arrival
        };
        let mut dropped = check::unknown_switch(arrival.address());
        if untold > 0 {
            dropped.reason =
                format!("{}; {untold} more of it were not told", dropped.reason).into();
        }
        silent(&arrival, Kind::Dropped, Place::default(), &dropped)
    }

    /// When [`Responder::tick`] has something to do.
    #[must_use]
    pub fn next_deadline(&self) -> Option<Timestamp> {
        let duplicates = self.duplicates.next_deadline();
        let conversations = self.conversations.next_deadline();
        duplicates.into_iter().chain(conversations).min()
    }

    /// Lets go of what has outlived its time.
    pub fn tick(&mut self, now: Timestamp, _roster: &mut Roster) -> Effects {
        self.duplicates.expire(now);
        self.conversations.expire(now)
    }

    fn answer(
        &mut self,
        served: &Served,
        roster: &mut Roster,
        request: &Request<'_>,
        rng: &mut dyn rand::RngCore,
    ) -> Effects {
        let key = request.key();
        let now = request.arrival.now;
        let authenticator = request.packet.authenticator();
        if let Some(octets) = self.duplicates.answered(now, &key, authenticator) {
            return repeat(request, octets.to_vec());
        }
        let (kind, answer) = match request.packet.code() {
            Code::ACCOUNTING_REQUEST => (Kind::Accounting, accounting::answer(roster, request)),
            Code::STATUS_SERVER => (Kind::Status, status::answer(request)),
            _ => {
                let mut desk = Desk {
                    bench: &self.bench,
                    served,
                    roster,
                    conversations: &mut self.conversations,
                    rng,
                };
                (Kind::Access, access::answer(&mut desk, request))
            }
        };
        match answer {
            Ok(answer) => {
                if kind != Kind::Status {
                    let kept = answer.reply.clone();
                    self.duplicates.keep(now, key, *authenticator, kept);
                }
                answered(&request.arrival, answer)
            }
            Err(dropped) => silent(&request.arrival, kind, request.place(), &dropped),
        }
    }
}

/// Where every answer leaves.
fn answered(arrival: &Arrival<'_>, answer: Answer) -> Effects {
    let Answer {
        mut entry,
        reply,
        effects,
    } = answer;
    entry.packets.push(arrival.answer(reply.clone()));
    let mut all = Effects {
        entries: vec![entry],
        transmits: vec![Transmit {
            link: arrival.link,
            to: arrival.peer,
            octets: reply,
        }],
        ..Effects::default()
    };
    all.extend(effects);
    all
}

fn repeat(request: &Request<'_>, octets: Vec<u8>) -> Effects {
    let reason = "a retransmission: the same octets again".to_owned();
    let mut entry = request
        .arrival
        .entry(Kind::Repeat, Verdict::Repeated, reason);
    entry.place = request.place();
    answered(
        &request.arrival,
        Answer {
            entry,
            reply: octets,
            effects: Effects::default(),
        },
    )
}

fn silent(arrival: &Arrival<'_>, kind: Kind, place: Place, dropped: &Dropped) -> Effects {
    let verdict = Verdict::Dropped(dropped.silence);
    let reason = format!("{}; from {}", dropped.reason, arrival.peer);
    let mut entry = arrival.entry(kind, verdict, reason);
    entry.place = place;
    entry.breach = dropped.breach.map(str::to_owned);
    Effects {
        entries: vec![entry],
        ..Effects::default()
    }
}

/// An entry about a session whose state changed besides the packet at hand.
pub(super) fn session_entry(now: Timestamp, session: &Session, verdict: &str) -> Entry {
    Entry {
        seq: 0,
        at: now,
        kind: Kind::Session,
        verdict: verdict.to_owned(),
        reason: match &session.state {
            crate::roster::SessionState::Ended { cause, .. } => cause.clone(),
            _ => "the session goes on".to_owned(),
        },
        place: Place {
            switch: Some(session.switch.clone()),
            port: session.port.clone(),
            mac: session.mac,
            identity: session.identity.clone(),
            class: Some(session.class.clone()).filter(|class| !class.is_empty()),
            session: Some(session.id),
            ..Place::default()
        },
        packets: Vec::new(),
        trace: None,
        breach: None,
    }
}
