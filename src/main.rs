//! Parses arguments, calls one function, maps the outcome to an exit code.

use std::process::ExitCode;

use clap::Parser as _;

fn main() -> ExitCode {
    portproof::cli::run(portproof::cli::Cli::parse()).into()
}
