//! `portproof drill DRILL…`: run drills and say whether they passed. `portproof drill compare A B`:
//! tell how two reports of them differ.

use std::io::{IsTerminal as _, Write as _};
use std::path::{Path, PathBuf};

use super::Outcome;
use jiff::Timestamp;

use crate::drill::report::compare::{self, Recorded};
use crate::drill::report::{self, Performed};
use crate::drill::timeline::{self, Timeline};
use crate::drill::{self, Loaded};

/// Run drills and say whether they passed.
#[derive(Debug, clap::Args)]
#[command(args_conflicts_with_subcommands = true, subcommand_negates_reqs = true)]
pub struct Args {
    #[command(subcommand)]
    command: Option<Command>,
    /// Drill files, or folders of them.
    #[arg(required = true, value_name = "DRILL")]
    drills: Vec<PathBuf>,
    /// In real time over UDP on loopback instead of simulated time.
    #[arg(long)]
    live: bool,
    /// Seed of every random choice, to repeat a run.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Run each drill so often, each time with the next seed.
    #[arg(long, default_value_t = 1, value_name = "TIMES", value_parser = clap::value_parser!(u32).range(1..=100_000))]
    repeat: u32,
    /// Print the outcomes as JSON.
    #[arg(long)]
    json: bool,
    /// Also write the outcomes as JUnit XML.
    #[arg(long, value_name = "FILE")]
    junit: Option<PathBuf>,
    /// Also write one HTML file: verdicts, drawings, timelines, findings and settings.
    #[arg(long, value_name = "FILE")]
    html: Option<PathBuf>,
    /// Print only the verdicts.
    #[arg(long, short)]
    quiet: bool,
}

#[derive(Debug, clap::Subcommand)]
enum Command {
    /// Tell how two runs differ: what got slower, what changed class, what no longer holds.
    Compare(CompareArgs),
}

#[derive(Debug, clap::Args)]
struct CompareArgs {
    /// What `portproof drill --json` printed before.
    before: PathBuf,
    /// What it printed after.
    after: PathBuf,
    /// Print the differences as JSON.
    #[arg(long)]
    json: bool,
}

/// Runs it.
#[must_use]
pub fn run(args: &Args) -> Outcome {
    match &args.command {
        Some(Command::Compare(two)) => compare(two).unwrap_or_else(|ended| ended),
        None => drills(args).unwrap_or_else(|ended| ended),
    }
}

fn drills(args: &Args) -> Result<Outcome, Outcome> {
    let files = drill::find(&args.drills).map_err(|error| {
        eprintln!("{error}");
        Outcome::BadInput
    })?;
    let mut performed = Vec::new();
    for file in files {
        performed.push(perform(args, &file)?);
    }
    if args.json {
        super::lines::put(report::json(&performed));
    }
    if let Some(path) = &args.junit {
        written(
            path,
            report::junit::write(path, &report::outcomes(&performed)),
        )?;
    }
    if let Some(path) = &args.html {
        let page = report::html::page(&performed, Timestamp::now());
        written(path, std::fs::write(path, page))?;
    }
    Ok(if performed.iter().all(Performed::passed) {
        Outcome::Done
    } else {
        Outcome::Failed
    })
}

fn written(path: &Path, result: std::io::Result<()>) -> Result<(), Outcome> {
    result.map_err(|error| {
        eprintln!("{}: {error}", path.display());
        Outcome::Refused
    })
}

fn perform(args: &Args, file: &Path) -> Result<Performed, Outcome> {
    let loaded = drill::load(file).map_err(|mistakes| {
        super::complain(&mistakes);
        Outcome::BadInput
    })?;
    let mut outcomes = Vec::new();
    for more in 0..u64::from(args.repeat) {
        let seed = args.seed.wrapping_add(more);
        let outcome = if args.live {
            live(args, file, &loaded, seed)?
        } else {
            drill::sim::run(&loaded, seed)
        };
        if !args.json {
            show(args, &outcome);
        }
        outcomes.push(outcome);
    }
    let performed = Performed { loaded, outcomes };
    if args.repeat > 1 && !args.json {
        super::lines::put(report::spread::table(&performed.spreads()));
    }
    Ok(performed)
}

fn compare(two: &CompareArgs) -> Result<Outcome, Outcome> {
    let found = compare::compare(&recorded(&two.before)?, &recorded(&two.after)?);
    if two.json {
        super::source::print_json(std::slice::from_ref(&found));
    } else {
        super::lines::put(compare::render(&found).trim_end());
    }
    Ok(if found.broken {
        Outcome::Failed
    } else {
        Outcome::Done
    })
}

fn recorded(path: &Path) -> Result<Recorded, Outcome> {
    let bad = |error: &dyn std::fmt::Display| {
        eprintln!(
            "{}: {error}; give what `portproof drill --json` printed",
            path.display()
        );
        Outcome::BadInput
    };
    let text = std::fs::read_to_string(path).map_err(|error| bad(&error))?;
    serde_json::from_str(&text).map_err(|error| bad(&error))
}

/// In real time, with the timeline printed as it happens.
fn live(args: &Args, file: &Path, loaded: &Loaded, seed: u64) -> Result<drill::Outcome, Outcome> {
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
        .block_on(drill::live::run(loaded, seed, tell))
        .map_err(|error| {
            eprintln!("{}: {error}", file.display());
            Outcome::Refused
        })
}

fn show(args: &Args, outcome: &drill::Outcome) {
    let text = if args.repeat > 1 {
        brief(args, outcome)
    } else if args.quiet {
        timeline::verdict(outcome)
    } else if args.live {
        timeline::results(outcome)
    } else {
        timeline::render(outcome, width())
    };
    // A closed pipe is the reader's choice.
    let _ = std::io::stdout().write_all(text.as_bytes());
}

/// One of many runs: its seed and verdict, and what failed.
fn brief(args: &Args, outcome: &drill::Outcome) -> String {
    let text = format!("seed {}  {}", outcome.seed, timeline::verdict(outcome));
    if outcome.passed || args.quiet {
        text
    } else {
        timeline::results(outcome) + &text
    }
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
