//! The server for changes (RFC 5176).

use super::*;
use crate::stand_in::config::Family;
use crate::wire::registry::error_cause::ErrorCause;
use crate::wire::vlan;

pub(super) const NOW: u32 = 1_700_000_010;

/// A rig with the till let in on port 1, ten seconds after the start.
pub(super) fn admitted(config: StandInConfig) -> Rig {
    let mut rig = Rig::granting(
        config,
        vec![
            AttributeBuf::text(a::FILTER_ID, "holding"),
            AttributeBuf::new(a::CLASS, *b"session 1"),
        ],
    );
    rig.plug("1", "till");
    rig.run(seconds(10));
    rig
}

/// A switch of a family; its role stands in Filter-Id all the same.
fn family(family: Family) -> StandInConfig {
    let mut config = config();
    config.dialect.role = Some(config.dialect.role());
    config.dialect.family = family;
    config
}

/// A switch that knows text commands.
pub(super) fn texts() -> StandInConfig {
    family(Family::Enterprise9)
}

pub(super) fn till() -> AttributeBuf {
    AttributeBuf::text(a::CALLING_STATION_ID, "02-00-00-00-0A-01")
}

pub(super) fn stamp(at: u32) -> AttributeBuf {
    AttributeBuf::integer(a::EVENT_TIMESTAMP, at)
}

pub(super) fn text_command(text: &str) -> AttributeBuf {
    AttributeBuf::vendor(9, 1, text.as_bytes())
}

pub(super) fn request(code: Code, identifier: u8, attributes: &[AttributeBuf]) -> Vec<u8> {
    let mut builder = Builder::new(code, identifier);
    builder.message_authenticator().unwrap();
    for attribute in attributes {
        builder.attribute(attribute).unwrap();
    }
    builder.finish_digested_request(&secret())
}

/// Sends a change; checks the answer's signatures (RFC 5176 sections 2.3 and 3.4), Event-Timestamp
/// and place of Error-Cause (section 3.5).
pub(super) fn send(
    rig: &mut Rig,
    code: Code,
    attributes: &[AttributeBuf],
) -> (Code, Option<ErrorCause>) {
    let octets = request(code, 77, attributes);
    let sent = Packet::parse(&octets).unwrap();
    let answer = rig.change(&octets).expect("an answer");
    let answer = Packet::parse(&answer).unwrap();
    assert_eq!(answer.identifier(), 77);
    assert!(sign::response_is_authentic(
        &answer,
        sent.authenticator(),
        &secret()
    ));
    assert_eq!(
        sign::check_message_authenticator(&answer, Some(sent.authenticator()), &secret()),
        MessageAuthenticator::Right
    );
    assert_eq!(answer.integer(a::EVENT_TIMESTAMP), Some(NOW));
    let cause = answer.integer(a::ERROR_CAUSE).map(ErrorCause);
    assert!(cause.is_none_or(|cause| cause.allowed_in(answer.code())));
    (answer.code(), cause)
}

pub(super) fn refused(code: Code, cause: ErrorCause) -> (Code, Option<ErrorCause>) {
    (code, Some(cause))
}

/// RFC 5176 section 2.1; RFC 2866 section 5.10, cause 6.
#[test]
fn disconnect_ends_the_session() {
    let mut rig = admitted(config());
    let answer = send(&mut rig, Code::DISCONNECT_REQUEST, &[till(), stamp(NOW)]);
    assert_eq!(answer, (Code::DISCONNECT_ACK, None));
    let stops = rig.records(2);
    assert_eq!(stops.len(), 1);
    assert_eq!(stops[0].1.integer(a::ACCT_TERMINATE_CAUSE), Some(6));
    assert!(rig.switch.sessions().is_empty());
    // The device talks on and is let in anew.
    rig.run(seconds(2));
    assert_eq!(rig.records(1).len(), 2);
}

/// RFC 5176 section 3: every session identification attribute works, and all given must match.
#[test]
fn sessions_are_named_by_all_selectors() {
    let mut rig = admitted(config());
    let session = rig.switch.sessions()[0].acct_session_id.clone();
    let user = AttributeBuf::text(a::USER_NAME, "020000000a01");
    let port = AttributeBuf::integer(a::NAS_PORT, 1);
    let port_name = AttributeBuf::text(a::NAS_PORT_ID, "1");
    let called = AttributeBuf::text(a::CALLED_STATION_ID, "02-00-5E-00-00-01");
    let colons = AttributeBuf::text(a::CALLING_STATION_ID, "02:00:00:00:0a:01");
    let acct = AttributeBuf::text(a::ACCT_SESSION_ID, &session);
    let again = |selector: &AttributeBuf| {
        let mut rig = admitted(config());
        send(
            &mut rig,
            Code::DISCONNECT_REQUEST,
            std::slice::from_ref(selector),
        )
        .0
    };
    for selector in [&user, &port, &port_name, &called, &colons, &acct] {
        assert_eq!(again(selector), Code::DISCONNECT_ACK, "{selector:?}");
    }
    let wrong = [
        AttributeBuf::text(a::USER_NAME, "020000000a02"),
        AttributeBuf::integer(a::NAS_PORT, 2),
        AttributeBuf::text(a::NAS_PORT_ID, "2"),
        AttributeBuf::text(a::CALLED_STATION_ID, "02-00-5E-00-00-02"),
        AttributeBuf::text(a::CALLING_STATION_ID, "02-00-00-00-0A-02"),
        AttributeBuf::text(a::ACCT_SESSION_ID, "FFFF"),
        AttributeBuf::new(a::FRAMED_IP_ADDRESS, [10, 0, 0, 1]),
        AttributeBuf::text(a::ACCT_MULTI_SESSION_ID, "1"),
        AttributeBuf::text(a::CHARGEABLE_USER_IDENTITY, "1"),
    ];
    for selector in wrong {
        let answer = send(
            &mut rig,
            Code::DISCONNECT_REQUEST,
            &[acct.clone(), user.clone(), selector.clone()],
        );
        let expected = refused(Code::DISCONNECT_NAK, ErrorCause::SESSION_CONTEXT_NOT_FOUND);
        assert_eq!(answer, expected, "{selector:?}");
    }
    let all = [user, port, port_name, called, till(), acct];
    assert_eq!(
        send(&mut rig, Code::DISCONNECT_REQUEST, &all).0,
        Code::DISCONNECT_ACK
    );
}

#[test]
fn a_session_is_named_by_its_address() {
    let mut config = config();
    config.devices[0].dhcp = Some(dhcp());
    let mut rig = admitted(config);
    let address = AttributeBuf::new(a::FRAMED_IP_ADDRESS, [10, 0, 0, 10]);
    assert_eq!(
        send(&mut rig, Code::DISCONNECT_REQUEST, &[address]).0,
        Code::DISCONNECT_ACK
    );
    let (_, stop) = rig.records(2)[0];
    assert_eq!(
        stop.first(a::FRAMED_IP_ADDRESS).unwrap().value,
        [10, 0, 0, 10]
    );
}

/// RFC 5176 section 3: NAS identification, each attribute given must be right (403).
#[test]
fn another_nas_is_refused() {
    let right = [
        AttributeBuf::new(a::NAS_IP_ADDRESS, [192, 0, 2, 3]),
        AttributeBuf::text(a::NAS_IDENTIFIER, "quay-3"),
    ];
    let mut rig = admitted(config());
    for wrong in [
        AttributeBuf::new(a::NAS_IP_ADDRESS, [192, 0, 2, 4]),
        AttributeBuf::new(a::NAS_IP_ADDRESS, [192, 0, 2]),
        AttributeBuf::text(a::NAS_IDENTIFIER, "quay-4"),
        AttributeBuf::new(a::NAS_IPV6_ADDRESS, [0; 16]),
    ] {
        let attributes = [right.to_vec(), vec![wrong.clone(), till()]].concat();
        for (code, nak) in [
            (Code::DISCONNECT_REQUEST, Code::DISCONNECT_NAK),
            (Code::COA_REQUEST, Code::COA_NAK),
        ] {
            let answer = send(&mut rig, code, &attributes);
            let cause = ErrorCause::NAS_IDENTIFICATION_MISMATCH;
            assert_eq!(answer, refused(nak, cause), "{wrong:?}");
        }
    }
    let attributes = [right.to_vec(), vec![till()]].concat();
    let answer = send(&mut rig, Code::DISCONNECT_REQUEST, &attributes);
    assert_eq!(answer, (Code::DISCONNECT_ACK, None));
}

/// RFC 5176 section 2.3: attributes of a change are mandatory (401), session identification must
/// be there (402), values must make sense (407), section 3.5.
#[test]
fn each_error_cause_has_its_case() {
    let disconnect = Code::DISCONNECT_REQUEST;
    let coa = Code::COA_REQUEST;
    let role = || AttributeBuf::text(a::FILTER_ID, "till");
    let cases = [
        (
            "Disconnect with a grant",
            disconnect,
            vec![till(), role()],
            ErrorCause::UNSUPPORTED_ATTRIBUTE,
        ),
        (
            "Disconnect with Service-Type (section 3.2)",
            disconnect,
            vec![till(), AttributeBuf::integer(a::SERVICE_TYPE, 17)],
            ErrorCause::UNSUPPORTED_ATTRIBUTE,
        ),
        (
            "Disconnect with an unknown vendor",
            disconnect,
            vec![till(), AttributeBuf::vendor(32473, 1, b"x")],
            ErrorCause::UNSUPPORTED_ATTRIBUTE,
        ),
        (
            "Disconnect without a session",
            disconnect,
            vec![stamp(NOW)],
            ErrorCause::MISSING_ATTRIBUTE,
        ),
        (
            "CoA with an attribute that ports do not have",
            coa,
            vec![till(), role(), AttributeBuf::integer(a::FRAMED_MTU, 1500)],
            ErrorCause::UNSUPPORTED_ATTRIBUTE,
        ),
        (
            "CoA with a command of another family",
            coa,
            vec![till(), AttributeBuf::vendor(32473, 1, b"bounce")],
            ErrorCause::UNSUPPORTED_ATTRIBUTE,
        ),
        (
            "CoA with a vendor attribute that is none",
            coa,
            vec![till(), AttributeBuf::new(a::VENDOR_SPECIFIC, [0, 0, 0, 9])],
            ErrorCause::UNSUPPORTED_ATTRIBUTE,
        ),
        (
            "CoA without a session",
            coa,
            vec![role()],
            ErrorCause::MISSING_ATTRIBUTE,
        ),
        (
            "CoA with nothing to do",
            coa,
            vec![till()],
            ErrorCause::MISSING_ATTRIBUTE,
        ),
        (
            "CoA with half a VLAN (RFC 3580 section 3.31)",
            coa,
            vec![till(), AttributeBuf::text(a::TUNNEL_PRIVATE_GROUP_ID, "9")],
            ErrorCause::INVALID_ATTRIBUTE_VALUE,
        ),
        (
            "CoA with a timeout of two octets",
            coa,
            vec![till(), AttributeBuf::new(a::SESSION_TIMEOUT, [0, 9])],
            ErrorCause::INVALID_ATTRIBUTE_VALUE,
        ),
        (
            "a MAC address that is none",
            coa,
            vec![AttributeBuf::text(a::CALLING_STATION_ID, "berth"), role()],
            ErrorCause::INVALID_ATTRIBUTE_VALUE,
        ),
        (
            "another Service-Type",
            coa,
            vec![till(), AttributeBuf::integer(a::SERVICE_TYPE, 2)],
            ErrorCause::UNSUPPORTED_SERVICE,
        ),
        (
            "Authorize-Only without State",
            coa,
            vec![till(), AttributeBuf::integer(a::SERVICE_TYPE, 17)],
            ErrorCause::MISSING_ATTRIBUTE,
        ),
        (
            "Authorize-Only with a grant",
            coa,
            vec![
                till(),
                AttributeBuf::integer(a::SERVICE_TYPE, 17),
                AttributeBuf::new(a::STATE, *b"s"),
                role(),
            ],
            ErrorCause::UNSUPPORTED_ATTRIBUTE,
        ),
        (
            "a text command that is none",
            coa,
            vec![till(), text_command("subscriber:command=dance")],
            ErrorCause::INVALID_ATTRIBUTE_VALUE,
        ),
        (
            "a text that is no command",
            coa,
            vec![till(), text_command("dance")],
            ErrorCause::UNSUPPORTED_ATTRIBUTE,
        ),
        (
            "two commands",
            coa,
            vec![
                till(),
                text_command("subscriber:command=bounce-host-port"),
                text_command("subscriber:command=reauthenticate"),
            ],
            ErrorCause::INVALID_REQUEST,
        ),
        (
            "a command and a grant",
            coa,
            vec![
                till(),
                role(),
                text_command("subscriber:command=bounce-host-port"),
            ],
            ErrorCause::INVALID_REQUEST,
        ),
        (
            "nobody by that name",
            coa,
            vec![AttributeBuf::text(a::USER_NAME, "nobody"), role()],
            ErrorCause::SESSION_CONTEXT_NOT_FOUND,
        ),
    ];
    let mut rig = admitted(texts());
    for (what, code, attributes, cause) in cases {
        let nak = if code == disconnect {
            Code::DISCONNECT_NAK
        } else {
            Code::COA_NAK
        };
        let answer = send(&mut rig, code, &attributes);
        assert_eq!(answer, refused(nak, cause), "{what}");
    }
    // Nothing was done.
    assert!(rig.records(2).is_empty());
    let session = &rig.switch.sessions()[0];
    let role = session.grant.clone().unwrap().role;
    assert_eq!(role.as_deref(), Some("holding"));
}

/// RFC 5176 section 3.6, note 4: what is named is replaced, what is left out stays.
#[test]
fn new_grants_are_put_in_place() {
    let mut rig = admitted(config());
    let mut attributes = vlan::tunnel_vlan(0, "120").to_vec();
    attributes.push(till());
    attributes.push(AttributeBuf::integer(a::SESSION_TIMEOUT, 50));
    attributes.push(AttributeBuf::integer(a::TERMINATION_ACTION, 1));
    attributes.push(AttributeBuf::new(a::CLASS, *b"session 1b"));
    let answer = send(&mut rig, Code::COA_REQUEST, &attributes);
    assert_eq!(answer, (Code::COA_ACK, None));
    let grant = rig.switch.sessions()[0].grant.clone().unwrap();
    assert_eq!(
        grant.to_string(),
        "role holding, VLAN 120, again after 50 s"
    );
    // The same session goes on, and the new timer runs.
    assert!(rig.records(2).is_empty());
    rig.run(seconds(51));
    assert_eq!(rig.count(|w| matches!(w, What::Reauthenticating { .. })), 1);
    rig.act(|switch, now| switch.unplug(now, "till").unwrap());
    let (_, stop) = rig.records(2)[0];
    assert_eq!(
        stop.first(a::CLASS).unwrap().value,
        b"session 1",
        "the accept at re-authentication set it again"
    );
}

/// RFC 5176 section 2.3: a change is done whole or not at all.
#[test]
fn a_change_is_atomic() {
    let mut rig = admitted(config());
    let mut attributes = vec![till(), AttributeBuf::text(a::FILTER_ID, "till")];
    attributes.extend(vlan::tunnel_vlan(0, "5000"));
    let answer = send(&mut rig, Code::COA_REQUEST, &attributes);
    let cause = ErrorCause::INVALID_ATTRIBUTE_VALUE;
    assert_eq!(answer, refused(Code::COA_NAK, cause));
    let grant = rig.switch.sessions()[0].grant.clone().unwrap();
    assert_eq!(grant.role.as_deref(), Some("holding"));
}

/// The text commands of enterprise 9 and the integers of 11 and 14823 (from memory).
#[test]
fn commands_bounce_and_authenticate_again() {
    let mut rig = admitted(texts());
    let command = text_command("subscriber:command=bounce-host-port");
    let answer = send(&mut rig, Code::COA_REQUEST, &[till(), command]);
    assert_eq!(answer, (Code::COA_ACK, None));
    // The answer left before the link went down.
    let ack = rig
        .events
        .iter()
        .position(|event| matches!(event.what, What::ChangeAnswered { .. }));
    let down = rig.events.iter().position(|e| e.what == What::LinkDown);
    assert!(ack < down && down.is_some());
    assert_eq!(
        rig.records(2)[0].1.integer(a::ACCT_TERMINATE_CAUSE),
        Some(6)
    );
    rig.run(seconds(20));
    assert_eq!(rig.count(|w| *w == What::LinkUp), 2);
    assert_eq!(rig.records(1).len(), 2);

    for (family_of, vendor, kind) in [
        (Family::Enterprise11, 11, 23),
        (Family::Enterprise14823, 14823, 40),
    ] {
        let mut rig = admitted(family(family_of));
        for wrong in [&61u32.to_be_bytes()[..], &[0, 5]] {
            let command = AttributeBuf::vendor(vendor, kind, wrong);
            let answer = send(&mut rig, Code::COA_REQUEST, &[till(), command]);
            let cause = ErrorCause::INVALID_ATTRIBUTE_VALUE;
            assert_eq!(answer, refused(Code::COA_NAK, cause));
        }
        let command = AttributeBuf::vendor(vendor, kind, &12u32.to_be_bytes());
        send(&mut rig, Code::COA_REQUEST, &[till(), command]);
        assert_eq!(
            rig.count(|w| *w
                == What::Bounced {
                    down: seconds(12),
                    power_cut: false
                }),
            1
        );
    }

    let mut rig = admitted(texts());
    let answer = send(
        &mut rig,
        Code::COA_REQUEST,
        &[
            till(),
            text_command("subscriber:command=reauthenticate"),
            text_command("subscriber:reauthenticate-type=last"),
        ],
    );
    assert_eq!(answer, (Code::COA_ACK, None));
    assert_eq!(rig.access_requests().len(), 2);
    assert!(rig.records(2).is_empty());

    let mut rig = admitted(texts());
    let command = text_command("subscriber:command=disable-host-port");
    send(&mut rig, Code::COA_REQUEST, &[till(), command]);
    rig.run(seconds(1000));
    assert_eq!(rig.count(|w| *w == What::LinkUp), 1);
    assert_eq!(
        rig.records(2)[0].1.integer(a::ACCT_TERMINATE_CAUSE),
        Some(22)
    );
    rig.act(|switch, now| switch.enable(now, "1").unwrap());
    assert_eq!(rig.count(|w| *w == What::LinkUp), 2);
}

/// A switch that does not know the family refuses its commands.
#[test]
fn commands_need_their_dialect() {
    for command in [
        text_command("subscriber:command=bounce-host-port"),
        AttributeBuf::vendor(11, 23, &12u32.to_be_bytes()),
    ] {
        let mut rig = admitted(config());
        let answer = send(&mut rig, Code::COA_REQUEST, &[till(), command]);
        let cause = ErrorCause::UNSUPPORTED_ATTRIBUTE;
        assert_eq!(answer, refused(Code::COA_NAK, cause));
        assert_eq!(rig.count(|w| *w == What::LinkDown), 0);
    }
}

/// RFC 5176 section 3: several sessions are refused with 508, or all are done. A bounce takes the
/// port as a whole.
#[test]
fn several_sessions() {
    let two = |several| {
        let mut config = texts();
        config.ports.limit = 2;
        config.changes.several_sessions = several;
        let mut rig = Rig::granting(config, Vec::new());
        rig.plug("1", "phone");
        rig.act(|switch, now| switch.plug_behind(now, "phone", "pc").unwrap());
        rig.run(seconds(10));
        assert_eq!(rig.switch.sessions().len(), 2);
        rig
    };
    let port = || AttributeBuf::integer(a::NAS_PORT, 1);
    let mut rig = two(false);
    let answer = send(&mut rig, Code::DISCONNECT_REQUEST, &[port()]);
    let cause = ErrorCause::MULTIPLE_SESSION_SELECTION_UNSUPPORTED;
    assert_eq!(answer, refused(Code::DISCONNECT_NAK, cause));
    assert_eq!(rig.switch.sessions().len(), 2);
    let command = text_command("subscriber:command=bounce-host-port");
    let answer = send(&mut rig, Code::COA_REQUEST, &[port(), command]);
    assert_eq!(answer, (Code::COA_ACK, None));
    assert_eq!(rig.records(2).len(), 2);
    let mut rig = two(true);
    let answer = send(&mut rig, Code::DISCONNECT_REQUEST, &[port()]);
    assert_eq!(answer, (Code::DISCONNECT_ACK, None));
    assert!(rig.switch.sessions().is_empty());
}

/// A device that was refused has no session that a change could name.
#[test]
fn a_held_device_has_no_session() {
    let mut rig = Rig::new(config(), |_| Reply::Reject);
    rig.plug("1", "till");
    rig.run(seconds(10));
    let answer = send(&mut rig, Code::DISCONNECT_REQUEST, &[till()]);
    assert_eq!(
        answer,
        refused(Code::DISCONNECT_NAK, ErrorCause::SESSION_CONTEXT_NOT_FOUND)
    );
}

/// RFC 3580 sections 3.17 and 3.19: no time left, and RADIUS-Request, is re-authentication at
/// once; RFC 5176 section 3.3: the State of the change comes back in its request.
#[test]
fn no_time_left_authenticates_again_at_once() {
    let mut rig = admitted(config());
    let answer = send(
        &mut rig,
        Code::COA_REQUEST,
        &[
            till(),
            AttributeBuf::integer(a::SESSION_TIMEOUT, 0),
            AttributeBuf::integer(a::TERMINATION_ACTION, 1),
            AttributeBuf::new(a::STATE, *b"why"),
        ],
    );
    assert_eq!(answer, (Code::COA_ACK, None));
    let requests = rig.access_requests();
    assert_eq!(requests.len(), 2);
    assert_eq!(requests[1].first(a::STATE).unwrap().value, b"why");
    assert!(rig.records(2).is_empty());
    rig.run(seconds(100));
    assert_eq!(rig.access_requests().len(), 2, "once");
}
