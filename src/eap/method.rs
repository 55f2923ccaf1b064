//! What the methods have in common: where they run, what they are told, what they answer.

use std::sync::Arc;

use jiff::Timestamp;
use rand::RngCore;

use super::account::{Account, AccountState, Credentials, Password};
use super::conversation::Discard;
use super::md5::Md5;
use super::ms_chap_v2::MsChapV2;
use super::proof::{Method, Proof};
use super::refusal::{Refusal, Silence};
use super::settings::{Place, Settings};
use super::tunnel::Tunnel;

/// What a method is told with each response.
pub(super) struct Context<'a> {
    pub(super) now: Timestamp,
    pub(super) settings: &'a Arc<Settings>,
    pub(super) credentials: &'a dyn Credentials,
    pub(super) rng: &'a mut dyn RngCore,
    /// Most octets of the EAP packet that is answered with.
    pub(super) room: usize,
    pub(super) place: Place,
    /// The identity that was given at this place.
    pub(super) identity: &'a str,
    /// Identifier of the response at hand, and so of the request that it answers.
    pub(super) identifier: u8,
}

impl Context<'_> {
    /// Asks the bench for its last word. Inside a tunnel it is not asked: the tunnel does it.
    pub(super) fn admit(&self, proof: &Proof) -> Result<(), Refusal> {
        match self.place {
            Place::Outside => self.credentials.admit(proof).map_err(Refusal::NotAdmitted),
            Place::Ttls | Place::Peap => Ok(()),
        }
    }

    /// The account and its password, for a method that checks one.
    pub(super) fn account(
        &self,
        identity: &str,
        method: &'static str,
    ) -> Result<(Account, Password), Refusal> {
        let account = self
            .credentials
            .account(identity)
            .ok_or_else(|| Refusal::UserUnknown {
                identity: identity.to_owned(),
            })?;
        let password = account
            .password
            .clone()
            .ok_or_else(|| Refusal::NoPassword {
                identity: identity.to_owned(),
                method,
            })?;
        Ok((account, password))
    }

    /// Random octets for a challenge.
    pub(super) fn challenge(&mut self) -> [u8; 16] {
        let mut challenge = [0; 16];
        self.rng.fill_bytes(&mut challenge);
        challenge
    }
}

/// The outcome of a password check. The state of the account is looked at last, so that only the
/// owner of the password learns it.
pub(super) fn judge(
    account: &Account,
    identity: &str,
    method: &'static str,
    password_fits: bool,
) -> Result<(), Refusal> {
    let identity = identity.to_owned();
    if !password_fits {
        return Err(Refusal::WrongPassword { identity, method });
    }
    match account.state {
        AccountState::Active => Ok(()),
        AccountState::Disabled => Err(Refusal::AccountDisabled { identity }),
        AccountState::Expired => Err(Refusal::AccountExpired { identity }),
        AccountState::MustChangePassword => Err(Refusal::MustChangePassword {
            identity,
            change_tried: false,
        }),
    }
}

/// What a method answers to a response.
pub(super) enum Move {
    /// Ask on, with this after the Type field.
    Ask(Vec<u8>),
    /// The login is proven.
    Proven(Arc<Proof>),
    /// The login has failed.
    Refused(Refusal),
    /// The response is not worth an answer.
    Ignore(Discard),
}

impl From<Result<Move, Refusal>> for Move {
    fn from(outcome: Result<Move, Refusal>) -> Move {
        outcome.unwrap_or_else(Move::Refused)
    }
}

/// A method that is running.
pub(super) enum Running {
    Md5(Md5),
    MsChapV2(MsChapV2),
    Tunnel(Box<Tunnel>),
}

impl Running {
    /// Begins a method; the octets go after the Type field of its first request.
    pub(super) fn start(
        method: Method,
        context: &mut Context<'_>,
    ) -> Result<(Running, Vec<u8>), Refusal> {
        Ok(match method {
            Method::Md5 => {
                let (method, request) = Md5::start(context);
                (Running::Md5(method), request)
            }
            Method::MsChapV2 => {
                let (method, request) = MsChapV2::start(context);
                (Running::MsChapV2(method), request)
            }
            Method::Tls | Method::Ttls | Method::Peap => {
                let (method, request) = Tunnel::start(method, context)?;
                (Running::Tunnel(Box::new(method)), request)
            }
        })
    }

    pub(super) fn method(&self) -> Method {
        match self {
            Running::Md5(_) => Method::Md5,
            Running::MsChapV2(_) => Method::MsChapV2,
            Running::Tunnel(tunnel) => tunnel.method(),
        }
    }

    /// Takes what a response carries after its Type field.
    pub(super) fn respond(&mut self, context: &mut Context<'_>, data: &[u8]) -> Move {
        match self {
            Running::Md5(method) => method.respond(context, data).into(),
            Running::MsChapV2(method) => method.respond(context, data).into(),
            Running::Tunnel(method) => method.respond(context, data).into(),
        }
    }

    /// Why the login failed, if nothing more comes from the supplicant.
    pub(super) fn stalled(&self) -> Refusal {
        match self {
            Running::Md5(_) => Refusal::Silent(Silence::Method(Method::Md5)),
            Running::MsChapV2(method) => method.stalled(),
            Running::Tunnel(method) => method.stalled(),
        }
    }
}
