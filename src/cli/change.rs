//! `portproof change`: a change by hand.

use std::ops::ControlFlow;

use clap::ValueEnum;

use super::source::{SourceArgs, SourceError, print_json};
use super::{Ending as _, Outcome};
use crate::bench::ChangeKind;
use crate::board::api::{BenchView, ChangeAsked, EntriesWanted};
use crate::board::view::Outline;
use crate::wire::Mac;

/// Send a change by hand, and wait for the switch's answer.
#[derive(Debug, clap::Args)]
#[command(group = clap::ArgGroup::new("target").required(true).args(["session", "mac", "port"]))]
pub struct Args {
    /// What is to happen.
    #[arg(value_enum)]
    kind: Kind,
    /// The session, by its number.
    #[arg(long)]
    session: Option<u64>,
    /// The session of this device, in any spelling.
    #[arg(long)]
    mac: Option<Mac>,
    /// The session on this port, as the switch names it.
    #[arg(long)]
    port: Option<String>,
    /// The switch that has the port, where more than one has such a port.
    #[arg(long, requires = "port")]
    switch: Option<String>,
    /// Why, for the journal.
    #[arg(long)]
    reason: Option<String>,
    /// Do not ask before a bounce or a disconnect; a script has to say so.
    #[arg(long, short)]
    yes: bool,
    /// Do not wait for the answer.
    #[arg(long)]
    no_wait: bool,
    /// The course of it as JSON, one entry a line.
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    source: SourceArgs,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Kind {
    /// The port's link goes down and up again.
    Bounce,
    /// The switch authenticates the device again.
    Reauth,
    /// The class's grant is put in force on the running session.
    Regrant,
    /// The session ends.
    Disconnect,
}

impl Kind {
    fn word(self) -> &'static str {
        match self {
            Kind::Bounce => ChangeKind::Bounce,
            Kind::Reauth => ChangeKind::Reauth,
            Kind::Regrant => ChangeKind::Regrant,
            Kind::Disconnect => ChangeKind::Disconnect,
        }
        .word()
    }
}

/// Runs it: exit code 0 when the switch did it, 1 when it did not.
#[must_use]
pub fn run(args: &Args) -> Outcome {
    let cautioned = matches!(args.kind, Kind::Bounce | Kind::Disconnect);
    if cautioned && !super::ask::is_meant(args.yes, &format!("Send the {}?", args.kind.word())) {
        return Outcome::Failed;
    }
    order(args).unwrap_or_else(|error| {
        eprintln!("{error}");
        error.outcome()
    })
}

fn order(args: &Args) -> Result<Outcome, SourceError> {
    let source = args.source.open()?;
    let client = source.running()?;
    let bench: BenchView = client.get("/api/bench", &())?;
    let ordered = source.change(&ChangeAsked {
        kind: args.kind.word().to_owned(),
        session: args.session,
        mac: args.mac.map(|mac| mac.to_string()),
        switch: args.switch.clone(),
        port: args.port.clone(),
        reason: args.reason.clone(),
    })?;
    if args.no_wait {
        super::lines::put(format_args!("order {}", ordered.order));
        return Ok(Outcome::Done);
    }
    let wanted = EntriesWanted {
        kind: Some("change".to_owned()),
        after: Some(bench.last),
        ..EntriesWanted::default()
    };
    let mut outcome = None;
    client.follow(&wanted, None, |_, mut entries| {
        entries.retain(|entry| entry.order == Some(ordered.order));
        if args.json {
            print_json(&entries);
        } else {
            for entry in &entries {
                super::lines::put(super::lines::outline(entry));
            }
        }
        outcome = entries.last().and_then(end);
        match outcome {
            Some(_) => ControlFlow::Break(()),
            None => ControlFlow::Continue(()),
        }
    })?;
    Ok(outcome.unwrap_or(Outcome::Refused))
}

/// How an order ended, if this was the end. A refusal that a fallback follows is not: both come in
/// one step.
fn end(entry: &Outline) -> Option<Outcome> {
    const DID: [&str; 2] = ["acked", "begun"];
    const DID_NOT: [&str; 5] = [
        "nak",
        "gave-up",
        "refused",
        "dropped-superseded",
        "dropped-settled",
    ];
    let is = |start: &&str| entry.verdict.starts_with(*start);
    if DID.iter().any(is) {
        Some(Outcome::Done)
    } else if DID_NOT.iter().any(is) {
        Some(Outcome::Failed)
    } else {
        None
    }
}
