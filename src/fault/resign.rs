//! Writing a packet that leaves anew, with something wrong in it.

use super::model::FaultKind;
use crate::wire::registry::attributes as a;
use crate::wire::vlan::tunnel_vlan;
use crate::wire::{AttributeBuf, BuildError, Builder, Code, Packet, Secret, sign};

/// Type 192 is the first of those for experimental use (RFC 3575 section 2.1).
const UNKNOWN: u8 = 192;
/// A stale change is this much older than it should be, seconds; the default window is 300 s
/// (RFC 5176 section 6.3).
const STALE: u32 = 3600;
/// Octets put behind an oversized packet: more than the most that a packet may have.
const OVERSIZE: usize = 4100;

/// The spoilt octets; `None` when this kind does not touch octets or the packet can't carry it.
/// `request` is the authenticator of the request that a reply answers.
pub(super) fn spoil(
    kind: &FaultKind,
    packet: &Packet<'_>,
    request: Option<&[u8; 16]>,
    secret: &Secret,
) -> Option<Vec<u8>> {
    let again = Again {
        packet,
        request,
        secret,
    };
    match kind {
        FaultKind::Corrupt => flip_last(packet.bytes()),
        FaultKind::WrongSecret => {
            let other = Secret::new([secret.bytes(), b"?"].concat());
            let again = Again {
                secret: &other,
                ..again
            };
            again.build(packet.code(), &attributes(packet))
        }
        FaultKind::WrongAuthenticator => flip(packet.bytes(), 4),
        FaultKind::WrongMessageAuthenticator => again.wrong_message_authenticator(),
        FaultKind::NoMessageAuthenticator => {
            again.build(packet.code(), &without(packet, &[a::MESSAGE_AUTHENTICATOR]))
        }
        FaultKind::Oversized => Some(oversized(packet.bytes())),
        FaultKind::UnknownAttribute => {
            let mut with = attributes(packet);
            with.push(AttributeBuf::text(UNKNOWN, "unknown"));
            again.build(packet.code(), &with)
        }
        FaultKind::WrongVlan(vlan) => {
            let mut with = without(packet, &VLAN_ATTRIBUTES);
            with.extend(tunnel_vlan(0, vlan));
            again.build(packet.code(), &with)
        }
        FaultKind::Reject => again.build(
            Code::ACCESS_REJECT,
            &keep(packet, &[a::MESSAGE_AUTHENTICATOR, a::PROXY_STATE]),
        ),
        FaultKind::StaleTimestamp => {
            let at = packet.integer(a::EVENT_TIMESTAMP)?;
            let mut with = without(packet, &[a::EVENT_TIMESTAMP]);
            with.push(AttributeBuf::integer(
                a::EVENT_TIMESTAMP,
                at.saturating_sub(STALE),
            ));
            again.build(packet.code(), &with)
        }
        FaultKind::WrongSession => {
            let mut with = without(packet, &[a::ACCT_SESSION_ID]);
            with.push(AttributeBuf::text(a::ACCT_SESSION_ID, "no-such-session"));
            again.build(packet.code(), &with)
        }
        FaultKind::Dead
        | FaultKind::Drop
        | FaultKind::Delay(_)
        | FaultKind::Duplicate
        | FaultKind::Reorder
        | FaultKind::EndlessChallenge => None,
    }
}

const VLAN_ATTRIBUTES: [u8; 4] = [
    a::TUNNEL_TYPE,
    a::TUNNEL_MEDIUM_TYPE,
    a::TUNNEL_PRIVATE_GROUP_ID,
    a::EGRESS_VLANID,
];

struct Again<'a> {
    packet: &'a Packet<'a>,
    request: Option<&'a [u8; 16]>,
    secret: &'a Secret,
}

impl Again<'_> {
    fn build(&self, code: Code, attributes: &[AttributeBuf]) -> Option<Vec<u8>> {
        let mut builder = Builder::new(code, self.packet.identifier());
        fill(&mut builder, attributes).ok()?;
        Some(if code.request_is_digested() {
            builder.finish_digested_request(self.secret)
        } else {
            builder.finish_response(self.request?, self.secret)
        })
    }

    /// Flips a bit of the Message-Authenticator and signs the rest anew around it.
    fn wrong_message_authenticator(&self) -> Option<Vec<u8>> {
        let offset = self.packet.value_offset(a::MESSAGE_AUTHENTICATOR)?;
        let mut octets = flip(self.packet.bytes(), offset)?;
        let digest = if self.packet.code().request_is_digested() {
            sign::digested_request_authenticator(&octets, self.secret)
        } else {
            sign::response_authenticator(&octets, self.request?, self.secret)
        };
        octets.get_mut(4..20)?.copy_from_slice(&digest);
        Some(octets)
    }
}

fn fill(builder: &mut Builder, attributes: &[AttributeBuf]) -> Result<(), BuildError> {
    for attribute in attributes {
        if attribute.kind == a::MESSAGE_AUTHENTICATOR {
            builder.message_authenticator()?;
        } else {
            builder.attribute(attribute)?;
        }
    }
    Ok(())
}

fn attributes(packet: &Packet<'_>) -> Vec<AttributeBuf> {
    packet.attributes().map(|one| one.to_buf()).collect()
}

fn without(packet: &Packet<'_>, kinds: &[u8]) -> Vec<AttributeBuf> {
    let mut left = attributes(packet);
    left.retain(|one| !kinds.contains(&one.kind));
    left
}

fn keep(packet: &Packet<'_>, kinds: &[u8]) -> Vec<AttributeBuf> {
    let mut left = attributes(packet);
    left.retain(|one| kinds.contains(&one.kind));
    left
}

fn flip(octets: &[u8], at: usize) -> Option<Vec<u8>> {
    let mut octets = octets.to_vec();
    *octets.get_mut(at)? ^= 1;
    Some(octets)
}

fn flip_last(octets: &[u8]) -> Option<Vec<u8>> {
    flip(octets, octets.len().checked_sub(1)?)
}

/// The packet with padding and a Length field that claims it.
fn oversized(octets: &[u8]) -> Vec<u8> {
    let mut octets = octets.to_vec();
    octets.resize(OVERSIZE, 0);
    if let Some(length) = octets.get_mut(2..4) {
        length.copy_from_slice(&(OVERSIZE as u16).to_be_bytes());
    }
    octets
}

/// The attributes of `reply` once more, as the answer to another request.
pub(super) fn as_reply_to(
    reply: &Packet<'_>,
    identifier: u8,
    request: &[u8; 16],
    secret: &Secret,
) -> Option<Vec<u8>> {
    let mut builder = Builder::new(reply.code(), identifier);
    fill(&mut builder, &attributes(reply)).ok()?;
    Some(builder.finish_response(request, secret))
}
