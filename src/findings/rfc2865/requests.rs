//! How Access-Requests are made and transmitted.

use crate::findings::facts::SwitchFacts;
use crate::findings::finding::PacketRef;
use crate::findings::read::{self, Method, seconds};
use crate::findings::rule::{Check, Remark, Rule, Severity, rfc, rfc_from_memory, when};
use crate::findings::seen::{Asked, Packeted, Sent, Stray};
use crate::journal::Link;
use crate::wire::registry::attributes as a;

pub(in crate::findings) const REQUESTS: &[Rule] = &[
    Rule {
        id: "rfc2865-malformed",
        source: rfc(2865, "3"),
        severity: Severity::Breach,
        title: "a datagram is not a RADIUS packet",
        why: "Servers drop it in silence: the port waits for its timeout and treats the server as dead.",
        remedy: "Capture it and report it to the switch's maker; look for a device that changes packets on the way.",
        check: Check::Stray(malformed),
    },
    Rule {
        id: "rfc2865-wrong-port",
        source: rfc(2865, "3"),
        severity: Severity::Weakness,
        title: "requests go to the port of the other service",
        why: "Nothing answers there, so no device is let in or no session is recorded.",
        remedy: "Set the authentication port to 1812 and the accounting port to 1813, or to those of the bench file.",
        check: Check::Stray(wrong_port),
    },
    Rule {
        id: "rfc2865-empty-attribute",
        source: rfc_from_memory(2865, "5"),
        severity: Severity::Breach,
        title: "an attribute has no value",
        why: "Servers may drop the packet or take the empty text for a name, and rules that test for presence go wrong.",
        remedy: "Give the setting behind the attribute a value, or switch the attribute off.",
        check: Check::Packet(empty_attribute),
    },
    Rule {
        id: "rfc2865-repeated-attribute",
        source: rfc_from_memory(2865, "5.44"),
        severity: Severity::Breach,
        title: "an attribute that may stand once stands more often",
        why: "Servers differ in which one they take, so the same port gets different answers from different servers.",
        remedy: "Look for an attribute that is configured by hand and sent by the switch as well.",
        check: Check::Packet(repeated_attribute),
    },
    Rule {
        id: "rfc2865-misplaced-attribute",
        source: rfc_from_memory(2865, "5.44"),
        severity: Severity::Weakness,
        title: "an Access-Request carries what only answers carry",
        why: "A server may take it for a hint and grant what the switch asked for, or drop the request.",
        remedy: "Take the attribute out of the list that the switch adds to its requests.",
        check: Check::Asked(misplaced_attribute),
    },
    Rule {
        id: "rfc2865-no-nas-identity",
        source: rfc_from_memory(2865, "4.1"),
        severity: Severity::Breach,
        title: "no NAS-IP-Address, NAS-IPv6-Address or NAS-Identifier",
        why: "Policies that tell sites or switches apart have nothing to go by, and a change cannot name the switch.",
        remedy: "Set a source interface or a NAS identifier for RADIUS on the switch.",
        check: Check::Asked(no_nas_identity),
    },
    Rule {
        id: "rfc2865-no-user-name",
        source: rfc_from_memory(2865, "5.1"),
        severity: Severity::Weakness,
        title: "an Access-Request has no User-Name",
        why: "Most servers find neither person nor device without it.",
        remedy: "Set the form of the user name for this method; for MAC authentication it is the device's address.",
        check: Check::Asked(no_user_name),
    },
    Rule {
        id: "rfc2865-both-passwords",
        source: rfc(2865, "4.1"),
        severity: Severity::Breach,
        title: "User-Password and CHAP-Password in one request",
        why: "Servers drop it or check only one of them.",
        remedy: "Choose one protocol, PAP or CHAP, for the port's login.",
        check: Check::Asked(both_passwords),
    },
    Rule {
        id: "rfc2865-no-credentials",
        source: rfc(2865, "4.1"),
        severity: Severity::Breach,
        title: "an Access-Request without password, State or EAP-Message",
        why: "Strict servers drop it: MAC authentication then works on one server and not on another.",
        remedy: "Let MAC authentication send a password; the address again is usual.",
        check: Check::Asked(no_credentials),
    },
    Rule {
        id: "rfc2865-identifier-unchanged",
        source: rfc_from_memory(2865, "4.1"),
        severity: Severity::Breach,
        title: "a new request has the Identifier of the request before it",
        why: "A server may take it for a repetition and answer with what it said about another device.",
        remedy: "Report it to the switch's maker: the Identifier must change with every new request.",
        check: Check::Sent(identifier_unchanged),
    },
    Rule {
        id: "rfc2865-repeated-with-new-identifier",
        source: rfc_from_memory(2865, "2.5"),
        severity: Severity::Breach,
        title: "a repetition has a new Identifier",
        why: "The server cannot see that it is one: it decides twice, and counts two sessions or two failed logins.",
        remedy: "Report it to the switch's maker: the same content goes out with the same Identifier.",
        check: Check::Sent(repeated_with_new_identifier),
    },
    Rule {
        id: "rfc2865-repeated-with-new-authenticator",
        source: rfc_from_memory(2865, "2.5"),
        severity: Severity::Breach,
        title: "a repetition has the same Identifier and a new Request Authenticator",
        why: "The server forgets the answer that is on its way, whose authenticator the switch then refuses: the login fails under load.",
        remedy: "Report it to the switch's maker: the same content goes out with the same authenticator.",
        check: Check::Sent(repeated_with_new_authenticator),
    },
    Rule {
        id: "rfc2865-authenticator-reused",
        source: rfc_from_memory(2865, "3"),
        severity: Severity::Breach,
        title: "a Request Authenticator is used a second time",
        why: "Two passwords hidden with it can be read against each other, and an old answer can be played back.",
        remedy: "Update the switch; if it stays, report it to its maker and keep RADIUS on a protected network.",
        check: Check::Sent(authenticator_reused),
    },
    Rule {
        id: "rfc2865-authenticator-predictable",
        source: rfc_from_memory(2865, "3"),
        severity: Severity::Breach,
        title: "Request Authenticators are not random",
        why: "Who can guess the next one can prepare a forged accept for this port.",
        remedy: "Update the switch; if it stays, report it to its maker and keep RADIUS on a protected network.",
        check: Check::Sent(authenticator_predictable),
    },
    Rule {
        id: "rfc2865-state-not-echoed",
        source: rfc_from_memory(2865, "5.24"),
        severity: Severity::Breach,
        title: "State does not come back as it was given",
        why: "The server cannot join the steps of a login, so 802.1X or a re-authentication fails or starts over.",
        remedy: "Look for a proxy that drops State; else report it to the switch's maker.",
        check: Check::Asked(state_not_echoed),
    },
    Rule {
        id: "rfc2865-state-unasked",
        source: rfc_from_memory(2865, "5.24"),
        severity: Severity::Weakness,
        title: "a State that the server never gave",
        why: "The server looks for a login that is not there and may drop the request.",
        remedy: "Report it to the switch's maker, unless another server gave that State.",
        check: Check::Asked(state_unasked),
    },
    Rule {
        id: "rfc2865-proxy-state-invented",
        source: rfc_from_memory(2865, "5.33"),
        severity: Severity::Weakness,
        title: "a switch sends Proxy-State",
        why: "Only proxies add it: either the packet came through a proxy that nobody planned, or the switch makes it up.",
        remedy: "Look for a proxy between switch and server, and declare it.",
        check: Check::Asked(proxy_state_invented),
    },
    Rule {
        id: "rfc2865-framed-mtu-range",
        source: rfc_from_memory(2865, "5.12"),
        severity: Severity::Breach,
        title: "Framed-MTU is outside 64 to 65535",
        why: "The server cuts EAP packets to it: certificates then need hundreds of round trips, or do not arrive.",
        remedy: "Set the MTU that the switch announces to that of the port, 1500 on Ethernet.",
        check: Check::Asked(framed_mtu_range),
    },
    Rule {
        id: "rfc2865-short-secret",
        source: rfc(2865, "3"),
        severity: Severity::Weakness,
        title: "a shared secret has fewer than 16 octets",
        why: "Who records one exchange can try out short secrets offline, and then forge accepts and read passwords.",
        remedy: "Make secrets of 16 random characters or more, one for each switch.",
        check: Check::Switch(short_secret),
    },
];

/// Attributes of an Access-Request that may stand once. Those of the table that no switch port
/// sends are left out.
const ONCE: [u8; 18] = [
    a::USER_NAME,
    a::USER_PASSWORD,
    a::CHAP_PASSWORD,
    a::NAS_IP_ADDRESS,
    a::NAS_PORT,
    a::SERVICE_TYPE,
    a::FRAMED_IP_ADDRESS,
    a::FRAMED_MTU,
    a::STATE,
    a::CALLED_STATION_ID,
    a::CALLING_STATION_ID,
    a::NAS_IDENTIFIER,
    a::CHAP_CHALLENGE,
    a::NAS_PORT_TYPE,
    a::NAS_PORT_ID,
    a::NAS_IPV6_ADDRESS,
    a::ACCT_SESSION_ID,
    a::MESSAGE_AUTHENTICATOR,
];

/// Attributes that an Access-Request never carries.
const ANSWERS_ONLY: [u8; 6] = [
    a::FILTER_ID,
    a::REPLY_MESSAGE,
    a::CLASS,
    a::SESSION_TIMEOUT,
    a::IDLE_TIMEOUT,
    a::TERMINATION_ACTION,
];

fn malformed(stray: &Stray<'_>) -> Option<Remark> {
    when(
        matches!(stray.verdict, "dropped-malformed" | "dropped-oversized"),
        || stray.reason.to_owned(),
    )
}

fn wrong_port(stray: &Stray<'_>) -> Option<Remark> {
    when(stray.verdict == "dropped-wrong-port", || {
        stray.reason.to_owned()
    })
}

fn empty_attribute(packeted: &Packeted<'_>) -> Option<Remark> {
    let empty = packeted
        .packet
        .attributes()
        .find(|attribute| attribute.value.is_empty())?;
    Some(Remark::new(format!("{} is empty", read::name(empty.kind))))
}

fn repeated_attribute(packeted: &Packeted<'_>) -> Option<Remark> {
    let packet = packeted.packet;
    let kind = ONCE.into_iter().find(|kind| packet.count(*kind) > 1)?;
    Some(Remark::new(format!(
        "{} stands {} times",
        read::name(kind),
        packet.count(kind)
    )))
}

fn misplaced_attribute(asked: &Asked<'_>) -> Option<Remark> {
    let kind = ANSWERS_ONLY
        .into_iter()
        .find(|kind| asked.packet.first(*kind).is_some())?;
    Some(Remark::new(format!(
        "{} in an Access-Request",
        read::name(kind)
    )))
}

fn no_nas_identity(asked: &Asked<'_>) -> Option<Remark> {
    let named = [a::NAS_IP_ADDRESS, a::NAS_IPV6_ADDRESS, a::NAS_IDENTIFIER]
        .into_iter()
        .any(|kind| asked.packet.first(kind).is_some());
    when(!named, || {
        "none of NAS-IP-Address, NAS-IPv6-Address, NAS-Identifier".to_owned()
    })
}

fn no_user_name(asked: &Asked<'_>) -> Option<Remark> {
    when(asked.packet.first(a::USER_NAME).is_none(), || {
        "no User-Name".to_owned()
    })
}

fn both_passwords(asked: &Asked<'_>) -> Option<Remark> {
    let has = |kind| asked.packet.first(kind).is_some();
    when(has(a::USER_PASSWORD) && has(a::CHAP_PASSWORD), || {
        "User-Password and CHAP-Password".to_owned()
    })
}

fn no_credentials(asked: &Asked<'_>) -> Option<Remark> {
    let proves = [a::USER_PASSWORD, a::CHAP_PASSWORD, a::STATE, a::EAP_MESSAGE]
        .into_iter()
        .any(|kind| asked.packet.first(kind).is_some());
    when(!proves, || {
        "no User-Password, CHAP-Password, State or EAP-Message".to_owned()
    })
}

fn identifier_unchanged(sent: &Sent<'_>) -> Option<Remark> {
    let earlier = sent.identifier.filter(|earlier| earlier.requests == 1)?;
    let what = format!(
        "Identifier {} again after {}, with other content",
        sent.packet.identifier(),
        seconds(earlier.after)
    );
    Some(Remark::new(what).beside(earlier.packet))
}

fn repeated_with_new_identifier(sent: &Sent<'_>) -> Option<Remark> {
    let repeat = sent.repeat.as_ref()?;
    if !repeat.new_identifier || repeat.new_delay {
        return None;
    }
    let what = format!(
        "the same {} after {} with Identifier {}",
        sent.packet.code(),
        seconds(repeat.whole),
        sent.packet.identifier()
    );
    Some(Remark::new(what).beside(repeat.first))
}

fn repeated_with_new_authenticator(sent: &Sent<'_>) -> Option<Remark> {
    let repeat = sent.repeat.as_ref()?;
    if repeat.new_identifier || !repeat.new_authenticator || sent.link != Link::Authentication {
        return None;
    }
    let what = format!(
        "the same {} after {} with another Request Authenticator",
        sent.packet.code(),
        seconds(repeat.whole)
    );
    Some(Remark::new(what).beside(repeat.first))
}

fn authenticator_reused(sent: &Sent<'_>) -> Option<Remark> {
    let earlier = sent.authenticator?;
    Some(Remark::new("the Request Authenticator of an earlier request").beside(earlier))
}

fn authenticator_predictable(sent: &Sent<'_>) -> Option<Remark> {
    let alike = sent.alike?;
    Some(Remark::new(if alike == 16 {
        "16 octets, all the same".to_owned()
    } else {
        format!("{alike} of 16 octets are those of the request before")
    }))
}

fn state_not_echoed(asked: &Asked<'_>) -> Option<Remark> {
    let (given, from) = awaited_state(asked)?;
    let came = asked.packet.first(a::STATE);
    if came.is_some_and(|state| state.value == given) {
        return None;
    }
    let what = match came {
        None => "State did not come back",
        Some(_) => "another State came back",
    };
    Some(Remark::new(what).beside(from))
}

/// The State that this request must bring, and the packet that gave it.
fn awaited_state<'a>(asked: &'a Asked<'_>) -> Option<(&'a [u8], PacketRef)> {
    if let Some(challenge) = asked.seat.and_then(|seat| seat.challenge.as_ref()) {
        // An Identity begins anew; anything else with the right identifier answers.
        let eap = asked.eap.as_ref()?;
        let answers = eap.identity.is_none() && challenge.eap == Some(eap.identifier);
        let state = challenge.state.as_deref().filter(|_| answers)?;
        return Some((state, challenge.moment.packet));
    }
    // The first request of a re-authentication by Termination-Action RADIUS-Request.
    let accept = asked.track?.accept.as_ref()?;
    let time = accept
        .granted
        .session_timeout
        .filter(|_| accept.granted.again)?;
    let due = accept.moment.ago(asked.at).as_secs_f64() >= 0.9 * f64::from(time);
    let state = accept.granted.state.as_deref().filter(|_| due)?;
    (asked.method != Method::AuthorizeOnly).then_some((state, accept.moment.packet))
}

fn state_unasked(asked: &Asked<'_>) -> Option<Remark> {
    when(
        asked.state_given == Some(false) && awaited_state(asked).is_none(),
        || "State that nobody gave".to_owned(),
    )
}

fn proxy_state_invented(asked: &Asked<'_>) -> Option<Remark> {
    when(asked.packet.first(a::PROXY_STATE).is_some(), || {
        "Proxy-State in a request from the switch's own address".to_owned()
    })
}

fn framed_mtu_range(asked: &Asked<'_>) -> Option<Remark> {
    let mtu = asked.packet.integer(a::FRAMED_MTU)?;
    when(!(64..=65_535).contains(&mtu), || {
        format!("Framed-MTU {mtu}")
    })
}

fn short_secret(facts: &SwitchFacts) -> Option<Remark> {
    const LEAST: usize = 16;
    let lengths = [facts.secret.len(), facts.change_secret.len()];
    let shortest = lengths.into_iter().min()?;
    when(shortest < LEAST, || {
        format!("{shortest} octets, {LEAST} are the least")
    })
}
