//! What a device's supplicant is set up with, as written and as prepared.

use std::collections::BTreeMap;
use std::fmt;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use jiff::fmt::serde::unsigned_duration::required as duration;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use serde::{Deserialize, Deserializer};
use zeroize::Zeroizing;

use super::supplicant::{ClientTls, ClientTlsError, ClientTlsPlan, Config, TtlsInside};
use crate::eap::codec::Type;
use crate::wire::Secret;

/// A device's supplicant, with everybody who may log on through it.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(default, rename_all = "kebab-case", deny_unknown_fields)]
pub struct SupplicantConfig {
    /// Who logs on as soon as there is a link; nobody when left out.
    pub machine: Option<LoginConfig>,
    /// People who may log on, by the name that a drill calls them.
    pub people: BTreeMap<String, LoginConfig>,
    /// From link up to EAPOL-Start. Default 1 s.
    #[serde(with = "duration")]
    pub start_after: Duration,
    /// Time between two EAPOL-Starts that no request follows. Default 30 s (IEEE 802.1X
    /// startPeriod).
    #[serde(with = "duration")]
    pub start_period: Duration,
    /// How often EAPOL-Start is sent; 0 for a supplicant that waits to be asked. Default 3 (IEEE
    /// 802.1X maxStart).
    pub starts: u32,
    /// Certificates of the CAs trusted for the server; any server is trusted when left out.
    pub roots: Option<Pem>,
    /// Name that the server's certificate must carry.
    pub server_name: Option<String>,
    /// Whether TLS 1.2 is offered. Default true.
    pub tls_1_2: bool,
    /// Whether TLS 1.3 is offered. Default true.
    pub tls_1_3: bool,
    /// Whether TLS sessions are resumed. Default false.
    pub resumption: bool,
    /// Most octets of an EAP packet. Default 1200.
    pub fragment: usize,
}

impl Default for SupplicantConfig {
    fn default() -> SupplicantConfig {
        SupplicantConfig {
            machine: None,
            people: BTreeMap::new(),
            start_after: Duration::from_secs(1),
            start_period: Duration::from_secs(30),
            starts: 3,
            roots: None,
            server_name: None,
            tls_1_2: true,
            tls_1_3: true,
            resumption: false,
            fragment: 1200,
        }
    }
}

/// One account that logs on.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct LoginConfig {
    /// Identity in the clear.
    pub identity: String,
    /// Account inside a tunnel; the identity when left out.
    pub account: Option<String>,
    /// Name in MS-CHAPv2; the account when left out.
    pub ms_chap_name: Option<String>,
    /// Password.
    #[serde(default, deserialize_with = "super::config::optional_secret")]
    pub password: Option<Secret>,
    /// Certificate and those of the CAs between it and the root.
    pub certificate: Option<Pem>,
    /// Its key.
    pub key: Option<Pem>,
    /// Methods, the favourite first; at least one.
    pub methods: Vec<EapMethod>,
    /// What is done inside EAP-TTLS. Default ms-chap-v2.
    #[serde(default)]
    pub ttls: InsideTtls,
    /// What is done inside PEAP. Default eap-ms-chap-v2.
    #[serde(default = "peap")]
    pub peap: EapMethod,
}

fn peap() -> EapMethod {
    EapMethod::EapMsChapV2
}

/// EAP methods.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum EapMethod {
    /// MD5-Challenge.
    EapMd5,
    /// EAP-TLS.
    EapTls,
    /// EAP-TTLS.
    EapTtls,
    /// PEAP.
    Peap,
    /// EAP-MSCHAPv2.
    EapMsChapV2,
}

/// What goes on inside EAP-TTLS.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum InsideTtls {
    /// PAP
    Pap,
    /// CHAP
    Chap,
    /// MS-CHAPv2
    #[default]
    MsChapV2,
    /// EAP with MD5-Challenge.
    EapMd5,
    /// EAP with EAP-MSCHAPv2.
    EapMsChapV2,
    /// EAP with EAP-TLS.
    EapTls,
}

/// Text in PEM form (RFC 7468), or the file that holds it.
#[derive(Clone, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Pem {
    /// A file, not read yet.
    File(PathBuf),
    /// The text.
    Text(#[serde(deserialize_with = "hidden")] Zeroizing<String>),
}

fn hidden<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Zeroizing<String>, D::Error> {
    Ok(Zeroizing::new(String::deserialize(deserializer)?))
}

impl fmt::Debug for Pem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Pem::File(path) => write!(f, "File({})", path.display()),
            Pem::Text(_) => f.write_str("Text(<pem>)"),
        }
    }
}

/// Why a login cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum LoginError {
    /// A file that nobody has read yet.
    #[error("{} was not read", .0.display())]
    NotRead(PathBuf),
    /// A file that cannot be read.
    #[error("{}: {reason}", path.display())]
    Unreadable {
        /// Which.
        path: PathBuf,
        /// Why.
        reason: String,
    },
    /// Text that is not PEM, or not of the kind that is wanted.
    #[error("the {what} is not in PEM form: {reason}")]
    Pem {
        /// Which text.
        what: &'static str,
        /// What is wrong with it.
        reason: String,
    },
    /// TLS refused it.
    #[error("{0}")]
    Tls(String),
    /// No method.
    #[error("no method is named: give one or more under `methods`")]
    NoMethod,
    /// A certificate without key, or the other way round.
    #[error("certificate and key go together: give both or neither")]
    HalfCertificate,
    /// Fragments out of range.
    #[error("`fragment` is {0}, it must be 64 to 65535 octets")]
    Fragment(usize),
}

/// A supplicant ready to run: what each login needs.
#[derive(Debug, Clone)]
pub(super) struct Logins {
    pub(super) machine: Option<Arc<Config>>,
    pub(super) people: BTreeMap<String, Arc<Config>>,
}

impl SupplicantConfig {
    /// Replaces every file by its text.
    ///
    /// # Errors
    /// The first file that cannot be read.
    pub(super) fn read_files(
        &mut self,
        read: &mut dyn FnMut(&Path) -> std::io::Result<String>,
    ) -> Result<(), LoginError> {
        let logins = self.machine.iter_mut().chain(self.people.values_mut());
        let texts = logins.flat_map(|login| [&mut login.certificate, &mut login.key]);
        for pem in texts.chain([&mut self.roots]).flatten() {
            if let Pem::File(path) = pem {
                let text = read(path).map_err(|error| LoginError::Unreadable {
                    path: path.clone(),
                    reason: error.to_string(),
                })?;
                *pem = Pem::Text(Zeroizing::new(text));
            }
        }
        Ok(())
    }

    /// Prepares every login.
    ///
    /// # Errors
    /// Whose login cannot be used, and why.
    pub(super) fn prepare(&self) -> Result<Logins, (String, LoginError)> {
        let named = |name: &str, login: &LoginConfig| {
            self.login(login).map_err(|error| (name.to_owned(), error))
        };
        Ok(Logins {
            machine: self
                .machine
                .as_ref()
                .map(|login| named("machine", login))
                .transpose()?,
            people: self
                .people
                .iter()
                .map(|(name, login)| Ok((name.clone(), named(name, login)?)))
                .collect::<Result<_, _>>()?,
        })
    }

    fn login(&self, login: &LoginConfig) -> Result<Arc<Config>, LoginError> {
        if login.methods.is_empty() {
            return Err(LoginError::NoMethod);
        }
        if !(64..=65_535).contains(&self.fragment) {
            return Err(LoginError::Fragment(self.fragment));
        }
        let account = login.account.as_ref().unwrap_or(&login.identity);
        let password = login.password.as_ref().map_or(&[][..], Secret::bytes);
        Ok(Arc::new(Config {
            identity: login.identity.clone(),
            methods: login.methods.iter().map(|method| method.number()).collect(),
            account: account.clone(),
            ms_chap_name: login.ms_chap_name.clone(),
            // It came as text.
            password: Zeroizing::new(String::from_utf8_lossy(password).into_owned()),
            ttls: login.ttls.inside(),
            peap: login.peap.number(),
            tls: Some(Arc::new(self.tls(login)?)),
            fragment: self.fragment,
            eager: false,
            before_rfc9427: false,
        }))
    }

    fn tls(&self, login: &LoginConfig) -> Result<ClientTls, LoginError> {
        let certificate = match (&login.certificate, &login.key) {
            (Some(chain), Some(key)) => Some((
                certificates("certificate", chain)?,
                PrivateKeyDer::from_pem_slice(text(key)?).map_err(|error| pem("key", &error))?,
            )),
            (None, None) => None,
            _ => return Err(LoginError::HalfCertificate),
        };
        let roots = match &self.roots {
            Some(roots) => certificates("root", roots)?,
            None => Vec::new(),
        };
        ClientTls::new(ClientTlsPlan {
            certificate,
            roots,
            server_name: self.server_name.clone(),
            tls12: self.tls_1_2,
            tls13: self.tls_1_3,
            resumption: self.resumption,
            key_log: None,
        })
        .map_err(|error: ClientTlsError| LoginError::Tls(error.to_string()))
    }
}

fn text(pem: &Pem) -> Result<&[u8], LoginError> {
    match pem {
        Pem::Text(text) => Ok(text.as_bytes()),
        Pem::File(path) => Err(LoginError::NotRead(path.clone())),
    }
}

fn pem(what: &'static str, error: &rustls::pki_types::pem::Error) -> LoginError {
    LoginError::Pem {
        what,
        reason: error.to_string(),
    }
}

fn certificates(
    what: &'static str,
    source: &Pem,
) -> Result<Vec<CertificateDer<'static>>, LoginError> {
    let certificates: Vec<_> = CertificateDer::pem_slice_iter(text(source)?)
        .collect::<Result<_, _>>()
        .map_err(|error| pem(what, &error))?;
    if certificates.is_empty() {
        return Err(LoginError::Pem {
            what,
            reason: "it holds no certificate".to_owned(),
        });
    }
    Ok(certificates)
}

impl EapMethod {
    fn number(self) -> Type {
        match self {
            EapMethod::EapMd5 => Type::MD5,
            EapMethod::EapTls => Type::TLS,
            EapMethod::EapTtls => Type::TTLS,
            EapMethod::Peap => Type::PEAP,
            EapMethod::EapMsChapV2 => Type::MS_CHAP_V2,
        }
    }
}

impl InsideTtls {
    fn inside(self) -> TtlsInside {
        match self {
            InsideTtls::Pap => TtlsInside::Pap,
            InsideTtls::Chap => TtlsInside::Chap,
            InsideTtls::MsChapV2 => TtlsInside::MsChapV2,
            InsideTtls::EapMd5 => TtlsInside::Eap(Type::MD5),
            InsideTtls::EapMsChapV2 => TtlsInside::Eap(Type::MS_CHAP_V2),
            InsideTtls::EapTls => TtlsInside::Eap(Type::TLS),
        }
    }
}
