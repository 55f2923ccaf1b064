//! One line for each thing, as people read it.

use std::io::Write as _;

use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::board::view::Outline;
use crate::journal::Entry;

/// Prints a line. Whoever reads may stop reading, as `head` does; then there is nobody to print
/// for, and the command ends.
pub fn put(line: impl std::fmt::Display) {
    if writeln!(std::io::stdout(), "{line}").is_err() {
        std::process::exit(0);
    }
}

/// Time of day, where, who, what, why.
#[must_use]
pub fn entry(entry: &Entry) -> String {
    line(entry.at, "%H:%M:%S%.3f", &Outline::from(entry))
}

/// The same with the date, for what is looked up later.
#[must_use]
pub fn outline(entry: &Outline) -> String {
    line(entry.at, "%Y-%m-%d %H:%M:%S%.3f", entry)
}

/// Date and time of the place where one is.
#[must_use]
pub fn when(at: Timestamp) -> String {
    local(at, "%Y-%m-%d %H:%M:%S")
}

fn local(at: Timestamp, form: &str) -> String {
    at.to_zoned(TimeZone::system()).strftime(form).to_string()
}

fn line(at: Timestamp, form: &str, entry: &Outline) -> String {
    let port = match (&entry.switch, &entry.port) {
        (Some(switch), Some(port)) => format!("{switch} port {port}"),
        (Some(switch), None) => switch.clone(),
        _ => String::new(),
    };
    let who = [entry.mac.as_deref(), entry.identity.as_deref()]
        .into_iter()
        .flatten()
        .collect::<Vec<_>>()
        .join(" ");
    let class = entry
        .class
        .as_ref()
        .map(|class| format!(" [{class}]"))
        .unwrap_or_default();
    format!(
        "{}  {port:<16} {who:<18} {} {}{class}: {}",
        local(at, form),
        entry.kind,
        entry.verdict,
        entry.reason
    )
}
