//! When each device was put into which class.

use std::collections::BTreeMap;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::observe::{Observation, Who};
use crate::wire::Mac;

/// A device that was put into another class than it was in.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Landing {
    /// The device, by its name in the drill.
    pub device: String,
    /// The class.
    pub class: String,
    /// Seconds from the last step that was done with the device: its plug-in, a log-on, a change.
    pub seconds: f64,
}

/// The landings of the named devices, in order. An accept into the class that is in force already
/// is none; a plug-in, a move and a power cycle begin anew.
#[must_use]
pub fn of(seen: &[Observation], names: &BTreeMap<String, Mac>) -> Vec<Landing> {
    let names: BTreeMap<Mac, &String> = names.iter().map(|(name, mac)| (*mac, name)).collect();
    let mut devices: BTreeMap<Mac, Device<'_>> = BTreeMap::new();
    let mut landings = Vec::new();
    for one in seen {
        let Some((mac, name)) = one.mac.and_then(|mac| Some((mac, *names.get(&mac)?))) else {
            continue;
        };
        if one.who == Who::Drill {
            devices.entry(mac).or_default().touched(one);
        } else if let Some((class, seconds)) = devices.get_mut(&mac).and_then(|at| at.landed(one)) {
            landings.push(Landing {
                device: name.clone(),
                class: class.to_owned(),
                seconds,
            });
        }
    }
    landings
}

#[derive(Default)]
struct Device<'a> {
    class: Option<&'a str>,
    touched: Timestamp,
}

impl<'a> Device<'a> {
    fn touched(&mut self, step: &Observation) {
        self.touched = step.at;
        if matches!(step.word.as_str(), "plug" | "move" | "power-cycle") {
            self.class = None;
        }
    }

    fn landed(&mut self, seen: &'a Observation) -> Option<(&'a str, f64)> {
        let class = seen.class.as_deref().filter(|_| seen.grants_class)?;
        if self.class.replace(class) == Some(class) {
            return None;
        }
        Some((class, seen.at.duration_since(self.touched).as_secs_f64()))
    }
}
