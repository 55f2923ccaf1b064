//! The board of a running bench, asked over HTTP.

use std::io::{BufRead, BufReader, Read};
use std::ops::ControlFlow;

use serde::Serialize;
use serde::de::DeserializeOwned;
use ureq::http::{Request, Response};
use ureq::{Agent, AsSendBody, Body};

use crate::board::api::Problem;
use crate::board::view::Outline;

/// A board.
pub struct Client {
    board: String,
    token: Option<String>,
    agent: Agent,
}

/// Why the board gave no answer.
#[derive(Debug, thiserror::Error)]
pub enum ClientError {
    /// Nobody there.
    #[error(
        "no bench answers on {board}: {why}; start it with 'portproof serve', or say which with \
         --bench, --state or --board"
    )]
    Unreachable {
        /// Where.
        board: String,
        /// Why not.
        why: String,
    },
    /// The bench says no, in its own words.
    #[error("{0}")]
    Refused(String),
    /// Something else is there.
    #[error("what answers on {board} is no portproof: {why}")]
    Foreign {
        /// Where.
        board: String,
        /// What was odd.
        why: String,
    },
}

impl Client {
    /// A board on `address`.
    #[must_use]
    pub fn new(address: &str, token: Option<&str>) -> Client {
        let agent = Agent::config_builder()
            .http_status_as_error(false)
            // A proxy has no business between a bench and its commands.
            .proxy(None)
            .allow_non_standard_methods(true)
            .build()
            .into();
        Client {
            board: address.to_owned(),
            token: token.map(str::to_owned),
            agent,
        }
    }

    /// Asks for something.
    ///
    /// # Errors
    /// When the board does not answer or says no.
    pub fn get<Q: Serialize, T: DeserializeOwned>(
        &self,
        path: &str,
        query: &Q,
    ) -> Result<T, ClientError> {
        let response = self.run("GET", &with_query(path, query), &[], ())?;
        self.parsed(response)
    }

    /// Sends something and reads the answer.
    ///
    /// # Errors
    /// When the board does not answer or says no.
    pub fn send<B: Serialize, T: DeserializeOwned>(
        &self,
        method: &str,
        path: &str,
        body: &B,
    ) -> Result<T, ClientError> {
        let response = self.sent(method, path, body)?;
        self.parsed(response)
    }

    /// Sends something that has no answer but yes or no.
    ///
    /// # Errors
    /// When the board does not answer or says no.
    pub fn send_quietly<B: Serialize>(
        &self,
        method: &str,
        path: &str,
        body: &B,
    ) -> Result<(), ClientError> {
        self.sent(method, path, body).map(drop)
    }

    /// Removes something.
    ///
    /// # Errors
    /// When the board does not answer or says no.
    pub fn delete(&self, path: &str) -> Result<(), ClientError> {
        self.run("DELETE", path, &[], ()).map(drop)
    }

    /// A body as it comes.
    ///
    /// # Errors
    /// When the board does not answer or says no.
    pub fn stream<Q: Serialize>(
        &self,
        path: &str,
        query: &Q,
    ) -> Result<impl Read + use<Q>, ClientError> {
        let response = self.run("GET", &with_query(path, query), &[], ())?;
        Ok(response.into_body().into_reader())
    }

    /// Live entries, until the connection ends or `take` breaks off; the id of the event comes with
    /// each batch, to go on from.
    ///
    /// # Errors
    /// When the board does not answer or says no.
    pub fn follow<Q: Serialize>(
        &self,
        query: &Q,
        last_id: Option<&str>,
        mut take: impl FnMut(&str, Vec<Outline>) -> ControlFlow<()>,
    ) -> Result<(), ClientError> {
        let headers: Vec<(&str, &str)> = last_id
            .map(|id| ("Last-Event-ID", id))
            .into_iter()
            .collect();
        let response = self.run("GET", &with_query("/api/live", query), &headers, ())?;
        let mut id = String::new();
        for line in BufReader::new(response.into_body().into_reader()).lines() {
            // A broken connection is the end of this one.
            let Ok(line) = line else { break };
            if let Some(text) = line.strip_prefix("id: ") {
                text.clone_into(&mut id);
            } else if let Some(data) = line.strip_prefix("data: ") {
                // The id stands before the data in this board's events.
                let entries = serde_json::from_str(data).map_err(|why| self.foreign(&why))?;
                if take(&id, entries).is_break() {
                    break;
                }
            }
        }
        Ok(())
    }

    fn sent<B: Serialize>(
        &self,
        method: &str,
        path: &str,
        body: &B,
    ) -> Result<Response<Body>, ClientError> {
        let text = serde_json::to_string(body).map_err(|why| self.foreign(&why))?;
        let headers = [("Content-Type", "application/json")];
        self.run(method, path, &headers, text.as_str())
    }

    fn run(
        &self,
        method: &str,
        path: &str,
        headers: &[(&str, &str)],
        body: impl AsSendBody,
    ) -> Result<Response<Body>, ClientError> {
        let mut request = Request::builder()
            .method(method)
            .uri(format!("http://{}{path}", self.board));
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        if let Some(token) = &self.token {
            request = request.header("Authorization", format!("Bearer {token}"));
        }
        let request = request.body(body).map_err(|why| self.unreachable(&why))?;
        let response = self
            .agent
            .run(request)
            .map_err(|why| self.unreachable(&why))?;
        if response.status().is_success() {
            Ok(response)
        } else {
            Err(self.refusal(response))
        }
    }

    fn parsed<T: DeserializeOwned>(&self, mut response: Response<Body>) -> Result<T, ClientError> {
        response
            .body_mut()
            .with_config()
            .limit(LARGEST)
            .read_json()
            .map_err(|why| self.foreign(&why))
    }

    fn refusal(&self, mut response: Response<Body>) -> ClientError {
        let status = response.status();
        match response.body_mut().read_json::<Problem>() {
            Ok(problem) => ClientError::Refused(problem.error),
            Err(_) => self.foreign(&status),
        }
    }

    fn unreachable(&self, why: &dyn std::fmt::Display) -> ClientError {
        ClientError::Unreachable {
            board: self.board.clone(),
            why: why.to_string(),
        }
    }

    fn foreign(&self, why: &dyn std::fmt::Display) -> ClientError {
        ClientError::Foreign {
            board: self.board.clone(),
            why: why.to_string(),
        }
    }
}

/// The largest answer that is read: a page of a thousand entries is far below.
const LARGEST: u64 = 64 << 20;

fn with_query<Q: Serialize>(path: &str, query: &Q) -> String {
    match serde_urlencoded::to_string(query) {
        Ok(text) if !text.is_empty() => format!("{path}?{text}"),
        _ => path.to_owned(),
    }
}
