//! A bench, a roster with sessions, the engine, and what it left.

use std::collections::BTreeMap;
use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::sync::Arc;
use std::time::Duration;

use jiff::Timestamp;
use rand::SeedableRng;
use rand::rngs::StdRng;

use crate::bench::accounts::Directory;
use crate::bench::{
    Bench, ChangeKind, ChangeRules, ChangeSpelling, Class, ClassTable, Dialect, Grant, Listen,
    MacAuthentication, MethodName, RoleSpelling, Switch, Template, VlanSpelling,
};
use crate::change::{Changer, Order, OrderId, OrderRefused, Origin, Outcome};
use crate::journal::{Entry, Kind};
use crate::roster::{Effects, Roster, Session, SessionState, Transmit};
use crate::wire::registry::attributes as a;
use crate::wire::{AttributeBuf, Builder, Code, Mac, Packet, Secret};

pub(super) const CHANGE_SECRET: &[u8] = b"gangway-change-secret";
/// The enterprise number that RFC 5612 sets aside for documentation.
pub(super) const EXAMPLE_ENTERPRISE: u32 = 32473;
/// The session that most tests are about.
pub(super) const TILL: u64 = 7;
/// Another, on the same switch.
pub(super) const PHONE: u64 = 8;

pub(super) fn start() -> Timestamp {
    Timestamp::from_second(1_700_000_000).unwrap()
}

pub(super) fn switch_address() -> SocketAddr {
    "192.0.2.10:3799".parse().unwrap()
}

pub(super) fn mac(session: u64) -> Mac {
    Mac([0x02, 0x00, 0x5e, 0x10, 0x00, session as u8])
}

pub(super) fn spelling(text: &str) -> ChangeSpelling {
    ChangeSpelling {
        disconnect: false,
        attributes: vec![AttributeBuf::vendor(EXAMPLE_ENTERPRISE, 1, text.as_bytes())],
        with_grant: false,
        begun_by: None,
    }
}

pub(super) fn dialect() -> Dialect {
    let regrant = ChangeSpelling {
        attributes: Vec::new(),
        with_grant: true,
        ..spelling("")
    };
    let disconnect = ChangeSpelling {
        disconnect: true,
        attributes: Vec::new(),
        ..spelling("")
    };
    Dialect {
        name: "quay".to_owned(),
        enterprise: Some(EXAMPLE_ENTERPRISE),
        role: RoleSpelling::None,
        vlan: VlanSpelling::Tunnel,
        tagged_vlans: false,
        priority: false,
        filter_rules: false,
        identify: vec![a::CALLING_STATION_ID, a::ACCT_SESSION_ID],
        event_timestamp: true,
        message_authenticator: true,
        changes: BTreeMap::from([
            (ChangeKind::Bounce, spelling("bounce-port")),
            (ChangeKind::Reauth, spelling("reauthenticate")),
            (ChangeKind::Regrant, regrant),
            (ChangeKind::Disconnect, disconnect),
        ]),
        fallback: Vec::new(),
    }
}

pub(super) fn switch(dialect: Dialect) -> Switch {
    Switch {
        name: "ticket-hall".to_owned(),
        address: "192.0.2.10/32".parse().unwrap(),
        secret: Secret::new(&b"gangway-authentication"[..]),
        change_secret: Secret::new(CHANGE_SECRET),
        dialect: Arc::new(dialect),
        change_port: 3799,
        variables: BTreeMap::new(),
        require_message_authenticator: true,
    }
}

pub(super) fn class(name: &str, filter: &str) -> Arc<Class> {
    Arc::new(Class {
        name: name.to_owned(),
        about: None,
        recognise: None,
        grant: Grant {
            filter: Some(Template(filter.to_owned())),
            ..Grant::default()
        },
        change: ChangeKind::Bounce,
        place: "classes.yaml:1".to_owned(),
    })
}

pub(super) fn bench(switch: Switch) -> Bench {
    let any = SocketAddr::new(IpAddr::V4(Ipv4Addr::LOCALHOST), 0);
    Bench {
        name: "change client".to_owned(),
        listen: Listen {
            authentication: any,
            accounting: any,
            dhcp: None,
            board: None,
        },
        switches: vec![Arc::new(switch)],
        table: Arc::new(ClassTable {
            classes: vec![
                class("holding", "hold"),
                class("till", "tills"),
                class("printer", "printers"),
            ],
            holding: "holding".to_owned(),
            deny: None,
        }),
        people: Vec::new(),
        machines: Vec::new(),
        directory: Directory::default(),
        eap: None,
        mac_authentication: MacAuthentication::default(),
        answers: crate::bench::AnswerRules::default(),
        changes: ChangeRules::default(),
    }
}

/// The request that a session was accepted for.
pub(super) fn request(attributes: &[AttributeBuf]) -> Vec<u8> {
    let mut builder = Builder::new(Code::ACCESS_REQUEST, 1);
    for attribute in attributes {
        builder.attribute(attribute).unwrap();
    }
    builder.finish_request(&[9; 16], &Secret::new(&b"gangway-authentication"[..]))
}

pub(super) fn session(id: u64) -> Session {
    let mac = mac(id);
    Session {
        id,
        switch: "ticket-hall".to_owned(),
        address: switch_address().ip(),
        port: Some(format!("1/0/{id}")),
        mac: Some(mac),
        identity: None,
        method: MethodName::Mac,
        class: "holding".to_owned(),
        request: request(&[
            AttributeBuf::text(a::USER_NAME, &mac.spell(None, 0, false)),
            AttributeBuf::new(a::NAS_IP_ADDRESS, [192, 0, 2, 10]),
            AttributeBuf::integer(a::NAS_PORT, id as u32),
            AttributeBuf::text(a::CALLING_STATION_ID, &mac.to_string()),
            AttributeBuf::text(a::NAS_IDENTIFIER, "ticket-hall-1"),
        ]),
        login: None,
        acct_session_id: Some(format!("0000{id}")),
        accepted: start(),
        accepted_here: true,
        started: Some(start()),
        last_heard: start(),
        octets: (0, 0),
        state: SessionState::Running,
    }
}

pub(super) struct World {
    pub(super) now: Timestamp,
    pub(super) roster: Roster,
    pub(super) changer: Changer,
    pub(super) rng: StdRng,
    pub(super) entries: Vec<Entry>,
    pub(super) sent: Vec<(Timestamp, Transmit)>,
    pub(super) effects: Effects,
}

impl World {
    pub(super) fn new() -> World {
        World::with(bench(switch(dialect())))
    }

    /// With what a switch is to be tried after a refusal.
    pub(super) fn falling_back(fallback: &[ChangeKind]) -> World {
        World::with(bench(switch(Dialect {
            fallback: fallback.to_vec(),
            ..dialect()
        })))
    }

    pub(super) fn with(bench: Bench) -> World {
        World::with_sessions(bench, [session(TILL), session(PHONE)])
    }

    pub(super) fn with_sessions(
        bench: Bench,
        sessions: impl IntoIterator<Item = Session>,
    ) -> World {
        World {
            now: start(),
            roster: Roster::load([], sessions),
            changer: Changer::new(Arc::new(bench)),
            rng: StdRng::seed_from_u64(1),
            entries: Vec::new(),
            sent: Vec::new(),
            effects: Effects::default(),
        }
    }

    pub(super) fn try_order(&mut self, order: Order) -> Result<OrderId, OrderRefused> {
        let (result, effects) =
            self.changer
                .order(self.now, &mut self.roster, order, &mut self.rng);
        self.keep(effects);
        result
    }

    /// An order by hand, for the till.
    pub(super) fn by_hand(&mut self, kind: ChangeKind) -> OrderId {
        self.try_order(by_hand(kind)).unwrap()
    }

    /// A recognition of the till.
    pub(super) fn recognised(&mut self, class: &str) -> Result<OrderId, OrderRefused> {
        self.try_order(recognition(TILL, class))
    }

    /// Lets time pass, and ticks at each deadline on the way.
    pub(super) fn pass(&mut self, time: Duration) {
        let until = self.now + time;
        while let Some(due) = self.changer.next_deadline().filter(|due| *due <= until) {
            self.now = self.now.max(due);
            let effects = self.changer.tick(self.now, &mut self.roster, &mut self.rng);
            self.keep(effects);
        }
        self.now = until;
    }

    pub(super) fn receive(&mut self, peer: SocketAddr, datagram: &[u8]) {
        let effects =
            self.changer
                .handle(self.now, &mut self.roster, peer, datagram, &mut self.rng);
        self.keep(effects);
    }

    /// The switch answers the last request, signed right.
    pub(super) fn answer(&mut self, code: Code, attributes: &[AttributeBuf]) {
        let answer = self.signed(code, attributes, CHANGE_SECRET);
        self.receive(switch_address(), &answer);
    }

    pub(super) fn ack(&mut self) {
        self.answer(Code::COA_ACK, &[]);
    }

    pub(super) fn nak(&mut self, cause: u32) {
        self.answer(
            Code::COA_NAK,
            &[AttributeBuf::integer(a::ERROR_CAUSE, cause)],
        );
    }

    /// An answer to the last request.
    pub(super) fn signed(&self, code: Code, attributes: &[AttributeBuf], secret: &[u8]) -> Vec<u8> {
        let request = Packet::parse(self.last()).unwrap();
        let mut builder = Builder::new(code, request.identifier());
        for attribute in attributes {
            builder.attribute(attribute).unwrap();
        }
        builder.finish_response(request.authenticator(), &Secret::new(secret))
    }

    /// Octets of the last request that was sent.
    pub(super) fn last(&self) -> &[u8] {
        &self.sent.last().unwrap().1.octets
    }

    /// Verdicts so far, in order.
    pub(super) fn verdicts(&self) -> Vec<&str> {
        self.entries.iter().map(|entry| &*entry.verdict).collect()
    }

    pub(super) fn entry(&self, verdict: &str) -> &Entry {
        let found = self.entries.iter().rfind(|entry| entry.verdict == verdict);
        found.unwrap_or_else(|| panic!("no {verdict} among {:?}", self.verdicts()))
    }

    pub(super) fn outcome(&self, order: OrderId) -> Option<Outcome> {
        self.changer.outcome(order).cloned()
    }

    pub(super) fn end_session(&mut self, id: u64) {
        let ended = self.roster.sessions_mut().end(self.now, id, "User-Request");
        assert!(ended.is_some());
    }

    pub(super) fn set_class(&mut self, id: u64, class: &str) {
        self.roster
            .sessions_mut()
            .update(id, |session| session.class = class.to_owned());
    }

    fn keep(&mut self, effects: Effects) {
        for entry in &effects.entries {
            assert!(matches!(entry.kind, Kind::Change | Kind::Dropped));
            assert_eq!(entry.at, self.now);
        }
        let now = self.now;
        self.sent.extend(
            effects
                .transmits
                .iter()
                .map(|transmit| (now, transmit.clone())),
        );
        self.entries.extend(effects.entries.iter().cloned());
        self.effects.extend(effects);
    }
}

pub(super) fn by_hand(kind: ChangeKind) -> Order {
    Order {
        session: TILL,
        kind,
        to_class: None,
        origin: Origin::Hand,
        reason: "by hand".to_owned(),
    }
}

pub(super) fn recognition(session: u64, class: &str) -> Order {
    Order {
        session,
        kind: ChangeKind::Bounce,
        to_class: Some(class.to_owned()),
        origin: Origin::Recognition,
        reason: format!("recognised as {class}"),
    }
}

pub(super) fn seconds(seconds: f64) -> Duration {
    Duration::from_secs_f64(seconds)
}
