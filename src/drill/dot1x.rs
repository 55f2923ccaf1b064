//! 802.1X in a drill: certificates for the run, the bench's offer, and what devices read.

use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use jiff::Timestamp;

use super::script::Eap;
use super::stage::StageError;
use crate::bench::EapSettings;
use crate::certs::{self, BenchSet};
use crate::eap::Settings;
use crate::serve::eap_settings;
use crate::stand_in::StandInConfig;

/// Days for which the good certificates of a run are valid.
const DAYS: u16 = 30;

/// The certificates of one run, in memory.
pub(super) struct Certificates {
    set: BenchSet,
    offer: EapSettings,
}

impl Certificates {
    /// Makes them, valid from `now`.
    pub(super) fn make(eap: &Eap, now: Timestamp) -> Result<Certificates, StageError> {
        let plan = certs::Plan {
            organisation: "Lantern Quay".to_owned(),
            domain: "lantern-quay.example".to_owned(),
            server: "radius".to_owned(),
            machines: eap.machines.clone(),
            people: eap.people.clone(),
            days: DAYS,
            passphrase: "bench-only".to_owned(),
        };
        let shown = |end: &str| PathBuf::from(format!("server/{}.{end}", eap.server.word()));
        Ok(Certificates {
            set: certs::make(&plan, now)?,
            offer: EapSettings {
                methods: eap.methods.clone(),
                certificate: Some(shown("pem")),
                key: Some(shown("key")),
                client_ca: vec![PathBuf::from("ca/bench-ca.pem")],
                crl: vec![PathBuf::from("ca/revoked.crl.pem")],
                tls: Vec::new(),
                resumption: eap.resumption,
                fragment_size: eap.fragment_size,
            },
        })
    }

    /// What the bench offers.
    pub(super) fn settings(&self) -> Result<Arc<Settings>, StageError> {
        Ok(eap_settings::read_from(&self.offer, &|path| {
            self.read(path)
        })?)
    }

    /// Gives the devices' supplicants the text of the files that they name.
    pub(super) fn equip(&self, config: &mut StandInConfig) -> Result<(), StageError> {
        config.read_files(|path| {
            let octets = self.read(path)?;
            String::from_utf8(octets).map_err(io::Error::other)
        })?;
        Ok(())
    }

    fn read(&self, path: &Path) -> io::Result<Vec<u8>> {
        let name = path.to_string_lossy();
        let file = self.set.file(&name).ok_or_else(|| {
            io::Error::new(
                io::ErrorKind::NotFound,
                "the certificates of the run have no such file; `portproof certs` lists what there is",
            )
        })?;
        Ok(file.content.to_vec())
    }
}
