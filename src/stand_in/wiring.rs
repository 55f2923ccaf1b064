//! Who hears whom: power follows ports, links follow power, and frames go where links are up.

use std::net::Ipv4Addr;

use jiff::Timestamp;

use super::device::{Device, Frame, Spot};
use super::dhcp::Lease;
use super::eapol::Eapol;
use super::event::{DhcpMessage, StopCause, What};
use super::misbehave::Misbehaviour;
use super::outputs::{Outputs, Place, Socket};
use super::port::Port;
use super::session::Step;
use super::switch::StandIn;
use crate::wire::Mac;
use crate::wire::vlan::VlanRef;

/// Rounds of EAP between switch and device in one step; a login has a server's answer, and so a
/// step, in each round.
const MOST_ROUNDS: usize = 16;

/// Devices plugged into one another that are followed to a port.
const LONGEST_CHAIN: usize = 8;

impl StandIn {
    /// Power follows ports, links follow power, ports follow links.
    pub(super) fn follow(&mut self, now: Timestamp, out: &mut Outputs) {
        let running = self.running;
        let places: Vec<Option<usize>> = (0..self.devices.len())
            .map(|index| self.port_of(index))
            .collect();
        let (mut step, ports, devices) = self.parts(now, out);
        for (device, place) in devices.iter_mut().zip(places) {
            let fed = match device.spot {
                Some(Spot::Port(at)) => running && ports.get(at).is_some_and(Port::feeds),
                _ => false,
            };
            if let Some(what) = device.follow_power(now, fed) {
                let place = Place {
                    port: place.and_then(|at| ports.get(at)).map(Port::name),
                    mac: Some(device.config.mac),
                };
                step.post.note(place, what);
            }
        }
        let linked: Vec<bool> = devices
            .iter()
            .map(|device| {
                device.is_on()
                    && match device.spot {
                        Some(Spot::Port(at)) => {
                            running && ports.get(at).is_some_and(|port| !port.is_shut())
                        }
                        Some(Spot::Behind(host)) => devices.get(host).is_some_and(Device::is_on),
                        None => false,
                    }
            })
            .collect();
        for (at, port) in ports.iter_mut().enumerate() {
            let up = devices
                .iter()
                .zip(&linked)
                .any(|(device, linked)| *linked && device.spot == Some(Spot::Port(at)));
            port.follow_link(&mut step, up);
        }
        for (device, up) in devices.iter_mut().zip(linked) {
            if device.link && !up {
                // Behind another device the port's link stays up and the session with it.
                let mac = device.config.mac;
                if let Some(session) = ports.iter_mut().find_map(|port| port.session_mut(mac)) {
                    session.heard(now, None);
                }
            }
            device.follow_link(now, up, step.post.rng);
        }
    }

    /// The port that a device's frames arrive at.
    pub(super) fn port_of(&self, device: usize) -> Option<usize> {
        let mut at = device;
        for _ in 0..LONGEST_CHAIN {
            match self.devices.get(at)?.spot? {
                Spot::Port(port) => return Some(port),
                Spot::Behind(host) => at = host,
            }
        }
        None
    }

    /// Devices say what is due; a talking device whose session is gone speaks up soon.
    pub(super) fn speak(&mut self, now: Timestamp, out: &mut Outputs) {
        for index in 0..self.devices.len() {
            let frames = match self.devices.get_mut(index) {
                Some(device) => device.frames(now, &mut self.rng),
                None => return,
            };
            for frame in frames {
                self.carry(now, out, index, frame);
            }
            let Some(port) = self.port_of(index).and_then(|at| self.ports.get(at)) else {
                continue;
            };
            if let Some(device) = self.devices.get_mut(index)
                && port.up
                && port.session(device.config.mac).is_none()
            {
                device.speak_soon(now);
            }
        }
    }

    /// EAP packets of the switch arrive at devices, and their answers at the switch.
    pub(super) fn deliver(&mut self, now: Timestamp, out: &mut Outputs) {
        for _ in 0..MOST_ROUNDS {
            let packets = std::mem::take(&mut self.eapol);
            if packets.is_empty() {
                return;
            }
            for (mac, packet) in packets {
                self.deliver_one(now, out, mac, &packet);
            }
        }
    }

    fn deliver_one(&mut self, now: Timestamp, out: &mut Outputs, mac: Mac, packet: &[u8]) {
        let found = self.devices.iter().position(|d| d.config.mac == mac);
        let Some((index, at)) = found.and_then(|index| Some((index, self.port_of(index)?))) else {
            return;
        };
        let (mut step, ports, devices) = self.parts(now, out);
        let Some(port) = ports.get(at).filter(|port| port.up) else {
            return;
        };
        let Some(eapol) = devices
            .get_mut(index)
            .filter(|device| device.link)
            .and_then(|device| device.eapol.as_mut())
        else {
            return;
        };
        let taken = eapol.take(now, packet, step.post.rng);
        if let Some(event) = taken.event {
            step.post.note(port.place_of(mac), event);
        }
        let given = port
            .session(mac)
            .and_then(|session| session.admission.as_ref())
            .and_then(|admission| admission.grant.keys.as_ref());
        if let (Some(own), Some(given)) = (taken.key, given)
            && own != given.as_slice()
        {
            step.post.note(port.place_of(mac), What::KeysDiffer);
        }
        if let Some(answer) = taken.answer {
            self.carry(now, out, index, Frame::Eapol(Eapol::Packet(answer)));
        }
    }

    /// A frame from a device arrives at its port.
    pub(super) fn carry(&mut self, now: Timestamp, out: &mut Outputs, index: usize, frame: Frame) {
        let Some(at) = self.port_of(index) else {
            return;
        };
        let (booted, mut made) = (self.booted, self.sessions_made);
        let same = self.config.does(Misbehaviour::SameAcctSessionId);
        let (mut step, ports, devices) = self.parts(now, out);
        let Some(device) = devices.get_mut(index).filter(|device| device.link) else {
            return;
        };
        let mac = device.config.mac;
        match ports.get(at) {
            Some(port) if port.up => {
                if port.has_room(&step.post, mac) {
                    end_elsewhere(&mut step, ports, at, mac);
                }
            }
            _ => return,
        }
        let Some(port) = ports.get_mut(at) else {
            return;
        };
        port.heard(&mut step, mac, device.rate(), || {
            made += 1;
            let shown = if same { 1 } else { made };
            (made, format!("{booted:08X}{shown:08X}"))
        });
        match frame {
            Frame::Plain => {}
            Frame::Dhcp(message) => relay(&mut step, port, device, index, message),
            Frame::Eapol(frame) => port.eapol(&mut step, mac, &frame),
        }
        self.sessions_made = made;
    }
}

/// A device turned up on another port: its session there is over.
fn end_elsewhere(step: &mut Step<'_>, ports: &mut [Port], here: usize, mac: Mac) {
    let elsewhere = ports
        .iter()
        .position(|port| port.session(mac).is_some())
        .filter(|at| *at != here);
    let Some(old) = elsewhere else {
        return;
    };
    if let (Some(from), Some(to)) = (ports.get(old), ports.get(here)) {
        let from = from.name();
        step.post.note(to.place_of(mac), What::Moved { from });
    }
    if let Some(port) = ports.get_mut(old) {
        port.end(step, mac, StopCause::LostCarrier);
    }
}

/// Passes DHCP on, or not; an imagined server answers at once.
fn relay(
    step: &mut Step<'_>,
    port: &mut Port,
    device: &mut Device,
    index: usize,
    message: DhcpMessage,
) {
    let now = step.post.now;
    let mac = device.config.mac;
    let place = port.place_of(mac);
    let name = port.name();
    let Some(relay) = &step.post.config.dhcp else {
        return;
    };
    let bridge = step.post.config.bridge_mac;
    let vlan = port
        .session_mut(mac)
        .and_then(|session| session.admission.as_ref())
        .map(|admission| admission.grant.vlan.clone());
    let relayed = vlan.is_some();
    step.post
        .note(place.clone(), What::DhcpSent { message, relayed });
    let (Some(vlan), Some(config)) = (vlan, &device.config.dhcp) else {
        return;
    };
    let via = (name.as_str(), bridge);
    if let Some(octets) = device.dhcp.relayed(now, message, (config, mac), relay, via) {
        step.post.transmit(Socket::Dhcp, relay.to, octets);
    }
    if !relay.answered {
        return;
    }
    match message {
        DhcpMessage::Discover => {
            let address = imagined_address(vlan.as_ref(), index);
            device.dhcp.offered(now, Lease { address, vlan });
        }
        DhcpMessage::Request => {
            if let Some(address) = device.dhcp.confirmed(now, vlan.as_ref()) {
                if let Some(session) = port.session_mut(mac) {
                    session.framed_ip = Some(address);
                }
                step.post.note(place, What::AddressGiven { address });
            }
        }
    }
}

/// 10.x.y.z with the VLAN in the middle and the device at the end.
fn imagined_address(vlan: Option<&VlanRef>, index: usize) -> Ipv4Addr {
    let id = match vlan {
        Some(VlanRef::Id(id)) => *id,
        _ => 0,
    };
    let [high, low] = id.to_be_bytes();
    let last = u8::try_from(index % 200).unwrap_or_default();
    Ipv4Addr::new(10, high, low, last.saturating_add(10))
}
