//! The commands, one file each.

mod ask;
pub mod board;
pub mod certs;
pub mod change;
pub mod check;
mod client;
pub mod drill;
pub mod findings;
pub mod journal;
mod lines;
pub mod log;
pub mod reduce;
pub mod replay;
pub mod roster;
pub mod serve;
pub mod sessions;
mod source;
pub mod stand_in;

use std::process::ExitCode;

use clap::{Parser, Subcommand};
use tokio::runtime::Runtime;
use tokio::signal::unix::{SignalKind, signal};

use crate::bench::yaml::{self, Diagnostic};

/// A RADIUS bench for people who prove switch port configurations.
///
/// It answers only the switches that the bench file declares. It is a bench tool: production use,
/// site safety and local rules stay with licensed practice.
#[derive(Debug, Parser)]
#[command(version, propagate_version = true, max_term_width = 100)]
pub struct Cli {
    /// Log lines as text for people or as JSON for programs; `RUST_LOG` sets how many.
    #[arg(long, global = true, value_enum, default_value_t = log::Format::Text)]
    log: log::Format,
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
#[expect(
    clippy::large_enum_variant,
    reason = "there is one, and it is parsed once"
)]
enum Command {
    /// Answer the switches of a bench file, recognise devices and send changes.
    Serve(serve::Args),
    /// Say everything that is wrong with a bench file, with line, column and remedy.
    Check(check::Args),
    /// Send a change by hand: bounce, reauth, regrant or disconnect.
    Change(change::Args),
    /// Look at the memory of devices, pin and forget.
    Roster(roster::Args),
    /// Show what happened, and why; write captures.
    Journal(journal::Args),
    /// Show sessions per switch and port.
    Sessions(sessions::Args),
    /// Tell where switches broke a standard, by what the journal holds.
    Findings(findings::Args),
    /// Run drills and say whether they passed.
    Drill(drill::Args),
    /// Play a capture or journal again and compare the answers.
    Replay(replay::Args),
    /// Shrink a recording that fails to the few packets that still fail.
    Reduce(reduce::Args),
    /// Run the built-in switch on its own, over UDP.
    StandIn(stand_in::Args),
    /// Make a bench CA and certificates, good and bad.
    Certs(certs::Args),
}

/// How a command ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    /// Done, and as expected: exit code 0.
    Done,
    /// It ran and an expectation failed: 1.
    Failed,
    /// The input or the usage is wrong: 2.
    BadInput,
    /// The environment refused, such as a port in use or no permission: 3.
    Refused,
}

impl From<Outcome> for ExitCode {
    fn from(outcome: Outcome) -> ExitCode {
        Self::from(match outcome {
            Outcome::Done => 0,
            Outcome::Failed => 1,
            Outcome::BadInput => 2,
            Outcome::Refused => 3,
        })
    }
}

/// An error that a command ends with.
trait Ending: std::fmt::Display {
    /// How the command ended.
    fn outcome(&self) -> Outcome;
}

/// Tells an error, if there is one.
fn told<E: Ending>(result: Result<(), E>) -> Outcome {
    match result {
        Ok(()) => Outcome::Done,
        Err(error) => {
            eprintln!("{error}");
            error.outcome()
        }
    }
}

/// Shows what is wrong with a file.
fn complain(diagnostics: &[Diagnostic]) {
    eprint!("{}", yaml::render(diagnostics, yaml::on_terminal()));
}

/// A runtime for the commands that have sockets.
fn runtime() -> Result<Runtime, Outcome> {
    Runtime::new().map_err(|error| {
        eprintln!("the system gave no threads: {error}");
        Outcome::Refused
    })
}

/// Waits for Ctrl-C or the signal to terminate.
async fn until_stopped() {
    let terminate = async {
        match signal(SignalKind::terminate()) {
            Ok(mut terminate) => terminate.recv().await,
            Err(_) => std::future::pending().await,
        }
    };
    tokio::select! {
        _ = tokio::signal::ctrl_c() => {}
        _ = terminate => {}
    }
}

/// Runs one command.
#[must_use]
pub fn run(cli: Cli) -> Outcome {
    log::start(cli.log);
    match cli.command {
        Command::Serve(args) => serve::run(&args),
        Command::Check(args) => check::run(&args),
        Command::Change(args) => change::run(&args),
        Command::Roster(args) => roster::run(&args),
        Command::Journal(args) => journal::run(&args),
        Command::Sessions(args) => sessions::run(&args),
        Command::Findings(args) => findings::run(&args),
        Command::Drill(args) => drill::run(&args),
        Command::Replay(args) => replay::run(&args),
        Command::Reduce(args) => reduce::run(&args),
        Command::StandIn(args) => stand_in::run(&args),
        Command::Certs(args) => certs::run(&args),
    }
}

#[cfg(test)]
mod tests {
    use clap::CommandFactory as _;

    #[test]
    fn the_commands_do_not_contradict_each_other() {
        super::Cli::command().debug_assert();
    }
}
