//! Packets made by hand: agreement on a method, identifiers, broken fragments.

use std::sync::Arc;

use portproof::eap::codec::fragment::Fragment;
use portproof::eap::codec::packet::encode;
use portproof::eap::codec::{Code, Packet, Type};
use portproof::eap::{
    Conversation, Discard, Method, Plan, Refusal, Settings, Silence, Step, Versions,
};
use proptest::prelude::*;
use rand::SeedableRng;
use rand::rngs::StdRng;

use super::logins::{TUNNELS, plan};
use super::pair::Book;
use super::pki::{NOW, Pki};

/// A server, and a hand that writes to it.
struct Hand {
    server: Conversation,
    rng: StdRng,
    book: Book,
}

impl Hand {
    fn new(settings: &Arc<Settings>) -> Hand {
        Hand {
            server: Conversation::new(settings.clone()),
            rng: StdRng::seed_from_u64(3),
            book: Book::usual(),
        }
    }

    fn with(preference: &[Method]) -> Hand {
        let pki = Pki::new();
        let mut plan = plan(&pki, TUNNELS[0], Versions::Both);
        plan.preference = preference.to_vec();
        Hand::new(&Arc::new(Settings::new(plan).unwrap()))
    }

    fn give(&mut self, octets: &[u8]) -> Step {
        let now = NOW.parse().unwrap();
        self.server
            .handle(now, octets, None, &self.book, &mut self.rng)
    }

    fn respond(&mut self, identifier: u8, kind: Type, data: &[u8]) -> Step {
        self.give(&encode(Code::Response, identifier, kind, data))
    }

    /// The same, and the request that comes back.
    fn request(&mut self, identifier: u8, kind: Type, data: &[u8]) -> (u8, Type, Vec<u8>) {
        read(&self.respond(identifier, kind, data))
    }

    fn refusal(&mut self, identifier: u8, kind: Type, data: &[u8]) -> Refusal {
        match self.respond(identifier, kind, data) {
            Step::Failure(refusal, packet) => {
                // RFC 3748 section 4.2: the last packet carries the identifier of the response.
                assert_eq!(packet, [4, identifier, 0, 4]);
                refusal
            }
            other => panic!("{other:?}"),
        }
    }
}

fn read(step: &Step) -> (u8, Type, Vec<u8>) {
    let Step::Send(packet) = step else {
        panic!("{step:?}")
    };
    let packet = Packet::parse(packet).unwrap();
    assert_eq!(packet.code, Code::Request);
    (
        packet.identifier,
        packet.kind.unwrap(),
        packet.data.to_vec(),
    )
}

fn discarded(step: &Step) -> Discard {
    match step {
        Step::Discard(reason) => *reason,
        other => panic!("{other:?}"),
    }
}

/// RFC 3579 section 2.1: EAP-Start asks for a question; the same one when it comes again.
#[test]
fn eap_start() {
    let mut hand = Hand::with(&[Method::Md5]);
    let (identifier, kind, data) = read(&hand.give(&[]));
    assert_eq!((kind, data.as_slice()), (Type::IDENTITY, [].as_slice()));
    assert_eq!(read(&hand.give(&[])).0, identifier);
    let (next, kind, _) = hand.request(identifier, Type::IDENTITY, b"mo");
    assert_eq!((next, kind), (identifier.wrapping_add(1), Type::MD5));
    assert_eq!(hand.server.identity(), Some("mo"));
}

/// RFC 3748 section 4.1: identifiers tell the next response from a repeated and a stray one.
#[test]
fn identifiers() {
    let mut hand = Hand::with(&[Method::Md5]);
    let first = hand.request(255, Type::IDENTITY, b"mo");
    assert_eq!(first.0, 0, "identifiers go round");
    assert_eq!(hand.request(255, Type::IDENTITY, b"mo"), first);
    for stray in [1, 2, 100, 254] {
        let reason = discarded(&hand.respond(stray, Type::MD5, &[16; 17]));
        let expected = Discard::WrongIdentifier {
            got: stray,
            expected: 0,
        };
        assert_eq!(reason, expected);
    }
    assert!(matches!(
        hand.refusal(0, Type::MD5, &[16; 17]),
        Refusal::WrongPassword { .. }
    ));
    // The end comes again for the same response, and for no other.
    assert!(matches!(
        hand.refusal(0, Type::MD5, &[16; 17]),
        Refusal::WrongPassword { .. }
    ));
    assert_eq!(
        discarded(&hand.respond(1, Type::MD5, &[16; 17])),
        Discard::Ended
    );
}

#[test]
fn packets_that_are_no_responses() {
    let mut hand = Hand::with(&[Method::Md5]);
    let request = encode(Code::Request, 1, Type::IDENTITY, b"mo");
    assert_eq!(
        discarded(&hand.give(&request)),
        Discard::NotAResponse(Code::Request)
    );
    assert_eq!(
        discarded(&hand.give(&[3, 1, 0, 4])),
        Discard::NotAResponse(Code::Success)
    );
    assert!(matches!(
        discarded(&hand.give(&[2, 1, 0])),
        Discard::Malformed(_)
    ));
    let stray = discarded(&hand.respond(1, Type::MD5, &[16; 17]));
    assert_eq!(
        stray,
        Discard::WrongType {
            got: Type::MD5,
            expected: Type::IDENTITY
        }
    );
    hand.request(1, Type::IDENTITY, b"mo");
    assert_eq!(
        discarded(&hand.respond(2, Type::TLS, &[])),
        Discard::WrongType {
            got: Type::TLS,
            expected: Type::MD5
        }
    );
    assert_eq!(
        hand.server.stalled(),
        Some(Refusal::Silent(Silence::Offer(Method::Md5)))
    );
}

/// RFC 3748 section 5.3.1 and section 5.3.2.
#[test]
fn naks() {
    let all = [Method::Tls, Method::Peap, Method::Ttls, Method::Md5];
    let mut hand = Hand::with(&all);
    assert_eq!(hand.request(1, Type::IDENTITY, b"mo").1, Type::TLS);
    // A legacy Nak that asks for two: the bench's favourite of them.
    let nak = [Type::MD5.0, Type::TTLS.0];
    let answer = hand.request(2, Type::NAK, &nak);
    assert_eq!(answer.1, Type::TTLS);
    assert_eq!(hand.request(2, Type::NAK, &nak), answer, "repeated");
    // An expanded Nak that asks for MD5-Challenge.
    let expanded = [0, 0, 0, 0, 0, 0, 3, 254, 0, 0, 0, 0, 0, 0, 4];
    assert_eq!(hand.request(3, Type::EXPANDED, &expanded).1, Type::MD5);
    // What was offered is not offered again.
    assert_eq!(
        hand.refusal(4, Type::NAK, &nak),
        Refusal::NoCommonMethod {
            offered: vec![Method::Tls, Method::Ttls, Method::Md5],
            wanted: vec![Type::MD5, Type::TTLS],
        }
    );

    let mut hand = Hand::with(&all);
    hand.request(1, Type::IDENTITY, b"mo");
    assert_eq!(
        hand.refusal(2, Type::NAK, &[0]),
        Refusal::NoCommonMethod {
            offered: vec![Method::Tls],
            wanted: Vec::new(),
        }
    );
}

/// RFC 3748 section 2.1: once a method has begun, a Nak is passed over; and section 5.7: an expanded
/// response that is no Nak answers nothing.
#[test]
fn naks_out_of_place() {
    let mut hand = Hand::with(&[Method::Tls, Method::Md5]);
    hand.request(1, Type::IDENTITY, b"mo");
    let other = hand.respond(2, Type::EXPANDED, &[0, 0, 9, 0, 0, 0, 1]);
    assert!(matches!(discarded(&other), Discard::WrongType { .. }));
    let beginning = Fragment {
        total: Some(300),
        more: true,
        data: &[22; 10],
        ..Fragment::default()
    };
    hand.request(2, Type::TLS, &beginning.encode());
    let late = hand.respond(3, Type::NAK, &[Type::MD5.0]);
    assert_eq!(discarded(&late), Discard::NakTooLate);
}

fn started(method: Method) -> (Hand, u8) {
    let mut hand = Hand::with(&[method]);
    let (identifier, kind, data) = hand.request(1, Type::IDENTITY, b"mo");
    assert_eq!(kind, method.eap_type());
    assert_eq!(data, [0x20], "a start, version 0");
    (hand, identifier)
}

/// RFC 5216 section 2.1.5: each fragment is acknowledged with an empty message; what does not add up
/// ends the login.
#[test]
fn fragments_that_do_not_add_up() {
    let fragment = |total, more, octets: usize| {
        let data = vec![22; octets];
        let fragment = Fragment {
            total,
            more,
            data: &data,
            ..Fragment::default()
        };
        fragment.encode()
    };
    for method in [Method::Tls, Method::Ttls, Method::Peap] {
        let kind = method.eap_type();
        let (mut hand, id) = started(method);
        assert_eq!(
            hand.refusal(id, kind, &fragment(Some(65_537), true, 10)),
            Refusal::TooLong {
                said: 65_537,
                most: 65_536
            }
        );

        let (mut hand, id) = started(method);
        let (id, _, acknowledgement) = hand.request(id, kind, &fragment(Some(20), true, 10));
        assert_eq!(acknowledgement, [0]);
        let more = hand.refusal(id, kind, &fragment(None, true, 11));
        assert!(more.to_string().contains("more than was announced"));

        let (mut hand, id) = started(method);
        let (id, _, _) = hand.request(id, kind, &fragment(Some(20), true, 10));
        let less = hand.refusal(id, kind, &fragment(None, false, 9));
        assert!(less.to_string().contains("less than was announced"));

        let (mut hand, id) = started(method);
        let cut = hand.refusal(id, kind, &[0x80, 0, 0]);
        assert!(cut.to_string().contains("cut off"));

        let (mut hand, id) = started(method);
        let empty = hand.refusal(id, kind, &[]);
        assert!(matches!(empty, Refusal::Protocol { .. }), "{empty}");
    }
}

/// Without an announced length the sum is limited all the same.
#[test]
fn endless_fragments_end() {
    let (mut hand, mut id) = started(Method::Tls);
    let fragment = Fragment {
        more: true,
        data: &[22; 1000],
        ..Fragment::default()
    }
    .encode();
    for _ in 0..65 {
        (id, _, _) = hand.request(id, Type::TLS, &fragment);
    }
    assert!(matches!(
        hand.refusal(id, Type::TLS, &fragment),
        Refusal::TooLong { said: 66_000, .. }
    ));
}

/// Empty fragments with More would go on for ever: round trips are counted.
#[test]
fn round_trips_are_counted() {
    let (mut hand, mut id) = started(Method::Tls);
    for _ in 0..999 {
        (id, _, _) = hand.request(id, Type::TLS, &[0x40]);
    }
    assert_eq!(
        hand.refusal(id, Type::TLS, &[0x40]),
        Refusal::TooManyRounds(1000)
    );
}

/// RFC 5281 section 9.1: the version is in the low bits; EAP-TLS has none (RFC 5216 section 3.1).
#[test]
fn versions_of_methods() {
    for method in [Method::Ttls, Method::Peap] {
        let (mut hand, id) = started(method);
        assert_eq!(
            hand.refusal(id, method.eap_type(), &[0x01, 22]),
            Refusal::MethodVersion { method, version: 1 }
        );
    }
    let (mut hand, id) = started(Method::Tls);
    assert!(!matches!(
        hand.refusal_or_send(id, Type::TLS, &[0x01, 22]),
        Some(Refusal::MethodVersion { .. })
    ));
}

impl Hand {
    fn refusal_or_send(&mut self, identifier: u8, kind: Type, data: &[u8]) -> Option<Refusal> {
        match self.respond(identifier, kind, data) {
            Step::Failure(refusal, _) => Some(refusal),
            _ => None,
        }
    }
}

/// What is no TLS gets an alert first, and is refused when the supplicant has seen that.
#[test]
fn octets_that_are_no_tls() {
    let (mut hand, id) = started(Method::Tls);
    let (id, _, data) = hand.request(id, Type::TLS, &[0, 22, 3, 1, 0, 8, 1, 0, 0, 4, 9, 9, 9, 9]);
    // Record type 21 is an alert (RFC 5246 section 6.2.1).
    assert_eq!(data.get(1), Some(&21));
    assert!(matches!(hand.server.stalled(), Some(Refusal::Tls(_))));
    assert!(matches!(hand.refusal(id, Type::TLS, &[]), Refusal::Tls(_)));
}

/// RFC 3748 section 5.4: the digest is 16 octets.
#[test]
fn md5_responses_of_wrong_size() {
    for data in [&[][..], &[15; 16], &[16; 16], &[17; 30]] {
        let mut hand = Hand::new(&Arc::new(Settings::new(Plan::default()).unwrap()));
        hand.request(1, Type::IDENTITY, b"mo");
        assert!(
            matches!(hand.refusal(2, Type::MD5, data), Refusal::Protocol { .. }),
            "{data:?}"
        );
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    /// No octets bring the server down, and it answers nothing but requests and ends.
    #[test]
    fn any_octets_are_survived(
        method in prop::sample::select(vec![
            Method::Md5, Method::MsChapV2, Method::Tls, Method::Ttls, Method::Peap,
        ]),
        packets in prop::collection::vec(
            (prop::collection::vec(any::<u8>(), 0..60), any::<bool>()), 1..8),
    ) {
        use std::sync::OnceLock;
        static PKI: OnceLock<Pki> = OnceLock::new();
        let mut plan = plan(PKI.get_or_init(Pki::new), TUNNELS[0], Versions::Both);
        plan.preference = vec![method];
        let mut hand = Hand::new(&Arc::new(Settings::new(plan).unwrap()));
        let mut id = hand.request(1, Type::IDENTITY, b"mo").0;
        for (octets, framed) in packets {
            let step = if framed {
                hand.respond(id, method.eap_type(), &octets)
            } else {
                hand.give(&octets)
            };
            if let Step::Send(packet) = step {
                let packet = Packet::parse(&packet).unwrap();
                prop_assert_eq!(packet.code, Code::Request);
                id = packet.identifier;
            }
        }
    }
}
