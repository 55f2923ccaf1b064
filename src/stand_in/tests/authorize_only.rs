//! Changes that make the switch ask on its own (RFC 5176 section 3.2).

use super::changes::{admitted, refused, request, send, till};
use super::*;
use crate::wire::registry::error_cause::ErrorCause;

/// RFC 5176 section 3.2: never an ACK; a NAK with Service-Type and 507, then an Access-Request
/// with Service-Type Authorize-Only and the State.
#[test]
fn authorize_only_asks_on_its_own() {
    let mut turns = 0;
    let mut rig = Rig::new(config(), move |_| {
        turns += 1;
        let role = if turns == 1 { "holding" } else { "till" };
        Reply::Accept(vec![AttributeBuf::text(a::FILTER_ID, role)])
    });
    rig.plug("1", "till");
    rig.run(seconds(10));
    let octets = request(
        Code::COA_REQUEST,
        77,
        &[
            till(),
            AttributeBuf::integer(a::SERVICE_TYPE, 17),
            AttributeBuf::new(a::STATE, *b"ask me"),
        ],
    );
    let answer = rig.change(&octets).unwrap();
    let answer = Packet::parse(&answer).unwrap();
    assert_eq!(answer.code(), Code::COA_NAK);
    assert_eq!(answer.integer(a::SERVICE_TYPE), Some(17));
    assert_eq!(answer.integer(a::ERROR_CAUSE), Some(507));
    assert_eq!(answer.first(a::STATE).unwrap().value, b"ask me");
    let requests = rig.access_requests();
    assert_eq!(requests.len(), 2);
    let asked = requests[1];
    assert_eq!(asked.integer(a::SERVICE_TYPE), Some(17));
    assert_eq!(asked.first(a::STATE).unwrap().value, b"ask me");
    assert!(asked.first(a::USER_PASSWORD).is_none());
    assert_eq!(
        sign::check_message_authenticator(&asked, None, &secret()),
        MessageAuthenticator::Right
    );
    assert_eq!(
        asked.text(a::ACCT_SESSION_ID),
        requests[0].text(a::ACCT_SESSION_ID)
    );
    let grant = rig.switch.sessions()[0].grant.clone().unwrap();
    assert_eq!(grant.role.as_deref(), Some("till"));
    assert!(rig.records(2).is_empty());
}

#[test]
fn authorize_only_can_be_unknown() {
    let mut config = config();
    config.changes.authorize_only = false;
    let mut rig = admitted(config);
    let answer = send(
        &mut rig,
        Code::COA_REQUEST,
        &[
            till(),
            AttributeBuf::integer(a::SERVICE_TYPE, 17),
            AttributeBuf::new(a::STATE, *b"ask me"),
        ],
    );
    let cause = ErrorCause::UNSUPPORTED_SERVICE;
    assert_eq!(answer, refused(Code::COA_NAK, cause));
}

#[test]
fn refused_authorization_ends_the_session() {
    let mut turns = 0;
    let mut rig = Rig::new(config(), move |_| {
        turns += 1;
        if turns == 1 {
            Reply::Accept(Vec::new())
        } else {
            Reply::Reject
        }
    });
    rig.plug("1", "till");
    rig.run(seconds(10));
    send(
        &mut rig,
        Code::COA_REQUEST,
        &[
            till(),
            AttributeBuf::integer(a::SERVICE_TYPE, 17),
            AttributeBuf::new(a::STATE, *b"ask me"),
        ],
    );
    assert_eq!(rig.records(2).len(), 1);
    assert!(rig.switch.sessions()[0].admitted.is_none());
}
