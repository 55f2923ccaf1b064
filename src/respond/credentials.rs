//! What kind of proof an Access-Request brings.

use std::borrow::Cow;

use super::arrival::{Dropped, mac_in};
use super::verdict::{Refusal, Silence};
use crate::bench::MethodName;
use crate::roster::Login;
use crate::wire::registry::attributes;
use crate::wire::{Mac, Packet};

/// Service-Type Call-Check (RFC 2865 section 5.6): the switch asks about a device by address.
const CALL_CHECK: u32 = 10;
/// Service-Type Authorize-Only (RFC 5176 section 3.2).
const AUTHORIZE_ONLY: u32 = 17;

/// What an Access-Request wants to be judged by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Credentials {
    /// EAP-Message.
    Eap,
    /// The address of the device.
    Mac,
    /// Name and password.
    Login,
    /// Nothing: the session is authenticated, and the switch asks for its grant again.
    AuthorizeOnly,
}

/// What an Access-Request has proven.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Proof {
    pub(super) method: MethodName,
    pub(super) mac: Option<Mac>,
    pub(super) login: Option<Login>,
}

/// Why an Access-Request is rejected.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Refused {
    pub(super) refusal: Refusal,
    pub(super) reason: Cow<'static, str>,
}

impl Refused {
    pub(super) fn new(refusal: Refusal, reason: impl Into<Cow<'static, str>>) -> Refused {
        Refused {
            refusal,
            reason: reason.into(),
        }
    }
}

/// Tells the kinds of proof apart.
///
/// MAC authentication is either announced by Call-Check (RFC 3580 section 3.5) or shows by a
/// User-Name that is a MAC address (common practice, no source).
pub(super) fn kind_of(packet: &Packet<'_>) -> Result<Credentials, Dropped> {
    let has = |kind| packet.first(kind).is_some();
    let (pap, chap, eap) = (
        has(attributes::USER_PASSWORD),
        has(attributes::CHAP_PASSWORD),
        has(attributes::EAP_MESSAGE),
    );
    if pap && chap {
        return Err(Dropped::new(
            Silence::MixedCredentials,
            "both User-Password and CHAP-Password",
        )
        .breaking("RFC 2865 section 4.1"));
    }
    if eap && (pap || chap) {
        // Section from memory: note 1 under the table.
        return Err(
            Dropped::new(Silence::MixedCredentials, "a password beside EAP-Message")
                .breaking("RFC 3579 section 3.3"),
        );
    }
    if eap {
        return Ok(Credentials::Eap);
    }
    let service = packet.integer(attributes::SERVICE_TYPE);
    if service == Some(CALL_CHECK) {
        return Ok(Credentials::Mac);
    }
    if pap || chap {
        return Ok(match mac_in(packet, attributes::USER_NAME) {
            Some(_) => Credentials::Mac,
            None => Credentials::Login,
        });
    }
    match (service, has(attributes::STATE)) {
        (Some(AUTHORIZE_ONLY), true) => Ok(Credentials::AuthorizeOnly),
        (_, true) => Err(Dropped::new(
            Silence::NoCredentials,
            "State but no proof, and no challenge of that State is open",
        )),
        (_, false) => Err(Dropped::new(
            Silence::NoCredentials,
            "neither User-Password, CHAP-Password, EAP-Message nor State, and no Call-Check",
        )
        .breaking("RFC 2865 section 4.1")),
    }
}
