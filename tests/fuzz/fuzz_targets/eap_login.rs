//! A login over EAP from the first packet on: any packets in sequence, with every method offered.
//! Each gets an answer that a supplicant can read, an end, or a named reason for silence.

#![no_main]

use std::sync::{Arc, OnceLock};

use libfuzzer_sys::fuzz_target;
use portproof::certs;
use portproof::eap::codec::{Code, Packet};
use portproof::eap::{
    Account, AccountState, Conversation, Credentials, Method, Password, Plan, Settings, Step, Tls,
    TlsPlan, Versions,
};
use portproof_fuzz::{pieces, start};
use rand::SeedableRng;
use rand::rngs::StdRng;
use rustls::pki_types::pem::PemObject as _;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};

fuzz_target!(|input: &[u8]| {
    let mut login = Conversation::new(settings(input.first().copied().unwrap_or_default()));
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

/// Every method, each as the favourite in turn.
fn settings(choice: u8) -> Arc<Settings> {
    static MADE: OnceLock<Vec<Arc<Settings>>> = OnceLock::new();
    let made = MADE.get_or_init(|| {
        let tls = Arc::new(tls());
        let methods = [
            Method::Md5,
            Method::MsChapV2,
            Method::Tls,
            Method::Ttls,
            Method::Peap,
        ];
        (0..methods.len())
            .map(|first| {
                let mut preference = methods.to_vec();
                preference.rotate_left(first);
                let plan = Plan {
                    preference,
                    tls: Some(Arc::clone(&tls)),
                    ..Plan::default()
                };
                Arc::new(Settings::new(plan).expect("the plan holds"))
            })
            .collect()
    });
    Arc::clone(&made[usize::from(choice) % made.len()])
}

fn tls() -> Tls {
    let plan = certs::Plan {
        organisation: "Lantern Quay".to_owned(),
        domain: "lantern-quay.example".to_owned(),
        server: "bench".to_owned(),
        machines: Vec::new(),
        people: Vec::new(),
        days: 30,
        passphrase: "bench only".to_owned(),
    };
    let set = certs::make(&plan, start()).expect("certificates");
    let file = |path: &str| set.file(path).expect("a file of the set").content.to_vec();
    let certificates = |path: &str| {
        CertificateDer::pem_slice_iter(&file(path))
            .collect::<Result<Vec<_>, _>>()
            .expect("certificates in PEM")
    };
    Tls::new(TlsPlan {
        chain: certificates("server/good.pem"),
        key: PrivateKeyDer::from_pem_slice(&file("server/good.key")).expect("a key in PEM"),
        roots: certificates("ca/bench-ca.pem"),
        crls: Vec::new(),
        versions: Versions::Both,
        resumption: None,
        key_log: None,
    })
    .expect("the TLS settings hold")
}
