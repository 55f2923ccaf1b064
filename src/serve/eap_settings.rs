//! The EAP part of a bench, with its PEM files read.

use std::io;
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
    bench
        .map(|bench| read_from(bench, &|path: &Path| std::fs::read(path)))
        .transpose()
}

/// The same with files of the caller's.
///
/// # Errors
/// As [`read`].
pub fn read_from(bench: &EapSettings, read: &Reader<'_>) -> Result<Arc<Settings>, EapError> {
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
            chain: several(certificate, read)?,
            key: PrivateKeyDer::from_pem_slice(&octets(key, read)?).map_err(of(key))?,
            roots: all::<CertificateDer<'_>>(&bench.client_ca, read)?,
            crls: all::<CertificateRevocationListDer<'_>>(&bench.crl, read)?,
            versions: versions(&bench.tls),
            resumption: bench.resumption.then(Resumption::default),
            key_log: None,
        })?));
    }
    Ok(Arc::new(Settings::new(plan)?))
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

/// Gives the octets of a file.
pub type Reader<'r> = dyn Fn(&Path) -> io::Result<Vec<u8>> + 'r;

fn octets(path: &Path, read: &Reader<'_>) -> Result<Vec<u8>, EapError> {
    read(path).map_err(|error| of(path)(pem::Error::Io(error)))
}

fn several<T: PemObject>(path: &Path, read: &Reader<'_>) -> Result<Vec<T>, EapError> {
    T::pem_slice_iter(&octets(path, read)?)
        .collect::<Result<_, _>>()
        .map_err(of(path))
}

fn all<T: PemObject>(paths: &[PathBuf], read: &Reader<'_>) -> Result<Vec<T>, EapError> {
    let mut found = Vec::new();
    for path in paths {
        found.extend(several(path, read)?);
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
