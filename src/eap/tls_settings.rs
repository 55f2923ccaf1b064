//! The server's side of TLS: certificate, trusted CAs, revocation lists, versions.

use std::fmt;
use std::sync::Arc;

use jiff::Timestamp;
use rustls::crypto::{CryptoProvider, ring};
use rustls::pki_types::{CertificateDer, CertificateRevocationListDer, PrivateKeyDer};
use rustls::server::danger::ClientCertVerifier;
use rustls::server::{ServerConnection, WebPkiClientVerifier};
use rustls::sign::{CertifiedKey, SingleCertAndKey};
use rustls::{KeyLog, NoKeyLog, RootCertStore, ServerConfig, SupportedProtocolVersion};

use super::certificate::CertificateFacts;
use super::link::Link;
use super::proof::Method;
use super::sessions::{Resumption, Sessions};

/// Which TLS versions are allowed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Versions {
    /// TLS 1.2 alone.
    Tls12,
    /// TLS 1.3 alone.
    Tls13,
    /// Both, TLS 1.3 preferred.
    #[default]
    Both,
}

impl Versions {
    fn list(self) -> Vec<&'static SupportedProtocolVersion> {
        use rustls::version::{TLS12, TLS13};
        match self {
            Versions::Tls12 => vec![&TLS12],
            Versions::Tls13 => vec![&TLS13],
            Versions::Both => vec![&TLS13, &TLS12],
        }
    }
}

/// What the server's side of TLS is made of.
pub struct TlsPlan {
    /// The server's certificate, then those of the CAs below the root.
    pub chain: Vec<CertificateDer<'static>>,
    /// The server's key.
    pub key: PrivateKeyDer<'static>,
    /// CAs whose certificates supplicants may show. Empty when none may.
    pub roots: Vec<CertificateDer<'static>>,
    /// Revocation lists of those CAs. A list past its next update still counts, and a CA without a
    /// list revokes nothing: a bench goes on when a list is late.
    pub crls: Vec<CertificateRevocationListDer<'static>>,
    /// Allowed versions.
    pub versions: Versions,
    /// `None` switches resumption off.
    pub resumption: Option<Resumption>,
    /// Told the secrets of every connection, for people who decrypt captures of their own bench.
    pub key_log: Option<Arc<dyn KeyLog>>,
}

/// Why TLS cannot be set up.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum TlsPlanError {
    /// The server certificate is missing or cannot be read.
    #[error("the server certificate is missing or cannot be read as X.509")]
    ServerCertificate,
    /// The key is of no use, or of another certificate.
    #[error("the server key cannot be used with the server certificate: {0}")]
    Key(rustls::Error),
    /// A CA certificate is of no use.
    #[error("a CA certificate cannot be used: {0}")]
    Root(rustls::Error),
    /// A revocation list is of no use.
    #[error("a revocation list cannot be used: {0}")]
    Revocation(#[from] rustls::server::VerifierBuilderError),
    /// The library refused the versions.
    #[error("TLS cannot be set up: {0}")]
    Library(rustls::Error),
}

/// The server's side of TLS, shared by all logins. Making it anew forgets all sessions, which is
/// right when CAs or revocation lists change.
pub struct Tls {
    provider: Arc<CryptoProvider>,
    versions: Versions,
    key: Arc<SingleCertAndKey>,
    clients: Option<Arc<dyn ClientCertVerifier>>,
    sessions: Option<Arc<Sessions>>,
    key_log: Arc<dyn KeyLog>,
    server: Arc<CertificateFacts>,
}

impl Tls {
    /// Checks and prepares what the plan names.
    ///
    /// # Errors
    /// What cannot be used.
    pub fn new(plan: TlsPlan) -> Result<Tls, TlsPlanError> {
        let provider = Arc::new(ring::default_provider());
        let server = plan
            .chain
            .first()
            .and_then(|der| CertificateFacts::read(der))
            .ok_or(TlsPlanError::ServerCertificate)?;
        let key =
            CertifiedKey::from_der(plan.chain, plan.key, &provider).map_err(TlsPlanError::Key)?;
        let clients = match plan.roots.as_slice() {
            [] => None,
            roots => Some(client_verifier(roots, plan.crls, &provider)?),
        };
        Ok(Tls {
            provider,
            versions: plan.versions,
            key: Arc::new(SingleCertAndKey::from(key)),
            clients,
            sessions: plan
                .resumption
                .map(|limits| Arc::new(Sessions::new(limits))),
            key_log: plan.key_log.unwrap_or_else(|| Arc::new(NoKeyLog)),
            server: Arc::new(server),
        })
    }

    /// What the server's certificate says.
    #[must_use]
    pub fn server(&self) -> &Arc<CertificateFacts> {
        &self.server
    }

    pub(super) fn verifies_clients(&self) -> bool {
        self.clients.is_some()
    }

    /// A connection for one login. The library's configuration is made for it alone, because its
    /// clock, its certificate check and its session store hang there and each login has its own.
    pub(super) fn accept(
        &self,
        method: Method,
        now: Timestamp,
    ) -> Result<(ServerConnection, Arc<Link>), rustls::Error> {
        let clients = match method {
            Method::Tls => self.clients.clone(),
            _ => None,
        };
        let link = Arc::new(Link::new(method, now, clients, self.sessions.clone()));
        let mut config = ServerConfig::builder_with_details(self.provider.clone(), link.clone())
            .with_protocol_versions(&self.versions.list())?
            .with_client_cert_verifier(link.clone())
            .with_cert_resolver(self.key.clone());
        config.session_storage = link.clone();
        // One ticket does for one supplicant: each login brings a new one.
        config.send_tls13_tickets = usize::from(self.sessions.is_some());
        config.key_log = self.key_log.clone();
        Ok((ServerConnection::new(Arc::new(config))?, link))
    }
}

impl fmt::Debug for Tls {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Tls")
            .field("server", &self.server.subject)
            .field("versions", &self.versions)
            .field("resumption", &self.sessions)
            .finish_non_exhaustive()
    }
}

fn client_verifier(
    roots: &[CertificateDer<'static>],
    crls: Vec<CertificateRevocationListDer<'static>>,
    provider: &Arc<CryptoProvider>,
) -> Result<Arc<dyn ClientCertVerifier>, TlsPlanError> {
    let mut store = RootCertStore::empty();
    for root in roots {
        store.add(root.clone()).map_err(TlsPlanError::Root)?;
    }
    let verifier = WebPkiClientVerifier::builder_with_provider(Arc::new(store), provider.clone())
        .with_crls(crls)
        .allow_unknown_revocation_status()
        .build()?;
    Ok(verifier)
}
