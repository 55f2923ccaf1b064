//! Whatever arrives: no panic, exactly one verdict, at most one answer ([`Rig::send`] checks).

use proptest::prelude::*;

use super::rig::*;
use crate::eap::Method;
use crate::journal::Link;
use crate::wire::registry::attributes as a;
use crate::wire::{Builder, Code, Packet};

fn link() -> impl Strategy<Value = Link> {
    prop_oneof![Just(Link::Authentication), Just(Link::Accounting)]
}

fn peer() -> impl Strategy<Value = &'static str> {
    prop_oneof![
        Just(PEER),
        Just("192.0.2.11:50000"),
        Just("[::ffff:192.0.2.11]:1"),
        Just("[2001:db8::1]:50000")
    ]
}

/// Attribute types that the responder looks at, and any other.
fn kind() -> impl Strategy<Value = u8> {
    prop_oneof![
        4 => prop::sample::select(vec![
            a::USER_NAME, a::USER_PASSWORD, a::CHAP_PASSWORD, a::CHAP_CHALLENGE, a::STATE,
            a::NAS_PORT, a::NAS_PORT_ID, a::SERVICE_TYPE, a::CALLING_STATION_ID, a::CLASS,
            a::PROXY_STATE, a::EAP_MESSAGE, a::ACCT_STATUS_TYPE, a::ACCT_SESSION_ID,
            a::ACCT_DELAY_TIME, a::EVENT_TIMESTAMP, a::ACCT_INPUT_OCTETS, a::VENDOR_SPECIFIC,
        ]),
        1 => any::<u8>().prop_filter("is signed apart", |kind| *kind != a::MESSAGE_AUTHENTICATOR),
    ]
}

fn value() -> impl Strategy<Value = Vec<u8>> {
    prop_oneof![
        Just(b"02-00-5E-00-10-01".to_vec()),
        Just(b"mo".to_vec()),
        Just(vec![]),
        Just(vec![2, 0, 0, 7, 1, b'm', b'o']),
        (0u32..20).prop_map(|number| number.to_be_bytes().to_vec()),
        prop::collection::vec(any::<u8>(), 0..=253),
        prop::collection::vec(any::<u8>(), 16..=17),
    ]
}

proptest! {
    #[test]
    fn octets_of_no_shape(
        link in link(),
        peer in peer(),
        octets in prop::collection::vec(any::<u8>(), 0..300),
    ) {
        Rig::new().send_from(peer, 0, link, &octets);
    }

    /// Signed as they should be, so that they get past the gate, one after the other on one
    /// roster.
    #[test]
    fn signed_requests_of_any_attributes(
        requests in prop::collection::vec(
            (link(), peer(), any::<u8>(), prop::collection::vec((kind(), value()), 0..12)),
            1..8,
        ),
    ) {
        let mut rig = Rig::new();
        rig.offer(&[Method::Md5, Method::MsChapV2]);
        for (seconds, (link, peer, identifier, attributes)) in requests.into_iter().enumerate() {
            let code = match link {
                Link::Accounting => Code::ACCOUNTING_REQUEST,
                _ => Code::ACCESS_REQUEST,
            };
            let mut builder = Builder::new(code, identifier);
            for (kind, value) in attributes {
                builder.push(kind, &value).unwrap();
            }
            builder.message_authenticator().unwrap();
            let octets = match link {
                Link::Accounting => builder.finish_digested_request(&secret()),
                _ => builder.finish_request(&[identifier; 16], &secret()),
            };
            let effects = rig.send_from(peer, seconds as i64, link, &octets);
            for transmit in &effects.transmits {
                let answer = Packet::parse(&transmit.octets).unwrap();
                prop_assert!(answer.code().is_response());
            }
        }
    }
}
