//! What the API shows: the records of the rooms in the form that goes over HTTP, without secrets.

pub mod exchange;
pub mod outline;
pub mod packet;
pub mod ports;
pub mod records;
pub mod story;

pub use exchange::{Exchange, TraceView};
pub use outline::{Mark, Outline};
pub use packet::{AttributeView, PacketView};
pub use ports::{PortView, SwitchView};
pub use records::{DeviceView, SessionView};
pub use story::{Party, Step};
