//! What is done to the stand-in by hand: plugging, power, people who log on, ports.

use std::time::Duration;

use jiff::Timestamp;

use super::config::ConfigError;
use super::device::{Frame, PowerSource, Spot};
use super::eapol::{Eapol, EapolClient};
use super::event::{ReauthenticationCause, What};
use super::outputs::{Outputs, Place};
use super::port::Port;
use super::schedule::after;
use super::switch::StandIn;

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
    /// A device without supplicant.
    #[error("device '{0}' has no supplicant: give it one under `supplicant`")]
    NoSupplicant(String),
    /// Nobody of that name.
    #[error("nobody called '{person}' logs on at '{device}': declare them under `people`")]
    NoSuchPerson {
        /// Device.
        device: String,
        /// Name that was given.
        person: String,
    },
    /// A port with a device on it.
    #[error("port '{port}' holds '{device}': unplug that, or plug behind it")]
    Occupied {
        /// Port.
        port: String,
        /// The device there.
        device: String,
    },
}

impl StandIn {
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

    /// A person logs on at a device.
    ///
    /// # Errors
    /// Unknown device, no supplicant, or nobody of that name.
    pub fn log_on(
        &mut self,
        now: Timestamp,
        device: &str,
        person: &str,
    ) -> Result<Outputs, StandInError> {
        let index = self.device_index(device)?;
        let (link, eapol) = self.supplicant(index)?;
        let frames = eapol.log_on(now, person, link).ok_or_else(|| {
            let (device, person) = (device.to_owned(), person.to_owned());
            StandInError::NoSuchPerson { device, person }
        })?;
        let person = person.to_owned();
        Ok(self.say(now, index, What::LoggedOn { person }, frames))
    }

    /// Whoever is logged on at a device logs off: back to the machine, if it logs on by itself.
    ///
    /// # Errors
    /// Unknown device, or no supplicant.
    pub fn log_off(&mut self, now: Timestamp, device: &str) -> Result<Outputs, StandInError> {
        let index = self.device_index(device)?;
        let (link, eapol) = self.supplicant(index)?;
        let (login, frames) = eapol.log_off(now, link);
        Ok(self.say(now, index, What::LoggedOff { login }, frames))
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

    fn supplicant(&mut self, index: usize) -> Result<(bool, &mut EapolClient), StandInError> {
        let device = self.devices.get_mut(index);
        let name = device.as_ref().map(|device| device.config.name.clone());
        device
            .and_then(|device| Some((device.link, device.eapol.as_mut()?)))
            .ok_or_else(|| StandInError::NoSupplicant(name.unwrap_or_default()))
    }

    fn say(&mut self, now: Timestamp, index: usize, what: What, frames: Vec<Eapol>) -> Outputs {
        self.step(now, |switch, out| {
            let place = switch.device_place(index);
            switch.parts(now, out).0.post.note(place, what);
            for frame in frames {
                switch.carry(now, out, index, Frame::Eapol(frame));
            }
        })
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
