//! What a CoA-Request or Disconnect-Request asks for, read by RFC 5176 section 3.

use std::net::{IpAddr, Ipv4Addr};
use std::time::Duration;

use super::config::{Family, PortSettings, RoleSpelling, StandInConfig};
use super::grant::Grant;
use super::request::AUTHORIZE_ONLY;
use super::session::Session;
use crate::wire::registry::attributes as a;
use crate::wire::registry::error_cause::ErrorCause;
use crate::wire::{Attribute, Code, Mac, Packet, VendorAttribute};

/// What a request asks for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Wish {
    /// Which sessions: those that all of them name.
    pub(super) selectors: Vec<Selector>,
    pub(super) order: Order,
}

/// What to do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Order {
    Disconnect,
    /// Link down and up, for this long or as the switch is set.
    Bounce(Option<Duration>),
    Disable,
    /// Authenticate again, with this in place at once.
    Reauthenticate(Box<Grant>),
    Regrant(Box<Grant>),
    /// Ask for new grants with this State (RFC 5176 section 3.2).
    Authorize(Vec<u8>),
}

/// One session identification attribute (RFC 5176 section 3).
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Selector {
    UserName(Vec<u8>),
    Port(u32),
    PortName(Vec<u8>),
    FramedIp(Ipv4Addr),
    Calling(Mac),
    Called(Mac),
    AcctSession(Vec<u8>),
    /// An attribute that no session here has.
    Foreign,
}

/// Enterprise number and vendor type of text commands, from memory.
const TEXT_COMMAND: (u32, u8) = (9, 1);
/// Longest link down that an integer can ask for, seconds, from memory.
const MOST_SECONDS: u32 = 60;

const NAS: &[u8] = &[a::NAS_IP_ADDRESS, a::NAS_IDENTIFIER, a::NAS_IPV6_ADDRESS];
/// RFC 5176 section 3, without Vendor-Specific, which names no session here.
const SESSION: &[u8] = &[
    a::USER_NAME,
    a::NAS_PORT,
    a::FRAMED_IP_ADDRESS,
    a::CALLED_STATION_ID,
    a::CALLING_STATION_ID,
    a::ACCT_SESSION_ID,
    a::ACCT_MULTI_SESSION_ID,
    a::NAS_PORT_ID,
    a::CHARGEABLE_USER_IDENTITY,
    a::FRAMED_INTERFACE_ID,
    a::FRAMED_IPV6_PREFIX,
];
const ENVELOPE: &[u8] = &[a::PROXY_STATE, a::EVENT_TIMESTAMP, a::MESSAGE_AUTHENTICATOR];
/// What a regrant can carry.
const GRANTS: &[u8] = &[
    a::FILTER_ID,
    a::CLASS,
    a::SESSION_TIMEOUT,
    a::IDLE_TIMEOUT,
    a::TERMINATION_ACTION,
    a::EGRESS_VLANID,
    a::INGRESS_FILTERS,
    a::EGRESS_VLAN_NAME,
    a::USER_PRIORITY_TABLE,
    a::TUNNEL_TYPE,
    a::TUNNEL_MEDIUM_TYPE,
    a::TUNNEL_PRIVATE_GROUP_ID,
    a::ACCT_INTERIM_INTERVAL,
    a::NAS_FILTER_RULE,
];

/// Reads a request whose signature was found right.
///
/// # Errors
/// The Error-Cause of the NAK.
pub(super) fn read(packet: &Packet<'_>, config: &StandInConfig) -> Result<Wish, ErrorCause> {
    check_nas(packet, config)?;
    let order = if packet.code() == Code::DISCONNECT_REQUEST {
        allow(packet, |attribute| known(attribute.kind, &[]))?;
        Order::Disconnect
    } else {
        read_order(packet, config)?
    };
    let selectors: Vec<Selector> = packet
        .attributes()
        .filter(|attribute| SESSION.contains(&attribute.kind))
        .map(|attribute| Selector::read(&attribute))
        .collect::<Result<_, _>>()?;
    if selectors.is_empty() {
        return Err(ErrorCause::MISSING_ATTRIBUTE);
    }
    Ok(Wish { selectors, order })
}

/// RFC 5176 section 3: each NAS identification attribute must be this switch's.
fn check_nas(packet: &Packet<'_>, config: &StandInConfig) -> Result<(), ErrorCause> {
    let own = config.nas_address();
    let right = packet
        .attributes()
        .filter(|attribute| NAS.contains(&attribute.kind))
        .all(|attribute| match attribute.kind {
            a::NAS_IP_ADDRESS => attribute.ipv4().map(IpAddr::V4) == Some(own),
            a::NAS_IPV6_ADDRESS => attribute.ipv6().map(IpAddr::V6) == Some(own),
            _ => attribute.value == config.nas_identifier().as_bytes(),
        });
    if right {
        Ok(())
    } else {
        Err(ErrorCause::NAS_IDENTIFICATION_MISMATCH)
    }
}

fn known(kind: u8, more: &[u8]) -> bool {
    [NAS, SESSION, ENVELOPE, more]
        .iter()
        .any(|list| list.contains(&kind))
}

/// All attributes of a change are mandatory (RFC 5176 section 2.3).
fn allow(packet: &Packet<'_>, allowed: impl Fn(&Attribute<'_>) -> bool) -> Result<(), ErrorCause> {
    if packet.attributes().all(|attribute| allowed(&attribute)) {
        Ok(())
    } else {
        Err(ErrorCause::UNSUPPORTED_ATTRIBUTE)
    }
}

fn read_order(packet: &Packet<'_>, config: &StandInConfig) -> Result<Order, ErrorCause> {
    if let Some(service) = packet.first(a::SERVICE_TYPE) {
        return read_authorize_only(packet, config, service.integer());
    }
    allow(packet, |attribute| {
        known(attribute.kind, GRANTS)
            || attribute.kind == a::STATE
            || (attribute.kind == a::VENDOR_SPECIFIC && vendor_known(attribute, config))
    })?;
    let grants = packet.attributes().any(|attribute| {
        GRANTS.contains(&attribute.kind)
            || attribute
                .vendor_attributes()
                .iter()
                .any(|part| is_role(part, config))
    });
    match (read_command(packet, config)?, grants) {
        (Some(command), false) => Ok(command),
        (None, true) => Grant::read(packet, config)
            .map(new_grant)
            .map_err(|_| ErrorCause::INVALID_ATTRIBUTE_VALUE),
        (Some(_), true) => Err(ErrorCause::INVALID_REQUEST),
        (None, false) => Err(ErrorCause::MISSING_ATTRIBUTE),
    }
}

/// No time left, and RADIUS-Request as the action, is the standard way to ask for
/// re-authentication at once (RFC 3580 sections 3.17 and 3.19).
fn new_grant(mut grant: Grant) -> Order {
    if (grant.session_timeout, grant.reauthenticate) == (Some(0), Some(true)) {
        grant.session_timeout = None;
        Order::Reauthenticate(Box::new(grant))
    } else {
        Order::Regrant(Box::new(grant))
    }
}

/// RFC 5176 section 3.2
fn read_authorize_only(
    packet: &Packet<'_>,
    config: &StandInConfig,
    service: Option<u32>,
) -> Result<Order, ErrorCause> {
    if service != Some(AUTHORIZE_ONLY) || !config.changes.authorize_only {
        return Err(ErrorCause::UNSUPPORTED_SERVICE);
    }
    allow(packet, |attribute| {
        known(attribute.kind, &[a::SERVICE_TYPE, a::STATE])
    })?;
    let state = packet
        .first(a::STATE)
        .ok_or(ErrorCause::MISSING_ATTRIBUTE)?;
    Ok(Order::Authorize(state.value.to_vec()))
}

fn vendor_known(attribute: &Attribute<'_>, config: &StandInConfig) -> bool {
    let parts = attribute.vendor_attributes();
    !parts.is_empty()
        && parts
            .iter()
            .all(|part| is_role(part, config) || is_command(part, config))
}

fn is_role(part: &VendorAttribute<'_>, config: &StandInConfig) -> bool {
    match config.dialect.role() {
        RoleSpelling::Vendor {
            vendor,
            kind,
            prefix,
        } => {
            (part.vendor, part.kind) == (vendor, kind)
                && part.value.starts_with(prefix.as_bytes())
                && command_text(part).is_none()
        }
        _ => false,
    }
}

fn is_command(part: &VendorAttribute<'_>, config: &StandInConfig) -> bool {
    match config.dialect.family {
        Family::Standard => false,
        Family::Enterprise9 => command_text(part).is_some(),
        family => bounce_number(family) == Some((part.vendor, part.kind)),
    }
}

/// Enterprise number and vendor type of the seconds of a bounce, from memory.
fn bounce_number(family: Family) -> Option<(u32, u8)> {
    match family {
        Family::Enterprise11 => Some((11, 23)),
        Family::Enterprise14823 => Some((14823, 40)),
        Family::Standard | Family::Enterprise9 => None,
    }
}

/// A text command without what all of them begin with.
fn command_text<'a>(part: &VendorAttribute<'a>) -> Option<&'a str> {
    if (part.vendor, part.kind) != TEXT_COMMAND {
        return None;
    }
    std::str::from_utf8(part.value)
        .ok()?
        .strip_prefix("subscriber:")
}

fn read_command(packet: &Packet<'_>, config: &StandInConfig) -> Result<Option<Order>, ErrorCause> {
    let mut found = None;
    for part in packet
        .all(a::VENDOR_SPECIFIC)
        .flat_map(|attribute| attribute.vendor_attributes())
        .filter(|part| !is_role(part, config))
    {
        let order = if config.dialect.family == Family::Enterprise9 {
            match command_text(&part) {
                Some("command=bounce-host-port") => Order::Bounce(None),
                Some("command=disable-host-port") => Order::Disable,
                Some("command=reauthenticate") => Order::Reauthenticate(Box::default()),
                // Says how; both come to the same here, where the last method is tried first.
                Some("reauthenticate-type=last" | "reauthenticate-type=rerun") => continue,
                _ => return Err(ErrorCause::INVALID_ATTRIBUTE_VALUE),
            }
        } else {
            match part.value.try_into().map(u32::from_be_bytes) {
                Ok(seconds @ ..=MOST_SECONDS) => {
                    Order::Bounce(Some(Duration::from_secs(seconds.into())))
                }
                _ => return Err(ErrorCause::INVALID_ATTRIBUTE_VALUE),
            }
        };
        if found.replace(order).is_some() {
            return Err(ErrorCause::INVALID_REQUEST);
        }
    }
    Ok(found)
}

impl Selector {
    fn read(attribute: &Attribute<'_>) -> Result<Selector, ErrorCause> {
        let octets = || attribute.value.to_vec();
        let selector = match attribute.kind {
            a::USER_NAME => Some(Selector::UserName(octets())),
            a::NAS_PORT => attribute.integer().map(Selector::Port),
            a::NAS_PORT_ID => Some(Selector::PortName(octets())),
            a::FRAMED_IP_ADDRESS => attribute.ipv4().map(Selector::FramedIp),
            a::CALLING_STATION_ID => station(attribute).map(Selector::Calling),
            a::CALLED_STATION_ID => station(attribute).map(Selector::Called),
            a::ACCT_SESSION_ID => Some(Selector::AcctSession(octets())),
            _ => Some(Selector::Foreign),
        };
        selector.ok_or(ErrorCause::INVALID_ATTRIBUTE_VALUE)
    }

    /// Whether it names this session. Only a device that was let in has one.
    pub(super) fn names(&self, session: &Session, line: &PortSettings) -> bool {
        let Some(admission) = &session.admission else {
            return false;
        };
        match self {
            Selector::UserName(name) => *name == admission.user_name,
            Selector::Port(number) => *number == u32::from(line.number),
            Selector::PortName(name) => *name == line.name.as_bytes(),
            Selector::FramedIp(address) => session.framed_ip == Some(*address),
            Selector::Calling(mac) => *mac == session.mac,
            Selector::Called(mac) => *mac == line.mac,
            Selector::AcctSession(id) => *id == session.acct_session_id.as_bytes(),
            Selector::Foreign => false,
        }
    }
}

fn station(attribute: &Attribute<'_>) -> Option<Mac> {
    attribute.text()?.parse().ok()
}
