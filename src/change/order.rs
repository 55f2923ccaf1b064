//! What the change client is asked for, and how it ends.

use std::fmt;
use std::net::IpAddr;
use std::time::Duration;

use jiff::Timestamp;
use serde::Serialize;

use super::request::Unspellable;
use crate::bench::ChangeKind;
use crate::wire::Mac;
use crate::wire::registry::error_cause::ErrorCause;

/// Number of an order, from 1 since the bench began; `Place::order` of its journal entries.
pub type OrderId = u64;

/// A change that is wanted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Order {
    /// The session, by its number in the roster.
    pub session: u64,
    /// Which change.
    pub kind: ChangeKind,
    /// The class that the device is to have: its grant goes along with a `regrant`. `None`: the
    /// session's own class.
    pub to_class: Option<String>,
    /// Who wants it.
    pub origin: Origin,
    /// Why, in a few words.
    pub reason: String,
}

/// Who wants a change.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Origin {
    /// A recognition. Only these wait the delay and are held by the flap guard.
    Recognition,
    /// A person.
    Hand,
    /// A step of a drill.
    Drill,
    /// A fault that is being played.
    Fault,
}

impl Origin {
    /// Whether no person or script asked for this one change.
    #[must_use]
    pub fn is_automatic(self) -> bool {
        self == Origin::Recognition
    }
}

/// Why an order was not taken.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum OrderRefused {
    /// The roster has no such session.
    #[error("the roster has no session {0}")]
    NoSession(u64),
    /// The session is over.
    #[error("session {session} is over: {cause}")]
    SessionEnded {
        /// Its number.
        session: u64,
        /// What ended it.
        cause: String,
    },
    /// The session's switch is not in the bench file, or no longer.
    #[error("{0} is no declared switch; changes only go to switches of the bench file")]
    NotDeclared(IpAddr),
    /// The change cannot be put into attributes.
    #[error(transparent)]
    Unspellable(#[from] Unspellable),
    /// Another change of the session waits for its answer. A recognition is queued instead.
    #[error("a {kind} of this session waits for its answer (order {order}); try again after it")]
    InFlight {
        /// Which change.
        kind: ChangeKind,
        /// Its order.
        order: OrderId,
    },
    /// A change of the session was acknowledged a moment ago, and the device is decided anew when
    /// it comes back.
    #[error(
        "the {kind} of order {order} was acknowledged a moment ago: the device is decided anew \
         when it comes back"
    )]
    Settling {
        /// Which change.
        kind: ChangeKind,
        /// Its order.
        order: OrderId,
    },
    /// The flap guard.
    #[error(
        "{limit} automatic changes of {mac} within {} s are the most: its sightings may alternate. \
         Pin its class, or mend the rows that take turns; the next automatic change is possible \
         from {next}",
        window.as_secs()
    )]
    Flapping {
        /// The device.
        mac: Mac,
        /// How many are the most.
        limit: u32,
        /// Within what time.
        window: Duration,
        /// When the oldest leaves the window.
        next: Timestamp,
    },
}

impl OrderRefused {
    /// The journal's verdict.
    #[must_use]
    pub fn verdict(&self) -> &'static str {
        match self {
            OrderRefused::NoSession(_) => "refused-no-session",
            OrderRefused::SessionEnded { .. } => "refused-session-ended",
            OrderRefused::NotDeclared(_) => "refused-not-declared",
            OrderRefused::Unspellable(_) => "refused-unspellable",
            OrderRefused::InFlight { .. } => "refused-in-flight",
            OrderRefused::Settling { .. } => "refused-settling",
            OrderRefused::Flapping { .. } => "refused-flapping",
        }
    }
}

/// How an order ended.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(tag = "end", rename_all = "kebab-case")]
pub enum Outcome {
    /// The switch acknowledged it.
    Acked {
        /// The change that was acknowledged; another than the ordered one after a fallback.
        kind: ChangeKind,
    },
    /// The switch began it and asks for authorization (Error-Cause 507, RFC 5176 section 3.2).
    Begun {
        /// Which change.
        kind: ChangeKind,
    },
    /// The switch refused it, and what was tried in its place.
    Refused {
        /// The last change tried.
        kind: ChangeKind,
        /// Error-Cause of the last refusal, where there was one.
        cause: Option<ErrorCause>,
    },
    /// The switch never answered.
    NoAnswer {
        /// Which change.
        kind: ChangeKind,
        /// How many times it was sent.
        sent: u32,
    },
    /// It was dropped before it was done.
    Dropped {
        /// Why.
        reason: String,
    },
}

impl Outcome {
    /// Whether the switch did, or began, what was ordered or a fallback of it.
    #[must_use]
    pub fn is_done(&self) -> bool {
        matches!(self, Outcome::Acked { .. } | Outcome::Begun { .. })
    }
}

impl fmt::Display for Outcome {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Outcome::Acked { kind } => write!(f, "{kind} acknowledged"),
            Outcome::Begun { kind } => {
                write!(f, "{kind} begun: the switch asks for authorization now")
            }
            Outcome::Refused {
                kind,
                cause: Some(cause),
            } => write!(f, "{kind} refused: {cause}; {}", cause.remedy()),
            Outcome::Refused { kind, cause: None } => {
                write!(f, "{kind} refused without an Error-Cause")
            }
            Outcome::NoAnswer { kind, sent } => {
                write!(f, "{kind} sent {sent} times, no answer")
            }
            Outcome::Dropped { reason } => write!(f, "dropped: {reason}"),
        }
    }
}
