//! What happens on the bench, with a switch that does these things wrong.

use std::collections::BTreeSet;
use std::time::Duration;

use super::bench::{LOGINS, bench};
use super::world::{World, config};
use crate::bench::ChangeKind;
use crate::fault::{FaultKind, PacketKind};
use crate::journal::Link;
use crate::stand_in::config::{Family, MethodOrder};
use crate::stand_in::login::{EapMethod, LoginConfig, SupplicantConfig};
use crate::stand_in::{DeviceConfig, Misbehaviour, StandInConfig};
use crate::wire::{Mac, Secret};

/// One course of events.
pub(super) type Scene = fn(BTreeSet<Misbehaviour>) -> World;

/// Devices of several classes, with the last octet of their address.
pub(super) const DEVICES: [(&str, u8); 4] = [
    ("till", 0x07),
    ("guest", 0x70),
    ("radio", 0x74),
    ("stranger", 0x41),
];

pub(super) fn all_devices() -> Vec<DeviceConfig> {
    DEVICES.map(|(name, last)| device(name, last)).into()
}

pub(super) fn mac(last: u8) -> Mac {
    Mac([0x02, 0, 0x5e, 0, 0, last])
}

fn device(name: &str, last: u8) -> DeviceConfig {
    DeviceConfig::new(name, mac(last))
}

fn till() -> Vec<DeviceConfig> {
    vec![device("till", 0x07)]
}

fn setting(
    wrong: BTreeSet<Misbehaviour>,
    devices: Vec<DeviceConfig>,
    set: impl FnOnce(&mut StandInConfig),
) -> StandInConfig {
    let mut config = config(devices);
    config.dialect.family = Family::Enterprise9;
    config.misbehaviours = wrong;
    set(&mut config);
    config
}

/// A till for two hours: timers, changes, moves, and a restart of the switch.
pub(super) fn life(wrong: BTreeSet<Misbehaviour>) -> World {
    let config = setting(wrong, till(), |_| {});
    let mut world = World::new(bench("enterprise-9", ""), config);
    world.plug("1", "till");
    world.run(1000);
    world.change(mac(0x07), ChangeKind::Reauth);
    world.run(200);
    world.unplug("till");
    world.run(60);
    world.plug("2", "till");
    world.run(200);
    world.change(mac(0x07), ChangeKind::Bounce);
    world.run(200);
    world.change(mac(0x07), ChangeKind::Disconnect);
    world.run(200);
    world.act(crate::stand_in::StandIn::stop);
    world.run(30);
    world.act(crate::stand_in::StandIn::start);
    world.run(300);
    world
}

/// Somebody logs on with 802.1X, on a port that tries it first.
pub(super) fn login(wrong: BTreeSet<Misbehaviour>) -> World {
    let mut office = device("office", 0x20);
    office.supplicant = Some(SupplicantConfig {
        machine: Some(LoginConfig {
            identity: "clerk".to_owned(),
            account: None,
            ms_chap_name: None,
            password: Some(Secret::new("bench-only-clerk")),
            certificate: None,
            key: None,
            methods: vec![EapMethod::EapMd5],
            ttls: crate::stand_in::login::InsideTtls::default(),
            peap: EapMethod::EapMsChapV2,
        }),
        ..SupplicantConfig::default()
    });
    let config = setting(wrong, vec![office], |config| {
        config.ports.order = MethodOrder::Dot1xThenMac;
    });
    let mut world = World::new(bench("enterprise-9", LOGINS), config);
    world.plug("1", "office");
    world.run(200);
    world.unplug("office");
    world.run(30);
    world
}

/// The bench's answers get lost for the first 25 s.
pub(super) fn lossy(wrong: BTreeSet<Misbehaviour>) -> World {
    lossy_with(wrong, |_| {})
}

/// The same with Acct-Delay-Time.
pub(super) fn lossy_with_delay(wrong: BTreeSet<Misbehaviour>) -> World {
    lossy_with(wrong, |config| config.accounting.delay_time = true)
}

fn lossy_with(wrong: BTreeSet<Misbehaviour>, set: fn(&mut StandInConfig)) -> World {
    let config = setting(wrong, till(), set);
    let mut world = World::new(bench("enterprise-9", ""), config);
    world.loses = |_, _, since| since < Duration::from_secs(25);
    world.plug("1", "till");
    world.run(200);
    world
}

/// Seven devices whose first answers get lost, on a switch whose waits do not vary.
pub(super) fn without_jitter(wrong: BTreeSet<Misbehaviour>) -> World {
    first_answers_lost(wrong, false)
}

/// The same on a switch whose waits vary.
pub(super) fn with_jitter(wrong: BTreeSet<Misbehaviour>) -> World {
    first_answers_lost(wrong, true)
}

fn first_answers_lost(wrong: BTreeSet<Misbehaviour>, jitter: bool) -> World {
    let devices = many();
    let config = setting(wrong, devices, |config| {
        config.retransmission.jitter = jitter;
    });
    let mut world = World::new(bench("enterprise-9", ""), config);
    world.loses = |link, _, since| link == Link::Authentication && since.as_secs() % 60 < 2;
    for at in 1..=7 {
        world.plug(&at.to_string(), &format!("device-{at}"));
        world.run(60);
    }
    world
}

fn many() -> Vec<DeviceConfig> {
    (1..=7)
        .map(|at| device(&format!("device-{at}"), 0x40 + at))
        .collect()
}

/// Seven devices at once.
pub(super) fn crowded_start(wrong: BTreeSet<Misbehaviour>) -> World {
    let config = setting(wrong, many(), |_| {});
    let mut world = World::new(bench("enterprise-9", ""), config);
    for at in 1..=7 {
        world.plug(&at.to_string(), &format!("device-{at}"));
    }
    world.run(100);
    world
}

/// A device that the class table denies.
pub(super) fn denied(wrong: BTreeSet<Misbehaviour>) -> World {
    let config = setting(wrong, vec![device("lost", 0x66)], |_| {});
    let mut world = World::new(bench("enterprise-9", ""), config);
    world.plug("1", "lost");
    world.run(300);
    world
}

/// A guest whose time is over after 300 s.
pub(super) fn guest(wrong: BTreeSet<Misbehaviour>) -> World {
    let config = setting(wrong, vec![device("guest", 0x70)], |_| {});
    let mut world = World::new(bench("enterprise-9", ""), config);
    world.plug("1", "guest");
    world.run(500);
    world
}

/// A device with an Idle-Timeout that falls silent.
pub(super) fn sleeper(wrong: BTreeSet<Misbehaviour>) -> World {
    let config = setting(wrong, vec![device("sleeper", 0x71)], |_| {});
    let mut world = World::new(bench("enterprise-9", ""), config);
    world.plug("1", "sleeper");
    world.run(100);
    world.act(|switch, now| switch.traffic(now, "sleeper", false).unwrap());
    world.run(500);
    world
}

/// A phone with a PC behind it on a port for one device.
pub(super) fn two_on_a_port(wrong: BTreeSet<Misbehaviour>) -> World {
    let devices = vec![device("phone", 0x41), device("pc", 0x42)];
    let config = setting(wrong, devices, |_| {});
    let mut world = World::new(bench("enterprise-9", ""), config);
    world.plug("1", "phone");
    world.run(10);
    world.act(|switch, now| switch.plug_behind(now, "phone", "pc").unwrap());
    world.run(60);
    world
}

/// An access point with tagged VLANs.
pub(super) fn radio(wrong: BTreeSet<Misbehaviour>) -> World {
    let config = setting(wrong, vec![device("radio", 0x74)], |_| {});
    let mut world = World::new(bench("standard", ""), config);
    world.plug("1", "radio");
    world.run(60);
    world
}

/// An accept leaves the bench without, and another with a wrong Message-Authenticator.
pub(super) fn unsealed_accepts(wrong: BTreeSet<Misbehaviour>) -> World {
    let devices = vec![device("till", 0x07), device("radio", 0x74)];
    let config = setting(wrong, devices, |_| {});
    let mut world = World::new(bench("enterprise-9", ""), config);
    world.fault(FaultKind::NoMessageAuthenticator, PacketKind::Accept);
    world.plug("1", "till");
    world.run(30);
    world.fault(FaultKind::WrongMessageAuthenticator, PacketKind::Accept);
    world.plug("2", "radio");
    world.run(30);
    world
}

/// A change that names no session of the switch.
pub(super) fn change_of_nothing(wrong: BTreeSet<Misbehaviour>) -> World {
    let config = setting(wrong, till(), |_| {});
    let mut world = World::new(bench("enterprise-9", ""), config);
    world.plug("1", "till");
    world.run(30);
    world.fault(FaultKind::WrongSession, PacketKind::Change);
    world.change(mac(0x07), ChangeKind::Disconnect);
    world.run(100);
    world
}

/// A change an hour too late.
pub(super) fn stale_change(wrong: BTreeSet<Misbehaviour>) -> World {
    let config = setting(wrong, till(), |_| {});
    let mut world = World::new(bench("enterprise-9", ""), config);
    world.plug("1", "till");
    world.run(30);
    world.fault(FaultKind::StaleTimestamp, PacketKind::Change);
    world.change(mac(0x07), ChangeKind::Reauth);
    world.run(100);
    world
}

/// A change that is answered after it was repeated.
pub(super) fn crossed_answer(wrong: BTreeSet<Misbehaviour>) -> World {
    let config = setting(wrong, till(), |_| {});
    let mut world = World::new(bench("enterprise-9", ""), config);
    world.plug("1", "till");
    world.run(30);
    // So slow that the repetition crosses the answer.
    world.slow_answers = Duration::from_millis(2500);
    world.change(mac(0x07), ChangeKind::Reauth);
    world.run(100);
    world
}

/// An answer that takes a second and a half.
pub(super) fn slow_answer(wrong: BTreeSet<Misbehaviour>) -> World {
    let config = setting(wrong, till(), |_| {});
    let mut world = World::new(bench("enterprise-9", ""), config);
    world.plug("1", "till");
    world.run(30);
    world.slow_answers = Duration::from_millis(1500);
    world.change(mac(0x07), ChangeKind::Reauth);
    world.run(100);
    world
}

/// New attributes in place.
pub(super) fn regrant(wrong: BTreeSet<Misbehaviour>) -> World {
    let config = setting(wrong, till(), |_| {});
    let mut world = World::new(bench("standard", ""), config);
    world.plug("1", "till");
    world.run(30);
    world.pin(mac(0x07), "night-till");
    world.run(200);
    world
}

/// A re-authentication by Authorize-Only (RFC 5176 section 3.2).
pub(super) fn authorize_only(wrong: BTreeSet<Misbehaviour>) -> World {
    let config = setting(wrong, till(), |_| {});
    let mut world = World::new(bench("authorize.yaml", ""), config);
    world.plug("1", "till");
    world.run(30);
    world.change(mac(0x07), ChangeKind::Reauth);
    world.run(200);
    world
}

/// A switch without accounting, for some minutes.
pub(super) fn no_accounting(wrong: BTreeSet<Misbehaviour>) -> World {
    let config = setting(wrong, many(), |config| config.accounting.enabled = false);
    let mut world = World::new(bench("enterprise-9", ""), config);
    for at in 1..=5 {
        world.plug(&at.to_string(), &format!("device-{at}"));
        world.run(90);
    }
    world
}

/// A device in the holding class, which sets no interim interval, for more than an hour.
pub(super) fn long_stay(wrong: BTreeSet<Misbehaviour>) -> World {
    let config = setting(wrong, many(), |_| {});
    let mut world = World::new(bench("enterprise-9", ""), config);
    world.plug("1", "device-1");
    world.run(4000);
    world.unplug("device-1");
    world.run(60);
    world
}
