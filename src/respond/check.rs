//! What every datagram must pass before anything is decided about it.

use std::net::IpAddr;

use super::arrival::{Arrival, Dropped, Request};
use super::verdict::Silence;
use crate::bench::Switch;
use crate::journal::Link;
use crate::wire::registry::attributes;
use crate::wire::sign::{self, MessageAuthenticator};
use crate::wire::{Code, Malformed, Packet};

/// Checks a datagram of a declared switch: framing, code and socket, authenticators.
pub(super) fn check<'a>(arrival: Arrival<'a>, switch: &'a Switch) -> Result<Request<'a>, Dropped> {
    let packet = Packet::parse(arrival.datagram).map_err(malformed)?;
    check_code(arrival.link, packet.code())?;
    check_accounting_authenticator(&packet, switch)?;
    check_message_authenticator(&packet, switch)?;
    Ok(Request::new(arrival, switch, packet))
}

/// A datagram of nobody that the bench declares (RFC 2865 section 3: silently discarded).
pub(super) fn unknown_switch(address: IpAddr) -> Dropped {
    Dropped::new(
        Silence::UnknownSwitch,
        format!("{address} is no declared switch: add it to the bench file, with its secret"),
    )
}

fn malformed(error: Malformed) -> Dropped {
    let (silence, breach) = match error {
        Malformed::LengthTooLarge(_) => (Silence::Oversized, "RFC 2865 section 3"),
        Malformed::AttributeLength { .. } | Malformed::LoneOctet(_) => {
            (Silence::Malformed, "RFC 2865 section 5")
        }
        _ => (Silence::Malformed, "RFC 2865 section 3"),
    };
    Dropped::new(silence, error.to_string()).breaking(breach)
}

fn check_code(link: Link, code: Code) -> Result<(), Dropped> {
    let wanted = match code {
        Code::STATUS_SERVER if matches!(link, Link::Authentication | Link::Accounting) => {
            return Ok(());
        }
        Code::ACCESS_REQUEST => Link::Authentication,
        Code::ACCOUNTING_REQUEST => Link::Accounting,
        Code::COA_REQUEST | Code::DISCONNECT_REQUEST => Link::Change,
        code if code.is_response() => {
            return Err(Dropped::new(
                Silence::NotARequest,
                format!("{code} is a response, and nothing was asked here"),
            ));
        }
        code => {
            return Err(Dropped::new(
                Silence::UnknownCode,
                format!("{code} is none of the requests that are answered here"),
            ));
        }
    };
    if wanted == link && link != Link::Change {
        return Ok(());
    }
    let remedy = match wanted {
        Link::Authentication => "set the switch's authentication port to this one's neighbour",
        Link::Accounting => "set the switch's accounting port to this one's neighbour",
        _ => "changes go from the bench to the switch",
    };
    Err(Dropped::new(
        Silence::WrongPort,
        format!("{code} arrived on the {} port: {remedy}", link.word()),
    ))
}

fn check_accounting_authenticator(packet: &Packet<'_>, switch: &Switch) -> Result<(), Dropped> {
    if packet.code() == Code::ACCOUNTING_REQUEST
        && !sign::digested_request_is_authentic(packet, &switch.secret)
    {
        return Err(Dropped::new(
            Silence::BadAccountingAuthenticator,
            format!(
                "Request Authenticator is wrong (RFC 2866 section 3): the accounting secret of \
                 {} is not the one that the switch uses, or the packet was altered",
                switch.name
            ),
        ));
    }
    Ok(())
}

fn check_message_authenticator(packet: &Packet<'_>, switch: &Switch) -> Result<(), Dropped> {
    match sign::check_message_authenticator(packet, None, &switch.secret) {
        MessageAuthenticator::Right => Ok(()),
        MessageAuthenticator::Wrong => Err(Dropped::new(
            Silence::BadMessageAuthenticator,
            format!(
                "Message-Authenticator is wrong (RFC 3579 section 3.2): the secret of {} is not \
                 the one that the switch uses, or the packet was altered",
                switch.name
            ),
        )),
        MessageAuthenticator::Absent => check_absence(packet, switch),
    }
}

fn check_absence(packet: &Packet<'_>, switch: &Switch) -> Result<(), Dropped> {
    let missing = |reason: &'static str| Dropped::new(Silence::MissingMessageAuthenticator, reason);
    match packet.code() {
        Code::STATUS_SERVER => Err(missing("a Status-Server must carry Message-Authenticator")
            .breaking("RFC 5997 section 3")),
        Code::ACCESS_REQUEST if packet.first(attributes::EAP_MESSAGE).is_some() => Err(missing(
            "an Access-Request with EAP-Message must carry Message-Authenticator",
        )
        .breaking("RFC 3579 section 3.2")),
        Code::ACCESS_REQUEST if switch.require_message_authenticator => Err(missing(
            "the Access-Request has no Message-Authenticator, so its answer could be forged: \
             turn it on at the switch, or let the switch's entry say that it is not required",
        )),
        _ => Ok(()),
    }
}
