//! What goes wrong inside tunnels, said by a hand that speaks TLS.

use std::io::{Read, Write};
use std::sync::Arc;

use portproof::eap::codec::avp::{self, Avp};
use portproof::eap::codec::fragment::Fragment;
use portproof::eap::codec::packet::encode;
use portproof::eap::codec::peap::result_tlv;
use portproof::eap::codec::{Code, Packet, Type};
use portproof::eap::{Conversation, Inner, Method, Refusal, Settings, Step, Versions};
use rand::SeedableRng;
use rand::rngs::StdRng;
use rustls::{ClientConfig, ClientConnection, RootCertStore};

use super::logins::{TUNNELS, plan};
use super::pair::Book;
use super::pki::{NOW, Pki};

struct Hand {
    server: Conversation,
    rng: StdRng,
    tls: ClientConnection,
    kind: Type,
    identifier: u8,
}

enum Heard {
    Inside(Vec<u8>),
    Success(Box<portproof::eap::Proof>),
    Refused(Refusal),
}

impl Heard {
    fn refusal(self) -> Refusal {
        match self {
            Heard::Refused(refusal) => refusal,
            Heard::Inside(octets) => panic!("heard {octets:?}"),
            Heard::Success(proof) => panic!("{proof:?}"),
        }
    }

    fn inside(self) -> Vec<u8> {
        match self {
            Heard::Inside(octets) => octets,
            Heard::Success(proof) => panic!("{proof:?}"),
            Heard::Refused(refusal) => panic!("{refusal}"),
        }
    }
}

impl Hand {
    /// Goes through the handshake, to where the server waits for something inside.
    fn new(method: Method, versions: Versions) -> (Hand, Vec<u8>) {
        let pki = Pki::new();
        let case = TUNNELS.into_iter().find(|case| case.method == method);
        let mut plan = plan(&pki, case.unwrap(), versions);
        plan.fragment = 3800;
        let settings = Arc::new(Settings::new(plan).unwrap());
        let mut hand = Hand {
            server: Conversation::new(settings),
            rng: StdRng::seed_from_u64(5),
            tls: connection(&pki),
            kind: method.eap_type(),
            identifier: 1,
        };
        let identity = encode(Code::Response, 1, Type::IDENTITY, b"@quay.example");
        let Step::Send(start) = hand.give(&identity) else {
            panic!("no start")
        };
        hand.identifier = Packet::parse(&start).unwrap().identifier;
        let mut heard = Vec::new();
        while hand.tls.is_handshaking() || hand.tls.wants_write() {
            heard = hand.say_records().inside();
        }
        // TLS 1.2: the last message of the handshake was the server's, and asks to be acknowledged.
        if heard.is_empty() && method == Method::Peap {
            heard = hand.say_records().inside();
        }
        (hand, heard)
    }

    fn give(&mut self, packet: &[u8]) -> Step {
        let now = NOW.parse().unwrap();
        let book = Book::usual();
        self.server.handle(now, packet, None, &book, &mut self.rng)
    }

    fn say(&mut self, plaintext: &[u8]) -> Heard {
        self.tls.writer().write_all(plaintext).unwrap();
        self.say_records()
    }

    fn say_records(&mut self) -> Heard {
        let mut data = Vec::new();
        while self.tls.wants_write() {
            self.tls.write_tls(&mut data).unwrap();
        }
        let fragment = Fragment {
            data: &data,
            ..Fragment::default()
        };
        let packet = encode(
            Code::Response,
            self.identifier,
            self.kind,
            &fragment.encode(),
        );
        match self.give(&packet) {
            Step::Send(request) => {
                let packet = Packet::parse(&request).unwrap();
                self.identifier = packet.identifier;
                let fragment = Fragment::parse(packet.data).unwrap();
                assert!(!fragment.more);
                let mut records = fragment.data;
                let mut plaintext = Vec::new();
                while !records.is_empty() {
                    self.tls.read_tls(&mut records).unwrap();
                    let state = self.tls.process_new_packets().unwrap();
                    let mut part = vec![0; state.plaintext_bytes_to_read()];
                    self.tls.reader().read_exact(&mut part).unwrap();
                    plaintext.extend(part);
                }
                Heard::Inside(plaintext)
            }
            Step::Success(proof, _) => Heard::Success(Box::new((*proof).clone())),
            Step::Failure(refusal, _) => Heard::Refused(refusal),
            Step::Discard(reason) => panic!("{reason}"),
        }
    }

    fn challenge(&self) -> [u8; 17] {
        self.tls
            .export_keying_material([0; 17], b"ttls challenge", None)
            .unwrap()
    }
}

fn connection(pki: &Pki) -> ClientConnection {
    let mut roots = RootCertStore::empty();
    roots.add(pki.root.certificate()).unwrap();
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let config = ClientConfig::builder_with_details(provider, Arc::new(Clock))
        .with_safe_default_protocol_versions()
        .unwrap()
        .with_root_certificates(roots)
        .with_client_auth_cert(pki.person.0.clone(), pki.person.1.clone_key())
        .unwrap();
    ClientConnection::new(Arc::new(config), "aaa.quay.example".try_into().unwrap()).unwrap()
}

#[derive(Debug)]
struct Clock;

impl rustls::time_provider::TimeProvider for Clock {
    fn current_time(&self) -> Option<rustls::pki_types::UnixTime> {
        let now: jiff::Timestamp = NOW.parse().unwrap();
        let seconds = std::time::Duration::from_secs(now.as_second().try_into().unwrap());
        Some(rustls::pki_types::UnixTime::since_unix_epoch(seconds))
    }
}

const BOTH: [Versions; 2] = [Versions::Tls12, Versions::Tls13];

fn pairs(pairs: &[Avp<'_>]) -> Vec<u8> {
    let mut octets = Vec::new();
    pairs.iter().for_each(|pair| pair.write(&mut octets));
    octets
}

fn refused_by_ttls(plaintext: &[u8]) -> [Refusal; 2] {
    BOTH.map(|versions| {
        let (mut hand, _) = Hand::new(Method::Ttls, versions);
        hand.say(plaintext).refusal()
    })
}

/// The hand itself is right: with a good password it gets in.
#[test]
fn the_hand_can_log_in() {
    for versions in BOTH {
        let (mut hand, heard) = Hand::new(Method::Ttls, versions);
        assert!(heard.is_empty());
        let name = Avp::new(avp::USER_NAME, b"mo");
        // RFC 5281 section 11.2.5: the password may be padded with zero octets.
        let password = Avp::new(avp::USER_PASSWORD, b"gangway\0\0\0\0\0\0\0\0\0");
        let unknown = Avp {
            mandatory: false,
            ..Avp::new(4000, b"passed over")
        };
        match hand.say(&pairs(&[name, unknown, password])) {
            Heard::Success(proof) => assert_eq!(proof.inner, Some(Inner::Pap)),
            other => panic!("{}", other.refusal()),
        }
    }
}

/// RFC 5281 section 10.1.
#[test]
fn broken_attribute_value_pairs() {
    let unknown = pairs(&[Avp::new(4000, b"must be understood")]);
    for refusal in refused_by_ttls(&unknown) {
        assert!(
            refusal.to_string().contains("must be understood"),
            "{refusal}"
        );
    }
    for refusal in refused_by_ttls(&[0, 0, 0, 1, 0x40, 0, 1, 0]) {
        assert!(refusal.to_string().contains("past the end"), "{refusal}");
    }
    let no_name = pairs(&[Avp::new(avp::USER_PASSWORD, b"gangway")]);
    for refusal in refused_by_ttls(&no_name) {
        assert!(refusal.to_string().contains("no User-Name"), "{refusal}");
    }
    let nothing = pairs(&[Avp::new(avp::USER_NAME, b"mo")]);
    for refusal in refused_by_ttls(&nothing) {
        assert!(refusal.to_string().contains("no password"), "{refusal}");
    }
    let old = pairs(&[Avp::of_vendor(311, avp::MS_CHAP_RESPONSE, &[0; 50])]);
    for refusal in refused_by_ttls(&old) {
        assert!(matches!(
            refusal,
            Refusal::InnerNotAllowed {
                wanted: "MS-CHAP (version 1)",
                ..
            }
        ));
    }
}

/// RFC 5281 section 11.2.2: challenge and identifier are those that TLS gives. A response to any
/// other, even with the right password, is a replay.
#[test]
fn challenge_chosen_by_the_supplicant() {
    use md5::{Digest, Md5};
    for versions in BOTH {
        for (flip, passes) in [
            (None, true),
            (Some(0), false),
            (Some(15), false),
            (Some(16), false),
        ] {
            let (mut hand, _) = Hand::new(Method::Ttls, versions);
            let mut challenge = hand.challenge();
            if let Some(at) = flip {
                challenge[at] ^= 1;
            }
            let (challenge, ident) = challenge.split_at(16);
            let digest = Md5::digest([ident, b"gangway", challenge].concat());
            let value = [ident, &digest].concat();
            let message = pairs(&[
                Avp::new(avp::USER_NAME, b"mo"),
                Avp::new(avp::CHAP_CHALLENGE, challenge),
                Avp::new(avp::CHAP_PASSWORD, &value),
            ]);
            match hand.say(&message) {
                Heard::Success(_) => assert!(passes),
                other => {
                    let refusal = other.refusal();
                    assert!(!passes, "{refusal}");
                    assert!(refusal.to_string().contains("not the one that TLS gives"));
                }
            }
        }
    }
}

/// Nothing is lost or repeated in a tunnel, so that a stray packet there ends the login.
#[test]
fn stray_eap_inside() {
    for versions in BOTH {
        let (mut hand, _) = Hand::new(Method::Ttls, versions);
        let request = encode(Code::Request, 1, Type::IDENTITY, b"mo");
        let message = pairs(&[Avp::new(avp::EAP_MESSAGE, &request)]);
        let refusal = hand.say(&message).refusal();
        assert!(matches!(refusal, Refusal::Inside(_)), "{refusal}");
    }
}

/// PEAP begins with the question who it is, its header left out; an odd answer is refused, and the
/// refusal is told inside before the end (common practice, from memory).
#[test]
fn peap_tells_failure_inside() {
    for versions in BOTH {
        let (mut hand, heard) = Hand::new(Method::Peap, versions);
        assert_eq!(heard, [1]);
        let heard = hand.say(b"\x01mo").inside();
        assert_eq!(heard.first(), Some(&Type::MS_CHAP_V2.0));
        let result = hand.say(&[Type::NAK.0, Type::MD5.0]).inside();
        let packet = Packet::parse(&result).unwrap();
        assert_eq!(packet.kind, Some(Type::TLV));
        assert_eq!(packet.data, result_tlv(false));
        let answer = encode(Code::Response, packet.identifier, Type::TLV, packet.data);
        assert!(matches!(
            hand.say(&answer).refusal(),
            Refusal::NoCommonMethod { .. }
        ));
    }
}

/// EAP-TLS has no application data of the supplicant: all that it may say at the end is that it has
/// seen the end, with TLS 1.3 the protected success (RFC 9190 section 2.1.1).
#[test]
fn application_data_in_eap_tls() {
    for (versions, last) in [(Versions::Tls12, &[][..]), (Versions::Tls13, &[0])] {
        let (mut hand, heard) = Hand::new(Method::Tls, versions);
        assert_eq!(heard, last);
        let refusal = hand.say(b"more").refusal();
        assert!(matches!(refusal, Refusal::Protocol { .. }), "{refusal}");

        let (mut hand, _) = Hand::new(Method::Tls, versions);
        assert!(matches!(hand.say_records(), Heard::Success(_)));
    }
}
