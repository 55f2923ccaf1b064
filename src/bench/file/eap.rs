//! `eap`: 802.1X methods and their certificates.

use std::path::{Path, PathBuf};

use serde::Deserialize;

use super::context::{Context, beside};
use crate::bench::yaml::{At, OneOrMany};
use crate::bench::{EapSettings, MethodName, TlsVersion};

/// The `eap` section as written.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub(super) struct EapFile {
    methods: At<Vec<At<MethodName>>>,
    certificate: Option<At<String>>,
    key: Option<At<String>>,
    #[serde(default)]
    client_ca: OneOrMany<At<String>>,
    #[serde(default)]
    crl: OneOrMany<At<String>>,
    tls: Option<At<OneOrMany<TlsFile>>>,
    #[serde(default = "yes")]
    resumption: bool,
    fragment_size: Option<At<u16>>,
}

fn yes() -> bool {
    true
}

#[derive(Debug, Clone, Copy, Deserialize)]
enum TlsFile {
    #[serde(rename = "1.2")]
    V1_2,
    #[serde(rename = "1.3")]
    V1_3,
}

const FRAGMENT_SIZES: std::ops::RangeInclusive<u16> = 100..=1400;
const DEFAULT_FRAGMENT_SIZE: u16 = 1024;

impl Context<'_> {
    /// The settings, as far as they are sound.
    pub(super) fn eap(&mut self, given: &EapFile, base: &Path) -> EapSettings {
        EapSettings {
            methods: self.eap_methods(given),
            certificate: self.eap_file(given.certificate.as_ref(), base),
            key: self.eap_file(given.key.as_ref(), base),
            client_ca: self.eap_files(&given.client_ca, base),
            crl: self.eap_files(&given.crl, base),
            tls: self.tls_versions(given.tls.as_ref()),
            resumption: given.resumption,
            fragment_size: self.fragment_size(given.fragment_size.as_ref()),
        }
    }

    fn eap_methods(&mut self, given: &EapFile) -> Vec<MethodName> {
        let list = &given.methods;
        if list.is_empty() {
            self.error(list.span, "no method to offer\nlist some, or remove `eap`");
        }
        let mut methods = Vec::new();
        for method in list.iter() {
            let name = method.value;
            if matches!(name, MethodName::Mac | MethodName::Pap | MethodName::Chap) {
                self.error(
                    method.span,
                    format!("`{name}` is no EAP method\none of: eap-md5, eap-tls, eap-ttls, peap"),
                );
            } else if methods.contains(&name) {
                self.error(method.span, format!("`{name}` stands twice\nremove one"));
            } else {
                methods.push(name);
            }
        }
        let needs_tls = methods.iter().find(|name| **name != MethodName::EapMd5);
        for (key, value) in [("certificate", &given.certificate), ("key", &given.key)] {
            if let (Some(name), None) = (needs_tls, value) {
                self.error(
                    list.span,
                    format!("`{name}` needs the server's {key}\nadd `{key}: FILE.pem`"),
                );
            }
        }
        if methods.contains(&MethodName::EapTls) && given.client_ca.is_empty() {
            self.error(
                list.span,
                "`eap-tls` needs the certificates that clients' must lead to\nadd `client-ca: FILE.pem`",
            );
        }
        methods
    }

    fn eap_file(&mut self, given: Option<&At<String>>, base: &Path) -> Option<PathBuf> {
        let given = given?;
        let path = beside(base, given);
        if !self.world.has(&path) {
            let path = path.display();
            self.error(
                given.span,
                format!(
                    "no file `{path}` that can be read\npaths are seen from the folder of this file"
                ),
            );
        }
        Some(path)
    }

    fn eap_files(&mut self, given: &[At<String>], base: &Path) -> Vec<PathBuf> {
        given
            .iter()
            .filter_map(|given| self.eap_file(Some(given), base))
            .collect()
    }

    fn tls_versions(&mut self, given: Option<&At<OneOrMany<TlsFile>>>) -> Vec<TlsVersion> {
        let Some(given) = given else {
            return vec![TlsVersion::V1_2, TlsVersion::V1_3];
        };
        if given.is_empty() {
            self.error(
                given.span,
                "no TLS version to offer\nwrite 1.2, 1.3 or both",
            );
        }
        let mut versions: Vec<TlsVersion> = given
            .iter()
            .map(|version| match version {
                TlsFile::V1_2 => TlsVersion::V1_2,
                TlsFile::V1_3 => TlsVersion::V1_3,
            })
            .collect();
        versions.sort_unstable();
        versions.dedup();
        versions
    }

    fn fragment_size(&mut self, given: Option<&At<u16>>) -> u16 {
        let Some(given) = given else {
            return DEFAULT_FRAGMENT_SIZE;
        };
        if !FRAGMENT_SIZES.contains(&given.value) {
            let (least, most) = (FRAGMENT_SIZES.start(), FRAGMENT_SIZES.end());
            self.error(
                given.span,
                format!("a fragment has {least} to {most} octets"),
            );
        }
        given.value
    }
}
