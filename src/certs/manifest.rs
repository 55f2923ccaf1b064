//! What each file of a set is for, for programs (JSON) and for people (text).

use std::fmt::Write as _;

use jiff::Timestamp;
use serde::Serialize;

use super::set::{CA, MARK, REVOCATION_LIST, UNKNOWN_CA};
use super::{Plan, Role, Variant};

/// The list of a set.
#[derive(Debug, Serialize)]
pub struct Manifest {
    /// A sentence that says that this is for a bench only.
    pub notice: &'static str,
    /// When the set was made.
    pub made: Timestamp,
    /// The authority to trust on the bench.
    pub authority: &'static str,
    /// The authority that nobody should trust.
    pub unknown_authority: &'static str,
    /// Revocation lists of the authority and of those below it.
    pub revocation_list: &'static str,
    /// Name that supplicants should expect of the server.
    pub server_name: String,
    /// One entry a certificate.
    pub entries: Vec<Entry>,
}

/// One certificate with its key.
#[derive(Debug, Serialize)]
pub struct Entry {
    /// Whose it is.
    pub role: Role,
    /// Name of the host or person, without the domain.
    pub name: String,
    /// What is special about it.
    pub variant: Variant,
    /// Certificate and those above it, PEM, the root left out.
    pub certificate: String,
    /// Private key, PEM (PKCS#8, RFC 5958).
    pub key: String,
    /// Key, certificate and all above it, PKCS#12; none for a server.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub pkcs12: Option<String>,
    /// The EAP identity that goes with it; none for a server.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub identity: Option<String>,
    /// Subject alternative names, as "DNS:…", "email:…", "UPN:…".
    pub alternative_names: Vec<String>,
    /// Serial number, hex.
    pub serial: String,
    /// Valid from.
    pub valid_from: Timestamp,
    /// Valid until.
    pub valid_until: Timestamp,
    /// Whether a peer that checks everything takes it.
    pub should_be_taken: bool,
    /// What should come of it.
    pub expected: &'static str,
}

impl Manifest {
    pub(super) fn new(plan: &Plan, now: Timestamp) -> Manifest {
        Manifest {
            notice: MARK.trim_start_matches("# ").trim_end(),
            made: now,
            authority: CA,
            unknown_authority: UNKNOWN_CA,
            revocation_list: REVOCATION_LIST,
            server_name: format!("{}.{}", plan.server, plan.domain),
            entries: Vec::new(),
        }
    }

    /// The list as JSON.
    #[must_use]
    pub fn json(&self) -> String {
        // Plain strings, times and booleans: nothing here can fail to be written.
        let mut text = serde_json::to_string_pretty(self).unwrap_or_default();
        text.push('\n');
        text
    }

    /// The list for people.
    #[must_use]
    pub fn text(&self) -> String {
        let mut text = MARK.to_owned();
        let _ = write!(
            text,
            "\n\
            Made {made}. Whoever holds the key of {CA} can pose as any server or\n\
            person to whatever trusts it: take it out of every trust store when the tests are done.\n\
            \n\
            Trust on the bench:       {CA}\n\
            Trust nowhere:            {UNKNOWN_CA}\n\
            Revocation lists:         {REVOCATION_LIST}\n\
            Server name to expect:    {server}\n\
            PKCS#12 passphrase:       as given with --passphrase; \"bench-only\" unless given\n\
            Supplicant profiles:      profiles/\n",
            made = self.made.strftime("%F %R UTC"),
            server = self.server_name,
        );
        for entry in &self.entries {
            if entry.variant == Variant::Good {
                let _ = writeln!(text, "\n{}", entry.title());
            }
            let _ = writeln!(
                text,
                "  {:<15} {} to {}  {}",
                entry.variant.word(),
                entry.valid_from.strftime("%F"),
                entry.valid_until.strftime("%F"),
                entry.expected,
            );
        }
        text
    }
}

impl Entry {
    fn title(&self) -> String {
        let folder = self.certificate.rsplit_once('/').map_or("", |(f, _)| f);
        let kinds = match self.role {
            Role::Server => "{pem,key}",
            Role::Machine | Role::Person => "{pem,key,p12}",
        };
        let identity = self
            .identity
            .as_ref()
            .map_or_else(String::new, |identity| format!(", identity {identity}"));
        format!(
            "{folder}/*.{kinds}: {} {}{identity}",
            self.role.word(),
            self.name
        )
    }
}
