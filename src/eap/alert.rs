//! TLS alerts in words (RFC 8446 section 6).

use std::fmt;
use std::sync::Arc;

use jiff::Timestamp;

use super::certificate::CertificateFacts;

/// A fatal alert that a supplicant sent, with what is needed to say what it means.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Alert {
    /// AlertDescription (RFC 8446 section 6).
    pub code: u8,
    /// The server certificate that the supplicant was shown.
    pub server: Arc<CertificateFacts>,
    /// When the alert came, by the bench's clock.
    pub at: Timestamp,
}

impl Alert {
    /// The alert's name (RFC 8446 section 6; the dropped ones from RFC 5246 section 7.2).
    #[must_use]
    pub fn name(&self) -> &'static str {
        match self.code {
            0 => "close notify",
            10 => "unexpected message",
            20 => "bad record MAC",
            21 => "decryption failed",
            22 => "record overflow",
            40 => "handshake failure",
            41 => "no certificate",
            42 => "bad certificate",
            43 => "unsupported certificate",
            44 => "certificate revoked",
            45 => "certificate expired",
            46 => "certificate unknown",
            47 => "illegal parameter",
            48 => "unknown CA",
            49 => "access denied",
            50 => "decode error",
            51 => "decrypt error",
            70 => "protocol version",
            71 => "insufficient security",
            80 => "internal error",
            86 => "inappropriate fallback",
            90 => "user cancelled",
            109 => "missing extension",
            110 => "unsupported extension",
            112 => "unrecognised name",
            113 => "bad certificate status response",
            115 => "unknown PSK identity",
            116 => "certificate required",
            120 => "no application protocol",
            _ => "an unknown alert",
        }
    }

    /// True if the supplicant refused our certificate because of its dates, although by the bench's
    /// clock it is valid.
    #[must_use]
    pub fn shows_skewed_clock(&self) -> bool {
        self.code == 45 && self.server.is_valid_at(self.at)
    }
}

impl fmt::Display for Alert {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (code, name, server) = (self.code, self.name(), &self.server);
        match code {
            48 => write!(
                f,
                "the supplicant refused our certificate (alert {code}, {name}): it does not trust \
                 the issuer {}; install the bench CA on it",
                server.issuer
            ),
            45 if self.shows_skewed_clock() => write!(
                f,
                "the supplicant refused our certificate as expired or not yet valid (alert {code}), \
                 but it is valid from {} to {}: the supplicant's clock is wrong, or a CA that it \
                 holds has expired",
                server.not_before, server.not_after
            ),
            45 => write!(
                f,
                "the supplicant refused our certificate (alert {code}, {name}): it is valid from {} \
                 to {}",
                server.not_before, server.not_after
            ),
            42 | 43 | 44 | 46 => write!(
                f,
                "the supplicant refused our certificate {} (alert {code}, {name}): check the server \
                 name that it expects, and the certificate's purposes",
                server.name()
            ),
            49 | 90 => write!(
                f,
                "the supplicant, or the person at it, refused our certificate {} (alert {code}, \
                 {name})",
                server.name()
            ),
            40 | 70 | 71 => write!(
                f,
                "the supplicant and the bench share no TLS version or cipher suite (alert {code}, \
                 {name}): compare the versions that both allow"
            ),
            // Seen with a real supplicant that was told to expect another name.
            80 => write!(
                f,
                "the supplicant broke TLS off (alert {code}, {name}): some say so when our \
                 certificate, which is for {}, has not the server name that they expect",
                server.name()
            ),
            _ => write!(f, "the supplicant broke TLS off (alert {code}, {name})"),
        }
    }
}
