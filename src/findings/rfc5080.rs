//! RFC 5080: common implementation issues.

use std::time::Duration;

use super::read::{Method, seconds};
use super::rule::{Check, Remark, Rule, Severity, rfc, rfc_from_memory, when};
use super::seen::{Asked, Repeat, Sent};
use crate::journal::Link;
use crate::wire::registry::attributes as a;

pub(super) const RULES: &[Rule] = &[
    Rule {
        id: "rfc5080-no-message-authenticator",
        source: rfc_from_memory(5080, "2.2.2"),
        severity: Severity::Weakness,
        title: "an Access-Request without Message-Authenticator",
        why: "Its answer can be forged by whoever sits on the path (the 2024 attack on MD5): any device gets any VLAN.",
        remedy: "Turn on Message-Authenticator for all Access-Requests; update the switch where it cannot.",
        check: Check::Asked(no_message_authenticator),
    },
    Rule {
        id: "rfc5080-too-fast",
        source: rfc(5080, "2.2.1"),
        severity: Severity::Weakness,
        title: "a request is repeated too soon",
        why: "When a site comes back after a power cut, hundreds of ports at this pace keep the server from answering any.",
        remedy: "Set the RADIUS timeout of the switch to 2 s or more.",
        check: Check::Sent(too_fast),
    },
    Rule {
        id: "rfc5080-no-back-off",
        source: rfc(5080, "2.2.1"),
        severity: Severity::Weakness,
        title: "waits between repetitions do not grow",
        why: "Fixed timers keep an overloaded server overloaded.",
        remedy: "Choose exponential timers where the switch has them; else a longer timeout with fewer tries.",
        check: Check::Sent(no_back_off),
    },
    Rule {
        id: "rfc5080-no-jitter",
        source: rfc(5080, "2.2.1"),
        severity: Severity::Note,
        title: "waits before the first repetition are all alike",
        why: "Ports that lost power together ask again together, in waves.",
        remedy: "Nothing to set on most switches; spread the load over several servers.",
        check: Check::Sent(no_jitter),
    },
    Rule {
        id: "rfc5080-never-gives-up",
        source: rfc(5080, "2.2.1"),
        severity: Severity::Weakness,
        title: "an Access-Request is repeated for more than 40 s or eight times",
        why: "The device waits, and the port does not reach its next method, its next server or its critical VLAN.",
        remedy: "Set fewer tries, so that all of them end within 30 s.",
        check: Check::Sent(never_gives_up),
    },
    Rule {
        id: "rfc5080-identifier-reused",
        source: rfc(5080, "2.2.2"),
        severity: Severity::Weakness,
        title: "an Identifier is used again within 5 s",
        why: "Servers keep answers for 5 s at the least: under load one device gets the answer of another dropped.",
        remedy: "Let the switch use more source ports, or count its Identifiers through all 256.",
        check: Check::Sent(identifier_reused),
    },
];

/// IRT less its random part, and less what the way may add to the wait before.
const LEAST_WAIT: Duration = Duration::from_millis(1500);
/// Waits near MRT, 16 s, stop growing.
const LONGEST_WAIT: Duration = Duration::from_secs(12);
/// The least growth from one wait to the next; 1.9 by the RFC, less where transmissions got lost.
const LEAST_GROWTH: f64 = 1.1;
/// MRD and a third.
const LONGEST: Duration = Duration::from_secs(40);
/// More transmissions than MRC allows.
const TOO_MANY: usize = 8;
/// The shortest life of a duplicate cache.
const CACHE_LIFE: Duration = Duration::from_secs(5);
/// Spread of waits below which they are no chance, as a part of them.
const NO_SPREAD: f64 = 0.02;

fn no_message_authenticator(asked: &Asked<'_>) -> Option<Remark> {
    let missing = asked.packet.first(a::MESSAGE_AUTHENTICATOR).is_none();
    // With EAP it is a breach of RFC 3579.
    when(missing && asked.method != Method::Eap, || {
        "no Message-Authenticator".to_owned()
    })
}

fn too_fast(sent: &Sent<'_>) -> Option<Remark> {
    let repeat = sent.repeat.as_ref()?;
    let wait = *repeat.gaps.last()?;
    (wait < LEAST_WAIT)
        .then(|| Remark::new(format!("again after {}", seconds(wait))).beside(repeat.first))
}

fn no_back_off(sent: &Sent<'_>) -> Option<Remark> {
    let repeat = sent.repeat.as_ref()?;
    let [.., before, last] = *repeat.gaps.as_slice() else {
        return None;
    };
    let grows = last.as_secs_f64() >= before.as_secs_f64() * LEAST_GROWTH;
    (!grows && last < LONGEST_WAIT).then(|| {
        let what = format!("waited {} and then {}", seconds(before), seconds(last));
        Remark::new(what).beside(repeat.first)
    })
}

fn no_jitter(sent: &Sent<'_>) -> Option<Remark> {
    let waits = sent.pace.as_deref()?;
    let least = waits.iter().min()?.as_secs_f64();
    let most = waits.iter().max()?.as_secs_f64();
    when(most - least < least * NO_SPREAD, || {
        format!("{} waits from {least:.2} s to {most:.2} s", waits.len())
    })
}

fn never_gives_up(sent: &Sent<'_>) -> Option<Remark> {
    let repeat = sent
        .repeat
        .as_ref()
        .filter(|_| sent.link == Link::Authentication)?;
    let times = transmissions(repeat);
    (repeat.whole > LONGEST || times > TOO_MANY).then(|| {
        let what = format!("{times} transmissions in {}", seconds(repeat.whole));
        Remark::new(what).beside(repeat.first)
    })
}

fn transmissions(repeat: &Repeat) -> usize {
    repeat.gaps.len() + 1
}

fn identifier_reused(sent: &Sent<'_>) -> Option<Remark> {
    let earlier = sent
        .identifier
        .filter(|earlier| earlier.requests > 1 && earlier.after < CACHE_LIFE)?;
    let what = format!(
        "Identifier {} again after {}, {} requests later",
        sent.packet.identifier(),
        seconds(earlier.after),
        earlier.requests
    );
    Some(Remark::new(what).beside(earlier.packet))
}
