//! Sessions per switch and port.

use std::sync::Arc;

use axum::Json;
use axum::extract::State;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use super::Problem;
use super::ask::{Asked, mac, page_size, stored};
use crate::board::Board;
use crate::board::view::SessionView;
use crate::store::SessionQuery;

/// Which sessions.
#[derive(Debug, Clone, Default, Serialize, Deserialize, IntoParams)]
#[serde(default, deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct SessionsWanted {
    /// Switch entry.
    pub switch: Option<String>,
    /// Port as the switch names it.
    pub port: Option<String>,
    /// Device, in any spelling.
    pub mac: Option<String>,
    /// `true` for live ones, `false` for ended ones; both when left out.
    pub live: Option<bool>,
    /// Only sessions with a smaller number.
    pub before: Option<u64>,
    /// How many at most.
    #[param(minimum = 1, maximum = 1000)]
    pub limit: Option<usize>,
}

impl SessionsWanted {
    pub(crate) fn query(&self, limit: usize) -> Result<SessionQuery, Problem> {
        Ok(SessionQuery {
            switch: self.switch.clone(),
            port: self.port.clone(),
            mac: self.mac.as_deref().map(mac).transpose()?,
            live: self.live,
            before: self.before.map(stored).transpose()?,
            limit,
        })
    }
}

/// A page of the sessions.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
pub struct Sessions {
    /// The sessions, newest first.
    pub sessions: Vec<SessionView>,
    /// Whether there are older ones.
    pub more: bool,
}

const PAGE: usize = 100;

/// A page of the sessions.
#[utoipa::path(get, path = "/api/sessions", operation_id = "sessions", tag = "sessions", params(SessionsWanted), responses(
    (status = 200, body = Sessions, description = "As asked"),
    (status = 400, body = Problem, description = "What was wrong with it"),
))]
pub(super) async fn list(
    State(board): State<Arc<Board>>,
    Asked(wanted): Asked<SessionsWanted>,
) -> Result<Json<Sessions>, Problem> {
    let query = wanted.query(page_size(wanted.limit, PAGE)?)?;
    let page = board.look(move |reader| reader.sessions(&query)).await?;
    Ok(Json(Sessions {
        sessions: page.items.iter().map(SessionView::from).collect(),
        more: page.more,
    }))
}
