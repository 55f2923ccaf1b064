//! Why a login failed: one variant a cause, each one line that a person can act on.

use std::fmt;

use super::alert::Alert;
use super::certificate::CertificateFault;
use super::codec::Type;
use super::conversation::Discard;
use super::proof::{Inner, Method};

/// Why a login failed.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum Refusal {
    /// No account of that name.
    #[error("user unknown: the bench has no account for '{identity}'")]
    UserUnknown {
        /// The name as it was sent.
        identity: String,
    },
    /// The password does not fit.
    #[error("wrong password for '{identity}' ({method})")]
    WrongPassword {
        /// The account.
        identity: String,
        /// What checked it.
        method: &'static str,
    },
    /// The password was right, the account is switched off.
    #[error("the account '{identity}' is disabled; its password was right")]
    AccountDisabled {
        /// The account.
        identity: String,
    },
    /// The password was right, the account's time is over.
    #[error("the account '{identity}' has expired; its password was right")]
    AccountExpired {
        /// The account.
        identity: String,
    },
    /// The password was right and must be changed first.
    #[error(
        "the password of '{identity}' must be changed before it may log in{}; the bench changes no passwords",
        if *.change_tried { " (the supplicant tried to change it)" } else { "" }
    )]
    MustChangePassword {
        /// The account.
        identity: String,
        /// The supplicant sent a new password.
        change_tried: bool,
    },
    /// The account logs in by certificate only.
    #[error("the account '{identity}' has no password, so {method} cannot check one")]
    NoPassword {
        /// The account.
        identity: String,
        /// What wanted to check it.
        method: &'static str,
    },
    /// The method needs the password as text.
    #[error("{method} needs the password of '{identity}' as text; the bench has only its NT hash")]
    PasswordNotText {
        /// The account.
        identity: String,
        /// What wanted to check it.
        method: &'static str,
    },
    /// All was proven, and the bench refused by a rule of its own.
    #[error("{0}")]
    NotAdmitted(String),

    /// The supplicant refused all that was offered.
    #[error(
        "method refused: the supplicant would not do {} and {}",
        list(.offered), asked_for(.wanted)
    )]
    NoCommonMethod {
        /// What it was offered, in order.
        offered: Vec<Method>,
        /// What it asked for; empty when it has no other method.
        wanted: Vec<Type>,
    },
    /// What the supplicant does inside EAP-TTLS is not allowed by the bench.
    #[error("the supplicant wants {wanted} inside the tunnel; the bench allows {}", list(.allowed))]
    InnerNotAllowed {
        /// What the supplicant began.
        wanted: &'static str,
        /// What the bench allows.
        allowed: Vec<Inner>,
    },

    /// The supplicant sent a TLS alert.
    #[error("{0}")]
    Alert(Alert),
    /// The supplicant's certificate is not acceptable.
    #[error("{0}")]
    Certificate(CertificateFault),
    /// The supplicant showed no certificate.
    #[error(
        "the supplicant sent no certificate: it has none from a CA that the bench trusts, or cannot reach its key"
    )]
    NoCertificate,
    /// TLS cannot go on, without an alert from the supplicant.
    #[error("TLS failed: {0}")]
    Tls(String),
    /// Supplicant and bench have no way to do TLS in common.
    #[error(
        "the supplicant and the bench share no {what}; an old device may offer only TLS 1.0, RSA key exchange or CBC suites, which the bench does not speak"
    )]
    NoCommonTls {
        /// What they do not share.
        what: &'static str,
    },

    /// A TLS message is longer than a login needs.
    #[error("the supplicant announced or sent a TLS message of {said} octets; the most is {most}")]
    TooLong {
        /// Octets announced or received.
        said: usize,
        /// The limit.
        most: usize,
    },
    /// Fragments do not add up (RFC 5216 section 2.1.5).
    #[error("the fragments of a TLS message do not add up: {0} (RFC 5216 section 2.1.5)")]
    Fragments(&'static str),
    /// The supplicant insists on another version of the method.
    #[error("the supplicant wants version {version} of {method}; the bench speaks version 0")]
    MethodVersion {
        /// The method.
        method: Method,
        /// The version it wants.
        version: u8,
    },
    /// A message of a method cannot be read, or does not belong here.
    #[error("{method}: {what}")]
    Protocol {
        /// The method that found it.
        method: &'static str,
        /// What was wrong.
        what: &'static str,
    },
    /// A packet inside a tunnel does not belong there. Nothing is lost or repeated in a tunnel, so
    /// that it cannot be passed over.
    #[error("inside the tunnel: {0}")]
    Inside(Discard),
    /// The supplicant did not accept the server's own proof of the password.
    #[error(
        "the supplicant did not accept the bench's proof that it knows the password of '{identity}': its password differs, or it hashed another name"
    )]
    ServerNotProven {
        /// The account.
        identity: String,
    },
    /// The supplicant reported failure inside PEAP although the server reported success.
    #[error(
        "the supplicant ended PEAP with a failure of its own; it may insist on crypto-binding, which the bench does not do"
    )]
    ResultRefused,
    /// The login goes round in circles.
    #[error("the login took more than {0} round trips")]
    TooManyRounds(u16),
    /// Nothing more came from the supplicant.
    #[error("{0}")]
    Silent(Silence),
}

/// Where a login stood when the supplicant went silent.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub enum Silence {
    /// It was asked for its identity.
    Identity,
    /// It was offered a method.
    Offer(Method),
    /// It was given a challenge or asked within a tunnel.
    Method(Method),
    /// It got a part of a TLS message (mostly our certificate) and did not ask for the next.
    Fragment {
        /// Octets sent so far.
        sent: usize,
        /// Octets in all.
        of: usize,
    },
    /// It got our hello and certificate.
    ServerCertificate(Method),
    /// It was given the server's proof that it knows the password.
    ServerProof,
    /// All was done but its last acknowledgement.
    Last(Method),
}

impl fmt::Display for Silence {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Silence::Identity => f.write_str(
                "the supplicant did not say who it is; there may be none, or packets are lost",
            ),
            Silence::Offer(method) => {
                write!(f, "the supplicant did not answer the offer of {method}")
            }
            Silence::Method(method) => {
                write!(f, "the supplicant went silent in the middle of {method}")
            }
            Silence::Fragment { sent, of } => write!(
                f,
                "the supplicant went silent after {sent} of {of} octets of our TLS message: the \
                 fragments may be too big for a link on the way; try a smaller fragment size"
            ),
            Silence::ServerCertificate(method) => write!(
                f,
                "the supplicant went silent after our certificate ({method}): it may distrust the \
                 CA or the name without saying so, or wait for a person to agree"
            ),
            Silence::ServerProof => f.write_str(
                "the supplicant went silent after the bench's proof that it knows the password: it \
                 may not accept it, because it hashed another name or has another password",
            ),
            Silence::Last(method) => write!(
                f,
                "the supplicant did not acknowledge the end of {method}; the last packet may be lost"
            ),
        }
    }
}

fn list<T: fmt::Display>(items: &[T]) -> String {
    let names: Vec<String> = items.iter().map(T::to_string).collect();
    names.join(", ")
}

fn asked_for(wanted: &[Type]) -> String {
    if wanted.is_empty() {
        "has no other method".to_owned()
    } else {
        format!(
            "asked for {}, which the bench does not offer it",
            list(wanted)
        )
    }
}
