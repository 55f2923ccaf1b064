//! What runs of drills leave behind: JSON, JUnit XML, one HTML file, and how two runs differ.

pub mod compare;
pub mod html;
pub mod junit;
pub mod spread;

use serde::Serialize;

use super::load::Loaded;
use super::run::Outcome;
use spread::Spread;

/// A drill and its runs, one for each seed.
#[derive(Debug, Clone)]
pub struct Performed {
    /// The drill.
    pub loaded: Loaded,
    /// Its runs, at least one.
    pub outcomes: Vec<Outcome>,
}

impl Performed {
    /// Whether every run passed.
    #[must_use]
    pub fn passed(&self) -> bool {
        self.outcomes.iter().all(|outcome| outcome.passed)
    }

    /// How long each device took to each class.
    #[must_use]
    pub fn spreads(&self) -> Vec<Spread> {
        spread::of(&self.loaded.drill.drill, &self.outcomes)
    }
}

/// Every run, in order.
#[must_use]
pub fn outcomes(performed: &[Performed]) -> Vec<&Outcome> {
    performed.iter().flat_map(|one| &one.outcomes).collect()
}

/// The report for programs.
#[derive(Serialize)]
#[serde(rename_all = "kebab-case")]
struct Document<'a> {
    /// Version that made it.
    portproof: &'static str,
    runs: Vec<&'a Outcome>,
    seconds_to_class: Vec<Spread>,
}

/// The runs as JSON, with everything that was seen.
#[must_use]
pub fn json(performed: &[Performed]) -> String {
    let document = Document {
        portproof: env!("CARGO_PKG_VERSION"),
        runs: outcomes(performed),
        seconds_to_class: performed.iter().flat_map(Performed::spreads).collect(),
    };
    // A run holds nothing that JSON can't.
    serde_json::to_string_pretty(&document).unwrap_or_default()
}
