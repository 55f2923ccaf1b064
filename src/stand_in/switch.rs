//! The switch as a whole: what the shell and the drill call.

use std::net::SocketAddr;
use std::time::Duration;

use jiff::Timestamp;
use rand::SeedableRng;
use rand::rngs::StdRng;

use super::accounting::Books;
use super::change_server::ChangeServer;
use super::config::{ConfigError, StandInConfig};
use super::courier::Courier;
use super::device::{Device, DeviceConfig, Frame, PowerSource, Spot};
use super::event::{Method, ReauthenticationCause, StopCause, What};
use super::grant::Grant;
use super::misbehave::Misbehaviour;
use super::outputs::{Outputs, Place, Post, Socket, SocketNeed};
use super::port::Port;
use super::schedule::after;
use super::session::{Answer, Question, Step};
use crate::wire::registry::attributes as a;
use crate::wire::{Code, Mac, Packet};

/// A switch that is not there.
pub struct StandIn {
    pub(super) config: StandInConfig,
    pub(super) rng: StdRng,
    pub(super) ports: Vec<Port>,
    pub(super) devices: Vec<Device>,
    access: Courier<Question>,
    books: Books,
    pub(super) changes: ChangeServer,
    pub(super) running: bool,
    /// Second of the last start: with a counter it makes an Acct-Session-Id that no other start
    /// repeats (RFC 2866 section 5.5).
    pub(super) booted: i64,
    pub(super) sessions_made: u64,
}

/// Why something cannot be done with a stand-in.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum StandInError {
    /// The configuration.
    #[error(transparent)]
    Config(#[from] ConfigError),
    /// An unknown port.
    #[error("there is no port '{0}': name one by its name or number")]
    NoSuchPort(String),
    /// An unknown device.
    #[error("there is no device '{0}': declare it under `devices`")]
    NoSuchDevice(String),
    /// A device that is plugged somewhere already.
    #[error("device '{0}' is plugged already: unplug it first")]
    AlreadyPlugged(String),
    /// A device that is plugged nowhere.
    #[error("device '{0}' is not plugged: plug it first")]
    NotPlugged(String),
    /// A port with a device on it.
    #[error("port '{port}' holds '{device}': unplug that, or plug behind it")]
    Occupied {
        /// Port.
        port: String,
        /// The device there.
        device: String,
    },
}

/// A session as it stands, for expectations.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct SessionView {
    /// Port, by name.
    pub port: String,
    /// Device.
    pub mac: Mac,
    /// Acct-Session-Id.
    pub acct_session_id: String,
    /// What lets it in, if anything does.
    pub admitted: Option<Method>,
    /// Let in without a server.
    pub critical: bool,
    /// What it has.
    pub grant: Option<Grant>,
    /// The method that is being tried.
    pub trying: Option<Method>,
    /// In the quiet period.
    pub held: bool,
}

impl StandIn {
    /// A switch that is off. `seed` settles everything random.
    ///
    /// # Errors
    /// When the configuration is wrong.
    pub fn new(config: StandInConfig, seed: u64) -> Result<StandIn, ConfigError> {
        config.check()?;
        Ok(StandIn {
            rng: StdRng::seed_from_u64(seed),
            ports: config.port_settings().into_iter().map(Port::new).collect(),
            devices: config.devices.iter().cloned().map(Device::new).collect(),
            access: Courier::new(Socket::Authentication, &config),
            books: Books::new(&config),
            changes: ChangeServer::default(),
            running: false,
            booted: 0,
            sessions_made: 0,
            config,
        })
    }

    /// The configuration.
    #[must_use]
    pub fn config(&self) -> &StandInConfig {
        &self.config
    }

    /// The sockets that the shell has to bind.
    #[must_use]
    pub fn sockets(&self) -> Vec<SocketNeed> {
        let need = |socket, port| SocketNeed {
            socket,
            bind: SocketAddr::new(self.config.address, port),
        };
        let mut needs = vec![need(Socket::Authentication, 0)];
        if self.config.accounting.enabled {
            needs.push(need(Socket::Accounting, 0));
        }
        if self.config.changes.enabled {
            needs.push(need(Socket::Change, self.config.changes.port));
        }
        if self.config.dhcp.is_some() {
            needs.push(need(Socket::Dhcp, 0));
        }
        needs
    }

    /// Adds a device that can be plugged.
    ///
    /// # Errors
    /// When its name or address is taken, or its address is a group address.
    pub fn add_device(&mut self, device: DeviceConfig) -> Result<(), ConfigError> {
        self.config.devices.push(device);
        if let Err(error) = self.config.check() {
            self.config.devices.pop();
            return Err(error);
        }
        self.devices
            .extend(self.config.devices.last().cloned().map(Device::new));
        Ok(())
    }

    /// Switches it on: Accounting-On, and links come up.
    pub fn start(&mut self, now: Timestamp) -> Outputs {
        if self.running {
            return Outputs::default();
        }
        self.running = true;
        self.booted = now.as_second();
        let session = self.switch_session();
        self.step(now, |switch, out| {
            let mut step = switch.parts(now, out).0;
            step.post.note(Place::default(), What::Started);
            if !step.post.config.does(Misbehaviour::NoAccountingOn) {
                step.books.switch(&mut step.post, true, &session);
            }
        })
    }

    /// Switches it off: every session stops, Accounting-Off, links go down. What waits for an
    /// answer still does, so that a test can see it arrive.
    pub fn stop(&mut self, now: Timestamp) -> Outputs {
        if !self.running {
            return Outputs::default();
        }
        let session = self.switch_session();
        let outputs = self.step(now, |switch, out| {
            let (mut step, ports, _) = switch.parts(now, out);
            for port in ports {
                port.end_all(&mut step, StopCause::AdminReboot);
            }
            step.books.switch(&mut step.post, false, &session);
            step.post.note(Place::default(), What::Stopped);
            switch.running = false;
        });
        self.changes = ChangeServer::default();
        outputs
    }

    /// Plugs a device into a port.
    ///
    /// # Errors
    /// Unknown names, a device that is plugged already, a port with a device on it.
    pub fn plug(
        &mut self,
        now: Timestamp,
        port: &str,
        device: &str,
    ) -> Result<Outputs, StandInError> {
        let at = self.port_index(port)?;
        let index = self.unplugged(device)?;
        let spot = Spot::Port(at);
        if let Some(other) = self.devices.iter().find(|d| d.spot == Some(spot)) {
            return Err(StandInError::Occupied {
                port: port.to_owned(),
                device: other.config.name.clone(),
            });
        }
        Ok(self.place_device(now, index, spot))
    }

    /// Plugs a device into another device's own port: a PC behind a phone.
    ///
    /// # Errors
    /// Unknown names, a device that is plugged already.
    pub fn plug_behind(
        &mut self,
        now: Timestamp,
        host: &str,
        device: &str,
    ) -> Result<Outputs, StandInError> {
        let host = self.device_index(host)?;
        let index = self.unplugged(device)?;
        Ok(self.place_device(now, index, Spot::Behind(host)))
    }

    /// Unplugs a device. What is plugged into it stays plugged into it.
    ///
    /// # Errors
    /// Unknown name, or not plugged.
    pub fn unplug(&mut self, now: Timestamp, device: &str) -> Result<Outputs, StandInError> {
        let index = self.plugged(device)?;
        Ok(self.step(now, |switch, out| {
            let place = switch.device_place(index);
            if let Some(entry) = switch.devices.get_mut(index) {
                entry.spot = None;
                let device = entry.config.name.clone();
                let mut step = switch.parts(now, out).0;
                step.post.note(place, What::Unplugged { device });
            }
        }))
    }

    /// Takes a device's power away for a time, a millisecond at the least.
    ///
    /// # Errors
    /// Unknown name.
    pub fn power_cycle(
        &mut self,
        now: Timestamp,
        device: &str,
        dark: Duration,
    ) -> Result<Outputs, StandInError> {
        let index = self.device_index(device)?;
        Ok(self.step(now, |switch, _| {
            if let Some(device) = switch.devices.get_mut(index) {
                device.cut_power(after(now, dark.max(Duration::from_millis(1))));
            }
        }))
    }

    /// Lets a device talk, or fall silent.
    ///
    /// # Errors
    /// Unknown name.
    pub fn traffic(
        &mut self,
        now: Timestamp,
        device: &str,
        talks: bool,
    ) -> Result<Outputs, StandInError> {
        let index = self.device_index(device)?;
        Ok(self.step(now, |switch, out| {
            if let Some(device) = switch.devices.get_mut(index) {
                device.talking = talks;
            }
            switch.carry(now, out, index, Frame::Plain);
        }))
    }

    /// Bounces a port by hand.
    ///
    /// # Errors
    /// Unknown port.
    pub fn bounce(&mut self, now: Timestamp, port: &str) -> Result<Outputs, StandInError> {
        let at = self.port_index(port)?;
        Ok(self.step(now, |switch, out| switch.bounce_port(now, out, at, None)))
    }

    /// Switches a port on that a change switched off.
    ///
    /// # Errors
    /// Unknown port.
    pub fn enable(&mut self, now: Timestamp, port: &str) -> Result<Outputs, StandInError> {
        let at = self.port_index(port)?;
        Ok(self.step(now, |switch, _| {
            if let Some(port) = switch.ports.get_mut(at) {
                port.open();
            }
        }))
    }

    /// Lets every session on a port authenticate again.
    ///
    /// # Errors
    /// Unknown port.
    pub fn reauthenticate(&mut self, now: Timestamp, port: &str) -> Result<Outputs, StandInError> {
        let at = self.port_index(port)?;
        Ok(self.step(now, |switch, out| {
            let (mut step, ports, _) = switch.parts(now, out);
            if let Some(Port { line, sessions, .. }) = ports.get_mut(at) {
                for session in sessions {
                    session.reauthenticate(&mut step, line, ReauthenticationCause::Hand);
                }
            }
        }))
    }

    /// Takes a datagram.
    pub fn handle(
        &mut self,
        now: Timestamp,
        socket: Socket,
        peer: SocketAddr,
        datagram: &[u8],
    ) -> Outputs {
        self.step(now, |switch, out| match socket {
            Socket::Authentication => switch.take_answer(now, out, peer, datagram),
            Socket::Accounting => {
                let step = switch.parts(now, out).0;
                let Step {
                    mut post, books, ..
                } = step;
                books.receive(&mut post, peer, datagram);
            }
            Socket::Change if switch.running && switch.config.changes.enabled => {
                switch.take_change(now, out, peer, datagram);
            }
            // Nothing is expected: DHCP goes out only, and a switch that is off hears nothing.
            Socket::Change | Socket::Dhcp => {}
        })
    }

    /// When to call [`StandIn::tick`] next.
    #[must_use]
    pub fn next_deadline(&self) -> Option<Timestamp> {
        let devices = self.devices.iter().filter_map(Device::next_deadline);
        let ports = self.ports.iter().filter_map(Port::next_deadline);
        devices
            .chain(ports)
            .chain(self.access.next_deadline())
            .chain(self.books.next_deadline())
            .min()
    }

    /// Does what is due.
    pub fn tick(&mut self, now: Timestamp) -> Outputs {
        self.step(now, |switch, out| {
            let (mut step, ports, _) = switch.parts(now, out);
            let ticked = step.access.tick(&mut step.post);
            for question in ticked.silent {
                if let Some(port) = ports.get_mut(question.port) {
                    port.answered(&mut step, &question, Answer::Silence);
                }
            }
            if ticked.woke {
                for port in ports.iter_mut() {
                    port.server_back(&mut step);
                }
            }
            for port in ports.iter_mut() {
                port.tick(&mut step);
            }
            step.books.tick(&mut step.post);
        })
    }

    /// Every session, port by port.
    #[must_use]
    pub fn sessions(&self) -> Vec<SessionView> {
        self.ports
            .iter()
            .flat_map(|port| port.sessions.iter().map(move |session| (port, session)))
            .map(|(port, session)| {
                let admission = session.admission.as_ref();
                SessionView {
                    port: port.line.name.clone(),
                    mac: session.mac,
                    acct_session_id: session.acct_session_id.clone(),
                    admitted: admission.map(|admission| admission.method),
                    critical: admission.is_some_and(|admission| admission.critical),
                    grant: admission.map(|admission| admission.grant.clone()),
                    trying: session.trying(),
                    held: session.is_held(),
                }
            })
            .collect()
    }

    /// Does something, then lets power, links and devices follow.
    fn step(&mut self, now: Timestamp, act: impl FnOnce(&mut StandIn, &mut Outputs)) -> Outputs {
        let mut out = Outputs::default();
        act(self, &mut out);
        self.follow(now, &mut out);
        self.speak(now, &mut out);
        out
    }

    /// Lends everything out that a step on a port needs.
    pub(super) fn parts<'a>(
        &'a mut self,
        now: Timestamp,
        out: &'a mut Outputs,
    ) -> (Step<'a>, &'a mut [Port], &'a mut [Device]) {
        let step = Step {
            post: Post {
                now,
                config: &self.config,
                rng: &mut self.rng,
                out,
            },
            access: &mut self.access,
            books: &mut self.books,
        };
        (step, &mut self.ports, &mut self.devices)
    }

    fn take_answer(
        &mut self,
        now: Timestamp,
        out: &mut Outputs,
        peer: SocketAddr,
        datagram: &[u8],
    ) {
        let (mut step, ports, _) = self.parts(now, out);
        let Some((question, packet, _)) = step.access.receive(&mut step.post, peer, datagram)
        else {
            return;
        };
        let answer = read_answer(&mut step.post, &question, &packet);
        if let Some(port) = ports.get_mut(question.port) {
            port.answered(&mut step, &question, answer);
        }
    }

    fn place_device(&mut self, now: Timestamp, index: usize, spot: Spot) -> Outputs {
        self.step(now, |switch, out| {
            if let Some(device) = switch.devices.get_mut(index) {
                device.spot = Some(spot);
            }
            let place = switch.device_place(index);
            let (mut step, ports, devices) = switch.parts(now, out);
            let name = |at: usize| devices.get(at).map(|device| device.config.name.clone());
            let device = name(index).unwrap_or_default();
            let (behind, feeds) = match spot {
                Spot::Port(at) => (None, ports.get(at).is_some_and(Port::feeds)),
                Spot::Behind(host) => (name(host), false),
            };
            let hungry = devices
                .get(index)
                .is_some_and(|device| device.config.power == PowerSource::Poe);
            let plugged = What::Plugged {
                device: device.clone(),
                behind,
            };
            step.post.note(place.clone(), plugged);
            if hungry && !feeds {
                step.post.note(place, What::PowerLost { device });
            }
        })
    }

    fn device_place(&self, index: usize) -> Place {
        let port = self.port_of(index).and_then(|at| self.ports.get(at));
        Place {
            port: port.map(Port::name),
            mac: self.devices.get(index).map(|device| device.config.mac),
        }
    }

    fn switch_session(&self) -> String {
        format!("{:08X}{:08X}", self.booted, 0)
    }

    fn port_index(&self, name: &str) -> Result<usize, StandInError> {
        let by_name = self.ports.iter().position(|port| port.line.name == name);
        let by_number = || {
            let number: u16 = name.parse().ok()?;
            self.ports.iter().position(|p| p.line.number == number)
        };
        by_name
            .or_else(by_number)
            .ok_or_else(|| StandInError::NoSuchPort(name.to_owned()))
    }

    fn device_index(&self, name: &str) -> Result<usize, StandInError> {
        self.devices
            .iter()
            .position(|device| device.config.name == name)
            .ok_or_else(|| StandInError::NoSuchDevice(name.to_owned()))
    }

    fn plugged(&self, name: &str) -> Result<usize, StandInError> {
        self.device_index(name).and_then(|index| {
            let plugged = self.devices.get(index).is_some_and(|d| d.spot.is_some());
            plugged
                .then_some(index)
                .ok_or_else(|| StandInError::NotPlugged(name.to_owned()))
        })
    }

    fn unplugged(&self, name: &str) -> Result<usize, StandInError> {
        match self.plugged(name) {
            Ok(_) => Err(StandInError::AlreadyPlugged(name.to_owned())),
            Err(StandInError::NotPlugged(_)) => self.device_index(name),
            Err(error) => Err(error),
        }
    }
}

/// What an answer says; an accept that cannot be carried out counts as a refusal.
fn read_answer(post: &mut Post<'_>, question: &Question, packet: &Packet<'_>) -> Answer {
    let message = packet.text(a::REPLY_MESSAGE).map(str::to_owned);
    match packet.code() {
        Code::ACCESS_ACCEPT => match Grant::read_accept(packet, post.config) {
            Ok(grant) => Answer::Accept(Box::new(grant)),
            Err(error) => {
                let reason = error.to_string();
                post.note(question.place.clone(), What::GrantRefused { reason });
                Answer::Refuse { message }
            }
        },
        // RFC 2865 section 4.4: a challenge that cannot be answered is a reject.
        _ => Answer::Refuse { message },
    }
}
