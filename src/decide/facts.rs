//! What a decision is made from.

use jiff::Timestamp;

use crate::bench::{MethodName, Switch};
use crate::roster::{Device, Login};
use crate::wire::{Mac, Packet};

/// The facts of one request.
#[derive(Debug, Clone, Copy)]
pub struct Facts<'a> {
    /// When.
    pub now: Timestamp,
    /// Switch that asks.
    pub switch: &'a Switch,
    /// Port: NAS-Port-Id, or else NAS-Port in decimal.
    pub port: Option<&'a str>,
    /// Device.
    pub mac: Option<Mac>,
    /// How it logs on.
    pub method: MethodName,
    /// Who it proved to be, for a login.
    pub login: Option<&'a Login>,
    /// The request; `None` when a sighting asks what would be decided now.
    pub request: Option<Packet<'a>>,
    /// What the roster knows of the device.
    pub device: Option<&'a Device>,
}
