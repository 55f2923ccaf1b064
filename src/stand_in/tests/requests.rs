//! Access-Requests as they leave.

use super::*;
use crate::stand_in::config::ServiceType;
use crate::stand_in::mac_style::{PasswordStyle, Protocol};
use crate::wire::hide;

fn first_request(config: StandInConfig) -> Vec<u8> {
    let mut rig = Rig::granting(config, Vec::new());
    rig.plug("4", "till");
    rig.run(seconds(1));
    rig.access_requests()[0].bytes().to_vec()
}

/// RFC 2865 section 5, RFC 3580 section 3, RFC 3579 section 3.2 (Message-Authenticator first:
/// 2024 attack on MD5).
#[test]
fn carries_what_a_good_switch_sends() {
    let octets = first_request(config());
    let packet = Packet::parse(&octets).unwrap();
    assert_eq!(
        packet.attributes().next().unwrap().kind,
        a::MESSAGE_AUTHENTICATOR
    );
    assert_eq!(
        sign::check_message_authenticator(&packet, None, &secret()),
        MessageAuthenticator::Right
    );
    assert_eq!(packet.text(a::USER_NAME), Some("020000000a01"));
    let nas = packet.first(a::NAS_IP_ADDRESS).unwrap().ipv4();
    assert_eq!(nas, Some("192.0.2.3".parse().unwrap()));
    assert_eq!(packet.text(a::NAS_IDENTIFIER), Some("quay-3"));
    assert_eq!(packet.integer(a::NAS_PORT), Some(4));
    assert_eq!(packet.text(a::NAS_PORT_ID), Some("4"));
    assert_eq!(packet.integer(a::NAS_PORT_TYPE), Some(15));
    assert_eq!(packet.integer(a::SERVICE_TYPE), Some(10));
    assert_eq!(packet.integer(a::FRAMED_MTU), Some(1500));
    // RFC 3580 sections 3.20 and 3.21: upper case with hyphens.
    assert_eq!(
        packet.text(a::CALLING_STATION_ID),
        Some("02-00-00-00-0A-01")
    );
    assert_eq!(packet.text(a::CALLED_STATION_ID), Some("02-00-5E-00-00-04"));
    assert!(packet.text(a::ACCT_SESSION_ID).is_some());
    for kind in [a::STATE, a::EAP_MESSAGE, a::CHAP_PASSWORD] {
        assert!(packet.first(kind).is_none(), "{kind}");
    }
    let hidden = packet.first(a::USER_PASSWORD).unwrap().value;
    let password = hide::reveal_password(hidden, &secret(), packet.authenticator());
    assert_eq!(password.unwrap(), b"020000000a01");
}

#[test]
fn leaves_out_what_it_is_told_to() {
    let mut config = config();
    config.requests.message_authenticator = false;
    config.requests.acct_session_id = false;
    config.mac_authentication.service_type = ServiceType::None;
    let octets = first_request(config);
    let packet = Packet::parse(&octets).unwrap();
    for kind in [
        a::MESSAGE_AUTHENTICATOR,
        a::ACCT_SESSION_ID,
        a::SERVICE_TYPE,
    ] {
        assert!(packet.first(kind).is_none(), "{kind}");
    }
}

/// Forms of MAC authentication (common practice, no source); CHAP by RFC 2865 section 5.3.
#[test]
fn spells_mac_authentication_in_each_form() {
    let mut config = config();
    config.mac_authentication.user_name = "XX-XX-XX-XX-XX-XX".parse().unwrap();
    config.mac_authentication.password = PasswordStyle::Fixed("berth".to_owned());
    config.mac_authentication.protocol = Protocol::Chap;
    config.mac_authentication.service_type = ServiceType::Framed;
    let octets = first_request(config);
    let packet = Packet::parse(&octets).unwrap();
    assert_eq!(packet.text(a::USER_NAME), Some("02-00-00-00-0A-01"));
    assert_eq!(packet.integer(a::SERVICE_TYPE), Some(2));
    assert!(packet.first(a::USER_PASSWORD).is_none());
    assert_eq!(hide::chap_matches(&packet, b"berth"), Some(true));
    assert_eq!(hide::chap_matches(&packet, b"birth"), Some(false));
}

/// RFC 2865 section 5.2: an empty password is one block of null octets.
#[test]
fn empty_password_is_one_block() {
    let mut config = config();
    config.mac_authentication.password = PasswordStyle::Empty;
    let octets = first_request(config);
    let packet = Packet::parse(&octets).unwrap();
    let hidden = packet.first(a::USER_PASSWORD).unwrap().value;
    assert_eq!(hidden.len(), 16);
    let password = hide::reveal_password(hidden, &secret(), packet.authenticator());
    assert_eq!(password.unwrap(), b"");
}

/// RFC 2865 section 3: two requests in flight never share an Identifier, and authenticators do
/// not repeat.
#[test]
fn identifiers_differ_in_flight() {
    let mut config = config();
    config.ports.count = 300;
    config.devices = (0..300u16)
        .map(|n| {
            let [high, low] = n.to_be_bytes();
            DeviceConfig::new(&format!("gate-{n}"), Mac([2, 0, 0, 1, high, low]))
        })
        .collect();
    let mut rig = Rig::new(config, |_| Reply::Nothing);
    for n in 0..300 {
        rig.plug(&(n + 1).to_string(), &format!("gate-{n}"));
    }
    rig.run(millis(600));
    let requests = rig.access_requests();
    assert_eq!(requests.len(), 256, "the other 44 wait for an Identifier");
    let identifiers: std::collections::BTreeSet<u8> =
        requests.iter().map(Packet::identifier).collect();
    assert_eq!(identifiers.len(), 256);
    let authenticators: std::collections::BTreeSet<[u8; 16]> = requests
        .iter()
        .map(|packet| *packet.authenticator())
        .collect();
    assert_eq!(authenticators.len(), 256);
}

/// Those that waited leave as answers come in.
#[test]
fn waiting_requests_leave_when_identifiers_are_free() {
    let mut config = config();
    config.ports.count = 300;
    config.devices = (0..300u16)
        .map(|n| {
            let [high, low] = n.to_be_bytes();
            DeviceConfig::new(&format!("gate-{n}"), Mac([2, 0, 0, 1, high, low]))
        })
        .collect();
    let mut answering = 0;
    let mut rig = Rig::new(config, move |_| {
        answering += 1;
        if answering > 256 {
            Reply::Accept(Vec::new())
        } else {
            Reply::Nothing
        }
    });
    for n in 0..300 {
        rig.plug(&(n + 1).to_string(), &format!("gate-{n}"));
    }
    rig.run(seconds(10));
    let admitted = rig.count(|what| matches!(what, What::Admitted { .. }));
    assert_eq!(admitted, 300);
}

/// RFC 5080 section 2.2.1, RFC 2865 section 3: a retransmission is the same octets.
#[test]
fn retransmission_is_the_same_octets() {
    let mut rig = Rig::new(config(), |_| Reply::Nothing);
    rig.plug("1", "till");
    rig.run(seconds(29));
    let requests = rig.access_requests();
    assert_eq!(requests.len(), 4, "at 0, 2, 6, 14 s and their tenths");
    assert!(
        requests
            .iter()
            .all(|packet| packet.bytes() == requests[0].bytes())
    );
    assert_eq!(rig.count(|what| matches!(what, What::Repeated { .. })), 3);
}
