//! `portproof reduce CAPTURE`: shrink a recording that fails to the few packets that still fail.

use std::fs::File;
use std::io::{self, Write as _};
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};

use super::Outcome;
use super::replay::With;
use crate::replay::reduce::{Goal, reduce};
use crate::replay::{Item, items};

/// Shrink a recording that fails to the few packets that still fail.
///
/// The file that it writes is a journal in JSON lines that `portproof replay` reads. It holds the
/// packets as recorded: names, MAC addresses, and passwords as far as the shared secret hides them.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// A pcap or pcapng capture, JSON lines of 'portproof serve --json', or a state file.
    #[arg(value_name = "CAPTURE")]
    capture: PathBuf,
    #[command(flatten)]
    with: With,
    /// What has to go on happening: 'different', the first answer that differs from the recorded
    /// one; or a verdict of the replay, such as 'dropped-bad-message-authenticator'.
    #[arg(long, value_name = "VERDICT", default_value = "different")]
    until: String,
    /// Where to write what is left.
    #[arg(long, value_name = "FILE")]
    out: PathBuf,
}

/// Runs it.
#[must_use]
pub fn run(args: &Args) -> Outcome {
    let (recording, settings) = match args.with.open(&args.capture) {
        Ok(opened) => opened,
        Err(outcome) => return outcome,
    };
    let goal = match args.until.as_str() {
        "different" => Goal::Different,
        verdict => Goal::Verdict(verdict.to_owned()),
    };
    let Some(reduced) = reduce(&recording.items, &settings, &goal) else {
        eprintln!("nothing to reduce: the replay has no '{}'", args.until);
        return Outcome::Failed;
    };
    if let Err(error) = write(&args.out, &reduced) {
        eprintln!("{}: {error}", args.out.display());
        return Outcome::Refused;
    }
    super::lines::put(format_args!(
        "{} of {} exchanges are left, in {}",
        reduced.len(),
        recording.items.len(),
        args.out.display()
    ));
    Outcome::Done
}

/// Only its owner may read it: it holds names, and passwords in their hidden form.
fn write(path: &Path, kept: &[Item]) -> io::Result<()> {
    let mut options = File::options();
    options.write(true).create(true).truncate(true).mode(0o600);
    let mut file = io::BufWriter::new(options.open(path)?);
    for entry in items::to_entries(kept) {
        serde_json::to_writer(&mut file, &entry)?;
        writeln!(file)?;
    }
    file.flush()
}
