//! What a request carries, and where it goes.

use std::sync::Arc;

use md5::{Digest as _, Md5};

use super::world::*;
use crate::bench::{ChangeKind, ChangeSpelling, Dialect};
use crate::change::{OrderRefused, Unspellable};
use crate::journal::{Direction, Link};
use crate::roster::Session;
use crate::wire::registry::attributes as a;
use crate::wire::sign::{self, MessageAuthenticator};
use crate::wire::{AttributeBuf, BuildError, Code, Packet, Secret};

fn kinds(packet: &Packet<'_>) -> Vec<u8> {
    packet
        .attributes()
        .map(|attribute| attribute.kind)
        .collect()
}

/// RFC 5176 section 7.1 to 7.3 print three Disconnect-Requests. No secret is printed, so all but
/// the Authenticator is compared.
#[test]
fn disconnect_requests_of_rfc_5176_section_7() {
    let printed = [
        (
            "2801001c1b23624c3543ceba55f1be55a714ca5e01086d6368696261",
            AttributeBuf::text(a::USER_NAME, "mchiba"),
        ),
        (
            "2801001ead0d8e5355b6bd02a0cbace64e3877bd2c0a3930323334353637",
            AttributeBuf::text(a::ACCT_SESSION_ID, "90234567"),
        ),
        (
            "2801001a0bda33fe765b05f0fd9cc32a2f6b518208060a000203",
            AttributeBuf::new(a::FRAMED_IP_ADDRESS, [10, 0, 2, 3]),
        ),
    ];
    for (printed, attribute) in printed {
        let printed = crate::journal::hex_octets::decode(printed).unwrap();
        let dialect = Dialect {
            identify: vec![attribute.kind],
            event_timestamp: false,
            message_authenticator: false,
            ..dialect()
        };
        let named = Session {
            request: request(std::slice::from_ref(&attribute)),
            acct_session_id: None,
            ..session(TILL)
        };
        let mut world = World::with_sessions(bench(switch(dialect)), [named]);
        world.by_hand(ChangeKind::Disconnect);
        let sent = world.last();
        assert_eq!(sent[0], printed[0], "Disconnect-Request");
        assert_eq!(sent[2..4], printed[2..4], "Length");
        assert_eq!(sent[20..], printed[20..], "attributes");
    }
}

/// RFC 5176 section 2.3: MD5 over code, identifier, length, sixteen zero octets, attributes and
/// secret. Computed here by hand.
#[test]
fn request_authenticator_is_the_digest_of_rfc_5176_section_2_3() {
    let mut world = World::new();
    world.by_hand(ChangeKind::Bounce);
    let sent = world.last();
    let mut digest = Md5::new();
    digest.update(&sent[..4]);
    digest.update([0; 16]);
    digest.update(&sent[20..]);
    digest.update(CHANGE_SECRET);
    assert_eq!(sent[4..20], digest.finalize()[..]);
}

/// Identification by RFC 5176 section 3, Message-Authenticator by section 3.4, Event-Timestamp by
/// section 6.3.
#[test]
fn a_bounce_names_switch_and_session_and_says_what_to_do() {
    let mut world = World::new();
    world.by_hand(ChangeKind::Bounce);
    let packet = Packet::parse(world.last()).unwrap();
    assert_eq!(packet.code(), Code::COA_REQUEST);
    assert_eq!(
        kinds(&packet),
        [
            a::MESSAGE_AUTHENTICATOR,
            a::NAS_IP_ADDRESS,
            a::NAS_IDENTIFIER,
            a::CALLING_STATION_ID,
            a::ACCT_SESSION_ID,
            a::VENDOR_SPECIFIC,
            a::EVENT_TIMESTAMP,
        ]
    );
    assert_eq!(
        sign::check_message_authenticator(&packet, None, &Secret::new(CHANGE_SECRET)),
        MessageAuthenticator::Right
    );
    assert_eq!(packet.text(a::NAS_IDENTIFIER), Some("ticket-hall-1"));
    assert_eq!(
        packet.text(a::CALLING_STATION_ID),
        Some("02-00-5E-10-00-07")
    );
    assert_eq!(packet.text(a::ACCT_SESSION_ID), Some("00007"));
    assert_eq!(packet.integer(a::EVENT_TIMESTAMP), Some(1_700_000_000));
    let vendor = packet.vendor(EXAMPLE_ENTERPRISE).next().unwrap();
    assert_eq!((vendor.kind, vendor.value), (1, &b"bounce-port"[..]));
}

#[test]
fn the_journal_carries_the_packet_and_where_it_went() {
    let mut world = World::new();
    let local = "198.51.100.5:40000".parse().unwrap();
    world.changer.set_local(local);
    let order = world.by_hand(ChangeKind::Bounce);
    let (_, transmit) = world.sent.last().unwrap();
    assert_eq!(transmit.link, Link::Change);
    assert_eq!(transmit.to, switch_address());
    let entry = world.entry("sent");
    assert_eq!(entry.place.order, Some(order));
    assert_eq!(entry.place.change, Some(ChangeKind::Bounce));
    assert_eq!(entry.place.session, Some(TILL));
    assert_eq!(entry.place.mac, Some(mac(TILL)));
    assert_eq!(entry.place.port.as_deref(), Some("1/0/7"));
    let [record] = entry.packets.as_slice() else {
        panic!("one packet: {entry:?}");
    };
    assert_eq!(record.direction, Direction::Out);
    assert_eq!((record.from, record.to), (local, switch_address()));
    assert_eq!(record.octets, transmit.octets);
    assert!(entry.reason.contains("Calling-Station-Id, Acct-Session-Id"));
}

#[test]
fn the_dialect_says_by_what_a_session_is_named() {
    let plain = Dialect {
        identify: vec![
            a::NAS_PORT,
            a::NAS_IP_ADDRESS,
            a::USER_NAME,
            a::CALLED_STATION_ID,
        ],
        event_timestamp: false,
        message_authenticator: false,
        ..dialect()
    };
    let mut world = World::with(bench(switch(plain)));
    world.by_hand(ChangeKind::Bounce);
    let packet = Packet::parse(world.last()).unwrap();
    // NAS-IP-Address once though listed, Called-Station-Id not, because the request had none.
    assert_eq!(
        kinds(&packet),
        [
            a::NAS_IP_ADDRESS,
            a::NAS_IDENTIFIER,
            a::NAS_PORT,
            a::USER_NAME,
            a::VENDOR_SPECIFIC
        ]
    );
}

#[test]
fn a_session_that_nothing_names_is_refused() {
    let nameless = Dialect {
        identify: vec![a::NAS_PORT_ID, a::CALLED_STATION_ID],
        ..dialect()
    };
    let mut world = World::with(bench(switch(nameless)));
    let refused = world.try_order(by_hand(ChangeKind::Bounce)).unwrap_err();
    assert_eq!(refused.verdict(), "refused-unspellable");
    let text = refused.to_string();
    assert!(text.contains("NAS-Port-Id, Called-Station-Id"), "{text}");
    assert!(world.sent.is_empty());
    assert_eq!(world.verdicts(), ["refused-unspellable"]);
}

#[test]
fn a_regrant_carries_the_grant_of_the_class() {
    let mut world = World::new();
    let mut order = by_hand(ChangeKind::Regrant);
    order.to_class = Some("printer".to_owned());
    world.try_order(order).unwrap();
    let packet = Packet::parse(world.last()).unwrap();
    assert_eq!(packet.code(), Code::COA_REQUEST);
    assert_eq!(packet.text(a::FILTER_ID), Some("printers"));
}

#[test]
fn a_regrant_without_a_class_repeats_the_sessions_own() {
    let mut world = World::new();
    world.by_hand(ChangeKind::Regrant);
    let packet = Packet::parse(world.last()).unwrap();
    assert_eq!(packet.text(a::FILTER_ID), Some("hold"));
}

#[test]
fn only_a_regrant_carries_a_grant() {
    for kind in [
        ChangeKind::Bounce,
        ChangeKind::Reauth,
        ChangeKind::Disconnect,
    ] {
        let mut world = World::new();
        world.by_hand(kind);
        let packet = Packet::parse(world.last()).unwrap();
        assert_eq!(packet.text(a::FILTER_ID), None, "{kind}");
    }
}

/// RFC 5176 section 3: a Disconnect-Request holds identification attributes only.
#[test]
fn a_disconnect_carries_nothing_but_names() {
    let mut world = World::new();
    world.by_hand(ChangeKind::Disconnect);
    let packet = Packet::parse(world.last()).unwrap();
    assert_eq!(packet.code(), Code::DISCONNECT_REQUEST);
    assert_eq!(
        kinds(&packet),
        [
            a::MESSAGE_AUTHENTICATOR,
            a::NAS_IP_ADDRESS,
            a::NAS_IDENTIFIER,
            a::CALLING_STATION_ID,
            a::ACCT_SESSION_ID,
            a::EVENT_TIMESTAMP,
        ]
    );
}

/// RFC 5176 sections 3.2 and 3.3: Service-Type Authorize-Only wants a State.
#[test]
fn authorize_only_carries_a_state() {
    let mut world = World::with(bench(switch(authorize_only(None))));
    world.by_hand(ChangeKind::Reauth);
    let packet = Packet::parse(world.last()).unwrap();
    assert_eq!(packet.integer(a::SERVICE_TYPE), Some(17));
    assert_eq!(packet.count(a::STATE), 1);
    assert_eq!(packet.text(a::STATE), Some("session 7"));
}

#[test]
fn a_state_of_the_dialect_is_left_alone() {
    let own = AttributeBuf::text(a::STATE, "own");
    let mut world = World::with(bench(switch(authorize_only(Some(own)))));
    world.by_hand(ChangeKind::Reauth);
    let packet = Packet::parse(world.last()).unwrap();
    let states: Vec<&[u8]> = packet.all(a::STATE).map(|found| found.value).collect();
    assert_eq!(states, [b"own"]);
}

pub(super) fn authorize_only(more: Option<AttributeBuf>) -> Dialect {
    let mut dialect = dialect();
    let service = AttributeBuf::integer(a::SERVICE_TYPE, 17);
    let spelling = ChangeSpelling {
        attributes: std::iter::once(service).chain(more).collect(),
        begun_by: Some(507),
        ..spelling("")
    };
    dialect.changes.insert(ChangeKind::Reauth, spelling);
    dialect
}

#[test]
fn a_change_that_the_dialect_lacks_is_refused_with_what_it_knows() {
    let mut lacking = dialect();
    lacking.changes.remove(&ChangeKind::Bounce);
    let mut world = World::with(bench(switch(lacking)));
    let refused = world.try_order(by_hand(ChangeKind::Bounce)).unwrap_err();
    assert_eq!(
        refused.to_string(),
        "dialect 'quay' has no spelling for bounce; it knows reauth, regrant, disconnect"
    );
}

#[test]
fn a_class_that_is_not_in_the_table_is_refused() {
    let mut world = World::new();
    let mut order = by_hand(ChangeKind::Regrant);
    order.to_class = Some("ferry".to_owned());
    assert_eq!(
        world.try_order(order),
        Err(OrderRefused::Unspellable(Unspellable::Class(
            "ferry".to_owned()
        )))
    );
}

/// RFC 2865 section 3: 4096 octets are the most.
#[test]
fn a_request_that_does_not_fit_is_refused_before_it_is_due() {
    let mut long = dialect();
    let part = AttributeBuf::new(a::REPLY_MESSAGE, [b'x'; 253]);
    let spelling = ChangeSpelling {
        attributes: vec![part; 16],
        ..spelling("")
    };
    long.changes.insert(ChangeKind::Bounce, spelling);
    let mut world = World::with(bench(switch(long)));
    let refused = world.recognised("till").unwrap_err();
    assert!(matches!(
        refused,
        OrderRefused::Unspellable(Unspellable::TooLong(BuildError::PacketFull { .. }))
    ));
    assert_eq!(world.changer.next_deadline(), None);
}

#[test]
fn a_change_goes_to_the_declared_port_of_the_sessions_own_address() {
    let mut wide = switch(dialect());
    wide.address = "192.0.2.0/24".parse().unwrap();
    wide.change_port = 1700;
    let mut elsewhere = session(TILL);
    elsewhere.address = "192.0.2.99".parse().unwrap();
    let mut world = World::with_sessions(bench(wide), [elsewhere]);
    world.by_hand(ChangeKind::Bounce);
    assert_eq!(world.sent[0].1.to, "192.0.2.99:1700".parse().unwrap());
}

#[test]
fn nothing_goes_to_an_undeclared_switch() {
    let mut stranger = session(TILL);
    stranger.address = "203.0.113.5".parse().unwrap();
    let mut world = World::with_sessions(bench(switch(dialect())), [stranger]);
    let refused = world.try_order(by_hand(ChangeKind::Bounce)).unwrap_err();
    assert_eq!(
        refused,
        OrderRefused::NotDeclared("203.0.113.5".parse().unwrap())
    );
    assert!(world.sent.is_empty());
}

#[test]
fn a_switch_that_a_reload_took_away_gets_nothing() {
    let mut world = World::new();
    let order = world.recognised("till").unwrap();
    let mut without = bench(switch(dialect()));
    without.switches.clear();
    world.changer.reload(Arc::new(without));
    world.pass(seconds(2.0));
    assert!(world.sent.is_empty());
    assert_eq!(world.verdicts(), ["ordered", "refused-not-declared"]);
    assert!(!world.outcome(order).unwrap().is_done());
}
