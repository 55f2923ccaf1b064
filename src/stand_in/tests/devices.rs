//! Devices: links, power, phones, moves, limits, DHCP.

use dhcproto::v4::{self, DhcpOption, MessageType, OptionCode};
use dhcproto::{Decodable, Decoder};

use super::*;
use crate::stand_in::StandInError;
use crate::stand_in::device::PowerSource;
use crate::stand_in::event::DhcpMessage;

fn limit(count: u16) -> StandInConfig {
    let mut config = config();
    config.ports.limit = count;
    config
}

fn with_dhcp(mut config: StandInConfig) -> StandInConfig {
    for device in &mut config.devices {
        device.dhcp = Some(dhcp());
    }
    config
}

fn names(rig: &Rig) -> Vec<(String, Mac)> {
    let sessions = rig.switch.sessions();
    sessions.into_iter().map(|s| (s.port, s.mac)).collect()
}

#[test]
fn plug_and_unplug_move_the_link() {
    let mut rig = Rig::granting(config(), Vec::new());
    rig.plug("1", "till");
    assert_eq!(rig.count(|w| *w == What::LinkUp), 1);
    rig.run(seconds(2));
    rig.act(|switch, now| switch.unplug(now, "till").unwrap());
    assert_eq!(rig.count(|w| *w == What::LinkDown), 1);
    assert!(rig.switch.sessions().is_empty());
    rig.run(seconds(60));
    assert_eq!(rig.access_requests().len(), 1, "nobody is there any more");
}

#[test]
fn mistakes_are_named() {
    let mut rig = Rig::granting(config(), Vec::new());
    let now = rig.now;
    let fails = |result: Result<Outputs, StandInError>| result.unwrap_err();
    assert_eq!(
        fails(rig.switch.plug(now, "99", "till")),
        StandInError::NoSuchPort("99".to_owned())
    );
    assert_eq!(
        fails(rig.switch.plug(now, "1", "tiller")),
        StandInError::NoSuchDevice("tiller".to_owned())
    );
    assert_eq!(
        fails(rig.switch.unplug(now, "till")),
        StandInError::NotPlugged("till".to_owned())
    );
    rig.plug("1", "till");
    assert_eq!(
        fails(rig.switch.plug(now, "2", "till")),
        StandInError::AlreadyPlugged("till".to_owned())
    );
    assert!(matches!(
        fails(rig.switch.plug(now, "1", "pc")),
        StandInError::Occupied { .. }
    ));
    assert!(
        rig.switch
            .add_device(DeviceConfig::new("till", Mac([2; 6])))
            .is_err()
    );
    assert!(
        rig.switch
            .add_device(DeviceConfig::new("till-2", TILL))
            .is_err()
    );
    assert!(
        rig.switch
            .add_device(DeviceConfig::new("till-2", Mac([2; 6])))
            .is_ok()
    );
    rig.plug("2", "till-2");
}

/// More devices than the limit: turned away, said once, and let in when there is room.
#[test]
fn the_admission_limit_holds() {
    let mut rig = Rig::granting(limit(1), Vec::new());
    rig.plug("1", "phone");
    rig.act(|switch, now| switch.plug_behind(now, "phone", "pc").unwrap());
    rig.run(seconds(30));
    assert_eq!(names(&rig), [("1".to_owned(), PHONE)]);
    assert_eq!(
        rig.count(|w| *w == What::LimitExceeded { limit: 1 }),
        1,
        "{:?}",
        rig.events
    );
    let mut rig = Rig::granting(limit(2), Vec::new());
    rig.plug("1", "phone");
    rig.act(|switch, now| switch.plug_behind(now, "phone", "pc").unwrap());
    rig.run(seconds(30));
    assert_eq!(rig.switch.sessions().len(), 2);
    assert_eq!(rig.count(|w| matches!(w, What::LimitExceeded { .. })), 0);
}

/// A PC behind a phone leaves without the switch's link going down: its session stays until it
/// is idle.
#[test]
fn behind_a_phone_the_link_stays_up() {
    let mut rig = Rig::granting(limit(2), vec![AttributeBuf::integer(a::IDLE_TIMEOUT, 60)]);
    rig.plug("1", "phone");
    rig.act(|switch, now| switch.plug_behind(now, "phone", "pc").unwrap());
    rig.run(seconds(30));
    rig.act(|switch, now| switch.unplug(now, "pc").unwrap());
    rig.run(seconds(59));
    assert_eq!(rig.switch.sessions().len(), 2);
    assert_eq!(rig.count(|w| *w == What::LinkDown), 0);
    rig.run(seconds(2));
    assert_eq!(names(&rig), [("1".to_owned(), PHONE)]);
    // With the phone both go.
    rig.act(|switch, now| switch.plug_behind(now, "phone", "pc").unwrap());
    rig.run(seconds(2));
    assert_eq!(rig.switch.sessions().len(), 2);
    rig.act(|switch, now| switch.unplug(now, "phone").unwrap());
    assert!(rig.switch.sessions().is_empty());
    // And both come back where the phone is plugged next.
    rig.plug("5", "phone");
    rig.run(seconds(2));
    assert_eq!(names(&rig), [("5".to_owned(), PHONE), ("5".to_owned(), PC)]);
}

/// A device heard on another port ends its old session (common practice, no source).
#[test]
fn a_device_that_moves_ends_its_old_session() {
    let mut rig = Rig::granting(limit(2), Vec::new());
    rig.plug("1", "phone");
    rig.act(|switch, now| switch.plug_behind(now, "phone", "pc").unwrap());
    rig.run(seconds(10));
    rig.act(|switch, now| switch.unplug(now, "pc").unwrap());
    rig.plug("2", "pc");
    assert!(rig.records(2).is_empty());
    rig.run(seconds(2));
    assert_eq!(names(&rig), [("1".to_owned(), PHONE), ("2".to_owned(), PC)]);
    assert_eq!(
        rig.count(|w| *w
            == What::Moved {
                from: "1".to_owned()
            }),
        1
    );
    let (at, stop) = rig.records(2)[0];
    assert_eq!(at.as_millis(), 10_500);
    assert_eq!(stop.text(a::NAS_PORT_ID), Some("1"));
    assert_eq!(stop.integer(a::ACCT_TERMINATE_CAUSE), Some(2));
    assert_eq!(rig.records(1).len(), 3);
}

/// Power over Ethernet: boots when plugged, loses power in a bounce, boots again.
#[test]
fn a_powered_device_boots_after_a_bounce() {
    let mut config = config();
    config.devices[1].power = PowerSource::Poe;
    config.devices[1].boot_time = seconds(20);
    let mut rig = Rig::granting(config, Vec::new());
    rig.plug("1", "phone");
    rig.run(seconds(30));
    let at = |rig: &Rig, fits: fn(&What) -> bool| -> Vec<u64> {
        rig.events
            .iter()
            .filter(|event| fits(&event.what))
            .map(|event| crate::stand_in::schedule::since(start(), event.at).as_secs())
            .collect()
    };
    assert_eq!(at(&rig, |w| matches!(w, What::PowerBack { .. })), [0]);
    assert_eq!(at(&rig, |w| *w == What::LinkUp), [20]);
    rig.act(|switch, now| switch.bounce(now, "1").unwrap());
    assert_eq!(
        rig.count(|w| *w
            == What::Bounced {
                down: seconds(5),
                power_cut: true
            }),
        1
    );
    rig.run(seconds(60));
    assert_eq!(at(&rig, |w| matches!(w, What::PowerLost { .. })), [30]);
    assert_eq!(at(&rig, |w| matches!(w, What::PowerBack { .. })), [0, 35]);
    assert_eq!(at(&rig, |w| matches!(w, What::Booted { .. })), [20, 55]);
    assert_eq!(at(&rig, |w| *w == What::LinkUp), [20, 55]);
}

#[test]
fn a_device_on_mains_is_back_with_the_link() {
    let mut rig = Rig::granting(config(), Vec::new());
    rig.plug("1", "till");
    rig.run(seconds(10));
    rig.act(|switch, now| switch.bounce(now, "1").unwrap());
    rig.run(seconds(10));
    assert_eq!(rig.when(|w| *w == What::LinkDown), Some(seconds(10)));
    let ups: Vec<_> = rig
        .events
        .iter()
        .filter(|event| event.what == What::LinkUp)
        .map(|event| event.at)
        .collect();
    assert_eq!(ups, [start(), after(start(), seconds(15))]);
    assert_eq!(rig.count(|w| matches!(w, What::PowerLost { .. })), 0);
}

#[test]
fn a_port_without_power_starts_nothing() {
    let mut config = config();
    config.devices[1].power = PowerSource::Poe;
    config.ports.each = one_port(
        2,
        PortChange {
            poe: Some(false),
            ..PortChange::default()
        },
    );
    let mut rig = Rig::granting(config, Vec::new());
    rig.plug("2", "phone");
    rig.run(seconds(100));
    assert_eq!(rig.count(|w| matches!(w, What::PowerLost { .. })), 1);
    assert_eq!(rig.count(|w| *w == What::LinkUp), 0);
}

#[test]
fn a_power_cycle_takes_the_link_with_it() {
    let mut rig = Rig::granting(config(), Vec::new());
    rig.plug("1", "till");
    rig.run(seconds(10));
    rig.act(|switch, now| switch.power_cycle(now, "till", seconds(3)).unwrap());
    assert_eq!(rig.count(|w| *w == What::LinkDown), 1);
    rig.run(seconds(60));
    // 10 s, 3 s dark, 36 s to boot.
    let booted = rig.when(|w| matches!(w, What::Booted { .. }));
    assert_eq!(booted, Some(seconds(49)));
    assert_eq!(rig.switch.sessions().len(), 1);
}

fn dhcp_messages(rig: &Rig) -> Vec<(u64, v4::Message)> {
    rig.sent
        .iter()
        .filter(|(_, transmit)| transmit.socket == Socket::Dhcp)
        .map(|(at, transmit)| {
            assert_eq!(transmit.to, DHCP.parse().unwrap());
            let message = v4::Message::decode(&mut Decoder::new(&transmit.octets)).unwrap();
            let millis = crate::stand_in::schedule::since(start(), *at).as_millis();
            (millis as u64, message)
        })
        .collect()
}

/// RFC 2131 section 4.1 and table 5, RFC 2132 section 9, RFC 3046 section 2.0: what a relayed
/// DISCOVER holds.
#[test]
fn dhcp_is_relayed_with_what_the_device_says() {
    let mut config = with_dhcp(config());
    let device = config.devices[0].dhcp.as_mut().unwrap();
    device.user_class = Some("berth".to_owned());
    device.parameter_list = vec![1, 3, 6, 42];
    let mut rig = Rig::granting(config, crate::wire::vlan::tunnel_vlan(0, "300").to_vec());
    rig.plug("7", "till");
    rig.run(seconds(3));
    let messages = dhcp_messages(&rig);
    assert_eq!(messages.len(), 2);
    let (at, discover) = &messages[0];
    assert_eq!(*at, 2000);
    assert_eq!(discover.giaddr().to_string(), "198.51.100.1");
    assert_eq!(discover.hops(), 1);
    assert_eq!(discover.chaddr(), TILL.0);
    let options = discover.opts();
    assert_eq!(options.msg_type(), Some(MessageType::Discover));
    assert_eq!(
        options.get(OptionCode::Hostname),
        Some(&DhcpOption::Hostname("berth-till-4".to_owned()))
    );
    assert_eq!(
        options.get(OptionCode::ParameterRequestList),
        Some(&DhcpOption::ParameterRequestList(
            [1, 3, 6, 42].map(OptionCode::from).to_vec()
        ))
    );
    assert_eq!(
        options.get(OptionCode::ClassIdentifier),
        Some(&DhcpOption::ClassIdentifier(b"till-firmware".to_vec()))
    );
    assert_eq!(
        options.get(OptionCode::ClientIdentifier),
        Some(&DhcpOption::ClientIdentifier(vec![1, 2, 0, 0, 0, 10, 1]))
    );
    // RFC 3004 section 4
    assert_eq!(
        options.get(OptionCode::UserClass),
        Some(&DhcpOption::UserClass(b"\x05berth".to_vec()))
    );
    let Some(DhcpOption::RelayAgentInformation(info)) =
        options.get(OptionCode::RelayAgentInformation)
    else {
        panic!("no option 82");
    };
    let subs: Vec<_> = info.iter().map(|(_, sub)| sub.clone()).collect();
    assert_eq!(
        subs,
        [
            v4::relay::RelayInfo::AgentCircuitId(b"7".to_vec()),
            v4::relay::RelayInfo::AgentRemoteId(vec![0x02, 0, 0x5e, 0, 0, 0]),
        ]
    );
    let (_, request) = &messages[1];
    assert_eq!(request.opts().msg_type(), Some(MessageType::Request));
    assert_eq!(
        request.opts().get(OptionCode::RequestedIpAddress),
        Some(&DhcpOption::RequestedIpAddress(
            "10.1.44.10".parse().unwrap()
        ))
    );
    assert_eq!(request.xid(), discover.xid());
    assert_eq!(
        rig.when(|w| matches!(w, What::AddressGiven { .. })),
        Some(millis(2100))
    );
}

/// What is sent before the device is let in goes nowhere; the client tries again after 4 s, give
/// or take one (RFC 2131 section 4.1).
#[test]
fn dhcp_waits_for_admission() {
    let mut config = with_dhcp(config());
    config.ports.order = crate::stand_in::config::MethodOrder::Dot1xThenMac;
    let mut rig = Rig::granting(config, Vec::new());
    rig.plug("1", "till");
    rig.run(seconds(10));
    let discover = |relayed| What::DhcpSent {
        message: DhcpMessage::Discover,
        relayed,
    };
    assert_eq!(rig.when(|w| *w == discover(false)), Some(seconds(2)));
    let relayed = rig.when(|w| *w == discover(true)).unwrap();
    assert!((5.0..=7.0).contains(&relayed.as_secs_f64()), "{relayed:?}");
}

/// Unanswered, the client's waits double up to 64 s (RFC 2131 section 4.1).
#[test]
fn an_unanswered_client_tries_ever_more_slowly() {
    let mut config = with_dhcp(config());
    config.dhcp.as_mut().unwrap().answered = false;
    let mut rig = Rig::granting(config, Vec::new());
    rig.plug("1", "till");
    rig.run(seconds(300));
    let times: Vec<f64> = dhcp_messages(&rig)
        .iter()
        .map(|(at, message)| {
            assert_eq!(message.opts().msg_type(), Some(MessageType::Discover));
            *at as f64 / 1000.0
        })
        .collect();
    let gaps: Vec<f64> = times.windows(2).map(|pair| pair[1] - pair[0]).collect();
    for (gap, wait) in gaps.iter().zip([4.0, 8.0, 16.0, 32.0, 64.0, 64.0]) {
        assert!((gap - wait).abs() <= 1.001, "{gaps:?}");
    }
    assert!(gaps.len() >= 6);
}

/// After a bounce a client asks for its old address; in another VLAN that is refused and it
/// starts over (RFC 2131 section 3.2). One that lost power remembers nothing.
#[test]
fn a_bounce_into_another_vlan_starts_dhcp_over() {
    let mut turns = 0;
    let mut rig = Rig::new(with_dhcp(config()), move |_| {
        turns += 1;
        let vlan = if turns == 1 { "900" } else { "120" };
        Reply::Accept(crate::wire::vlan::tunnel_vlan(0, vlan).to_vec())
    });
    rig.plug("1", "till");
    rig.run(seconds(5));
    rig.act(|switch, now| switch.bounce(now, "1").unwrap());
    rig.run(seconds(10));
    let kinds: Vec<MessageType> = dhcp_messages(&rig)
        .iter()
        .map(|(_, message)| message.opts().msg_type().unwrap())
        .collect();
    use MessageType::{Discover, Request};
    assert_eq!(kinds, [Discover, Request, Request, Discover, Request]);
    let addresses: Vec<String> = rig
        .events
        .iter()
        .filter_map(|event| match event.what {
            What::AddressGiven { address } => Some(address.to_string()),
            _ => None,
        })
        .collect();
    assert_eq!(addresses, ["10.3.132.10", "10.0.120.10"]);
    let before = dhcp_messages(&rig).len();
    rig.act(|switch, now| switch.power_cycle(now, "till", seconds(1)).unwrap());
    rig.run(seconds(60));
    let (_, message) = dhcp_messages(&rig)[before].clone();
    assert_eq!(message.opts().msg_type(), Some(Discover));
}

/// Typical figures (common practice, no source): a DHCP message gets through about 7 s after link
/// up on a port that tries 802.1X first, and 43 s after a power cycle.
#[test]
fn default_times_are_the_typical_ones() {
    let mut config = with_dhcp(config());
    config.ports.order = crate::stand_in::config::MethodOrder::Dot1xThenMac;
    let mut rig = Rig::granting(config, Vec::new());
    rig.plug("1", "till");
    rig.run(seconds(20));
    let first = dhcp_messages(&rig)[0].0;
    assert!((4000..=7000).contains(&first), "{first}");
    let before = dhcp_messages(&rig).len();
    rig.act(|switch, now| switch.power_cycle(now, "till", Duration::ZERO).unwrap());
    rig.run(seconds(60));
    let again = dhcp_messages(&rig)[before].0 - 20_000;
    assert!((40_000..=43_000).contains(&again), "{again}");
}
