//! The EAP part of a bench, with its PEM files read.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use rustls::pki_types::pem::{self, PemObject};
use rustls::pki_types::{CertificateDer, CertificateRevocationListDer, PrivateKeyDer};

use crate::bench::{EapSettings, MethodName, TlsVersion};
use crate::eap::{
    Method, Plan, PlanError, Resumption, Settings, Tls, TlsPlan, TlsPlanError, Versions,
};

/// Why the EAP part of a bench can't be used.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum EapError {
    /// A PEM file.
    #[error(
        "{}: {source}; give a PEM file, such as 'portproof certs' makes",
        path.display()
    )]
    Pem {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        source: pem::Error,
    },
    /// The certificates do not make a TLS server.
    #[error("eap: {0}")]
    Tls(#[from] TlsPlanError),
    /// The methods do not fit together.
    #[error("eap: {0}")]
    Plan(#[from] PlanError),
}

/// Reads what the bench file names.
///
/// # Errors
/// A file that can't be read, or settings that do not fit together.
pub fn read(bench: Option<&EapSettings>) -> Result<Option<Arc<Settings>>, EapError> {
    let Some(bench) = bench else {
        return Ok(None);
    };
    let mut plan = Plan {
        preference: bench.methods.iter().filter_map(method).collect(),
        fragment: usize::from(bench.fragment_size),
        ..Plan::default()
    };
    if bench.client_ca.is_empty() {
        // EAP-TLS inside PEAP is offered where there is an authority to check it with.
        plan.peap.retain(|method| *method != Method::Tls);
    }
    if let (Some(certificate), Some(key)) = (&bench.certificate, &bench.key) {
        plan.tls = Some(Arc::new(Tls::new(TlsPlan {
            chain: certificates(certificate)?,
            key: PrivateKeyDer::from_pem_file(key).map_err(of(key))?,
            roots: all(&bench.client_ca, certificates)?,
            crls: all(&bench.crl, revocation_lists)?,
            versions: versions(&bench.tls),
            resumption: bench.resumption.then(Resumption::default),
            key_log: None,
        })?));
    }
    Ok(Some(Arc::new(Settings::new(plan)?)))
}

fn method(name: &MethodName) -> Option<Method> {
    match name {
        MethodName::EapMd5 => Some(Method::Md5),
        MethodName::EapMsChapV2 => Some(Method::MsChapV2),
        MethodName::EapTls => Some(Method::Tls),
        MethodName::EapTtls => Some(Method::Ttls),
        MethodName::Peap => Some(Method::Peap),
        MethodName::Mac | MethodName::Pap | MethodName::Chap => None,
    }
}

fn versions(allowed: &[TlsVersion]) -> Versions {
    match allowed {
        [TlsVersion::V1_2] => Versions::Tls12,
        [TlsVersion::V1_3] => Versions::Tls13,
        _ => Versions::Both,
    }
}

fn certificates(path: &Path) -> Result<Vec<CertificateDer<'static>>, EapError> {
    several(path)
}

fn revocation_lists(path: &Path) -> Result<Vec<CertificateRevocationListDer<'static>>, EapError> {
    several(path)
}

fn several<T: PemObject>(path: &Path) -> Result<Vec<T>, EapError> {
    T::pem_file_iter(path)
        .and_then(Iterator::collect)
        .map_err(of(path))
}

fn all<T>(
    paths: &[PathBuf],
    read: impl Fn(&Path) -> Result<Vec<T>, EapError>,
) -> Result<Vec<T>, EapError> {
    let mut found = Vec::new();
    for path in paths {
        found.extend(read(path)?);
    }
    Ok(found)
}

fn of(path: &Path) -> impl Fn(pem::Error) -> EapError {
    let path = path.to_owned();
    move |source| EapError::Pem {
        path: path.clone(),
        source,
    }
}
