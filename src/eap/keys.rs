//! Keys of the methods over TLS: MSK, EMSK and Session-Id.

use rustls::ProtocolVersion;
use rustls::server::ServerConnection;
use zeroize::Zeroizing;

use super::codec::Type;
use super::proof::{Keys, Method, TlsVersion};

/// The hello randoms, which TLS 1.2 puts in the Session-Id.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Randoms {
    pub(super) client: Option<[u8; 32]>,
    pub(super) server: Option<[u8; 32]>,
}

/// The version of an established connection.
pub(super) fn version(tls: &ServerConnection) -> TlsVersion {
    match tls.protocol_version() {
        Some(ProtocolVersion::TLSv1_3) => TlsVersion::Tls13,
        _ => TlsVersion::Tls12,
    }
}

/// MSK and EMSK, and the Session-Id.
///
/// TLS 1.2: RFC 5216 section 2.3 with the label of RFC 5281 section 8 for EAP-TTLS; that PEAP uses
/// the label of EAP-TLS is common practice from memory. TLS 1.3: RFC 9190 section 2.3 with the
/// method's Type as context (RFC 9427 section 2.1).
pub(super) fn derive(
    tls: &ServerConnection,
    method: Method,
    randoms: Randoms,
) -> Result<(Keys, Option<Vec<u8>>), rustls::Error> {
    let Type(kind) = method.eap_type();
    let (label, context): (&[u8], _) = match (version(tls), method) {
        (TlsVersion::Tls13, _) => (b"EXPORTER_EAP_TLS_Key_Material", Some([kind])),
        (TlsVersion::Tls12, Method::Ttls) => (b"ttls keying material", None),
        (TlsVersion::Tls12, _) => (b"client EAP encryption", None),
    };
    let context = context.as_ref().map(<[u8; 1]>::as_slice);
    // RFC 9190 section 2.3: all 128 octets must be asked for at once.
    let material = Zeroizing::new(tls.export_keying_material([0; 128], label, context)?);
    let (msk, emsk) = material.split_at(64);
    let keys = Keys {
        msk: half(msk),
        emsk: Some(half(emsk)),
    };
    let session_id = match version(tls) {
        TlsVersion::Tls13 => {
            let id =
                tls.export_keying_material([0; 64], b"EXPORTER_EAP_TLS_Method-Id", Some(&[kind]))?;
            Some([&[kind], id.as_slice()].concat())
        }
        TlsVersion::Tls12 => randoms
            .client
            .zip(randoms.server)
            .map(|(client, server)| [&[kind], client.as_slice(), &server].concat()),
    };
    Ok((keys, session_id))
}

fn half(octets: &[u8]) -> Zeroizing<[u8; 64]> {
    let mut half = Zeroizing::new([0; 64]);
    half.iter_mut()
        .zip(octets)
        .for_each(|(to, from)| *to = *from);
    half
}

/// The challenge that EAP-TTLS takes from TLS instead of sending one: 16 octets and an identifier
/// (RFC 5281 section 11.1; TLS 1.3 by RFC 9427 section 2.4).
pub(super) fn ttls_challenge(tls: &ServerConnection) -> Result<[u8; 17], rustls::Error> {
    tls.export_keying_material([0; 17], b"ttls challenge", None)
}
