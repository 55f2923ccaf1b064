//! 802.1X on ports, against a server made up here that does MD5-Challenge by hand.

use md5::{Digest, Md5};

use super::*;
use crate::eap::codec::packet::{encode, failure, success};
use crate::eap::codec::{Code as EapCode, Packet as Eap, Type};
use crate::stand_in::config::MethodOrder;
use crate::stand_in::event::Method;
use crate::stand_in::login::{EapMethod, InsideTtls, LoginConfig, SupplicantConfig};
use crate::wire::Attribute;

const TALK: &[u8; 16] = b"sixteen octets !";

fn login(identity: &str, password: &str) -> LoginConfig {
    LoginConfig {
        identity: identity.to_owned(),
        account: None,
        ms_chap_name: None,
        password: Some(Secret::new(password)),
        certificate: None,
        key: None,
        methods: vec![EapMethod::EapMd5],
        ttls: InsideTtls::default(),
        peap: EapMethod::EapMsChapV2,
    }
}

/// The PC has a machine login and two people; the others have no supplicant.
pub(super) fn with_supplicant() -> StandInConfig {
    let mut config = config();
    config.ports.order = MethodOrder::Dot1xThenMac;
    config.ports.limit = 2;
    config.devices[2].supplicant = Some(SupplicantConfig {
        machine: Some(login("host/pc-1.quay.example", "hull")),
        people: [
            ("ada".to_owned(), login("ada", "moor")),
            ("ben".to_owned(), login("ben", "wrong")),
        ]
        .into(),
        ..SupplicantConfig::default()
    });
    config
}

fn eap_of(packet: &Packet<'_>) -> Option<Vec<u8>> {
    packet.joined(a::EAP_MESSAGE)
}

fn challenge(identifier: u8) -> Reply {
    let data = [&[16], TALK.as_slice(), b"bench"].concat();
    let eap = encode(EapCode::Request, identifier, Type::MD5, &data);
    Reply::Code(
        Code::ACCESS_CHALLENGE,
        vec![
            AttributeBuf::new(a::EAP_MESSAGE, eap),
            AttributeBuf::new(a::STATE, [b"state ", &[identifier][..]].concat()),
        ],
    )
}

/// RFC 3748 section 5.4, RFC 1994 section 4.1.
fn proves(eap: &Eap<'_>, password: &str) -> bool {
    let expected = Md5::new()
        .chain_update([eap.identifier])
        .chain_update(password)
        .chain_update(TALK)
        .finalize();
    eap.kind == Some(Type::MD5) && eap.data.get(1..17) == Some(expected.as_slice())
}

/// Passwords "hull" and "moor" are right; each identity gets a role of its own; MAC
/// authentication gets role "mac".
pub(super) fn server(packet: &Packet<'_>) -> Reply {
    let Some(octets) = eap_of(packet) else {
        return Reply::Accept(vec![AttributeBuf::text(a::FILTER_ID, "mac")]);
    };
    let eap = Eap::parse(&octets).unwrap();
    if eap.kind == Some(Type::IDENTITY) {
        return challenge(eap.identifier.wrapping_add(100));
    }
    let user = packet.text(a::USER_NAME).unwrap().to_owned();
    let password = if user.starts_with("host/") {
        "hull"
    } else {
        "moor"
    };
    if !proves(&eap, password) {
        let eap = AttributeBuf::new(a::EAP_MESSAGE, failure(eap.identifier));
        return Reply::Code(Code::ACCESS_REJECT, vec![eap]);
    }
    Reply::Accept(vec![
        AttributeBuf::new(a::EAP_MESSAGE, success(eap.identifier)),
        AttributeBuf::text(a::FILTER_ID, &user),
        AttributeBuf::text(a::USER_NAME, &user),
    ])
}

fn role(rig: &Rig) -> Option<String> {
    rig.switch.sessions().first()?.grant.clone()?.role
}

fn admitted_by(rig: &Rig) -> Option<Method> {
    rig.switch.sessions().first()?.admitted
}

fn succeeded(login: &str) -> What {
    What::LoginSucceeded {
        login: login.to_owned(),
    }
}

/// RFC 3579 sections 2.1, 3.1, 3.2 and RFC 3580 section 3: what each round carries.
#[test]
fn a_machine_logs_on_as_soon_as_it_is_asked() {
    let mut rig = Rig::new(with_supplicant(), server);
    rig.plug("1", "pc");
    rig.run(seconds(10));
    assert_eq!(rig.when(|w| *w == What::Dot1xBegan), Some(millis(500)));
    assert_eq!(rig.when(|w| *w == succeeded("machine")), Some(millis(500)));
    assert_eq!(role(&rig).as_deref(), Some("host/pc-1.quay.example"));
    assert_eq!(admitted_by(&rig), Some(Method::Dot1x));
    let requests = rig.access_requests();
    assert_eq!(requests.len(), 2);
    for packet in &requests {
        assert_eq!(packet.text(a::USER_NAME), Some("host/pc-1.quay.example"));
        assert_eq!(packet.integer(a::SERVICE_TYPE), Some(2));
        assert_eq!(packet.integer(a::FRAMED_MTU), Some(1500));
        assert!(packet.first(a::USER_PASSWORD).is_none());
        assert_eq!(
            sign::check_message_authenticator(packet, None, &secret()),
            MessageAuthenticator::Right
        );
    }
    let first = eap_of(&requests[0]).unwrap();
    assert_eq!(Eap::parse(&first).unwrap().kind, Some(Type::IDENTITY));
    assert!(requests[0].first(a::STATE).is_none());
    let identifier = Eap::parse(&first).unwrap().identifier.wrapping_add(100);
    assert_eq!(
        requests[1].first(a::STATE).unwrap().value,
        [b"state ", &[identifier][..]].concat()
    );
    assert_eq!(
        rig.records(1)[0].1.text(a::USER_NAME),
        Some("host/pc-1.quay.example")
    );
    // Asked by the switch, it needs no EAPOL-Start.
    assert_eq!(rig.count(|w| *w == What::EapolStart), 0);
}

/// RFC 3579 section 3.2: EAP never goes without Message-Authenticator, whatever is set.
#[test]
fn eap_is_always_sealed() {
    let mut config = with_supplicant();
    config.requests.message_authenticator = false;
    let mut rig = Rig::new(config, server);
    rig.plug("1", "pc");
    rig.run(seconds(1));
    for packet in rig.access_requests() {
        assert!(packet.first(a::MESSAGE_AUTHENTICATOR).is_some());
    }
}

/// Machine, then a person, then the next who fails: the role follows whoever is logged on, and it
/// stays one session.
#[test]
fn machine_then_person_then_another() {
    let mut rig = Rig::new(with_supplicant(), server);
    rig.plug("1", "pc");
    rig.run(seconds(10));
    rig.act(|switch, now| switch.log_on(now, "pc", "ada").unwrap());
    assert_eq!(role(&rig).as_deref(), Some("ada"));
    assert_eq!(rig.count(|w| *w == What::EapolStart), 1);
    assert_eq!((rig.records(1).len(), rig.records(2).len()), (1, 0));
    rig.act(|switch, now| switch.log_off(now, "pc").unwrap());
    assert_eq!(role(&rig).as_deref(), Some("host/pc-1.quay.example"));
    rig.act(|switch, now| switch.log_on(now, "pc", "ben").unwrap());
    assert_eq!(
        rig.count(|w| matches!(w, What::LoginFailed { login, .. } if login == "ben")),
        1
    );
    assert!(rig.switch.sessions()[0].held);
    let (_, stop) = rig.records(2)[0];
    assert_eq!(stop.integer(a::ACCT_TERMINATE_CAUSE), Some(20));
    // IEEE 802.1X, HELD: whoever was refused is not heard before the quiet period is over.
    let before = rig.access_requests().len();
    rig.act(|switch, now| switch.log_on(now, "pc", "ada").unwrap());
    rig.run(seconds(30));
    assert_eq!(rig.access_requests().len(), before);
    rig.run(seconds(31));
    assert_eq!(role(&rig).as_deref(), Some("ada"));
}

/// EAPOL-Logoff ends the session (cause 1, RFC 2866 section 5.10); nobody answers 802.1X then, and
/// MAC authentication follows.
#[test]
fn logging_off_the_port_ends_the_session() {
    let mut config = with_supplicant();
    config.devices[2].supplicant.as_mut().unwrap().machine = None;
    let mut rig = Rig::new(config, server);
    rig.plug("1", "pc");
    rig.run(seconds(10));
    assert_eq!(role(&rig).as_deref(), Some("mac"), "nobody is logged on");
    rig.act(|switch, now| switch.log_on(now, "pc", "ada").unwrap());
    assert_eq!(role(&rig).as_deref(), Some("ada"), "802.1X prevails");
    assert_eq!(admitted_by(&rig), Some(Method::Dot1x));
    rig.act(|switch, now| switch.log_off(now, "pc").unwrap());
    let (_, stop) = rig.records(2)[0];
    assert_eq!(stop.integer(a::ACCT_TERMINATE_CAUSE), Some(1));
    rig.run(seconds(10));
    assert_eq!(role(&rig).as_deref(), Some("mac"));
    assert_eq!(rig.records(1).len(), 2);
}

#[test]
fn mistakes_at_log_on_are_named() {
    use crate::stand_in::StandInError;
    let mut rig = Rig::new(with_supplicant(), server);
    let now = rig.now;
    assert_eq!(
        rig.switch.log_on(now, "pc", "eve").unwrap_err(),
        StandInError::NoSuchPerson {
            device: "pc".to_owned(),
            person: "eve".to_owned()
        }
    );
    assert_eq!(
        rig.switch.log_off(now, "till").unwrap_err(),
        StandInError::NoSupplicant("till".to_owned())
    );
    // Unplugged, it is only remembered who is there.
    rig.act(|switch, now| switch.log_on(now, "pc", "ada").unwrap());
    rig.plug("1", "pc");
    rig.run(seconds(5));
    assert_eq!(role(&rig).as_deref(), Some("ada"));
}

/// Behind a phone without supplicant, on one port: each by its own method.
#[test]
fn a_phone_by_mac_and_a_pc_by_dot1x() {
    let mut rig = Rig::new(with_supplicant(), server);
    rig.plug("1", "phone");
    rig.act(|switch, now| switch.plug_behind(now, "phone", "pc").unwrap());
    rig.run(seconds(10));
    let sessions = rig.switch.sessions();
    let of = |mac: Mac| sessions.iter().find(|s| s.mac == mac).unwrap();
    assert_eq!(of(PHONE).admitted, Some(Method::Mac));
    assert_eq!(of(PC).admitted, Some(Method::Dot1x));
}

/// Both at once: MAC authentication lets it in first, 802.1X takes over.
#[test]
fn both_at_once_ends_with_dot1x() {
    let mut config = with_supplicant();
    config.ports.order = MethodOrder::Both;
    let mut rig = Rig::new(config, server);
    rig.plug("1", "pc");
    rig.run(seconds(10));
    assert_eq!(admitted_by(&rig), Some(Method::Dot1x));
    assert_eq!(rig.records(1).len(), 1);
    let methods: std::collections::BTreeSet<Method> = rig
        .events
        .iter()
        .filter_map(|event| match event.what {
            What::Admitted { method, .. } => Some(method),
            _ => None,
        })
        .collect();
    assert!(methods.contains(&Method::Dot1x));
}

/// MAC authentication first; a supplicant that starts is heard and prevails.
#[test]
fn mac_first_hears_a_supplicant_that_starts() {
    let mut config = with_supplicant();
    config.ports.order = MethodOrder::MacThenDot1x;
    let mut rig = Rig::new(config, server);
    rig.plug("1", "pc");
    rig.run(millis(900));
    assert_eq!(role(&rig).as_deref(), Some("mac"));
    rig.run(seconds(5));
    // EAPOL-Start a second after link up.
    assert_eq!(rig.when(|w| *w == What::EapolStart), Some(seconds(1)));
    assert_eq!(role(&rig).as_deref(), Some("host/pc-1.quay.example"));
    assert_eq!((rig.records(1).len(), rig.records(2).len()), (1, 0));
}

#[test]
fn mac_only_is_deaf_to_eapol() {
    let mut config = with_supplicant();
    config.ports.order = MethodOrder::MacOnly;
    let mut rig = Rig::new(config, server);
    rig.plug("1", "pc");
    rig.run(seconds(100));
    assert_eq!(role(&rig).as_deref(), Some("mac"));
    assert!(rig.access_requests().iter().all(|p| eap_of(p).is_none()));
}

/// Refused by 802.1X: held, or on to MAC authentication where the port is set so (trade).
#[test]
fn after_a_refusal() {
    for next in [false, true] {
        let mut config = with_supplicant();
        config.ports.next_after_refusal = next;
        let supplicant = config.devices[2].supplicant.as_mut().unwrap();
        supplicant.machine = Some(login("host/pc-1.quay.example", "wrong"));
        let mut rig = Rig::new(config, server);
        rig.plug("1", "pc");
        rig.run(seconds(10));
        assert_eq!(role(&rig).is_some(), next);
        assert_eq!(rig.switch.sessions()[0].held, !next);
        assert_eq!(
            rig.count(|w| matches!(
                w,
                What::Refused {
                    method: Method::Dot1x,
                    ..
                }
            )),
            1
        );
    }
}

/// Re-authentication asks for the identity again and keeps the session.
#[test]
fn re_authentication_by_dot1x() {
    let mut rig = Rig::new(with_supplicant(), |packet: &Packet<'_>| {
        match server(packet) {
            Reply::Accept(mut grant) => {
                grant.push(AttributeBuf::integer(a::SESSION_TIMEOUT, 100));
                grant.push(AttributeBuf::integer(a::TERMINATION_ACTION, 1));
                grant.push(AttributeBuf::new(a::STATE, *b"accept"));
                Reply::Accept(grant)
            }
            other => other,
        }
    });
    rig.plug("1", "pc");
    rig.run(seconds(250));
    assert_eq!(rig.count(|w| *w == succeeded("machine")), 3);
    assert_eq!((rig.records(1).len(), rig.records(2).len()), (1, 0));
    // RFC 2865 section 5.24: the accept's State comes back in the first request.
    let requests = rig.access_requests();
    assert_eq!(requests.len(), 6);
    assert!(requests[0].first(a::STATE).is_none());
    for at in [2, 4] {
        assert_eq!(requests[at].first(a::STATE).unwrap().value, b"accept");
    }
    // Each time the identity is asked for under another EAP identifier.
    let identifier = |at: usize| {
        Eap::parse(&eap_of(&requests[at]).unwrap())
            .unwrap()
            .identifier
    };
    assert_ne!(identifier(0), identifier(2));
}

/// A machine whose supplicant is gone at re-authentication falls back to MAC authentication.
#[test]
fn a_supplicant_that_is_gone_ends_its_login() {
    let mut rig = Rig::new(with_supplicant(), server);
    rig.plug("1", "pc");
    rig.run(seconds(5));
    let device = &mut rig.switch.devices[2];
    device.eapol = None;
    rig.act(|switch, now| switch.reauthenticate(now, "1").unwrap());
    rig.run(seconds(5));
    let (at, stop) = rig.records(2)[0];
    assert_eq!(at.as_secs(), 9);
    assert_eq!(stop.integer(a::ACCT_TERMINATE_CAUSE), Some(20));
    assert_eq!(role(&rig).as_deref(), Some("mac"));
}

/// IEEE 802.1X suppTimeout and maxReq; Session-Timeout in a challenge goes before (RFC 3580
/// section 3.17).
#[test]
fn a_supplicant_that_falls_silent_is_given_up() {
    for (told, expected) in [(None, 60), (Some(5), 10)] {
        let mut rig = Rig::new(with_supplicant(), move |packet: &Packet<'_>| {
            match server(packet) {
                Reply::Code(code, mut attributes) => {
                    // A request of a type that the supplicant cannot read is not answered.
                    let eap = encode(EapCode::Request, 9, Type::MD5, &[]);
                    attributes[0] = AttributeBuf::new(a::EAP_MESSAGE, eap);
                    attributes
                        .extend(told.map(|time| AttributeBuf::integer(a::SESSION_TIMEOUT, time)));
                    Reply::Code(code, attributes)
                }
                other => other,
            }
        });
        rig.plug("1", "pc");
        rig.run(seconds(70));
        let silent = rig.when(|w| *w == What::SupplicantSilent).unwrap();
        assert_eq!(silent.as_millis(), 500 + expected * 1000);
        assert_eq!(rig.when(|w| matches!(w, What::Held { .. })), Some(silent));
    }
}

/// A request of the server that is lost on the way to the device is sent again.
#[test]
fn a_lost_request_is_sent_again() {
    let mut rig = Rig::new(with_supplicant(), |packet: &Packet<'_>| {
        match eap_of(packet).map(|octets| Eap::parse(&octets).unwrap().kind) {
            Some(Some(Type::IDENTITY)) => Reply::Nothing,
            _ => server(packet),
        }
    });
    rig.plug("1", "pc");
    rig.run(seconds(1));
    // The challenge arrives while the device has no supplicant to hear it.
    let request = rig.access_requests()[0].bytes().to_vec();
    let request = Packet::parse(&request).unwrap();
    let Reply::Code(code, attributes) = server(&request) else {
        panic!("a challenge");
    };
    let answer = respond(&request, code, &attributes);
    let eapol = rig.switch.devices[2].eapol.take();
    let peer = AUTHENTICATION.parse().unwrap();
    rig.act(|switch, now| switch.handle(now, Socket::Authentication, peer, &answer));
    rig.switch.devices[2].eapol = eapol;
    assert_eq!(admitted_by(&rig), None);
    rig.run(seconds(31));
    assert_eq!(admitted_by(&rig), Some(Method::Dot1x));
}

/// A challenge without an EAP-Request cannot be carried on (RFC 3579 section 2.6.3).
#[test]
fn an_empty_challenge_is_a_refusal() {
    for attributes in [
        Vec::new(),
        vec![AttributeBuf::new(a::EAP_MESSAGE, *b"no")],
        vec![AttributeBuf::new(a::EAP_MESSAGE, success(1))],
    ] {
        let mut rig = Rig::new(with_supplicant(), move |_| {
            Reply::Code(Code::ACCESS_CHALLENGE, attributes.clone())
        });
        rig.plug("1", "pc");
        rig.run(seconds(1));
        assert!(rig.switch.sessions()[0].held);
        assert_eq!(rig.count(|w| matches!(w, What::ReplyDropped { .. })), 1);
    }
}

/// An accept that cannot be carried out must not tell the device of success.
#[test]
fn a_faulty_grant_tells_the_device_of_failure() {
    let mut rig = Rig::new(with_supplicant(), |packet: &Packet<'_>| {
        match server(packet) {
            Reply::Accept(mut grant) => {
                grant.extend(crate::wire::vlan::tunnel_vlan(0, "5000"));
                Reply::Accept(grant)
            }
            other => other,
        }
    });
    rig.plug("1", "pc");
    rig.run(seconds(1));
    assert_eq!(rig.count(|w| *w == succeeded("machine")), 0);
    assert_eq!(rig.count(|w| matches!(w, What::LoginFailed { .. })), 1);
    assert!(rig.switch.sessions()[0].held);
}

/// RFC 3579 section 2.1: an empty identity is no User-Name; the address stands in.
#[test]
fn an_empty_identity_is_replaced_by_the_address() {
    let mut config = with_supplicant();
    let supplicant = config.devices[2].supplicant.as_mut().unwrap();
    supplicant.machine = Some(login("", "moor"));
    let mut rig = Rig::new(config, server);
    rig.plug("1", "pc");
    rig.run(seconds(1));
    let requests = rig.access_requests();
    let name: Attribute<'_> = requests[0].first(a::USER_NAME).unwrap();
    assert_eq!(name.text(), Some("02-00-00-00-0A-03"));
}

/// RFC 3579 section 3.1: an EAP packet over 253 octets is cut into several EAP-Messages.
#[test]
fn a_long_identity_is_cut() {
    let mut config = with_supplicant();
    let supplicant = config.devices[2].supplicant.as_mut().unwrap();
    let long = "n".repeat(400);
    supplicant.machine = Some(login(&long, "moor"));
    let mut rig = Rig::new(config, server);
    rig.plug("1", "pc");
    rig.run(seconds(1));
    let requests = rig.access_requests();
    assert_eq!(requests[0].count(a::EAP_MESSAGE), 2);
    assert_eq!(eap_of(&requests[0]).unwrap().len(), 405);
    assert_eq!(requests[0].first(a::USER_NAME).unwrap().value.len(), 253);
}

/// A server that is dead while 802.1X runs: the critical role, and EAP-Success so that the device
/// goes on (trade); 802.1X again when the server is tried again.
#[test]
fn the_critical_role_covers_dot1x() {
    let mut config = with_supplicant();
    config.critical = Some(crate::stand_in::config::LocalGrant {
        role: Some("emergency".to_owned()),
        ..Default::default()
    });
    let alive = std::rc::Rc::new(std::cell::Cell::new(false));
    let answers = alive.clone();
    let mut rig = Rig::new(config, move |packet: &Packet<'_>| {
        if answers.get() {
            server(packet)
        } else {
            Reply::Nothing
        }
    });
    rig.plug("1", "pc");
    rig.run(seconds(40));
    assert_eq!(role(&rig).as_deref(), Some("emergency"));
    alive.set(true);
    rig.run(seconds(60));
    assert_eq!(role(&rig).as_deref(), Some("host/pc-1.quay.example"));
    assert_eq!((rig.records(1).len(), rig.records(2).len()), (1, 0));
}

/// A bounce begins the machine's login anew.
#[test]
fn a_bounce_begins_the_login_anew() {
    let mut rig = Rig::new(with_supplicant(), server);
    rig.plug("1", "pc");
    rig.run(seconds(5));
    rig.act(|switch, now| switch.log_on(now, "pc", "ada").unwrap());
    rig.act(|switch, now| switch.bounce(now, "1").unwrap());
    rig.run(seconds(20));
    assert_eq!(role(&rig).as_deref(), Some("ada"), "still logged on");
    rig.act(|switch, now| switch.power_cycle(now, "pc", seconds(1)).unwrap());
    rig.run(seconds(60));
    assert_eq!(
        role(&rig).as_deref(),
        Some("host/pc-1.quay.example"),
        "nobody is logged on after a start"
    );
}

/// EAPOL-Start is repeated while nobody asks (IEEE 802.1X startPeriod, maxStart), and not after.
#[test]
fn eapol_start_is_repeated() {
    let mut config = with_supplicant();
    config.ports.order = MethodOrder::MacOnly;
    let mut rig = Rig::new(config, server);
    rig.plug("1", "pc");
    let mut starts = 0;
    for _ in 0..200 {
        rig.run(seconds(1));
        let due = rig.switch.devices[2].eapol.as_ref().unwrap();
        starts = starts.max(u32::from(due.next_deadline().is_some()));
    }
    assert_eq!(starts, 1);
    let due = rig.switch.devices[2].eapol.as_ref().unwrap();
    assert_eq!(due.next_deadline(), None, "three, then no more");
}
