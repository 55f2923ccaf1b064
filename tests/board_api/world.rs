//! A bench without a responder: a desk over a roster and a state in memory, and packets as a
//! switch of the ferry terminals would send them.

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::sync::{Arc, Mutex};

use jiff::Timestamp;
use portproof::bench::accounts::Directory;
use portproof::bench::{
    Account, AccountState, Bench, ChangeKind, ChangeRules, ChangeSpelling, Class, ClassTable,
    Condition, DhcpField, Dialect, Grant, Listen, MacAuthentication, MethodName, Password,
    RoleSpelling, Switch, Template, Test, VlanSpelling,
};
use portproof::board::desk::Reply;
use portproof::board::{Access, Board, Desk, Refused};
use portproof::decide::{RowTrace, Trace};
use portproof::journal::{Direction, Entry, Journal, Kind, Link, PacketRecord, Place};
use portproof::roster::{Device, Effects, Pin, Roster, Session, SessionState};
use portproof::serve::Target;
use portproof::store::{Reader, Store};
use portproof::wire::registry::attributes as a;
use portproof::wire::{AttributeBuf, Builder, Code, Mac, Secret, hide};

pub const SHARED_SECRET: &str = "gangway-and-bollard";
pub const PASSWORD: &str = "tide-table-at-noon";
pub const PRINTER: Mac = Mac([0x02, 0x00, 0x5e, 0x00, 0x10, 0x01]);

/// The bench of the tests; clones share it.
#[derive(Clone)]
pub struct World {
    pub bench: Arc<Bench>,
    pub journal: Arc<Journal>,
    pub reader: Reader,
    state: Arc<Mutex<State>>,
}

struct State {
    store: Store,
    roster: Roster,
    orders: u64,
    reload: Result<String, Refused>,
}

impl World {
    /// With room for `tail` entries in memory.
    pub fn new(tail: usize) -> World {
        let store = Store::in_memory().unwrap();
        World {
            bench: Arc::new(bench()),
            journal: Arc::new(store.journal(tail).unwrap()),
            reader: store.reader().unwrap(),
            state: Arc::new(Mutex::new(State {
                store,
                roster: Roster::default(),
                orders: 0,
                reload: Ok("7 classes in force".into()),
            })),
        }
    }

    pub fn board(&self, access: Access) -> Board {
        let desk = Arc::new(self.clone());
        Board::new(desk, Arc::clone(&self.journal), self.reader.clone(), access).unwrap()
    }

    pub fn record(&self, effects: Effects) {
        let mut state = self.state.lock().unwrap();
        for device in &effects.devices {
            let fields = &device.sightings.dhcp;
            let fields = fields.iter().map(|(f, v)| (f.as_str(), v.as_str()));
            state.roster.learn(device.last_seen, device.mac, fields);
        }
        state.store.record(&self.journal, &mut [effects]).unwrap();
    }

    pub fn entries(&self, entries: Vec<Entry>) {
        self.record(Effects {
            entries,
            ..Effects::default()
        });
    }

    pub fn refuse_reload(&self, why: &str) {
        self.state.lock().unwrap().reload = Err(Refused(why.into()));
    }

    fn desk<R>(&self, work: impl FnOnce(&mut State) -> (R, Effects)) -> R {
        let mut state = self.state.lock().unwrap();
        let (answer, effects) = work(&mut state);
        state.store.record(&self.journal, &mut [effects]).unwrap();
        answer
    }
}

impl Desk for World {
    fn bench(&self) -> Reply<'_, Arc<Bench>> {
        Box::pin(async { Ok(Arc::clone(&self.bench)) })
    }

    fn change(
        &self,
        target: Target,
        kind: ChangeKind,
        reason: String,
    ) -> Reply<'_, Result<u64, Refused>> {
        let sessions = self.reader.sessions(&portproof::store::SessionQuery {
            live: Some(true),
            limit: 100,
            ..Default::default()
        });
        let found = sessions
            .unwrap()
            .items
            .into_iter()
            .find(|session| match &target {
                Target::Session(id) => session.id == *id,
                Target::Mac(mac) => session.mac == Some(*mac),
                Target::Port { switch, port } => {
                    session.port.as_ref() == Some(port)
                        && switch.as_ref().is_none_or(|name| *name == session.switch)
                }
            });
        let answer = self.desk(|state| {
            let Some(session) = found else {
                let no = Refused("no live session matches".into());
                return (Err(no), Effects::default());
            };
            state.orders += 1;
            let mut ordered = change_entry(&session, kind, state.orders, "ordered", &reason);
            ordered.packets.clear();
            let sent = change_entry(&session, kind, state.orders, "sent", "first attempt");
            let entries = vec![ordered, sent];
            (
                Ok(state.orders),
                Effects {
                    entries,
                    ..Effects::default()
                },
            )
        });
        Box::pin(async move { Ok(answer) })
    }

    fn forget(&self, mac: Mac) -> Reply<'_, bool> {
        let known = self.desk(|state| {
            let known = state.roster.device(mac).is_some();
            (known, state.roster.forget(Timestamp::now(), mac))
        });
        Box::pin(async move { Ok(known) })
    }

    fn pin(&self, mac: Mac, pin: Option<Pin>) -> Reply<'_, Result<(), Refused>> {
        let now = Timestamp::now();
        let answer = self.desk(|state| match pin {
            Some(pin) if self.bench.table.class(&pin.class).is_none() => (
                Err(Refused(format!(
                    "the class table has no class '{}'",
                    pin.class
                ))),
                Effects::default(),
            ),
            Some(pin) => (
                Ok(()),
                state.roster.pin(now, mac, &pin.class, pin.note.as_deref()),
            ),
            None => (Ok(()), state.roster.unpin(now, mac)),
        });
        Box::pin(async move { Ok(answer) })
    }

    fn import(&self, devices: Vec<Device>) -> Reply<'_, Result<(), Refused>> {
        self.record(Effects {
            devices,
            ..Effects::default()
        });
        Box::pin(async { Ok(Ok(())) })
    }

    fn reload(&self) -> Reply<'_, Result<String, Refused>> {
        let answer = self.state.lock().unwrap().reload.clone();
        Box::pin(async move { Ok(answer) })
    }
}

fn bench() -> Bench {
    let any: SocketAddr = "127.0.0.1:0".parse().unwrap();
    let person = Arc::new(Account {
        name: "ada".into(),
        machine: false,
        aliases: vec!["ada@quay.example".into()],
        password: Some(Password::Text(Secret::new(PASSWORD))),
        groups: vec!["crew".into()],
        state: AccountState::Active,
    });
    let (directory, _) = Directory::new([&person]);
    Bench {
        name: "Lantern Quay".into(),
        listen: Listen {
            authentication: any,
            accounting: any,
            dhcp: None,
            board: None,
        },
        switches: vec![
            switch("ticket-hall", "192.0.2.10/32"),
            switch("gate", "192.0.2.11/32"),
        ],
        table: Arc::new(table()),
        people: vec![person],
        machines: Vec::new(),
        directory,
        eap: None,
        mac_authentication: MacAuthentication::default(),
        answers: portproof::bench::AnswerRules::default(),
        changes: ChangeRules::default(),
    }
}

fn switch(name: &str, address: &str) -> Arc<Switch> {
    let changes = [
        ChangeKind::Bounce,
        ChangeKind::Reauth,
        ChangeKind::Regrant,
        ChangeKind::Disconnect,
    ];
    let spelling = |kind| ChangeSpelling {
        disconnect: kind == ChangeKind::Disconnect,
        attributes: Vec::new(),
        with_grant: false,
        begun_by: None,
    };
    Arc::new(Switch {
        name: name.into(),
        address: address.parse().unwrap(),
        secret: Secret::new(SHARED_SECRET),
        change_secret: Secret::new(SHARED_SECRET),
        dialect: Arc::new(Dialect {
            name: "plain".into(),
            enterprise: None,
            role: RoleSpelling::None,
            vlan: VlanSpelling::Tunnel,
            tagged_vlans: false,
            priority: false,
            filter_rules: false,
            identify: Vec::new(),
            event_timestamp: true,
            message_authenticator: true,
            changes: changes
                .into_iter()
                .map(|kind| (kind, spelling(kind)))
                .collect(),
            fallback: Vec::new(),
        }),
        change_port: 3799,
        variables: BTreeMap::new(),
        require_message_authenticator: true,
    })
}

fn table() -> ClassTable {
    let vendor = |text: &str| Condition::Dhcp(DhcpField::VendorClass, Test::Exact(text.into()));
    let class = |name: &str, about: &str, recognise, vlan: &str| {
        Arc::new(Class {
            name: name.into(),
            about: Some(about.into()),
            recognise,
            grant: Grant {
                vlan: Some(Template(vlan.into())),
                ..Grant::default()
            },
            change: ChangeKind::Bounce,
            place: format!("lantern-quay.yaml:{vlan}"),
        })
    };
    let crew = Condition::Group(Test::Exact("crew".into()));
    let port = Condition::Port(Test::Exact("1/0/9".into()));
    ClassTable {
        classes: vec![
            class(
                "printer",
                "ticket printers",
                Some(vendor("ticket printer")),
                "30",
            ),
            class("till", "tills", Some(vendor("till")), "40"),
            class("phone", "desk phones", Some(vendor("desk phone")), "50"),
            class("gate", "gate controllers", Some(port), "60"),
            class("crew", "people of the crew", Some(crew), "20"),
            class("holding", "held until recognised", None, "99"),
        ],
        holding: "holding".into(),
        deny: None,
    }
}

pub fn session(id: u64, mac: Mac, port: &str, class: &str, at: Timestamp) -> Session {
    Session {
        id,
        switch: "ticket-hall".into(),
        address: "192.0.2.10".parse().unwrap(),
        port: Some(port.into()),
        mac: Some(mac),
        identity: None,
        method: MethodName::Mac,
        class: class.into(),
        request: Vec::new(),
        login: None,
        acct_session_id: Some(format!("0000{id}")),
        accepted: at,
        accepted_here: true,
        started: Some(at),
        last_heard: at,
        octets: (0, 0),
        state: SessionState::Running,
    }
}

pub fn entry(at: Timestamp, kind: Kind, verdict: &str, reason: &str, place: Place) -> Entry {
    Entry {
        seq: 0,
        at,
        kind,
        verdict: verdict.into(),
        reason: reason.into(),
        place,
        packets: Vec::new(),
        trace: None,
        breach: None,
    }
}

pub fn place(mac: Mac, port: &str, class: &str, session: u64) -> Place {
    Place {
        switch: Some("ticket-hall".into()),
        port: Some(port.into()),
        mac: Some(mac),
        class: Some(class.into()),
        session: Some(session),
        ..Place::default()
    }
}

fn record(at: Timestamp, direction: Direction, link: Link, octets: Vec<u8>) -> PacketRecord {
    let (switch, here) = match link {
        Link::Authentication => ("192.0.2.10:40000", "192.0.2.1:1812"),
        Link::Accounting => ("192.0.2.10:40001", "192.0.2.1:1813"),
        Link::Change => ("192.0.2.10:3799", "192.0.2.1:50000"),
        Link::Dhcp => ("192.0.2.10:67", "192.0.2.1:67"),
    };
    let (from, to) = match direction {
        Direction::In => (switch, here),
        Direction::Out => (here, switch),
    };
    PacketRecord {
        at,
        direction,
        link,
        from: from.parse().unwrap(),
        to: to.parse().unwrap(),
        octets,
    }
}

pub fn later(at: Timestamp, milliseconds: i64) -> Timestamp {
    at + jiff::SignedDuration::from_millis(milliseconds)
}

/// A MAC authentication with PAP and its accept, with a trace.
pub fn mac_authentication(at: Timestamp, mac: Mac, port: &str, class: &str, session: u64) -> Entry {
    let secret = Secret::new(SHARED_SECRET);
    let authenticator = [7; 16];
    let mut request = Builder::new(Code::ACCESS_REQUEST, (session % 256) as u8);
    let bare = mac.spell(None, 0, false);
    request.message_authenticator().unwrap();
    request.text(a::USER_NAME, &bare).unwrap();
    let hidden = hide::hide_password(bare.as_bytes(), &secret, &authenticator).unwrap();
    request.push(a::USER_PASSWORD, &hidden).unwrap();
    request.push(a::NAS_IP_ADDRESS, &[192, 0, 2, 10]).unwrap();
    request.integer(a::NAS_PORT, 7).unwrap();
    request.text(a::NAS_PORT_ID, port).unwrap();
    request.integer(a::SERVICE_TYPE, 10).unwrap();
    request
        .text(a::CALLING_STATION_ID, &mac.to_string())
        .unwrap();
    let mut accept = Builder::new(Code::ACCESS_ACCEPT, (session % 256) as u8);
    accept.message_authenticator().unwrap();
    accept
        .attribute(&AttributeBuf::new(a::TUNNEL_TYPE, [0, 0, 0, 13]))
        .unwrap();
    accept
        .attribute(&AttributeBuf::new(a::TUNNEL_MEDIUM_TYPE, [0, 0, 0, 6]))
        .unwrap();
    accept
        .text(
            a::TUNNEL_PRIVATE_GROUP_ID,
            if class == "holding" { "99" } else { "30" },
        )
        .unwrap();
    accept.push(a::CLASS, &session.to_be_bytes()).unwrap();
    let rows = ["printer", "till", "holding"];
    Entry {
        packets: vec![
            record(
                at,
                Direction::In,
                Link::Authentication,
                request.finish_request(&authenticator, &secret),
            ),
            record(
                later(at, 1),
                Direction::Out,
                Link::Authentication,
                accept.finish_response(&authenticator, &secret),
            ),
        ],
        trace: Some(Trace {
            rows: rows
                .iter()
                .take_while(|row| class == "holding" || **row == class)
                .map(|row| RowTrace {
                    class: (*row).into(),
                    place: "lantern-quay.yaml:30".into(),
                    fits: *row == class,
                    because: if *row == class && class != "holding" {
                        "dhcp vendor-class is 'ticket printer'".into()
                    } else if *row == "holding" {
                        "no other row fits".into()
                    } else {
                        "dhcp vendor-class: nothing was sighted".into()
                    },
                })
                .collect(),
            summary: format!("class {class}"),
        }),
        ..entry(
            at,
            Kind::Access,
            "answered-accept",
            &format!("class {class}: as the trace shows"),
            place(mac, port, class, session),
        )
    }
}

pub fn rejected(at: Timestamp, mac: Mac, port: &str) -> Entry {
    let secret = Secret::new(SHARED_SECRET);
    let mut request = Builder::new(Code::ACCESS_REQUEST, 9);
    request.text(a::USER_NAME, "ada").unwrap();
    let hidden = hide::hide_password(PASSWORD.as_bytes(), &secret, &[7; 16]).unwrap();
    request.push(a::USER_PASSWORD, &hidden).unwrap();
    request.text(a::NAS_PORT_ID, port).unwrap();
    let reject = Builder::new(Code::ACCESS_REJECT, 9);
    Entry {
        packets: vec![
            record(
                at,
                Direction::In,
                Link::Authentication,
                request.finish_request(&[7; 16], &secret),
            ),
            record(
                later(at, 1),
                Direction::Out,
                Link::Authentication,
                reject.finish_response(&[7; 16], &secret),
            ),
        ],
        breach: Some("RFC 3579 section 3.2".into()),
        ..entry(
            at,
            Kind::Access,
            "answered-reject-wrong-password",
            "the password is not ada's",
            Place {
                identity: Some("ada".into()),
                class: None,
                session: None,
                ..place(mac, port, "", 0)
            },
        )
    }
}

pub fn change_entry(
    session: &Session,
    kind: ChangeKind,
    order: u64,
    verdict: &str,
    reason: &str,
) -> Entry {
    let secret = Secret::new(SHARED_SECRET);
    let mac = session.mac.unwrap();
    let code = if kind == ChangeKind::Disconnect {
        Code::DISCONNECT_REQUEST
    } else {
        Code::COA_REQUEST
    };
    let mut request = Builder::new(code, 3);
    request
        .text(a::CALLING_STATION_ID, &mac.to_string())
        .unwrap();
    let now = Timestamp::now();
    Entry {
        packets: vec![record(
            now,
            Direction::Out,
            Link::Change,
            request.finish_digested_request(&secret),
        )],
        ..entry(
            now,
            Kind::Change,
            verdict,
            reason,
            Place {
                change: Some(kind),
                order: Some(order),
                ..place(
                    mac,
                    session.port.as_deref().unwrap(),
                    &session.class,
                    session.id,
                )
            },
        )
    }
}

/// The acknowledgement of a change.
pub fn acknowledged(mut sent: Entry, at: Timestamp) -> Entry {
    let secret = Secret::new(SHARED_SECRET);
    let authenticator: [u8; 16] = sent.packets[0].octets[4..20].try_into().unwrap();
    let ack = Builder::new(Code::COA_ACK, 3).finish_response(&authenticator, &secret);
    sent.packets = vec![record(at, Direction::In, Link::Change, ack)];
    Entry {
        at,
        verdict: "acked".into(),
        reason: "the switch acknowledged it".into(),
        ..sent
    }
}

/// What a DHCP client says, relayed by the switch (RFC 2131 section 2).
pub fn dhcp(at: Timestamp, mac: Mac, port: &str, vendor: &str, session: u64) -> Entry {
    let mut octets = vec![0; 240];
    octets[..4].copy_from_slice(&[1, 1, 6, 1]);
    octets[24..28].copy_from_slice(&[192, 0, 2, 10]);
    octets[28..34].copy_from_slice(&mac.0);
    octets[236..240].copy_from_slice(&[99, 130, 83, 99]);
    octets.extend([53, 1, 1, 60, vendor.len() as u8]);
    octets.extend(vendor.as_bytes());
    octets.extend([55, 4, 1, 3, 6, 15, 255]);
    Entry {
        packets: vec![record(at, Direction::In, Link::Dhcp, octets)],
        ..entry(
            at,
            Kind::Sighting,
            "learnt",
            &format!("DISCOVER: vendor-class \"{vendor}\""),
            place(mac, port, "holding", session),
        )
    }
}

/// A printer that nobody has seen: held, sighted, recognised, bounced, and back in its class.
pub fn new_printer(world: &World, start: Timestamp, mac: Mac, port: &str, first: u64) {
    let held = session(first, mac, port, "holding", start);
    let step = |entries, sessions, devices| {
        world.record(Effects {
            entries,
            sessions,
            devices,
            ..Effects::default()
        });
    };
    let mut device = Device::unseen(mac, start);
    device.class = Some("holding".into());
    device.why = Some("no other row fits".into());
    step(
        vec![mac_authentication(start, mac, port, "holding", first)],
        vec![held.clone()],
        vec![device.clone()],
    );
    let sighted = later(start, 3200);
    device
        .sightings
        .dhcp
        .insert("vendor-class".into(), "ticket printer".into());
    device.last_seen = sighted;
    let recognised = Entry {
        trace: mac_authentication(sighted, mac, port, "printer", first).trace,
        ..entry(
            later(sighted, 1),
            Kind::Recognition,
            "recognised",
            "printer instead of holding: dhcp vendor-class is 'ticket printer'",
            place(mac, port, "holding", first),
        )
    };
    step(
        vec![
            dhcp(sighted, mac, port, "ticket printer", first),
            recognised,
        ],
        vec![],
        vec![device.clone()],
    );
    let mut sent = change_entry(
        &held,
        ChangeKind::Bounce,
        first,
        "sent",
        "recognised as printer",
    );
    sent.at = later(sighted, 1001);
    sent.packets[0].at = sent.at;
    let acked = acknowledged(sent.clone(), later(sighted, 1013));
    let mut over = held.clone();
    over.state = SessionState::Ended {
        at: acked.at,
        cause: "link down".into(),
    };
    step(vec![sent, acked], vec![over], vec![]);
    let back = later(sighted, 5400);
    device.class = Some("printer".into());
    device.why = Some("dhcp vendor-class is 'ticket printer'".into());
    device.last_seen = back;
    step(
        vec![mac_authentication(back, mac, port, "printer", first + 1)],
        vec![session(first + 1, mac, port, "printer", back)],
        vec![device],
    );
}
