//! Certificates made for one test run.

use portproof::eap::{Resumption, Tls, TlsPlan, Versions};
use portproof::stand_in::supplicant::{ClientTls, ClientTlsPlan};
use rcgen::{
    BasicConstraints, CertificateParams, CertificateRevocationListParams, CertifiedIssuer, DnType,
    ExtendedKeyUsagePurpose, IsCa, KeyIdMethod, KeyPair, KeyUsagePurpose, OtherNameValue,
    RevokedCertParams, SanType, SerialNumber, date_time_ymd,
};
use rustls::pki_types::{
    CertificateDer, CertificateRevocationListDer, PrivateKeyDer, PrivatePkcs8KeyDer,
};

/// The moment of the tests, within the validity of all good certificates: 2026-03-01.
pub const NOW: &str = "2026-03-01T09:00:00Z";

pub type Chain = Vec<CertificateDer<'static>>;

pub struct Authority {
    issuer: CertifiedIssuer<'static, KeyPair>,
    /// Certificates between a leaf and the root, nearest first.
    between: Chain,
}

impl Authority {
    pub fn root(name: &str) -> Authority {
        let issuer = CertifiedIssuer::self_signed(authority(name), KeyPair::generate().unwrap());
        Authority {
            issuer: issuer.unwrap(),
            between: Vec::new(),
        }
    }

    pub fn below(&self, name: &str) -> Authority {
        let key = KeyPair::generate().unwrap();
        let issuer = CertifiedIssuer::signed_by(authority(name), key, &self.issuer).unwrap();
        let mut between = vec![issuer.der().clone()];
        between.extend(self.between.iter().cloned());
        Authority { issuer, between }
    }

    pub fn certificate(&self) -> CertificateDer<'static> {
        self.issuer.der().clone()
    }

    pub fn issue(&self, leaf: &CertificateParams) -> (Chain, PrivateKeyDer<'static>) {
        let key = KeyPair::generate().unwrap();
        let mut chain = vec![leaf.signed_by(&key, &self.issuer).unwrap().der().clone()];
        chain.extend(self.between.iter().cloned());
        let key = PrivatePkcs8KeyDer::from(key.serialize_der());
        (chain, PrivateKeyDer::Pkcs8(key))
    }

    pub fn revoke(&self, serial: u64) -> CertificateRevocationListDer<'static> {
        let list = CertificateRevocationListParams {
            this_update: date_time_ymd(2026, 1, 2),
            next_update: date_time_ymd(2026, 12, 1),
            crl_number: SerialNumber::from(1),
            issuing_distribution_point: None,
            revoked_certs: vec![RevokedCertParams {
                serial_number: SerialNumber::from(serial),
                revocation_time: date_time_ymd(2026, 1, 2),
                reason_code: None,
                invalidity_date: None,
            }],
            key_identifier_method: KeyIdMethod::Sha256,
        };
        list.signed_by(&self.issuer).unwrap().der().clone()
    }
}

fn authority(name: &str) -> CertificateParams {
    let mut params = dated(name);
    params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
    params.key_usages = vec![KeyUsagePurpose::KeyCertSign, KeyUsagePurpose::CrlSign];
    params
}

fn dated(name: &str) -> CertificateParams {
    let mut params = CertificateParams::default();
    params.distinguished_name.push(DnType::CommonName, name);
    params.not_before = date_time_ymd(2026, 1, 1);
    params.not_after = date_time_ymd(2027, 1, 1);
    params
}

/// A certificate of the server.
pub fn server(name: &str) -> CertificateParams {
    let mut params = dated(name);
    params.subject_alt_names = vec![SanType::DnsName(name.try_into().unwrap())];
    params.extended_key_usages = vec![ExtendedKeyUsagePurpose::ServerAuth];
    params
}

/// A certificate of a person, with a user principal name.
pub fn person(name: &str, serial: u64) -> CertificateParams {
    const USER_PRINCIPAL_NAME: &[u64] = &[1, 3, 6, 1, 4, 1, 311, 20, 2, 3];
    let mut params = dated(name);
    let value = OtherNameValue::Utf8String(format!("{name}@quay.example"));
    params.subject_alt_names = vec![SanType::OtherName((USER_PRINCIPAL_NAME.to_vec(), value))];
    params.extended_key_usages = vec![ExtendedKeyUsagePurpose::ClientAuth];
    params.serial_number = Some(SerialNumber::from(serial));
    params
}

/// A bench CA, a server certificate below an intermediate, and a person.
pub struct Pki {
    pub root: Authority,
    pub issuing: Authority,
    pub server: (Chain, PrivateKeyDer<'static>),
    pub person: (Chain, PrivateKeyDer<'static>),
}

impl Pki {
    pub fn new() -> Pki {
        let root = Authority::root("Lantern Quay bench root");
        let issuing = root.below("Lantern Quay bench issuing");
        Pki {
            server: issuing.issue(&server("aaa.quay.example")),
            person: issuing.issue(&person("mo", 7)),
            root,
            issuing,
        }
    }

    pub fn tls_plan(&self, versions: Versions) -> TlsPlan {
        TlsPlan {
            chain: self.server.0.clone(),
            key: self.server.1.clone_key(),
            roots: vec![self.root.certificate()],
            crls: Vec::new(),
            versions,
            resumption: Some(Resumption::default()),
            key_log: None,
        }
    }

    pub fn client_plan(&self) -> ClientTlsPlan {
        ClientTlsPlan {
            certificate: Some((self.person.0.clone(), self.person.1.clone_key())),
            roots: vec![self.root.certificate()],
            server_name: Some("aaa.quay.example".to_owned()),
            resumption: true,
            ..ClientTlsPlan::default()
        }
    }
}

pub fn tls(plan: TlsPlan) -> std::sync::Arc<Tls> {
    std::sync::Arc::new(Tls::new(plan).unwrap())
}

pub fn client(plan: ClientTlsPlan) -> std::sync::Arc<ClientTls> {
    std::sync::Arc::new(ClientTls::new(plan).unwrap())
}
