//! The supplicant of a stand-in device: EAP from the peer's side, octets in, octets out.
//!
//! It is written apart from the server's side in `eap`, and shares only the message codecs with it,
//! so that a rule that one of them has wrong shows up between the two.

mod config;
mod ms_chap;
mod peer;
mod tls;
mod tunnel;

use std::sync::Arc;

use jiff::Timestamp;
use rand::RngCore;
use zeroize::Zeroizing;

use crate::eap::codec::{Code, Packet};

pub use config::{ClientTls, ClientTlsError, ClientTlsPlan, Config, TtlsInside};

/// How a login stands, as the supplicant sees it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Status {
    /// Not decided.
    Waiting,
    /// The server ended it with EAP-Success, and the method agrees.
    Success,
    /// It failed.
    Failed(Why),
}

/// Why a login failed, as the supplicant sees it.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum Why {
    /// EAP-Failure, and nothing that tells more.
    #[error("the server ended the login with EAP-Failure")]
    Refused,
    /// The server's MS-CHAPv2 error code (RFC 2759 section 6).
    #[error("the server refused the password with MS-CHAPv2 error {0}")]
    PasswordRefused(u32),
    /// The server's proof does not fit the password.
    #[error("the server did not prove that it knows the password")]
    ServerNotProven,
    /// TLS failed: the server's certificate, an alert of the server, or something in between.
    #[error("TLS: {0}")]
    Tls(String),
    /// The method is set up without what it needs.
    #[error("the supplicant is set up without {0}")]
    NotSetUp(&'static str),
    /// The server said that the inner method failed.
    #[error("the server told failure inside PEAP")]
    ResultFailure,
    /// The server broke a rule.
    #[error("{0}")]
    Protocol(&'static str),
}

impl From<rustls::Error> for Why {
    fn from(error: rustls::Error) -> Why {
        Why::Tls(error.to_string())
    }
}

/// What a method gives, once it is done.
#[derive(Clone, Default)]
pub(crate) struct Material {
    /// Master Session Key.
    msk: Option<Zeroizing<[u8; 64]>>,
    session_id: Option<Vec<u8>>,
    resumed: bool,
}

/// A supplicant in one login after another.
pub struct Supplicant {
    config: Arc<Config>,
    peer: peer::Peer,
    status: Status,
    why: Option<Why>,
    /// The last request and what was answered to it, for requests that come again.
    last: Option<(Vec<u8>, Option<Vec<u8>>)>,
}

/// What the machines inside are told.
pub(crate) struct Surroundings<'a> {
    now: Timestamp,
    config: &'a Config,
    rng: &'a mut dyn RngCore,
    /// Inside a tunnel.
    inner: bool,
}

impl Supplicant {
    /// A supplicant that waits for the first request.
    #[must_use]
    pub fn new(config: Arc<Config>) -> Supplicant {
        Supplicant {
            peer: peer::Peer::new(config.identity.clone(), config.methods.clone()),
            config,
            status: Status::Waiting,
            why: None,
            last: None,
        }
    }

    /// Takes an EAP packet of the server and answers it. A request that comes again gets the same
    /// answer again (RFC 3748 section 4.1); a packet that is no good gets none.
    pub fn handle(
        &mut self,
        now: Timestamp,
        packet: &[u8],
        rng: &mut dyn RngCore,
    ) -> Option<Vec<u8>> {
        let parsed = Packet::parse(packet).ok()?;
        match parsed.code {
            Code::Request => self.request(now, packet, &parsed, rng),
            Code::Success => {
                // An early success is passed over (RFC 3748 section 4.2).
                if self.status == Status::Waiting && self.peer.is_done() {
                    self.status = Status::Success;
                }
                None
            }
            Code::Failure => {
                if self.status == Status::Waiting {
                    let why = self.why.take().unwrap_or(Why::Refused);
                    self.status = Status::Failed(why);
                }
                None
            }
            Code::Response => None,
        }
    }

    fn request(
        &mut self,
        now: Timestamp,
        packet: &[u8],
        parsed: &Packet<'_>,
        rng: &mut dyn RngCore,
    ) -> Option<Vec<u8>> {
        if let Some((request, response)) = &self.last
            && request == packet
        {
            return response.clone();
        }
        let mut surroundings = Surroundings {
            now,
            config: &self.config,
            rng,
            inner: false,
        };
        let (response, trouble) = self.peer.request(&mut surroundings, parsed);
        self.why = self.why.take().or(trouble);
        self.last = Some((packet.to_vec(), response.clone()));
        response
    }

    /// How the login stands.
    #[must_use]
    pub fn status(&self) -> &Status {
        &self.status
    }

    /// What went wrong so far, before the server has ended the login.
    #[must_use]
    pub fn trouble(&self) -> Option<&Why> {
        self.why.as_ref()
    }

    /// Master Session Key, once the method is done; MD5-Challenge has none.
    #[must_use]
    pub fn msk(&self) -> Option<&[u8; 64]> {
        self.peer.material()?.msk.as_deref()
    }

    /// Session-Id, once the method is done, for the methods that have one.
    #[must_use]
    pub fn session_id(&self) -> Option<&[u8]> {
        self.peer.material()?.session_id.as_deref()
    }

    /// True if the login resumed a TLS session.
    #[must_use]
    pub fn is_resumed(&self) -> bool {
        self.peer
            .material()
            .is_some_and(|material| material.resumed)
    }
}
