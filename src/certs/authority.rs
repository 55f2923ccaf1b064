//! Authorities and what they sign.

use jiff::{SignedDuration, Timestamp};
use rcgen::string::Ia5String;
use rcgen::{
    BasicConstraints, CertificateParams, CertificateRevocationListParams, CertifiedIssuer,
    DistinguishedName, DnType, ExtendedKeyUsagePurpose, IsCa, KeyIdMethod, KeyPair,
    KeyUsagePurpose, OtherNameValue, RevocationReason, RevokedCertParams, SanType, SerialNumber,
};
use rustls::pki_types::CertificateDer;
use time::OffsetDateTime;

use super::plan::Subject;
use super::plan::WRONG_NAME;
use super::{CertsError, Role, Variant};

/// userPrincipalName as an otherName, the form in which directories name people in certificates
/// (common practice, no RFC).
const USER_PRINCIPAL_NAME: [u64; 10] = [1, 3, 6, 1, 4, 1, 311, 20, 2, 3];

const HOUR: i64 = 60 * 60;
const DAY: i64 = 24 * HOUR;

/// From when until when a certificate is valid.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Validity {
    pub from: Timestamp,
    pub until: Timestamp,
}

impl Validity {
    /// A leaf's validity. One hour of the past is included, for clocks that are behind.
    pub fn of(variant: Variant, now: Timestamp, days: u16) -> Validity {
        match variant {
            Variant::Expired => Validity::between(now, -30 * DAY, -DAY),
            Variant::NotYetValid => Validity::between(now, 30 * DAY, 60 * DAY),
            _ => Validity::between(now, -HOUR, i64::from(days) * DAY),
        }
    }

    /// An authority's validity covers every leaf's, so that only the leaf's dates are wrong.
    pub fn of_authority(now: Timestamp, days: u16) -> Validity {
        Validity::between(now, -31 * DAY, i64::from(days.max(61)) * DAY)
    }

    fn between(now: Timestamp, from: i64, until: i64) -> Validity {
        let at = |seconds| {
            now.saturating_add(SignedDuration::from_secs(seconds))
                .unwrap_or(now)
        };
        Validity {
            from: at(from),
            until: at(until),
        }
    }
}

/// A certificate with its key and the certificates above it, the root left out.
pub(super) struct Issued {
    pub certificate: CertificateDer<'static>,
    pub key: KeyPair,
    pub above: Vec<CertificateDer<'static>>,
    pub serial: Vec<u8>,
    pub names: Vec<String>,
    pub validity: Validity,
}

/// An authority: its key, its certificate and those above it up to, without, the root.
pub(super) struct Authority {
    issuer: CertifiedIssuer<'static, KeyPair>,
    above: Vec<CertificateDer<'static>>,
    organisation: String,
}

impl Authority {
    /// A root.
    pub fn root(
        organisation: &str,
        name: &str,
        validity: Validity,
    ) -> Result<Authority, CertsError> {
        let params = authority_params(organisation, name, validity)?;
        Ok(Authority {
            issuer: CertifiedIssuer::self_signed(params, KeyPair::generate()?)?,
            above: Vec::new(),
            organisation: organisation.to_owned(),
        })
    }

    /// An authority below this one.
    pub fn below(&self, name: &str, validity: Validity) -> Result<Authority, CertsError> {
        let mut params = authority_params(&self.organisation, name, validity)?;
        params.use_authority_key_identifier_extension = true;
        let issuer = CertifiedIssuer::signed_by(params, KeyPair::generate()?, &self.issuer)?;
        let above = std::iter::once(issuer.der().clone())
            .chain(self.above.iter().cloned())
            .collect();
        Ok(Authority {
            issuer,
            above,
            organisation: self.organisation.clone(),
        })
    }

    pub fn certificate(&self) -> &CertificateDer<'static> {
        self.issuer.der()
    }

    pub fn key(&self) -> &KeyPair {
        self.issuer.key()
    }

    /// A leaf for a subject.
    pub fn issue(
        &self,
        subject: Subject<'_>,
        variant: Variant,
        validity: Validity,
    ) -> Result<Issued, CertsError> {
        let named = match variant {
            Variant::WrongName => Subject {
                name: WRONG_NAME,
                ..subject
            },
            _ => subject,
        };
        let (common_name, alternative_names) = names_of(named)?;
        let serial = fresh_serial()?;
        let mut params = params(&self.organisation, &common_name, validity, &serial)?;
        params.is_ca = IsCa::ExplicitNoCa;
        params.use_authority_key_identifier_extension = true;
        params.key_usages = vec![KeyUsagePurpose::DigitalSignature];
        let serves = (subject.role == Role::Server) != (variant == Variant::WrongUsage);
        params.extended_key_usages = vec![if serves {
            ExtendedKeyUsagePurpose::ServerAuth
        } else {
            ExtendedKeyUsagePurpose::ClientAuth
        }];
        let names = alternative_names.iter().map(spelt).collect();
        params.subject_alt_names = alternative_names;
        let key = KeyPair::generate()?;
        let certificate = params.signed_by(&key, &self.issuer)?;
        Ok(Issued {
            certificate: certificate.into(),
            key,
            above: self.above.clone(),
            serial: serial.to_vec(),
            names,
            validity,
        })
    }

    /// The authority's revocation list, PEM.
    pub fn revocation_list(
        &self,
        revoked: &[Vec<u8>],
        validity: Validity,
    ) -> Result<String, CertsError> {
        let this_update = at(validity.from)?;
        let list = CertificateRevocationListParams {
            this_update,
            next_update: at(validity.until)?,
            crl_number: SerialNumber::from(1_u64),
            issuing_distribution_point: None,
            revoked_certs: revoked
                .iter()
                .map(|serial| RevokedCertParams {
                    serial_number: SerialNumber::from_slice(serial),
                    revocation_time: this_update,
                    reason_code: Some(RevocationReason::KeyCompromise),
                    invalidity_date: None,
                })
                .collect(),
            key_identifier_method: KeyIdMethod::Sha256,
        };
        Ok(list.signed_by(&self.issuer)?.pem()?)
    }
}

fn authority_params(
    organisation: &str,
    name: &str,
    validity: Validity,
) -> Result<CertificateParams, CertsError> {
    let common_name = format!("{organisation} {name} (bench only)");
    let mut params = params(organisation, &common_name, validity, &fresh_serial()?)?;
    params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
    params.key_usages = vec![KeyUsagePurpose::KeyCertSign, KeyUsagePurpose::CrlSign];
    Ok(params)
}

/// What all certificates share, the mark "bench only" in the subject among it.
fn params(
    organisation: &str,
    common_name: &str,
    validity: Validity,
    serial: &[u8],
) -> Result<CertificateParams, CertsError> {
    let mut name = DistinguishedName::new();
    name.push(
        DnType::OrganizationName,
        format!("{organisation} (bench only)"),
    );
    name.push(DnType::CommonName, common_name);
    let mut params = CertificateParams::default();
    params.not_before = at(validity.from)?;
    params.not_after = at(validity.until)?;
    params.distinguished_name = name;
    params.serial_number = Some(SerialNumber::from_slice(serial));
    Ok(params)
}

/// Random, since some key stores refuse a second certificate of one issuer name and serial;
/// positive and without a leading zero octet (RFC 5280 section 4.1.2.2).
fn fresh_serial() -> Result<[u8; 16], CertsError> {
    let mut serial = [0_u8; 16];
    getrandom::fill(&mut serial)?;
    let [first, ..] = &mut serial;
    *first = (*first & 0x7f) | 0x40;
    Ok(serial)
}

/// Common name and subject alternative names (RFC 5280 section 4.2.1.6).
fn names_of(subject: Subject<'_>) -> Result<(String, Vec<SanType>), CertsError> {
    match subject.role {
        Role::Server | Role::Machine => {
            let host = format!("{}.{}", subject.name, subject.domain);
            let names = vec![SanType::DnsName(Ia5String::try_from(host.as_str())?)];
            // A common name has 64 characters at the most (RFC 5280 appendix A.1).
            let short = host.len() > 64;
            Ok((if short { subject.name.to_owned() } else { host }, names))
        }
        Role::Person => {
            let address = format!("{}@{}", subject.name, subject.domain);
            let names = vec![
                SanType::Rfc822Name(Ia5String::try_from(address.as_str())?),
                SanType::OtherName((
                    USER_PRINCIPAL_NAME.to_vec(),
                    OtherNameValue::Utf8String(address),
                )),
            ];
            Ok((subject.name.to_owned(), names))
        }
    }
}

/// A subject alternative name as class tables write it.
fn spelt(name: &SanType) -> String {
    match name {
        SanType::DnsName(host) => format!("DNS:{}", host.as_str()),
        SanType::Rfc822Name(address) => format!("email:{}", address.as_str()),
        SanType::OtherName((_, OtherNameValue::Utf8String(name))) => format!("UPN:{name}"),
        other => format!("{other:?}"),
    }
}

fn at(time: Timestamp) -> Result<OffsetDateTime, CertsError> {
    Ok(OffsetDateTime::from_unix_timestamp(time.as_second())?)
}
