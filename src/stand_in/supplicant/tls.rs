//! The supplicant's TLS connection: what it trusts, and how it packs TLS into EAP.

use std::io::{Read as _, Write as _};
use std::sync::Arc;
use std::time::Duration;

use jiff::Timestamp;
use rustls::client::danger::{HandshakeSignatureValid, ServerCertVerified, ServerCertVerifier};
use rustls::client::{
    ClientConnection, verify_server_cert_signed_by_trust_anchor, verify_server_name,
};
use rustls::crypto::{CryptoProvider, verify_tls12_signature, verify_tls13_signature};
use rustls::pki_types::{CertificateDer, ServerName, UnixTime};
use rustls::server::ParsedCertificate;
use rustls::time_provider::TimeProvider;
use rustls::{
    ClientConfig, DigitallySignedStruct, Error, HandshakeKind, ProtocolVersion, RootCertStore,
    SignatureScheme,
};
use zeroize::Zeroizing;

use super::Why;
use super::config::ClientTls;
use crate::eap::codec::Type;
use crate::eap::codec::fragment::Fragment;
use crate::eap::codec::tls_record::hello_random;

/// Most octets of a TLS message that the supplicant takes.
const MOST: usize = 64 * 1024;

/// A TLS connection and the fragments on their way.
pub(super) struct Pipe {
    method: Type,
    tls: ClientConnection,
    incoming: Vec<u8>,
    outgoing: Vec<u8>,
    /// A first fragment of what is outgoing has left.
    begun: bool,
    randoms: [Option<[u8; 32]>; 2],
}

/// What a request of the server was.
pub(super) enum Incoming {
    /// It wants this: the next fragment of ours, or an acknowledgement.
    Reply(Vec<u8>),
    /// A whole message, perhaps empty.
    Whole(Vec<u8>),
}

impl Pipe {
    /// Opens the connection; the ClientHello waits to be sent. `inner` tells connections inside a
    /// tunnel apart.
    pub(super) fn new(
        method: Type,
        inner: bool,
        settings: &Arc<ClientTls>,
        now: Timestamp,
    ) -> Result<Pipe, Why> {
        let config = client_config(settings, now)?;
        // Not sent to the server: it only keeps the sessions of different methods apart.
        let place = format!(
            "type-{}.{}.invalid",
            method.0,
            if inner { "inner" } else { "outer" }
        );
        let name = ServerName::try_from(place).map_err(|error| Why::Tls(error.to_string()))?;
        let tls = ClientConnection::new(Arc::new(config), name)?;
        let mut pipe = Pipe {
            method,
            tls,
            incoming: Vec::new(),
            outgoing: Vec::new(),
            begun: false,
            randoms: [None; 2],
        };
        pipe.collect();
        Ok(pipe)
    }

    /// Takes a request's data.
    pub(super) fn take(&mut self, fragment: &Fragment<'_>, room: usize) -> Result<Incoming, Why> {
        let empty = fragment.data.is_empty() && !fragment.more;
        if empty && self.incoming.is_empty() && !self.outgoing.is_empty() {
            return Ok(Incoming::Reply(self.next(room)));
        }
        if self.incoming.len() + fragment.data.len() > MOST {
            return Err(Why::Protocol("the server's TLS message is too long"));
        }
        self.outgoing.clear();
        self.begun = false;
        self.incoming.extend_from_slice(fragment.data);
        if fragment.more {
            return Ok(Incoming::Reply(Fragment::default().encode()));
        }
        Ok(Incoming::Whole(std::mem::take(&mut self.incoming)))
    }

    /// Gives a whole message to TLS; returns what it carried.
    pub(super) fn process(&mut self, message: &[u8]) -> Result<Vec<u8>, Why> {
        let [_, server] = &mut self.randoms;
        *server = server.or_else(|| hello_random(message));
        let mut rest = message;
        let mut plaintext = Vec::new();
        let mut outcome = Ok(());
        while !rest.is_empty() && outcome.is_ok() {
            if !matches!(self.tls.read_tls(&mut rest), Ok(1..)) {
                break;
            }
            match self.tls.process_new_packets() {
                Ok(state) => {
                    let mut part = vec![0; state.plaintext_bytes_to_read()];
                    let got = self.tls.reader().read(&mut part).unwrap_or(0);
                    part.truncate(got);
                    plaintext.append(&mut part);
                }
                Err(error) => outcome = Err(error.into()),
            }
        }
        self.collect();
        outcome.map(|()| plaintext)
    }

    /// Sends application data.
    pub(super) fn write(&mut self, plaintext: &[u8]) {
        // The library buffers far more than an EAP packet.
        let _ = self.tls.writer().write_all(plaintext);
        self.collect();
    }

    fn collect(&mut self) {
        while self.tls.wants_write() && matches!(self.tls.write_tls(&mut self.outgoing), Ok(1..)) {}
        let [client, _] = &mut self.randoms;
        *client = client.or_else(|| hello_random(&self.outgoing));
    }

    /// The next fragment of what waits, or an acknowledgement.
    pub(super) fn next(&mut self, room: usize) -> Vec<u8> {
        let size = room.saturating_sub(10).max(1).min(self.outgoing.len());
        let total = u32::try_from(self.outgoing.len()).ok();
        let data: Vec<u8> = self.outgoing.drain(..size).collect();
        let more = !self.outgoing.is_empty();
        let is_first = !std::mem::replace(&mut self.begun, more);
        Fragment {
            total: total.filter(|_| more && is_first),
            more,
            data: &data,
            ..Fragment::default()
        }
        .encode()
    }

    pub(super) fn has_output(&self) -> bool {
        !self.outgoing.is_empty()
    }

    pub(super) fn is_established(&self) -> bool {
        !self.tls.is_handshaking()
    }

    pub(super) fn is_tls13(&self) -> bool {
        self.tls.protocol_version() == Some(ProtocolVersion::TLSv1_3)
    }

    pub(super) fn is_resumed(&self) -> bool {
        self.tls.handshake_kind() == Some(HandshakeKind::Resumed)
    }

    /// MSK and EMSK in one (RFC 5216 section 2.3, RFC 5281 section 8, RFC 9427 section 2.1).
    pub(super) fn keys(&self) -> Result<Zeroizing<[u8; 128]>, Why> {
        let Type(number) = self.method;
        let exported = if self.is_tls13() {
            let label = b"EXPORTER_EAP_TLS_Key_Material";
            self.tls
                .export_keying_material([0; 128], label, Some(&[number]))
        } else if self.method == Type::TTLS {
            self.tls
                .export_keying_material([0; 128], b"ttls keying material", None)
        } else {
            self.tls
                .export_keying_material([0; 128], b"client EAP encryption", None)
        };
        Ok(Zeroizing::new(exported?))
    }

    /// Session-Id, as the server derives it.
    pub(super) fn session_id(&self) -> Option<Vec<u8>> {
        let Type(number) = self.method;
        let mut id = vec![number];
        if self.is_tls13() {
            let label = b"EXPORTER_EAP_TLS_Method-Id";
            let exported = self
                .tls
                .export_keying_material([0; 64], label, Some(&[number]));
            id.extend(exported.ok()?);
        } else {
            for random in self.randoms {
                id.extend(random?);
            }
        }
        Some(id)
    }

    /// The implicit challenge and identifier of EAP-TTLS (RFC 5281 section 11.1).
    pub(super) fn ttls_challenge(&self) -> Result<([u8; 16], u8), Why> {
        let mut challenge = self
            .tls
            .export_keying_material([0; 17], b"ttls challenge", None)?
            .to_vec();
        let identifier = challenge.pop().unwrap_or_default();
        let challenge = challenge.try_into().unwrap_or_default();
        Ok((challenge, identifier))
    }
}

fn client_config(settings: &Arc<ClientTls>, now: Timestamp) -> Result<ClientConfig, Error> {
    let clock = Arc::new(Clock(now));
    let mut config = ClientConfig::builder_with_details(settings.provider.clone(), clock)
        .with_protocol_versions(&settings.versions)?
        .dangerous()
        .with_custom_certificate_verifier(settings.trust.clone())
        .with_client_cert_resolver(settings.certificate.clone());
    config.enable_sni = false;
    config.resumption = settings.resumption.clone();
    config.key_log = settings.key_log.clone();
    Ok(config)
}

#[derive(Debug)]
struct Clock(Timestamp);

impl TimeProvider for Clock {
    fn current_time(&self) -> Option<UnixTime> {
        let seconds = u64::try_from(self.0.as_second()).ok()?;
        Some(UnixTime::since_unix_epoch(Duration::from_secs(seconds)))
    }
}

/// What the supplicant demands of a server certificate.
#[derive(Debug)]
pub(super) struct Trust {
    pub(super) roots: Option<Arc<RootCertStore>>,
    pub(super) name: Option<ServerName<'static>>,
    pub(super) provider: Arc<CryptoProvider>,
}

impl ServerCertVerifier for Trust {
    fn verify_server_cert(
        &self,
        end_entity: &CertificateDer<'_>,
        intermediates: &[CertificateDer<'_>],
        _server_name: &ServerName<'_>,
        _ocsp_response: &[u8],
        now: UnixTime,
    ) -> Result<ServerCertVerified, Error> {
        let certificate = ParsedCertificate::try_from(end_entity)?;
        if let Some(roots) = &self.roots {
            verify_server_cert_signed_by_trust_anchor(
                &certificate,
                roots,
                intermediates,
                now,
                self.provider.signature_verification_algorithms.all,
            )?;
        }
        if let Some(name) = &self.name {
            verify_server_name(&certificate, name)?;
        }
        Ok(ServerCertVerified::assertion())
    }

    fn verify_tls12_signature(
        &self,
        message: &[u8],
        cert: &CertificateDer<'_>,
        dss: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, Error> {
        let algorithms = &self.provider.signature_verification_algorithms;
        verify_tls12_signature(message, cert, dss, algorithms)
    }

    fn verify_tls13_signature(
        &self,
        message: &[u8],
        cert: &CertificateDer<'_>,
        dss: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, Error> {
        let algorithms = &self.provider.signature_verification_algorithms;
        verify_tls13_signature(message, cert, dss, algorithms)
    }

    fn supported_verify_schemes(&self) -> Vec<SignatureScheme> {
        self.provider
            .signature_verification_algorithms
            .supported_schemes()
    }
}
