//! What a certificate says, and why one was not accepted.

use std::fmt;
use std::fmt::Write as _;

use jiff::Timestamp;
use rustls::CertificateError;
use rustls::pki_types::{CertificateDer, UnixTime};
use x509_parser::asn1_rs::{Oid, oid};
use x509_parser::der_parser::ber::parse_ber;
use x509_parser::prelude::{ExtendedKeyUsage, FromDer, GeneralName, X509Certificate};

/// The otherName form of a SAN that holds a user principal name (from memory, no stored source).
const USER_PRINCIPAL_NAME: Oid<'static> = oid!(1.3.6.1.4.1.311.20.2.3);

/// The fields of a certificate that a bench decides on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CertificateFacts {
    /// Subject as one line, `CN=..., O=...`.
    pub subject: String,
    /// The first common name of the subject.
    pub common_name: Option<String>,
    /// Issuer as one line.
    pub issuer: String,
    /// Serial number in lower-case hexadecimal.
    pub serial: String,
    /// DNS names of the SAN.
    pub dns: Vec<String>,
    /// Mail addresses of the SAN.
    pub mail: Vec<String>,
    /// User principal names of the SAN.
    pub user: Vec<String>,
    /// URIs of the SAN.
    pub uri: Vec<String>,
    /// Extended key usages: names of RFC 5280 section 4.2.1.12, or dotted numbers. Empty when the
    /// extension is missing.
    pub purposes: Vec<String>,
    /// First moment of validity.
    pub not_before: Timestamp,
    /// Last moment of validity.
    pub not_after: Timestamp,
}

impl CertificateFacts {
    /// Reads a certificate; `None` when it cannot be read.
    #[must_use]
    pub fn read(der: &[u8]) -> Option<CertificateFacts> {
        let (_, certificate) = X509Certificate::from_der(der).ok()?;
        let validity = certificate.validity();
        let mut facts = CertificateFacts {
            subject: safe(&certificate.subject().to_string()),
            common_name: certificate
                .subject()
                .iter_common_name()
                .next()
                .and_then(|name| name.as_str().ok())
                .map(safe),
            issuer: safe(&certificate.issuer().to_string()),
            serial: hex(certificate.raw_serial()),
            dns: Vec::new(),
            mail: Vec::new(),
            user: Vec::new(),
            uri: Vec::new(),
            purposes: certificate
                .extended_key_usage()
                .ok()
                .flatten()
                .map(|usage| purposes(usage.value))
                .unwrap_or_default(),
            not_before: timestamp(validity.not_before.timestamp()),
            not_after: timestamp(validity.not_after.timestamp()),
        };
        if let Ok(Some(names)) = certificate.subject_alternative_name() {
            for name in &names.value.general_names {
                facts.add_name(name);
            }
        }
        Some(facts)
    }

    fn add_name(&mut self, name: &GeneralName<'_>) {
        match name {
            GeneralName::DNSName(name) => self.dns.push(safe(name)),
            GeneralName::RFC822Name(name) => self.mail.push(safe(name)),
            GeneralName::URI(name) => self.uri.push(safe(name)),
            GeneralName::OtherName(kind, value) if *kind == USER_PRINCIPAL_NAME => {
                self.user.extend(other_name_text(value));
            }
            _ => {}
        }
    }

    /// The name that stands for the owner: the first user principal name, mail address or DNS name
    /// of the SAN, else the common name, else the whole subject (RFC 5216 section 5.2 wants the SAN
    /// before the subject; the order within the SAN is common practice, no source).
    #[must_use]
    pub fn name(&self) -> &str {
        [&self.user, &self.mail, &self.dns]
            .into_iter()
            .find_map(|names| names.first())
            .or(self.common_name.as_ref())
            .unwrap_or(&self.subject)
    }

    /// True at a moment within the validity.
    #[must_use]
    pub fn is_valid_at(&self, now: Timestamp) -> bool {
        (self.not_before..=self.not_after).contains(&now)
    }
}

/// `[0] EXPLICIT` around a string (RFC 5280 section 4.2.1.6).
fn other_name_text(value: &[u8]) -> Option<String> {
    let (_, outer) = parse_ber(value).ok()?;
    let inside = outer.as_slice().ok()?;
    let (_, text) = parse_ber(inside).ok()?;
    text.as_str().ok().map(safe)
}

fn purposes(usage: &ExtendedKeyUsage<'_>) -> Vec<String> {
    let named = [
        (usage.any, "anyExtendedKeyUsage"),
        (usage.server_auth, "serverAuth"),
        (usage.client_auth, "clientAuth"),
        (usage.code_signing, "codeSigning"),
        (usage.email_protection, "emailProtection"),
        (usage.time_stamping, "timeStamping"),
        (usage.ocsp_signing, "OCSPSigning"),
    ];
    named
        .into_iter()
        .filter(|(present, _)| *present)
        .map(|(_, name)| name.to_owned())
        .chain(usage.other.iter().map(Oid::to_id_string))
        .collect()
}

/// Text from a certificate must not break a line of a log.
fn safe(text: &str) -> String {
    super::identity::readable(text.as_bytes())
}

fn hex(octets: &[u8]) -> String {
    octets.iter().fold(String::new(), |mut text, octet| {
        // Writing to a String cannot fail.
        let _ = write!(text, "{octet:02x}");
        text
    })
}

fn timestamp(seconds: i64) -> Timestamp {
    let nearest = if seconds < 0 {
        Timestamp::MIN
    } else {
        Timestamp::MAX
    };
    Timestamp::from_second(seconds).unwrap_or(nearest)
}

/// Why a certificate of a supplicant was not accepted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CertificateFault {
    /// What is wrong.
    pub cause: CertificateCause,
    /// The supplicant's own certificate, if it can be read.
    pub certificate: Option<Box<CertificateFacts>>,
}

/// What is wrong with a certificate.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub enum CertificateCause {
    /// Its validity, or that of a CA between it and the root, is over.
    Expired {
        /// The last moment of validity.
        on: Timestamp,
    },
    /// Its validity, or that of a CA between it and the root, has not begun.
    NotYetValid {
        /// The first moment of validity.
        from: Timestamp,
    },
    /// No CA of the bench signed it, or an intermediate certificate was not sent.
    UnknownIssuer,
    /// It is not meant for the authentication of clients.
    WrongPurpose {
        /// What it is meant for.
        purposes: Vec<String>,
    },
    /// It is on a revocation list of the bench.
    Revoked,
    /// A signature does not fit, or was made with an algorithm that is not supported.
    BadSignature,
    /// It cannot be read, or its chain breaks a rule.
    BadChain(String),
}

impl CertificateFault {
    /// Names the fault of a TLS library error, for the certificate that was presented.
    pub(super) fn new(error: &CertificateError, presented: &CertificateDer<'_>) -> Self {
        let certificate = CertificateFacts::read(presented).map(Box::new);
        let own = certificate.as_deref();
        let cause = match error {
            CertificateError::Expired => CertificateCause::Expired {
                on: own.map_or(Timestamp::MIN, |facts| facts.not_after),
            },
            CertificateError::ExpiredContext { not_after, .. } => CertificateCause::Expired {
                on: from_unix(*not_after),
            },
            CertificateError::NotValidYet => CertificateCause::NotYetValid {
                from: own.map_or(Timestamp::MAX, |facts| facts.not_before),
            },
            CertificateError::NotValidYetContext { not_before, .. } => {
                CertificateCause::NotYetValid {
                    from: from_unix(*not_before),
                }
            }
            CertificateError::UnknownIssuer => CertificateCause::UnknownIssuer,
            CertificateError::InvalidPurpose | CertificateError::InvalidPurposeContext { .. } => {
                CertificateCause::WrongPurpose {
                    purposes: own.map(|facts| facts.purposes.clone()).unwrap_or_default(),
                }
            }
            CertificateError::Revoked => CertificateCause::Revoked,
            CertificateError::BadSignature
            | CertificateError::UnsupportedSignatureAlgorithmContext { .. }
            | CertificateError::UnsupportedSignatureAlgorithmForPublicKeyContext { .. } => {
                CertificateCause::BadSignature
            }
            other => CertificateCause::BadChain(other.to_string()),
        };
        CertificateFault { cause, certificate }
    }
}

fn from_unix(time: UnixTime) -> Timestamp {
    timestamp(i64::try_from(time.as_secs()).unwrap_or(i64::MAX))
}

impl fmt::Display for CertificateFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.certificate {
            Some(facts) => write!(f, "the certificate of {} ", facts.name())?,
            None => f.write_str("the supplicant's certificate ")?,
        }
        match &self.cause {
            CertificateCause::Expired { on } => write!(
                f,
                "(or a CA above it) expired on {on}: issue a new one, or check the bench's clock"
            ),
            CertificateCause::NotYetValid { from } => write!(
                f,
                "(or a CA above it) is not valid before {from}: wait, or check the bench's clock"
            ),
            CertificateCause::UnknownIssuer => {
                f.write_str("was issued by a CA that the bench does not trust")?;
                if let Some(facts) = &self.certificate {
                    write!(f, " ({})", facts.issuer)?;
                }
                f.write_str(
                    ": add that CA to the bench, or have the supplicant send its intermediate \
                     certificates",
                )
            }
            CertificateCause::WrongPurpose { purposes } => write!(
                f,
                "is not meant for client authentication but for {}: issue one with the extended \
                 key usage clientAuth",
                purposes.join(", ")
            ),
            CertificateCause::Revoked => {
                f.write_str("has been revoked")?;
                if let Some(facts) = &self.certificate {
                    write!(f, " (serial {})", facts.serial)?;
                }
                f.write_str(": issue a new one")
            }
            CertificateCause::BadSignature => f.write_str(
                "or a CA above it carries a signature that does not fit or is not supported",
            ),
            CertificateCause::BadChain(why) => write!(f, "or its chain is unusable: {why}"),
        }
    }
}
