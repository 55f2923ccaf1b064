//! One line for each thing, as people read it.

use jiff::tz::TimeZone;

use crate::journal::Entry;

/// When, where, who, what, why.
#[must_use]
pub fn entry(entry: &Entry) -> String {
    let place = &entry.place;
    let port = match (&place.switch, &place.port) {
        (Some(switch), Some(port)) => format!("{switch} port {port}"),
        (Some(switch), None) => switch.clone(),
        _ => String::new(),
    };
    let who = [place.mac.map(|mac| mac.to_string()), place.identity.clone()]
        .into_iter()
        .flatten()
        .collect::<Vec<_>>()
        .join(" ");
    let class = place
        .class
        .as_ref()
        .map(|class| format!(" [{class}]"))
        .unwrap_or_default();
    let when = entry
        .at
        .to_zoned(TimeZone::system())
        .strftime("%H:%M:%S%.3f");
    format!(
        "{when}  {port:<16} {who:<18} {} {}{class}: {}",
        entry.kind.word(),
        entry.verdict,
        entry.reason
    )
}
