//! EAP-MSCHAPv2 packet by packet: retries, error codes, change of password.

use std::sync::Arc;

use portproof::eap::codec::ms_chap_v2::Message;
use portproof::eap::codec::packet::encode;
use portproof::eap::codec::{Code, Packet, Type};
use portproof::eap::{
    AccountState, Conversation, Discard, Method, Password, Plan, Refusal, Settings, Silence, Step,
};
use portproof::stand_in::supplicant::{Config, Supplicant};
use rand::SeedableRng;
use rand::rngs::StdRng;

use super::pair::Book;
use super::pki::NOW;

struct Hand {
    server: Conversation,
    book: Book,
    rng: StdRng,
    identifier: u8,
    challenge: [u8; 16],
}

impl Hand {
    fn new(retries: u8, state: AccountState) -> Hand {
        let plan = Plan {
            preference: vec![Method::MsChapV2],
            retries,
            ..Plan::default()
        };
        let settings = Arc::new(Settings::new(plan).unwrap());
        let mut hand = Hand {
            server: Conversation::new(settings),
            book: Book::default().with("mo", Password::text("gangway"), state),
            rng: StdRng::seed_from_u64(9),
            identifier: 4,
            challenge: [0; 16],
        };
        let request = hand.give(Type::IDENTITY, b"mo");
        match Message::parse_request(&ask(&request)) {
            Some(Message::Challenge { challenge, .. }) => hand.challenge = challenge,
            other => panic!("{other:?}"),
        }
        hand
    }

    fn give(&mut self, kind: Type, data: &[u8]) -> Step {
        let packet = encode(Code::Response, self.identifier, kind, data);
        let now = NOW.parse().unwrap();
        let step = self
            .server
            .handle(now, &packet, None, &self.book, &mut self.rng);
        if let Step::Send(request) = &step {
            self.identifier = Packet::parse(request).unwrap().identifier;
        }
        step
    }

    /// Answers the challenge as a supplicant with this password does.
    fn answer(&mut self, password: &str) -> Step {
        let config = Config {
            methods: vec![Type::MS_CHAP_V2],
            account: "mo".to_owned(),
            password: password.to_owned().into(),
            ..Config::default()
        };
        let challenge = Message::Challenge {
            id: 1,
            challenge: self.challenge,
            name: b"bench",
        };
        let request = encode(Code::Request, 1, Type::MS_CHAP_V2, &challenge.encode());
        let now = NOW.parse().unwrap();
        let response = Supplicant::new(Arc::new(config))
            .handle(now, &request, &mut self.rng)
            .unwrap();
        let data = Packet::parse(&response).unwrap().data.to_vec();
        self.give(Type::MS_CHAP_V2, &data)
    }

    /// Reads a failure, and takes its challenge for the next try.
    fn failure(&mut self, step: &Step) -> String {
        let data = ask(step);
        let Some(Message::FailureRequest { text, .. }) = Message::parse_request(&data) else {
            panic!("{data:?}")
        };
        let text = String::from_utf8(text.to_vec()).unwrap();
        let digits = text.split_once("C=").unwrap().1;
        for (at, octet) in self.challenge.iter_mut().enumerate() {
            *octet = u8::from_str_radix(&digits[2 * at..2 * at + 2], 16).unwrap();
        }
        text
    }

    fn end(&mut self, message: &Message<'_>) -> Refusal {
        match self.give(Type::MS_CHAP_V2, &message.encode()) {
            Step::Failure(refusal, _) => refusal,
            other => panic!("{other:?}"),
        }
    }
}

fn ask(step: &Step) -> Vec<u8> {
    match step {
        Step::Send(packet) => Packet::parse(packet).unwrap().data.to_vec(),
        other => panic!("{other:?}"),
    }
}

/// RFC 2759 section 6: `R=1` allows another response, to the challenge after `C=`.
#[test]
fn second_try_with_a_new_challenge() {
    let mut hand = Hand::new(1, AccountState::Active);
    let first = hand.challenge;
    let failed = hand.answer("wrong");
    let text = hand.failure(&failed);
    assert!(text.starts_with("E=691 R=1 C="), "{text}");
    assert!(text.contains(" V=3 M="), "{text}");
    assert_ne!(hand.challenge, first);
    let data = ask(&hand.answer("gangway"));
    assert!(matches!(
        Message::parse_request(&data),
        Some(Message::SuccessRequest { text, .. }) if text.starts_with(b"S=")
    ));
    assert!(matches!(
        hand.give(Type::MS_CHAP_V2, &Message::SuccessResponse.encode()),
        Step::Success(..)
    ));
}

/// The old challenge does not count in the second try.
#[test]
fn second_try_with_the_old_challenge() {
    let mut hand = Hand::new(1, AccountState::Active);
    let old = hand.challenge;
    let failed = hand.answer("wrong");
    hand.failure(&failed);
    hand.challenge = old;
    let failed = hand.answer("gangway");
    assert!(hand.failure(&failed).starts_with("E=691 R=0"));
}

/// With `R=0` a further response, right or not, ends the login with what was wrong before.
#[test]
fn no_try_left() {
    let mut hand = Hand::new(0, AccountState::Active);
    let failed = hand.answer("wrong");
    assert!(hand.failure(&failed).starts_with("E=691 R=0 C="));
    assert!(matches!(
        hand.server.stalled(),
        Some(Refusal::WrongPassword { .. })
    ));
    assert!(matches!(
        hand.answer("gangway"),
        Step::Failure(Refusal::WrongPassword { .. }, _)
    ));
}

/// RFC 2759 section 6 names the codes, section 7 the change of a password, which the bench refuses
/// and reports.
#[test]
fn change_of_password_is_refused() {
    let expected = |change_tried| Refusal::MustChangePassword {
        identity: "mo".to_owned(),
        change_tried,
    };
    for (message, change_tried) in [
        (Message::FailureResponse, false),
        (Message::ChangePassword, true),
    ] {
        let mut hand = Hand::new(3, AccountState::MustChangePassword);
        let failed = hand.answer("gangway");
        assert!(hand.failure(&failed).starts_with("E=648 R=0 C="));
        let refusal = hand.end(&message);
        assert_eq!(refusal, expected(change_tried));
        assert_eq!(
            refusal.to_string().contains("tried to change"),
            change_tried
        );
    }
    let mut hand = Hand::new(3, AccountState::Disabled);
    let failed = hand.answer("gangway");
    assert!(hand.failure(&failed).starts_with("E=647 R=0 C="));
}

#[test]
fn messages_out_of_place() {
    let mut hand = Hand::new(0, AccountState::Active);
    let early = hand.give(Type::MS_CHAP_V2, &Message::SuccessResponse.encode());
    assert!(matches!(early, Step::Discard(Discard::OutOfPlace(_))));
    let silence = Silence::Offer(Method::MsChapV2);
    assert_eq!(hand.server.stalled(), Some(Refusal::Silent(silence)));
    ask(&hand.answer("gangway"));
    assert_eq!(
        hand.server.stalled(),
        Some(Refusal::Silent(Silence::ServerProof))
    );
    // The supplicant says that it does not believe the server's proof.
    let refusal = hand.end(&Message::FailureResponse);
    assert!(matches!(refusal, Refusal::ServerNotProven { .. }));

    let mut hand = Hand::new(0, AccountState::Active);
    assert!(matches!(
        hand.give(Type::MS_CHAP_V2, &[9, 9, 9]),
        Step::Failure(Refusal::Protocol { .. }, _)
    ));
}
