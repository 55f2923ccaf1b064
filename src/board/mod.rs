//! The board: HTTP API, live events and the page, over a running bench.
//!
//! [`Board`] looks at the state file for everything that is shown and asks the bench through a
//! [`Desk`] for everything that is done. It binds to loopback unless there is a token.

pub mod api;
pub mod desk;
pub mod guard;
pub mod metrics;
pub mod page;
pub mod view;

use std::net::SocketAddr;
use std::sync::Arc;

use tokio::net::TcpListener;
use tokio::sync::watch;

use crate::journal::Journal;
use crate::store::{Reader, StoreError};
use crate::wire::Secret;
pub use desk::{Desk, Refused, Running};
use metrics::Metrics;

/// What the board needs.
pub struct Board {
    desk: Arc<dyn Desk>,
    journal: Arc<Journal>,
    reader: Reader,
    /// Tells this journal from any other in the ids of live events.
    era: String,
    access: Access,
    metrics: Metrics,
    /// Ends the live streams when it turns true.
    stop: watch::Sender<bool>,
}

/// Who may ask the board.
#[derive(Debug, Clone, Default)]
pub struct Access {
    /// Where set, every request but the page itself and the health check has to carry it as
    /// `Authorization: Bearer …`.
    pub token: Option<Secret>,
    /// Names under which browsers may call the board, besides `localhost` and IP addresses.
    pub names: Vec<String>,
}

/// Why the board does not start.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum BoardError {
    /// Reachable from elsewhere, and anybody could ask.
    #[error(
        "the board would be open to everybody on {0}: give a token (--board-token-file or \
         PORTPROOF_BOARD_TOKEN), or bind it to 127.0.0.1"
    )]
    Open(SocketAddr),
    /// A token that is quickly guessed.
    #[error("the board's token has {0} characters, at least {MIN_TOKEN} are needed")]
    ShortToken(usize),
    /// The state file refused.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The socket refused.
    #[error("the board stopped: {0}")]
    Io(#[from] std::io::Error),
}

/// Shortest token, in octets.
pub const MIN_TOKEN: usize = 16;

impl Access {
    /// Whether a board may listen there.
    ///
    /// # Errors
    /// When it would be open to others without a token, or the token is too short.
    pub fn check(&self, address: SocketAddr) -> Result<(), BoardError> {
        self.check_token()?;
        if self.token.is_none() && !address.ip().is_loopback() {
            return Err(BoardError::Open(address));
        }
        Ok(())
    }

    fn check_token(&self) -> Result<(), BoardError> {
        match &self.token {
            Some(token) if token.len() < MIN_TOKEN => Err(BoardError::ShortToken(token.len())),
            _ => Ok(()),
        }
    }
}

impl Board {
    /// A board over a bench, its journal and its state.
    ///
    /// # Errors
    /// When the state does not read.
    pub fn new(
        desk: Arc<dyn Desk>,
        journal: Arc<Journal>,
        reader: Reader,
        access: Access,
    ) -> Result<Board, BoardError> {
        access.check_token()?;
        Ok(Board {
            era: reader.era()?,
            desk,
            journal,
            reader,
            access,
            metrics: Metrics::default(),
            stop: watch::Sender::new(false),
        })
    }

    /// Serves until `stop` completes.
    ///
    /// # Errors
    /// When the listener is open to others and there is no token, or the socket fails.
    pub async fn serve(
        self,
        listener: TcpListener,
        stop: impl Future<Output = ()> + Send + 'static,
    ) -> Result<(), BoardError> {
        self.access.check(listener.local_addr()?)?;
        let board = Arc::new(self);
        let counting = tokio::spawn(metrics::count(Arc::clone(&board)));
        let router = api::router(Arc::clone(&board));
        let ending = Arc::clone(&board);
        axum::serve(listener, router)
            .with_graceful_shutdown(async move {
                stop.await;
                ending.stop.send_replace(true);
            })
            .await?;
        counting.abort();
        Ok(())
    }

    /// Looks something up in the state file, off the threads that serve.
    async fn look<T: Send + 'static>(
        &self,
        look: impl FnOnce(&Reader) -> Result<T, StoreError> + Send + 'static,
    ) -> Result<T, api::Problem> {
        let reader = self.reader.clone();
        tokio::task::spawn_blocking(move || look(&reader))
            .await
            .map_err(|_| api::Problem::internal("the look-up ended badly"))?
            .map_err(|error| api::Problem::internal(&error.to_string()))
    }
}
