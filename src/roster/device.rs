//! One device, known by its MAC address.

use std::collections::BTreeMap;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::wire::Mac;

/// What is known of a device.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Device {
    /// Its address.
    pub mac: Mac,
    /// What was learnt.
    pub sightings: Sightings,
    /// Class in force, by name.
    pub class: Option<String>,
    /// Why that class: one line.
    pub why: Option<String>,
    /// When it was first heard of.
    pub first_seen: Timestamp,
    /// When it was last heard of.
    pub last_seen: Timestamp,
    /// Class fixed by hand.
    pub pin: Option<Pin>,
    /// When and as whom a machine last logged on with this address.
    pub machine: Option<MachineLogin>,
}

impl Device {
    /// A device of which nothing is known but its address.
    #[must_use]
    pub fn unseen(mac: Mac, now: Timestamp) -> Device {
        Device {
            mac,
            sightings: Sightings::default(),
            class: None,
            why: None,
            first_seen: now,
            last_seen: now,
            pin: None,
            machine: None,
        }
    }
}

/// A class fixed by hand, above every row.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Pin {
    /// Class name.
    pub class: String,
    /// Note of whoever pinned it.
    pub note: Option<String>,
}

/// A machine's login.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct MachineLogin {
    /// When.
    pub at: Timestamp,
    /// Name of the machine account.
    pub name: String,
    /// Its groups.
    pub groups: Vec<String>,
}

/// What was learnt about a device: the latest value of each thing.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Sightings {
    /// DHCP, by field word ("host-name", "vendor-class", …).
    pub dhcp: BTreeMap<String, String>,
}
