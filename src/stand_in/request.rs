//! The attributes of Access-Requests, as a good switch sends them.

use std::net::IpAddr;

use super::config::{PortSettings, ServiceType, StandInConfig};
use super::draft::{Credential, Draft, Seal};
use super::mac_style::Protocol;
use crate::wire::attribute::MAX_VALUE;
use crate::wire::registry::attributes as a;
use crate::wire::{Code, Mac};

/// Ethernet (RFC 2865 section 5.41, RFC 3580 section 3.23).
const PORT_TYPE_ETHERNET: u32 = 15;
/// RFC 2865 section 5.6
const FRAMED: u32 = 2;
/// RFC 3580 section 3.5
const CALL_CHECK: u32 = 10;
/// RFC 5176 section 3.2
pub(super) const AUTHORIZE_ONLY: u32 = 17;

/// A session as its requests name it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Subject<'a> {
    pub(super) config: &'a StandInConfig,
    pub(super) line: &'a PortSettings,
    pub(super) mac: Mac,
    pub(super) acct_session_id: &'a str,
    /// State to give back (RFC 2865 section 5.24).
    pub(super) state: Option<&'a [u8]>,
}

/// MAC authentication.
pub(super) fn mac_authentication(subject: &Subject<'_>, chap_identifier: u8) -> Draft {
    let style = &subject.config.mac_authentication;
    let user_name = style.user_name.spell(subject.mac);
    let password = style.password.password(subject.mac, &user_name);
    let service = match style.service_type {
        ServiceType::CallCheck => Some(CALL_CHECK),
        ServiceType::Framed => Some(FRAMED),
        ServiceType::None => None,
    };
    let seal = seal(subject.config.requests.message_authenticator);
    let mut draft = access_request(subject, user_name.as_bytes(), service, seal);
    draft.credentials.push(match style.protocol {
        Protocol::Pap => Credential::Pap(password),
        Protocol::Chap => Credential::Chap {
            identifier: chap_identifier,
            password,
        },
    });
    draft
}

/// One round of 802.1X. The identity is copied to User-Name; where there is none the address
/// stands in (RFC 3579 section 2.1).
pub(super) fn dot1x(subject: &Subject<'_>, identity: &[u8], eap: &[u8]) -> Draft {
    let address = subject.mac.to_string();
    let user_name = if identity.is_empty() {
        address.as_bytes()
    } else {
        identity.get(..MAX_VALUE).unwrap_or(identity)
    };
    let mut draft = access_request(subject, user_name, Some(FRAMED), Seal::First);
    for part in eap.chunks(MAX_VALUE) {
        draft.octets(a::EAP_MESSAGE, part);
    }
    draft
}

/// The request that a change with Service-Type Authorize-Only asks for (RFC 5176 section 3.2).
pub(super) fn authorize_only(subject: &Subject<'_>, user_name: &[u8]) -> Draft {
    access_request(subject, user_name, Some(AUTHORIZE_ONLY), Seal::First)
}

fn seal(wanted: bool) -> Seal {
    if wanted { Seal::First } else { Seal::None }
}

fn access_request(
    subject: &Subject<'_>,
    user_name: &[u8],
    service_type: Option<u32>,
    seal: Seal,
) -> Draft {
    let config = subject.config;
    let mut draft = Draft::new(Code::ACCESS_REQUEST, seal);
    draft.octets(a::USER_NAME, user_name);
    nas(&mut draft, config);
    port(&mut draft, subject.line);
    if let Some(service) = service_type {
        draft.integer(a::SERVICE_TYPE, service);
    }
    draft.integer(a::FRAMED_MTU, config.requests.framed_mtu);
    stations(&mut draft, subject.line, subject.mac);
    if config.requests.acct_session_id {
        draft.text(a::ACCT_SESSION_ID, subject.acct_session_id);
    }
    if let Some(state) = subject.state {
        draft.octets(a::STATE, state);
    }
    draft
}

/// NAS-IP-Address or NAS-IPv6-Address, and NAS-Identifier.
pub(super) fn nas(draft: &mut Draft, config: &StandInConfig) {
    match config.nas_address() {
        IpAddr::V4(address) => draft.octets(a::NAS_IP_ADDRESS, address.octets()),
        IpAddr::V6(address) => draft.octets(a::NAS_IPV6_ADDRESS, address.octets()),
    }
    draft.text(a::NAS_IDENTIFIER, config.nas_identifier());
}

/// NAS-Port, NAS-Port-Id, NAS-Port-Type.
pub(super) fn port(draft: &mut Draft, line: &PortSettings) {
    draft.integer(a::NAS_PORT, line.number.into());
    draft.text(a::NAS_PORT_ID, &line.name);
    draft.integer(a::NAS_PORT_TYPE, PORT_TYPE_ETHERNET);
}

/// Calling-Station-Id and Called-Station-Id in the form of RFC 3580 sections 3.20 and 3.21.
pub(super) fn stations(draft: &mut Draft, line: &PortSettings, mac: Mac) {
    draft.text(a::CALLING_STATION_ID, &mac.to_string());
    draft.text(a::CALLED_STATION_ID, &line.mac.to_string());
}
