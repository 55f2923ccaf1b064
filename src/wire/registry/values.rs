//! Named values of enumerated attributes (IANA registries "Values for RADIUS Attribute …").
//!
//! Spelt as the RFCs do, with hyphens for blanks. Values whose registered name is that of a
//! product are left out and show as numbers; no switch port sends them.

use super::attributes as a;
use super::error_cause::ErrorCause;

/// The name of a value.
#[must_use]
pub fn value_name(kind: u8, value: u32) -> Option<&'static str> {
    if kind == a::ERROR_CAUSE {
        return ErrorCause(value).name();
    }
    let (_, name) = table(kind).iter().find(|(number, _)| *number == value)?;
    Some(name)
}

/// The value that a name stands for; case, blanks and punctuation do not count.
#[must_use]
pub fn value_by_name(kind: u8, name: &str) -> Option<u32> {
    let wanted = plain(name);
    values(kind)
        .into_iter()
        .find(|(_, name)| plain(name) == wanted)
        .map(|(number, _)| number)
}

/// Every named value of an attribute, in the order of the numbers.
#[must_use]
pub fn values(kind: u8) -> Vec<(u32, &'static str)> {
    if kind == a::ERROR_CAUSE {
        return ErrorCause::ALL
            .iter()
            .filter_map(|cause| Some((cause.0, cause.name()?)))
            .collect();
    }
    table(kind).to_vec()
}

fn plain(name: &str) -> String {
    name.chars()
        .filter(char::is_ascii_alphanumeric)
        .map(|c| c.to_ascii_lowercase())
        .collect()
}

fn table(kind: u8) -> &'static [(u32, &'static str)] {
    match kind {
        a::SERVICE_TYPE => SERVICE_TYPE,
        a::FRAMED_PROTOCOL => FRAMED_PROTOCOL,
        a::FRAMED_ROUTING => FRAMED_ROUTING,
        a::FRAMED_COMPRESSION => FRAMED_COMPRESSION,
        a::LOGIN_SERVICE => LOGIN_SERVICE,
        a::TERMINATION_ACTION => TERMINATION_ACTION,
        a::ACCT_STATUS_TYPE => ACCT_STATUS_TYPE,
        a::ACCT_AUTHENTIC => ACCT_AUTHENTIC,
        a::ACCT_TERMINATE_CAUSE => ACCT_TERMINATE_CAUSE,
        a::INGRESS_FILTERS => INGRESS_FILTERS,
        a::NAS_PORT_TYPE => NAS_PORT_TYPE,
        a::TUNNEL_TYPE => TUNNEL_TYPE,
        a::TUNNEL_MEDIUM_TYPE => TUNNEL_MEDIUM_TYPE,
        a::ARAP_ZONE_ACCESS => ARAP_ZONE_ACCESS,
        a::PROMPT => PROMPT,
        a::FRAMED_MANAGEMENT_PROTOCOL => FRAMED_MANAGEMENT_PROTOCOL,
        a::MANAGEMENT_TRANSPORT_PROTECTION => MANAGEMENT_TRANSPORT_PROTECTION,
        a::EAP_LOWER_LAYER => EAP_LOWER_LAYER,
        _ => &[],
    }
}

/// RFC 2865 section 5.6; 17 by RFC 5176 section 3.2, 18 by RFC 5607 section 5.1
const SERVICE_TYPE: &[(u32, &str)] = &[
    (1, "Login"),
    (2, "Framed"),
    (3, "Callback-Login"),
    (4, "Callback-Framed"),
    (5, "Outbound"),
    (6, "Administrative"),
    (7, "NAS-Prompt"),
    (8, "Authenticate-Only"),
    (9, "Callback-NAS-Prompt"),
    (10, "Call-Check"),
    (11, "Callback-Administrative"),
    (17, "Authorize-Only"),
    (18, "Framed-Management"),
];

/// RFC 2865 section 5.7
const FRAMED_PROTOCOL: &[(u32, &str)] = &[
    (1, "PPP"),
    (2, "SLIP"),
    (3, "ARAP"),
    (6, "X.75-Synchronous"),
];

/// RFC 2865 section 5.10
const FRAMED_ROUTING: &[(u32, &str)] = &[
    (0, "None"),
    (1, "Send-routing-packets"),
    (2, "Listen-for-routing-packets"),
    (3, "Send-and-Listen"),
];

/// RFC 2865 section 5.13
const FRAMED_COMPRESSION: &[(u32, &str)] = &[
    (0, "None"),
    (1, "VJ-TCP/IP-header-compression"),
    (2, "IPX-header-compression"),
    (3, "Stac-LZS-compression"),
];

/// RFC 2865 section 5.15
const LOGIN_SERVICE: &[(u32, &str)] = &[
    (0, "Telnet"),
    (1, "Rlogin"),
    (2, "TCP-Clear"),
    (4, "LAT"),
    (5, "X25-PAD"),
    (6, "X25-T3POS"),
    (8, "TCP-Clear-Quiet"),
];

/// RFC 2865 section 5.29
const TERMINATION_ACTION: &[(u32, &str)] = &[(0, "Default"), (1, "RADIUS-Request")];

/// RFC 2866 section 5.1; 9 to 14 by RFC 2867 section 3
const ACCT_STATUS_TYPE: &[(u32, &str)] = &[
    (1, "Start"),
    (2, "Stop"),
    (3, "Interim-Update"),
    (7, "Accounting-On"),
    (8, "Accounting-Off"),
    (9, "Tunnel-Start"),
    (10, "Tunnel-Stop"),
    (11, "Tunnel-Reject"),
    (12, "Tunnel-Link-Start"),
    (13, "Tunnel-Link-Stop"),
    (14, "Tunnel-Link-Reject"),
    (15, "Failed"),
];

/// RFC 2866 section 5.6; 4 by the registry
const ACCT_AUTHENTIC: &[(u32, &str)] =
    &[(1, "RADIUS"), (2, "Local"), (3, "Remote"), (4, "Diameter")];

/// RFC 2866 section 5.10; 19 to 22 by RFC 3580 section 2.1
const ACCT_TERMINATE_CAUSE: &[(u32, &str)] = &[
    (1, "User-Request"),
    (2, "Lost-Carrier"),
    (3, "Lost-Service"),
    (4, "Idle-Timeout"),
    (5, "Session-Timeout"),
    (6, "Admin-Reset"),
    (7, "Admin-Reboot"),
    (8, "Port-Error"),
    (9, "NAS-Error"),
    (10, "NAS-Request"),
    (11, "NAS-Reboot"),
    (12, "Port-Unneeded"),
    (13, "Port-Preempted"),
    (14, "Port-Suspended"),
    (15, "Service-Unavailable"),
    (16, "Callback"),
    (17, "User-Error"),
    (18, "Host-Request"),
    (19, "Supplicant-Restart"),
    (20, "Reauthentication-Failure"),
    (21, "Port-Reinitialized"),
    (22, "Port-Administratively-Disabled"),
];

/// RFC 4675 section 2.2
const INGRESS_FILTERS: &[(u32, &str)] = &[(1, "Enabled"), (2, "Disabled")];

/// RFC 2865 section 5.41; 20 and 21 by RFC 3580 section 3.23, 30 to 34 by RFC 4603
const NAS_PORT_TYPE: &[(u32, &str)] = &[
    (0, "Async"),
    (1, "Sync"),
    (2, "ISDN-Sync"),
    (3, "ISDN-Async-V.120"),
    (4, "ISDN-Async-V.110"),
    (5, "Virtual"),
    (6, "PIAFS"),
    (7, "HDLC-Clear-Channel"),
    (8, "X.25"),
    (9, "X.75"),
    (10, "G.3-Fax"),
    (11, "SDSL"),
    (12, "ADSL-CAP"),
    (13, "ADSL-DMT"),
    (14, "IDSL"),
    (15, "Ethernet"),
    (16, "xDSL"),
    (17, "Cable"),
    (18, "Wireless-Other"),
    (19, "Wireless-IEEE-802.11"),
    (20, "Token-Ring"),
    (21, "FDDI"),
    (30, "PPPoA"),
    (31, "PPPoEoA"),
    (32, "PPPoEoE"),
    (33, "PPPoEoVLAN"),
    (34, "PPPoEoQinQ"),
];

/// RFC 2868 section 3.1; 13 by RFC 3580 section 3.31
const TUNNEL_TYPE: &[(u32, &str)] = &[
    (1, "PPTP"),
    (2, "L2F"),
    (3, "L2TP"),
    (4, "ATMP"),
    (5, "VTP"),
    (6, "AH"),
    (7, "IP-IP"),
    (8, "MIN-IP-IP"),
    (9, "ESP"),
    (10, "GRE"),
    (11, "DVS"),
    (12, "IP-in-IP"),
    (13, "VLAN"),
];

/// RFC 2868 section 3.2
const TUNNEL_MEDIUM_TYPE: &[(u32, &str)] = &[
    (1, "IPv4"),
    (2, "IPv6"),
    (3, "NSAP"),
    (4, "HDLC"),
    (5, "BBN-1822"),
    (6, "IEEE-802"),
    (7, "E.163"),
    (8, "E.164"),
    (9, "F.69"),
    (10, "X.121"),
    (11, "IPX"),
    (15, "E.164-NSAP"),
];

/// RFC 2869 section 5.6
const ARAP_ZONE_ACCESS: &[(u32, &str)] = &[
    (1, "Default-Zone-Only"),
    (2, "Zone-Filter-Inclusively"),
    (4, "Zone-Filter-Exclusively"),
];

/// RFC 2869 section 5.10
const PROMPT: &[(u32, &str)] = &[(0, "No-Echo"), (1, "Echo")];

/// RFC 5607 section 6.1
const FRAMED_MANAGEMENT_PROTOCOL: &[(u32, &str)] = &[
    (1, "SNMP"),
    (2, "Web-based"),
    (3, "NETCONF"),
    (4, "FTP"),
    (5, "TFTP"),
    (6, "SFTP"),
    (7, "RCP"),
    (8, "SCP"),
];

/// RFC 5607 section 6.2
const MANAGEMENT_TRANSPORT_PROTECTION: &[(u32, &str)] = &[
    (1, "No-Protection"),
    (2, "Integrity-Protection"),
    (3, "Integrity-Confidentiality-Protection"),
];

/// RFC 6677
const EAP_LOWER_LAYER: &[(u32, &str)] = &[
    (1, "Wired-IEEE-802.1X"),
    (2, "IEEE-802.11-no-pre-auth"),
    (3, "IEEE-802.11-pre-auth"),
    (4, "IEEE-802.16e"),
    (5, "IKEv2"),
    (6, "PPP"),
    (7, "PANA-no-pre-auth"),
    (8, "GSS-API"),
    (9, "PANA-pre-auth"),
];
