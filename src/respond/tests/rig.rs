//! A bench of the ferry terminals, a switch that builds requests, and the responder between.

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::sync::Arc;

use jiff::{SignedDuration, Timestamp};
use rand::SeedableRng;
use rand::rngs::StdRng;

use crate::bench::accounts::Directory;
use crate::bench::*;
use crate::eap;
use crate::journal::{Entry, Link};
use crate::respond::Responder;
use crate::roster::{Effects, Roster};
use crate::wire::registry::attributes as a;
use crate::wire::sign::{MessageAuthenticator, check_message_authenticator, response_is_authentic};
use crate::wire::{Builder, Code, Mac, Packet, Secret, hide};

pub(super) const SECRET: &str = "gangway-and-bollard";
pub(super) const AUTHENTICATION: &str = "192.0.2.1:1812";
pub(super) const ACCOUNTING: &str = "192.0.2.1:1813";
pub(super) const PEER: &str = "192.0.2.10:50000";

pub(super) const PRINTER: Mac = Mac([0x02, 0x00, 0x5e, 0x00, 0x10, 0x01]);
pub(super) const STRANGER: Mac = Mac([0x02, 0x00, 0x5e, 0x00, 0x99, 0x01]);
pub(super) const BANNED: Mac = Mac([0x02, 0x00, 0x5e, 0x00, 0x66, 0x01]);

pub(super) fn at(seconds: i64) -> Timestamp {
    Timestamp::UNIX_EPOCH + SignedDuration::from_secs(1_000_000 + seconds)
}

pub(super) fn secret() -> Secret {
    Secret::new(SECRET)
}

/// Classes: `printer` by MAC prefix, `till` by DHCP vendor class, `staff` by group, `paired` for
/// staff after a quay machine, `banned` denied, else `holding`.
pub(in crate::respond) fn bench() -> Bench {
    let people = vec![
        account(
            "mo",
            Some(text("tide-table")),
            &["crew"],
            AccountState::Active,
        ),
        account("ann", Some(text("tide-table")), &[], AccountState::Disabled),
        account(
            "bo",
            Some(text("tide-table")),
            &[],
            AccountState::MustChangePassword,
        ),
        account("cy", Some(text("tide-table")), &[], AccountState::Expired),
        account("di", Some(hash()), &["crew"], AccountState::Active),
        account("ed", None, &[], AccountState::Active),
    ];
    let machine = Account {
        machine: true,
        aliases: vec!["host/office-3.quay.example".to_owned()],
        ..account(
            "office-3",
            Some(text("machine-word")),
            &["offices"],
            AccountState::Active,
        )
    };
    let people: Vec<Arc<Account>> = people.into_iter().map(Arc::new).collect();
    let machines = vec![Arc::new(machine)];
    let (directory, _) = Directory::new(people.iter().chain(&machines));
    Bench {
        name: "Lantern Quay".to_owned(),
        listen: Listen {
            authentication: AUTHENTICATION.parse().unwrap(),
            accounting: ACCOUNTING.parse().unwrap(),
            dhcp: None,
            board: None,
        },
        switches: vec![
            Arc::new(switch("quay", "192.0.2.10/32", true)),
            Arc::new(switch("old-quay", "192.0.2.11/32", false)),
        ],
        table: Arc::new(table()),
        people,
        machines,
        directory,
        eap: None,
        mac_authentication: MacAuthentication {
            password: Some(Secret::new("same-for-all")),
        },
        answers: AnswerRules::default(),
        changes: ChangeRules::default(),
    }
}

fn text(password: &str) -> Password {
    Password::Text(Secret::new(password))
}

/// MD4 of the UTF-16LE text "clientPass" (RFC 2759 section 9.2).
fn hash() -> Password {
    Password::NtHash(zeroize::Zeroizing::new([
        0x44, 0xeb, 0xba, 0x8d, 0x53, 0x12, 0xb8, 0xd6, 0x11, 0x47, 0x44, 0x11, 0xf5, 0x69, 0x89,
        0xae,
    ]))
}

fn account(
    name: &str,
    password: Option<Password>,
    groups: &[&str],
    state: AccountState,
) -> Account {
    Account {
        name: name.to_owned(),
        machine: false,
        aliases: vec![format!("{name}@quay.example"), format!("quay\\{name}")],
        password,
        groups: groups.iter().map(|group| (*group).to_owned()).collect(),
        state,
    }
}

fn switch(name: &str, address: &str, require_message_authenticator: bool) -> Switch {
    Switch {
        name: name.to_owned(),
        address: address.parse().unwrap(),
        secret: secret(),
        change_secret: secret(),
        dialect: Arc::new(Dialect {
            name: "plain".to_owned(),
            enterprise: None,
            role: RoleSpelling::None,
            vlan: VlanSpelling::Tunnel,
            tagged_vlans: false,
            priority: false,
            filter_rules: false,
            identify: vec![],
            event_timestamp: true,
            message_authenticator: true,
            changes: BTreeMap::new(),
            fallback: vec![],
        }),
        change_port: 3799,
        variables: BTreeMap::new(),
        require_message_authenticator,
    }
}

fn table() -> ClassTable {
    let group = |name: &str| Condition::Group(Test::Exact(name.to_owned()));
    let paired = Condition::All(vec![
        group("crew"),
        Condition::AfterMachine {
            within: std::time::Duration::from_secs(3600),
            group: None,
        },
    ]);
    let printer = Condition::MacMask {
        value: Mac([0x02, 0x00, 0x5e, 0x00, 0x10, 0]),
        mask: Mac([0xff, 0xff, 0xff, 0xff, 0xff, 0]),
    };
    let till = Condition::Dhcp(DhcpField::VendorClass, Test::Exact("till".to_owned()));
    // Its tagged VLANs have no spelling in the dialect of these switches.
    let trunk = Condition::MacList(vec![Mac([0x02, 0, 0x5e, 0, 0x77, 1])]);
    let mut classes = vec![
        class(
            "banned",
            Some(Condition::MacList(vec![BANNED])),
            "66",
            "no entry",
        ),
        class("printer", Some(printer), "30", "welcome"),
        class("till", Some(till), "40", "welcome"),
        class("trunk", Some(trunk), "50", "welcome"),
        class("paired", Some(paired), "21", "welcome"),
        class("staff", Some(group("crew")), "20", "welcome"),
        class("holding", None, "99", "wait"),
    ];
    classes[3].grant.tagged_vlans = vec![Template("51".to_owned())];
    ClassTable {
        classes: classes.into_iter().map(Arc::new).collect(),
        holding: "holding".to_owned(),
        deny: Some("banned".to_owned()),
    }
}

fn class(name: &str, recognise: Option<Condition>, vlan: &str, message: &str) -> Class {
    Class {
        name: name.to_owned(),
        about: None,
        recognise,
        grant: Grant {
            vlan: Some(Template(vlan.to_owned())),
            reply_message: Some(Template(message.to_owned())),
            ..Grant::default()
        },
        change: ChangeKind::Bounce,
        place: format!("classes.yaml:{name}"),
    }
}

/// The responder with its roster, and the identifier of the next request.
pub(super) struct Rig {
    pub(super) bench: Arc<Bench>,
    pub(super) responder: Responder,
    pub(super) roster: Roster,
    pub(super) rng: StdRng,
}

impl Rig {
    pub(super) fn new() -> Rig {
        let bench = Arc::new(bench());
        Rig {
            responder: Responder::new(Arc::clone(&bench)),
            bench,
            roster: Roster::default(),
            rng: StdRng::seed_from_u64(7),
        }
    }

    /// Offers EAP methods that need no certificate.
    pub(super) fn offer(&mut self, methods: &[eap::Method]) {
        let plan = eap::Plan {
            preference: methods.to_vec(),
            ..eap::Plan::default()
        };
        let settings = eap::Settings::new(plan).unwrap();
        self.responder.offer_eap(Some(Arc::new(settings)));
    }

    pub(super) fn send(&mut self, seconds: i64, link: Link, datagram: &[u8]) -> Effects {
        self.send_from(PEER, seconds, link, datagram)
    }

    pub(super) fn send_from(
        &mut self,
        peer: &str,
        seconds: i64,
        link: Link,
        datagram: &[u8],
    ) -> Effects {
        let local: SocketAddr = match link {
            Link::Accounting => ACCOUNTING,
            _ => AUTHENTICATION,
        }
        .parse()
        .unwrap();
        let peer = peer.parse().unwrap();
        let effects = self.responder.handle(
            at(seconds),
            &mut self.roster,
            link,
            local,
            peer,
            datagram,
            &mut self.rng,
        );
        check_effects(&effects, local, peer, datagram);
        effects
    }

    /// An Access-Request that must get its one entry, and an authentic answer if any.
    pub(super) fn ask(&mut self, seconds: i64, request: &Asking) -> Outcome {
        let octets = request.octets();
        Outcome::of(self.send(seconds, Link::Authentication, &octets), &octets)
    }

    pub(super) fn report(&mut self, seconds: i64, request: &Asking) -> Outcome {
        let octets = request.accounting_octets();
        Outcome::of(self.send(seconds, Link::Accounting, &octets), &octets)
    }
}

/// What holds for every datagram: one verdict entry and it is the first, with the datagram in it;
/// at most one answer, to where the datagram came from, recorded as sent.
fn check_effects(effects: &Effects, local: SocketAddr, peer: SocketAddr, datagram: &[u8]) {
    use crate::journal::Kind;
    let verdicts = effects.entries.iter().filter(|e| e.kind != Kind::Session);
    assert_eq!(verdicts.count(), 1, "{effects:?}");
    let entry = &effects.entries[0];
    assert_ne!(entry.kind, Kind::Session);
    // Of a host that is not declared only the start is kept.
    let kept = match entry.verdict.as_str() {
        "dropped-unknown-switch" => &datagram[..datagram.len().min(256)],
        _ => datagram,
    };
    assert_eq!(entry.packets[0].octets, kept);
    assert_eq!((entry.packets[0].from, entry.packets[0].to), (peer, local));
    match &effects.transmits[..] {
        [] => {
            assert!(entry.verdict.starts_with("dropped-"), "{}", entry.verdict);
            assert_eq!(entry.packets.len(), 1);
        }
        [transmit] => {
            assert_eq!(transmit.to, peer);
            assert_eq!(entry.packets[1].octets, transmit.octets);
            assert_eq!((entry.packets[1].from, entry.packets[1].to), (local, peer));
        }
        _ => panic!("more than one answer"),
    }
    assert!(!entry.reason.is_empty());
}

/// What came of a request.
#[derive(Debug)]
pub(super) struct Outcome {
    pub(super) effects: Effects,
    request: Vec<u8>,
}

impl Outcome {
    pub(super) fn of(effects: Effects, request: &[u8]) -> Outcome {
        let outcome = Outcome {
            effects,
            request: request.to_vec(),
        };
        outcome.check_signatures();
        outcome
    }

    pub(super) fn entry(&self) -> &Entry {
        &self.effects.entries[0]
    }

    pub(super) fn verdict(&self) -> &str {
        &self.entry().verdict
    }

    pub(super) fn answer(&self) -> Option<Packet<'_>> {
        let transmit = self.effects.transmits.first()?;
        Some(Packet::parse(&transmit.octets).unwrap())
    }

    pub(super) fn class_attribute(&self) -> Vec<u8> {
        self.answer()
            .unwrap()
            .first(a::CLASS)
            .unwrap()
            .value
            .to_vec()
    }

    /// RFC 2865 section 3 and RFC 3579 section 3.2: authentic, and Message-Authenticator right,
    /// where an answer to an Access-Request has it first.
    fn check_signatures(&self) {
        let Some(answer) = self.answer() else {
            return;
        };
        let request = Packet::parse(&self.request).unwrap();
        let authenticator = request.authenticator();
        assert_eq!(answer.identifier(), request.identifier());
        assert!(response_is_authentic(&answer, authenticator, &secret()));
        let message = check_message_authenticator(&answer, Some(authenticator), &secret());
        if answer.code() == Code::ACCOUNTING_RESPONSE {
            assert_eq!(message, MessageAuthenticator::Absent);
        } else {
            assert_eq!(message, MessageAuthenticator::Right);
            let first = answer.attributes().next().unwrap();
            assert_eq!(first.kind, a::MESSAGE_AUTHENTICATOR);
        }
    }
}

/// A request in the making.
#[derive(Debug, Clone)]
pub(super) struct Asking {
    pub(super) code: Code,
    pub(super) identifier: u8,
    pub(super) authenticator: [u8; 16],
    pub(super) signed: bool,
    pub(super) attributes: Vec<(u8, Vec<u8>)>,
}

impl Asking {
    pub(super) fn new(identifier: u8) -> Asking {
        Asking {
            code: Code::ACCESS_REQUEST,
            identifier,
            authenticator: [identifier ^ 0x5a; 16],
            signed: true,
            attributes: Vec::new(),
        }
    }

    /// MAC authentication as most switches send it.
    pub(super) fn mac(identifier: u8, mac: Mac, port: &str) -> Asking {
        let bare = mac.spell(None, 0, false);
        Asking::new(identifier)
            .with(a::USER_NAME, bare.as_bytes())
            .pap(bare.as_bytes())
            .with(a::CALLING_STATION_ID, mac.to_string().as_bytes())
            .with(a::NAS_PORT_ID, port.as_bytes())
    }

    pub(super) fn login(identifier: u8, name: &str, password: &str) -> Asking {
        Asking::new(identifier)
            .with(a::USER_NAME, name.as_bytes())
            .pap(password.as_bytes())
            .with(a::CALLING_STATION_ID, b"02-00-5E-00-20-01")
            .with(a::NAS_PORT_ID, b"3")
    }

    pub(super) fn accounting(identifier: u8, status: u32, id: &str) -> Asking {
        Asking::new(identifier)
            .number(a::ACCT_STATUS_TYPE, status)
            .with(a::ACCT_SESSION_ID, id.as_bytes())
    }

    /// Accounting of a device on a port.
    pub(super) fn of(self, mac: Mac, port: &str) -> Asking {
        self.with(a::CALLING_STATION_ID, mac.to_string().as_bytes())
            .with(a::NAS_PORT_ID, port.as_bytes())
    }

    pub(super) fn with(mut self, kind: u8, value: &[u8]) -> Asking {
        self.attributes.push((kind, value.to_vec()));
        self
    }

    pub(super) fn number(self, kind: u8, value: u32) -> Asking {
        self.with(kind, &value.to_be_bytes())
    }

    pub(super) fn pap(self, password: &[u8]) -> Asking {
        let hidden = hide::hide_password(password, &secret(), &self.authenticator).unwrap();
        self.with(a::USER_PASSWORD, &hidden)
    }

    pub(super) fn chap(self, password: &[u8]) -> Asking {
        let response = hide::chap_response(9, password, &self.authenticator);
        let mut value = vec![9];
        value.extend_from_slice(&response);
        self.with(a::CHAP_PASSWORD, &value)
    }

    pub(super) fn without(mut self, kind: u8) -> Asking {
        self.attributes.retain(|(known, _)| *known != kind);
        self
    }

    pub(super) fn octets(&self) -> Vec<u8> {
        self.builder(self.signed)
            .finish_request(&self.authenticator, &secret())
    }

    pub(super) fn accounting_octets(&self) -> Vec<u8> {
        let mut request = self.clone();
        request.code = Code::ACCOUNTING_REQUEST;
        request.builder(false).finish_digested_request(&secret())
    }

    fn builder(&self, signed: bool) -> Builder {
        let mut builder = Builder::new(self.code, self.identifier);
        for (kind, value) in &self.attributes {
            builder.push(*kind, value).unwrap();
        }
        if signed {
            builder.message_authenticator().unwrap();
        }
        builder
    }
}
