//! A journal written by hand: a switch, a device, and a bench that answers.

use std::net::SocketAddr;

use jiff::{SignedDuration, Timestamp};
use rand::rngs::StdRng;
use rand::{RngCore as _, SeedableRng as _};

use crate::bench::ChangeKind;
use crate::findings::{Auditor, BenchFacts, Finding, SwitchFacts};
use crate::journal::{Direction, Entry, Kind, Link, PacketRecord, Place};
use crate::wire::registry::attributes as a;
use crate::wire::vlan;
use crate::wire::{AttributeBuf, Builder, Code, Mac, Packet, Secret};

pub(super) const SWITCH: &str = "quay-3";
pub(super) const TILL: Mac = Mac([0x02, 0, 0x5e, 0, 0, 0x07]);
const PORT: &str = "1/0/7";

pub(super) const START: u32 = 1;
pub(super) const STOP: u32 = 2;
pub(super) const INTERIM: u32 = 3;
pub(super) const ON: u32 = 7;
pub(super) const OFF: u32 = 8;

/// The journal under way.
pub(super) struct Script {
    pub(super) facts: SwitchFacts,
    entries: Vec<Entry>,
    now: Timestamp,
    rng: StdRng,
    drawn: u8,
    session: u32,
    class: u32,
    granted: Vec<AttributeBuf>,
    started: Timestamp,
    change: Option<(u8, Vec<u8>, ChangeKind)>,
}

/// A request of the switch before it is sent.
#[derive(Clone)]
pub(super) struct Request {
    code: Code,
    identifier: u8,
    authenticator: [u8; 16],
    attributes: Vec<AttributeBuf>,
    seal: Seal,
    verdict: Option<&'static str>,
}

#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Seal {
    First,
    Last,
    None,
}

/// What the bench answers.
#[derive(Clone)]
pub(super) enum Reply {
    Accept(Vec<AttributeBuf>),
    /// An accept with this done to its octets.
    Spoilt(fn(&mut Script, &Packet<'_>) -> Vec<u8>),
    Reject,
    /// Challenge with EAP identifier and State.
    Challenge(u8, &'static [u8]),
    Nothing,
}

fn bench(link: Link) -> SocketAddr {
    let port = if link == Link::Accounting { 1813 } else { 1812 };
    SocketAddr::new([192, 0, 2, 10].into(), port)
}

fn peer() -> SocketAddr {
    "192.0.2.3:49152".parse().unwrap()
}

fn changes() -> SocketAddr {
    "192.0.2.3:3799".parse().unwrap()
}

impl Script {
    pub(super) fn new() -> Script {
        let now = "2026-03-01T10:00:00Z".parse().unwrap();
        Script {
            facts: SwitchFacts {
                secret: Secret::new("lantern quay radius one"),
                change_secret: Secret::new("lantern quay changes two"),
                shared_with: Vec::new(),
                port_limit: None,
            },
            entries: Vec::new(),
            now,
            rng: StdRng::seed_from_u64(3),
            drawn: 0,
            session: 1,
            class: 0,
            granted: Vec::new(),
            started: now,
            change: None,
        }
    }

    /// What the auditor finds.
    pub(super) fn findings(&self) -> Vec<Finding> {
        let facts = BenchFacts::from_switches([(SWITCH.to_owned(), self.facts.clone())]);
        let mut auditor = Auditor::new(facts);
        for entry in &self.entries {
            auditor.see(entry);
        }
        auditor.advance(self.now);
        auditor.finish()
    }

    pub(super) fn entries(&self) -> &[Entry] {
        &self.entries
    }

    pub(super) fn wait(&mut self, seconds: f64) {
        self.now += SignedDuration::from_secs_f64(seconds);
    }

    /// A new visit: another Acct-Session-Id.
    pub(super) fn next_session(&mut self) {
        self.session += 1;
    }

    pub(super) fn session(&self) -> String {
        format!("quay-3-{:04}", self.session)
    }

    fn random(&mut self) -> [u8; 16] {
        self.drawn += 1;
        let mut octets = [0; 16];
        self.rng.fill_bytes(&mut octets);
        octets
    }

    fn request(&mut self, code: Code, attributes: Vec<AttributeBuf>, seal: Seal) -> Request {
        let authenticator = self.random();
        Request {
            code,
            identifier: self.drawn,
            authenticator,
            attributes,
            seal,
            verdict: None,
        }
    }

    fn access(&mut self, user_name: &[u8], service_type: u32) -> Request {
        let mut attributes = vec![
            AttributeBuf::new(a::USER_NAME, user_name),
            AttributeBuf::integer(a::SERVICE_TYPE, service_type),
            AttributeBuf::integer(a::FRAMED_MTU, 1500),
        ];
        attributes.extend(place());
        attributes.push(AttributeBuf::text(a::ACCT_SESSION_ID, &self.session()));
        self.request(Code::ACCESS_REQUEST, attributes, Seal::First)
    }

    /// MAC authentication.
    pub(super) fn mac(&mut self) -> Request {
        let name = TILL.spell(None, 0, false);
        self.access(name.as_bytes(), 10)
            .with(a::USER_PASSWORD, [0x5a; 16])
    }

    /// 802.1X with these EAP octets.
    pub(super) fn eap(&mut self, eap: &[u8]) -> Request {
        let mut request = self.access(b"clerk", 2);
        for part in eap.chunks(253) {
            request = request.with(a::EAP_MESSAGE, part);
        }
        request
    }

    /// 802.1X with the identity "clerk".
    pub(super) fn identity(&mut self) -> Request {
        self.eap(&eap_response(1, 1, b"clerk"))
    }

    /// An accounting record of the session.
    pub(super) fn report(&mut self, status: u32) -> Request {
        let mut attributes = vec![
            AttributeBuf::integer(a::ACCT_STATUS_TYPE, status),
            AttributeBuf::integer(a::EVENT_TIMESTAMP, self.now.as_second() as u32),
        ];
        if matches!(status, ON | OFF) {
            attributes.push(AttributeBuf::text(a::ACCT_SESSION_ID, "boot-1"));
            attributes.push(AttributeBuf::new(a::NAS_IP_ADDRESS, [192, 0, 2, 3]));
            return self.request(Code::ACCOUNTING_REQUEST, attributes, Seal::None);
        }
        attributes.push(AttributeBuf::text(a::ACCT_SESSION_ID, &self.session()));
        attributes.push(AttributeBuf::text(a::USER_NAME, "02005e000007"));
        attributes.push(AttributeBuf::integer(a::ACCT_AUTHENTIC, 1));
        attributes.extend(place());
        let kept = [
            a::CLASS,
            a::FILTER_ID,
            a::TUNNEL_TYPE,
            a::TUNNEL_MEDIUM_TYPE,
            a::TUNNEL_PRIVATE_GROUP_ID,
            a::EGRESS_VLANID,
        ];
        let granted = self.granted.iter();
        attributes.extend(granted.filter(|at| kept.contains(&at.kind)).cloned());
        let ran = self.now.duration_since(self.started).as_secs() as u32;
        if status != START {
            attributes.push(AttributeBuf::integer(a::ACCT_SESSION_TIME, ran));
            attributes.push(AttributeBuf::integer(a::ACCT_INPUT_OCTETS, 1000 + ran * 10));
            attributes.push(AttributeBuf::integer(
                a::ACCT_OUTPUT_OCTETS,
                2000 + ran * 10,
            ));
        }
        if status == STOP {
            attributes.push(AttributeBuf::integer(a::ACCT_TERMINATE_CAUSE, 1));
        }
        self.request(Code::ACCOUNTING_REQUEST, attributes, Seal::None)
    }

    /// Sends a request and writes the entry.
    pub(super) fn send(&mut self, request: &Request, reply: Reply) {
        let octets = self.sealed(request);
        let packet = Packet::parse(&octets).ok();
        let link = match request.code {
            Code::ACCOUNTING_REQUEST => Link::Accounting,
            _ => Link::Authentication,
        };
        let answer = packet.and_then(|packet| self.answer(link, &packet, reply));
        let mut packets =
            vec![self.record(Direction::In, link, peer(), bench(link), octets.clone())];
        packets.extend(
            answer.map(|answer| self.record(Direction::Out, link, bench(link), peer(), answer)),
        );
        let kind = match request.code {
            Code::ACCOUNTING_REQUEST => Kind::Accounting,
            _ => Kind::Access,
        };
        self.entry(kind, request.verdict.unwrap_or("answered"), packets);
    }

    /// Sends a record and has it answered.
    pub(super) fn send_report(&mut self, status: u32) {
        let report = self.report(status);
        self.send(&report, Reply::Nothing);
        if status == START {
            self.started = self.now;
        }
    }

    /// Sends a request as the datagram that the journal dropped with this verdict.
    pub(super) fn dropped(&mut self, request: &Request, verdict: &'static str) {
        let request = Request {
            verdict: Some(verdict),
            ..request.clone()
        };
        self.send(&request, Reply::Nothing);
    }

    /// A device let in with VLAN 20 and these attributes besides, and its Start.
    pub(super) fn admit(&mut self, grant: &[AttributeBuf]) {
        let request = self.mac();
        self.let_in(&request, grant);
    }

    pub(super) fn let_in(&mut self, request: &Request, grant: &[AttributeBuf]) {
        let mut granted = vlan::tunnel_vlan(0, "20").to_vec();
        granted.extend(grant.iter().cloned());
        self.send(request, Reply::Accept(granted));
        self.wait(0.5);
        self.send_report(START);
    }

    /// Unplugged, and plugged in again after a while.
    pub(super) fn leave(&mut self) {
        self.send_report(STOP);
        self.wait(120.0);
        self.next_session();
    }

    /// A change of this kind with these attributes besides the session.
    pub(super) fn change(&mut self, kind: ChangeKind, attributes: &[AttributeBuf]) {
        let code = if kind == ChangeKind::Disconnect {
            Code::DISCONNECT_REQUEST
        } else {
            Code::COA_REQUEST
        };
        let identifier = self.random()[0];
        let mut builder = Builder::new(code, identifier);
        builder.message_authenticator().unwrap();
        builder.text(a::ACCT_SESSION_ID, &self.session()).unwrap();
        let stamp = self.now.as_second() as u32;
        if !attributes.iter().any(|at| at.kind == a::EVENT_TIMESTAMP) {
            builder.integer(a::EVENT_TIMESTAMP, stamp).unwrap();
        }
        for attribute in attributes {
            builder.attribute(attribute).unwrap();
        }
        let secret = self.facts.change_secret.clone();
        let octets = builder.finish_digested_request(&secret);
        self.change = Some((identifier, octets, kind));
        self.change_leaves("sent");
    }

    /// The same change once more.
    pub(super) fn change_leaves(&mut self, verdict: &str) {
        let (_, octets, kind) = self.change.clone().unwrap();
        let from = "192.0.2.10:40000".parse().unwrap();
        let record = self.record(Direction::Out, Link::Change, from, changes(), octets);
        self.change_entry(kind, verdict, vec![record]);
    }

    /// The bench gives the change up.
    pub(super) fn give_up(&mut self) {
        let (_, _, kind) = self.change.clone().unwrap();
        self.change_entry(kind, "gave-up", Vec::new());
    }

    /// A good answer, with an Error-Cause where one is given, before `edit` has its way with it.
    pub(super) fn answer_change(
        &mut self,
        ack: bool,
        cause: Option<u32>,
        edit: impl FnOnce(&mut Vec<AttributeBuf>),
    ) {
        let octets = self.change_answer(ack, cause, edit);
        self.change_arrives("acked", octets);
    }

    pub(super) fn change_arrives(&mut self, verdict: &str, octets: Vec<u8>) {
        let (_, _, kind) = self.change.clone().unwrap();
        let to = "192.0.2.10:40000".parse().unwrap();
        let record = self.record(Direction::In, Link::Change, changes(), to, octets);
        self.change_entry(kind, verdict, vec![record]);
    }

    pub(super) fn change_answer(
        &mut self,
        ack: bool,
        cause: Option<u32>,
        edit: impl FnOnce(&mut Vec<AttributeBuf>),
    ) -> Vec<u8> {
        let (identifier, request, _) = self.change.clone().unwrap();
        let request = Packet::parse(&request).unwrap();
        let code = match (request.code(), ack) {
            (Code::DISCONNECT_REQUEST, true) => Code::DISCONNECT_ACK,
            (Code::DISCONNECT_REQUEST, false) => Code::DISCONNECT_NAK,
            (_, true) => Code::COA_ACK,
            (_, false) => Code::COA_NAK,
        };
        let mut attributes = vec![
            AttributeBuf::new(a::MESSAGE_AUTHENTICATOR, [0; 16]),
            AttributeBuf::integer(a::EVENT_TIMESTAMP, self.now.as_second() as u32),
        ];
        attributes.extend(request.all(a::STATE).map(|state| state.to_buf()));
        attributes.extend(request.all(a::PROXY_STATE).map(|state| state.to_buf()));
        attributes.extend(cause.map(|cause| AttributeBuf::integer(a::ERROR_CAUSE, cause)));
        edit(&mut attributes);
        let mut builder = Builder::new(code, identifier);
        for attribute in &attributes {
            if attribute.kind == a::MESSAGE_AUTHENTICATOR {
                builder.message_authenticator().unwrap();
            } else {
                builder.attribute(attribute).unwrap();
            }
        }
        builder.finish_response(request.authenticator(), &self.facts.change_secret)
    }

    /// Something else that the journal holds.
    pub(super) fn entry(&mut self, kind: Kind, verdict: &str, packets: Vec<PacketRecord>) {
        let place = Place {
            switch: Some(SWITCH.to_owned()),
            ..Place::default()
        };
        self.push(kind, verdict, place, packets);
    }

    /// What a fault made of the last answer.
    pub(super) fn spoilt(&mut self, verdict: &str, octets: Vec<u8>) {
        let from = SocketAddr::from(([0, 0, 0, 0], 0));
        let record = self.record(Direction::Out, Link::Authentication, from, peer(), octets);
        self.entry(Kind::Fault, verdict, vec![record]);
    }

    /// The last exchange once more, to the octet.
    pub(super) fn repeat_last(&mut self) {
        let mut exchanges = self
            .entries
            .iter()
            .filter(|entry| entry.kind == Kind::Access);
        let mut packets = exchanges.next_back().unwrap().packets.clone();
        for packet in &mut packets {
            packet.at = self.now;
        }
        self.entry(Kind::Repeat, "repeated", packets);
    }

    /// The octets of the last request.
    pub(super) fn asked(&self) -> Vec<u8> {
        let records = self.entries.iter().flat_map(|entry| &entry.packets);
        let mut requests = records.filter(|record| record.direction == Direction::In);
        requests.next_back().unwrap().octets.clone()
    }

    fn change_entry(&mut self, kind: ChangeKind, verdict: &str, packets: Vec<PacketRecord>) {
        let place = Place {
            switch: Some(SWITCH.to_owned()),
            port: Some(PORT.to_owned()),
            mac: Some(TILL),
            change: Some(kind),
            order: Some(1),
            ..Place::default()
        };
        self.push(Kind::Change, verdict, place, packets);
    }

    fn push(&mut self, kind: Kind, verdict: &str, place: Place, packets: Vec<PacketRecord>) {
        self.entries.push(Entry {
            seq: self.entries.len() as u64 + 1,
            at: self.now,
            kind,
            verdict: verdict.to_owned(),
            reason: "as the script has it".to_owned(),
            place,
            packets,
            trace: None,
            breach: None,
        });
    }

    fn record(
        &self,
        direction: Direction,
        link: Link,
        from: SocketAddr,
        to: SocketAddr,
        octets: Vec<u8>,
    ) -> PacketRecord {
        PacketRecord {
            at: self.now,
            direction,
            link,
            from,
            to,
            octets,
        }
    }

    fn sealed(&self, request: &Request) -> Vec<u8> {
        let mut builder = Builder::new(request.code, request.identifier);
        if request.seal == Seal::First {
            builder.message_authenticator().unwrap();
        }
        for attribute in &request.attributes {
            builder.attribute(attribute).unwrap();
        }
        if request.seal == Seal::Last {
            builder.message_authenticator().unwrap();
        }
        if request.code == Code::ACCOUNTING_REQUEST {
            return builder.finish_digested_request(&self.facts.secret);
        }
        builder.finish_request(&request.authenticator, &self.facts.secret)
    }

    fn answer(&mut self, link: Link, request: &Packet<'_>, reply: Reply) -> Option<Vec<u8>> {
        if link == Link::Accounting {
            return Some(self.reply(request, Code::ACCOUNTING_RESPONSE, &[]));
        }
        Some(match reply {
            Reply::Accept(grant) => {
                self.class += 1;
                let mut grant = grant;
                grant.push(AttributeBuf::text(
                    a::CLASS,
                    &format!("class {}", self.class),
                ));
                self.granted.clone_from(&grant);
                self.reply(request, Code::ACCESS_ACCEPT, &grant)
            }
            Reply::Spoilt(spoil) => spoil(self, request),
            Reply::Reject => self.reply(request, Code::ACCESS_REJECT, &[]),
            Reply::Challenge(identifier, state) => {
                let grant = [
                    AttributeBuf::new(a::EAP_MESSAGE, [1, identifier, 0, 6, 4, 0]),
                    AttributeBuf::new(a::STATE, state),
                ];
                self.reply(request, Code::ACCESS_CHALLENGE, &grant)
            }
            Reply::Nothing => return None,
        })
    }

    /// A sealed reply.
    pub(super) fn reply(
        &self,
        request: &Packet<'_>,
        code: Code,
        attributes: &[AttributeBuf],
    ) -> Vec<u8> {
        let mut builder = Builder::new(code, request.identifier());
        builder.message_authenticator().unwrap();
        for attribute in attributes {
            builder.attribute(attribute).unwrap();
        }
        builder.finish_response(request.authenticator(), &self.facts.secret)
    }
}

impl Request {
    pub(super) fn without(mut self, kind: u8) -> Request {
        self.attributes.retain(|attribute| attribute.kind != kind);
        self
    }

    pub(super) fn with(mut self, kind: u8, value: impl Into<Vec<u8>>) -> Request {
        self.attributes.push(AttributeBuf::new(kind, value));
        self
    }

    pub(super) fn set(mut self, kind: u8, value: impl Into<Vec<u8>>) -> Request {
        let value = value.into();
        for attribute in &mut self.attributes {
            if attribute.kind == kind {
                attribute.value.clone_from(&value);
            }
        }
        self
    }

    pub(super) fn number(self, kind: u8, value: u32) -> Request {
        self.without(kind).with(kind, value.to_be_bytes())
    }

    pub(super) fn identifier(mut self, identifier: u8) -> Request {
        self.identifier = identifier;
        self
    }

    pub(super) fn authenticator(mut self, authenticator: [u8; 16]) -> Request {
        self.authenticator = authenticator;
        self
    }

    pub(super) fn authenticator_of(self, other: &Request) -> Request {
        self.authenticator(other.authenticator)
    }

    pub(super) fn identifier_of(self, other: &Request) -> Request {
        self.identifier(other.identifier)
    }

    pub(super) fn seal(mut self, seal: Seal) -> Request {
        self.seal = seal;
        self
    }

    pub(super) fn code(mut self, code: Code) -> Request {
        self.code = code;
        self
    }
}

/// What every request says of switch, port and device.
fn place() -> Vec<AttributeBuf> {
    vec![
        AttributeBuf::new(a::NAS_IP_ADDRESS, [192, 0, 2, 3]),
        AttributeBuf::text(a::NAS_IDENTIFIER, SWITCH),
        AttributeBuf::integer(a::NAS_PORT, 7),
        AttributeBuf::text(a::NAS_PORT_ID, PORT),
        AttributeBuf::integer(a::NAS_PORT_TYPE, 15),
        AttributeBuf::text(a::CALLING_STATION_ID, &TILL.to_string()),
        AttributeBuf::text(a::CALLED_STATION_ID, "02-00-5E-00-FF-07"),
    ]
}

/// An EAP response of a type.
pub(super) fn eap_response(identifier: u8, kind: u8, data: &[u8]) -> Vec<u8> {
    let length = (5 + data.len()) as u16;
    let [high, low] = length.to_be_bytes();
    [&[2, identifier, high, low, kind], data].concat()
}
