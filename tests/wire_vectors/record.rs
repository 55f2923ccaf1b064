//! A record of the vectors file, and what was found of it.

use portproof::wire::{Packet, Secret};
use serde_json::Value;

#[derive(serde::Deserialize)]
pub struct Record {
    pub id: String,
    pub source: String,
    pub kind: String,
    pub inputs: Value,
    pub expected: Value,
    #[serde(default)]
    pub note: String,
}

/// What was found of one record: positive and negative checks, and those that failed.
#[derive(Default)]
pub struct Checks {
    pub held: usize,
    pub refused: usize,
    pub failed: Vec<String>,
}

impl Record {
    pub fn text(&self, name: &str) -> &str {
        self.inputs[name]
            .as_str()
            .unwrap_or_else(|| panic!("{}: {name}", self.id))
    }

    pub fn octets(&self, name: &str) -> Vec<u8> {
        unhex(self.text(name))
    }

    pub fn octets16(&self, name: &str) -> [u8; 16] {
        self.octets(name).try_into().expect("16 octets")
    }

    pub fn expected_octets(&self, name: &str) -> Vec<u8> {
        let text = self.expected[name].as_str();
        unhex(text.unwrap_or_else(|| panic!("{}: {name}", self.id)))
    }

    pub fn secret(&self) -> Secret {
        Secret::new(self.text("secret"))
    }
}

impl Checks {
    pub fn hold(&mut self, what: &str, holds: bool) {
        self.held += 1;
        if !holds {
            self.failed.push(format!("{what}: does not hold"));
        }
    }

    pub fn equal<T: PartialEq + std::fmt::Debug>(&mut self, what: &str, found: &T, expected: &T) {
        self.held += 1;
        if found != expected {
            self.failed
                .push(format!("{what}: {found:02x?}, expected {expected:02x?}"));
        }
    }

    pub fn refuse(&mut self, what: &str, accepted: bool) {
        self.refused += 1;
        if accepted {
            self.failed.push(format!("{what}: should be refused"));
        }
    }

    pub fn with_packet(
        &mut self,
        what: &str,
        bytes: &[u8],
        check: impl FnOnce(&Packet<'_>, &mut Checks),
    ) {
        match Packet::parse(bytes) {
            Ok(packet) => check(&packet, self),
            Err(error) => self.failed.push(format!("{what}: {error}")),
        }
    }
}

pub fn unhex(text: &str) -> Vec<u8> {
    assert!(text.len().is_multiple_of(2), "{text}");
    (0..text.len())
        .step_by(2)
        .map(|at| u8::from_str_radix(&text[at..at + 2], 16).expect("hex"))
        .collect()
}
