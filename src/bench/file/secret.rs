//! Secrets: as text, from the environment, or from a file.

use std::fmt;
use std::path::Path;

use serde::{Deserialize, Deserializer};
use zeroize::Zeroizing;

use super::context::{Context, beside};
use crate::bench::yaml::At;
use crate::wire::Secret;

/// A secret as the file gives it.
#[derive(Clone)]
pub(super) struct SecretFile(Zeroizing<String>);

impl<'de> Deserialize<'de> for SecretFile {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<SecretFile, D::Error> {
        String::deserialize(deserializer).map(|text| SecretFile(Zeroizing::new(text)))
    }
}

impl fmt::Debug for SecretFile {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("<secret>")
    }
}

/// RFC 2865 section 3: a shared secret should have 16 octets at least.
const SHORT: usize = 16;

impl Context<'_> {
    /// The secret itself. Never empty (RFC 2865 section 3).
    pub(super) fn secret(&mut self, given: &At<SecretFile>, base: &Path) -> Option<Secret> {
        let text = match self.secret_text(given.0.as_str(), base) {
            Ok(text) => text,
            Err(message) => {
                self.error(given.span, message);
                return None;
            }
        };
        if text.is_empty() {
            self.error(given.span, "a secret can't be empty (RFC 2865 section 3)");
            return None;
        }
        Some(Secret::new(text.as_bytes()))
    }

    /// A secret that packets are signed with: a short one is found by trying (RFC 2865 section 3).
    pub(super) fn shared_secret(&mut self, given: &At<SecretFile>, base: &Path) -> Option<Secret> {
        let secret = self.secret(given, base)?;
        if secret.len() < SHORT {
            let length = secret.len();
            self.warning(
                given.span,
                format!(
                    "a secret of {length} octets\n{SHORT} at least are asked for (RFC 2865 section 3)"
                ),
            );
        }
        Some(secret)
    }

    fn secret_text(&self, given: &str, base: &Path) -> Result<Zeroizing<String>, String> {
        if let Some(name) = given.strip_prefix("env:") {
            return self
                .world
                .variable(name)
                .map(Zeroizing::new)
                .ok_or_else(|| {
                    format!(
                        "environment variable `{name}` is not set\nset it before the bench starts"
                    )
                });
        }
        let Some(path) = given.strip_prefix("file:") else {
            return Ok(Zeroizing::new(given.to_owned()));
        };
        let path = beside(base, path);
        match self.world.read(&path).map(Zeroizing::new) {
            Ok(text) => Ok(Zeroizing::new(
                text.trim_end_matches(['\r', '\n']).to_owned(),
            )),
            Err(error) => Err(format!(
                "`{}` can't be read: {error}\npaths are seen from the folder of this file",
                path.display()
            )),
        }
    }
}
