//! Log lines on standard error, so that standard output stays the command's own.

use std::io::IsTerminal as _;

use clap::ValueEnum;
use tracing_subscriber::EnvFilter;

/// Form of the log lines.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Format {
    /// For people.
    Text,
    /// One JSON object a line.
    Json,
}

/// Starts logging; `RUST_LOG` chooses what, by default warnings.
pub fn start(format: Format) {
    let filter = EnvFilter::try_from_default_env().unwrap_or_else(|_| EnvFilter::new("warn"));
    let lines = tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_ansi(std::io::stderr().is_terminal())
        .with_writer(std::io::stderr);
    // A second start, as in tests, keeps the first.
    let _ = match format {
        Format::Text => lines.try_init(),
        Format::Json => lines.json().try_init(),
    };
}
