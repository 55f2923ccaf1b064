//! Keys against a computation of their own: TLS's PRF and HKDF written out here from their RFCs,
//! checked with fixed values, then held against what both sides of a live login derive from the
//! secrets of that login.

use std::sync::{Arc, Mutex};

use hmac::digest::KeyInit;
use hmac::{Hmac, Mac};
use portproof::eap::{Method, Settings, TlsVersion};
use rustls::KeyLog;
use sha2::{Digest, Sha256, Sha384};

use super::logins::{TUNNELS, VERSIONS, config, plan};
use super::pair::{Outcome, Pair};
use super::pki::{Pki, tls};

#[derive(Debug, Clone, Copy)]
enum Hash {
    Sha256,
    Sha384,
}

impl Hash {
    fn hash(self, data: &[u8]) -> Vec<u8> {
        match self {
            Hash::Sha256 => Sha256::digest(data).to_vec(),
            Hash::Sha384 => Sha384::digest(data).to_vec(),
        }
    }

    fn hmac(self, key: &[u8], data: &[u8]) -> Vec<u8> {
        fn run<M: Mac + KeyInit>(key: &[u8], data: &[u8]) -> Vec<u8> {
            let mac = <M as KeyInit>::new_from_slice(key).unwrap();
            mac.chain_update(data).finalize().into_bytes().to_vec()
        }
        match self {
            Hash::Sha256 => run::<Hmac<Sha256>>(key, data),
            Hash::Sha384 => run::<Hmac<Sha384>>(key, data),
        }
    }

    /// The PRF of TLS 1.2 (RFC 5246 section 5).
    fn prf(self, secret: &[u8], label: &str, seed: &[u8], length: usize) -> Vec<u8> {
        let seed = [label.as_bytes(), seed].concat();
        let mut output = Vec::new();
        let mut a = seed.clone();
        while output.len() < length {
            a = self.hmac(secret, &a);
            output.extend(self.hmac(secret, &[a.as_slice(), &seed].concat()));
        }
        output.truncate(length);
        output
    }

    /// HKDF-Expand-Label (RFC 8446 section 7.1, RFC 5869 section 2.3).
    fn expand_label(self, secret: &[u8], label: &str, context: &[u8], length: u16) -> Vec<u8> {
        let label = format!("tls13 {label}");
        let info = [
            &length.to_be_bytes(),
            [u8::try_from(label.len()).unwrap()].as_slice(),
            label.as_bytes(),
            &[u8::try_from(context.len()).unwrap()],
            context,
        ]
        .concat();
        let (mut output, mut block) = (Vec::new(), Vec::new());
        for counter in 1.. {
            if output.len() >= usize::from(length) {
                break;
            }
            block = self.hmac(secret, &[block.as_slice(), &info, &[counter]].concat());
            output.extend(&block);
        }
        output.truncate(usize::from(length));
        output
    }

    /// The exporter of TLS 1.3 (RFC 8446 section 7.5).
    fn export(self, secret: &[u8], label: &str, context: &[u8], length: u16) -> Vec<u8> {
        let nothing = self.hash(&[]);
        let size = u16::try_from(nothing.len()).unwrap();
        let derived = self.expand_label(secret, label, &nothing, size);
        self.expand_label(&derived, "exporter", &self.hash(context), length)
    }
}

const KEY_MATERIAL: &str = "EXPORTER_EAP_TLS_Key_Material";
const METHOD_ID: &str = "EXPORTER_EAP_TLS_Method-Id";

fn vector(id: &str) -> serde_json::Value {
    let file = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/vectors/vectors.json");
    let all: Vec<serde_json::Value> =
        serde_json::from_str(&std::fs::read_to_string(file).unwrap()).unwrap();
    all.into_iter().find(|entry| entry["id"] == id).unwrap()
}

fn octets(value: &serde_json::Value) -> Vec<u8> {
    let text = value.as_str().unwrap();
    (0..text.len())
        .step_by(2)
        .map(|at| u8::from_str_radix(&text[at..at + 2], 16).unwrap())
        .collect()
}

/// RFC 5216 section 2.3 and RFC 5281 section 8, with fixed secrets. Nothing is printed in the
/// RFCs; the values were computed elsewhere by the stated rule.
#[test]
fn fixed_values_of_tls_1_2() {
    for id in ["derived-eap-tls-1.2", "derived-ttls-1.2"] {
        let entry = vector(id);
        let input = |name: &str| octets(&entry["inputs"][name]);
        let seed = [input("client_random"), input("server_random")].concat();
        let label = entry["inputs"]["label"].as_str().unwrap();
        let expected = [&entry["expected"]["msk"], &entry["expected"]["emsk"]].map(octets);
        let master = input("master_secret");
        let material = Hash::Sha256.prf(&master, label, &seed, 128);
        assert_eq!(material, expected.concat(), "{id}");
        // Negative twins: another label, the randoms the other way round, a NUL after the label.
        let swapped = [input("server_random"), input("client_random")].concat();
        assert_ne!(Hash::Sha256.prf(&master, label, &swapped, 128), material);
        let with_nul = format!("{label}\0");
        assert_ne!(Hash::Sha256.prf(&master, &with_nul, &seed, 128), material);
        assert_ne!(Hash::Sha384.prf(&master, label, &seed, 128), material);
    }
}

/// RFC 9190 section 2.3 and RFC 9427 section 2.1, with fixed secrets.
#[test]
fn fixed_values_of_tls_1_3() {
    for id in [
        "derived-eap-tls-1.3",
        "derived-ttls-1.3",
        "derived-peap-1.3",
    ] {
        let entry = vector(id);
        let secret = octets(&entry["inputs"]["exporter_master_secret"]);
        let context = octets(&entry["inputs"]["context"]);
        let expected = |name: &str| octets(&entry["expected"][name]);
        let material = Hash::Sha256.export(&secret, KEY_MATERIAL, &context, 128);
        assert_eq!(material, [expected("msk"), expected("emsk")].concat());
        let method_id = Hash::Sha256.export(&secret, METHOD_ID, &context, 64);
        assert_eq!(
            [context.clone(), method_id].concat(),
            expected("session_id")
        );
        // Negative twins: another type as context, and the rule that less must not be asked for.
        assert_ne!(
            Hash::Sha256.export(&secret, KEY_MATERIAL, &[0x2b], 128),
            material
        );
        let less = Hash::Sha256.export(&secret, KEY_MATERIAL, &context, 64);
        assert_ne!(less, material[..64]);
    }
}

/// Name, client random, secret.
type Entry = (String, Vec<u8>, Vec<u8>);

/// The secrets of all connections.
#[derive(Debug, Default)]
struct Secrets(Mutex<Vec<Entry>>);

impl KeyLog for Secrets {
    fn log(&self, label: &str, client_random: &[u8], secret: &[u8]) {
        let entry = (label.to_owned(), client_random.to_vec(), secret.to_vec());
        self.0.lock().unwrap().push(entry);
    }
}

impl Secrets {
    /// The first secret of that name: inside PEAP with EAP-TLS there is a second connection.
    fn first(&self, label: &str) -> (Vec<u8>, Vec<u8>) {
        let entries = self.0.lock().unwrap();
        let (_, random, secret) = entries.iter().find(|(name, ..)| name == label).unwrap();
        (random.clone(), secret.clone())
    }
}

/// Server random and cipher suite, from where RFC 5246 section 7.4.1.3 puts them: EAP header and
/// type (5), flags (1), length in the first of several fragments (4), record header (5), handshake
/// header (4), version (2), random (32), session id (length octet before it), suite (2).
fn server_hello(outcome: &Outcome) -> (Vec<u8>, Hash) {
    let hello = outcome
        .requests
        .iter()
        .find(|packet| packet.len() > 60)
        .unwrap();
    let start = if hello[5] & 0x80 == 0 { 6 } else { 10 } + 5 + 4 + 2;
    let random = hello[start..start + 32].to_vec();
    let suite_at = start + 33 + usize::from(hello[start + 32]);
    let suite = u16::from_be_bytes([hello[suite_at], hello[suite_at + 1]]);
    // IANA: suites of TLS 1.2 that end in SHA384.
    let hash = match suite {
        0xc02c | 0xc030 => Hash::Sha384,
        0xc02b | 0xc02f | 0xcca8 | 0xcca9 => Hash::Sha256,
        other => panic!("suite {other:04x}"),
    };
    (random, hash)
}

#[test]
fn keys_of_live_logins() {
    let pki = Pki::new();
    for case in TUNNELS {
        for (versions, version) in VERSIONS {
            let secrets = Arc::new(Secrets::default());
            let mut tls_plan = pki.tls_plan(versions);
            tls_plan.key_log = Some(secrets.clone());
            let mut plan = plan(&pki, case, versions);
            plan.tls = Some(tls(tls_plan));
            let outcome = Pair::new(Settings::new(plan).unwrap(), config(&pki, case)).login();
            let proof = outcome.agreed();
            let kind = case.method.eap_type().0;
            let (material, session_id) = match version {
                TlsVersion::Tls13 => {
                    let (_, secret) = secrets.first("EXPORTER_SECRET");
                    let hash = if secret.len() == 48 {
                        Hash::Sha384
                    } else {
                        Hash::Sha256
                    };
                    let id = hash.export(&secret, METHOD_ID, &[kind], 64);
                    let material = hash.export(&secret, KEY_MATERIAL, &[kind], 128);
                    (material, [vec![kind], id].concat())
                }
                TlsVersion::Tls12 => {
                    let (client, master) = secrets.first("CLIENT_RANDOM");
                    let (server, hash) = server_hello(&outcome);
                    let label = match case.method {
                        Method::Ttls => "ttls keying material",
                        _ => "client EAP encryption",
                    };
                    let seed = [client.as_slice(), &server].concat();
                    let material = hash.prf(&master, label, &seed, 128);
                    (material, [vec![kind], seed].concat())
                }
            };
            let keys = proof.keys.as_ref().unwrap();
            assert_eq!(keys.msk.as_slice(), &material[..64], "{case:?} {version}");
            assert_eq!(keys.emsk.as_ref().unwrap().as_slice(), &material[64..]);
            assert_eq!(proof.session_id.as_ref(), Some(&session_id));
        }
    }
}
