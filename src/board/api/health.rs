//! For machines that watch the bench.

use std::sync::Arc;

use axum::extract::State;
use axum::http::{HeaderName, header};

use super::Problem;
use crate::board::Board;

/// Whether the bench answers.
#[utoipa::path(get, path = "/healthz", operation_id = "health", tag = "health", security(()), responses(
    (status = 200, body = String, content_type = "text/plain", description = "It does"),
    (status = 503, body = Problem, description = "The bench has stopped"),
))]
pub(super) async fn health(State(board): State<Arc<Board>>) -> Result<&'static str, Problem> {
    board.desk.bench().await?;
    Ok("ok\n")
}

/// Counters and gauges in the Prometheus text format.
#[utoipa::path(get, path = "/metrics", operation_id = "metrics", tag = "health", responses(
    (status = 200, body = String, content_type = "text/plain", description = "As asked"),
))]
pub(super) async fn metrics(
    State(board): State<Arc<Board>>,
) -> Result<([(HeaderName, &'static str); 1], String), Problem> {
    let totals = board.look(|reader| reader.totals()).await?;
    let text = board.metrics.text(totals);
    let kind = "text/plain; version=0.0.4; charset=utf-8";
    Ok(([(header::CONTENT_TYPE, kind)], text))
}
