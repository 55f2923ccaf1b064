//! What both worlds share: the stand-in set up for a bench, and steps carried out on it.

use std::net::SocketAddr;
use std::time::Duration;

use jiff::Timestamp;

use super::dot1x::Certificates;
use super::load::Loaded;
use super::script::{Plug, ServerState, Step};
use crate::bench::Switch;
use crate::roster::Effects;
use crate::serve::{Engine, Target};
use crate::stand_in::config::{Relay, Server};
use crate::stand_in::{ConfigError, Outputs, StandIn, StandInConfig, StandInError};

/// How long a power cycle keeps a device dark.
const DARK: Duration = Duration::from_secs(3);

/// Where the bench listens, as the stand-in sees it.
#[derive(Debug, Clone, Copy)]
pub(super) struct BenchAt {
    pub(super) authentication: SocketAddr,
    pub(super) accounting: SocketAddr,
    pub(super) dhcp: Option<SocketAddr>,
    /// Where changes come from.
    pub(super) change: SocketAddr,
}

/// Why a step could not be carried out.
#[derive(Debug, thiserror::Error)]
pub(super) enum StageError {
    #[error("the bench has no switch '{0}'")]
    NoSwitch(String),
    #[error(transparent)]
    Config(#[from] ConfigError),
    #[error(transparent)]
    StandIn(#[from] StandInError),
    #[error("there is no device '{0}'")]
    NoDevice(String),
    #[error(transparent)]
    Target(#[from] crate::serve::TargetError),
    #[error(transparent)]
    Class(#[from] crate::serve::UnknownClass),
    #[error(transparent)]
    Certificates(#[from] crate::certs::CertsError),
    #[error(transparent)]
    Eap(#[from] crate::serve::EapError),
}

/// Certificates for a run that begins at `now`, if the drill has 802.1X.
pub(super) fn certificates(
    loaded: &Loaded,
    now: Timestamp,
) -> Result<Option<Certificates>, StageError> {
    let eap = loaded.drill.eap.as_ref();
    eap.map(|eap| Certificates::make(eap, now)).transpose()
}

/// The drill's switch as the bench declares it: servers, secrets and relay are filled in.
pub(super) fn stand_in(
    loaded: &Loaded,
    at: BenchAt,
    change_port: u16,
    certificates: Option<&Certificates>,
    seed: u64,
) -> Result<StandIn, StageError> {
    let drill = &loaded.drill;
    let entry = loaded
        .bench
        .switch(&drill.switch.name)
        .ok_or_else(|| StageError::NoSwitch(drill.switch.name.clone()))?;
    let mut config = declared(&drill.switch, entry, at, change_port, &drill.devices);
    if let Some(certificates) = certificates {
        certificates.equip(&mut config)?;
    }
    Ok(StandIn::new(config, seed)?)
}

fn declared(
    switch: &StandInConfig,
    entry: &Switch,
    at: BenchAt,
    change_port: u16,
    devices: &[crate::stand_in::DeviceConfig],
) -> StandInConfig {
    let mut config = switch.clone();
    config.address = entry.address.addr();
    config.servers = vec![Server {
        authentication: at.authentication,
        accounting: at.accounting,
        secret: entry.secret.clone(),
    }];
    config.changes.secret = Some(entry.change_secret.clone());
    config.changes.from = [at.change.ip()].into();
    config.changes.port = change_port;
    if let (None, Some(to)) = (&config.dhcp, at.dhcp) {
        config.dhcp = Some(Relay::to(to));
    }
    config.devices.extend_from_slice(devices);
    config
}

/// Carries out a step on the switch; `None` when it is a matter of the bench or of the way
/// between them.
pub(super) fn on_switch(
    switch: &mut StandIn,
    now: Timestamp,
    step: &Step,
) -> Result<Option<Outputs>, StandInError> {
    Ok(Some(match step {
        Step::Plug(what) => plug(switch, now, what)?,
        Step::Unplug(what) => switch.unplug(now, &what.device)?,
        Step::Move(what) => {
            let mut outputs = switch.unplug(now, &what.device)?;
            outputs.extend(plug(switch, now, what)?);
            outputs
        }
        Step::PowerCycle(what) => switch.power_cycle(now, &what.device, DARK)?,
        Step::LogOn(what) => switch.log_on(now, &what.device, &what.person)?,
        Step::LogOff(what) => switch.log_off(now, &what.device)?,
        _ => return Ok(None),
    }))
}

fn plug(switch: &mut StandIn, now: Timestamp, what: &Plug) -> Result<Outputs, StandInError> {
    match (&what.port, &what.behind) {
        (Some(port), _) => switch.plug(now, port, &what.device),
        (None, Some(host)) => switch.plug_behind(now, host, &what.device),
        // The loader lets no such step through.
        (None, None) => Ok(Outputs::default()),
    }
}

/// Carries out a step that is a matter of the bench; nothing for the others.
pub(super) fn on_bench(
    engine: &mut Engine,
    now: Timestamp,
    loaded: &Loaded,
    step: &Step,
) -> Result<Effects, StageError> {
    let mac = |name: &str| {
        loaded
            .drill
            .devices
            .iter()
            .find(|device| device.name == name)
            .map(|device| device.mac)
            .ok_or_else(|| StageError::NoDevice(name.to_owned()))
    };
    Ok(match step {
        Step::Change(what) => {
            let target = Target::Mac(mac(&what.device)?);
            let (result, effects) = engine.change(now, &target, what.kind, "a step of the drill");
            result?;
            effects
        }
        Step::Forget(what) => engine.forget(now, mac(&what.device)?),
        Step::Pin(what) => engine.pin(now, mac(&what.device)?, &what.class, Some("drill"))?,
        Step::Unpin(what) => engine.unpin(now, mac(&what.device)?),
        Step::Fault(fault) => engine.start_fault(now, fault.clone()).1,
        Step::FaultsOff => engine.stop_faults(now),
        _ => Effects::default(),
    })
}

/// Whether the way between switch and bench is open after a step, given how it was before.
pub(super) fn open_after(step: &Step, open: bool) -> bool {
    match step {
        Step::Server(ServerState::Silent) => false,
        Step::Server(ServerState::Back) => true,
        _ => open,
    }
}
