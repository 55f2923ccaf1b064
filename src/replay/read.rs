//! Reading a recording: a capture, a journal as JSON lines, or a state file.

use std::path::{Path, PathBuf};

use pcap_file::PcapError;

use super::capture::{self, Ports};
use super::items::{self, Item};
use crate::journal::{Entry, Kind};
use crate::store::{EntryQuery, Reader, Store, StoreError};

/// Why there is nothing to replay.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ReadError {
    /// The file.
    #[error("{}: {source}", path.display())]
    File {
        /// Which.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// A capture that breaks before its first datagram.
    #[error("{}: the capture does not read: {source}", path.display())]
    Capture {
        /// Which.
        path: PathBuf,
        /// Why.
        source: PcapError,
    },
    /// The state file.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// A line of JSON lines.
    #[error(
        "{}:{line}: {why}; give what 'portproof serve --json' prints, a state file, a report, or a pcap or pcapng capture",
        path.display()
    )]
    Line {
        /// Which file.
        path: PathBuf,
        /// Line, from 1.
        line: usize,
        /// What is wrong.
        why: String,
    },
    /// Nothing in it that a bench has to do with.
    #[error(
        "{}: {found}; a replay needs RADIUS or DHCP requests (in a capture on ports 1812, 1813, 3799, 67 or those of the bench file)",
        path.display()
    )]
    Empty {
        /// Which file.
        path: PathBuf,
        /// What there was.
        found: String,
    },
}

/// What was recorded.
#[derive(Debug, Default)]
pub struct Recording {
    /// In the order of their times.
    pub items: Vec<Item>,
    /// The journal's entries, where it was one.
    pub entries: Vec<Entry>,
    /// What a reader should know before trusting a replay.
    pub notes: Vec<String>,
}

/// Reads a file of any kind.
///
/// # Errors
/// When it can't be read, is none of those kinds, or holds nothing to replay.
pub fn read(path: &Path, ports: &Ports) -> Result<Recording, ReadError> {
    let octets = std::fs::read(path).map_err(|source| ReadError::File {
        path: path.to_owned(),
        source,
    })?;
    let recording = if capture::is_capture(&octets) {
        of_capture(path, &octets, ports)?
    } else if octets.starts_with(SQLITE) {
        of_entries(stored(path)?)
    } else {
        of_entries(lines(path, &octets)?)
    };
    if recording.items.is_empty() {
        return Err(ReadError::Empty {
            path: path.to_owned(),
            found: match recording.notes.as_slice() {
                [] => "there is nothing in it".to_owned(),
                notes => notes.join(", "),
            },
        });
    }
    Ok(recording)
}

/// How a SQLite file begins.
const SQLITE: &[u8] = b"SQLite format 3\0";

fn of_capture(path: &Path, octets: &[u8], ports: &Ports) -> Result<Recording, ReadError> {
    let captured = capture::read(octets, ports).map_err(|source| ReadError::Capture {
        path: path.to_owned(),
        source,
    })?;
    let mut notes = Vec::new();
    for (count, what) in [
        (captured.other, "frames of other traffic left out"),
        (
            captured.fragments,
            "IP fragments left out: they are not put together",
        ),
        (
            captured.cut,
            "frames left out that the capture cut off: capture whole packets",
        ),
    ] {
        if count > 0 {
            notes.push(format!("{count} {what}"));
        }
    }
    if let Some(why) = captured.broken {
        notes.push(format!("the capture ends in its midst: {why}"));
    }
    Ok(Recording {
        items: items::of_packets(&captured.packets),
        entries: Vec::new(),
        notes,
    })
}

/// The recording that journal entries make.
#[must_use]
pub fn of_entries(entries: Vec<Entry>) -> Recording {
    let mut notes = Vec::new();
    if entries.iter().any(|entry| entry.kind == Kind::Fault) {
        notes.push("faults were on in this recording; a replay has none".to_owned());
    }
    let reloads = entries.iter().filter(|entry| entry.verdict == "reloaded");
    let reloads = reloads.count();
    if reloads > 0 {
        notes.push(format!(
            "the bench file was edited {reloads} times in this recording; a replay has one bench"
        ));
    }
    if entries.first().is_some_and(|entry| entry.seq > 1) {
        notes.push(
            "the journal does not begin at its first entry: what the roster knew before is missing"
                .to_owned(),
        );
    }
    Recording {
        items: items::of_entries(&entries),
        entries,
        notes,
    }
}

/// Entries of a state file, page by page.
fn stored(path: &Path) -> Result<Vec<Entry>, ReadError> {
    const PAGE: usize = 1000;
    let store = Store::open(path)?;
    let reader: Reader = store.reader()?;
    let mut query = EntryQuery {
        after: Some(0),
        limit: PAGE,
        packets: true,
        ..EntryQuery::default()
    };
    let mut entries: Vec<Entry> = Vec::new();
    loop {
        let page = reader.entries(&query)?;
        entries.extend(page.items);
        query.after = entries.last().map(|entry| entry.seq);
        if !page.more {
            return Ok(entries);
        }
    }
}

fn lines(path: &Path, octets: &[u8]) -> Result<Vec<Entry>, ReadError> {
    let wrong = |line: usize, why: String| ReadError::Line {
        path: path.to_owned(),
        line,
        why,
    };
    let text = std::str::from_utf8(octets).map_err(|_| {
        wrong(
            1,
            "this is neither text nor a capture nor a state file".to_owned(),
        )
    })?;
    text.lines()
        .enumerate()
        .filter(|(_, line)| !line.trim().is_empty())
        .map(|(index, line)| {
            serde_json::from_str(line)
                .map_err(|error| wrong(index + 1, format!("no journal entry ({error})")))
        })
        .collect()
}
