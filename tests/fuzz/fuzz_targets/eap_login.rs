//! A login over EAP from the first packet on: any packets in sequence, with every method offered.
//! Each gets an answer that a supplicant can read, an end, or a named reason for silence.

#![no_main]

use libfuzzer_sys::fuzz_target;
use portproof::eap::codec::{Code, Packet};
use portproof::eap::{Account, AccountState, Conversation, Credentials, Password, Step};
use portproof_fuzz::{eap, pieces, start};
use rand::SeedableRng;
use rand::rngs::StdRng;

fuzz_target!(|input: &[u8]| {
    let mut login = Conversation::new(eap::settings(input.first().copied().unwrap_or_default()));
    let mut rng = StdRng::seed_from_u64(1);
    let mut out = None;
    for (choices, piece) in pieces(input.get(1..).unwrap_or_default()) {
        let mut octets = piece.to_vec();
        if choices & 1 == 0
            && let (Some(identifier), Some(expected)) = (octets.get_mut(1), out)
        {
            *identifier = expected;
        }
        if choices & 2 == 0
            && let Some(length) = octets.get_mut(2..4)
        {
            length.copy_from_slice(&(piece.len() as u16).to_be_bytes());
        }
        let mtu = (choices & 4 != 0).then_some(u32::from(choices) * 16);
        match login.handle(start(), &octets, mtu, &Everybody, &mut rng) {
            Step::Send(request) => out = Some(read(&request, Code::Request)),
            Step::Success(proof, success) => {
                assert_eq!(proof.identity, "clerk");
                read(&success, Code::Success);
            }
            Step::Failure(refusal, failure) => {
                assert!(!refusal.to_string().is_empty());
                read(&failure, Code::Failure);
            }
            Step::Discard(reason) => assert!(!reason.to_string().is_empty()),
        }
    }
    let _ = (login.stalled(), login.identity());
});

fn read(octets: &[u8], code: Code) -> u8 {
    let packet = Packet::parse(octets).expect("what is sent is an EAP packet");
    assert_eq!(packet.code, code);
    packet.identifier
}

/// One account with a password.
struct Everybody;

impl Credentials for Everybody {
    fn account(&self, identity: &str) -> Option<Account> {
        (identity == "clerk").then(|| Account {
            password: Some(Password::text("bench-only-clerk")),
            state: AccountState::Active,
        })
    }
}
