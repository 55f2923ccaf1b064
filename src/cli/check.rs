//! `portproof check BENCH`: everything that is wrong with a bench file.

use std::path::PathBuf;

use super::Outcome;
use crate::bench::{self, yaml::Diagnostic};

/// Say everything that is wrong with a bench file, with line, column and remedy.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The bench files.
    #[arg(required = true, value_name = "BENCH")]
    benches: Vec<PathBuf>,
    /// Print the findings as JSON.
    #[arg(long)]
    json: bool,
}

/// Runs it.
#[must_use]
pub fn run(args: &Args) -> Outcome {
    let mut found = Vec::new();
    for path in &args.benches {
        match bench::load(path) {
            Ok(loaded) => {
                if !args.json {
                    let bench = &loaded.bench;
                    println!(
                        "{}: {} switches, {} classes, {}",
                        path.display(),
                        bench.switches.len(),
                        bench.table.classes.len(),
                        count(&loaded.warnings)
                    );
                }
                found.extend(loaded.warnings);
            }
            Err(mistakes) => {
                if !args.json {
                    println!("{}: {}", path.display(), count(&mistakes));
                }
                found.extend(mistakes);
            }
        }
    }
    if args.json {
        // A diagnostic holds nothing that JSON can't.
        println!(
            "{}",
            serde_json::to_string_pretty(&found).unwrap_or_default()
        );
    } else {
        super::complain(&found);
    }
    if found.iter().any(Diagnostic::is_error) {
        Outcome::BadInput
    } else {
        Outcome::Done
    }
}

fn count(found: &[Diagnostic]) -> String {
    let errors = found.iter().filter(|one| one.is_error()).count();
    format!("{errors} mistakes, {} warnings", found.len() - errors)
}
