//! What callers send, checked, with mistakes told in the form of all problems.

use axum::extract::rejection::JsonRejection;
use axum::extract::{FromRequest, FromRequestParts, Json, Path, Query, Request};
use axum::http::StatusCode;
use axum::http::request::Parts;
use serde::de::DeserializeOwned;
use serde_json::Value;

use super::Problem;
use crate::wire::Mac;

/// The query part of the address.
pub(super) struct Asked<T>(pub T);

impl<T: DeserializeOwned, S: Sync> FromRequestParts<S> for Asked<T> {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Asked<T>, Problem> {
        Query::try_from_uri(&parts.uri)
            .map(|Query(asked)| Asked(asked))
            .map_err(|rejection| Problem::bad(rejection.body_text()))
    }
}

/// A JSON object as body.
pub(super) struct Sent<T>(pub T);

/// A JSON array of objects as body.
pub(super) struct SentList<T>(pub Vec<T>);

impl<T: DeserializeOwned, S: Send + Sync> FromRequest<S> for Sent<T> {
    type Rejection = Problem;

    async fn from_request(request: Request, state: &S) -> Result<Sent<T>, Problem> {
        let sent = json(request, state).await?;
        object(sent).map(Sent)
    }
}

impl<T: DeserializeOwned, S: Send + Sync> FromRequest<S> for SentList<T> {
    type Rejection = Problem;

    async fn from_request(request: Request, state: &S) -> Result<SentList<T>, Problem> {
        match json(request, state).await? {
            Value::Array(items) => items.into_iter().map(object).collect::<Result<_, _>>(),
            _ => Err(Problem::bad("the body is not an array of objects")),
        }
        .map(SentList)
    }
}

async fn json<S: Send + Sync>(request: Request, state: &S) -> Result<Value, Problem> {
    match Json::from_request(request, state).await {
        Ok(Json(sent)) => Ok(sent),
        Err(rejection) => Err(Problem::new(status(&rejection), rejection.body_text())),
    }
}

/// A record by the names of its fields; without this an array would do, by their order.
fn object<T: DeserializeOwned>(sent: Value) -> Result<T, Problem> {
    if !sent.is_object() {
        return Err(Problem::bad("an object is wanted"));
    }
    serde_json::from_value(sent).map_err(|why| Problem::bad(why.to_string()))
}

/// What does not parse and what parses and makes no sense are both bad requests here.
fn status(rejection: &JsonRejection) -> StatusCode {
    match rejection.status() {
        StatusCode::UNPROCESSABLE_ENTITY => StatusCode::BAD_REQUEST,
        other => other,
    }
}

/// A number in the path.
pub(super) struct Number(pub u64);

impl<S: Send + Sync> FromRequestParts<S> for Number {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Number, Problem> {
        let text = in_path(parts, state).await?;
        let number = text
            .parse()
            .map_err(|_| Problem::bad(format!("'{text}' is not a number")))?;
        stored(number).map(Number)
    }
}

/// A MAC address in the path.
pub(super) struct Address(pub Mac);

impl<S: Send + Sync> FromRequestParts<S> for Address {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Address, Problem> {
        in_path(parts, state)
            .await
            .and_then(|text| mac(&text))
            .map(Address)
    }
}

async fn in_path<S: Send + Sync>(parts: &mut Parts, state: &S) -> Result<String, Problem> {
    Path::<String>::from_request_parts(parts, state)
        .await
        .map(|Path(text)| text)
        .map_err(|rejection| Problem::bad(rejection.body_text()))
}

pub(super) fn mac(text: &str) -> Result<Mac, Problem> {
    text.parse()
        .map_err(|why| Problem::bad(format!("'{text}' is not a MAC address: {why}")))
}

/// A number as the state file holds it, with 63 bits.
pub(super) fn stored(number: u64) -> Result<u64, Problem> {
    match i64::try_from(number) {
        Ok(_) => Ok(number),
        Err(_) => Err(Problem::bad(format!(
            "{number} is larger than any number here"
        ))),
    }
}

/// How many items a page has: as asked, within bounds.
pub(super) fn page_size(asked: Option<usize>, default: usize) -> Result<usize, Problem> {
    match asked {
        None => Ok(default),
        Some(limit @ 1..=MOST) => Ok(limit),
        Some(_) => Err(Problem::bad(format!("limit goes from 1 to {MOST}"))),
    }
}

/// The most items on one page.
pub(super) const MOST: usize = 1000;
