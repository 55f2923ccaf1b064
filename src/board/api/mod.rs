//! The HTTP API. `docs/openapi.json` is generated from what stands here.

pub mod ask;
mod bench;
mod change;
mod health;
mod journal;
mod live;
mod roster;
mod sessions;
mod what_if;

use std::sync::Arc;

use axum::Json;
use axum::Router;
use axum::http::StatusCode;
use axum::middleware;
use axum::response::{IntoResponse, Response};
use serde::{Deserialize, Serialize};
use utoipa::openapi::OpenApi;
use utoipa::openapi::security::{Http, HttpAuthScheme, SecurityScheme};
use utoipa::{Modify, OpenApi as _, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::{Board, Refused, guard, page};
use crate::serve::Stopped;

pub use bench::{BenchView, ClassView};
pub use change::{ChangeAsked, ChangeOrdered};
pub use journal::{Entries, EntriesWanted};
pub use roster::{DeviceSort, Devices, DevicesWanted, ImportedDevice, PinAsked};
pub use sessions::{Sessions, SessionsWanted};
pub use what_if::{WhatIf, WhatIfAnswer};

/// What went wrong, in words that say what to do.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
pub struct Problem {
    /// Place and remedy in one line.
    pub error: String,
    #[serde(skip)]
    #[schema(ignore)]
    status: StatusCode,
}

impl Problem {
    pub(super) fn new(status: StatusCode, error: impl Into<String>) -> Problem {
        Problem {
            error: error.into(),
            status,
        }
    }

    fn bad(error: impl Into<String>) -> Problem {
        Problem::new(StatusCode::BAD_REQUEST, error)
    }

    fn absent(error: impl Into<String>) -> Problem {
        Problem::new(StatusCode::NOT_FOUND, error)
    }

    pub(super) fn internal(error: &str) -> Problem {
        tracing::error!(error, "the board failed");
        Problem::new(StatusCode::INTERNAL_SERVER_ERROR, error)
    }

    #[cfg(test)]
    pub(super) fn status(&self) -> StatusCode {
        self.status
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        (self.status, Json(self)).into_response()
    }
}

impl From<Stopped> for Problem {
    fn from(stopped: Stopped) -> Problem {
        Problem::new(StatusCode::SERVICE_UNAVAILABLE, stopped.to_string())
    }
}

impl From<Refused> for Problem {
    fn from(refused: Refused) -> Problem {
        Problem::new(StatusCode::CONFLICT, refused.0)
    }
}

#[derive(utoipa::OpenApi)]
#[openapi(
    info(
        title = "portproof",
        description = "The board's API: what happened on a bench, why, and changes by hand. \
                       Times are UTC. Where the board has a token, every path under /api and \
                       /metrics wants it as bearer token.",
        license(name = "MIT OR Apache-2.0", identifier = "MIT OR Apache-2.0")
    ),
    components(schemas(DeviceSort)),
    security((), ("token" = [])),
    modifiers(&Token)
)]
struct Described;

struct Token;

impl Modify for Token {
    fn modify(&self, api: &mut OpenApi) {
        api.components.get_or_insert_default().add_security_scheme(
            "token",
            SecurityScheme::Http(Http::new(HttpAuthScheme::Bearer)),
        );
    }
}

fn described() -> OpenApiRouter<Arc<Board>> {
    OpenApiRouter::with_openapi(Described::openapi())
        .routes(routes!(bench::get))
        .routes(routes!(bench::ports))
        .routes(routes!(bench::reload))
        .routes(routes!(journal::list))
        .routes(routes!(journal::exchange))
        .routes(routes!(journal::story))
        .routes(routes!(journal::export))
        .routes(routes!(live::live))
        .routes(routes!(roster::list))
        .routes(routes!(roster::import))
        .routes(routes!(roster::one, roster::forget))
        .routes(routes!(roster::pin, roster::unpin))
        .routes(routes!(sessions::list))
        .routes(routes!(change::order))
        .routes(routes!(what_if::ask))
        .routes(routes!(health::health))
        .routes(routes!(health::metrics))
}

/// The description of the API.
#[must_use]
pub fn openapi() -> OpenApi {
    described().into_openapi()
}

/// API and page behind the guard.
pub(super) fn router(board: Arc<Board>) -> Router {
    let (api, _) = described().split_for_parts();
    api.merge(page::routes())
        .fallback(|| async { Problem::absent("there is nothing here") })
        .method_not_allowed_fallback(|| async {
            Problem::new(
                StatusCode::METHOD_NOT_ALLOWED,
                "this is not how to ask for it",
            )
        })
        .layer(middleware::from_fn_with_state(
            Arc::clone(&board),
            guard::stand,
        ))
        .with_state(board)
}
