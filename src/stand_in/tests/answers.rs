//! Answers of servers: what is taken, what is dropped, what is carried out.

use super::*;
use crate::wire::vlan;

/// A request on its way, and an answer to it that a test may spoil.
fn asked() -> (Rig, Vec<u8>) {
    let mut rig = Rig::new(config(), |_| Reply::Nothing);
    rig.plug("1", "till");
    rig.run(seconds(1));
    let request = rig.access_requests()[0].bytes().to_vec();
    (rig, request)
}

fn deliver(rig: &mut Rig, from: &str, answer: &[u8]) {
    let peer = from.parse().unwrap();
    let out = rig
        .switch
        .handle(rig.now, Socket::Authentication, peer, answer);
    rig.absorb(out);
}

fn is_admitted(rig: &Rig) -> bool {
    rig.switch.sessions()[0].admitted.is_some()
}

fn dropped_for(rig: &Rig, words: &str) -> bool {
    rig.events
        .iter()
        .any(|event| matches!(&event.what, What::ReplyDropped { reason } if reason.contains(words)))
}

#[test]
fn a_right_answer_admits() {
    let (mut rig, request) = asked();
    let request = Packet::parse(&request).unwrap();
    deliver(
        &mut rig,
        AUTHENTICATION,
        &respond(&request, Code::ACCESS_ACCEPT, &[]),
    );
    assert!(is_admitted(&rig));
    // It answers nothing any more (RFC 2865 section 3).
    deliver(
        &mut rig,
        AUTHENTICATION,
        &respond(&request, Code::ACCESS_REJECT, &[]),
    );
    assert!(is_admitted(&rig) && dropped_for(&rig, "no request"));
}

/// RFC 2865 section 3; RFC 3579 section 3.2.
#[test]
fn every_spoilt_answer_is_dropped() {
    let (_, request) = asked();
    let request = Packet::parse(&request).unwrap();
    let right = respond(&request, Code::ACCESS_ACCEPT, &[]);
    let unsealed = Builder::new(Code::ACCESS_ACCEPT, request.identifier())
        .finish_response(request.authenticator(), &secret());
    let mut wrong_seal = {
        let mut builder = Builder::new(Code::ACCESS_ACCEPT, request.identifier());
        builder.push(a::MESSAGE_AUTHENTICATOR, &[7; 16]).unwrap();
        builder.finish_response(request.authenticator(), &secret())
    };
    let other_secret = {
        let mut builder = Builder::new(Code::ACCESS_ACCEPT, request.identifier());
        builder.message_authenticator().unwrap();
        builder.finish_response(request.authenticator(), &Secret::new("another"))
    };
    let mut flipped = right.clone();
    flipped[10] ^= 1;
    let mut other_identifier = right.clone();
    other_identifier[1] ^= 1;
    let wrong_code = respond(&request, Code::ACCOUNTING_RESPONSE, &[]);
    let short = right[..19].to_vec();
    for (what, words, answer) in [
        ("unsealed", "Message-Authenticator is missing", unsealed),
        (
            "wrong seal",
            "Message-Authenticator is wrong",
            std::mem::take(&mut wrong_seal),
        ),
        ("other secret", "Response Authenticator", other_secret),
        ("flipped", "Response Authenticator", flipped),
        ("other identifier", "no request", other_identifier),
        ("wrong code", "no answer here", wrong_code),
        ("short", "at least 20", short),
    ] {
        let (mut rig, same) = asked();
        assert_eq!(same, request.bytes(), "seeded alike");
        deliver(&mut rig, AUTHENTICATION, &answer);
        assert!(!is_admitted(&rig), "{what}");
        assert!(dropped_for(&rig, words), "{what}: {:?}", rig.events);
    }
}

#[test]
fn an_answer_from_elsewhere_is_dropped() {
    let (mut rig, request) = asked();
    let request = Packet::parse(&request).unwrap();
    let answer = respond(&request, Code::ACCESS_ACCEPT, &[]);
    deliver(&mut rig, "192.0.2.66:1812", &answer);
    assert!(!is_admitted(&rig) && dropped_for(&rig, "no request"));
    deliver(&mut rig, AUTHENTICATION, &answer);
    assert!(is_admitted(&rig));
}

/// Without the requirement an unsealed answer counts, a wrongly sealed one still does not
/// (RFC 3579 section 3.2).
#[test]
fn the_seal_can_be_left_to_the_server() {
    let mut config = config();
    config.requests.require_message_authenticator = false;
    let mut rig = Rig::new(config, |_| Reply::Nothing);
    rig.plug("1", "till");
    rig.run(seconds(1));
    let request = rig.access_requests()[0].bytes().to_vec();
    let request = Packet::parse(&request).unwrap();
    let mut builder = Builder::new(Code::ACCESS_ACCEPT, request.identifier());
    builder.push(a::MESSAGE_AUTHENTICATOR, &[7; 16]).unwrap();
    let wrong = builder.finish_response(request.authenticator(), &secret());
    deliver(&mut rig, AUTHENTICATION, &wrong);
    assert!(!is_admitted(&rig));
    let unsealed = Builder::new(Code::ACCESS_ACCEPT, request.identifier())
        .finish_response(request.authenticator(), &secret());
    deliver(&mut rig, AUTHENTICATION, &unsealed);
    assert!(is_admitted(&rig));
}

/// The example of RFC 2865 section 7.1 with its secret: its answer is right, its misprints are
/// not (checked on the functions that the stand-in checks answers with).
#[test]
fn rfc_2865_section_7_1_verifies() {
    let request = hex(
        "010000380f403f9473978057bd83d5cb98f4227a01066e656d6f02120dbe708d93d413ce3196e43f782a0aee0406c0a80110050600000003",
    );
    let answer =
        hex("0200002686fe220e7624ba2a1005f6bf9b55e0b20606000000010f06000000000e06c0a80103");
    let secret = Secret::new("xyzzy5461");
    let request = Packet::parse(&request).unwrap();
    let parsed = Packet::parse(&answer).unwrap();
    assert!(sign::response_is_authentic(
        &parsed,
        request.authenticator(),
        &secret
    ));
    let mut spoilt = answer.clone();
    spoilt[37] ^= 1;
    let parsed = Packet::parse(&spoilt).unwrap();
    assert!(!sign::response_is_authentic(
        &parsed,
        request.authenticator(),
        &secret
    ));
}

pub(super) fn hex(text: &str) -> Vec<u8> {
    (0..text.len())
        .step_by(2)
        .map(|at| u8::from_str_radix(&text[at..at + 2], 16).unwrap())
        .collect()
}

/// RFC 3580 section 3, RFC 4675 section 2, RFC 4849 section 2: everything that a grant may hold.
#[test]
fn a_grant_is_carried_out_whole() {
    let mut grant = vlan::tunnel_vlan(0, "120").to_vec();
    grant.push(vlan::egress_vlan(130, true));
    grant.push(vlan::egress_vlan_name("voice", true));
    grant.push(vlan::user_priority_table([0, 0, 0, 0, 4, 5, 6, 7]));
    grant.push(AttributeBuf::text(a::FILTER_ID, "till"));
    grant.push(AttributeBuf::text(a::FILTER_ID, "quiet"));
    grant.push(AttributeBuf::new(
        a::NAS_FILTER_RULE,
        *b"permit in 17\0deny in ip",
    ));
    grant.push(AttributeBuf::integer(a::SESSION_TIMEOUT, 3600));
    grant.push(AttributeBuf::integer(a::TERMINATION_ACTION, 1));
    grant.push(AttributeBuf::integer(a::IDLE_TIMEOUT, 600));
    grant.push(AttributeBuf::text(a::REPLY_MESSAGE, "welcome aboard"));
    let mut rig = Rig::granting(config(), grant);
    rig.plug("1", "till");
    rig.run(seconds(1));
    let grant = rig.switch.sessions()[0].grant.clone().unwrap();
    assert_eq!(
        grant.to_string(),
        "role till, VLAN 120, tagged 130 voice, filter quiet, 2 filter rules, \
         priorities 00004567, again after 3600 s, idle 600 s"
    );
    assert_eq!(grant.message.as_deref(), Some("welcome aboard"));
    let json = serde_json::to_value(rig.events.last().unwrap()).unwrap();
    assert_eq!(json["event"], "session-started");
    let admitted = rig
        .events
        .iter()
        .find(|event| matches!(event.what, What::Admitted { .. }))
        .unwrap();
    let json = serde_json::to_value(admitted).unwrap();
    assert_eq!(json["vlan"], 120);
    assert_eq!(json["tagged"][1], "voice");
    assert_eq!(json["port"], "1");
    assert_eq!(json["mac"], "02-00-00-00-0A-01");
}

/// A grant that cannot be carried out lets nobody in: VLANs by RFC 3580 section 3.31 and
/// RFC 4675, numbers by RFC 8044 section 3.1, services by RFC 2865 section 5.6.
#[test]
fn a_faulty_grant_is_a_refusal() {
    let triple = vlan::tunnel_vlan(0, "120");
    let unknown = vlan::tunnel_vlan(0, "77").to_vec();
    for (what, grant) in [
        ("no medium", vec![triple[0].clone(), triple[2].clone()]),
        ("no type", vec![triple[1].clone(), triple[2].clone()]),
        ("4095", vlan::tunnel_vlan(0, "4095").to_vec()),
        ("0", vlan::tunnel_vlan(0, "0").to_vec()),
        (
            "two untagged",
            [triple.to_vec(), vec![vlan::egress_vlan(121, false)]].concat(),
        ),
        (
            "short timeout",
            vec![AttributeBuf::new(a::SESSION_TIMEOUT, [0, 1])],
        ),
        (
            "termination action 2",
            vec![AttributeBuf::integer(a::TERMINATION_ACTION, 2)],
        ),
        (
            "login service",
            vec![AttributeBuf::integer(a::SERVICE_TYPE, 1)],
        ),
        ("empty filter", vec![AttributeBuf::text(a::FILTER_ID, "")]),
        ("unknown VLAN", unknown),
    ] {
        let mut config = config();
        config.vlans = [("till".to_owned(), 120), ("tills".to_owned(), 121)].into();
        let mut rig = Rig::granting(config, grant);
        rig.plug("1", "till");
        rig.run(seconds(1));
        assert!(!is_admitted(&rig), "{what}");
        assert!(rig.switch.sessions()[0].held, "{what}");
        assert_eq!(
            rig.count(|w| matches!(w, What::GrantRefused { .. })),
            1,
            "{what}"
        );
        assert!(rig.records(1).is_empty(), "{what}");
    }
}

#[test]
fn a_vlan_of_the_switch_is_taken_by_number_and_by_name() {
    for vlan in ["120", "till"] {
        let mut config = config();
        config.vlans = [("till".to_owned(), 120)].into();
        let mut rig = Rig::granting(config, vlan::tunnel_vlan(0, vlan).to_vec());
        rig.plug("1", "till");
        rig.run(seconds(1));
        assert!(is_admitted(&rig), "{vlan}");
    }
}

/// The role stands where the dialect says.
#[test]
fn the_role_is_read_by_the_dialect() {
    use crate::stand_in::config::RoleSpelling;
    let grant = vec![
        AttributeBuf::text(a::FILTER_ID, "plain"),
        AttributeBuf::text(a::FILTER_ID, "role=till"),
        AttributeBuf::vendor(32473, 5, b"port-role:gate"),
    ];
    for (spelling, role, filters) in [
        (
            RoleSpelling::FilterId {
                prefix: String::new(),
            },
            Some("plain"),
            vec!["role=till"],
        ),
        (
            RoleSpelling::FilterId {
                prefix: "role=".to_owned(),
            },
            Some("till"),
            vec!["plain"],
        ),
        (
            RoleSpelling::Vendor {
                vendor: 32473,
                kind: 5,
                prefix: "port-role:".to_owned(),
            },
            Some("gate"),
            vec!["plain", "role=till"],
        ),
        (
            RoleSpelling::Vendor {
                vendor: 32473,
                kind: 6,
                prefix: String::new(),
            },
            None,
            vec!["plain", "role=till"],
        ),
        (RoleSpelling::None, None, vec!["plain", "role=till"]),
    ] {
        let mut config = config();
        config.dialect.role = Some(spelling);
        let mut rig = Rig::granting(config, grant.clone());
        rig.plug("1", "till");
        rig.run(seconds(1));
        let grant = rig.switch.sessions()[0].grant.clone().unwrap();
        assert_eq!(grant.role.as_deref(), role);
        assert_eq!(grant.filters, filters);
    }
}

/// RFC 2865 section 4.4: a challenge that cannot be answered is a reject.
#[test]
fn a_challenge_to_mac_authentication_is_a_refusal() {
    let mut rig = Rig::new(config(), |_| {
        Reply::Code(
            Code::ACCESS_CHALLENGE,
            vec![AttributeBuf::text(a::REPLY_MESSAGE, "say more")],
        )
    });
    rig.plug("1", "till");
    rig.run(seconds(1));
    assert!(!is_admitted(&rig));
    assert_eq!(
        rig.count(|what| matches!(
            what,
            What::Refused { message: Some(message), .. } if message == "say more"
        )),
        1
    );
}

/// Each family has its own place for the role (from memory).
#[test]
fn the_family_says_where_the_role_stands() {
    use crate::stand_in::config::Family;
    for (family, attribute) in [
        (Family::Standard, AttributeBuf::text(a::FILTER_ID, "till")),
        (
            Family::Enterprise9,
            AttributeBuf::vendor(9, 1, b"interface-template-name=till"),
        ),
        (Family::Enterprise11, AttributeBuf::vendor(11, 25, b"till")),
        (
            Family::Enterprise14823,
            AttributeBuf::vendor(14823, 1, b"till"),
        ),
    ] {
        let mut config = config();
        config.dialect.family = family;
        let mut rig = Rig::granting(config, vec![attribute]);
        rig.plug("1", "till");
        rig.run(seconds(1));
        let grant = rig.switch.sessions()[0].grant.clone().unwrap();
        assert_eq!(grant.role.as_deref(), Some("till"), "{family:?}");
    }
}

/// An answer for a device that has left is dropped.
#[test]
fn an_answer_that_comes_too_late_is_dropped() {
    let (mut rig, request) = asked();
    rig.act(|switch, now| switch.unplug(now, "till").unwrap());
    let request = Packet::parse(&request).unwrap();
    deliver(
        &mut rig,
        AUTHENTICATION,
        &respond(&request, Code::ACCESS_ACCEPT, &[]),
    );
    assert!(rig.switch.sessions().is_empty() && dropped_for(&rig, "no request"));
    assert_eq!(
        rig.switch.next_deadline(),
        None,
        "nothing is left to wait for"
    );
}
