//! Pages of the journal, exchanges, stories, captures.

use std::sync::Arc;

use axum::Json;
use axum::body::Body;
use axum::extract::State;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use tokio::sync::mpsc;
use utoipa::{IntoParams, ToSchema};

use super::Problem;
use super::ask::{Asked, Number, mac, page_size, stored};
use crate::board::Board;
use crate::board::view::{Exchange, Outline};
use crate::journal::pcapng::Exporter;
use crate::journal::{Filter, Kind};
use crate::store::{EntryQuery, Reader};

/// Which entries; everything named must fit.
#[derive(Debug, Clone, Default, Serialize, Deserialize, IntoParams)]
#[serde(default, deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct EntriesWanted {
    /// Name of the switch entry.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub switch: Option<String>,
    /// Port as the switch names it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub port: Option<String>,
    /// Device, in any spelling.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub mac: Option<String>,
    /// Class in force after the entry.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub class: Option<String>,
    /// Verdict; a trailing `*` stands for any ending.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub verdict: Option<String>,
    /// Kind of entry.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub kind: Option<String>,
    /// Session number.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub session: Option<u64>,
    /// Not before this time.
    #[param(value_type = Option<String>, format = DateTime)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub since: Option<String>,
    /// Before this time.
    #[param(value_type = Option<String>, format = DateTime)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub until: Option<String>,
    /// Only entries after this number, oldest first.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub after: Option<u64>,
    /// Only entries before this number.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub before: Option<u64>,
    /// How many at most.
    #[param(minimum = 1, maximum = 1000)]
    #[serde(skip_serializing_if = "Option::is_none")]
    pub limit: Option<usize>,
}

impl EntriesWanted {
    pub(super) fn filter(&self) -> Result<Filter, Problem> {
        Ok(Filter {
            switch: self.switch.clone(),
            port: self.port.clone(),
            mac: self.mac.as_deref().map(mac).transpose()?,
            class: self.class.clone(),
            verdict: self.verdict.clone(),
            kind: self.kind.as_deref().map(kind).transpose()?,
            session: self.session.map(stored).transpose()?,
            since: self.since.as_deref().map(time).transpose()?,
            until: self.until.as_deref().map(time).transpose()?,
        })
    }

    pub(crate) fn query(&self, limit: usize) -> Result<EntryQuery, Problem> {
        Ok(EntryQuery {
            filter: self.filter()?,
            after: self.after.map(stored).transpose()?,
            before: self.before.map(stored).transpose()?,
            limit,
            packets: false,
        })
    }
}

fn kind(word: &str) -> Result<Kind, Problem> {
    Kind::from_word(word).ok_or_else(|| {
        let known: Vec<&str> = Kind::ALL.iter().map(|kind| kind.word()).collect();
        Problem::bad(format!(
            "'{word}' is no kind of entry; there are {}",
            known.join(", ")
        ))
    })
}

fn time(text: &str) -> Result<Timestamp, Problem> {
    text.parse().map_err(|why| {
        Problem::bad(format!(
            "'{text}' is not a time like 2026-03-01T10:00:00Z: {why}"
        ))
    })
}

/// A page of the journal.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
pub struct Entries {
    /// The entries: newest first, or oldest first when `after` was given.
    pub entries: Vec<Outline>,
    /// Whether there are more in that direction.
    pub more: bool,
}

const PAGE: usize = 100;

/// A page of the journal.
#[utoipa::path(get, path = "/api/entries", operation_id = "entries", tag = "journal", params(EntriesWanted), responses(
    (status = 200, body = Entries, description = "As asked"),
    (status = 400, body = Problem, description = "What was wrong with it"),
))]
pub(super) async fn list(
    State(board): State<Arc<Board>>,
    Asked(wanted): Asked<EntriesWanted>,
) -> Result<Json<Entries>, Problem> {
    let query = wanted.query(page_size(wanted.limit, PAGE)?)?;
    let page = board.look(move |reader| reader.entries(&query)).await?;
    Ok(Json(Entries {
        entries: page.items.iter().map(Outline::from).collect(),
        more: page.more,
    }))
}

/// One entry with packets, trace and the arrows of its drawing.
#[utoipa::path(get, path = "/api/entries/{seq}", operation_id = "exchange", tag = "journal",
    params(("seq" = u64, Path, description = "Number of the entry")), responses(
    (status = 200, body = Exchange, description = "As asked"),
    (status = 400, body = Problem, description = "What was wrong with it"),
    (status = 404, body = Problem, description = "Not there"),
))]
pub(super) async fn exchange(
    State(board): State<Arc<Board>>,
    Number(seq): Number,
) -> Result<Json<Exchange>, Problem> {
    let entry = board.look(move |reader| reader.entry(seq)).await?;
    entry
        .map(|entry| Json(Exchange::from(&entry)))
        .ok_or_else(|| Problem::absent(format!("the journal has no entry {seq} (any more)")))
}

/// A device's story around an entry: what belongs together in time, oldest first.
#[utoipa::path(get, path = "/api/entries/{seq}/story", operation_id = "story", tag = "journal",
    params(("seq" = u64, Path, description = "Number of an entry of the story")), responses(
    (status = 200, body = [Exchange], description = "As asked"),
    (status = 400, body = Problem, description = "What was wrong with it"),
    (status = 404, body = Problem, description = "Not there"),
))]
pub(super) async fn story(
    State(board): State<Arc<Board>>,
    Number(seq): Number,
) -> Result<Json<Vec<Exchange>>, Problem> {
    let entries = board.look(move |reader| around(reader, seq)).await?;
    if entries.is_empty() {
        return Err(Problem::absent(format!(
            "the journal has no entry {seq} (any more)"
        )));
    }
    Ok(Json(entries.iter().map(Exchange::from).collect()))
}

/// A longer silence ends a story: longer than a device takes to boot after a bounce.
const SILENCE: jiff::SignedDuration = jiff::SignedDuration::from_secs(120);
/// Entries of a story on either side of the entry asked for.
const HALF: usize = 60;

fn around(
    reader: &Reader,
    seq: u64,
) -> Result<Vec<crate::journal::Entry>, crate::store::StoreError> {
    let Some(middle) = reader.entry(seq)? else {
        return Ok(Vec::new());
    };
    let Some(device) = middle.place.mac else {
        return Ok(vec![middle]);
    };
    let side = |after, before| {
        reader.entries(&EntryQuery {
            filter: Filter {
                mac: Some(device),
                ..Filter::default()
            },
            after,
            before,
            limit: HALF,
            packets: true,
        })
    };
    let mut story = side(None, Some(seq))?.items;
    cut_at_silence(&mut story, middle.at);
    story.reverse();
    let mut later = side(Some(seq), None)?.items;
    cut_at_silence(&mut later, middle.at);
    story.push(middle);
    story.extend(later);
    Ok(story)
}

/// Keeps what follows `from` without a long silence, in either direction of time.
fn cut_at_silence(entries: &mut Vec<crate::journal::Entry>, from: Timestamp) {
    let mut last = from;
    let end = entries
        .iter()
        .position(|entry| {
            let gap = entry.at.duration_since(last).abs();
            last = entry.at;
            gap > SILENCE
        })
        .unwrap_or(entries.len());
    entries.truncate(end);
}

/// The packets of the entries as a capture; passwords are set to zero.
#[utoipa::path(get, path = "/api/capture.pcapng", operation_id = "capture", tag = "journal", params(EntriesWanted), responses(
    (status = 200, description = "A pcapng file, oldest entry first",
        content_type = "application/x-pcapng", body = Vec<u8>),
    (status = 400, body = Problem, description = "What was wrong with it"),
))]
pub(super) async fn export(
    State(board): State<Arc<Board>>,
    Asked(wanted): Asked<EntriesWanted>,
) -> Result<Response, Problem> {
    let mut query = wanted.query(usize::MAX)?;
    query.after.get_or_insert(0);
    query.limit = EXPORT_PAGE;
    query.packets = true;
    let left = match wanted.limit {
        Some(_) => page_size(wanted.limit, PAGE)?,
        None => usize::MAX,
    };
    let (pieces, stream) = mpsc::channel(4);
    let reader = board.reader.clone();
    tokio::task::spawn_blocking(move || {
        if let Err(error) = write_capture(&reader, query, left, &pieces) {
            tracing::warn!(%error, "a capture ended early");
            // A broken body tells the caller that the file is not whole.
            let _ = pieces.blocking_send(Err(error));
        }
    });
    let headers = [
        (header::CONTENT_TYPE, "application/x-pcapng"),
        (
            header::CONTENT_DISPOSITION,
            "attachment; filename=\"portproof.pcapng\"",
        ),
    ];
    let body = Body::from_stream(tokio_stream::wrappers::ReceiverStream::new(stream));
    Ok((headers, body).into_response())
}

const EXPORT_PAGE: usize = 500;

type Piece = Result<Vec<u8>, std::io::Error>;

fn write_capture(
    reader: &Reader,
    mut query: EntryQuery,
    mut left: usize,
    pieces: &mpsc::Sender<Piece>,
) -> Result<(), std::io::Error> {
    let mut exporter = Exporter::new(
        Pieces {
            pieces,
            held: Vec::new(),
        },
        false,
    )
    .map_err(std::io::Error::other)?;
    loop {
        query.limit = EXPORT_PAGE.min(left);
        let page = reader.entries(&query).map_err(std::io::Error::other)?;
        for entry in &page.items {
            exporter.entry(entry).map_err(std::io::Error::other)?;
            query.after = Some(entry.seq);
        }
        left = left.saturating_sub(page.items.len());
        if !page.more || left == 0 {
            return exporter.finish().flush_held();
        }
    }
}

/// Hands a capture on in pieces.
struct Pieces<'s> {
    pieces: &'s mpsc::Sender<Piece>,
    held: Vec<u8>,
}

impl Pieces<'_> {
    fn flush_held(&mut self) -> std::io::Result<()> {
        let piece = std::mem::take(&mut self.held);
        self.pieces
            .blocking_send(Ok(piece))
            .map_err(|_| std::io::Error::from(std::io::ErrorKind::BrokenPipe))
    }
}

impl std::io::Write for Pieces<'_> {
    fn write(&mut self, octets: &[u8]) -> std::io::Result<usize> {
        self.held.extend_from_slice(octets);
        if self.held.len() >= 64 * 1024 {
            self.flush_held()?;
        }
        Ok(octets.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}
