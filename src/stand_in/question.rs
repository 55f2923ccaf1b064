//! Access-Requests on their way, and what comes back.

use super::courier::{Arrived, Errand};
use super::event::{Method, What};
use super::grant::Grant;
use super::outputs::{Place, Post};
use crate::wire::Code;
use crate::wire::registry::attributes as a;

/// What an Access-Request is about.
#[derive(Debug, Clone)]
pub(super) struct Question {
    /// Index of the port.
    pub(super) port: usize,
    pub(super) place: Place,
    /// Number of the session.
    pub(super) serial: u64,
    pub(super) purpose: Purpose,
}

/// What an Access-Request is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Purpose {
    /// Letting a device in, or in again.
    Admission(Method),
    /// New grants by Authorize-Only (RFC 5176 section 3.2).
    Authorization,
}

impl Errand for Question {
    fn place(&self) -> Place {
        self.place.clone()
    }

    fn leaves(&self, identifier: u8) -> Option<What> {
        match self.purpose {
            Purpose::Admission(method) => Some(What::Asked { method, identifier }),
            Purpose::Authorization => Some(What::AskedForGrant { identifier }),
        }
    }
}

/// What came of a question.
#[derive(Debug)]
pub(super) enum Answer {
    /// Let in, with this.
    Accept {
        grant: Box<Grant>,
        eap: Option<Vec<u8>>,
    },
    /// Not let in.
    Refuse {
        /// Reply-Message.
        message: Option<String>,
        eap: Option<Vec<u8>>,
    },
    /// The server wants to hear more.
    Challenge {
        /// Reply-Message.
        message: Option<String>,
        eap: Option<Vec<u8>>,
        state: Option<Vec<u8>>,
        /// Session-Timeout.
        seconds: Option<u32>,
    },
    /// No server answered.
    Silence,
}

impl Answer {
    /// What an answer says. An accept that cannot be carried out counts as a refusal, and its
    /// EAP-Success must not reach the device.
    pub(super) fn read(
        post: &mut Post<'_>,
        question: &Question,
        arrived: &Arrived<'_, '_>,
    ) -> Answer {
        let packet = &arrived.packet;
        let message = packet.text(a::REPLY_MESSAGE).map(str::to_owned);
        let eap = packet.joined(a::EAP_MESSAGE);
        match packet.code() {
            Code::ACCESS_ACCEPT => match Grant::read_accept(arrived, post.config) {
                Ok(grant) => Answer::Accept {
                    grant: Box::new(grant),
                    eap,
                },
                Err(error) => {
                    let reason = error.to_string();
                    post.note(question.place.clone(), What::GrantRefused { reason });
                    Answer::Refuse { message, eap: None }
                }
            },
            Code::ACCESS_CHALLENGE => Answer::Challenge {
                message,
                eap,
                state: packet.first(a::STATE).map(|state| state.value.to_vec()),
                seconds: packet.integer(a::SESSION_TIMEOUT),
            },
            _ => Answer::Refuse { message, eap },
        }
    }
}
