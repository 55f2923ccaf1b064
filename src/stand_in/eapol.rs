//! A device's side of 802.1X: who is logged on, when EAPOL-Start is sent, and the supplicant that
//! answers.

use std::sync::Arc;
use std::time::Duration;

use jiff::Timestamp;
use rand::RngCore;

use super::event::What;
use super::login::{Logins, SupplicantConfig};
use super::schedule::{after, is_due};
use super::supplicant::{Config, Status, Supplicant};
use crate::eap::codec::{Code, Packet, Type};

/// What a device says over EAPOL (IEEE 802.1X).
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Eapol {
    Start,
    Logoff,
    /// An EAP packet.
    Packet(Vec<u8>),
}

/// A device's supplicant with the logins that it has.
pub(super) struct EapolClient {
    logins: Logins,
    start_after: Duration,
    start_period: Duration,
    starts: u32,
    /// Who logs on, by the name in events.
    who: Option<(String, Arc<Config>)>,
    running: Option<Running>,
    /// When the next EAPOL-Start leaves, and how many are left with it.
    start: Option<(Timestamp, u32)>,
}

/// One login.
struct Running {
    supplicant: Supplicant,
    over: bool,
}

/// What an EAP packet from the switch leads to.
#[derive(Default)]
pub(super) struct Taken {
    pub(super) answer: Option<Vec<u8>>,
    pub(super) event: Option<What>,
    /// Master Session Key of a login that has just succeeded.
    pub(super) key: Option<[u8; 64]>,
}

/// Name of the machine in events.
const MACHINE: &str = "machine";

impl EapolClient {
    pub(super) fn new(config: &SupplicantConfig, logins: Logins) -> EapolClient {
        let mut client = EapolClient {
            logins,
            start_after: config.start_after,
            start_period: config.start_period,
            starts: config.starts,
            who: None,
            running: None,
            start: None,
        };
        client.be_machine();
        client
    }

    pub(super) fn link_up(&mut self, now: Timestamp) {
        self.renew();
        self.start = (self.running.is_some() && self.starts > 0)
            .then(|| (after(now, self.start_after), self.starts));
    }

    pub(super) fn link_down(&mut self) {
        self.running = None;
        self.start = None;
    }

    /// Whoever was logged on is not any more.
    pub(super) fn power_lost(&mut self) {
        self.link_down();
        self.be_machine();
    }

    /// A person logs on: what leaves now. `None` for somebody unknown.
    pub(super) fn log_on(
        &mut self,
        now: Timestamp,
        person: &str,
        link: bool,
    ) -> Option<Vec<Eapol>> {
        let config = self.logins.people.get(person)?.clone();
        self.who = Some((person.to_owned(), config));
        Some(self.start_over(now, link))
    }

    /// Whoever is logged on logs off: back to the machine, or off the port.
    pub(super) fn log_off(&mut self, now: Timestamp, link: bool) -> (Option<String>, Vec<Eapol>) {
        let who = self.who.take().map(|(name, _)| name);
        self.be_machine();
        let machine = self.who.is_some() && who.as_deref() != Some(MACHINE);
        if machine {
            return (who, self.start_over(now, link));
        }
        self.who = None;
        self.link_down();
        let leaves = link.then_some(Eapol::Logoff);
        (who, leaves.into_iter().collect())
    }

    pub(super) fn next_deadline(&self) -> Option<Timestamp> {
        self.start.map(|(at, _)| at)
    }

    /// The EAPOL-Start that is due.
    pub(super) fn tick(&mut self, now: Timestamp) -> Option<Eapol> {
        let (at, left) = self.start?;
        if !is_due(Some(at), now) {
            return None;
        }
        self.start = (left > 1).then(|| (after(now, self.start_period), left - 1));
        Some(Eapol::Start)
    }

    /// Takes an EAP packet of the switch.
    pub(super) fn take(&mut self, now: Timestamp, packet: &[u8], rng: &mut dyn RngCore) -> Taken {
        let Ok(parsed) = Packet::parse(packet) else {
            return Taken::default();
        };
        // Asked for the identity, it begins another login.
        if parsed.code == Code::Request && parsed.kind == Some(Type::IDENTITY) {
            self.renew();
        }
        let Some((name, _)) = &self.who else {
            return Taken::default();
        };
        let Some(running) = &mut self.running else {
            return Taken::default();
        };
        self.start = None;
        let answer = running.supplicant.handle(now, packet, rng);
        if running.over {
            return Taken {
                answer,
                ..Taken::default()
            };
        }
        let login = name.clone();
        let (event, key) = match running.supplicant.status() {
            Status::Waiting => (None, None),
            Status::Success => (
                Some(What::LoginSucceeded { login }),
                running.supplicant.msk().copied(),
            ),
            Status::Failed(why) => {
                let reason = why.to_string();
                (Some(What::LoginFailed { login, reason }), None)
            }
        };
        running.over = event.is_some();
        Taken { answer, event, key }
    }

    fn be_machine(&mut self) {
        let machine = self.logins.machine.clone();
        self.who = machine.map(|config| (MACHINE.to_owned(), config));
    }

    fn renew(&mut self) {
        self.running = self.who.as_ref().map(|(_, config)| Running {
            supplicant: Supplicant::new(config.clone()),
            over: false,
        });
    }

    /// Begins a login at once, and says so once more later if nobody asks.
    fn start_over(&mut self, now: Timestamp, link: bool) -> Vec<Eapol> {
        if !link {
            return Vec::new();
        }
        self.renew();
        self.start = (self.starts > 1).then(|| (after(now, self.start_period), self.starts - 1));
        vec![Eapol::Start]
    }
}
