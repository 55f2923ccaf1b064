//! Numbers and names of the registries against the constants of the protocol crate, which were
//! made from other lists than ours.

// clippy.toml allows these in tests, and not in the helpers beside them.
#![allow(
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic,
    clippy::unwrap_used
)]

use portproof::wire::registry::{attributes as a, values};
use radius::core::{
    rfc2865, rfc2866, rfc2867, rfc2868, rfc2869, rfc3162, rfc3576, rfc3580, rfc4072, rfc4372,
    rfc4603, rfc4675, rfc4818, rfc4849, rfc5090, rfc5176, rfc5607, rfc5904, rfc6519, rfc6572,
    rfc6677, rfc6911, rfc7055, rfc7155,
};

fn plain(name: &str) -> String {
    name.chars()
        .filter(char::is_ascii_alphanumeric)
        .map(|c| c.to_ascii_lowercase())
        .collect()
}

/// `(name of the constant, its value)` of each.
macro_rules! attribute_types {
    ($($rfc:ident: $($constant:ident),*;)*) => {
        [$($((stringify!($constant), $rfc::$constant)),*),*]
    };
}

#[test]
fn attribute_types_agree_with_the_crate() {
    let constants = attribute_types! {
        rfc2865:
            USER_NAME_TYPE, USER_PASSWORD_TYPE, CHAP_PASSWORD_TYPE, NAS_IP_ADDRESS_TYPE,
            NAS_PORT_TYPE, SERVICE_TYPE_TYPE, FRAMED_PROTOCOL_TYPE,
            FRAMED_IP_ADDRESS_TYPE, FRAMED_IP_NETMASK_TYPE, FRAMED_ROUTING_TYPE,
            FILTER_ID_TYPE, FRAMED_MTU_TYPE, FRAMED_COMPRESSION_TYPE,
            LOGIN_IP_HOST_TYPE, LOGIN_SERVICE_TYPE, LOGIN_TCP_PORT_TYPE,
            REPLY_MESSAGE_TYPE, CALLBACK_NUMBER_TYPE, CALLBACK_ID_TYPE,
            FRAMED_ROUTE_TYPE, FRAMED_IPX_NETWORK_TYPE, STATE_TYPE, CLASS_TYPE,
            VENDOR_SPECIFIC_TYPE, SESSION_TIMEOUT_TYPE, IDLE_TIMEOUT_TYPE,
            TERMINATION_ACTION_TYPE, CALLED_STATION_ID_TYPE, CALLING_STATION_ID_TYPE,
            NAS_IDENTIFIER_TYPE, PROXY_STATE_TYPE, LOGIN_LAT_SERVICE_TYPE,
            LOGIN_LAT_NODE_TYPE, LOGIN_LAT_GROUP_TYPE, FRAMED_APPLE_TALK_LINK_TYPE,
            FRAMED_APPLE_TALK_NETWORK_TYPE, FRAMED_APPLE_TALK_ZONE_TYPE,
            CHAP_CHALLENGE_TYPE, NAS_PORT_TYPE_TYPE, PORT_LIMIT_TYPE,
            LOGIN_LAT_PORT_TYPE;
        rfc2866:
            ACCT_STATUS_TYPE_TYPE, ACCT_DELAY_TIME_TYPE, ACCT_INPUT_OCTETS_TYPE,
            ACCT_OUTPUT_OCTETS_TYPE, ACCT_SESSION_ID_TYPE, ACCT_AUTHENTIC_TYPE,
            ACCT_SESSION_TIME_TYPE, ACCT_INPUT_PACKETS_TYPE, ACCT_OUTPUT_PACKETS_TYPE,
            ACCT_TERMINATE_CAUSE_TYPE, ACCT_MULTI_SESSION_ID_TYPE, ACCT_LINK_COUNT_TYPE;
        rfc2867:
            ACCT_TUNNEL_CONNECTION_TYPE, ACCT_TUNNEL_PACKETS_LOST_TYPE;
        rfc2868:
            TUNNEL_TYPE_TYPE, TUNNEL_MEDIUM_TYPE_TYPE, TUNNEL_CLIENT_ENDPOINT_TYPE,
            TUNNEL_SERVER_ENDPOINT_TYPE, TUNNEL_PASSWORD_TYPE,
            TUNNEL_PRIVATE_GROUP_ID_TYPE, TUNNEL_ASSIGNMENT_ID_TYPE,
            TUNNEL_PREFERENCE_TYPE, TUNNEL_CLIENT_AUTH_ID_TYPE,
            TUNNEL_SERVER_AUTH_ID_TYPE;
        rfc2869:
            ACCT_INPUT_GIGAWORDS_TYPE, ACCT_OUTPUT_GIGAWORDS_TYPE, EVENT_TIMESTAMP_TYPE,
            ARAP_PASSWORD_TYPE, ARAP_FEATURES_TYPE, ARAP_ZONE_ACCESS_TYPE,
            ARAP_SECURITY_TYPE, ARAP_SECURITY_DATA_TYPE, PASSWORD_RETRY_TYPE,
            PROMPT_TYPE, CONNECT_INFO_TYPE, CONFIGURATION_TOKEN_TYPE, EAP_MESSAGE_TYPE,
            MESSAGE_AUTHENTICATOR_TYPE, ARAP_CHALLENGE_RESPONSE_TYPE,
            ACCT_INTERIM_INTERVAL_TYPE, NAS_PORT_ID_TYPE, FRAMED_POOL_TYPE;
        rfc3162:
            NAS_IPV6_ADDRESS_TYPE, FRAMED_INTERFACE_ID_TYPE, FRAMED_IPV6_PREFIX_TYPE,
            LOGIN_IPV6_HOST_TYPE, FRAMED_IPV6_ROUTE_TYPE, FRAMED_IPV6_POOL_TYPE;
        rfc3576:
            ERROR_CAUSE_TYPE;
        rfc4072:
            EAP_KEY_NAME_TYPE;
        rfc4372:
            CHARGEABLE_USER_IDENTITY_TYPE;
        rfc4675:
            EGRESS_VLANID_TYPE, INGRESS_FILTERS_TYPE, EGRESS_VLAN_NAME_TYPE,
            USER_PRIORITY_TABLE_TYPE;
        rfc4818:
            DELEGATED_IPV6_PREFIX_TYPE;
        rfc4849:
            NAS_FILTER_RULE_TYPE;
        rfc5090:
            DIGEST_RESPONSE_TYPE, DIGEST_REALM_TYPE, DIGEST_NONCE_TYPE,
            DIGEST_RESPONSE_AUTH_TYPE, DIGEST_NEXTNONCE_TYPE, DIGEST_METHOD_TYPE,
            DIGEST_URI_TYPE, DIGEST_QOP_TYPE, DIGEST_ALGORITHM_TYPE,
            DIGEST_ENTITY_BODY_HASH_TYPE, DIGEST_C_NONCE_TYPE, DIGEST_NONCE_COUNT_TYPE,
            DIGEST_USERNAME_TYPE, DIGEST_OPAQUE_TYPE, DIGEST_AUTH_PARAM_TYPE,
            DIGEST_AKA_AUTS_TYPE, DIGEST_DOMAIN_TYPE, DIGEST_STALE_TYPE,
            DIGEST_HA1_TYPE, SIP_AOR_TYPE;
        rfc5607:
            MANAGEMENT_TRANSPORT_PROTECTION_TYPE, MANAGEMENT_POLICY_ID_TYPE,
            MANAGEMENT_PRIVILEGE_LEVEL_TYPE;
        rfc5904:
            PKM_SS_CERT_TYPE, PKM_CA_CERT_TYPE, PKM_CONFIG_SETTINGS_TYPE,
            PKM_CRYPTOSUITE_LIST_TYPE, PKM_SAID_TYPE, PKM_SA_DESCRIPTOR_TYPE,
            PKM_AUTH_KEY_TYPE;
        rfc6519:
            DS_LITE_TUNNEL_NAME_TYPE;
        rfc6572:
            MOBILE_NODE_IDENTIFIER_TYPE, SERVICE_SELECTION_TYPE,
            PMIP6_HOME_LMA_IPV6_ADDRESS_TYPE, PMIP6_VISITED_LMA_IPV6_ADDRESS_TYPE,
            PMIP6_HOME_LMA_IPV4_ADDRESS_TYPE, PMIP6_VISITED_LMA_IPV4_ADDRESS_TYPE,
            PMIP6_HOME_HN_PREFIX_TYPE, PMIP6_VISITED_HN_PREFIX_TYPE,
            PMIP6_HOME_INTERFACE_ID_TYPE, PMIP6_VISITED_INTERFACE_ID_TYPE,
            PMIP6_HOME_IPV4_HO_A_TYPE, PMIP6_VISITED_IPV4_HO_A_TYPE,
            PMIP6_HOME_DHCP4_SERVER_ADDRESS_TYPE,
            PMIP6_VISITED_DHCP4_SERVER_ADDRESS_TYPE,
            PMIP6_HOME_DHCP6_SERVER_ADDRESS_TYPE,
            PMIP6_VISITED_DHCP6_SERVER_ADDRESS_TYPE, PMIP6_HOME_IPV4_GATEWAY_TYPE,
            PMIP6_VISITED_IPV4_GATEWAY_TYPE;
        rfc6677:
            EAP_LOWER_LAYER_TYPE;
        rfc6911:
            FRAMED_IPV6_ADDRESS_TYPE, DNS_SERVER_IPV6_ADDRESS_TYPE,
            ROUTE_IPV6_INFORMATION_TYPE, DELEGATED_IPV6_PREFIX_POOL_TYPE,
            STATEFUL_IPV6_ADDRESS_POOL_TYPE;
        rfc7055:
            GSS_ACCEPTOR_SERVICE_NAME_TYPE, GSS_ACCEPTOR_HOST_NAME_TYPE,
            GSS_ACCEPTOR_SERVICE_SPECIFICS_TYPE, GSS_ACCEPTOR_REALM_NAME_TYPE;
        rfc7155:
            ORIGINATING_LINE_INFO_TYPE;
    };
    for (constant, kind) in constants {
        let expected = plain(constant.strip_suffix("_TYPE").unwrap());
        let name = a::name(kind).unwrap_or_else(|| panic!("{constant} {kind}"));
        assert_eq!(plain(name), expected, "type {kind}");
        assert_eq!(a::by_name(&name.to_uppercase()), Some(kind), "{name}");
        assert!(a::source(kind).is_some_and(|source| source.starts_with("RFC ")));
    }
    // The crate shortens this one; RFC 5607 section 6.1 has the full name.
    assert_eq!(
        rfc5607::FRAMED_MANAGEMENT_TYPE,
        a::FRAMED_MANAGEMENT_PROTOCOL
    );
}

#[test]
fn names_are_unique_and_unassigned_types_have_none() {
    let names: Vec<&str> = a::names().collect();
    let mut unique = names.clone();
    unique.sort_unstable();
    unique.dedup();
    assert_eq!(unique.len(), names.len());
    // Unassigned or reserved in the registry.
    for kind in [0, 17, 21, 54, 93, 191, 223, 224, 240, 247, 255] {
        assert_eq!(a::name(kind), None, "{kind}");
    }
    assert_eq!(a::by_name("No-Such-Attribute"), None);
}

/// `(name of the constant, attribute, its name, value)` of each.
macro_rules! value_constants {
    ($($rfc:ident $attribute:ident: $($constant:ident),*;)*) => {
        [$($((stringify!($constant), a::$attribute, stringify!($attribute), $rfc::$constant)),*),*]
    };
}

#[test]
fn named_values_agree_with_the_crate() {
    let constants = value_constants! {
        rfc2865 FRAMED_COMPRESSION:
            FRAMED_COMPRESSION_NONE, FRAMED_COMPRESSION_IPX_HEADER_COMPRESSION;
        rfc2865 FRAMED_PROTOCOL:
            FRAMED_PROTOCOL_PPP, FRAMED_PROTOCOL_SLIP, FRAMED_PROTOCOL_ARAP,
            FRAMED_PROTOCOL_X_75_SYNCHRONOUS;
        rfc2865 FRAMED_ROUTING:
            FRAMED_ROUTING_NONE;
        rfc2865 LOGIN_SERVICE:
            LOGIN_SERVICE_TELNET, LOGIN_SERVICE_RLOGIN, LOGIN_SERVICE_TCP_CLEAR,
            LOGIN_SERVICE_LAT, LOGIN_SERVICE_X25_PAD, LOGIN_SERVICE_X25_T3POS,
            LOGIN_SERVICE_TCP_CLEAR_QUIET;
        rfc2865 NAS_PORT_TYPE:
            NAS_PORT_TYPE_ASYNC, NAS_PORT_TYPE_SYNC, NAS_PORT_TYPE_VIRTUAL,
            NAS_PORT_TYPE_PIAFS, NAS_PORT_TYPE_HDLC_CLEAR_CHANNEL, NAS_PORT_TYPE_X_25,
            NAS_PORT_TYPE_X_75, NAS_PORT_TYPE_G_3_FAX, NAS_PORT_TYPE_SDSL,
            NAS_PORT_TYPE_ADSL_CAP, NAS_PORT_TYPE_ADSL_DMT, NAS_PORT_TYPE_IDSL,
            NAS_PORT_TYPE_ETHERNET, NAS_PORT_TYPE_X_DSL, NAS_PORT_TYPE_CABLE,
            NAS_PORT_TYPE_WIRELESS_OTHER;
        rfc2865 SERVICE_TYPE:
            SERVICE_TYPE_AUTHENTICATE_ONLY, SERVICE_TYPE_CALLBACK_NAS_PROMPT,
            SERVICE_TYPE_CALL_CHECK, SERVICE_TYPE_CALLBACK_ADMINISTRATIVE;
        rfc2865 TERMINATION_ACTION:
            TERMINATION_ACTION_DEFAULT, TERMINATION_ACTION_RADIUS_REQUEST;
        rfc2866 ACCT_AUTHENTIC:
            ACCT_AUTHENTIC_RADIUS, ACCT_AUTHENTIC_LOCAL, ACCT_AUTHENTIC_REMOTE,
            ACCT_AUTHENTIC_DIAMETER;
        rfc2866 ACCT_STATUS_TYPE:
            ACCT_STATUS_TYPE_START, ACCT_STATUS_TYPE_STOP,
            ACCT_STATUS_TYPE_INTERIM_UPDATE, ACCT_STATUS_TYPE_ACCOUNTING_ON,
            ACCT_STATUS_TYPE_ACCOUNTING_OFF, ACCT_STATUS_TYPE_FAILED;
        rfc2866 ACCT_TERMINATE_CAUSE:
            ACCT_TERMINATE_CAUSE_USER_REQUEST, ACCT_TERMINATE_CAUSE_LOST_CARRIER,
            ACCT_TERMINATE_CAUSE_LOST_SERVICE, ACCT_TERMINATE_CAUSE_IDLE_TIMEOUT,
            ACCT_TERMINATE_CAUSE_SESSION_TIMEOUT, ACCT_TERMINATE_CAUSE_ADMIN_RESET,
            ACCT_TERMINATE_CAUSE_ADMIN_REBOOT, ACCT_TERMINATE_CAUSE_PORT_ERROR,
            ACCT_TERMINATE_CAUSE_NAS_ERROR, ACCT_TERMINATE_CAUSE_NAS_REQUEST,
            ACCT_TERMINATE_CAUSE_NAS_REBOOT, ACCT_TERMINATE_CAUSE_PORT_UNNEEDED,
            ACCT_TERMINATE_CAUSE_PORT_PREEMPTED, ACCT_TERMINATE_CAUSE_PORT_SUSPENDED,
            ACCT_TERMINATE_CAUSE_SERVICE_UNAVAILABLE, ACCT_TERMINATE_CAUSE_CALLBACK,
            ACCT_TERMINATE_CAUSE_USER_ERROR, ACCT_TERMINATE_CAUSE_HOST_REQUEST;
        rfc2867 ACCT_STATUS_TYPE:
            ACCT_STATUS_TYPE_TUNNEL_START, ACCT_STATUS_TYPE_TUNNEL_STOP,
            ACCT_STATUS_TYPE_TUNNEL_REJECT, ACCT_STATUS_TYPE_TUNNEL_LINK_START,
            ACCT_STATUS_TYPE_TUNNEL_LINK_STOP, ACCT_STATUS_TYPE_TUNNEL_LINK_REJECT;
        rfc2868 TUNNEL_MEDIUM_TYPE:
            TUNNEL_MEDIUM_TYPE_I_PV_4, TUNNEL_MEDIUM_TYPE_I_PV_6,
            TUNNEL_MEDIUM_TYPE_NSAP, TUNNEL_MEDIUM_TYPE_HDLC,
            TUNNEL_MEDIUM_TYPE_BBN_1822, TUNNEL_MEDIUM_TYPE_IEEE_802,
            TUNNEL_MEDIUM_TYPE_E_163, TUNNEL_MEDIUM_TYPE_E_164, TUNNEL_MEDIUM_TYPE_F_69,
            TUNNEL_MEDIUM_TYPE_X_121, TUNNEL_MEDIUM_TYPE_IPX,
            TUNNEL_MEDIUM_TYPE_E_164_NSAP;
        rfc2868 TUNNEL_TYPE:
            TUNNEL_TYPE_PPTP, TUNNEL_TYPE_L2F, TUNNEL_TYPE_L2TP, TUNNEL_TYPE_ATMP,
            TUNNEL_TYPE_VTP, TUNNEL_TYPE_AH, TUNNEL_TYPE_ESP, TUNNEL_TYPE_GRE,
            TUNNEL_TYPE_DVS, TUNNEL_TYPE_IP_IN_IP;
        rfc2869 PROMPT:
            PROMPT_NO_ECHO, PROMPT_ECHO;
        rfc3576 ERROR_CAUSE:
            ERROR_CAUSE_UNSUPPORTED_ATTRIBUTE, ERROR_CAUSE_MISSING_ATTRIBUTE,
            ERROR_CAUSE_NAS_IDENTIFICATION_MISMATCH, ERROR_CAUSE_INVALID_REQUEST,
            ERROR_CAUSE_UNSUPPORTED_SERVICE, ERROR_CAUSE_UNSUPPORTED_EXTENSION,
            ERROR_CAUSE_ADMINISTRATIVELY_PROHIBITED,
            ERROR_CAUSE_SESSION_CONTEXT_NOT_FOUND,
            ERROR_CAUSE_SESSION_CONTEXT_NOT_REMOVABLE,
            ERROR_CAUSE_RESOURCES_UNAVAILABLE, ERROR_CAUSE_REQUEST_INITIATED;
        rfc3576 SERVICE_TYPE:
            SERVICE_TYPE_AUTHORIZE_ONLY;
        rfc3580 ACCT_TERMINATE_CAUSE:
            ACCT_TERMINATE_CAUSE_SUPPLICANT_RESTART,
            ACCT_TERMINATE_CAUSE_REAUTHENTICATION_FAILURE;
        rfc3580 NAS_PORT_TYPE:
            NAS_PORT_TYPE_TOKEN_RING, NAS_PORT_TYPE_FDDI;
        rfc3580 TUNNEL_TYPE:
            TUNNEL_TYPE_VLAN;
        rfc4603 NAS_PORT_TYPE:
            NAS_PORT_TYPE_PP_PO_A, NAS_PORT_TYPE_PP_PO_EO_A, NAS_PORT_TYPE_PP_PO_EO_E,
            NAS_PORT_TYPE_PP_PO_EO_VLAN, NAS_PORT_TYPE_PP_PO_EO_QIN_Q;
        rfc4675 INGRESS_FILTERS:
            INGRESS_FILTERS_ENABLED, INGRESS_FILTERS_DISABLED;
        rfc5176 ERROR_CAUSE:
            ERROR_CAUSE_INVALID_ATTRIBUTE_VALUE,
            ERROR_CAUSE_MULTIPLE_SESSION_SELECTION_UNSUPPORTED;
        rfc5607 FRAMED_MANAGEMENT_PROTOCOL:
            FRAMED_MANAGEMENT_SNMP, FRAMED_MANAGEMENT_WEB_BASED,
            FRAMED_MANAGEMENT_NETCONF, FRAMED_MANAGEMENT_FTP, FRAMED_MANAGEMENT_TFTP,
            FRAMED_MANAGEMENT_SFTP, FRAMED_MANAGEMENT_RCP, FRAMED_MANAGEMENT_SCP;
        rfc5607 MANAGEMENT_TRANSPORT_PROTECTION:
            MANAGEMENT_TRANSPORT_PROTECTION_NO_PROTECTION,
            MANAGEMENT_TRANSPORT_PROTECTION_INTEGRITY_PROTECTION,
            MANAGEMENT_TRANSPORT_PROTECTION_INTEGRITY_CONFIDENTIALITY_PROTECTION;
        rfc5607 SERVICE_TYPE:
            SERVICE_TYPE_FRAMED_MANAGEMENT;
        rfc6677 EAP_LOWER_LAYER:
            EAP_LOWER_LAYER_WIRED_IEEE_802_1X, EAP_LOWER_LAYER_IEEE_802_1_6E,
            EAP_LOWER_LAYER_IK_EV_2, EAP_LOWER_LAYER_PPP,
            EAP_LOWER_LAYER_PANA_NO_PREAUTH, EAP_LOWER_LAYER_GSS_API,
            EAP_LOWER_LAYER_PANA_PREAUTH;
    };
    for (constant, kind, attribute, value) in constants {
        let prefix = plain(attribute.strip_suffix("_PROTOCOL").unwrap_or(attribute));
        let expected = plain(constant);
        let expected = expected
            .strip_prefix(&plain(attribute))
            .or_else(|| expected.strip_prefix(&prefix))
            .unwrap_or(&expected);
        let name = values::value_name(kind, value).unwrap_or_else(|| panic!("{constant}"));
        assert_eq!(plain(name), expected, "{constant}");
    }
    // Where the crate words a name otherwise than the RFC does, or where two constants share one.
    for (value, kind, name) in [
        (
            rfc2865::FRAMED_COMPRESSION_VAN_JACOBSON_TCP_IP,
            a::FRAMED_COMPRESSION,
            "VJ-TCP/IP-header-compression",
        ),
        (
            rfc2865::FRAMED_COMPRESSION_STAC_LZS,
            a::FRAMED_COMPRESSION,
            "Stac-LZS-compression",
        ),
        (
            rfc2865::FRAMED_ROUTING_BROADCAST,
            a::FRAMED_ROUTING,
            "Send-routing-packets",
        ),
        (
            rfc2865::FRAMED_ROUTING_LISTEN,
            a::FRAMED_ROUTING,
            "Listen-for-routing-packets",
        ),
        (
            rfc2865::FRAMED_ROUTING_BROADCAST_LISTEN,
            a::FRAMED_ROUTING,
            "Send-and-Listen",
        ),
        (rfc2865::NAS_PORT_TYPE_ISDN, a::NAS_PORT_TYPE, "ISDN-Sync"),
        (
            rfc2865::NAS_PORT_TYPE_ISDN_V120,
            a::NAS_PORT_TYPE,
            "ISDN-Async-V.120",
        ),
        (
            rfc2865::NAS_PORT_TYPE_ISDN_V110,
            a::NAS_PORT_TYPE,
            "ISDN-Async-V.110",
        ),
        (
            rfc2865::NAS_PORT_TYPE_WIRELESS_802_11,
            a::NAS_PORT_TYPE,
            "Wireless-IEEE-802.11",
        ),
        (rfc2865::SERVICE_TYPE_LOGIN_USER, a::SERVICE_TYPE, "Login"),
        (rfc2865::SERVICE_TYPE_FRAMED_USER, a::SERVICE_TYPE, "Framed"),
        (
            rfc2865::SERVICE_TYPE_CALLBACK_LOGIN_USER,
            a::SERVICE_TYPE,
            "Callback-Login",
        ),
        (
            rfc2865::SERVICE_TYPE_CALLBACK_FRAMED_USER,
            a::SERVICE_TYPE,
            "Callback-Framed",
        ),
        (
            rfc2865::SERVICE_TYPE_OUTBOUND_USER,
            a::SERVICE_TYPE,
            "Outbound",
        ),
        (
            rfc2865::SERVICE_TYPE_ADMINISTRATIVE_USER,
            a::SERVICE_TYPE,
            "Administrative",
        ),
        (
            rfc2865::SERVICE_TYPE_NAS_PROMPT_USER,
            a::SERVICE_TYPE,
            "NAS-Prompt",
        ),
        (
            rfc2866::ACCT_STATUS_TYPE_ALIVE,
            a::ACCT_STATUS_TYPE,
            "Interim-Update",
        ),
        (
            rfc2868::TUNNEL_MEDIUM_TYPE_IP,
            a::TUNNEL_MEDIUM_TYPE,
            "IPv4",
        ),
        (rfc2868::TUNNEL_TYPE_IP, a::TUNNEL_TYPE, "IP-IP"),
        (rfc2868::TUNNEL_TYPE_MIN_IP, a::TUNNEL_TYPE, "MIN-IP-IP"),
        (
            rfc2869::ARAP_ZONE_ACCESS_DEFAULT_ZONE,
            a::ARAP_ZONE_ACCESS,
            "Default-Zone-Only",
        ),
        (
            rfc2869::ARAP_ZONE_ACCESS_ZONE_FILTER_INCLUSIVE,
            a::ARAP_ZONE_ACCESS,
            "Zone-Filter-Inclusively",
        ),
        (
            rfc2869::ARAP_ZONE_ACCESS_ZONE_FILTER_EXCLUSIVE,
            a::ARAP_ZONE_ACCESS,
            "Zone-Filter-Exclusively",
        ),
        (
            rfc3576::ERROR_CAUSE_RESIDUAL_CONTEXT_REMOVED,
            a::ERROR_CAUSE,
            "Residual Session Context Removed",
        ),
        (
            rfc3576::ERROR_CAUSE_INVALID_EAP_PACKET,
            a::ERROR_CAUSE,
            "Invalid EAP Packet (Ignored)",
        ),
        (
            rfc3576::ERROR_CAUSE_PROXY_REQUEST_NOT_ROUTABLE,
            a::ERROR_CAUSE,
            "Request Not Routable",
        ),
        (
            rfc3576::ERROR_CAUSE_PROXY_PROCESSING_ERROR,
            a::ERROR_CAUSE,
            "Other Proxy Processing Error",
        ),
        (
            rfc3580::ACCT_TERMINATE_CAUSE_PORT_REINIT,
            a::ACCT_TERMINATE_CAUSE,
            "Port-Reinitialized",
        ),
        (
            rfc3580::ACCT_TERMINATE_CAUSE_PORT_DISABLED,
            a::ACCT_TERMINATE_CAUSE,
            "Port-Administratively-Disabled",
        ),
        (
            rfc6677::EAP_LOWER_LAYER_IEEE_802_1X_NO_PREAUTH,
            a::EAP_LOWER_LAYER,
            "IEEE-802.11-no-pre-auth",
        ),
        (
            rfc6677::EAP_LOWER_LAYER_IEEE_802_1X_PREAUTH,
            a::EAP_LOWER_LAYER,
            "IEEE-802.11-pre-auth",
        ),
    ] {
        assert_eq!(values::value_name(kind, value), Some(name));
    }
}

#[test]
fn names_of_values_read_back() {
    let mut seen = 0;
    for kind in 0..=u8::MAX {
        for (value, name) in values::values(kind) {
            seen += 1;
            assert_eq!(
                values::value_by_name(kind, name),
                Some(value),
                "{kind} {name}"
            );
            let spaced = name.replace('-', " ").to_lowercase();
            assert_eq!(
                values::value_by_name(kind, &spaced),
                Some(value),
                "{kind} {spaced}"
            );
            assert_eq!(values::value_name(kind, value), Some(name));
            assert!(
                name.parse::<u32>().is_err(),
                "a name must not read as a number"
            );
        }
    }
    assert!(seen > 150, "{seen} named values");
    assert_eq!(values::value_by_name(a::SERVICE_TYPE, "Call"), None);
    assert_eq!(values::value_name(a::SERVICE_TYPE, 99), None);
    assert_eq!(values::value_by_name(a::NAS_PORT, "Ethernet"), None);
}
