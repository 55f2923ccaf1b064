//! Who a person or machine proved to be.

use serde::{Deserialize, Serialize};

/// A proven identity.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Login {
    /// The identity that was proven.
    pub identity: String,
    /// Name of the account it belongs to, if the bench declares one.
    pub account: Option<String>,
    /// True for a machine.
    pub machine: bool,
    /// Its groups.
    pub groups: Vec<String>,
    /// Its certificate.
    pub certificate: Option<CertificateFacts>,
}

/// What a client certificate says.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct CertificateFacts {
    /// Subject, RFC 4514 form.
    pub subject: String,
    /// Common name.
    pub common_name: Option<String>,
    /// "DNS:…", "email:…", "UPN:…".
    pub alternative_names: Vec<String>,
    /// Issuer, RFC 4514 form.
    pub issuer: String,
    /// Extended key usages, OID or name.
    pub key_usages: Vec<String>,
    /// Serial number, hex.
    pub serial: String,
}
