//! The whole set, in memory.

use jiff::Timestamp;
use p12_keystore::{Certificate, KeyStore, KeyStoreEntry, PrivateKey, PrivateKeyChain};
use rustls::pki_types::CertificateDer;

use super::authority::{Authority, Issued, Validity};
use super::manifest::{Entry, Manifest};
use super::plan::Subject;
use super::{CertsError, Plan, Role, Variant, profile};

pub(super) const CA: &str = "ca/bench-ca.pem";
const CA_KEY: &str = "ca/bench-ca.key";
pub(super) const UNKNOWN_CA: &str = "ca/unknown-ca.pem";
pub(super) const REVOCATION_LIST: &str = "ca/revoked.crl.pem";

/// How many authorities stand between the root and a leaf of [`Variant::LongChain`].
const LONG: usize = 4;

/// First lines of every file that can carry a comment.
pub(super) const MARK: &str =
    "# Bench only. Made for a test bench by portproof: trust it nowhere else.\n";

/// Files and what they are for.
#[derive(Debug)]
pub struct BenchSet {
    /// All files, the manifest's among them.
    pub files: Vec<File>,
    /// What each of them is for.
    pub manifest: Manifest,
}

/// One file of a set.
pub struct File {
    /// Path below the set's directory, with `/`.
    pub path: String,
    /// Octets.
    pub content: zeroize::Zeroizing<Vec<u8>>,
    /// Holds a private key: mode 0600.
    pub private: bool,
}

impl std::fmt::Debug for File {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} ({} octets)", self.path, self.content.len())
    }
}

impl BenchSet {
    /// The file at a path below the set's directory.
    #[must_use]
    pub fn file(&self, path: &str) -> Option<&File> {
        self.files.iter().find(|file| file.path == path)
    }

    fn add(&mut self, path: impl Into<String>, content: impl Into<Vec<u8>>, private: bool) {
        self.files.push(File {
            path: path.into(),
            content: zeroize::Zeroizing::new(content.into()),
            private,
        });
    }
}

/// Makes a set whose good certificates are valid from `now`.
///
/// # Errors
/// A name that can't be used, a validity out of range, or a library that refused.
pub fn make(plan: &Plan, now: Timestamp) -> Result<BenchSet, CertsError> {
    plan.check()?;
    let authorities = Authorities::new(plan, now)?;
    let mut set = BenchSet {
        files: Vec::new(),
        manifest: Manifest::new(plan, now),
    };
    set.add(CA, public(&[authorities.bench.certificate()]), false);
    set.add(CA_KEY, private(authorities.bench.key()), true);
    set.add(
        UNKNOWN_CA,
        public(&[authorities.unknown.certificate()]),
        false,
    );

    let mut revoked = Vec::new();
    for subject in plan.subjects() {
        for variant in Variant::ALL {
            let issued = authorities.issue(subject, variant, now, plan.days)?;
            if variant == Variant::Revoked {
                revoked.push(issued.serial.clone());
            }
            add_leaf(&mut set, plan, &authorities, subject, variant, &issued)?;
        }
        for (path, text) in profile::of(plan, subject) {
            set.add(path, text, false);
        }
    }
    set.add(
        REVOCATION_LIST,
        authorities.revocation_lists(&revoked, now, plan.days)?,
        false,
    );
    set.add("manifest.json", set.manifest.json(), false);
    set.add("README.txt", set.manifest.text(), false);
    Ok(set)
}

fn add_leaf(
    set: &mut BenchSet,
    plan: &Plan,
    authorities: &Authorities,
    subject: Subject<'_>,
    variant: Variant,
    issued: &Issued,
) -> Result<(), CertsError> {
    let stem = format!("{}/{}", subject.folder(), variant.word());
    let chain: Vec<_> = std::iter::once(&issued.certificate)
        .chain(&issued.above)
        .collect();
    let certificate = format!("{stem}.pem");
    let key = format!("{stem}.key");
    set.add(&certificate, public(&chain), false);
    set.add(&key, private(&issued.key), true);
    let pkcs12 = if subject.role == Role::Server {
        None
    } else {
        let path = format!("{stem}.p12");
        let root = authorities.root_of(variant).certificate();
        let chain = chain.into_iter().chain([root]);
        let label = format!("{} {} (bench only)", subject.name, variant.word());
        set.add(
            &path,
            bundle(&label, issued, chain, &plan.passphrase)?,
            true,
        );
        Some(path)
    };
    set.manifest.entries.push(Entry {
        role: subject.role,
        name: subject.name.to_owned(),
        variant,
        certificate,
        key,
        pkcs12,
        identity: subject.identity(),
        alternative_names: issued.names.clone(),
        serial: issued.serial.iter().map(|o| format!("{o:02x}")).collect(),
        valid_from: issued.validity.from,
        valid_until: issued.validity.until,
        should_be_taken: variant.is_taken(subject.role),
        expected: variant.expected(subject.role),
    });
    Ok(())
}

struct Authorities {
    bench: Authority,
    unknown: Authority,
    /// From the one below the root down to the one that issues.
    chain: Vec<Authority>,
}

impl Authorities {
    fn new(plan: &Plan, now: Timestamp) -> Result<Authorities, CertsError> {
        let validity = Validity::of_authority(now, plan.days);
        let bench = Authority::root(&plan.organisation, "CA", validity)?;
        let unknown = Authority::root(&plan.organisation, "unknown CA", validity)?;
        let mut chain: Vec<Authority> = Vec::with_capacity(LONG);
        for level in 1..=LONG {
            let above = chain.last().unwrap_or(&bench);
            chain.push(above.below(&format!("CA level {level}"), validity)?);
        }
        Ok(Authorities {
            bench,
            unknown,
            chain,
        })
    }

    fn issue(
        &self,
        subject: Subject<'_>,
        variant: Variant,
        now: Timestamp,
        days: u16,
    ) -> Result<Issued, CertsError> {
        let issuer = match variant {
            Variant::UnknownIssuer => &self.unknown,
            Variant::LongChain => self.chain.last().unwrap_or(&self.bench),
            _ => &self.bench,
        };
        issuer.issue(subject, variant, Validity::of(variant, now, days))
    }

    fn root_of(&self, variant: Variant) -> &Authority {
        match variant {
            Variant::UnknownIssuer => &self.unknown,
            _ => &self.bench,
        }
    }

    /// The bench CA's list, then an empty one of each authority below it: a verifier that checks
    /// a whole chain wants one for every issuer.
    fn revocation_lists(
        &self,
        revoked: &[Vec<u8>],
        now: Timestamp,
        days: u16,
    ) -> Result<String, CertsError> {
        let validity = Validity::of(Variant::Good, now, days);
        let mut lists = MARK.to_owned();
        lists.push_str(&self.bench.revocation_list(revoked, validity)?);
        for authority in &self.chain {
            lists.push_str(&authority.revocation_list(&[], validity)?);
        }
        Ok(lists)
    }
}

fn public(certificates: &[&CertificateDer<'static>]) -> String {
    let mut text = MARK.to_owned();
    for certificate in certificates {
        text.push_str(&pem::encode_config(
            &pem::Pem::new("CERTIFICATE", certificate.to_vec()),
            line_ends(),
        ));
    }
    text
}

fn private(key: &rcgen::KeyPair) -> String {
    format!("{MARK}{}", key.serialize_pem())
}

fn line_ends() -> pem::EncodeConfig {
    pem::EncodeConfig::new().set_line_ending(pem::LineEnding::LF)
}

/// A PKCS#12 file (RFC 7292) with the key, its certificate and all above it, the root included.
fn bundle<'a>(
    label: &str,
    issued: &Issued,
    chain: impl Iterator<Item = &'a CertificateDer<'static>>,
    passphrase: &str,
) -> Result<Vec<u8>, CertsError> {
    let key = PrivateKey::from_der(issued.key.serialized_der())?;
    let chain = chain
        .map(|certificate| Certificate::from_der(certificate))
        .collect::<Result<Vec<_>, _>>()?;
    let mut store = KeyStore::new();
    let entry = PrivateKeyChain::new(issued.serial.as_slice(), key, chain);
    store.add_entry(label, KeyStoreEntry::PrivateKeyChain(entry));
    Ok(store.writer(passphrase).write()?)
}
