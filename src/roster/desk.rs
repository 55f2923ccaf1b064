//! What is done to the roster by hand: pin, unpin, forget.

use jiff::Timestamp;

use super::{Device, Effects, Pin, Roster};
use crate::journal::{Entry, Kind, Place};
use crate::wire::Mac;

impl Roster {
    /// Fixes a device's class by hand, above every row. Whether the class table has the class is
    /// the caller's to check.
    pub fn pin(&mut self, now: Timestamp, mac: Mac, class: &str, note: Option<&str>) -> Effects {
        let pin = Pin {
            class: class.to_owned(),
            note: note.map(str::to_owned),
        };
        let touched = self.set_pin(now, mac, Some(pin));
        let reason = match note {
            Some(note) => format!("pinned to {class}: {note}"),
            None => format!("pinned to {class}"),
        };
        let mut effects = by_hand(now, mac, "pinned", reason);
        effects.device(touched);
        effects
    }

    /// Lets the rows decide on a device again.
    pub fn unpin(&mut self, now: Timestamp, mac: Mac) -> Effects {
        let Some(class) = self.device(mac).and_then(|device| device.pin.as_ref()) else {
            return by_hand(now, mac, "not-pinned", "it was not pinned".to_owned());
        };
        let reason = format!("no longer pinned to {}", class.class);
        let touched = self.set_pin(now, mac, None);
        let mut effects = by_hand(now, mac, "unpinned", reason);
        effects.device(touched);
        effects
    }

    /// Takes over what somebody knows of devices: their sightings and pins.
    pub fn import(&mut self, now: Timestamp, devices: &[Device]) -> Effects {
        let mut effects = Effects::default();
        for device in devices {
            let fields = &device.sightings.dhcp;
            let fields = fields.iter().map(|(f, value)| (f.as_str(), value.as_str()));
            let (touched, new) = self.learn(now, device.mac, fields);
            let reason = match new.as_slice() {
                [] => "nothing new sighted".to_owned(),
                some => format!("taken over: {}", some.join(", ")),
            };
            effects.extend(by_hand(now, device.mac, "imported", reason));
            effects.device(touched);
            if let Some(pin) = &device.pin {
                effects.extend(self.pin(now, device.mac, &pin.class, pin.note.as_deref()));
            }
        }
        effects
    }

    /// Forgets a device, pin and sightings and all: its next plug-in is a first time. Its live
    /// sessions stay, because the switch still has them.
    pub fn forget(&mut self, now: Timestamp, mac: Mac) -> Effects {
        if !self.drop_device(mac) {
            return by_hand(now, mac, "not-known", "it was not known".to_owned());
        }
        let reason = "its next plug-in is a first time".to_owned();
        let mut effects = by_hand(now, mac, "forgotten", reason);
        effects.forgotten.push(mac);
        effects
    }
}

fn by_hand(now: Timestamp, mac: Mac, verdict: &str, reason: String) -> Effects {
    Effects {
        entries: vec![Entry {
            seq: 0,
            at: now,
            kind: Kind::Desk,
            verdict: verdict.to_owned(),
            reason,
            place: Place {
                mac: Some(mac),
                ..Place::default()
            },
            packets: Vec::new(),
            trace: None,
            breach: None,
        }],
        ..Effects::default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOW: Timestamp = Timestamp::UNIX_EPOCH;
    const MAC: Mac = Mac([0x02, 0, 0, 0, 0, 1]);

    #[test]
    fn a_pin_is_kept_stored_and_journalled_and_lifted() {
        let mut roster = Roster::default();
        let effects = roster.pin(NOW, MAC, "till", Some("till 4, quay 2"));
        assert_eq!(effects.entries[0].verdict, "pinned");
        assert_eq!(
            effects.devices[0].pin.as_ref().unwrap().class,
            roster.device(MAC).unwrap().pin.as_ref().unwrap().class
        );
        let effects = roster.unpin(NOW, MAC);
        assert_eq!(effects.entries[0].verdict, "unpinned");
        assert_eq!(effects.devices[0].pin, None);
        assert_eq!(roster.unpin(NOW, MAC).entries[0].verdict, "not-pinned");
    }

    #[test]
    fn a_forgotten_device_is_unknown() {
        let mut roster = Roster::default();
        roster.see(NOW, MAC);
        let effects = roster.forget(NOW, MAC);
        assert_eq!(effects.forgotten, [MAC]);
        assert!(roster.device(MAC).is_none());
        assert!(roster.see(NOW, MAC).first_time);
        roster.drop_device(MAC);
        let effects = roster.forget(NOW, MAC);
        assert_eq!(effects.entries[0].verdict, "not-known");
        assert!(effects.forgotten.is_empty());
    }
}
