//! A server and a supplicant joined in memory, with a switch between them that may lose, repeat
//! and hold back packets.

use std::collections::HashMap;
use std::sync::Arc;

use jiff::Timestamp;
use portproof::eap::{
    Account, AccountState, Conversation, Credentials, Password, Proof, Refusal, Settings, Step,
};
use portproof::stand_in::supplicant::{Config, Status, Supplicant};
use rand::SeedableRng;
use rand::rngs::StdRng;

use super::pki::NOW;

/// People and machines by name.
#[derive(Default)]
pub struct Book {
    accounts: HashMap<String, Account>,
    pub refused: Option<String>,
}

impl Book {
    pub fn with(mut self, name: &str, password: Password, state: AccountState) -> Book {
        let account = Account {
            password: Some(password),
            state,
        };
        self.accounts.insert(name.to_owned(), account);
        self
    }

    pub fn usual() -> Book {
        Book::default().with("mo", Password::text("gangway"), AccountState::Active)
    }
}

impl Credentials for Book {
    fn account(&self, identity: &str) -> Option<Account> {
        self.accounts.get(identity).cloned()
    }

    fn admit(&self, _proof: &Proof) -> Result<(), String> {
        self.refused.clone().map_or(Ok(()), Err)
    }
}

/// What happens to the packets of one round.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mishap {
    None,
    /// The supplicant gets the request twice.
    RequestTwice,
    /// The server gets the response twice.
    ResponseTwice,
    /// The server's answer is lost, so that the switch repeats the response.
    AnswerLost,
    /// The response of two rounds ago arrives again.
    OldResponse,
    /// Somebody tells the supplicant of success before the request.
    EarlySuccess,
    /// The supplicant is gone; the server gives it up.
    Gone,
}

pub const MISHAPS: [Mishap; 4] = [
    Mishap::RequestTwice,
    Mishap::ResponseTwice,
    Mishap::AnswerLost,
    Mishap::OldResponse,
];

/// How a login ended.
#[derive(Debug)]
pub struct Outcome {
    pub server: Result<Arc<Proof>, Refusal>,
    pub peer: Status,
    pub msk: Option<Vec<u8>>,
    pub session_id: Option<Vec<u8>>,
    pub peer_resumed: bool,
    /// Requests of the server, in order.
    pub requests: Vec<Vec<u8>>,
    /// Responses of the supplicant, in order.
    pub responses: Vec<Vec<u8>>,
}

impl Outcome {
    /// The proof of a login that succeeded on both sides with the same keys.
    pub fn agreed(&self) -> &Proof {
        let proof = match &self.server {
            Ok(proof) => proof,
            Err(refusal) => panic!("refused: {refusal}; the supplicant: {:?}", self.peer),
        };
        assert_eq!(self.peer, Status::Success);
        let msk = proof.keys.as_ref().map(|keys| keys.msk.to_vec());
        assert_eq!(msk, self.msk);
        assert_eq!(proof.session_id, self.session_id);
        assert_eq!(proof.resumed, self.peer_resumed);
        proof
    }

    pub fn refusal(&self) -> &Refusal {
        assert!(matches!(self.peer, Status::Failed(_)), "{:?}", self.peer);
        self.server.as_ref().unwrap_err()
    }
}

pub struct Pair {
    pub settings: Arc<Settings>,
    pub config: Arc<Config>,
    pub book: Book,
    pub framed_mtu: Option<u32>,
    pub now: Timestamp,
    /// The supplicant's clock, when it is not the server's.
    pub peer_clock: Option<Timestamp>,
    /// What somebody on the way does to the server's requests.
    pub tamper: fn(&mut Vec<u8>),
}

impl Pair {
    pub fn new(settings: Settings, config: Config) -> Pair {
        Pair {
            settings: Arc::new(settings),
            config: Arc::new(config),
            book: Book::usual(),
            framed_mtu: None,
            now: NOW.parse().unwrap(),
            peer_clock: None,
            tamper: |_| {},
        }
    }

    pub fn login(&self) -> Outcome {
        self.login_with(|_| Mishap::None)
    }

    /// Runs one login; `mishap` says what happens in each round.
    pub fn login_with(&self, mishap: impl Fn(usize) -> Mishap) -> Outcome {
        let mut rng = StdRng::seed_from_u64(1);
        let mut server = Conversation::new(self.settings.clone());
        let mut peer = Supplicant::new(self.config.clone());
        let peer_now = self.peer_clock.unwrap_or(self.now);
        let (mut requests, mut responses): (Vec<Vec<u8>>, Vec<Vec<u8>>) = Default::default();
        // The switch asks who is there (IEEE 802.1X).
        let mut request = vec![1, 200, 0, 5, 1];
        let server_end = loop {
            let round = requests.len();
            let mishap = mishap(round);
            (self.tamper)(&mut request);
            requests.push(request.clone());
            if mishap == Mishap::EarlySuccess {
                peer.handle(peer_now, &[3, request[1], 0, 4], &mut rng);
                assert_eq!(peer.status(), &Status::Waiting, "round {round}");
            }
            let mut response = peer.handle(peer_now, &request, &mut rng);
            if mishap == Mishap::RequestTwice {
                let again = peer.handle(peer_now, &request, &mut rng);
                assert_eq!(again, response, "the repeated request of round {round}");
                response = again;
            }
            let Some(response) = response.filter(|_| mishap != Mishap::Gone) else {
                break server
                    .stalled()
                    .map_or_else(|| panic!("the supplicant went silent after a success"), Err);
            };
            responses.push(response.clone());
            let mut give = |octets: &[u8]| {
                server.handle(self.now, octets, self.framed_mtu, &self.book, &mut rng)
            };
            if mishap == Mishap::OldResponse && round > 2 {
                let step = give(&responses[round - 2]);
                assert!(matches!(step, Step::Discard(_)), "{step:?}");
            }
            let mut step = give(&response);
            if matches!(mishap, Mishap::ResponseTwice | Mishap::AnswerLost) {
                let again = give(&response);
                assert_eq!(octets(&again), octets(&step), "round {round}");
                step = again;
            }
            let end = match step {
                Step::Send(next) => {
                    request = next;
                    assert!(requests.len() < 1200, "no end");
                    continue;
                }
                Step::Success(proof, last) => {
                    peer.handle(peer_now, &last, &mut rng);
                    Ok(proof)
                }
                Step::Failure(refusal, last) => {
                    peer.handle(peer_now, &last, &mut rng);
                    Err(refusal)
                }
                Step::Discard(reason) => panic!("round {round} discarded: {reason}"),
            };
            break end;
        };
        Outcome {
            server: server_end,
            peer: peer.status().clone(),
            msk: peer.msk().map(|msk| msk.to_vec()),
            session_id: peer.session_id().map(<[u8]>::to_vec),
            peer_resumed: peer.is_resumed(),
            requests,
            responses,
        }
    }
}

fn octets(step: &Step) -> Option<&[u8]> {
    match step {
        Step::Send(octets) | Step::Success(_, octets) | Step::Failure(_, octets) => Some(octets),
        Step::Discard(_) => None,
    }
}
