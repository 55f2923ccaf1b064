//! What holds whatever happens.

use std::collections::BTreeMap;

use proptest::prelude::*;

use super::*;
use crate::stand_in::config::MethodOrder;

#[derive(Debug, Clone)]
enum Act {
    Plug(u8, u8),
    Behind(u8, u8),
    Unplug(u8),
    PowerCycle(u8),
    Traffic(u8, bool),
    Bounce(u8),
    Reauthenticate(u8),
    Run(u32),
    Disconnect(u8),
    LogOn(bool),
    LogOff,
    Noise(u8, Vec<u8>),
}

fn act() -> impl Strategy<Value = Act> {
    prop_oneof![
        3 => (0..4u8, 0..3u8).prop_map(|(port, device)| Act::Plug(port, device)),
        1 => (0..3u8, 0..3u8).prop_map(|(host, device)| Act::Behind(host, device)),
        2 => (0..3u8).prop_map(Act::Unplug),
        1 => (0..3u8).prop_map(Act::PowerCycle),
        1 => (0..3u8, any::<bool>()).prop_map(|(device, talks)| Act::Traffic(device, talks)),
        1 => (0..4u8).prop_map(Act::Bounce),
        1 => (0..4u8).prop_map(Act::Reauthenticate),
        1 => (0..120_000u32).prop_map(Act::Run),
        1 => (0..3u8).prop_map(Act::Disconnect),
        1 => any::<bool>().prop_map(Act::LogOn),
        1 => Just(Act::LogOff),
        1 => (0..4u8, proptest::collection::vec(any::<u8>(), 0..80))
            .prop_map(|(socket, octets)| Act::Noise(socket, octets)),
    ]
}

/// The fate of each request in turn: accepted, refused, not answered, accepted with a faulty
/// grant.
fn script(fates: Vec<u8>) -> impl FnMut(&Packet<'_>) -> Reply {
    let mut turn = 0;
    move |packet| {
        let fate = fates[turn % fates.len()];
        turn += 1;
        match fate % 5 {
            0 => Reply::Reject,
            1 => Reply::Nothing,
            2 => Reply::Accept(vec![AttributeBuf::new(a::SESSION_TIMEOUT, [1])]),
            _ if packet.first(a::EAP_MESSAGE).is_some() => dot1x::server(packet),
            _ => Reply::Accept(vec![
                AttributeBuf::integer(a::SESSION_TIMEOUT, u32::from(fate) * 10),
                AttributeBuf::integer(a::TERMINATION_ACTION, u32::from(fate % 2)),
                AttributeBuf::integer(a::IDLE_TIMEOUT, 40),
            ]),
        }
    }
}

fn perform(rig: &mut Rig, act: Act, made: &mut u8) {
    const NAMES: [&str; 3] = ["till", "phone", "pc"];
    let name = |device: u8| NAMES[usize::from(device)];
    let port = |port: u8| (port + 1).to_string();
    let now = rig.now;
    let out = match act {
        Act::Plug(at, device) => rig.switch.plug(now, &port(at), name(device)),
        Act::Behind(host, device) => rig.switch.plug_behind(now, name(host), name(device)),
        Act::Unplug(device) => rig.switch.unplug(now, name(device)),
        Act::PowerCycle(device) => rig.switch.power_cycle(now, name(device), seconds(2)),
        Act::Traffic(device, talks) => rig.switch.traffic(now, name(device), talks),
        Act::Bounce(at) => rig.switch.bounce(now, &port(at)),
        Act::Reauthenticate(at) => rig.switch.reauthenticate(now, &port(at)),
        Act::LogOn(good) => rig
            .switch
            .log_on(now, "pc", if good { "ada" } else { "ben" }),
        Act::LogOff => rig.switch.log_off(now, "pc"),
        Act::Run(time) => {
            rig.run(millis(time.into()));
            return;
        }
        Act::Disconnect(device) => {
            let macs = [TILL, PHONE, PC];
            let mut builder = Builder::new(Code::DISCONNECT_REQUEST, *made);
            *made = made.wrapping_add(1);
            let mac = macs[usize::from(device)].to_string();
            builder.text(a::CALLING_STATION_ID, &mac).unwrap();
            let octets = builder.finish_digested_request(&secret());
            assert!(rig.change(&octets).is_some());
            return;
        }
        Act::Noise(socket, octets) => {
            let (socket, peer) = [
                (Socket::Authentication, AUTHENTICATION),
                (Socket::Accounting, ACCOUNTING),
                (Socket::Change, CHANGER),
                (Socket::Dhcp, DHCP),
            ][usize::from(socket)];
            Ok(rig
                .switch
                .handle(now, socket, peer.parse().unwrap(), &octets))
        }
    };
    if let Ok(out) = out {
        rig.absorb(out);
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(96))]

    /// Never more sessions than the limit, never a device in two places, every Start has its one
    /// Stop once the switch is off, and a session is admitted only by an accept.
    #[test]
    fn sessions_add_up(
        acts in proptest::collection::vec(act(), 1..60),
        fates in proptest::collection::vec(any::<u8>(), 1..12),
        order in 0..5usize,
        limit in 1..3u16,
    ) {
        let mut config = dot1x::with_supplicant();
        config.ports.limit = limit;
        config.ports.order = [
            MethodOrder::Dot1xThenMac,
            MethodOrder::MacThenDot1x,
            MethodOrder::Both,
            MethodOrder::MacOnly,
            MethodOrder::Dot1xOnly,
        ][order];
        config.devices.iter_mut().for_each(|device| device.dhcp = Some(dhcp()));
        let mut rig = Rig::new(config, script(fates));
        let mut made = 0;
        // A phone with a PC behind it is where most can go wrong.
        let begun = [Act::Plug(0, 1), Act::Behind(1, 2), Act::Run(60_000)];
        for act in begun.into_iter().chain(acts) {
            perform(&mut rig, act, &mut made);
            let sessions = rig.switch.sessions();
            let mut on_port: BTreeMap<&str, u16> = BTreeMap::new();
            let mut macs: Vec<Mac> = Vec::new();
            for session in &sessions {
                *on_port.entry(&session.port).or_default() += 1;
                prop_assert!(!macs.contains(&session.mac));
                macs.push(session.mac);
                prop_assert_eq!(session.admitted.is_some(), session.grant.is_some());
                prop_assert!(!(session.held && session.admitted.is_some()));
            }
            prop_assert!(on_port.values().all(|count| *count <= limit));
        }
        let out = rig.switch.stop(rig.now);
        rig.absorb(out);
        prop_assert!(rig.switch.sessions().is_empty());
        let mut open: BTreeMap<&str, i32> = BTreeMap::new();
        for event in &rig.events {
            match &event.what {
                What::SessionStarted { session } => *open.entry(session).or_default() += 1,
                What::SessionStopped { session, .. } => *open.entry(session).or_default() -= 1,
                _ => {}
            }
            if let Some(count) = open.values().find(|count| !(0..=1).contains(*count)) {
                prop_assert!(false, "a session open {count} times");
            }
        }
        prop_assert!(open.values().all(|count| *count == 0));
    }

    /// The same seed and the same acts give the same octets and events.
    #[test]
    fn it_is_deterministic(acts in proptest::collection::vec(act(), 1..25)) {
        let run = |acts: Vec<Act>| {
            let config = dot1x::with_supplicant();
            let mut rig = Rig::new(config, script(vec![3, 0, 1, 9]));
            let mut made = 0;
            for act in acts {
                perform(&mut rig, act, &mut made);
            }
            (rig.sent, rig.events)
        };
        let (first, second) = (run(acts.clone()), run(acts));
        prop_assert!(first == second);
    }
}
