//! A drill as its YAML says it.

use std::path::PathBuf;

use jiff::SignedDuration;
use serde::{Deserialize, Serialize};

use crate::bench::yaml::At;
use crate::bench::{ChangeKind, MethodName};
use crate::certs::Variant;
use crate::fault::Fault;
use crate::journal::Kind;
use crate::stand_in::{DeviceConfig, StandInConfig};

/// A drill file.
#[derive(Debug, Clone, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Drill {
    /// What is proven, one line.
    pub drill: String,
    /// More about it, for people.
    #[serde(default)]
    pub about: Option<String>,
    /// The bench file, relative to the drill file.
    pub bench: At<PathBuf>,
    /// The stand-in switch. `name` is its entry in the bench file; its servers, secrets and DHCP
    /// relay are those of the bench, so they are left out here.
    pub switch: StandInConfig,
    /// The devices, by the names that the steps use.
    pub devices: Vec<DeviceConfig>,
    /// 802.1X in this drill: what the bench offers, with certificates made for the run.
    #[serde(default)]
    pub eap: Option<Eap>,
    /// The way between switch and bench, in simulated time.
    #[serde(default)]
    pub network: Network,
    /// What is done and expected, in order.
    pub steps: Vec<At<Step>>,
    /// What must hold over the whole drill.
    #[serde(default)]
    pub overall: Vec<At<Clause>>,
}

/// 802.1X in a drill. A bench CA and certificates of every kind are made for each run, as
/// `portproof certs` makes them; devices name theirs by the path in that set, such as
/// `machine/office-1/good.pem`.
#[derive(Debug, Clone, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Eap {
    /// Methods that the bench offers, the favourite first.
    pub methods: Vec<MethodName>,
    /// Which of its certificates the bench shows (default: the good one).
    #[serde(default)]
    pub server: Variant,
    /// Host names of machines that get certificates.
    #[serde(default)]
    pub machines: Vec<String>,
    /// Names of people who get certificates.
    #[serde(default)]
    pub people: Vec<String>,
    /// Longest EAP packet that the bench sends, octets (default 1024).
    #[serde(default = "fragment_size")]
    pub fragment_size: u16,
    /// Whether a TLS session may be resumed (default true).
    #[serde(default = "yes")]
    pub resumption: bool,
}

fn fragment_size() -> u16 {
    1024
}

fn yes() -> bool {
    true
}

/// The way between switch and bench, in simulated time. A live drill has the real one.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(default, rename_all = "kebab-case", deny_unknown_fields)]
pub struct Network {
    /// One way through (default 1 ms).
    pub latency: SignedDuration,
    /// Up to so much more, by chance: more than the gap between two packets reorders them
    /// (default none).
    pub jitter: SignedDuration,
    /// Share of the datagrams that are lost, 0..1 (default none).
    pub loss: f64,
    /// Share of the datagrams that arrive twice, 0..1 (default none).
    pub duplication: f64,
}

impl Default for Network {
    fn default() -> Network {
        Network {
            latency: SignedDuration::from_millis(1),
            jitter: SignedDuration::ZERO,
            loss: 0.0,
            duplication: 0.0,
        }
    }
}

/// One step.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Step {
    /// Link up with a device on a port.
    Plug(Plug),
    /// Link down.
    Unplug(OnDevice),
    /// Plugged into another port, without a pause.
    Move(Plug),
    /// Power off and on.
    PowerCycle(OnDevice),
    /// A person logs on at a workstation.
    LogOn(LogOn),
    /// The person logs off.
    LogOff(OnDevice),
    /// A change by hand.
    Change(ByHand),
    /// The roster forgets a device.
    Forget(OnDevice),
    /// A class is fixed by hand.
    Pin(PinTo),
    /// The class table decides again.
    Unpin(OnDevice),
    /// The way to the bench is cut, or mended.
    Server(ServerState),
    /// A fault is switched on.
    Fault(Fault),
    /// Every fault is switched off.
    FaultsOff,
    /// Nothing is done for a while.
    Wait(SignedDuration),
    /// Something must happen in time.
    Expect(Clause),
    /// Something must not happen for a time.
    Never(Clause),
}

/// A device and where it goes: a port of the switch, or another device's own port.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Plug {
    /// Name in `devices`.
    pub device: At<String>,
    /// Port of the stand-in.
    #[serde(default)]
    pub port: Option<At<String>>,
    /// The device that it is plugged into instead: a PC behind a phone.
    #[serde(default)]
    pub behind: Option<At<String>>,
}

/// A device.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct OnDevice {
    /// Name in `devices`.
    pub device: At<String>,
}

/// A person at a device.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct LogOn {
    /// Name in `devices`.
    pub device: At<String>,
    /// Name in the device's list of people.
    pub person: String,
}

/// A change by hand.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct ByHand {
    /// Which.
    pub kind: ChangeKind,
    /// On the session of this device.
    pub device: At<String>,
}

/// A pin.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct PinTo {
    /// Name in `devices`.
    pub device: At<String>,
    /// Class.
    pub class: At<String>,
}

/// Whether the switch reaches the bench.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum ServerState {
    /// Nothing passes.
    Silent,
    /// Everything passes.
    Back,
}

/// What is expected: what an observation must look like (everything given must match), and
/// the limits. One shape serves `expect`, `never` and `overall`; the loader says which limit
/// belongs where.
#[derive(Debug, Clone, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct Clause {
    /// The device it is about, by its name in `devices`.
    pub device: Option<At<String>>,
    /// The port it is about.
    pub port: Option<At<String>>,
    /// Class in force after it.
    pub class: Option<At<String>>,
    /// Kind of journal entry.
    pub kind: Option<Kind>,
    /// Verdict of the journal entry; `*` and `?` as in file names.
    pub verdict: Option<At<String>>,
    /// Which change, for entries of kind `change`.
    pub change: Option<ChangeKind>,
    /// What the switch or the device did, by its word (`bounced`, `admitted`, …).
    pub event: Option<At<String>>,
    /// Untagged VLAN that the switch put in force.
    pub vlan: Option<String>,
    /// Tagged VLANs that the switch put in force, in any order.
    pub tagged_vlans: Option<Vec<String>>,
    /// Role or filter that the switch put in force.
    pub role: Option<String>,

    /// `expect`: at the latest, counted from the last step that did something.
    pub within: Option<SignedDuration>,
    /// `expect`: at the earliest, counted alike.
    pub not_before: Option<SignedDuration>,
    /// `never`: for how long, counted from this step.
    #[serde(rename = "for")]
    pub lasting: Option<SignedDuration>,
    /// `overall`: counts live sessions at each moment instead of happenings.
    pub sessions: bool,
    /// `overall`: exactly so many.
    pub exactly: Option<u32>,
    /// `overall`: so many or more.
    pub at_least: Option<u32>,
    /// `overall`: so many or fewer.
    pub at_most: Option<u32>,
}

impl Plug {
    fn port_name(&self) -> Option<String> {
        self.port.as_ref().map(|port| port.value.clone())
    }
}

impl Clause {
    /// The port's name.
    fn port_name(&self) -> Option<String> {
        self.port.as_ref().map(|port| port.value.clone())
    }

    /// The device's name.
    #[must_use]
    pub fn device_name(&self) -> Option<&str> {
        self.device.as_ref().map(|name| name.value.as_str())
    }
}

impl Step {
    /// Whether something is done, by the world that the drill runs in; waiting and expecting are
    /// the runner's own.
    #[must_use]
    pub fn is_done_by_world(&self) -> bool {
        !matches!(self, Step::Wait(_) | Step::Expect(_) | Step::Never(_))
    }

    /// The step's word, its device and its port, for the timeline.
    #[must_use]
    pub fn words(&self) -> (&'static str, Option<&str>, Option<String>) {
        match self {
            Step::Plug(what) => ("plug", Some(&what.device), what.port_name()),
            Step::Move(what) => ("move", Some(&what.device), what.port_name()),
            Step::Unplug(what) => ("unplug", Some(&what.device), None),
            Step::PowerCycle(what) => ("power-cycle", Some(&what.device), None),
            Step::LogOn(what) => ("log-on", Some(&what.device), None),
            Step::LogOff(what) => ("log-off", Some(&what.device), None),
            Step::Change(what) => ("change", Some(&what.device), None),
            Step::Forget(what) => ("forget", Some(&what.device), None),
            Step::Pin(what) => ("pin", Some(&what.device), None),
            Step::Unpin(what) => ("unpin", Some(&what.device), None),
            Step::Server(_) => ("server", None, None),
            Step::Fault(_) => ("fault", None, None),
            Step::FaultsOff => ("faults-off", None, None),
            Step::Wait(_) => ("wait", None, None),
            Step::Expect(clause) => ("expect", clause.device_name(), clause.port_name()),
            Step::Never(clause) => ("never", clause.device_name(), clause.port_name()),
        }
    }

    /// What the word leaves out, for the timeline.
    #[must_use]
    pub fn why(&self) -> String {
        match self {
            Step::Plug(what) | Step::Move(what) => what
                .behind
                .as_ref()
                .map(|host| format!("behind {}", host.value))
                .unwrap_or_default(),
            Step::LogOn(what) => what.person.clone(),
            Step::Change(what) => what.kind.to_string(),
            Step::Pin(what) => format!("class {}", what.class.value),
            Step::Server(ServerState::Silent) => "silent from now on".to_owned(),
            Step::Server(ServerState::Back) => "back".to_owned(),
            Step::Fault(fault) => fault.to_string(),
            _ => String::new(),
        }
    }
}
