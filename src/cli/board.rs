//! The board of `portproof serve`.

use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;

use tokio::net::TcpListener;
use tokio::sync::oneshot;
use tokio::task::JoinHandle;

use crate::board::{Access, Board, BoardError, Running};
use crate::serve::Server;
use crate::store::Reader;
use crate::wire::Secret;

/// Who may use the board.
#[derive(Debug, clap::Args)]
pub struct BoardArgs {
    /// File with the token that the board wants; needed as soon as it listens on more than loopback.
    #[arg(long, value_name = "FILE", help_heading = "Board")]
    board_token_file: Option<PathBuf>,
    /// The token itself; the environment is the better place for it.
    #[arg(
        long,
        env = "PORTPROOF_BOARD_TOKEN",
        hide_env_values = true,
        value_name = "TOKEN",
        conflicts_with = "board_token_file",
        help_heading = "Board"
    )]
    board_token: Option<String>,
    /// A name under which browsers may call the board, besides localhost and addresses.
    #[arg(long, value_name = "NAME", help_heading = "Board")]
    board_name: Vec<String>,
}

/// Why there is no board.
#[derive(Debug, thiserror::Error)]
pub(super) enum Refused {
    /// The token's file does not read.
    #[error("the board's token can't be read from {}: {source}", path.display())]
    Token {
        /// The file.
        path: PathBuf,
        /// Why not.
        source: std::io::Error,
    },
    /// The port.
    #[error(
        "the board can't listen on {address}: {source}; change 'listen: board' in the bench file"
    )]
    Bind {
        /// Where.
        address: SocketAddr,
        /// Why not.
        source: std::io::Error,
    },
    /// The board itself.
    #[error(transparent)]
    Board(#[from] BoardError),
}

impl BoardArgs {
    pub(super) fn access(&self) -> Result<Access, Refused> {
        let token = match &self.board_token_file {
            Some(path) => Some(
                std::fs::read_to_string(path).map_err(|source| Refused::Token {
                    path: path.clone(),
                    source,
                })?,
            ),
            None => self.board_token.clone(),
        };
        Ok(Access {
            token: token.map(|token| Secret::new(token.trim())),
            names: self.board_name.clone(),
        })
    }
}

/// Takes the board's port, so that a mistake is told before the bench begins.
pub(super) async fn listen(address: SocketAddr, access: &Access) -> Result<TcpListener, Refused> {
    access.check(address)?;
    TcpListener::bind(address)
        .await
        .map_err(|source| Refused::Bind { address, source })
}

/// How long requests under way may take once the bench is told to stop.
const GRACE: std::time::Duration = std::time::Duration::from_secs(3);

/// A board that runs.
pub(super) struct Standing {
    stop: oneshot::Sender<()>,
    task: JoinHandle<Result<(), BoardError>>,
}

/// Puts the board over a running bench.
pub(super) fn stand(
    server: &Server,
    path: PathBuf,
    reader: Reader,
    access: Access,
    listener: TcpListener,
) -> Result<Standing, Refused> {
    let desk = Running {
        handle: server.handle.clone(),
        path,
    };
    let board = Board::new(Arc::new(desk), Arc::clone(&server.journal), reader, access)?;
    let (stop, stopped) = oneshot::channel();
    let stopped = async {
        // A sender that is gone means the same.
        let _ = stopped.await;
    };
    let task = tokio::spawn(board.serve(listener, stopped));
    Ok(Standing { stop, task })
}

impl Standing {
    pub(super) async fn stop(self) {
        // It may have ended by itself, which is told below.
        let _ = self.stop.send(());
        let mut task = self.task;
        match tokio::time::timeout(GRACE, &mut task).await {
            Ok(Ok(Ok(()))) => {}
            Ok(Ok(Err(error))) => tracing::error!(%error, "the board ended"),
            Ok(Err(error)) => tracing::error!(%error, "the board ended badly"),
            // Somebody holds a half-sent request open.
            Err(_) => task.abort(),
        }
    }
}
