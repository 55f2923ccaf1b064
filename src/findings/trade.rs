//! What engineers hold to; no standard says it.

use std::net::IpAddr;

use super::facts::SwitchFacts;
use super::read::{self, Method, seconds};
use super::rule::{Check, Remark, Rule, Severity, Source, when};
use super::seen::{Asked, Reported, Status};
use super::tracks::Flaw;
use crate::wire::registry::attributes as a;

pub(super) const RULES: &[Rule] = &[
    Rule {
        id: "trade-late-message-authenticator",
        source: Source::Practice,
        severity: Severity::Note,
        title: "Message-Authenticator is not the first attribute",
        why: "After the 2024 attack on MD5 it goes first, so that nothing an attacker chooses stands before it; it shows how new the RADIUS code of the switch is.",
        remedy: "Update the switch when its maker offers it.",
        check: Check::Asked(late_message_authenticator),
    },
    Rule {
        id: "trade-took-unsealed-accept",
        source: Source::Practice,
        severity: Severity::Weakness,
        title: "an accept without Message-Authenticator was acted on",
        why: "The 2024 attack on MD5 forges such accepts: the switch should insist on the seal that it sends itself.",
        remedy: "Require Message-Authenticator in answers on the switch.",
        check: Check::Reported(took_unsealed_accept),
    },
    Rule {
        id: "trade-one-secret-for-changes",
        source: Source::Practice,
        severity: Severity::Note,
        title: "changes use the same secret as authentication",
        why: "Who learns the one can bounce every port; the two go over different paths.",
        remedy: "Set a secret of its own for changes where the switch allows it.",
        check: Check::Switch(one_secret_for_changes),
    },
    Rule {
        id: "trade-one-secret-for-switches",
        source: Source::Practice,
        severity: Severity::Weakness,
        title: "several switches share one secret",
        why: "A switch that is stolen from one site opens all sites.",
        remedy: "Make a secret for each switch.",
        check: Check::Switch(one_secret_for_switches),
    },
    Rule {
        id: "trade-no-port-number",
        source: Source::Practice,
        severity: Severity::Note,
        title: "an Access-Request without NAS-Port",
        why: "Some servers and changes know ports by number alone.",
        remedy: "Allow NAS-Port in the switch's RADIUS attributes.",
        check: Check::Asked(no_port_number),
    },
    Rule {
        id: "trade-no-port-name",
        source: Source::Practice,
        severity: Severity::Note,
        title: "an Access-Request without NAS-Port-Id",
        why: "Reports show an index that nobody finds on the front of the switch.",
        remedy: "Allow NAS-Port-Id in the switch's RADIUS attributes.",
        check: Check::Asked(no_port_name),
    },
    Rule {
        id: "trade-other-source-address",
        source: Source::Practice,
        severity: Severity::Note,
        title: "NAS-IP-Address is not the address that requests come from",
        why: "Changes go to the one and are expected at the other; a switch with several addresses looks like several.",
        remedy: "Set one source interface for RADIUS on the switch.",
        check: Check::Asked(other_source_address),
    },
    Rule {
        id: "trade-mac-before-802.1x",
        source: Source::Practice,
        severity: Severity::Weakness,
        title: "a device was let in by MAC authentication just before it spoke 802.1X",
        why: "It sits in the wrong VLAN for a moment and may keep that address; every login counts twice.",
        remedy: "Let MAC authentication wait for the 802.1X timeout, or let 802.1X go first.",
        check: Check::Asked(mac_before_dot1x),
    },
    Rule {
        id: "trade-port-limit-exceeded",
        source: Source::Practice,
        severity: Severity::Breach,
        title: "more devices run on a port than it admits",
        why: "A hub or a second device behind the port gets in with nobody having planned for it.",
        remedy: "Set the port's limit of devices, and see which mode of the port counts them.",
        check: Check::Reported(port_limit_exceeded),
    },
    Rule {
        id: "trade-no-quiet-period",
        source: Source::Practice,
        severity: Severity::Weakness,
        title: "a refused device is asked about again at once",
        why: "One unknown device keeps the server busy for ever, and fills the log.",
        remedy: "Set a quiet period of 60 s on the port (IEEE 802.1X has that as its default).",
        check: Check::Asked(no_quiet_period),
    },
    Rule {
        id: "trade-no-accounting",
        source: Source::Practice,
        severity: Severity::Note,
        title: "the switch sends no accounting at all",
        why: "Nobody sees who is connected, and a change cannot be checked.",
        remedy: "Turn on RADIUS accounting for network access.",
        check: Check::Asked(no_accounting),
    },
    Rule {
        id: "trade-no-interim",
        source: Source::Practice,
        severity: Severity::Note,
        title: "a session of more than an hour had no interim update",
        why: "Whether the device is still there shows only when it leaves.",
        remedy: "Turn on interim updates, or let the grant carry an interval.",
        check: Check::Reported(no_interim),
    },
    Rule {
        id: "trade-dead-counters",
        source: Source::Practice,
        severity: Severity::Note,
        title: "a session of more than ten minutes counted nothing",
        why: "Volumes are missing, and an idle device cannot be told from a busy one.",
        remedy: "Look for a setting that counts traffic per session; some switches count per port only.",
        check: Check::Reported(dead_counters),
    },
];

/// EAP this soon after an accept by address was under way when it was given.
const JUST: f64 = 2.0;
/// Asking again this often without a wait is no accident.
const TOO_HASTY: u32 = 2;
/// Accepts, and seconds since the first, after which accounting must have been heard.
const ACCEPTS: u32 = 3;
const SILENCE: f64 = 300.0;
const HOUR: u32 = 3600;
const TEN_MINUTES: u32 = 600;

fn late_message_authenticator(asked: &Asked<'_>) -> Option<Remark> {
    let place = asked
        .packet
        .attributes()
        .position(|attribute| attribute.kind == a::MESSAGE_AUTHENTICATOR)?;
    when(place > 0, || format!("{place} attributes stand before it"))
}

fn took_unsealed_accept(reported: &Reported<'_>) -> Option<Remark> {
    let accept = reported.granted_track()?.accept.as_ref()?;
    let acts = reported.status == Status::Start && accept.flaw == Some(Flaw::Unsealed);
    acts.then(|| {
        Remark::new("a Start for an accept without Message-Authenticator")
            .beside(accept.moment.packet)
    })
}

fn one_secret_for_changes(facts: &SwitchFacts) -> Option<Remark> {
    when(facts.secret == facts.change_secret, || {
        "one secret for both".to_owned()
    })
}

fn one_secret_for_switches(facts: &SwitchFacts) -> Option<Remark> {
    when(!facts.shared_with.is_empty(), || {
        format!("the same as {}", facts.shared_with.join(", "))
    })
}

fn no_port_number(asked: &Asked<'_>) -> Option<Remark> {
    let missing = asked.packet.first(a::NAS_PORT).is_none();
    // With neither it is a rule of RFC 2869.
    when(
        missing && asked.packet.first(a::NAS_PORT_ID).is_some(),
        || "no NAS-Port".to_owned(),
    )
}

fn no_port_name(asked: &Asked<'_>) -> Option<Remark> {
    let missing = asked.packet.first(a::NAS_PORT_ID).is_none();
    when(missing && asked.packet.first(a::NAS_PORT).is_some(), || {
        "no NAS-Port-Id".to_owned()
    })
}

fn other_source_address(asked: &Asked<'_>) -> Option<Remark> {
    let named = match asked.packet.first(a::NAS_IP_ADDRESS) {
        Some(found) => IpAddr::V4(found.ipv4()?),
        None => IpAddr::V6(asked.packet.first(a::NAS_IPV6_ADDRESS)?.ipv6()?),
    };
    let from = asked.from.ip().to_canonical();
    let comparable = named.is_ipv4() == from.is_ipv4();
    when(comparable && named != from, || {
        format!("{named} in the request, {from} on the wire")
    })
}

fn mac_before_dot1x(asked: &Asked<'_>) -> Option<Remark> {
    let let_in = asked.seat?.let_in_by_mac?;
    let after = let_in.ago(asked.at);
    let begins = asked.eap.as_ref().is_some_and(|eap| eap.identity.is_some());
    (begins && after.as_secs_f64() < JUST).then(|| {
        let what = format!("802.1X {} after the accept", seconds(after));
        Remark::new(what).beside(let_in.packet)
    })
}

fn port_limit_exceeded(reported: &Reported<'_>) -> Option<Remark> {
    let (limit, beside) = reported.crowd?;
    when(
        reported.status == Status::Start && beside >= usize::from(limit),
        || format!("{} sessions run, {limit} are allowed", beside + 1),
    )
}

fn no_quiet_period(asked: &Asked<'_>) -> Option<Remark> {
    let refusals = asked.seat?.refusals?;
    let after = refusals.last.ago(asked.at);
    let begins = match asked.method {
        Method::Eap => asked.eap.as_ref().is_some_and(|eap| eap.identity.is_some()),
        _ => true,
    };
    let hasty = refusals.hasty >= TOO_HASTY && refusals.method == asked.method;
    (begins && hasty && after.as_secs_f64() < 5.0).then(|| {
        let what = format!(
            "reject {} and again {} later",
            refusals.hasty + 1,
            seconds(after)
        );
        Remark::new(what).beside(refusals.last.packet)
    })
}

fn no_accounting(asked: &Asked<'_>) -> Option<Remark> {
    let log = asked.switch;
    let first = log.first_accept?;
    let since = first.ago(asked.at);
    let silent = log.accounting.is_none() && log.accepts >= ACCEPTS;
    (silent && since.as_secs_f64() > SILENCE).then(|| {
        let what = format!("{} accepts in {}", log.accepts, seconds(since));
        Remark::new(what).beside(first.packet)
    })
}

fn no_interim(reported: &Reported<'_>) -> Option<Remark> {
    let track = reported.track?;
    let start = track.start?;
    let granted = track
        .accept
        .as_ref()
        .is_some_and(|accept| accept.granted.interim.is_some());
    let time = reported.counts.time?;
    // Where an interval was granted it is a rule of RFC 2869.
    let none = reported.status == Status::Stop && track.interims == 0 && !granted;
    (none && time > HOUR).then(|| Remark::new(format!("{time} s without one")).beside(start.packet))
}

fn dead_counters(reported: &Reported<'_>) -> Option<Remark> {
    let counts = reported.counts;
    let time = counts.time?;
    let zero = counts.input? == 0
        && counts.output? == 0
        && counts.packets.0.unwrap_or(0) == 0
        && counts.packets.1.unwrap_or(0) == 0;
    when(
        reported.status == Status::Stop && zero && time > TEN_MINUTES,
        || {
            format!(
                "{} stands at 0 after {time} s",
                read::name(a::ACCT_INPUT_OCTETS)
            )
        },
    )
}
