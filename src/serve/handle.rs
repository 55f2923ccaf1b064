//! How the board, the commands and a live drill reach a running bench.

use jiff::Timestamp;
use tokio::sync::{mpsc, oneshot};

use super::engine::Engine;
use crate::roster::Effects;

/// Work for the loop that owns the engine, and what tells the caller once it is stored.
pub(super) type Job = Box<dyn FnOnce(&mut Engine, Timestamp) -> (Effects, Told) + Send>;

/// Tells a caller that what it asked for is stored.
pub(super) type Told = Box<dyn FnOnce() + Send>;

/// A way into a running bench; cheap to clone.
#[derive(Debug, Clone)]
pub struct Handle {
    jobs: mpsc::Sender<Job>,
}

/// The bench has stopped, or could not store what was asked of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("the bench has stopped")]
pub struct Stopped;

impl Handle {
    pub(super) fn new() -> (Handle, mpsc::Receiver<Job>) {
        let (jobs, receiver) = mpsc::channel(256);
        (Handle { jobs }, receiver)
    }

    /// Runs `work` inside the loop that owns the engine, between two datagrams, and returns what
    /// it returned once its effects are stored.
    ///
    /// # Errors
    /// When the bench has stopped, or the effects could not be stored.
    pub async fn call<R, F>(&self, work: F) -> Result<R, Stopped>
    where
        R: Send + 'static,
        F: FnOnce(&mut Engine, Timestamp) -> (R, Effects) + Send + 'static,
    {
        let (done, result) = oneshot::channel();
        let job: Job = Box::new(move |engine, now| {
            let (value, effects) = work(engine, now);
            let told: Told = Box::new(move || {
                // The caller may have gone away; the effects stand all the same.
                let _ = done.send(value);
            });
            (effects, told)
        });
        self.jobs.send(job).await.map_err(|_| Stopped)?;
        result.await.map_err(|_| Stopped)
    }

    /// Reads from the engine.
    ///
    /// # Errors
    /// When the bench has stopped.
    pub async fn read<R, F>(&self, look: F) -> Result<R, Stopped>
    where
        R: Send + 'static,
        F: FnOnce(&Engine, Timestamp) -> R + Send + 'static,
    {
        self.call(move |engine, now| (look(engine, now), Effects::default()))
            .await
    }
}
