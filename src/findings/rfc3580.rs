//! RFC 3580: IEEE 802.1X with RADIUS.

use super::agenda::Duty;
use super::read::{self, CALL_CHECK, Method, seconds};
use super::rule::{Check, Remark, Rule, Severity, rfc, rfc_from_memory, when};
use super::seen::{Asked, Reported, Status};
use crate::wire::registry::{attributes as a, values};
use crate::wire::vlan::VlanError;
use crate::wire::{Mac, Packet};

pub(super) const RULES: &[Rule] = &[
    Rule {
        id: "rfc3580-no-calling-station-id",
        source: rfc(3580, "3.21"),
        severity: Severity::Weakness,
        title: "an Access-Request without Calling-Station-Id",
        why: "The server does not know which device it is: no class by address, no roster, no change by address.",
        remedy: "Allow Calling-Station-Id in the switch's RADIUS attributes.",
        check: Check::Asked(no_calling_station_id),
    },
    Rule {
        id: "rfc3580-calling-station-id-no-address",
        source: rfc(3580, "3.21"),
        severity: Severity::Breach,
        title: "Calling-Station-Id is not a MAC address",
        why: "Rules by address never fit, and one device looks like another.",
        remedy: "Set Calling-Station-Id to the device's address on the switch.",
        check: Check::Asked(calling_station_id_no_address),
    },
    Rule {
        id: "rfc3580-calling-station-id-form",
        source: rfc(3580, "3.21"),
        severity: Severity::Weakness,
        title: "Calling-Station-Id is not upper case with hyphens",
        why: "Servers that compare texts know the device under two names when switches of two families meet.",
        remedy: "Set the form of the address to XX-XX-XX-XX-XX-XX on the switch.",
        check: Check::Asked(calling_station_id_form),
    },
    Rule {
        id: "rfc3580-no-called-station-id",
        source: rfc(3580, "3.20"),
        severity: Severity::Note,
        title: "an Access-Request without Called-Station-Id",
        why: "Policies that tell wired from wireless or one switch from another by it do not fit.",
        remedy: "Allow Called-Station-Id in the switch's RADIUS attributes.",
        check: Check::Asked(no_called_station_id),
    },
    Rule {
        id: "rfc3580-called-station-id-form",
        source: rfc(3580, "3.20"),
        severity: Severity::Weakness,
        title: "Called-Station-Id is not upper case with hyphens",
        why: "Servers that compare texts know the switch under two names.",
        remedy: "Set the form of the address to XX-XX-XX-XX-XX-XX on the switch.",
        check: Check::Asked(called_station_id_form),
    },
    Rule {
        id: "rfc3580-no-nas-port-type",
        source: rfc(3580, "3.23"),
        severity: Severity::Weakness,
        title: "an Access-Request without NAS-Port-Type",
        why: "Policies for wired access ask for Ethernet (15) and do not fit.",
        remedy: "Allow NAS-Port-Type in the switch's RADIUS attributes.",
        check: Check::Asked(no_nas_port_type),
    },
    Rule {
        id: "rfc3580-nas-port-type",
        source: rfc(3580, "3.23"),
        severity: Severity::Weakness,
        title: "NAS-Port-Type of a wired port is not Ethernet",
        why: "The device gets what the policy has for wireless or for modems.",
        remedy: "Set the port type to Ethernet (15).",
        check: Check::Asked(nas_port_type),
    },
    Rule {
        id: "rfc3580-service-type-mac",
        source: rfc(3580, "3.5"),
        severity: Severity::Weakness,
        title: "MAC authentication without Service-Type Call-Check",
        why: "The server cannot tell it from a login: a person may log on with an address as name and password.",
        remedy: "Set Service-Type Call-Check (10) for MAC authentication.",
        check: Check::Asked(service_type_mac),
    },
    Rule {
        id: "rfc3580-service-type-eap",
        source: rfc(3580, "3.5"),
        severity: Severity::Weakness,
        title: "802.1X without Service-Type Framed or Authenticate-Only",
        why: "Policies that choose by Service-Type do not fit.",
        remedy: "Set Service-Type Framed (2) for 802.1X.",
        check: Check::Asked(service_type_eap),
    },
    Rule {
        id: "rfc3580-address-mismatch",
        source: rfc(3580, "3.5"),
        severity: Severity::Breach,
        title: "MAC authentication with two different addresses",
        why: "The device is let in as one and recorded as another; a forged address hides behind it.",
        remedy: "Look for a setting that fixes the user name of MAC authentication, and remove it.",
        check: Check::Asked(address_mismatch),
    },
    Rule {
        id: "rfc3580-session-timeout-no-reauthentication",
        source: rfc(3580, "3.17"),
        severity: Severity::Breach,
        title: "no re-authentication at Session-Timeout",
        why: "A device that the policy moved or barred keeps what it had until somebody pulls the cable.",
        remedy: "Turn on re-authentication on the port, with the timer taken from the server.",
        check: Check::Missed(Duty::Reauthentication),
    },
    Rule {
        id: "rfc3580-session-timeout-no-end",
        source: rfc(3580, "3.17"),
        severity: Severity::Breach,
        title: "a session goes on past its Session-Timeout",
        why: "Time limits of guests and contractors are not kept.",
        remedy: "Let the port take its session timer from the server.",
        check: Check::Missed(Duty::End),
    },
    Rule {
        id: "rfc3580-reauthentication-early",
        source: rfc(3580, "3.17"),
        severity: Severity::Weakness,
        title: "a device authenticates again and again before its Session-Timeout",
        why: "The server carries a multiple of the load that its timer was chosen for.",
        remedy: "Take the port's own re-authentication timer out, so that the server's counts.",
        check: Check::Asked(reauthentication_early),
    },
    Rule {
        id: "rfc3580-session-end-early",
        source: rfc(3580, "3.17"),
        severity: Severity::Weakness,
        title: "a session ends for Session-Timeout before its time",
        why: "Devices lose the network sooner than the policy says.",
        remedy: "Take the port's own session timer out, so that the server's counts.",
        check: Check::Reported(session_end_early),
    },
    Rule {
        id: "rfc3580-termination-action-ignored",
        source: rfc(3580, "3.19"),
        severity: Severity::Breach,
        title: "a session ends that should authenticate again",
        why: "Devices lose the network at every interval: calls drop, tills go offline.",
        remedy: "Let the port follow Termination-Action, or use the port's own re-authentication timer.",
        check: Check::Reported(termination_action_ignored),
    },
    Rule {
        id: "rfc3580-vlan-contradicted",
        source: rfc(3580, "3.31"),
        severity: Severity::Breach,
        title: "accounting names another VLAN than was granted",
        why: "The device is in another network than the policy says, and its class proves nothing.",
        remedy: "Check that the VLAN exists on the switch and that the port may be given one.",
        check: Check::Reported(vlan_contradicted),
    },
    Rule {
        id: "rfc3580-vlan-reported-wrong",
        source: rfc(3580, "3.31"),
        severity: Severity::Breach,
        title: "the VLAN in accounting is reserved or not complete",
        why: "What the switch put on the port cannot be read back.",
        remedy: "Report it to the switch's maker; check the VLANs that it uses for its own purposes.",
        check: Check::Reported(vlan_reported_wrong),
    },
    Rule {
        id: "rfc3580-accounting-without-device",
        source: rfc_from_memory(3580, "2.1"),
        severity: Severity::Note,
        title: "accounting without Calling-Station-Id",
        why: "Records of people who log on do not say from which device.",
        remedy: "Allow Calling-Station-Id in the switch's accounting attributes.",
        check: Check::Reported(accounting_without_device),
    },
];

/// Ethernet (RFC 2865 section 5.41).
const ETHERNET: u32 = 15;
/// Service-Types of 802.1X (RFC 3580 section 3.5).
const FOR_EAP: [u32; 2] = [2, 8];
/// Acct-Terminate-Cause Session-Timeout (RFC 2866 section 5.10).
const CAUSE_SESSION_TIMEOUT: u32 = 5;

fn no_calling_station_id(asked: &Asked<'_>) -> Option<Remark> {
    when(asked.packet.first(a::CALLING_STATION_ID).is_none(), || {
        "no Calling-Station-Id".to_owned()
    })
}

fn calling_station_id_no_address(asked: &Asked<'_>) -> Option<Remark> {
    let found = asked.packet.first(a::CALLING_STATION_ID)?;
    let address = read::mac_in(&asked.packet, a::CALLING_STATION_ID);
    when(address.is_none(), || read::quoted(found.value))
}

fn calling_station_id_form(asked: &Asked<'_>) -> Option<Remark> {
    let text = asked.packet.text(a::CALLING_STATION_ID)?;
    let address: Mac = text.parse().ok()?;
    when(address.to_string() != text, || {
        format!("{} and not '{address}'", read::quoted(text.as_bytes()))
    })
}

fn no_called_station_id(asked: &Asked<'_>) -> Option<Remark> {
    when(asked.packet.first(a::CALLED_STATION_ID).is_none(), || {
        "no Called-Station-Id".to_owned()
    })
}

fn called_station_id_form(asked: &Asked<'_>) -> Option<Remark> {
    let value = asked.packet.first(a::CALLED_STATION_ID)?.value;
    let right = std::str::from_utf8(value).is_ok_and(is_station);
    when(!right, || read::quoted(value))
}

/// An address upper case with hyphens, and on wireless a colon and the network's name after it.
fn is_station(text: &str) -> bool {
    const ADDRESS: usize = 17;
    let Some((address, rest)) = text.split_at_checked(ADDRESS) else {
        return false;
    };
    let spelt = address.parse::<Mac>().map(|mac| mac.to_string());
    spelt.is_ok_and(|spelt| spelt == address) && (rest.is_empty() || rest.starts_with(':'))
}

fn no_nas_port_type(asked: &Asked<'_>) -> Option<Remark> {
    when(asked.packet.first(a::NAS_PORT_TYPE).is_none(), || {
        "no NAS-Port-Type".to_owned()
    })
}

fn nas_port_type(asked: &Asked<'_>) -> Option<Remark> {
    let found = asked.packet.integer(a::NAS_PORT_TYPE)?;
    when(found != ETHERNET, || named(a::NAS_PORT_TYPE, found))
}

fn named(kind: u8, value: u32) -> String {
    match values::value_name(kind, value) {
        Some(name) => format!("{} {value} ({name})", read::name(kind)),
        None => format!("{} {value}", read::name(kind)),
    }
}

fn service_type(packet: &Packet<'_>, right: &[u32]) -> Option<Remark> {
    match packet.integer(a::SERVICE_TYPE) {
        Some(found) if right.contains(&found) => None,
        Some(found) => Some(Remark::new(named(a::SERVICE_TYPE, found))),
        None => Some(Remark::new("no Service-Type")),
    }
}

fn service_type_mac(asked: &Asked<'_>) -> Option<Remark> {
    (asked.method == Method::Mac).then_some(())?;
    service_type(&asked.packet, &[CALL_CHECK])
}

fn service_type_eap(asked: &Asked<'_>) -> Option<Remark> {
    (asked.method == Method::Eap).then_some(())?;
    service_type(&asked.packet, &FOR_EAP)
}

fn address_mismatch(asked: &Asked<'_>) -> Option<Remark> {
    let name = read::mac_in(&asked.packet, a::USER_NAME)?;
    let station = read::mac_in(&asked.packet, a::CALLING_STATION_ID)?;
    when(asked.method == Method::Mac && name != station, || {
        format!("User-Name {name}, Calling-Station-Id {station}")
    })
}

/// Twice in a row after the same time: once may be the device's doing.
fn reauthentication_early(asked: &Asked<'_>) -> Option<Remark> {
    let begins = asked.eap.as_ref().is_none_or(|eap| eap.identity.is_some());
    let track = asked.track.filter(|_| begins)?;
    let accept = track.accept.as_ref()?;
    let time = f64::from(accept.granted.session_timeout?);
    let before = track.early?.as_secs_f64();
    let now = accept.moment.ago(asked.at).as_secs_f64();
    let changed = track.ordered.is_some_and(|at| at >= accept.moment.at);
    let alike = (before - now).abs() < now * 0.05 + 1.0;
    let early = |ran: f64| ran > time * 0.1 && ran < time * 0.9;
    (alike && !changed && early(before) && early(now)).then(|| {
        let what = format!("after {before:.0} s and {now:.0} s, Session-Timeout is {time} s");
        Remark::new(what).beside(accept.moment.packet)
    })
}

fn session_end_early(reported: &Reported<'_>) -> Option<Remark> {
    let accept = reported.granted_track()?.accept.as_ref()?;
    let time = accept.granted.session_timeout?;
    let cause = reported.packet.integer(a::ACCT_TERMINATE_CAUSE);
    let ran = accept.moment.ago(reported.at);
    let ends = reported.status == Status::Stop && cause == Some(CAUSE_SESSION_TIMEOUT);
    // The end may have crossed a newer accept.
    let due = accept.earlier.as_ref().is_some_and(|(moment, earlier)| {
        earlier
            .session_timeout
            .is_some_and(|time| moment.ago(reported.at).as_secs_f64() >= f64::from(time) * 0.9)
    });
    (ends && !due && ran.as_secs_f64() < f64::from(time) * 0.9).then(|| {
        let what = format!("after {}, Session-Timeout is {time} s", seconds(ran));
        Remark::new(what).beside(accept.moment.packet)
    })
}

fn termination_action_ignored(reported: &Reported<'_>) -> Option<Remark> {
    let accept = reported.granted_track()?.accept.as_ref()?;
    let granted = &accept.granted;
    let time = granted.session_timeout.filter(|_| granted.again)?;
    let cause = reported.packet.integer(a::ACCT_TERMINATE_CAUSE);
    let ran = accept.moment.ago(reported.at);
    let at_the_time = ran.as_secs_f64() >= f64::from(time) * 0.9;
    let ends = reported.status == Status::Stop && cause == Some(CAUSE_SESSION_TIMEOUT);
    (ends && at_the_time).then(|| {
        let what = format!(
            "ended for Session-Timeout after {}, Termination-Action was RADIUS-Request",
            seconds(ran)
        );
        Remark::new(what).beside(accept.moment.packet)
    })
}

fn vlan_contradicted(reported: &Reported<'_>) -> Option<Remark> {
    let vlans = reported.vlans.as_ref().ok()?;
    let (what, accept) = reported.contradiction(|granted| {
        let (granted, found) = granted.other_untagged(vlans)?;
        Some(format!("VLAN {found} and not {granted}"))
    })?;
    Some(Remark::new(what).beside(accept))
}

fn vlan_reported_wrong(reported: &Reported<'_>) -> Option<Remark> {
    let error = reported.vlans.as_ref().err()?;
    let tunnel = reported.packet.first(a::TUNNEL_TYPE).is_some()
        || reported.packet.first(a::TUNNEL_PRIVATE_GROUP_ID).is_some();
    let ours = match error {
        VlanError::TunnelNumber(_)
        | VlanError::Repeated { .. }
        | VlanError::Incomplete { .. }
        | VlanError::Medium(_)
        | VlanError::Name(a::TUNNEL_PRIVATE_GROUP_ID) => true,
        VlanError::Id(_) => reported.packet.first(a::EGRESS_VLANID).is_none(),
        _ => false,
    };
    when(tunnel && ours, || error.to_string())
}

fn accounting_without_device(reported: &Reported<'_>) -> Option<Remark> {
    let missing = reported.packet.first(a::CALLING_STATION_ID).is_none();
    when(reported.status.is_of_session() && missing, || {
        "no Calling-Station-Id".to_owned()
    })
}
