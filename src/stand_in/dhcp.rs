//! A device's DHCP client and the switch's relay, as far as a bench hears of them: the messages
//! that devices send, when, and in whose name. Answers come from a server that is only imagined.

use std::net::Ipv4Addr;
use std::time::Duration;

use dhcproto::v4::relay::{RelayAgentInformation, RelayInfo};
use dhcproto::v4::{DhcpOption, Flags, Message, MessageType, OptionCode};
use dhcproto::{Encodable, Encoder};
use jiff::Timestamp;
use jiff::fmt::serde::unsigned_duration::required as duration;
use rand::{Rng, RngCore};
use serde::Deserialize;

use super::config::Relay;
use super::event::DhcpMessage;
use super::schedule::{after, is_due, since};
use crate::wire::Mac;
use crate::wire::vlan::VlanRef;

/// What a device says by DHCP.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(default, rename_all = "kebab-case", deny_unknown_fields)]
pub struct DhcpConfig {
    /// From link up to the first message. Default 2 s (RFC 2131 section 4.4.1 has 1 to 10 s).
    #[serde(with = "duration")]
    pub after: Duration,
    /// Option 12.
    pub host_name: Option<String>,
    /// Option 55, in this order; left out when empty. Default 1, 3, 6, 15.
    pub parameter_list: Vec<u8>,
    /// Option 60.
    pub vendor_class: Option<String>,
    /// Option 61 in hex, its type octet first. Default type 1 and the MAC address.
    #[serde(deserialize_with = "client_id")]
    pub client_id: Option<Vec<u8>>,
    /// Option 77 (RFC 3004), one user class.
    pub user_class: Option<String>,
    /// Whether it asks for its last address again after a link flap (RFC 2131 section 3.2) and not
    /// for any address. Default true.
    pub remembers: bool,
}

impl Default for DhcpConfig {
    fn default() -> DhcpConfig {
        DhcpConfig {
            after: Duration::from_secs(2),
            host_name: None,
            parameter_list: vec![1, 3, 6, 15],
            vendor_class: None,
            client_id: None,
            user_class: None,
            remembers: true,
        }
    }
}

fn client_id<'de, D: serde::Deserializer<'de>>(
    deserializer: D,
) -> Result<Option<Vec<u8>>, D::Error> {
    let Some(text) = Option::<String>::deserialize(deserializer)? else {
        return Ok(None);
    };
    // RFC 2132 section 9.14: at least two octets; one option holds 255.
    let octets = decode_hex(&text).filter(|octets| (2..=255).contains(&octets.len()));
    octets.map(Some).ok_or_else(|| {
        serde::de::Error::custom(format!("'{text}' is not 2 to 255 octets in hex digits"))
    })
}

fn decode_hex(text: &str) -> Option<Vec<u8>> {
    if !text.is_ascii() || !text.len().is_multiple_of(2) {
        return None;
    }
    (0..text.len())
        .step_by(2)
        .map(|at| u8::from_str_radix(text.get(at..at + 2)?, 16).ok())
        .collect()
}

/// An address that a device was given, and where.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Lease {
    pub(super) address: Ipv4Addr,
    /// The VLAN that the device was in.
    pub(super) vlan: Option<VlanRef>,
}

/// A DHCP client (RFC 2131 section 4.4).
#[derive(Debug, Clone, Default)]
pub(super) struct DhcpClient {
    state: State,
    transaction: u32,
    began: Timestamp,
    lease: Option<Lease>,
}

#[derive(Debug, Clone, Default, PartialEq, Eq)]
enum State {
    /// No link, or bound.
    #[default]
    Quiet,
    /// Sends this message when due, then again after twice the wait.
    Sending {
        message: DhcpMessage,
        due: Timestamp,
        wait: Duration,
    },
}

/// RFC 2131 section 4.1: 4 s, then twice as long each time, up to 64 s.
const FIRST_WAIT: Duration = Duration::from_secs(4);
const LONGEST_WAIT: Duration = Duration::from_secs(64);
/// How soon a client goes on after an answer.
const NEXT_STEP: Duration = Duration::from_millis(100);

impl DhcpClient {
    pub(super) fn link_up(&mut self, now: Timestamp, config: &DhcpConfig, rng: &mut dyn RngCore) {
        self.transaction = rng.next_u32();
        self.began = after(now, config.after);
        let again = config.remembers && self.lease.is_some();
        let message = if again {
            DhcpMessage::Request
        } else {
            DhcpMessage::Discover
        };
        self.send(message, self.began);
    }

    pub(super) fn link_down(&mut self) {
        self.state = State::Quiet;
    }

    pub(super) fn power_lost(&mut self) {
        self.state = State::Quiet;
        self.lease = None;
    }

    pub(super) fn next_deadline(&self) -> Option<Timestamp> {
        match self.state {
            State::Quiet => None,
            State::Sending { due, .. } => Some(due),
        }
    }

    /// The message that is due.
    pub(super) fn tick(&mut self, now: Timestamp, rng: &mut dyn RngCore) -> Option<DhcpMessage> {
        if !is_due(self.next_deadline(), now) {
            return None;
        }
        let State::Sending { message, due, wait } = &mut self.state else {
            return None;
        };
        // "randomized by the value of a uniform random number chosen from the range -1 to +1"
        let jitter = rng.random_range(0..=2000);
        let randomized = *wait + Duration::from_millis(jitter);
        *due = after(now, randomized.saturating_sub(Duration::from_secs(1)));
        *wait = wait.saturating_mul(2).min(LONGEST_WAIT);
        Some(*message)
    }

    /// An offer came.
    pub(super) fn offered(&mut self, now: Timestamp, lease: Lease) {
        self.lease = Some(lease);
        self.send(DhcpMessage::Request, after(now, NEXT_STEP));
    }

    /// The address is good in this VLAN: bound, and the address. Else the client starts over
    /// (RFC 2131 section 3.2, DHCPNAK).
    pub(super) fn confirmed(&mut self, now: Timestamp, vlan: Option<&VlanRef>) -> Option<Ipv4Addr> {
        match self.lease.take() {
            Some(lease) if lease.vlan.as_ref() == vlan => {
                self.state = State::Quiet;
                let address = lease.address;
                self.lease = Some(lease);
                Some(address)
            }
            _ => {
                self.send(DhcpMessage::Discover, after(now, NEXT_STEP));
                None
            }
        }
    }

    /// The octets of a message as the relay passes it on.
    pub(super) fn relayed(
        &self,
        now: Timestamp,
        message: DhcpMessage,
        device: (&DhcpConfig, Mac),
        relay: &Relay,
        via: (&str, Mac),
    ) -> Option<Vec<u8>> {
        let mut packet = self.message(now, message, device.0, device.1);
        packet.set_giaddr(relay.relay_address).set_hops(1);
        if relay.option_82 {
            let (circuit, remote) = via;
            let mut info = RelayAgentInformation::default();
            info.insert(RelayInfo::AgentCircuitId(circuit.as_bytes().to_vec()));
            info.insert(RelayInfo::AgentRemoteId(remote.0.to_vec()));
            packet
                .opts_mut()
                .insert(DhcpOption::RelayAgentInformation(info));
        }
        let mut octets = Vec::with_capacity(400);
        packet.encode(&mut Encoder::new(&mut octets)).ok()?;
        Some(octets)
    }

    fn send(&mut self, message: DhcpMessage, due: Timestamp) {
        self.state = State::Sending {
            message,
            due,
            wait: FIRST_WAIT,
        };
    }

    fn message(
        &self,
        now: Timestamp,
        message: DhcpMessage,
        config: &DhcpConfig,
        mac: Mac,
    ) -> Message {
        let unspecified = Ipv4Addr::UNSPECIFIED;
        let mut packet = Message::new_with_id(
            self.transaction,
            unspecified,
            unspecified,
            unspecified,
            unspecified,
            &mac.0,
        );
        let seconds = since(self.began, now).as_secs();
        packet
            .set_flags(Flags::default().set_broadcast())
            .set_secs(u16::try_from(seconds).unwrap_or(u16::MAX));
        let options = packet.opts_mut();
        options.insert(DhcpOption::MessageType(match message {
            DhcpMessage::Discover => MessageType::Discover,
            DhcpMessage::Request => MessageType::Request,
        }));
        let id = config
            .client_id
            .clone()
            .unwrap_or_else(|| [&[1], mac.0.as_slice()].concat());
        options.insert(DhcpOption::ClientIdentifier(id));
        if let (DhcpMessage::Request, Some(lease)) = (message, &self.lease) {
            options.insert(DhcpOption::RequestedIpAddress(lease.address));
        }
        if let Some(name) = &config.host_name {
            options.insert(DhcpOption::Hostname(name.clone()));
        }
        if !config.parameter_list.is_empty() {
            let codes = config.parameter_list.iter().copied().map(OptionCode::from);
            options.insert(DhcpOption::ParameterRequestList(codes.collect()));
        }
        if let Some(class) = &config.vendor_class {
            options.insert(DhcpOption::ClassIdentifier(class.as_bytes().to_vec()));
        }
        if let Some(class) = &config.user_class {
            // RFC 3004 section 4: each class after an octet with its length.
            let length = u8::try_from(class.len()).unwrap_or(u8::MAX);
            let text = class.as_bytes().get(..length.into()).unwrap_or_default();
            options.insert(DhcpOption::UserClass([&[length], text].concat()));
        }
        packet
    }
}
