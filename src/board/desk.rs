//! What the board asks of a running bench.

use std::fmt;
use std::pin::Pin;
use std::sync::Arc;

use crate::bench::{Bench, ChangeKind};
use crate::roster::{self, Device};
use crate::wire::Mac;

/// An answer that takes a moment.
pub type Reply<'a, T> = Pin<Box<dyn Future<Output = Result<T, Stopped>> + Send + 'a>>;

/// A running bench. The board does nothing to it but through here.
pub trait Desk: Send + Sync + 'static {
    /// The bench in force.
    fn bench(&self) -> Reply<'_, Arc<Bench>>;
    /// Orders a change by hand; gives the number of the order, which its journal entries carry.
    fn change(
        &self,
        target: Target,
        kind: ChangeKind,
        reason: String,
    ) -> Reply<'_, Result<u64, Refused>>;
    /// Forgets a device: its next plug-in is a first time. False when it was not known.
    fn forget(&self, mac: Mac) -> Reply<'_, bool>;
    /// Fixes a device's class by hand, or with `None` lets the rows decide again.
    fn pin(&self, mac: Mac, pin: Option<roster::Pin>) -> Reply<'_, Result<(), Refused>>;
    /// Takes over sightings and pins of devices.
    fn import(&self, devices: Vec<Device>) -> Reply<'_, Result<(), Refused>>;
    /// Reads the bench file again: what came of it in a line, or every mistake in it.
    fn reload(&self) -> Reply<'_, Result<String, Refused>>;
}

/// Which session a change is meant for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Target {
    /// By our number.
    Session(u64),
    /// By address.
    Mac(Mac),
    /// By port; the switch may be left out while only one has such a port.
    Port {
        /// Switch entry.
        switch: Option<String>,
        /// Port as the switch names it.
        port: String,
    },
}

/// The bench has understood and says no; the text says why and what to do.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct Refused(pub String);

/// The bench has stopped.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stopped;

impl fmt::Display for Stopped {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("the bench has stopped")
    }
}
