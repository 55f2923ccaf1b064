//! Reading packets as the findings need them.

use std::time::Duration;

use jiff::{SignedDuration, Timestamp};

use crate::eap::codec;
use crate::wire::registry::attributes as a;
use crate::wire::value::escape;
use crate::wire::{Mac, Packet};

/// Service-Type Call-Check (RFC 2865 section 5.6).
pub(super) const CALL_CHECK: u32 = 10;
/// Service-Type Authorize-Only (RFC 5176 section 3.2).
pub(super) const AUTHORIZE_ONLY: u32 = 17;

/// What an Access-Request asks for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(super) enum Method {
    Eap,
    Mac,
    Login,
    AuthorizeOnly,
}

/// Tells the methods apart as the responder does: MAC authentication is announced by Call-Check
/// (RFC 3580 section 3.5) or shows by a User-Name that is an address (common practice).
pub(super) fn method(packet: &Packet<'_>) -> Method {
    if packet.first(a::EAP_MESSAGE).is_some() {
        return Method::Eap;
    }
    match packet.integer(a::SERVICE_TYPE) {
        Some(AUTHORIZE_ONLY) => Method::AuthorizeOnly,
        Some(CALL_CHECK) => Method::Mac,
        _ if mac_in(packet, a::USER_NAME).is_some() => Method::Mac,
        _ => Method::Login,
    }
}

/// The MAC address in a text attribute. Called-Station-Id may carry more after a colon
/// (RFC 3580 section 3.20), so this is for the others.
pub(super) fn mac_in(packet: &Packet<'_>, kind: u8) -> Option<Mac> {
    packet.text(kind)?.parse().ok()
}

/// The device that a request is about.
pub(super) fn device(packet: &Packet<'_>) -> Option<Mac> {
    mac_in(packet, a::CALLING_STATION_ID).or_else(|| mac_in(packet, a::USER_NAME))
}

/// The port, as the responder names it.
pub(super) fn port(packet: &Packet<'_>) -> Option<String> {
    if let Some(name) = packet.first(a::NAS_PORT_ID) {
        return Some(escape(&String::from_utf8_lossy(name.value)));
    }
    Some(packet.integer(a::NAS_PORT)?.to_string())
}

/// NAS-Port and NAS-Port-Id, as far as a request has them.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub(super) struct Line {
    number: Option<u32>,
    name: Option<Vec<u8>>,
}

impl Line {
    /// Whether two requests name two ports.
    pub(super) fn differs(&self, other: &Line) -> bool {
        let number = matches!((self.number, other.number), (Some(a), Some(b)) if a != b);
        let name = matches!((&self.name, &other.name), (Some(a), Some(b)) if a != b);
        number || name
    }
}

/// The port in both of its spellings.
pub(super) fn line(packet: &Packet<'_>) -> Line {
    Line {
        number: packet.integer(a::NAS_PORT),
        name: packet
            .first(a::NAS_PORT_ID)
            .map(|found| found.value.to_vec()),
    }
}

/// Acct-Session-Id.
pub(super) fn session_id(packet: &Packet<'_>) -> Option<Vec<u8>> {
    packet
        .first(a::ACCT_SESSION_ID)
        .map(|found| found.value.to_vec())
}

/// Every value of one type.
pub(super) fn values(packet: &Packet<'_>, kind: u8) -> Vec<Vec<u8>> {
    packet.all(kind).map(|found| found.value.to_vec()).collect()
}

/// An EAP packet of a request or reply, as far as the findings look into it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Eap {
    pub(super) code: codec::Code,
    pub(super) identifier: u8,
    /// Type-Data of an Identity.
    pub(super) identity: Option<Vec<u8>>,
}

/// The EAP packet that the EAP-Message attributes carry; `None` when it does not parse.
pub(super) fn eap(packet: &Packet<'_>) -> Option<Eap> {
    let octets = packet.joined(a::EAP_MESSAGE)?;
    let eap = codec::Packet::parse(&octets).ok()?;
    Some(Eap {
        code: eap.code,
        identifier: eap.identifier,
        identity: (eap.kind == Some(codec::Type::IDENTITY)).then(|| eap.data.to_vec()),
    })
}

/// Octets, packets and time of an accounting record.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct Counts {
    pub(super) input: Option<u64>,
    pub(super) output: Option<u64>,
    pub(super) packets: (Option<u32>, Option<u32>),
    /// Seconds.
    pub(super) time: Option<u32>,
}

impl Counts {
    pub(super) fn read(packet: &Packet<'_>) -> Counts {
        let wide = |low, high| {
            let low = u64::from(packet.integer(low)?);
            let high = packet.integer(high).map_or(0, u64::from);
            Some((high << 32) | low)
        };
        Counts {
            input: wide(a::ACCT_INPUT_OCTETS, a::ACCT_INPUT_GIGAWORDS),
            output: wide(a::ACCT_OUTPUT_OCTETS, a::ACCT_OUTPUT_GIGAWORDS),
            packets: (
                packet.integer(a::ACCT_INPUT_PACKETS),
                packet.integer(a::ACCT_OUTPUT_PACKETS),
            ),
            time: packet.integer(a::ACCT_SESSION_TIME),
        }
    }
}

/// Event-Timestamp (RFC 2869 section 5.3).
pub(super) fn stamp(packet: &Packet<'_>) -> Option<Timestamp> {
    Timestamp::from_second(packet.integer(a::EVENT_TIMESTAMP)?.into()).ok()
}

/// When a record was made: by Event-Timestamp, or by Acct-Delay-Time, or as it arrived.
pub(super) fn made(packet: &Packet<'_>, arrived: Timestamp) -> Timestamp {
    if let Some(stamp) = stamp(packet) {
        return stamp;
    }
    let delay = packet.integer(a::ACCT_DELAY_TIME).unwrap_or(0);
    arrived
        .saturating_sub(SignedDuration::from_secs(delay.into()))
        .unwrap_or(arrived)
}

/// Text of an attribute for people, in quotes.
pub(super) fn shown(packet: &Packet<'_>, kind: u8) -> String {
    packet
        .first(kind)
        .map_or_else(|| "nothing".to_owned(), |found| quoted(found.value))
}

/// Octets as text for people, in quotes, cut at 40 characters.
pub(super) fn quoted(octets: &[u8]) -> String {
    const MOST: usize = 40;
    let text = escape(&String::from_utf8_lossy(octets));
    if text.chars().count() <= MOST {
        return format!("'{text}'");
    }
    let start: String = text.chars().take(MOST).collect();
    format!("'{start}…'")
}

/// Registered name of an attribute.
pub(super) fn name(kind: u8) -> String {
    a::name(kind).map_or_else(|| format!("attribute {kind}"), str::to_owned)
}

/// Time from one moment to another; zero when it went back.
pub(super) fn between(from: Timestamp, to: Timestamp) -> Duration {
    to.duration_since(from)
        .max(SignedDuration::ZERO)
        .unsigned_abs()
}

/// "2.1 s"
pub(super) fn seconds(time: Duration) -> String {
    format!("{:.1} s", time.as_secs_f64())
}
