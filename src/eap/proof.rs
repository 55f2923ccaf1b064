//! What a login proved.

use std::fmt;
use std::sync::Arc;

use jiff::Timestamp;
use zeroize::Zeroizing;

use super::certificate::CertificateFacts;
use super::codec::Type;

/// An EAP method that can be offered.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Method {
    /// MD5-Challenge (RFC 3748 section 5.4): proves a password, gives no keys.
    Md5,
    /// EAP-TLS (RFC 5216, RFC 9190).
    Tls,
    /// EAP-TTLS version 0 (RFC 5281, RFC 9427).
    Ttls,
    /// PEAP version 0.
    Peap,
    /// EAP-MSCHAPv2: MS-CHAPv2 (RFC 2759) as a method of its own.
    MsChapV2,
}

impl Method {
    /// The Type number on the wire.
    #[must_use]
    pub fn eap_type(self) -> Type {
        match self {
            Method::Md5 => Type::MD5,
            Method::Tls => Type::TLS,
            Method::Ttls => Type::TTLS,
            Method::Peap => Type::PEAP,
            Method::MsChapV2 => Type::MS_CHAP_V2,
        }
    }

    /// The method's usual name.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Method::Md5 => "MD5-Challenge",
            Method::Tls => "EAP-TLS",
            Method::Ttls => "EAP-TTLS",
            Method::Peap => "PEAP",
            Method::MsChapV2 => "EAP-MSCHAPv2",
        }
    }

    /// True for the methods that need a certificate of the server.
    #[must_use]
    pub fn uses_tls(self) -> bool {
        matches!(self, Method::Tls | Method::Ttls | Method::Peap)
    }
}

impl fmt::Display for Method {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// How an identity is proven inside a tunnel.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Inner {
    /// The password itself (RFC 5281 section 11.2.5).
    Pap,
    /// CHAP (RFC 5281 section 11.2.2).
    Chap,
    /// MS-CHAPv2 (RFC 5281 section 11.2.4).
    MsChapV2,
    /// An EAP method without a tunnel of its own (RFC 5281 section 11.2.1), except for EAP-TLS.
    Eap(Method),
}

impl Inner {
    /// The usual name.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Inner::Pap => "PAP",
            Inner::Chap => "CHAP",
            Inner::MsChapV2 => "MS-CHAPv2",
            Inner::Eap(method) => method.name(),
        }
    }
}

impl fmt::Display for Inner {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// The TLS version of a login.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum TlsVersion {
    /// TLS 1.2 (RFC 5246).
    Tls12,
    /// TLS 1.3 (RFC 8446).
    Tls13,
}

impl fmt::Display for TlsVersion {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            TlsVersion::Tls12 => "TLS 1.2",
            TlsVersion::Tls13 => "TLS 1.3",
        })
    }
}

/// The keys that a method exports (RFC 3748 section 7.10).
#[derive(Clone, PartialEq, Eq)]
pub struct Keys {
    /// Master Session Key. Octets 0 to 31 are MS-MPPE-Recv-Key, 32 to 63 are MS-MPPE-Send-Key
    /// (RFC 5216 section 2.3).
    pub msk: Zeroizing<[u8; 64]>,
    /// Extended Master Session Key; EAP-MSCHAPv2 has none.
    pub emsk: Option<Zeroizing<[u8; 64]>>,
}

impl fmt::Debug for Keys {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("<keys>")
    }
}

/// What a login proved.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Proof {
    /// The method that succeeded.
    pub method: Method,
    /// What proved the identity inside the tunnel; `None` without a tunnel.
    pub inner: Option<Inner>,
    /// The identity in the clear, as the supplicant gave it first.
    pub outer_identity: String,
    /// The identity that was proven: the account name that the password belongs to, or the name in
    /// the certificate ([`CertificateFacts::name`]).
    pub identity: String,
    /// The certificate that the supplicant proved to own.
    pub certificate: Option<Arc<CertificateFacts>>,
    /// `None` for MD5-Challenge.
    pub keys: Option<Keys>,
    /// Session-Id (RFC 5247 section 1.4), which goes into EAP-Key-Name. `None` for the methods
    /// that define none.
    pub session_id: Option<Vec<u8>>,
    /// The TLS session of an earlier login was resumed, and the identity is what that one proved.
    pub resumed: bool,
    /// `None` for methods without TLS.
    pub tls: Option<TlsVersion>,
}

/// What is kept of a login for its resumption.
#[derive(Debug, Clone)]
pub(super) struct Proven {
    pub(super) identity: String,
    pub(super) inner: Option<Inner>,
    pub(super) certificate: Option<Arc<CertificateFacts>>,
    /// When it was proven in full. Resuming does not renew it.
    pub(super) since: Timestamp,
}
