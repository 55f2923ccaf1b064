//! Accounting (RFC 2866): records of sessions, in their order, until they are answered.

use std::collections::{BTreeSet, VecDeque};
use std::net::{Ipv4Addr, SocketAddr};
use std::time::Duration;

use jiff::Timestamp;

use super::config::{PortSettings, StandInConfig};
use super::courier::{Courier, Errand};
use super::draft::{Draft, Seal};
use super::event::{StopCause, What};
use super::grant::Grant;
use super::misbehave::Misbehaviour;
use super::outputs::{Place, Post, Socket};
use super::request;
use super::schedule::{event_timestamp, since, whole_seconds};
use crate::wire::registry::attributes as a;
use crate::wire::vlan::{self, VlanRef};
use crate::wire::{Code, Mac};

/// Records that wait at the most; the oldest is lost beyond.
const MOST_WAITING: usize = 4096;

/// Acct-Authentic (RFC 2866 section 5.6).
const BY_RADIUS: u32 = 1;
const LOCAL: u32 = 2;

/// The books: what was recorded and is not yet answered.
pub(super) struct Books {
    courier: Courier<Record>,
    queue: VecDeque<(Draft, Record)>,
    /// Sessions with a record on its way: the next one waits, so that no Stop overtakes a Start.
    busy: BTreeSet<u64>,
}

#[derive(Debug, Clone)]
struct Record {
    serial: u64,
    session: String,
    place: Place,
}

impl Errand for Record {
    fn place(&self) -> Place {
        self.place.clone()
    }

    fn leaves(&self, _identifier: u8) -> Option<What> {
        None
    }
}

/// Kinds of records of a session.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    Start,
    Interim,
    Stop(StopCause),
}

/// A session as the books see it.
pub(super) struct Account<'a> {
    pub(super) serial: u64,
    pub(super) session: &'a str,
    pub(super) line: &'a PortSettings,
    pub(super) mac: Mac,
    pub(super) user_name: &'a [u8],
    pub(super) grant: &'a Grant,
    pub(super) local: bool,
    pub(super) framed_ip: Option<Ipv4Addr>,
    pub(super) since: Timestamp,
    /// Octets each way.
    pub(super) octets: u64,
}

impl Books {
    pub(super) fn new(config: &StandInConfig) -> Books {
        Books {
            courier: Courier::new(Socket::Accounting, config),
            queue: VecDeque::new(),
            busy: BTreeSet::new(),
        }
    }

    /// The switch came up, or goes down (RFC 2866 section 5.1).
    pub(super) fn switch(&mut self, post: &mut Post<'_>, up: bool, session: &str) {
        let mut draft = Draft::new(Code::ACCOUNTING_REQUEST, Seal::None);
        draft.integer(a::ACCT_STATUS_TYPE, if up { 7 } else { 8 });
        draft.text(a::ACCT_SESSION_ID, session);
        request::nas(&mut draft, post.config);
        date(&mut draft, post);
        let record = Record {
            serial: 0,
            session: session.to_owned(),
            place: Place::default(),
        };
        self.enter(post, draft, record);
    }

    /// Something about a session.
    pub(super) fn record(&mut self, post: &mut Post<'_>, kind: Kind, account: &Account<'_>) {
        let draft = draft(post, kind, account);
        let record = Record {
            serial: account.serial,
            session: account.session.to_owned(),
            place: Place {
                port: Some(account.line.name.clone()),
                mac: Some(account.mac),
            },
        };
        let session = record.session.clone();
        match kind {
            Kind::Start => post.note(record.place.clone(), What::SessionStarted { session }),
            Kind::Stop(cause) => {
                post.note(
                    record.place.clone(),
                    What::SessionStopped { session, cause },
                );
            }
            Kind::Interim => {}
        }
        let kept_back = match kind {
            Kind::Start => post.config.does(Misbehaviour::NoStart),
            Kind::Stop(_) => post.config.does(Misbehaviour::NoStop),
            Kind::Interim => false,
        };
        if kept_back {
            return;
        }
        if kind == Kind::Start && post.config.does(Misbehaviour::DoubleStart) {
            self.enter(post, draft.clone(), record.clone());
        }
        self.enter(post, draft, record);
    }

    pub(super) fn receive(&mut self, post: &mut Post<'_>, peer: SocketAddr, datagram: &[u8]) {
        if let Some((record, _)) = self.courier.receive(post, peer, datagram) {
            self.busy.remove(&record.serial);
            self.dispatch(post);
        }
    }

    pub(super) fn next_deadline(&self) -> Option<Timestamp> {
        self.courier.next_deadline()
    }

    pub(super) fn tick(&mut self, post: &mut Post<'_>) {
        let ticked = self.courier.tick(post);
        for record in ticked.silent {
            self.busy.remove(&record.serial);
            lost(post, record);
        }
        self.dispatch(post);
    }

    fn enter(&mut self, post: &mut Post<'_>, draft: Draft, record: Record) {
        if !post.config.accounting.enabled {
            return;
        }
        self.queue.push_back((draft, record));
        if self.queue.len() > MOST_WAITING
            && let Some((_, record)) = self.queue.pop_front()
        {
            lost(post, record);
        }
        self.dispatch(post);
    }

    /// Sends the first record of every session that has none on its way.
    fn dispatch(&mut self, post: &mut Post<'_>) {
        for _ in 0..self.queue.len() {
            let Some((draft, record)) = self.queue.pop_front() else {
                return;
            };
            let serial = record.serial;
            if self.busy.contains(&serial) {
                self.queue.push_back((draft, record));
                continue;
            }
            match self.courier.send(post, draft.clone(), record) {
                Ok(()) => {
                    self.busy.insert(serial);
                }
                // No server: it waits until one is tried again. So must later ones of the session,
                // which they do because none can be sent before.
                Err(record) => self.queue.push_back((draft, record)),
            }
        }
    }
}

fn lost(post: &mut Post<'_>, record: Record) {
    let session = record.session;
    post.note(record.place, What::AccountingLost { session });
}

fn draft(post: &Post<'_>, kind: Kind, account: &Account<'_>) -> Draft {
    let mut draft = Draft::new(Code::ACCOUNTING_REQUEST, Seal::None);
    let status = match kind {
        Kind::Start => 1,
        Kind::Stop(_) => 2,
        Kind::Interim => 3,
    };
    draft.integer(a::ACCT_STATUS_TYPE, status);
    draft.text(a::ACCT_SESSION_ID, account.session);
    draft.octets(a::USER_NAME, account.user_name);
    request::nas(&mut draft, post.config);
    request::port(&mut draft, account.line);
    request::stations(&mut draft, account.line, account.mac);
    if let Some(address) = account.framed_ip {
        draft.octets(a::FRAMED_IP_ADDRESS, address.octets());
    }
    draft.integer(
        a::ACCT_AUTHENTIC,
        if account.local { LOCAL } else { BY_RADIUS },
    );
    granted(&mut draft, account.grant);
    date(&mut draft, post);
    if kind != Kind::Start {
        counters(&mut draft, since(account.since, post.now), account.octets);
    }
    if let Kind::Stop(cause) = kind {
        draft.integer(a::ACCT_TERMINATE_CAUSE, cause.number());
    }
    draft
}

/// Class as it came (RFC 2865 section 5.25), and what is in force.
fn granted(draft: &mut Draft, grant: &Grant) {
    for class in &grant.class {
        draft.octets(a::CLASS, class.as_slice());
    }
    for filter in &grant.filters {
        draft.text(a::FILTER_ID, filter);
    }
    if let Some(vlan) = &grant.vlan {
        draft
            .attributes
            .extend(vlan::tunnel_vlan(0, &vlan.to_string()));
    }
    for vlan in &grant.tagged {
        draft.attributes.push(match vlan {
            VlanRef::Id(id) => vlan::egress_vlan(*id, true),
            VlanRef::Name(name) => vlan::egress_vlan_name(name, true),
        });
    }
}

fn date(draft: &mut Draft, post: &Post<'_>) {
    draft.integer(a::EVENT_TIMESTAMP, event_timestamp(post.now));
    if post.config.accounting.delay_time {
        draft.integer(a::ACCT_DELAY_TIME, 0);
        draft.dated = Some(post.now);
    }
}

/// Time and traffic; the upper halves as Gigawords (RFC 2869 sections 5.1 and 5.2).
fn counters(draft: &mut Draft, time: Duration, octets: u64) {
    /// Octets of a middling packet, so that there are packets to count.
    const PACKET: u64 = 500;
    // The lower half is what is wanted.
    let low = octets as u32;
    let high = (octets >> 32) as u32;
    let packets = (octets / PACKET) as u32;
    draft.integer(a::ACCT_SESSION_TIME, whole_seconds(time));
    draft.integer(a::ACCT_INPUT_OCTETS, low);
    draft.integer(a::ACCT_OUTPUT_OCTETS, low);
    draft.integer(a::ACCT_INPUT_PACKETS, packets);
    draft.integer(a::ACCT_OUTPUT_PACKETS, packets);
    if high > 0 {
        draft.integer(a::ACCT_INPUT_GIGAWORDS, high);
        draft.integer(a::ACCT_OUTPUT_GIGAWORDS, high);
    }
}
