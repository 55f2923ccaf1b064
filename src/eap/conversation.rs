//! One login over EAP, the server's side.

use std::sync::Arc;

use jiff::Timestamp;
use rand::RngCore;

use super::account::Credentials;
use super::codec::{Code, Malformed, Type};
use super::exchange::Exchange;
use super::method::Context;
use super::proof::Proof;
use super::refusal::Refusal;
use super::settings::{FRAGMENT_RANGE, Place, Settings};

/// What a conversation answers.
#[derive(Debug, Clone)]
pub enum Step {
    /// Send this EAP-Request.
    Send(Vec<u8>),
    /// The login succeeded: send this EAP-Success with the accept.
    Success(Arc<Proof>, Vec<u8>),
    /// The login failed: send this EAP-Failure with the reject.
    Failure(Refusal, Vec<u8>),
    /// Send nothing: the packet is not worth an answer (RFC 3748 section 4.1).
    Discard(Discard),
}

/// Why an EAP packet was passed over.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, thiserror::Error)]
#[non_exhaustive]
pub enum Discard {
    /// It cannot be read.
    #[error("{0}")]
    Malformed(Malformed),
    /// It is not a response, and only responses come from a supplicant.
    #[error("an EAP packet with code {0:?}, not a response (RFC 3748 section 4.1)")]
    NotAResponse(Code),
    /// It answers a request that is not out.
    #[error("EAP identifier {got}, the request that is out has {expected} (RFC 3748 section 4.1)")]
    WrongIdentifier {
        /// Identifier of the response.
        got: u8,
        /// Identifier of the request.
        expected: u8,
    },
    /// Its Type is not that of the request.
    #[error("an EAP response of {got}, the request was {expected} (RFC 3748 section 4.1)")]
    WrongType {
        /// Type of the response.
        got: Type,
        /// Type of the request.
        expected: Type,
    },
    /// A Nak after the method was taken up.
    #[error("a Nak after the method had begun (RFC 3748 section 2.1)")]
    NakTooLate,
    /// A message of the right method in the wrong place.
    #[error("{0}")]
    OutOfPlace(&'static str),
    /// The login is over.
    #[error("the login is over")]
    Ended,
}

/// One login over EAP, the server's side: give it what came, send what it says.
///
/// It keeps the request that is out, and gives it again to a repeated response; so the switch may
/// repeat, and packets may be lost anywhere. It does not keep time: whoever holds it drops it when
/// nothing comes for too long, and reads [`Conversation::stalled`] for the reason.
pub struct Conversation {
    settings: Arc<Settings>,
    exchange: Exchange,
}

impl Conversation {
    /// A login that has not begun.
    #[must_use]
    pub fn new(settings: Arc<Settings>) -> Conversation {
        Conversation {
            settings,
            exchange: Exchange::new(Place::Outside),
        }
    }

    /// Takes the EAP packet of an Access-Request. An empty one is EAP-Start (RFC 3579 section
    /// 2.1), and gets a question for the identity.
    ///
    /// `framed_mtu` is the Framed-MTU attribute in octets: an EAP packet may have four less
    /// (RFC 3580 section 3.10). The TLS library draws its own random octets; `rng` gives the
    /// challenges of the other methods.
    pub fn handle(
        &mut self,
        now: Timestamp,
        eap: &[u8],
        framed_mtu: Option<u32>,
        credentials: &dyn Credentials,
        rng: &mut dyn RngCore,
    ) -> Step {
        if eap.is_empty() {
            let [identifier] = random(rng);
            return Step::Send(self.exchange.start(identifier));
        }
        let mut context = Context {
            now,
            settings: &self.settings,
            credentials,
            rng,
            room: room(&self.settings, framed_mtu),
            place: Place::Outside,
            identity: "",
            identifier: 0,
        };
        self.exchange.handle(&mut context, eap)
    }

    /// The identity in the clear, once it was given.
    #[must_use]
    pub fn identity(&self) -> Option<&str> {
        self.exchange.identity()
    }

    /// Why the login failed, when the supplicant is given up. `None` after a success.
    #[must_use]
    pub fn stalled(&self) -> Option<Refusal> {
        self.exchange.stalled()
    }
}

fn random<const N: usize>(rng: &mut dyn RngCore) -> [u8; N] {
    let mut octets = [0; N];
    rng.fill_bytes(&mut octets);
    octets
}

/// Most octets of an EAP packet towards this supplicant.
fn room(settings: &Settings, framed_mtu: Option<u32>) -> usize {
    let link = framed_mtu
        .and_then(|mtu| usize::try_from(mtu).ok())
        .map_or(usize::MAX, |mtu| mtu.saturating_sub(4));
    settings
        .plan()
        .fragment
        .min(link)
        .max(*FRAGMENT_RANGE.start())
}
