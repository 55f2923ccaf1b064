//! The roster: devices by MAC address and the sessions they have.

use std::collections::HashMap;

use jiff::{SignedDuration, Timestamp};

use super::sessions::Sessions;
use super::{Device, MachineLogin, Pin, Session};
use crate::wire::Mac;

/// Bounds of the memory. Past them the longest unheard goes first.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limits {
    /// Devices (default 100,000).
    pub devices: usize,
    /// Live sessions (default 200,000).
    pub live: usize,
    /// Ended sessions kept for looking back (default 10,000).
    pub ended: usize,
}

impl Default for Limits {
    fn default() -> Limits {
        Limits {
            devices: 100_000,
            live: 200_000,
            ended: 10_000,
        }
    }
}

/// A record in which only `last_seen` changed is handed out for storing once the stored one is
/// this stale: a device that asks again and again must not cost a write each time.
const LAST_SEEN_GRAIN: SignedDuration = SignedDuration::from_secs(10);

/// The memory of devices and sessions.
#[derive(Debug, Clone, Default)]
pub struct Roster {
    devices: HashMap<Mac, Known>,
    sessions: Sessions,
    limits: Limits,
}

/// A device, and the `last_seen` that its stored record has.
#[derive(Debug, Clone)]
struct Known {
    device: Device,
    stored: Timestamp,
}

/// What is to be stored after a device was heard of.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Touched {
    /// True when the device was not known before.
    pub first_time: bool,
    /// The record, when it changed enough to be stored.
    pub device: Option<Device>,
    /// Devices that had to make room.
    pub crowded_out: Vec<Mac>,
}

impl Roster {
    /// A roster from what the storage holds.
    #[must_use]
    pub fn load(
        devices: impl IntoIterator<Item = Device>,
        sessions: impl IntoIterator<Item = Session>,
    ) -> Roster {
        Roster::with_limits(Limits::default(), devices, sessions)
    }

    /// The same with other bounds.
    #[must_use]
    pub fn with_limits(
        limits: Limits,
        devices: impl IntoIterator<Item = Device>,
        sessions: impl IntoIterator<Item = Session>,
    ) -> Roster {
        Roster {
            devices: devices
                .into_iter()
                .map(|device| {
                    let stored = device.last_seen;
                    (device.mac, Known { device, stored })
                })
                .collect(),
            sessions: Sessions::load(limits, sessions),
            limits,
        }
    }

    /// A device.
    #[must_use]
    pub fn device(&self, mac: Mac) -> Option<&Device> {
        self.devices.get(&mac).map(|known| &known.device)
    }

    /// All devices, in the order of their addresses.
    #[must_use]
    pub fn devices(&self) -> Vec<&Device> {
        let mut devices: Vec<&Device> = self.devices.values().map(|known| &known.device).collect();
        devices.sort_unstable_by_key(|device| device.mac);
        devices
    }

    /// How many devices are known.
    #[must_use]
    pub fn device_count(&self) -> usize {
        self.devices.len()
    }

    /// The sessions.
    #[must_use]
    pub fn sessions(&self) -> &Sessions {
        &self.sessions
    }

    /// The sessions, to change them.
    pub fn sessions_mut(&mut self) -> &mut Sessions {
        &mut self.sessions
    }

    /// Notes that a device was heard of.
    pub fn see(&mut self, now: Timestamp, mac: Mac) -> Touched {
        self.touch(now, mac, |_| false)
    }

    /// Notes the class that a device is in and why; for a machine's login, that too.
    pub fn classify(
        &mut self,
        now: Timestamp,
        mac: Mac,
        class: &str,
        why: &str,
        machine: Option<MachineLogin>,
    ) -> Touched {
        self.touch(now, mac, |device| {
            let class_changed = replace(&mut device.class, class);
            let why_changed = replace(&mut device.why, why);
            let logged_on = machine.is_some();
            if logged_on {
                device.machine = machine;
            }
            class_changed || why_changed || logged_on
        })
    }

    /// Notes what a device said by DHCP, as field word and value.
    pub fn learn<'a>(
        &mut self,
        now: Timestamp,
        mac: Mac,
        fields: impl IntoIterator<Item = (&'a str, &'a str)>,
    ) -> (Touched, Vec<&'a str>) {
        let mut new = Vec::new();
        let touched = self.touch(now, mac, |device| {
            for (field, value) in fields {
                let known = device.sightings.dhcp.get(field);
                if known.is_none_or(|known| known != value) {
                    device
                        .sightings
                        .dhcp
                        .insert(field.to_owned(), value.to_owned());
                    new.push(field);
                }
            }
            !new.is_empty()
        });
        (touched, new)
    }

    /// Fixes a device's class by hand, or with `None` lets the rows decide again.
    pub(super) fn set_pin(&mut self, now: Timestamp, mac: Mac, pin: Option<Pin>) -> Touched {
        self.touch(now, mac, |device| {
            let changed = device.pin != pin;
            device.pin = pin;
            changed
        })
    }

    /// Drops a device's record; true when there was one.
    pub(super) fn drop_device(&mut self, mac: Mac) -> bool {
        self.devices.remove(&mac).is_some()
    }

    /// `change` says whether it altered the record.
    fn touch(
        &mut self,
        now: Timestamp,
        mac: Mac,
        change: impl FnOnce(&mut Device) -> bool,
    ) -> Touched {
        let first_time = !self.devices.contains_key(&mac);
        let crowded_out = if first_time {
            self.make_room()
        } else {
            Vec::new()
        };
        let known = self.devices.entry(mac).or_insert_with(|| Known {
            device: Device::unseen(mac, now),
            stored: now,
        });
        let changed = change(&mut known.device);
        known.device.last_seen = known.device.last_seen.max(now);
        let stale = known.device.last_seen.duration_since(known.stored) >= LAST_SEEN_GRAIN;
        let store = first_time || changed || stale;
        if store {
            known.stored = known.device.last_seen;
        }
        Touched {
            first_time,
            device: store.then(|| known.device.clone()),
            crowded_out,
        }
    }

    /// Makes room for one more device by dropping a sixteenth of them, the longest unseen first,
    /// pinned ones never: one sweep in thousands of first times, not one a time.
    fn make_room(&mut self) -> Vec<Mac> {
        if self.devices.len() < self.limits.devices {
            return Vec::new();
        }
        let mut candidates: Vec<(Timestamp, Mac)> = self
            .devices
            .values()
            .filter(|known| known.device.pin.is_none())
            .map(|known| (known.device.last_seen, known.device.mac))
            .collect();
        candidates.sort_unstable();
        candidates.truncate((self.limits.devices / 16).max(1));
        for (_, mac) in &candidates {
            self.devices.remove(mac);
        }
        candidates.into_iter().map(|(_, mac)| mac).collect()
    }
}

/// Sets a text and says whether it is another one than before.
fn replace(place: &mut Option<String>, text: &str) -> bool {
    if place.as_deref() == Some(text) {
        return false;
    }
    *place = Some(text.to_owned());
    true
}
