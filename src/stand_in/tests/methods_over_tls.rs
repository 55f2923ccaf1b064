//! Every EAP method through RADIUS, against the bench's own server of EAP, and the keys that both
//! sides come to (RFC 5216 section 2.3, RFC 2548 section 2.4).

use std::collections::BTreeMap;
use std::sync::Arc;

use rand::SeedableRng;
use rand::rngs::StdRng;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};

use super::*;
use crate::certs;
use crate::eap::{
    Account, AccountState, Conversation, Credentials, Inner, Method as ServerMethod, Password,
    Plan, Settings, Step, Tls, TlsPlan, Versions,
};
use crate::stand_in::config::MethodOrder;
use crate::stand_in::login::{EapMethod, InsideTtls, LoginConfig, Pem, SupplicantConfig};
use crate::wire::hide::{MppeKey, hide_mppe_key};

const MACHINE: &str = "host/pc-1.quay.example";

struct Everybody;

impl Credentials for Everybody {
    fn account(&self, _identity: &str) -> Option<Account> {
        Some(Account {
            password: Some(Password::text("hull")),
            state: AccountState::Active,
        })
    }
}

struct Pki {
    set: certs::BenchSet,
}

impl Pki {
    fn new() -> Pki {
        let plan = certs::Plan {
            organisation: "Lantern Quay".to_owned(),
            domain: "quay.example".to_owned(),
            server: "radius".to_owned(),
            machines: vec!["pc-1".to_owned()],
            people: vec!["ada".to_owned()],
            days: 100,
            passphrase: "bench".to_owned(),
        };
        Pki {
            set: certs::make(&plan, start()).unwrap(),
        }
    }

    fn text(&self, path: &str) -> String {
        let file = self.set.file(path).unwrap_or_else(|| {
            let paths: Vec<&str> = self.set.files.iter().map(|f| f.path.as_str()).collect();
            panic!("{path} is not one of {paths:?}")
        });
        String::from_utf8(file.content.to_vec()).unwrap()
    }

    fn certificates(&self, path: &str) -> Vec<CertificateDer<'static>> {
        CertificateDer::pem_slice_iter(self.text(path).as_bytes())
            .map(Result::unwrap)
            .collect()
    }

    fn server(&self, versions: Versions) -> Arc<Settings> {
        let key = self.text("server/good.key");
        let tls = Tls::new(TlsPlan {
            chain: self.certificates("server/good.pem"),
            key: PrivateKeyDer::from_pem_slice(key.as_bytes()).unwrap(),
            roots: self.certificates("ca/bench-ca.pem"),
            crls: Vec::new(),
            versions,
            resumption: None,
            key_log: None,
        })
        .unwrap();
        let plan = Plan {
            preference: vec![
                ServerMethod::Tls,
                ServerMethod::Ttls,
                ServerMethod::Peap,
                ServerMethod::MsChapV2,
                ServerMethod::Md5,
            ],
            ttls: vec![
                Inner::Eap(ServerMethod::MsChapV2),
                Inner::Eap(ServerMethod::Md5),
                Inner::MsChapV2,
                Inner::Chap,
                Inner::Pap,
            ],
            peap: vec![ServerMethod::MsChapV2, ServerMethod::Tls],
            tls: Some(Arc::new(tls)),
            fragment: 300,
            ..Plan::default()
        };
        Arc::new(Settings::new(plan).unwrap())
    }

    fn config(&self, login: LoginConfig) -> StandInConfig {
        let mut config = config();
        config.ports.order = MethodOrder::Dot1xThenMac;
        config.devices[2].supplicant = Some(SupplicantConfig {
            machine: Some(login),
            roots: Some(Pem::File("ca/bench-ca.pem".into())),
            server_name: Some("radius.quay.example".to_owned()),
            fragment: 250,
            ..SupplicantConfig::default()
        });
        let text = |path: &std::path::Path| Ok(self.text(path.to_str().unwrap()));
        config.read_files(text).unwrap();
        config
    }
}

fn login(method: EapMethod) -> LoginConfig {
    let folder = "machine/pc-1/good";
    LoginConfig {
        identity: MACHINE.to_owned(),
        account: None,
        ms_chap_name: None,
        password: Some(Secret::new("hull")),
        certificate: Some(Pem::File(format!("{folder}.pem").into())),
        key: Some(Pem::File(format!("{folder}.key").into())),
        methods: vec![method],
        ttls: InsideTtls::default(),
        peap: EapMethod::EapMsChapV2,
    }
}

/// A RADIUS server around the bench's EAP. `spoil` changes a key before it is hidden.
fn server(
    settings: Arc<Settings>,
    spoil: impl Fn(&mut [u8]) + 'static,
) -> impl FnMut(&Packet<'_>) -> Reply {
    let mut open: BTreeMap<Vec<u8>, Conversation> = BTreeMap::new();
    let mut rng = StdRng::seed_from_u64(5);
    let mut count = 0u32;
    move |packet| {
        let Some(eap) = packet.joined(a::EAP_MESSAGE) else {
            return Reply::Reject;
        };
        let mut conversation = packet
            .first(a::STATE)
            .and_then(|state| open.remove(state.value))
            .unwrap_or_else(|| Conversation::new(settings.clone()));
        let mtu = packet.integer(a::FRAMED_MTU);
        let message = |octets: &[u8]| -> Vec<AttributeBuf> {
            octets
                .chunks(253)
                .map(|part| AttributeBuf::new(a::EAP_MESSAGE, part))
                .collect()
        };
        match conversation.handle(start(), &eap, mtu, &Everybody, &mut rng) {
            Step::Send(request) => {
                count += 1;
                let state = count.to_be_bytes().to_vec();
                open.insert(state.clone(), conversation);
                let mut attributes = message(&request);
                attributes.push(AttributeBuf::new(a::STATE, state));
                Reply::Code(Code::ACCESS_CHALLENGE, attributes)
            }
            Step::Success(proof, eap) => {
                let mut attributes = message(&eap);
                if let Some(keys) = &proof.keys {
                    let (receive, send) = keys.msk.split_at(32);
                    let mut receive = receive.to_vec();
                    spoil(&mut receive);
                    for (which, salt, key) in [
                        (MppeKey::Receive, [0x80, 1], receive.as_slice()),
                        (MppeKey::Send, [0x80, 2], send),
                    ] {
                        let hidden =
                            hide_mppe_key(which, salt, key, &secret(), packet.authenticator());
                        attributes.push(hidden.unwrap());
                    }
                }
                Reply::Accept(attributes)
            }
            Step::Failure(_, eap) => Reply::Code(Code::ACCESS_REJECT, message(&eap)),
            Step::Discard(why) => panic!("{why}"),
        }
    }
}

fn run(pki: &Pki, login: LoginConfig, versions: Versions) -> Rig {
    let config = pki.config(login);
    let mut rig = Rig::new(config, server(pki.server(versions), |_| {}));
    rig.plug("1", "pc");
    rig.run(seconds(5));
    rig
}

fn keys(rig: &Rig) -> Option<usize> {
    let grant = rig.switch.sessions()[0].grant.clone()?;
    grant.keys.map(|keys| keys.len())
}

#[test]
fn every_method_lets_the_machine_in() {
    let pki = Pki::new();
    let mut cases: Vec<(LoginConfig, Option<usize>)> = vec![
        (login(EapMethod::EapMd5), None),
        (login(EapMethod::EapMsChapV2), Some(64)),
        (login(EapMethod::EapTls), Some(64)),
    ];
    for ttls in [
        InsideTtls::Pap,
        InsideTtls::Chap,
        InsideTtls::MsChapV2,
        InsideTtls::EapMd5,
        InsideTtls::EapMsChapV2,
    ] {
        let login = LoginConfig {
            ttls,
            ..login(EapMethod::EapTtls)
        };
        cases.push((login, Some(64)));
    }
    for peap in [EapMethod::EapMsChapV2, EapMethod::EapTls] {
        let login = LoginConfig {
            peap,
            ..login(EapMethod::Peap)
        };
        cases.push((login, Some(64)));
    }
    for (login, expected) in cases {
        for versions in [Versions::Tls12, Versions::Tls13] {
            let shown = format!("{login:?} {versions:?}");
            let rig = run(&pki, login.clone(), versions);
            assert_eq!(
                rig.count(|w| matches!(w, What::LoginSucceeded { .. })),
                1,
                "{shown}: {:#?}",
                rig.events
            );
            assert_eq!(keys(&rig), expected, "{shown}");
            assert_eq!(rig.count(|w| *w == What::KeysDiffer), 0, "{shown}");
            for packet in rig.access_requests() {
                let eap = packet.joined(a::EAP_MESSAGE).unwrap();
                assert!(eap.len() <= 250, "{shown}: {}", eap.len());
            }
        }
    }
}

/// What the supplicant does not want, it says by Nak, and the server goes on to what it does
/// (RFC 3748 section 5.3.1).
#[test]
fn a_nak_leads_to_the_method_that_both_have() {
    let pki = Pki::new();
    let rig = run(&pki, login(EapMethod::EapMd5), Versions::Both);
    let requests = rig.access_requests();
    assert!(requests.len() >= 3);
    assert!(rig.switch.sessions()[0].admitted.is_some());
}

/// Keys that differ by one bit are seen.
#[test]
fn wrong_keys_are_seen() {
    let pki = Pki::new();
    let config = pki.config(login(EapMethod::EapTls));
    let settings = pki.server(Versions::Both);
    let mut rig = Rig::new(config, server(settings, |key| key[31] ^= 1));
    rig.plug("1", "pc");
    rig.run(seconds(5));
    assert_eq!(rig.count(|w| *w == What::KeysDiffer), 1);
}

/// RFC 2548 sections 2.4.2 and 2.4.3: keys come in pairs and can be read, or the accept is void.
#[test]
fn keys_that_cannot_be_read_void_the_accept() {
    for kinds in [&[16u8][..], &[17], &[16, 17]] {
        let short = kinds.len() == 2;
        let grant: Vec<AttributeBuf> = kinds
            .iter()
            .map(|kind| {
                let length = if short { 3 } else { 34 };
                AttributeBuf::vendor(311, *kind, &vec![0x80; length])
            })
            .collect();
        let mut rig = Rig::granting(config(), grant);
        rig.plug("1", "till");
        rig.run(seconds(1));
        assert_eq!(
            rig.count(|w| matches!(w, What::GrantRefused { .. })),
            1,
            "{kinds:?}"
        );
    }
}

#[test]
fn bad_certificates_and_passwords_are_refused() {
    let pki = Pki::new();
    let with = |certificate: &str| {
        let folder = format!("machine/pc-1/{certificate}");
        LoginConfig {
            certificate: Some(Pem::File(format!("{folder}.pem").into())),
            key: Some(Pem::File(format!("{folder}.key").into())),
            ..login(EapMethod::EapTls)
        }
    };
    let wrong_password = LoginConfig {
        password: Some(Secret::new("keel")),
        ..login(EapMethod::Peap)
    };
    for login in [with("expired"), with("unknown-issuer"), wrong_password] {
        let rig = run(&pki, login, Versions::Both);
        assert!(rig.switch.sessions()[0].held);
        assert_eq!(rig.count(|w| matches!(w, What::LoginFailed { .. })), 1);
        assert_eq!(rig.count(|w| matches!(w, What::LoginSucceeded { .. })), 0);
    }
}

/// The supplicant checks the server too: its name and its authority.
#[test]
fn a_server_that_is_not_trusted_is_refused_by_the_supplicant() {
    let pki = Pki::new();
    let spoilt: [fn(&Pki, &mut SupplicantConfig); 2] = [
        |_, supplicant| supplicant.server_name = Some("other.quay.example".to_owned()),
        |pki, supplicant| {
            supplicant.roots = Some(Pem::Text(pki.text("ca/unknown-ca.pem").into()));
        },
    ];
    for spoil in spoilt {
        let mut config = pki.config(login(EapMethod::EapTls));
        spoil(&pki, config.devices[2].supplicant.as_mut().unwrap());
        let mut rig = Rig::new(config, server(pki.server(Versions::Both), |_| {}));
        rig.plug("1", "pc");
        rig.run(seconds(5));
        assert!(rig.events.iter().any(
            |event| matches!(&event.what, What::LoginFailed { reason, .. } if reason.starts_with("TLS"))
        ));
        assert!(rig.switch.sessions()[0].held);
    }
}

/// A person logs on after the machine, by certificate, and a lost answer in between is made good
/// by the switch's retransmission.
#[test]
fn lost_answers_are_made_good() {
    let pki = Pki::new();
    let config = pki.config(login(EapMethod::EapTls));
    let mut inner = server(pki.server(Versions::Both), |_| {});
    let mut answered: BTreeMap<[u8; 16], Reply> = BTreeMap::new();
    let mut turn = 0;
    let mut rig = Rig::new(config, move |packet| {
        let reply = answered
            .entry(*packet.authenticator())
            .or_insert_with(|| inner(packet))
            .clone();
        turn += 1;
        if turn % 3 == 0 { Reply::Nothing } else { reply }
    });
    rig.plug("1", "pc");
    rig.run(seconds(60));
    assert!(rig.switch.sessions()[0].admitted.is_some());
    assert!(rig.count(|w| matches!(w, What::Repeated { .. })) >= 2);
    assert_eq!(rig.count(|w| *w == What::KeysDiffer), 0);
}
