//! The bench itself and its ports.

use std::sync::Arc;

use axum::Json;
use axum::extract::State;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::Problem;
use crate::board::Board;
use crate::board::view::{SwitchView, ports};
use crate::change::CAUTION;
use crate::store::{SessionQuery, Totals};

/// The bench in force.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
pub struct BenchView {
    /// Name of the bench.
    pub name: String,
    /// Version of portproof.
    pub version: String,
    /// Tells this journal from any other.
    pub era: String,
    /// Number of the newest entry.
    pub last: u64,
    /// How many devices the roster knows.
    pub devices: u64,
    /// How many sessions live.
    pub live_sessions: u64,
    /// Names of the switch entries.
    pub switches: Vec<String>,
    /// The class table's rows in order.
    pub classes: Vec<ClassView>,
    /// Class of devices that no row fits.
    pub holding: String,
    /// What a person must know before a bounce.
    pub caution: String,
}

/// A row of the class table.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
pub struct ClassView {
    /// Name.
    pub name: String,
    /// One line for people.
    pub about: Option<String>,
    /// How a device already on a port is moved into it.
    pub change: String,
    /// Where the row stands, "file:line".
    pub place: String,
}

/// The bench in force.
#[utoipa::path(get, path = "/api/bench", operation_id = "bench", tag = "bench", responses(
    (status = 200, body = BenchView, description = "As asked"),
    (status = 503, body = Problem, description = "The bench has stopped"),
))]
pub(super) async fn get(State(board): State<Arc<Board>>) -> Result<Json<BenchView>, Problem> {
    let bench = board.desk.bench().await?;
    let Totals {
        devices,
        live_sessions,
        ..
    } = board.look(|reader| reader.totals()).await?;
    Ok(Json(BenchView {
        name: bench.name.clone(),
        version: env!("CARGO_PKG_VERSION").to_owned(),
        era: board.era.clone(),
        last: board.journal.last(),
        devices,
        live_sessions,
        switches: bench
            .switches
            .iter()
            .map(|switch| switch.name.clone())
            .collect(),
        classes: bench
            .table
            .classes
            .iter()
            .map(|class| ClassView {
                name: class.name.clone(),
                about: class.about.clone(),
                change: class.change.word().to_owned(),
                place: class.place.clone(),
            })
            .collect(),
        holding: bench.table.holding.clone(),
        caution: CAUTION.to_owned(),
    }))
}

/// Ports that are shown at most; the longest unheard are left out.
const PORTS: usize = 2000;

/// Each switch as its ports in a row.
#[utoipa::path(get, path = "/api/ports", operation_id = "ports", tag = "bench", responses(
    (status = 200, body = [SwitchView], description = "As asked"),
    (status = 503, body = Problem, description = "The bench has stopped"),
))]
pub(super) async fn ports(
    State(board): State<Arc<Board>>,
) -> Result<Json<Vec<SwitchView>>, Problem> {
    let bench = board.desk.bench().await?;
    let (heard, live) = board
        .look(|reader| {
            let live = SessionQuery {
                live: Some(true),
                limit: PORTS,
                ..SessionQuery::default()
            };
            Ok((reader.ports(PORTS)?, reader.sessions(&live)?.items))
        })
        .await?;
    Ok(Json(ports::rows(&bench, heard, &live)))
}

/// Reads the bench file again; a file with mistakes changes nothing.
#[utoipa::path(post, path = "/api/reload", operation_id = "reload", tag = "bench", responses(
    (status = 200, body = String, description = "What came of it", content_type = "text/plain"),
    (status = 403, body = Problem, description = "Asked from another site's page"),
    (status = 409, body = Problem, description = "The file has mistakes; the old bench stays"),
    (status = 503, body = Problem, description = "The bench has stopped"),
))]
pub(super) async fn reload(State(board): State<Arc<Board>>) -> Result<String, Problem> {
    Ok(board.desk.reload().await??)
}
