//! `portproof drill DRILL…`: run drills and say whether they passed.

use std::io::{IsTerminal as _, Write as _};
use std::path::{Path, PathBuf};

use super::Outcome;
use crate::drill::timeline::{self, Timeline};
use crate::drill::{self, Loaded, report};

/// Run drills and say whether they passed.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Drill files, or folders of them.
    #[arg(required = true, value_name = "DRILL")]
    drills: Vec<PathBuf>,
    /// In real time over UDP on loopback instead of simulated time.
    #[arg(long)]
    live: bool,
    /// Seed of every random choice, to repeat a run.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Print the outcomes as JSON.
    #[arg(long)]
    json: bool,
    /// Also write the outcomes as JUnit XML.
    #[arg(long, value_name = "FILE")]
    junit: Option<PathBuf>,
    /// Print only the verdicts.
    #[arg(long, short)]
    quiet: bool,
}

/// Runs it.
#[must_use]
pub fn run(args: &Args) -> Outcome {
    let files = match drill::find(&args.drills) {
        Ok(files) => files,
        Err(error) => {
            eprintln!("{error}");
            return Outcome::BadInput;
        }
    };
    let mut outcomes = Vec::new();
    for file in files {
        match run_one(args, &file) {
            Ok(outcome) => outcomes.push(outcome),
            Err(ended) => return ended,
        }
    }
    if args.json {
        println!("{}", report::json(&outcomes));
    }
    if let Some(path) = &args.junit
        && let Err(error) = report::write_junit(path, &outcomes)
    {
        eprintln!("{}: {error}", path.display());
        return Outcome::Refused;
    }
    if outcomes.iter().all(|outcome| outcome.passed) {
        Outcome::Done
    } else {
        Outcome::Failed
    }
}

fn run_one(args: &Args, file: &Path) -> Result<drill::Outcome, Outcome> {
    let loaded = drill::load(file).map_err(|mistakes| {
        super::complain(&mistakes);
        Outcome::BadInput
    })?;
    let outcome = if args.live {
        live(args, file, &loaded)?
    } else {
        drill::sim::run(&loaded, args.seed)
    };
    if !args.json {
        show(args, &outcome);
    }
    Ok(outcome)
}

/// In real time, with the timeline printed as it happens.
fn live(args: &Args, file: &Path, loaded: &Loaded) -> Result<drill::Outcome, Outcome> {
    let mut lines = Timeline::new(width());
    let quiet = args.json || args.quiet;
    if !quiet {
        print!("{}", lines.head(&loaded.drill.drill));
    }
    let tell = |run: &drill::Run, seen: &drill::Observation| {
        if !quiet {
            println!("{}", lines.line(run.started(), run.names(), seen));
        }
    };
    super::runtime()?
        .block_on(drill::live::run(loaded, args.seed, tell))
        .map_err(|error| {
            eprintln!("{}: {error}", file.display());
            Outcome::Refused
        })
}

fn show(args: &Args, outcome: &drill::Outcome) {
    let text = if args.quiet {
        timeline::verdict(outcome)
    } else if args.live {
        timeline::results(outcome)
    } else {
        timeline::render(outcome, width())
    };
    // A closed pipe is the reader's choice.
    let _ = std::io::stdout().write_all(text.as_bytes());
}

/// Columns of the terminal; anything else gets whole lines.
fn width() -> usize {
    if !std::io::stdout().is_terminal() {
        return usize::MAX;
    }
    std::env::var("COLUMNS")
        .ok()
        .and_then(|columns| columns.parse().ok())
        .unwrap_or(160)
}
