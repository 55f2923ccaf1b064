//! `portproof replay CAPTURE`: play what was recorded again, and compare the answers.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use serde::Serialize;

use super::Outcome;
use crate::bench::{self, Bench};
use crate::replay::capture::Ports;
use crate::replay::{self, Played, Recording, Settings, Status};
use crate::wire::Secret;

/// Play a capture or journal again and compare the answers.
///
/// The switch's requests go to a fresh bench at the times at which they were recorded; no socket
/// is opened. What of an answer differs from run to run (authenticators, State, the session's
/// number in Class) is not compared. EAP conversations can't be repeated and are said to be not
/// comparable.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// A pcap or pcapng capture, JSON lines of 'portproof serve --json', or a state file.
    #[arg(value_name = "CAPTURE")]
    capture: PathBuf,
    #[command(flatten)]
    with: With,
    /// Print one JSON object for each exchange.
    #[arg(long)]
    json: bool,
    /// Print only what differs, and the count.
    #[arg(long, short)]
    quiet: bool,
}

/// What a recording is played to.
#[derive(Debug, Clone, clap::Args)]
pub struct With {
    /// The bench file that answers.
    #[arg(long, env = "PORTPROOF_BENCH", value_name = "FILE")]
    bench: PathBuf,
    /// The shared secret of the recording, where it is not that of the bench file; requests are
    /// signed anew with the bench's.
    #[arg(
        long,
        env = "PORTPROOF_CAPTURE_SECRET",
        hide_env_values = true,
        value_name = "SECRET"
    )]
    capture_secret: Option<String>,
    /// Take every recorded switch for this entry of the bench file.
    #[arg(long, value_name = "NAME")]
    as_switch: Option<String>,
}

impl With {
    /// Reads the bench and the recording. Tells what is wrong with them.
    ///
    /// # Errors
    /// When one of them can't be used.
    pub fn open(&self, capture: &Path) -> Result<(Recording, Settings), Outcome> {
        let bench = load(&self.bench)?;
        let recording = replay::read::read(capture, &Ports::of(&bench)).map_err(|error| {
            eprintln!("{error}");
            Outcome::BadInput
        })?;
        for note in &recording.notes {
            eprintln!("note: {note}");
        }
        Ok((recording, self.settings(bench)?))
    }

    fn settings(&self, bench: Bench) -> Result<Settings, Outcome> {
        let as_switch = match &self.as_switch {
            None => None,
            Some(name) => Some(bench.switch(name).cloned().ok_or_else(|| {
                eprintln!("the bench file has no switch '{name}'");
                Outcome::BadInput
            })?),
        };
        Ok(Settings {
            bench: Arc::new(bench),
            capture_secret: self.capture_secret.as_deref().map(Secret::new),
            as_switch,
        })
    }
}

fn load(path: &Path) -> Result<Bench, Outcome> {
    let loaded = bench::load(path).map_err(|mistakes| {
        super::complain(&mistakes);
        Outcome::BadInput
    })?;
    super::complain(&loaded.warnings);
    Ok(loaded.bench)
}

/// Runs it.
#[must_use]
pub fn run(args: &Args) -> Outcome {
    let (recording, settings) = match args.with.open(&args.capture) {
        Ok(opened) => opened,
        Err(outcome) => return outcome,
    };
    let played = replay::play(&recording.items, &settings);
    for one in &played {
        if args.json {
            put_json(one);
        } else if !args.quiet || one.status.is_different() {
            put(one);
        }
    }
    let count = Count::of(&played);
    if args.json {
        put_json(&count);
    } else {
        super::lines::put(count.in_words());
    }
    count.outcome()
}

fn put_json<T: Serialize>(value: &T) {
    // What is printed here holds nothing that JSON can't.
    if let Ok(line) = serde_json::to_string(value) {
        super::lines::put(line);
    }
}

fn put(played: &Played) {
    let (word, details) = match &played.status {
        Status::Same => ("same", Vec::new()),
        Status::Different(details) => ("different", details.clone()),
        Status::NotComparable(why) => ("not comparable", vec![why.clone()]),
    };
    super::lines::put(format_args!("{}  {word:<14}  {}", played.at, played.what));
    for line in details.iter().chain(&played.note) {
        super::lines::put(format_args!("    {line}"));
    }
}

/// How many went how.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Count {
    same: usize,
    different: usize,
    not_comparable: usize,
}

impl Count {
    /// Counts.
    #[must_use]
    pub fn of(played: &[Played]) -> Count {
        let how_many = |wanted: fn(&Status) -> bool| {
            let all = played.iter().filter(|one| wanted(&one.status));
            all.count()
        };
        Count {
            same: how_many(|status| matches!(status, Status::Same)),
            different: how_many(Status::is_different),
            not_comparable: how_many(|status| matches!(status, Status::NotComparable(_))),
        }
    }

    fn in_words(self) -> String {
        format!(
            "{} same, {} different, {} not comparable",
            self.same, self.different, self.not_comparable
        )
    }

    fn outcome(self) -> Outcome {
        if self.different > 0 {
            Outcome::Failed
        } else {
            Outcome::Done
        }
    }
}
