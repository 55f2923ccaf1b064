//! Certificates for a bench: an authority, and for the server, each machine and each person one
//! good certificate and one of every kind that a login has to be refused for, or that strains it.
//!
//! [`make`] is pure but for the random numbers in keys and serials; [`write()`] puts a set on disk.
//! Keys are P-256 (RFC 5480), the curve that every TLS 1.2 and 1.3 supplicant knows. The
//! cryptography in use (ring) can't make RSA keys: a bench that needs one brings its own PEM.

mod authority;
mod manifest;
mod plan;
mod profile;
mod set;
mod store;
mod variant;

pub use manifest::{Entry, Manifest};
pub use plan::{Plan, Role};
pub use set::{BenchSet, File, make};
pub use store::write;
pub use variant::Variant;

use std::path::PathBuf;

/// Why no set was made or written.
#[derive(Debug, thiserror::Error)]
pub enum CertsError {
    /// A name that can't stand in a certificate and in a file name.
    #[error("{what} \"{name}\": {remedy}")]
    Name {
        /// Which name it is.
        what: &'static str,
        /// As given.
        name: String,
        /// What would be right.
        remedy: &'static str,
    },
    /// A time outside of what certificates can say.
    #[error("the validity goes beyond what a certificate can say; give fewer days")]
    Time(#[from] time::error::ComponentRange),
    /// The certificate library refused.
    #[error("the certificate was not made: {0}")]
    Certificate(#[from] rcgen::Error),
    /// The PKCS#12 library refused.
    #[error("the PKCS#12 file was not made: {0}")]
    Pkcs12(#[from] p12_keystore::error::Error),
    /// No random numbers from the system.
    #[error("the system gave no random numbers: {0}")]
    Random(#[from] getrandom::Error),
    /// A file is there already.
    #[error("{} is there already; nothing was written. Choose another directory, or overwrite it with --force", .0.display())]
    Exists(PathBuf),
    /// The disk refused.
    #[error("{}: {source}", path.display())]
    Io {
        /// Where.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
}
