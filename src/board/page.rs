//! The page: plain HTML, CSS and JavaScript, carried by the binary.

use std::sync::Arc;

use axum::Router;
use axum::extract::Path;
use axum::http::{HeaderName, header};
use axum::response::{IntoResponse, Response};
use axum::routing::get;

use super::Board;
use super::api::Problem;

const HTML: &str = "text/html; charset=utf-8";
const CSS: &str = "text/css; charset=utf-8";
const JS: &str = "text/javascript; charset=utf-8";

/// Name, kind, content.
const FILES: [(&str, &str, &str); 10] = [
    ("board.css", CSS, include_str!("page/board.css")),
    ("board.js", JS, include_str!("page/board.js")),
    ("api.js", JS, include_str!("page/api.js")),
    ("dom.js", JS, include_str!("page/dom.js")),
    ("ports.js", JS, include_str!("page/ports.js")),
    ("timeline.js", JS, include_str!("page/timeline.js")),
    ("exchange.js", JS, include_str!("page/exchange.js")),
    ("roster.js", JS, include_str!("page/roster.js")),
    ("whatif.js", JS, include_str!("page/whatif.js")),
    ("trainer.js", JS, include_str!("page/trainer.js")),
];

const INDEX: &str = include_str!("page/index.html");

pub(super) fn routes() -> Router<Arc<Board>> {
    Router::new()
        .route("/", get(|| async { file(HTML, INDEX) }))
        .route(
            "/favicon.svg",
            get(|| async { file("image/svg+xml", ICON) }),
        )
        .route("/page/{name}", get(named))
}

const ICON: &str = include_str!("page/favicon.svg");

async fn named(Path(name): Path<String>) -> Response {
    FILES
        .iter()
        .find(|(known, _, _)| *known == name)
        .map_or_else(
            || Problem::new(axum::http::StatusCode::NOT_FOUND, "no such file").into_response(),
            |(_, kind, content)| file(kind, content).into_response(),
        )
}

fn file(
    kind: &'static str,
    content: &'static str,
) -> ([(HeaderName, &'static str); 1], &'static str) {
    ([(header::CONTENT_TYPE, kind)], content)
}
