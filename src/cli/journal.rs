//! `portproof journal`: what happened, and why.

use std::fs::File;
use std::io::Write;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::time::Duration;

use clap::Subcommand;
use jiff::{Timestamp, Zoned};

use super::client::{Client, ClientError};
use super::source::{Lying, Source, SourceArgs, SourceError, print_json};
use super::{Ending, Outcome};
use crate::board::api::EntriesWanted;
use crate::board::view::Outline;
use crate::journal::pcapng::{ExportError, Exporter};
use crate::store::EntryQuery;
use crate::wire::Mac;

/// Show what happened, and why.
#[derive(Debug, clap::Args)]
#[command(args_conflicts_with_subcommands = true)]
pub struct Args {
    #[command(subcommand)]
    what: Option<What>,
    #[command(flatten)]
    filter: Filter,
    /// How many of the newest.
    #[arg(long, default_value_t = 50)]
    limit: usize,
    /// Go on with what happens.
    #[arg(long, short)]
    follow: bool,
    /// One JSON object a line.
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    source: SourceArgs,
}

#[derive(Debug, Subcommand)]
enum What {
    /// Write the packets as a capture that a packet analyser reads.
    Export {
        /// Where to; `-` is standard output.
        #[arg(long, value_name = "FILE")]
        pcapng: PathBuf,
        /// Leave passwords in the packets as the switch hid them: whoever knows the shared secret
        /// can read them. Only from a state file of a bench that does not run.
        #[arg(long)]
        keep_passwords: bool,
        #[command(flatten)]
        filter: Filter,
        #[command(flatten)]
        source: SourceArgs,
    },
}

/// Which entries; everything named must fit.
#[derive(Debug, Clone, clap::Args)]
struct Filter {
    /// Switch entry.
    #[arg(long)]
    switch: Option<String>,
    /// Port as the switch names it.
    #[arg(long)]
    port: Option<String>,
    /// Device, in any spelling.
    #[arg(long)]
    mac: Option<Mac>,
    /// Class in force after the entry.
    #[arg(long)]
    class: Option<String>,
    /// Verdict; a trailing `*` stands for any ending: `dropped-*`.
    #[arg(long)]
    verdict: Option<String>,
    /// Kind: access, accounting, change, sighting, …
    #[arg(long)]
    kind: Option<String>,
    /// Session number.
    #[arg(long)]
    session: Option<u64>,
    /// Not before: 2026-03-01T10:00:00Z, or so long ago: 10min, 2h, 1d.
    #[arg(long, value_name = "TIME", value_parser = time)]
    since: Option<Timestamp>,
    /// Before, in the same forms.
    #[arg(long, value_name = "TIME", value_parser = time)]
    until: Option<Timestamp>,
}

impl Filter {
    fn wanted(&self) -> EntriesWanted {
        EntriesWanted {
            switch: self.switch.clone(),
            port: self.port.clone(),
            mac: self.mac.map(|mac| mac.to_string()),
            class: self.class.clone(),
            verdict: self.verdict.clone(),
            kind: self.kind.clone(),
            session: self.session,
            since: self.since.map(|at| at.to_string()),
            until: self.until.map(|at| at.to_string()),
            ..EntriesWanted::default()
        }
    }
}

/// A time, or a span before now.
fn time(text: &str) -> Result<Timestamp, String> {
    time_seen_from(&Zoned::now(), text)
}

fn time_seen_from(now: &Zoned, text: &str) -> Result<Timestamp, String> {
    if let Ok(at) = text.parse() {
        return Ok(at);
    }
    let ago: jiff::Span = text.parse().map_err(|_| {
        "write a time like 2026-03-01T10:00:00Z, or so long ago like 10min".to_owned()
    })?;
    let at = now.checked_sub(ago).map_err(|why| why.to_string())?;
    Ok(at.timestamp())
}

/// Runs it.
#[must_use]
pub fn run(args: &Args) -> Outcome {
    super::told(match &args.what {
        Some(What::Export {
            pcapng,
            keep_passwords,
            filter,
            source,
        }) => export(pcapng, *keep_passwords, &filter.wanted(), source),
        None => show(args).map_err(Failure::from),
    })
}

/// Why a journal command failed.
#[derive(Debug, thiserror::Error)]
enum Failure {
    #[error(transparent)]
    Source(#[from] SourceError),
    #[error("{}: {why}", path.display())]
    File { path: PathBuf, why: String },
    #[error(transparent)]
    Export(#[from] ExportError),
}

impl Ending for Failure {
    fn outcome(&self) -> Outcome {
        match self {
            Failure::Source(error) => error.outcome(),
            Failure::File { .. } => Outcome::BadInput,
            Failure::Export(_) => Outcome::Refused,
        }
    }
}

const PAGE: usize = 500;

fn show(args: &Args) -> Result<(), SourceError> {
    let source = args.source.open()?;
    let mut newest: Vec<Outline> = Vec::new();
    let mut wanted = args.filter.wanted();
    while newest.len() < args.limit {
        wanted.limit = Some((args.limit - newest.len()).min(PAGE));
        let page = source.entries(&wanted)?;
        wanted.before = page.entries.last().map(|entry| entry.seq);
        newest.extend(page.entries);
        if !page.more {
            break;
        }
    }
    newest.reverse();
    print(&newest, args.json);
    if args.follow {
        let after = newest.last().map_or(0, |entry| entry.seq);
        follow(source.running()?, args, after)?;
    }
    Ok(())
}

fn print(entries: &[Outline], json: bool) {
    if json {
        print_json(entries);
    } else {
        for entry in entries {
            super::lines::put(super::lines::outline(entry));
        }
    }
}

const WAIT: Duration = Duration::from_secs(1);

/// Prints what happens until somebody stops it; a lost connection is taken up where it broke.
fn follow(client: &Client, args: &Args, after: u64) -> Result<(), SourceError> {
    let wanted = EntriesWanted {
        after: Some(after),
        ..args.filter.wanted()
    };
    let mut last: Option<String> = None;
    loop {
        let mut seen = last.clone();
        let followed = client.follow(&wanted, last.as_deref(), |id, entries| {
            print(&entries, args.json);
            // What can't be flushed is told by the next line.
            let _ = std::io::stdout().flush();
            seen = Some(id.to_owned());
            ControlFlow::Continue(())
        });
        match followed {
            Ok(()) => eprintln!("(the bench ended the connection; trying again)"),
            Err(ClientError::Unreachable { why, .. }) if seen.is_some() => {
                eprintln!("(the bench does not answer: {why}; trying again)");
            }
            Err(error) => return Err(error.into()),
        }
        last = seen;
        std::thread::sleep(WAIT);
    }
}

fn export(
    path: &Path,
    keep_passwords: bool,
    wanted: &EntriesWanted,
    source: &SourceArgs,
) -> Result<(), Failure> {
    let source = source.open()?;
    match &source {
        Source::Running(_) if keep_passwords => Err(SourceError::Refused(
            "a running bench gives no passwords away: stop it and export from its state file"
                .to_owned(),
        )
        .into()),
        Source::Running(client) => {
            let mut capture = client
                .stream("/api/capture.pcapng", wanted)
                .map_err(SourceError::from)?;
            std::io::copy(&mut capture, &mut create(path)?)
                .map_err(|why| failed(path, &why))
                .map(drop)
        }
        Source::Lying(lying) => write(lying, keep_passwords, wanted, create(path)?),
    }
}

fn write(
    lying: &Lying,
    keep_passwords: bool,
    wanted: &EntriesWanted,
    out: Box<dyn Write>,
) -> Result<(), Failure> {
    let mut query: EntryQuery = wanted
        .query(PAGE)
        .map_err(|problem| SourceError::Refused(problem.error))?;
    query.packets = true;
    query.after.get_or_insert(0);
    let mut exporter = Exporter::new(std::io::BufWriter::new(out), keep_passwords)?;
    loop {
        let page = lying.reader.entries(&query).map_err(SourceError::from)?;
        for entry in &page.items {
            exporter.entry(entry)?;
            query.after = Some(entry.seq);
        }
        if !page.more {
            eprintln!("{} packets written", exporter.written());
            return exporter
                .finish()
                .flush()
                .map_err(|why| failed(Path::new("-"), &why));
        }
    }
}

/// Only its owner may read a capture: it holds names, and passwords where they were kept.
fn create(path: &Path) -> Result<Box<dyn Write>, Failure> {
    if path == Path::new("-") {
        return Ok(Box::new(std::io::stdout()));
    }
    let mut options = File::options();
    options.write(true).create(true).truncate(true);
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    match options.open(path) {
        Ok(file) => Ok(Box::new(file)),
        Err(why) => Err(failed(path, &why)),
    }
}

fn failed(path: &Path, why: &dyn std::fmt::Display) -> Failure {
    Failure::File {
        path: path.to_owned(),
        why: why.to_string(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_points_or_spans_ago() {
        let now: Zoned = "2026-03-02T10:00:00+00:00[UTC]".parse().unwrap();
        for (text, at) in [
            ("2026-03-01T10:00:00Z", "2026-03-01T10:00:00Z"),
            ("2026-03-01T10:00:00+01:00", "2026-03-01T09:00:00Z"),
            ("10min", "2026-03-02T09:50:00Z"),
            ("2h", "2026-03-02T08:00:00Z"),
            ("1d", "2026-03-01T10:00:00Z"),
        ] {
            assert_eq!(
                time_seen_from(&now, text),
                Ok(at.parse().unwrap()),
                "{text}"
            );
        }
        assert!(time_seen_from(&now, "yesterday").is_err());
    }
}
