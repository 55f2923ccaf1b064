//! Live entries as server-sent events, without gaps.
//!
//! Each event holds several entries and has an id, `era-number`. A caller that lost the
//! connection sends the last id as `Last-Event-ID` and goes on from there; what left memory in
//! the meantime comes from the state file.

use std::collections::VecDeque;
use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::IntoResponse;
use axum::response::sse::{Event, KeepAlive, Sse};
use futures_util::stream::{self, Stream};
use tokio::sync::watch;
use tokio::time::Instant;

use super::Problem;
use super::ask::{Asked, stored};
use super::journal::EntriesWanted;
use crate::board::Board;
use crate::board::view::Outline;
use crate::journal::{Entry, Filter, Follower, News};
use crate::store::EntryQuery;

/// Entries in one event at most.
const BATCH: usize = 200;
/// Least time between two events of one caller: an eye sees no more.
const PACE: Duration = Duration::from_millis(40);

/// Entries as they happen, as server-sent events: `entries` with an array of entries, `anew` when
/// the place to go on from belongs to another journal and the caller should start afresh.
#[utoipa::path(get, path = "/api/live", operation_id = "live", tag = "journal",
    params(EntriesWanted, ("last-event-id" = Option<String>, Header,
        description = "Id of the last event seen; goes before `after`")),
    responses(
    (status = 200, description = "Events: `entries`, `anew`", content_type = "text/event-stream",
        body = String),
    (status = 400, body = Problem, description = "What was wrong with it"),
))]
pub(super) async fn live(
    State(board): State<Arc<Board>>,
    headers: HeaderMap,
    Asked(wanted): Asked<EntriesWanted>,
) -> Result<impl IntoResponse, Problem> {
    if wanted.before.is_some() || wanted.limit.is_some() {
        return Err(Problem::bad(
            "what happens live has neither 'before' nor 'limit'",
        ));
    }
    let after = wanted.after.map(stored).transpose()?;
    let start = Start::of(&board, &headers, after);
    let last = board.journal.last();
    let mut watcher = Watcher {
        follower: board.journal.follow(start.after.min(last)),
        filter: wanted.filter()?,
        stop: board.stop.subscribe(),
        not_before: Instant::now(),
        ready: VecDeque::new(),
        board,
    };
    if start.anew {
        watcher.ready.push_back(watcher.anew(last));
    }
    Ok(Sse::new(events(watcher)).keep_alive(KeepAlive::new().interval(Duration::from_secs(10))))
}

/// Where a caller goes on.
struct Start {
    after: u64,
    /// What it saw belongs to another journal.
    anew: bool,
}

impl Start {
    fn of(board: &Board, headers: &HeaderMap, after: Option<u64>) -> Start {
        let last = board.journal.last();
        let id = headers
            .get("last-event-id")
            .and_then(|value| value.to_str().ok());
        let seen = id.map(|id| {
            let (era, seq) = id.rsplit_once('-')?;
            let seq = seq.parse().ok()?;
            (era == board.era && seq <= last).then_some(seq)
        });
        match seen {
            Some(Some(seq)) => Start {
                after: seq,
                anew: false,
            },
            Some(None) => Start {
                after: last,
                anew: true,
            },
            None => Start {
                after: after.unwrap_or(last),
                anew: after.is_some_and(|after| after > last),
            },
        }
    }
}

struct Watcher {
    board: Arc<Board>,
    follower: Follower,
    filter: Filter,
    stop: watch::Receiver<bool>,
    not_before: Instant,
    ready: VecDeque<Event>,
}

fn events(watcher: Watcher) -> impl Stream<Item = Result<Event, Infallible>> {
    stream::unfold(watcher, |mut watcher| async move {
        let event = watcher.next().await?;
        Some((Ok(event), watcher))
    })
}

impl Watcher {
    /// The next event; `None` ends the stream.
    async fn next(&mut self) -> Option<Event> {
        if let Some(event) = self.ready.pop_front() {
            return Some(event);
        }
        let mut stop = self.stop.clone();
        let news = tokio::select! {
            _ = stop.wait_for(|stop| *stop) => return None,
            news = paced(self.not_before, &mut self.follower) => news?,
        };
        self.not_before = Instant::now() + PACE;
        let (entries, seen) = match news {
            News::Anew { last } => {
                self.follower.seen(last);
                return Some(self.anew(last));
            }
            News::Entries(entries) => {
                let seen = entries.last().map_or(0, |entry| entry.seq);
                (self.fitting(entries.iter().map(AsRef::as_ref)), seen)
            }
            News::Read { from, to } => self.read(from, to).await?,
        };
        // A caller with a filter learns in passing how far things are, so that it need not go
        // back over them after a lost connection.
        Some(self.event("entries", &entries, seen))
    }

    /// Entries that have left memory.
    async fn read(&mut self, from: u64, to: u64) -> Option<(Vec<Outline>, u64)> {
        let query = EntryQuery {
            after: Some(from.saturating_sub(1)),
            before: Some(to),
            limit: BATCH,
            ..EntryQuery::default()
        };
        // A failed look-up is logged there; the caller connects again and goes on from its id.
        let page = self
            .board
            .look(move |reader| reader.entries(&query))
            .await
            .ok()?;
        let seen = match page.items.last() {
            Some(entry) if page.more => entry.seq,
            _ => to.saturating_sub(1),
        };
        self.follower.seen(seen);
        Some((self.fitting(&page.items), seen))
    }

    fn fitting<'e>(&self, entries: impl IntoIterator<Item = &'e Entry>) -> Vec<Outline> {
        entries
            .into_iter()
            .filter(|entry| self.filter.fits(entry))
            .map(Outline::from)
            .collect()
    }

    fn anew(&self, last: u64) -> Event {
        self.event("anew", &[], last)
    }

    fn event(&self, name: &str, entries: &[Outline], seen: u64) -> Event {
        // Outlines are plain data: they always turn into JSON, and JSON has no line breaks.
        let data = serde_json::to_string(entries).unwrap_or_default();
        Event::default()
            .event(name)
            .id(format!("{}-{seen}", self.board.era))
            .data(data)
    }
}

async fn paced(not_before: Instant, follower: &mut Follower) -> Option<News> {
    tokio::time::sleep_until(not_before).await;
    follower.next(BATCH).await
}
