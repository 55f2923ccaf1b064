//! A device that can be plugged: its power, its link, what it says and when.

use std::time::Duration;

use jiff::Timestamp;
use jiff::fmt::serde::unsigned_duration::required as duration;
use rand::RngCore;
use serde::Deserialize;

use super::config::ConfigError;
use super::dhcp::{DhcpClient, DhcpConfig};
use super::eapol::{Eapol, EapolClient};
use super::event::{DhcpMessage, What};
use super::login::SupplicantConfig;
use super::schedule::{after, is_due};
use crate::wire::Mac;

/// A device.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct DeviceConfig {
    /// Name.
    pub name: String,
    /// Address.
    pub mac: Mac,
    /// What powers it. Default mains.
    #[serde(default)]
    pub power: PowerSource,
    /// From power to link. Default 36 s, which makes 43 s to recognition with the 7 s that a
    /// booted device takes (both common practice, no source).
    #[serde(default = "boot_time", with = "duration")]
    pub boot_time: Duration,
    /// From link up to its first frame. Default 500 ms.
    #[serde(default = "speaks_after", with = "duration")]
    pub speaks_after: Duration,
    /// Whether it sends frames all the time it has a link. Default true.
    #[serde(default = "talks")]
    pub talks: bool,
    /// Octets a second that it sends, and that are sent to it, while it talks. Default 1000.
    #[serde(default = "octets_per_second")]
    pub octets_per_second: u32,
    /// Its DHCP client; it has none when left out.
    #[serde(default)]
    pub dhcp: Option<DhcpConfig>,
    /// Its supplicant; it speaks no 802.1X when left out.
    #[serde(default)]
    pub supplicant: Option<SupplicantConfig>,
}

/// What powers a device.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PowerSource {
    /// Its own supply.
    #[default]
    Mains,
    /// Power over Ethernet from the port that it is plugged into.
    Poe,
}

fn boot_time() -> Duration {
    Duration::from_secs(36)
}

fn speaks_after() -> Duration {
    Duration::from_millis(500)
}

fn talks() -> bool {
    true
}

fn octets_per_second() -> u32 {
    1000
}

impl DeviceConfig {
    /// A device on mains with all defaults.
    #[must_use]
    pub fn new(name: &str, mac: Mac) -> DeviceConfig {
        DeviceConfig {
            name: name.to_owned(),
            mac,
            power: PowerSource::default(),
            boot_time: boot_time(),
            speaks_after: speaks_after(),
            talks: talks(),
            octets_per_second: octets_per_second(),
            dhcp: None,
            supplicant: None,
        }
    }
}

/// Where a device is plugged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Spot {
    /// Into the port with this index.
    Port(usize),
    /// Into the device with this index.
    Behind(usize),
}

/// A device as it is now.
pub(super) struct Device {
    pub(super) config: DeviceConfig,
    pub(super) spot: Option<Spot>,
    pub(super) talking: bool,
    pub(super) link: bool,
    power: Power,
    /// Power taken by hand until then.
    dark_until: Option<Timestamp>,
    speaks_at: Option<Timestamp>,
    pub(super) dhcp: DhcpClient,
    pub(super) eapol: Option<EapolClient>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Power {
    Off,
    Booting { until: Timestamp },
    On,
}

/// What a device sends.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Frame {
    /// Something.
    Plain,
    /// DHCP.
    Dhcp(DhcpMessage),
    /// 802.1X.
    Eapol(Eapol),
}

/// How soon a talking device is heard again by a switch that has forgotten it.
const TALK_GAP: Duration = Duration::from_secs(1);

impl Device {
    /// A device on mains has booted long ago.
    ///
    /// # Errors
    /// A login that cannot be used.
    pub(super) fn new(config: DeviceConfig) -> Result<Device, ConfigError> {
        let prepare = |supplicant: &SupplicantConfig| {
            let logins = supplicant.prepare();
            logins.map(|logins| EapolClient::new(supplicant, logins))
        };
        let eapol = config.supplicant.as_ref().map(prepare).transpose();
        let eapol = eapol.map_err(|(login, error)| ConfigError::Login {
            device: config.name.clone(),
            login: Some(login),
            error,
        })?;
        Ok(Device {
            talking: config.talks,
            power: match config.power {
                PowerSource::Mains => Power::On,
                PowerSource::Poe => Power::Off,
            },
            config,
            spot: None,
            link: false,
            dark_until: None,
            speaks_at: None,
            dhcp: DhcpClient::default(),
            eapol,
        })
    }

    pub(super) fn is_on(&self) -> bool {
        self.power == Power::On
    }

    /// Takes its power away by hand.
    pub(super) fn cut_power(&mut self, until: Timestamp) {
        self.dark_until = Some(until);
    }

    /// Follows its supply. `fed` says whether the port feeds it.
    pub(super) fn follow_power(&mut self, now: Timestamp, fed: bool) -> Option<What> {
        if is_due(self.dark_until, now) {
            self.dark_until = None;
        }
        let supplied = self.config.power == PowerSource::Mains || fed;
        let powered = supplied && self.dark_until.is_none();
        let device = self.config.name.clone();
        match self.power {
            Power::Off if powered => {
                self.power = Power::Booting {
                    until: after(now, self.config.boot_time),
                };
                Some(What::PowerBack { device })
            }
            Power::Booting { .. } | Power::On if !powered => {
                self.power = Power::Off;
                self.dhcp.power_lost();
                if let Some(eapol) = &mut self.eapol {
                    eapol.power_lost();
                }
                Some(What::PowerLost { device })
            }
            Power::Booting { until } if until <= now => {
                self.power = Power::On;
                Some(What::Booted { device })
            }
            _ => None,
        }
    }

    /// Follows its link.
    pub(super) fn follow_link(&mut self, now: Timestamp, up: bool, rng: &mut dyn RngCore) {
        if up == self.link {
            return;
        }
        self.link = up;
        if up {
            self.speaks_at = Some(after(now, self.config.speaks_after));
            if let Some(config) = &self.config.dhcp {
                self.dhcp.link_up(now, config, rng);
            }
        } else {
            self.speaks_at = None;
            self.dhcp.link_down();
        }
        if let Some(eapol) = &mut self.eapol {
            if up {
                eapol.link_up(now);
            } else {
                eapol.link_down();
            }
        }
    }

    /// The switch has forgotten it, or never heard it: a talking device is heard soon.
    pub(super) fn speak_soon(&mut self, now: Timestamp) {
        if self.talking && self.link && self.speaks_at.is_none() {
            self.speaks_at = Some(after(now, TALK_GAP));
        }
    }

    /// Octets a second while it talks.
    pub(super) fn rate(&self) -> Option<u32> {
        (self.talking && self.link).then_some(self.config.octets_per_second)
    }

    pub(super) fn next_deadline(&self) -> Option<Timestamp> {
        let booting = match self.power {
            Power::Booting { until } => Some(until),
            _ => None,
        };
        [
            booting,
            self.dark_until,
            self.speaks_at,
            self.dhcp.next_deadline(),
            self.eapol.as_ref().and_then(EapolClient::next_deadline),
        ]
        .into_iter()
        .flatten()
        .min()
    }

    /// What it sends now.
    pub(super) fn frames(&mut self, now: Timestamp, rng: &mut dyn RngCore) -> Vec<Frame> {
        let mut frames = Vec::new();
        if is_due(self.speaks_at, now) {
            self.speaks_at = None;
            frames.push(Frame::Plain);
        }
        let start = self.eapol.as_mut().and_then(|eapol| eapol.tick(now));
        frames.extend(start.map(Frame::Eapol));
        frames.extend(self.dhcp.tick(now, rng).map(Frame::Dhcp));
        frames
    }
}
