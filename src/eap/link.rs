//! What one login lends to its TLS connection, and learns from it: the clock, the check of the
//! supplicant's certificate, and the sessions that may be resumed.

use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use jiff::Timestamp;
use rustls::client::danger::HandshakeSignatureValid;
use rustls::pki_types::{CertificateDer, UnixTime};
use rustls::server::StoresServerSessions;
use rustls::server::danger::{ClientCertVerified, ClientCertVerifier};
use rustls::time_provider::TimeProvider;
use rustls::{DigitallySignedStruct, DistinguishedName, Error, SignatureScheme};

use super::certificate::{CertificateFacts, CertificateFault};
use super::proof::{Method, Proven};
use super::sessions::Sessions;

#[derive(Debug)]
pub(super) struct Link {
    method: Method,
    /// Seconds since 1970: all that TLS wants to know of time.
    now: AtomicU64,
    /// Checks the supplicant's certificate; `None` when none is asked for.
    clients: Option<Arc<dyn ClientCertVerifier>>,
    sessions: Option<Arc<Sessions>>,
    learnt: Mutex<Learnt>,
}

#[derive(Debug, Default)]
struct Learnt {
    certificate: Option<Arc<CertificateFacts>>,
    fault: Option<CertificateFault>,
    /// What the login proved whose session was looked up last.
    resumed: Option<Arc<Proven>>,
    /// Sessions made by this connection, kept back until the login succeeds.
    fresh: Vec<(Vec<u8>, Vec<u8>)>,
}

impl Link {
    pub(super) fn new(
        method: Method,
        now: Timestamp,
        clients: Option<Arc<dyn ClientCertVerifier>>,
        sessions: Option<Arc<Sessions>>,
    ) -> Link {
        let link = Link {
            method,
            now: AtomicU64::default(),
            clients,
            sessions,
            learnt: Mutex::default(),
        };
        link.set_time(now);
        link
    }

    /// Tells the connection what time it is.
    pub(super) fn set_time(&self, now: Timestamp) {
        let seconds = u64::try_from(now.as_second()).unwrap_or(0);
        self.now.store(seconds, Ordering::Relaxed);
    }

    /// The certificate that passed the check in this handshake.
    pub(super) fn certificate(&self) -> Option<Arc<CertificateFacts>> {
        self.learnt().certificate.clone()
    }

    /// Why the certificate did not pass.
    pub(super) fn take_fault(&self) -> Option<CertificateFault> {
        self.learnt().fault.take()
    }

    /// What the resumed session proved. Only to be believed when the connection says that it
    /// resumed.
    pub(super) fn resumed(&self) -> Option<Arc<Proven>> {
        self.learnt().resumed.clone()
    }

    /// The login succeeded: its sessions may be resumed from now on.
    pub(super) fn keep_sessions(&self, proven: &Arc<Proven>) {
        let Some(sessions) = &self.sessions else {
            return;
        };
        for (key, session) in self.learnt().fresh.drain(..) {
            sessions.keep(key, session, self.method, proven.clone());
        }
    }

    fn learnt(&self) -> MutexGuard<'_, Learnt> {
        self.learnt.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn seconds(&self) -> u64 {
        self.now.load(Ordering::Relaxed)
    }

    fn find(&self, key: &[u8], once: bool) -> Option<Vec<u8>> {
        let now = i64::try_from(self.seconds()).ok()?;
        let now = Timestamp::from_second(now).ok()?;
        let (session, proven) = self.sessions.as_ref()?.find(key, self.method, now, once)?;
        self.learnt().resumed = Some(proven);
        Some(session)
    }
}

impl TimeProvider for Link {
    fn current_time(&self) -> Option<UnixTime> {
        Some(UnixTime::since_unix_epoch(Duration::from_secs(
            self.seconds(),
        )))
    }
}

impl StoresServerSessions for Link {
    fn put(&self, key: Vec<u8>, value: Vec<u8>) -> bool {
        let wanted = self.sessions.is_some();
        if wanted {
            self.learnt().fresh.push((key, value));
        }
        wanted
    }

    fn get(&self, key: &[u8]) -> Option<Vec<u8>> {
        self.find(key, false)
    }

    fn take(&self, key: &[u8]) -> Option<Vec<u8>> {
        self.find(key, true)
    }

    fn can_cache(&self) -> bool {
        self.sessions.is_some()
    }
}

impl ClientCertVerifier for Link {
    fn offer_client_auth(&self) -> bool {
        self.clients.is_some()
    }

    fn root_hint_subjects(&self) -> &[DistinguishedName] {
        self.clients
            .as_ref()
            .map_or(&[], |clients| clients.root_hint_subjects())
    }

    fn verify_client_cert(
        &self,
        end_entity: &CertificateDer<'_>,
        intermediates: &[CertificateDer<'_>],
        now: UnixTime,
    ) -> Result<ClientCertVerified, Error> {
        let outcome = self
            .checker()?
            .verify_client_cert(end_entity, intermediates, now);
        match &outcome {
            Ok(_) => {
                self.learnt().certificate = CertificateFacts::read(end_entity).map(Arc::new);
            }
            Err(Error::InvalidCertificate(error)) => {
                self.learnt().fault = Some(CertificateFault::new(error, end_entity));
            }
            Err(_) => {}
        }
        outcome
    }

    fn verify_tls12_signature(
        &self,
        message: &[u8],
        cert: &CertificateDer<'_>,
        dss: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, Error> {
        self.checker()?.verify_tls12_signature(message, cert, dss)
    }

    fn verify_tls13_signature(
        &self,
        message: &[u8],
        cert: &CertificateDer<'_>,
        dss: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, Error> {
        self.checker()?.verify_tls13_signature(message, cert, dss)
    }

    fn supported_verify_schemes(&self) -> Vec<SignatureScheme> {
        self.clients
            .as_ref()
            .map(|clients| clients.supported_verify_schemes())
            .unwrap_or_default()
    }
}

impl Link {
    /// The library does not ask for a check when no certificate was wanted.
    fn checker(&self) -> Result<&Arc<dyn ClientCertVerifier>, Error> {
        self.clients
            .as_ref()
            .ok_or_else(|| Error::General("no certificate was asked for".to_owned()))
    }
}
