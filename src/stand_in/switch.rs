//! The switch as a whole: what the shell and the drill call.

use std::net::SocketAddr;

use jiff::Timestamp;
use rand::SeedableRng;
use rand::rngs::StdRng;

use super::accounting::Books;
use super::change_server::ChangeServer;
use super::config::{ConfigError, StandInConfig};
use super::courier::Courier;
use super::device::{Device, DeviceConfig};
use super::event::{Method, StopCause, What};
use super::grant::Grant;
use super::misbehave::Misbehaviour;
use super::outputs::{Outputs, Place, Post, Socket, SocketNeed};
use super::port::Port;
use super::question::{Answer, Question};
use super::session::Step;
use crate::wire::Mac;

/// A switch that is not there.
pub struct StandIn {
    pub(super) config: StandInConfig,
    pub(super) rng: StdRng,
    pub(super) ports: Vec<Port>,
    pub(super) devices: Vec<Device>,
    access: Courier<Question>,
    books: Books,
    /// EAP packets for devices.
    pub(super) eapol: Vec<(Mac, Vec<u8>)>,
    pub(super) changes: ChangeServer,
    pub(super) running: bool,
    /// Second of the last start: with a counter it makes an Acct-Session-Id that no other start
    /// repeats (RFC 2866 section 5.5).
    pub(super) booted: i64,
    pub(super) sessions_made: u64,
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
            devices: config
                .devices
                .iter()
                .cloned()
                .map(Device::new)
                .collect::<Result<_, _>>()?,
            access: Courier::new(Socket::Authentication, &config),
            books: Books::new(&config),
            eapol: Vec::new(),
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
        let made = Device::new(device.clone())?;
        self.config.devices.push(device);
        if let Err(error) = self.config.check() {
            self.config.devices.pop();
            return Err(error);
        }
        self.devices.push(made);
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
    pub(super) fn step(
        &mut self,
        now: Timestamp,
        act: impl FnOnce(&mut StandIn, &mut Outputs),
    ) -> Outputs {
        let mut out = Outputs::default();
        act(self, &mut out);
        self.follow(now, &mut out);
        self.deliver(now, &mut out);
        self.speak(now, &mut out);
        self.deliver(now, &mut out);
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
            eapol: &mut self.eapol,
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
        let received = step.access.receive(&mut step.post, peer, datagram);
        let Some((question, arrived)) = received else {
            return;
        };
        let answer = Answer::read(&mut step.post, &question, &arrived);
        if let Some(port) = ports.get_mut(question.port) {
            port.answered(&mut step, &question, answer);
        }
    }

    fn switch_session(&self) -> String {
        format!("{:08X}{:08X}", self.booted, 0)
    }
}
