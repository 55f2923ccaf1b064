//! Records to columns and back.

use jiff::Timestamp;
use rusqlite::Row;
use rusqlite::types::{Type, ValueRef};
use serde::Serialize;
use serde::de::DeserializeOwned;

use super::StoreError;
use crate::journal::{Direction, Entry, Kind, Link, PacketRecord, Place};
use crate::roster::{Device, Session};

/// Nanoseconds since 1970; times outside 1677..2262 are taken as the nearest that fits.
pub(super) fn nanoseconds(at: Timestamp) -> i64 {
    let wide = at.as_nanosecond();
    i64::try_from(wide).unwrap_or(if wide < 0 { i64::MIN } else { i64::MAX })
}

/// SQLite numbers are signed; ours never come near the limit.
pub(super) fn signed(number: u64) -> i64 {
    i64::try_from(number).unwrap_or(i64::MAX)
}

pub(super) fn json<T: Serialize>(what: &str, value: &T) -> Result<String, StoreError> {
    serde_json::to_string(value).map_err(|e| StoreError::Record {
        what: what.to_owned(),
        why: e.to_string(),
    })
}

/// The word that a value has in JSON.
pub(super) fn word<T: Serialize>(value: &T) -> Result<String, StoreError> {
    json("word", value).map(|quoted| quoted.trim_matches('"').to_owned())
}

fn from_word<T: DeserializeOwned>(word: &str) -> Option<T> {
    serde_json::from_value(serde_json::Value::String(word.to_owned())).ok()
}

/// What the roster's search looks through: the address with and without hyphens, class, pin, note
/// and everything sighted.
pub(super) fn search_words(device: &Device) -> String {
    let mut words = vec![device.mac.to_string(), device.mac.spell(None, 0, false)];
    words.extend(device.class.clone());
    if let Some(pin) = &device.pin {
        words.push(pin.class.clone());
        words.extend(pin.note.clone());
    }
    words.extend(device.sightings.dhcp.values().cloned());
    words.extend(device.machine.as_ref().map(|machine| machine.name.clone()));
    words.join("\n").to_lowercase()
}

/// The columns that [`entry`] reads, in order.
pub(super) const ENTRY_COLUMNS: &str = "seq, at, kind, verdict, reason, switch, port, mac, \
     identity, class, session, change, order_id, breach, trace";

/// An entry, without its packets.
pub(super) fn entry(row: &Row<'_>) -> rusqlite::Result<Entry> {
    let trace: Option<String> = row.get(14)?;
    Ok(Entry {
        seq: row.get(0)?,
        at: time(row, 1)?,
        kind: read(row, 2, Kind::from_word)?,
        verdict: row.get(3)?,
        reason: row.get(4)?,
        place: Place {
            switch: row.get(5)?,
            port: row.get(6)?,
            mac: optional(row, 7, |text| text.parse().ok())?,
            identity: row.get(8)?,
            class: row.get(9)?,
            session: row.get(10)?,
            change: optional(row, 11, from_word)?,
            order: row.get(12)?,
        },
        packets: Vec::new(),
        trace: trace
            .map(|text| serde_json::from_str(&text).map_err(|e| unreadable(14, e)))
            .transpose()?,
        breach: row.get(13)?,
    })
}

/// The columns that [`packet`] reads, in order.
pub(super) const PACKET_COLUMNS: &str = "seq, at, direction, link, source, destination, octets";

/// A packet with the number of its entry.
pub(super) fn packet(row: &Row<'_>) -> rusqlite::Result<(u64, PacketRecord)> {
    Ok((
        row.get(0)?,
        PacketRecord {
            at: time(row, 1)?,
            direction: read(row, 2, Direction::from_word)?,
            link: read(row, 3, Link::from_word)?,
            from: read(row, 4, |text| text.parse().ok())?,
            to: read(row, 5, |text| text.parse().ok())?,
            octets: row.get(6)?,
        },
    ))
}

/// A device from its record in the first column.
pub(super) fn device(row: &Row<'_>) -> rusqlite::Result<Device> {
    record(row)
}

/// A session from its record in the first column.
pub(super) fn session(row: &Row<'_>) -> rusqlite::Result<Session> {
    record(row)
}

fn record<T: DeserializeOwned>(row: &Row<'_>) -> rusqlite::Result<T> {
    let text: String = row.get(0)?;
    serde_json::from_str(&text).map_err(|e| unreadable(0, e))
}

fn time(row: &Row<'_>, column: usize) -> rusqlite::Result<Timestamp> {
    let nanoseconds: i64 = row.get(column)?;
    Timestamp::from_nanosecond(i128::from(nanoseconds)).map_err(|e| unreadable(column, e))
}

fn read<T>(
    row: &Row<'_>,
    column: usize,
    from_text: impl Fn(&str) -> Option<T>,
) -> rusqlite::Result<T> {
    let text: String = row.get(column)?;
    from_text(&text).ok_or_else(|| unreadable(column, std::io::Error::other(text)))
}

fn optional<T>(
    row: &Row<'_>,
    column: usize,
    from_text: impl Fn(&str) -> Option<T>,
) -> rusqlite::Result<Option<T>> {
    match row.get_ref(column)? {
        ValueRef::Null => Ok(None),
        _ => read(row, column, from_text).map(Some),
    }
}

fn unreadable(
    column: usize,
    error: impl std::error::Error + Send + Sync + 'static,
) -> rusqlite::Error {
    rusqlite::Error::FromSqlConversionFailure(column, Type::Text, Box::new(error))
}
