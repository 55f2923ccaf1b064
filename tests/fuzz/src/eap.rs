//! EAP for the targets that log on: every method on offer.

use std::sync::{Arc, OnceLock};

use portproof::certs;
use portproof::eap::{Method, Plan, Settings, Tls, TlsPlan, Versions};
use rustls::pki_types::pem::PemObject as _;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};

use crate::start;

/// Every method, each as the favourite in turn.
#[must_use]
pub fn settings(choice: u8) -> Arc<Settings> {
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
