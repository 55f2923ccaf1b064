//! The stand-in in simulated time against servers made up here from `wire` alone.

mod accounting;
mod answers;
mod authorize_only;
mod change_envelope;
mod changes;
mod configuration;
mod devices;
mod dot1x;
mod methods;
mod methods_over_tls;
mod misbehaviours;
mod properties;
mod requests;
mod servers;
mod timers;

use std::net::SocketAddr;
use std::time::Duration;

use jiff::Timestamp;

use super::config::{PortChange, Relay, Server};
use super::dhcp::DhcpConfig;
use super::schedule::after;
use super::{
    DeviceConfig, Outputs, Socket, StandIn, StandInConfig, StandInTransmit, SwitchEvent, What,
};
use crate::wire::registry::attributes as a;
use crate::wire::sign::{self, MessageAuthenticator};
use crate::wire::{AttributeBuf, Builder, Code, Mac, Packet, Secret};

const AUTHENTICATION: &str = "192.0.2.10:1812";
const ACCOUNTING: &str = "192.0.2.10:1813";
const CHANGER: &str = "192.0.2.10:40000";
const DHCP: &str = "192.0.2.10:67";

const TILL: Mac = Mac([0x02, 0x00, 0x00, 0x00, 0x0a, 0x01]);
const PHONE: Mac = Mac([0x02, 0x00, 0x00, 0x00, 0x0a, 0x02]);
const PC: Mac = Mac([0x02, 0x00, 0x00, 0x00, 0x0a, 0x03]);

fn secret() -> Secret {
    Secret::new("lantern-quay-bench")
}

fn start() -> Timestamp {
    Timestamp::from_second(1_700_000_000).unwrap()
}

fn seconds(count: u64) -> Duration {
    Duration::from_secs(count)
}

fn millis(count: u64) -> Duration {
    Duration::from_millis(count)
}

/// A switch of eight ports with a till on mains, a phone and a PC; MAC authentication only, so
/// that tests of other things need not wait for 802.1X.
fn config() -> StandInConfig {
    let mut config = StandInConfig::new("quay-3", server(AUTHENTICATION, ACCOUNTING));
    config.address = "192.0.2.3".parse().unwrap();
    config.ports.count = 8;
    config.ports.order = super::config::MethodOrder::MacOnly;
    config.dhcp = Some(Relay {
        to: DHCP.parse().unwrap(),
        relay_address: "198.51.100.1".parse().unwrap(),
        option_82: true,
        answered: true,
    });
    config.devices = [("till", TILL), ("phone", PHONE), ("pc", PC)]
        .map(|(name, mac)| DeviceConfig::new(name, mac))
        .into();
    config
}

fn server(authentication: &str, accounting: &str) -> Server {
    Server {
        authentication: authentication.parse().unwrap(),
        accounting: accounting.parse().unwrap(),
        secret: secret(),
    }
}

/// What a server made up here answers an Access-Request with.
#[derive(Debug, Clone)]
enum Reply {
    Accept(Vec<AttributeBuf>),
    Reject,
    Code(Code, Vec<AttributeBuf>),
    Nothing,
}

type Script = Box<dyn FnMut(&Packet<'_>) -> Reply>;

struct Rig {
    switch: StandIn,
    now: Timestamp,
    script: Script,
    accounting_answers: bool,
    events: Vec<SwitchEvent>,
    sent: Vec<(Timestamp, StandInTransmit)>,
}

impl Rig {
    fn new(config: StandInConfig, script: impl FnMut(&Packet<'_>) -> Reply + 'static) -> Rig {
        let mut rig = Rig {
            switch: StandIn::new(config, 11).unwrap(),
            now: start(),
            script: Box::new(script),
            accounting_answers: true,
            events: Vec::new(),
            sent: Vec::new(),
        };
        let out = rig.switch.start(rig.now);
        rig.absorb(out);
        rig
    }

    /// Every request accepted with the same grant.
    fn granting(config: StandInConfig, grant: Vec<AttributeBuf>) -> Rig {
        Rig::new(config, move |_| Reply::Accept(grant.clone()))
    }

    fn plug(&mut self, port: &str, device: &str) {
        let out = self.switch.plug(self.now, port, device).unwrap();
        self.absorb(out);
    }

    fn act(&mut self, act: impl FnOnce(&mut StandIn, Timestamp) -> Outputs) {
        let out = act(&mut self.switch, self.now);
        self.absorb(out);
    }

    /// Lets time pass, from deadline to deadline.
    fn run(&mut self, time: Duration) {
        let end = after(self.now, time);
        for _ in 0..100_000 {
            match self.switch.next_deadline().filter(|due| *due <= end) {
                Some(due) => {
                    self.now = self.now.max(due);
                    let out = self.switch.tick(self.now);
                    self.absorb(out);
                }
                None => {
                    self.now = end;
                    return;
                }
            }
        }
        panic!("deadlines without end");
    }

    fn absorb(&mut self, out: Outputs) {
        self.events.extend(out.events);
        for transmit in out.transmits {
            self.sent.push((self.now, transmit.clone()));
            if let Some(reply) = self.reply(&transmit) {
                let out = self
                    .switch
                    .handle(self.now, transmit.socket, transmit.to, &reply);
                self.absorb(out);
            }
        }
    }

    fn reply(&mut self, transmit: &StandInTransmit) -> Option<Vec<u8>> {
        let packet = Packet::parse(&transmit.octets).ok()?;
        match transmit.socket {
            Socket::Authentication => {
                let (code, attributes) = match (self.script)(&packet) {
                    Reply::Accept(grant) => (Code::ACCESS_ACCEPT, grant),
                    Reply::Reject => (Code::ACCESS_REJECT, Vec::new()),
                    Reply::Code(code, attributes) => (code, attributes),
                    Reply::Nothing => return None,
                };
                Some(respond(&packet, code, &attributes))
            }
            Socket::Accounting if self.accounting_answers => Some(
                Builder::new(Code::ACCOUNTING_RESPONSE, packet.identifier())
                    .finish_response(packet.authenticator(), &secret()),
            ),
            _ => None,
        }
    }

    /// Requests sent on a socket, with their times.
    fn requests(&self, socket: Socket) -> Vec<(Duration, Packet<'_>)> {
        self.sent
            .iter()
            .filter(|(_, transmit)| transmit.socket == socket)
            .map(|(at, transmit)| {
                let packet = Packet::parse(&transmit.octets).unwrap();
                (super::schedule::since(start(), *at), packet)
            })
            .collect()
    }

    fn access_requests(&self) -> Vec<Packet<'_>> {
        let requests = self.requests(Socket::Authentication);
        requests.into_iter().map(|(_, packet)| packet).collect()
    }

    /// Accounting records of one status.
    fn records(&self, status: u32) -> Vec<(Duration, Packet<'_>)> {
        self.requests(Socket::Accounting)
            .into_iter()
            .filter(|(_, packet)| packet.integer(a::ACCT_STATUS_TYPE) == Some(status))
            .collect()
    }

    fn count(&self, fits: impl Fn(&What) -> bool) -> usize {
        self.events.iter().filter(|event| fits(&event.what)).count()
    }

    /// Time of the first event that fits, from the start.
    fn when(&self, fits: impl Fn(&What) -> bool) -> Option<Duration> {
        self.events
            .iter()
            .find(|event| fits(&event.what))
            .map(|event| super::schedule::since(start(), event.at))
    }

    /// Sends a change and gives the answer back.
    fn change(&mut self, request: &[u8]) -> Option<Vec<u8>> {
        let before = self.sent.len();
        let peer: SocketAddr = CHANGER.parse().unwrap();
        let out = self.switch.handle(self.now, Socket::Change, peer, request);
        self.absorb(out);
        let answer = self.sent[before..]
            .iter()
            .find(|(_, transmit)| transmit.socket == Socket::Change)?;
        assert_eq!(answer.1.to, peer);
        Some(answer.1.octets.clone())
    }
}

/// A signed answer with Message-Authenticator first.
fn respond(request: &Packet<'_>, code: Code, attributes: &[AttributeBuf]) -> Vec<u8> {
    let mut builder = Builder::new(code, request.identifier());
    builder.message_authenticator().unwrap();
    for attribute in attributes {
        builder.attribute(attribute).unwrap();
    }
    builder.finish_response(request.authenticator(), &secret())
}

/// A printer's DHCP: the first message after the methods are through (trade).
fn dhcp() -> DhcpConfig {
    DhcpConfig {
        host_name: Some("berth-till-4".to_owned()),
        vendor_class: Some("till-firmware".to_owned()),
        ..DhcpConfig::default()
    }
}

fn one_port(number: u16, change: PortChange) -> std::collections::BTreeMap<u16, PortChange> {
    [(number, change)].into()
}
