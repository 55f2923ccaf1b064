//! EAP and its methods, the server's side, as state machines: octets in, octets out.
//!
//! A [`Conversation`] is one login. Around it: [`Settings`] say what the bench allows,
//! [`Credentials`] answer for its people and machines, a [`Proof`] says what a login proved, a
//! [`Refusal`] why it failed.
//!
//! ```text
//! conversation   one login, as the rest of the house sees it
//! exchange       identity, agreement on a method, repetition; also inside tunnels
//! method         what the methods share
//!   md5, ms_chap_v2            methods without TLS
//!   tunnel (channel, link)     EAP-TLS, and the handshake of the next two
//!     ttls, peap               what happens inside
//! codec          messages; shared with the stand-in's supplicant
//! ```

pub mod account;
pub mod alert;
pub mod certificate;
mod channel;
pub mod codec;
pub mod conversation;
mod exchange;
pub mod identity;
mod keys;
mod link;
mod md5;
mod method;
mod ms_chap;
mod ms_chap_v2;
mod peap;
pub mod proof;
pub mod refusal;
pub mod sessions;
pub mod settings;
pub mod tls_settings;
mod ttls;
mod tunnel;

pub use account::{Account, AccountState, Credentials, Password};
pub use alert::Alert;
pub use certificate::{CertificateCause, CertificateFacts, CertificateFault};
pub use conversation::{Conversation, Discard, Step};
pub use identity::OuterIdentity;
pub use ms_chap::nt_password_hash;
pub use proof::{Inner, Keys, Method, Proof, TlsVersion};
pub use refusal::{Refusal, Silence};
pub use sessions::Resumption;
pub use settings::{Plan, PlanError, Settings};
pub use tls_settings::{Tls, TlsPlan, TlsPlanError, Versions};
