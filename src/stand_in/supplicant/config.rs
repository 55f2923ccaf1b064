//! What a device's supplicant is set up with.

use std::fmt;
use std::sync::Arc;

use rustls::client::{ResolvesClientCert, Resumption};
use rustls::crypto::{CryptoProvider, ring};
use rustls::pki_types::{CertificateDer, InvalidDnsNameError, PrivateKeyDer, ServerName};
use rustls::sign::{CertifiedKey, SingleCertAndKey};
use rustls::{KeyLog, NoKeyLog, RootCertStore, SignatureScheme, SupportedProtocolVersion};
use zeroize::Zeroizing;

use super::tls::Trust;
use crate::eap::codec::Type;

/// What a device's supplicant is set up with.
#[derive(Debug, Clone)]
pub struct Config {
    /// The identity that it gives in the clear.
    pub identity: String,
    /// Methods that it does, the favourite first. It answers every other with a Nak for these.
    pub methods: Vec<Type>,
    /// The account that it logs in to: its identity inside a tunnel, and its name in MS-CHAPv2.
    pub account: String,
    /// Its name in MS-CHAPv2 when that is another: machines give `DOMAIN\NAME$` there (common
    /// practice, no source).
    pub ms_chap_name: Option<String>,
    /// The account's password.
    pub password: Zeroizing<String>,
    /// What it does inside EAP-TTLS.
    pub ttls: TtlsInside,
    /// The method that it does inside PEAP.
    pub peap: Type,
    /// Certificates and trust, for the methods over TLS.
    pub tls: Option<Arc<ClientTls>>,
    /// Most octets of an EAP packet that it sends.
    pub fragment: usize,
    /// With TLS 1.3, begin inside EAP-TTLS together with the last handshake message instead of
    /// waiting for the server's next one. Both are found in the field (common practice, no source).
    pub eager: bool,
    /// Inside PEAP, know only the Result TLV as word of success, as before RFC 9427: the one octet
    /// that ends a resumed login with TLS 1.3 gets a Nak.
    pub before_rfc9427: bool,
}

impl Default for Config {
    fn default() -> Config {
        Config {
            identity: String::new(),
            methods: vec![Type::MD5],
            account: String::new(),
            ms_chap_name: None,
            password: Zeroizing::default(),
            ttls: TtlsInside::Eap(Type::MS_CHAP_V2),
            peap: Type::MS_CHAP_V2,
            tls: None,
            fragment: 1200,
            eager: false,
            before_rfc9427: false,
        }
    }
}

impl Config {
    pub(super) fn ms_chap_name(&self) -> &str {
        self.ms_chap_name.as_ref().unwrap_or(&self.account)
    }
}

/// What a supplicant does inside EAP-TTLS.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum TtlsInside {
    /// Sends the password.
    Pap,
    /// CHAP.
    Chap,
    /// MS-CHAPv2.
    MsChapV2,
    /// This EAP method.
    Eap(Type),
}

/// What the supplicant's side of TLS is made of.
pub struct ClientTlsPlan {
    /// Its certificate, those of the CAs below the root, and its key; `None` when it has none.
    pub certificate: Option<(Vec<CertificateDer<'static>>, PrivateKeyDer<'static>)>,
    /// CAs that it trusts for the server. Empty: it trusts any server, as a careless device does.
    pub roots: Vec<CertificateDer<'static>>,
    /// The name that the server's certificate must carry; `None` leaves that check out.
    pub server_name: Option<String>,
    /// Offer TLS 1.2.
    pub tls12: bool,
    /// Offer TLS 1.3.
    pub tls13: bool,
    /// Keep sessions and offer them at the next login.
    pub resumption: bool,
    /// Told the secrets of every connection.
    pub key_log: Option<Arc<dyn KeyLog>>,
}

impl Default for ClientTlsPlan {
    fn default() -> ClientTlsPlan {
        ClientTlsPlan {
            certificate: None,
            roots: Vec::new(),
            server_name: None,
            tls12: true,
            tls13: true,
            resumption: false,
            key_log: None,
        }
    }
}

/// Why the supplicant's side of TLS cannot be set up.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ClientTlsError {
    /// Its certificate and key are of no use together.
    #[error("the supplicant's certificate and key cannot be used: {0}")]
    Certificate(rustls::Error),
    /// A CA certificate is of no use.
    #[error("a CA certificate of the supplicant cannot be used: {0}")]
    Root(rustls::Error),
    /// The expected server name is not a host name.
    #[error("the expected server name is not a host name: {0}")]
    ServerName(#[from] InvalidDnsNameError),
    /// No TLS version is allowed.
    #[error("the supplicant may use no TLS version: allow 1.2, 1.3 or both")]
    NoVersion,
}

/// The supplicant's side of TLS. Its parts stay the same from login to login, as the TLS library
/// demands before it resumes; sessions for resumption live as long as it does.
pub struct ClientTls {
    pub(super) provider: Arc<CryptoProvider>,
    pub(super) versions: Vec<&'static SupportedProtocolVersion>,
    pub(super) certificate: Arc<dyn ResolvesClientCert>,
    pub(super) trust: Arc<Trust>,
    pub(super) resumption: Resumption,
    pub(super) key_log: Arc<dyn KeyLog>,
}

impl ClientTls {
    /// Checks and prepares what the plan names.
    ///
    /// # Errors
    /// What cannot be used.
    pub fn new(plan: ClientTlsPlan) -> Result<ClientTls, ClientTlsError> {
        use rustls::version::{TLS12, TLS13};
        let provider = Arc::new(ring::default_provider());
        let certificate: Arc<dyn ResolvesClientCert> = match plan.certificate {
            None => Arc::new(NoCertificate),
            Some((chain, key)) => {
                let key = CertifiedKey::from_der(chain, key, &provider)
                    .map_err(ClientTlsError::Certificate)?;
                Arc::new(SingleCertAndKey::from(key))
            }
        };
        let mut store = RootCertStore::empty();
        for root in &plan.roots {
            store.add(root.clone()).map_err(ClientTlsError::Root)?;
        }
        let versions: Vec<_> = [(plan.tls13, &TLS13), (plan.tls12, &TLS12)]
            .into_iter()
            .filter_map(|(allowed, version)| allowed.then_some(version))
            .collect();
        if versions.is_empty() {
            return Err(ClientTlsError::NoVersion);
        }
        let trust = Trust {
            roots: (!store.is_empty()).then(|| Arc::new(store)),
            name: plan.server_name.map(ServerName::try_from).transpose()?,
            provider: provider.clone(),
        };
        Ok(ClientTls {
            provider,
            versions,
            certificate,
            trust: Arc::new(trust),
            resumption: if plan.resumption {
                Resumption::in_memory_sessions(16)
            } else {
                Resumption::disabled()
            },
            key_log: plan.key_log.unwrap_or_else(|| Arc::new(NoKeyLog)),
        })
    }
}

impl fmt::Debug for ClientTls {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("ClientTls")
            .field("has_certificate", &self.certificate.has_certs())
            .field("server_name", &self.trust.name)
            .finish_non_exhaustive()
    }
}

#[derive(Debug)]
struct NoCertificate;

impl ResolvesClientCert for NoCertificate {
    fn resolve(
        &self,
        _root_hint_subjects: &[&[u8]],
        _schemes: &[SignatureScheme],
    ) -> Option<Arc<CertifiedKey>> {
        None
    }

    fn has_certs(&self) -> bool {
        false
    }
}
