//! Changes by hand.

use std::sync::Arc;

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::Problem;
use super::ask::{Sent, mac, stored};
use crate::bench::ChangeKind;
use crate::board::Board;
use crate::serve::Target;

/// A change that is wanted, of one session: by its number, its device, or its port.
#[derive(Debug, Clone, Default, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ChangeAsked {
    /// bounce, reauth, regrant or disconnect.
    #[schema(pattern = "^(bounce|reauth|regrant|disconnect)$")]
    pub kind: String,
    /// Session number.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub session: Option<u64>,
    /// Device, in any spelling.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mac: Option<String>,
    /// Switch entry, to go with `port`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub switch: Option<String>,
    /// Port as the switch names it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub port: Option<String>,
    /// Why, for the journal.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
}

/// An order that was taken.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
pub struct ChangeOrdered {
    /// Its number; the journal's entries about it carry it as `order`.
    pub order: u64,
}

/// Orders a change. How it goes stands in the journal, under the number of the order.
#[utoipa::path(post, path = "/api/changes", operation_id = "change", tag = "changes", request_body = ChangeAsked, responses(
    (status = 202, body = ChangeOrdered, description = "Ordered"),
    (status = 400, body = Problem, description = "What was wrong with it"),
    (status = 403, body = Problem, description = "Asked from another site's page"),
    (status = 409, body = Problem, description = "Not one live session, or refused"),
    (status = 413, body = Problem, description = "Too much at once"),
    (status = 415, body = Problem, description = "Not JSON"),
    (status = 503, body = Problem, description = "The bench has stopped"),
))]
pub(super) async fn order(
    State(board): State<Arc<Board>>,
    Sent(asked): Sent<ChangeAsked>,
) -> Result<(StatusCode, Json<ChangeOrdered>), Problem> {
    let kind = kind(&asked.kind)?;
    let target = target(&asked)?;
    let reason = asked.reason.unwrap_or_else(|| "by hand".to_owned());
    let order = board.desk.change(target, kind, reason).await??;
    Ok((StatusCode::ACCEPTED, Json(ChangeOrdered { order })))
}

fn kind(word: &str) -> Result<ChangeKind, Problem> {
    [
        ChangeKind::Bounce,
        ChangeKind::Reauth,
        ChangeKind::Regrant,
        ChangeKind::Disconnect,
    ]
    .into_iter()
    .find(|kind| kind.word() == word)
    .ok_or_else(|| {
        Problem::bad(format!(
            "'{word}' is no change; there are bounce, reauth, regrant, disconnect"
        ))
    })
}

fn target(asked: &ChangeAsked) -> Result<Target, Problem> {
    match asked {
        ChangeAsked {
            session: Some(id),
            mac: None,
            switch: None,
            port: None,
            ..
        } => stored(*id).map(Target::Session),
        ChangeAsked {
            session: None,
            mac: Some(text),
            switch: None,
            port: None,
            ..
        } => mac(text).map(Target::Mac),
        ChangeAsked {
            session: None,
            mac: None,
            switch,
            port: Some(port),
            ..
        } => Ok(Target::Port {
            switch: switch.clone(),
            port: port.clone(),
        }),
        _ => Err(Problem::bad(
            "name the session in one way: by 'session', by 'mac', or by 'port' with or without \
             'switch'",
        )),
    }
}
