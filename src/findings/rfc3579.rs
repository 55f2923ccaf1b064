//! RFC 3579: EAP over RADIUS.

use super::read::{self, Method};
use super::rule::{Check, Remark, Rule, Severity, rfc, rfc_from_memory, when};
use super::seen::{Asked, Reported, Status, Stray};
use super::tracks::Flaw;
use crate::eap::codec;
use crate::wire::registry::attributes as a;

pub(super) const RULES: &[Rule] = &[
    Rule {
        id: "rfc3579-no-message-authenticator",
        source: rfc(3579, "3.2"),
        severity: Severity::Breach,
        title: "EAP-Message without Message-Authenticator",
        why: "Servers must drop it: 802.1X does not work on this port.",
        remedy: "Update the switch.",
        check: Check::Asked(no_message_authenticator),
    },
    Rule {
        id: "rfc3579-wrong-message-authenticator",
        source: rfc(3579, "3.2"),
        severity: Severity::Breach,
        title: "a request has a wrong Message-Authenticator",
        why: "Servers drop it in silence, and the port treats them as dead.",
        remedy: "Set the same secret on both sides; else look for a device that changes packets, or update the switch.",
        check: Check::Stray(wrong_message_authenticator),
    },
    Rule {
        id: "rfc3579-took-unsealed-accept",
        source: rfc(3579, "3.2"),
        severity: Severity::Breach,
        title: "an accept with a wrong Message-Authenticator, or EAP without one, was acted on",
        why: "The one proof that an answer is the server's is not looked at: accepts for this port can be forged.",
        remedy: "Update the switch; do not ship this configuration on it before that.",
        check: Check::Reported(took_unsealed_accept),
    },
    Rule {
        id: "rfc3579-eap-split",
        source: rfc_from_memory(3579, "3.1"),
        severity: Severity::Breach,
        title: "the EAP-Message attributes do not stand together, or are cut short",
        why: "Servers join them in another order or only the first ones: certificates arrive garbled.",
        remedy: "Update the switch; a smaller EAP fragment size on the server may hide it.",
        check: Check::Asked(eap_split),
    },
    Rule {
        id: "rfc3579-eap-length",
        source: rfc_from_memory(3579, "3.1"),
        severity: Severity::Breach,
        title: "EAP-Message does not hold one EAP packet of its own length",
        why: "Servers drop it or the login fails without a word.",
        remedy: "Look for padding that the port takes over from short frames; update the switch.",
        check: Check::Asked(eap_length),
    },
    Rule {
        id: "rfc3579-user-name",
        source: rfc_from_memory(3579, "2.1"),
        severity: Severity::Breach,
        title: "User-Name is not what the device said in its EAP identity",
        why: "Servers and proxies choose by User-Name: the login goes to the wrong place.",
        remedy: "Look for a setting that strips or adds a domain on the switch, and turn it off.",
        check: Check::Asked(user_name),
    },
    Rule {
        id: "rfc3579-password-beside-eap",
        source: rfc_from_memory(3579, "3.3"),
        severity: Severity::Breach,
        title: "a password beside EAP-Message",
        why: "Servers drop the request, or check the password in place of the EAP method.",
        remedy: "Report it to the switch's maker.",
        check: Check::Asked(password_beside_eap),
    },
    Rule {
        id: "rfc3579-no-framed-mtu",
        source: rfc_from_memory(3579, "2.4"),
        severity: Severity::Weakness,
        title: "EAP without Framed-MTU",
        why: "The server guesses how large EAP packets may be; where it guesses too high, logins with certificates hang.",
        remedy: "Let the switch send Framed-MTU, or set the server's EAP fragment size to fit its link.",
        check: Check::Asked(no_framed_mtu),
    },
];

fn no_message_authenticator(asked: &Asked<'_>) -> Option<Remark> {
    let missing = asked.packet.first(a::MESSAGE_AUTHENTICATOR).is_none();
    when(asked.method == Method::Eap && missing, || {
        "EAP-Message and no Message-Authenticator".to_owned()
    })
}

fn wrong_message_authenticator(stray: &Stray<'_>) -> Option<Remark> {
    let request = stray
        .packet
        .is_some_and(|packet| !packet.code().is_response());
    when(
        request && stray.verdict == "dropped-bad-message-authenticator",
        || "the secret differs, or the packet was altered".to_owned(),
    )
}

fn took_unsealed_accept(reported: &Reported<'_>) -> Option<Remark> {
    let accept = reported.granted_track()?.accept.as_ref()?;
    let acts = reported.status == Status::Start && accept.flaw == Some(Flaw::Seal);
    acts.then(|| {
        Remark::new("a Start for an accept that had to be dropped").beside(accept.moment.packet)
    })
}

fn eap_split(asked: &Asked<'_>) -> Option<Remark> {
    const FULL: usize = 253;
    let parts: Vec<(usize, usize)> = asked
        .packet
        .attributes()
        .enumerate()
        .filter(|(_, attribute)| attribute.kind == a::EAP_MESSAGE)
        .map(|(at, attribute)| (at, attribute.value.len()))
        .collect();
    let apart = parts
        .windows(2)
        .any(|pair| matches!(pair, [(first, _), (second, _)] if second - first != 1));
    if apart {
        return Some(Remark::new(
            "other attributes stand between the EAP-Message attributes",
        ));
    }
    let (_, but_last) = parts.split_last()?;
    let short = but_last.iter().find(|(_, length)| *length < FULL)?;
    Some(Remark::new(format!(
        "an EAP-Message of {} octets that is not the last",
        short.1
    )))
}

fn eap_length(asked: &Asked<'_>) -> Option<Remark> {
    let octets = asked.packet.joined(a::EAP_MESSAGE)?;
    // An empty EAP-Message asks the server to begin (RFC 3579 section 2.1, from memory).
    if octets.is_empty() {
        return None;
    }
    if let Err(error) = codec::Packet::parse(&octets) {
        return Some(Remark::new(error.to_string()));
    }
    let said = match *octets.as_slice() {
        [_, _, high, low, ..] => usize::from(u16::from_be_bytes([high, low])),
        _ => return None,
    };
    when(said != octets.len(), || {
        format!("{} octets, the EAP packet has {said}", octets.len())
    })
}

fn user_name(asked: &Asked<'_>) -> Option<Remark> {
    let eap = asked.eap.as_ref()?;
    let name = asked.packet.first(a::USER_NAME)?.value;
    let (identity, before) = match &eap.identity {
        Some(identity) => (identity, None),
        None => {
            let (moment, identity) = asked.seat?.identity.as_ref()?;
            // Answers a challenge of that login, or there is nothing to hold it against.
            asked.seat?.challenge.as_ref()?;
            (identity, Some(moment.packet))
        }
    };
    if eap.code != codec::Code::Response || identity.as_slice() == name || identity.is_empty() {
        return None;
    }
    let what = format!(
        "User-Name {}, identity {}",
        read::quoted(name),
        read::quoted(identity)
    );
    let remark = Remark::new(what);
    Some(match before {
        Some(packet) => remark.beside(packet),
        None => remark,
    })
}

fn password_beside_eap(asked: &Asked<'_>) -> Option<Remark> {
    let has = |kind| asked.packet.first(kind).is_some();
    when(
        asked.method == Method::Eap && (has(a::USER_PASSWORD) || has(a::CHAP_PASSWORD)),
        || "EAP-Message and a password".to_owned(),
    )
}

fn no_framed_mtu(asked: &Asked<'_>) -> Option<Remark> {
    let missing = asked.packet.first(a::FRAMED_MTU).is_none();
    when(asked.method == Method::Eap && missing, || {
        "EAP-Message and no Framed-MTU".to_owned()
    })
}
