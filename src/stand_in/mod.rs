//! The switch that is not there: ports, timers, methods, accounting and a server for changes, and
//! the devices that are plugged into it.
//!
//! Sans-IO: [`StandIn`] takes datagrams and the time and gives back datagrams and events. It reads
//! RFCs on its own and shares nothing with the bench but the packet codec (`wire`), so that the
//! two can find each other's mistakes.

mod accounting;
mod admission;
mod change_rules;
mod change_server;
pub mod config;
mod courier;
pub mod device;
pub mod dhcp;
mod dot1x;
mod draft;
mod eapol;
pub mod event;
pub mod grant;
mod hands;
pub mod login;
pub mod mac_style;
pub mod misbehave;
mod obedience;
mod outputs;
mod port;
mod question;
mod request;
mod schedule;
mod session;
pub mod supplicant;
mod switch;
#[cfg(test)]
mod tests;
mod wiring;

pub use config::{ConfigError, StandInConfig};
pub use device::DeviceConfig;
pub use event::{Method, StopCause, SwitchEvent, What};
pub use grant::Grant;
pub use hands::StandInError;
pub use misbehave::Misbehaviour;
pub use outputs::{Outputs, Socket, SocketNeed, StandInTransmit};
pub use switch::{SessionView, StandIn};
