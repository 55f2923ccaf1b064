//! Attribute types (IANA registry "RADIUS Attribute Types"): number, name, data type, source.
//!
//! Numbers and names are compared with the constants of the protocol crate in
//! `tests/wire_registry.rs`; 124 to 132 and from 173 on, which the crate lacks, are from memory of
//! the registry, as are the data types (RFC 8044 names them) and the section numbers.

use super::data_type::DataType;

struct Row {
    kind: u8,
    name: &'static str,
    data_type: DataType,
    source: &'static str,
}

/// One line an attribute: makes the constant and the row of the table.
macro_rules! registry {
    ($($constant:ident = $kind:literal, $name:literal, $data_type:ident, $source:literal;)*) => {
        $(
            #[doc = concat!($name, " (", $source, ")")]
            pub const $constant: u8 = $kind;
        )*

        /// Sorted by type.
        const ROWS: &[Row] = &[
            $(Row {
                kind: $kind,
                name: $name,
                data_type: DataType::$data_type,
                source: $source,
            },)*
        ];
    };
}

registry! {
    USER_NAME = 1, "User-Name", Text, "RFC 2865 section 5.1";
    USER_PASSWORD = 2, "User-Password", String, "RFC 2865 section 5.2";
    CHAP_PASSWORD = 3, "CHAP-Password", String, "RFC 2865 section 5.3";
    NAS_IP_ADDRESS = 4, "NAS-IP-Address", Ipv4Addr, "RFC 2865 section 5.4";
    NAS_PORT = 5, "NAS-Port", Integer, "RFC 2865 section 5.5";
    SERVICE_TYPE = 6, "Service-Type", Enum, "RFC 2865 section 5.6";
    FRAMED_PROTOCOL = 7, "Framed-Protocol", Enum, "RFC 2865 section 5.7";
    FRAMED_IP_ADDRESS = 8, "Framed-IP-Address", Ipv4Addr, "RFC 2865 section 5.8";
    FRAMED_IP_NETMASK = 9, "Framed-IP-Netmask", Ipv4Addr, "RFC 2865 section 5.9";
    FRAMED_ROUTING = 10, "Framed-Routing", Enum, "RFC 2865 section 5.10";
    FILTER_ID = 11, "Filter-Id", Text, "RFC 2865 section 5.11";
    FRAMED_MTU = 12, "Framed-MTU", Integer, "RFC 2865 section 5.12";
    FRAMED_COMPRESSION = 13, "Framed-Compression", Enum, "RFC 2865 section 5.13";
    LOGIN_IP_HOST = 14, "Login-IP-Host", Ipv4Addr, "RFC 2865 section 5.14";
    LOGIN_SERVICE = 15, "Login-Service", Enum, "RFC 2865 section 5.15";
    LOGIN_TCP_PORT = 16, "Login-TCP-Port", Integer, "RFC 2865 section 5.16";
    REPLY_MESSAGE = 18, "Reply-Message", Text, "RFC 2865 section 5.18";
    CALLBACK_NUMBER = 19, "Callback-Number", Text, "RFC 2865 section 5.19";
    CALLBACK_ID = 20, "Callback-Id", Text, "RFC 2865 section 5.20";
    FRAMED_ROUTE = 22, "Framed-Route", Text, "RFC 2865 section 5.22";
    FRAMED_IPX_NETWORK = 23, "Framed-IPX-Network", Ipv4Addr, "RFC 2865 section 5.23";
    STATE = 24, "State", String, "RFC 2865 section 5.24";
    CLASS = 25, "Class", String, "RFC 2865 section 5.25";
    VENDOR_SPECIFIC = 26, "Vendor-Specific", Vsa, "RFC 2865 section 5.26";
    SESSION_TIMEOUT = 27, "Session-Timeout", Integer, "RFC 2865 section 5.27";
    IDLE_TIMEOUT = 28, "Idle-Timeout", Integer, "RFC 2865 section 5.28";
    TERMINATION_ACTION = 29, "Termination-Action", Enum, "RFC 2865 section 5.29";
    CALLED_STATION_ID = 30, "Called-Station-Id", Text, "RFC 2865 section 5.30";
    CALLING_STATION_ID = 31, "Calling-Station-Id", Text, "RFC 2865 section 5.31";
    NAS_IDENTIFIER = 32, "NAS-Identifier", Text, "RFC 2865 section 5.32";
    PROXY_STATE = 33, "Proxy-State", String, "RFC 2865 section 5.33";
    LOGIN_LAT_SERVICE = 34, "Login-LAT-Service", Text, "RFC 2865 section 5.34";
    LOGIN_LAT_NODE = 35, "Login-LAT-Node", Text, "RFC 2865 section 5.35";
    LOGIN_LAT_GROUP = 36, "Login-LAT-Group", String, "RFC 2865 section 5.36";
    FRAMED_APPLETALK_LINK = 37, "Framed-AppleTalk-Link", Integer, "RFC 2865 section 5.37";
    FRAMED_APPLETALK_NETWORK = 38, "Framed-AppleTalk-Network", Integer, "RFC 2865 section 5.38";
    FRAMED_APPLETALK_ZONE = 39, "Framed-AppleTalk-Zone", Text, "RFC 2865 section 5.39";
    ACCT_STATUS_TYPE = 40, "Acct-Status-Type", Enum, "RFC 2866 section 5.1";
    ACCT_DELAY_TIME = 41, "Acct-Delay-Time", Integer, "RFC 2866 section 5.2";
    ACCT_INPUT_OCTETS = 42, "Acct-Input-Octets", Integer, "RFC 2866 section 5.3";
    ACCT_OUTPUT_OCTETS = 43, "Acct-Output-Octets", Integer, "RFC 2866 section 5.4";
    ACCT_SESSION_ID = 44, "Acct-Session-Id", Text, "RFC 2866 section 5.5";
    ACCT_AUTHENTIC = 45, "Acct-Authentic", Enum, "RFC 2866 section 5.6";
    ACCT_SESSION_TIME = 46, "Acct-Session-Time", Integer, "RFC 2866 section 5.7";
    ACCT_INPUT_PACKETS = 47, "Acct-Input-Packets", Integer, "RFC 2866 section 5.8";
    ACCT_OUTPUT_PACKETS = 48, "Acct-Output-Packets", Integer, "RFC 2866 section 5.9";
    ACCT_TERMINATE_CAUSE = 49, "Acct-Terminate-Cause", Enum, "RFC 2866 section 5.10";
    ACCT_MULTI_SESSION_ID = 50, "Acct-Multi-Session-Id", Text, "RFC 2866 section 5.11";
    ACCT_LINK_COUNT = 51, "Acct-Link-Count", Integer, "RFC 2866 section 5.12";
    ACCT_INPUT_GIGAWORDS = 52, "Acct-Input-Gigawords", Integer, "RFC 2869 section 5.1";
    ACCT_OUTPUT_GIGAWORDS = 53, "Acct-Output-Gigawords", Integer, "RFC 2869 section 5.2";
    EVENT_TIMESTAMP = 55, "Event-Timestamp", Time, "RFC 2869 section 5.3";
    EGRESS_VLANID = 56, "Egress-VLANID", Integer, "RFC 4675 section 2.1";
    INGRESS_FILTERS = 57, "Ingress-Filters", Enum, "RFC 4675 section 2.2";
    EGRESS_VLAN_NAME = 58, "Egress-VLAN-Name", Text, "RFC 4675 section 2.3";
    USER_PRIORITY_TABLE = 59, "User-Priority-Table", String, "RFC 4675 section 2.4";
    CHAP_CHALLENGE = 60, "CHAP-Challenge", String, "RFC 2865 section 5.40";
    NAS_PORT_TYPE = 61, "NAS-Port-Type", Enum, "RFC 2865 section 5.41";
    PORT_LIMIT = 62, "Port-Limit", Integer, "RFC 2865 section 5.42";
    LOGIN_LAT_PORT = 63, "Login-LAT-Port", Text, "RFC 2865 section 5.43";
    TUNNEL_TYPE = 64, "Tunnel-Type", Enum, "RFC 2868 section 3.1";
    TUNNEL_MEDIUM_TYPE = 65, "Tunnel-Medium-Type", Enum, "RFC 2868 section 3.2";
    TUNNEL_CLIENT_ENDPOINT = 66, "Tunnel-Client-Endpoint", Text, "RFC 2868 section 3.3";
    TUNNEL_SERVER_ENDPOINT = 67, "Tunnel-Server-Endpoint", Text, "RFC 2868 section 3.4";
    ACCT_TUNNEL_CONNECTION = 68, "Acct-Tunnel-Connection", Text, "RFC 2867 section 4.1";
    TUNNEL_PASSWORD = 69, "Tunnel-Password", String, "RFC 2868 section 3.5";
    ARAP_PASSWORD = 70, "ARAP-Password", String, "RFC 2869 section 5.4";
    ARAP_FEATURES = 71, "ARAP-Features", String, "RFC 2869 section 5.5";
    ARAP_ZONE_ACCESS = 72, "ARAP-Zone-Access", Enum, "RFC 2869 section 5.6";
    ARAP_SECURITY = 73, "ARAP-Security", Integer, "RFC 2869 section 5.7";
    ARAP_SECURITY_DATA = 74, "ARAP-Security-Data", Text, "RFC 2869 section 5.8";
    PASSWORD_RETRY = 75, "Password-Retry", Integer, "RFC 2869 section 5.9";
    PROMPT = 76, "Prompt", Enum, "RFC 2869 section 5.10";
    CONNECT_INFO = 77, "Connect-Info", Text, "RFC 2869 section 5.11";
    CONFIGURATION_TOKEN = 78, "Configuration-Token", Text, "RFC 2869 section 5.12";
    EAP_MESSAGE = 79, "EAP-Message", Concat, "RFC 3579 section 3.1";
    MESSAGE_AUTHENTICATOR = 80, "Message-Authenticator", String, "RFC 3579 section 3.2";
    TUNNEL_PRIVATE_GROUP_ID = 81, "Tunnel-Private-Group-ID", Text, "RFC 2868 section 3.6";
    TUNNEL_ASSIGNMENT_ID = 82, "Tunnel-Assignment-ID", Text, "RFC 2868 section 3.7";
    TUNNEL_PREFERENCE = 83, "Tunnel-Preference", Integer, "RFC 2868 section 3.8";
    ARAP_CHALLENGE_RESPONSE = 84, "ARAP-Challenge-Response", String, "RFC 2869 section 5.15";
    ACCT_INTERIM_INTERVAL = 85, "Acct-Interim-Interval", Integer, "RFC 2869 section 5.16";
    ACCT_TUNNEL_PACKETS_LOST = 86, "Acct-Tunnel-Packets-Lost", Integer, "RFC 2867 section 4.2";
    NAS_PORT_ID = 87, "NAS-Port-Id", Text, "RFC 2869 section 5.17";
    FRAMED_POOL = 88, "Framed-Pool", Text, "RFC 2869 section 5.18";
    CHARGEABLE_USER_IDENTITY = 89, "Chargeable-User-Identity", String, "RFC 4372 section 2.2";
    TUNNEL_CLIENT_AUTH_ID = 90, "Tunnel-Client-Auth-ID", Text, "RFC 2868 section 3.9";
    TUNNEL_SERVER_AUTH_ID = 91, "Tunnel-Server-Auth-ID", Text, "RFC 2868 section 3.10";
    NAS_FILTER_RULE = 92, "NAS-Filter-Rule", Text, "RFC 4849 section 2";
    ORIGINATING_LINE_INFO = 94, "Originating-Line-Info", String, "RFC 7155";
    NAS_IPV6_ADDRESS = 95, "NAS-IPv6-Address", Ipv6Addr, "RFC 3162 section 2.1";
    FRAMED_INTERFACE_ID = 96, "Framed-Interface-Id", IfId, "RFC 3162 section 2.2";
    FRAMED_IPV6_PREFIX = 97, "Framed-IPv6-Prefix", Ipv6Prefix, "RFC 3162 section 2.3";
    LOGIN_IPV6_HOST = 98, "Login-IPv6-Host", Ipv6Addr, "RFC 3162 section 2.4";
    FRAMED_IPV6_ROUTE = 99, "Framed-IPv6-Route", Text, "RFC 3162 section 2.5";
    FRAMED_IPV6_POOL = 100, "Framed-IPv6-Pool", Text, "RFC 3162 section 2.6";
    ERROR_CAUSE = 101, "Error-Cause", Enum, "RFC 5176 section 3.5";
    EAP_KEY_NAME = 102, "EAP-Key-Name", String, "RFC 4072";
    DIGEST_RESPONSE = 103, "Digest-Response", Text, "RFC 5090 section 3.1";
    DIGEST_REALM = 104, "Digest-Realm", Text, "RFC 5090 section 3.2";
    DIGEST_NONCE = 105, "Digest-Nonce", Text, "RFC 5090 section 3.3";
    DIGEST_RESPONSE_AUTH = 106, "Digest-Response-Auth", Text, "RFC 5090 section 3.4";
    DIGEST_NEXTNONCE = 107, "Digest-Nextnonce", Text, "RFC 5090 section 3.5";
    DIGEST_METHOD = 108, "Digest-Method", Text, "RFC 5090 section 3.6";
    DIGEST_URI = 109, "Digest-URI", Text, "RFC 5090 section 3.7";
    DIGEST_QOP = 110, "Digest-Qop", Text, "RFC 5090 section 3.8";
    DIGEST_ALGORITHM = 111, "Digest-Algorithm", Text, "RFC 5090 section 3.9";
    DIGEST_ENTITY_BODY_HASH = 112, "Digest-Entity-Body-Hash", Text, "RFC 5090 section 3.10";
    DIGEST_CNONCE = 113, "Digest-CNonce", Text, "RFC 5090 section 3.11";
    DIGEST_NONCE_COUNT = 114, "Digest-Nonce-Count", Text, "RFC 5090 section 3.12";
    DIGEST_USERNAME = 115, "Digest-Username", Text, "RFC 5090 section 3.13";
    DIGEST_OPAQUE = 116, "Digest-Opaque", Text, "RFC 5090 section 3.14";
    DIGEST_AUTH_PARAM = 117, "Digest-Auth-Param", Text, "RFC 5090 section 3.15";
    DIGEST_AKA_AUTS = 118, "Digest-AKA-Auts", Text, "RFC 5090 section 3.16";
    DIGEST_DOMAIN = 119, "Digest-Domain", Text, "RFC 5090 section 3.17";
    DIGEST_STALE = 120, "Digest-Stale", Text, "RFC 5090 section 3.18";
    DIGEST_HA1 = 121, "Digest-HA1", Text, "RFC 5090 section 3.19";
    SIP_AOR = 122, "SIP-AOR", Text, "RFC 5090 section 3.20";
    DELEGATED_IPV6_PREFIX = 123, "Delegated-IPv6-Prefix", Ipv6Prefix, "RFC 4818 section 3";
    MIP6_FEATURE_VECTOR = 124, "MIP6-Feature-Vector", String, "RFC 5447";
    MIP6_HOME_LINK_PREFIX = 125, "MIP6-Home-Link-Prefix", String, "RFC 5447";
    OPERATOR_NAME = 126, "Operator-Name", Text, "RFC 5580 section 4.1";
    LOCATION_INFORMATION = 127, "Location-Information", String, "RFC 5580 section 4.2";
    LOCATION_DATA = 128, "Location-Data", String, "RFC 5580 section 4.3";
    BASIC_LOCATION_POLICY_RULES = 129, "Basic-Location-Policy-Rules", String, "RFC 5580 section 4.4";
    EXTENDED_LOCATION_POLICY_RULES = 130, "Extended-Location-Policy-Rules", String, "RFC 5580 section 4.5";
    LOCATION_CAPABLE = 131, "Location-Capable", Integer, "RFC 5580 section 4.6";
    REQUESTED_LOCATION_INFO = 132, "Requested-Location-Info", Integer, "RFC 5580 section 4.7";
    FRAMED_MANAGEMENT_PROTOCOL = 133, "Framed-Management-Protocol", Enum, "RFC 5607";
    MANAGEMENT_TRANSPORT_PROTECTION = 134, "Management-Transport-Protection", Enum, "RFC 5607";
    MANAGEMENT_POLICY_ID = 135, "Management-Policy-Id", Text, "RFC 5607";
    MANAGEMENT_PRIVILEGE_LEVEL = 136, "Management-Privilege-Level", Integer, "RFC 5607";
    PKM_SS_CERT = 137, "PKM-SS-Cert", Concat, "RFC 5904";
    PKM_CA_CERT = 138, "PKM-CA-Cert", Concat, "RFC 5904";
    PKM_CONFIG_SETTINGS = 139, "PKM-Config-Settings", String, "RFC 5904";
    PKM_CRYPTOSUITE_LIST = 140, "PKM-Cryptosuite-List", String, "RFC 5904";
    PKM_SAID = 141, "PKM-SAID", String, "RFC 5904";
    PKM_SA_DESCRIPTOR = 142, "PKM-SA-Descriptor", String, "RFC 5904";
    PKM_AUTH_KEY = 143, "PKM-Auth-Key", String, "RFC 5904";
    DS_LITE_TUNNEL_NAME = 144, "DS-Lite-Tunnel-Name", Text, "RFC 6519";
    MOBILE_NODE_IDENTIFIER = 145, "Mobile-Node-Identifier", String, "RFC 6572";
    SERVICE_SELECTION = 146, "Service-Selection", Text, "RFC 6572";
    PMIP6_HOME_LMA_IPV6_ADDRESS = 147, "PMIP6-Home-LMA-IPv6-Address", Ipv6Addr, "RFC 6572";
    PMIP6_VISITED_LMA_IPV6_ADDRESS = 148, "PMIP6-Visited-LMA-IPv6-Address", Ipv6Addr, "RFC 6572";
    PMIP6_HOME_LMA_IPV4_ADDRESS = 149, "PMIP6-Home-LMA-IPv4-Address", Ipv4Addr, "RFC 6572";
    PMIP6_VISITED_LMA_IPV4_ADDRESS = 150, "PMIP6-Visited-LMA-IPv4-Address", Ipv4Addr, "RFC 6572";
    PMIP6_HOME_HN_PREFIX = 151, "PMIP6-Home-HN-Prefix", Ipv6Prefix, "RFC 6572";
    PMIP6_VISITED_HN_PREFIX = 152, "PMIP6-Visited-HN-Prefix", Ipv6Prefix, "RFC 6572";
    PMIP6_HOME_INTERFACE_ID = 153, "PMIP6-Home-Interface-ID", IfId, "RFC 6572";
    PMIP6_VISITED_INTERFACE_ID = 154, "PMIP6-Visited-Interface-ID", IfId, "RFC 6572";
    PMIP6_HOME_IPV4_HOA = 155, "PMIP6-Home-IPv4-HoA", Ipv4Prefix, "RFC 6572";
    PMIP6_VISITED_IPV4_HOA = 156, "PMIP6-Visited-IPv4-HoA", Ipv4Prefix, "RFC 6572";
    PMIP6_HOME_DHCP4_SERVER_ADDRESS = 157, "PMIP6-Home-DHCP4-Server-Address", Ipv4Addr, "RFC 6572";
    PMIP6_VISITED_DHCP4_SERVER_ADDRESS = 158, "PMIP6-Visited-DHCP4-Server-Address", Ipv4Addr, "RFC 6572";
    PMIP6_HOME_DHCP6_SERVER_ADDRESS = 159, "PMIP6-Home-DHCP6-Server-Address", Ipv6Addr, "RFC 6572";
    PMIP6_VISITED_DHCP6_SERVER_ADDRESS = 160, "PMIP6-Visited-DHCP6-Server-Address", Ipv6Addr, "RFC 6572";
    PMIP6_HOME_IPV4_GATEWAY = 161, "PMIP6-Home-IPv4-Gateway", Ipv4Addr, "RFC 6572";
    PMIP6_VISITED_IPV4_GATEWAY = 162, "PMIP6-Visited-IPv4-Gateway", Ipv4Addr, "RFC 6572";
    EAP_LOWER_LAYER = 163, "EAP-Lower-Layer", Enum, "RFC 6677";
    GSS_ACCEPTOR_SERVICE_NAME = 164, "GSS-Acceptor-Service-Name", Text, "RFC 7055";
    GSS_ACCEPTOR_HOST_NAME = 165, "GSS-Acceptor-Host-Name", Text, "RFC 7055";
    GSS_ACCEPTOR_SERVICE_SPECIFICS = 166, "GSS-Acceptor-Service-Specifics", Text, "RFC 7055";
    GSS_ACCEPTOR_REALM_NAME = 167, "GSS-Acceptor-Realm-Name", Text, "RFC 7055";
    FRAMED_IPV6_ADDRESS = 168, "Framed-IPv6-Address", Ipv6Addr, "RFC 6911 section 3.1";
    DNS_SERVER_IPV6_ADDRESS = 169, "DNS-Server-IPv6-Address", Ipv6Addr, "RFC 6911 section 3.2";
    ROUTE_IPV6_INFORMATION = 170, "Route-IPv6-Information", Ipv6Prefix, "RFC 6911 section 3.3";
    DELEGATED_IPV6_PREFIX_POOL = 171, "Delegated-IPv6-Prefix-Pool", Text, "RFC 6911 section 3.4";
    STATEFUL_IPV6_ADDRESS_POOL = 172, "Stateful-IPv6-Address-Pool", Text, "RFC 6911 section 3.5";
    IPV6_6RD_CONFIGURATION = 173, "IPv6-6rd-Configuration", Tlv, "RFC 6930";
    ALLOWED_CALLED_STATION_ID = 174, "Allowed-Called-Station-Id", Text, "RFC 7268";
    EAP_PEER_ID = 175, "EAP-Peer-Id", String, "RFC 7268";
    EAP_SERVER_ID = 176, "EAP-Server-Id", String, "RFC 7268";
    MOBILITY_DOMAIN_ID = 177, "Mobility-Domain-Id", Integer, "RFC 7268";
    PREAUTH_TIMEOUT = 178, "Preauth-Timeout", Integer, "RFC 7268";
    NETWORK_ID_NAME = 179, "Network-Id-Name", String, "RFC 7268";
    EAPOL_ANNOUNCEMENT = 180, "EAPoL-Announcement", Concat, "RFC 7268";
    WLAN_HESSID = 181, "WLAN-HESSID", Text, "RFC 7268";
    WLAN_VENUE_INFO = 182, "WLAN-Venue-Info", Integer, "RFC 7268";
    WLAN_VENUE_LANGUAGE = 183, "WLAN-Venue-Language", String, "RFC 7268";
    WLAN_VENUE_NAME = 184, "WLAN-Venue-Name", Text, "RFC 7268";
    WLAN_REASON_CODE = 185, "WLAN-Reason-Code", Integer, "RFC 7268";
    WLAN_PAIRWISE_CIPHER = 186, "WLAN-Pairwise-Cipher", Integer, "RFC 7268";
    WLAN_GROUP_CIPHER = 187, "WLAN-Group-Cipher", Integer, "RFC 7268";
    WLAN_AKM_SUITE = 188, "WLAN-AKM-Suite", Integer, "RFC 7268";
    WLAN_GROUP_MGMT_CIPHER = 189, "WLAN-Group-Mgmt-Cipher", Integer, "RFC 7268";
    WLAN_RF_BAND = 190, "WLAN-RF-Band", Integer, "RFC 7268";
    EXTENDED_ATTRIBUTE_1 = 241, "Extended-Attribute-1", Extended, "RFC 6929 section 3.1";
    EXTENDED_ATTRIBUTE_2 = 242, "Extended-Attribute-2", Extended, "RFC 6929 section 3.2";
    EXTENDED_ATTRIBUTE_3 = 243, "Extended-Attribute-3", Extended, "RFC 6929 section 3.3";
    EXTENDED_ATTRIBUTE_4 = 244, "Extended-Attribute-4", Extended, "RFC 6929 section 3.4";
    EXTENDED_ATTRIBUTE_5 = 245, "Extended-Attribute-5", LongExtended, "RFC 6929 section 3.5";
    EXTENDED_ATTRIBUTE_6 = 246, "Extended-Attribute-6", LongExtended, "RFC 6929 section 3.6";
}

/// The registered name, as IANA spells it.
#[must_use]
pub fn name(kind: u8) -> Option<&'static str> {
    Some(row(kind)?.name)
}

/// The type that a name stands for, in either case.
#[must_use]
pub fn by_name(name: &str) -> Option<u8> {
    ROWS.iter()
        .find(|row| row.name.eq_ignore_ascii_case(name))
        .map(|row| row.kind)
}

/// The data type of an attribute; `String` (opaque octets) for one that is not registered.
#[must_use]
pub fn data_type(kind: u8) -> DataType {
    row(kind).map_or(DataType::String, |row| row.data_type)
}

/// The RFC, and mostly the section, that defines an attribute.
#[must_use]
pub fn source(kind: u8) -> Option<&'static str> {
    Some(row(kind)?.source)
}

/// Every registered name, in the order of the numbers: for suggestions.
pub fn names() -> impl Iterator<Item = &'static str> {
    ROWS.iter().map(|row| row.name)
}

/// True for the tunnel attributes, whose first octet may be a tag (RFC 2868 section 3).
#[must_use]
pub fn is_tagged(kind: u8) -> bool {
    matches!(
        kind,
        TUNNEL_TYPE
            | TUNNEL_MEDIUM_TYPE
            | TUNNEL_CLIENT_ENDPOINT
            | TUNNEL_SERVER_ENDPOINT
            | TUNNEL_PASSWORD
            | TUNNEL_PRIVATE_GROUP_ID
            | TUNNEL_ASSIGNMENT_ID
            | TUNNEL_PREFERENCE
            | TUNNEL_CLIENT_AUTH_ID
            | TUNNEL_SERVER_AUTH_ID
    )
}

/// True for attributes that carry a password, a key or a response that a password can be guessed
/// from. Their octets are not shown anywhere.
#[must_use]
pub fn is_secret(kind: u8) -> bool {
    matches!(
        kind,
        USER_PASSWORD
            | CHAP_PASSWORD
            | TUNNEL_PASSWORD
            | ARAP_PASSWORD
            | ARAP_CHALLENGE_RESPONSE
            | DIGEST_RESPONSE
            | DIGEST_HA1
            | PKM_AUTH_KEY
    )
}

fn row(kind: u8) -> Option<&'static Row> {
    let at = ROWS.binary_search_by_key(&kind, |row| row.kind).ok()?;
    ROWS.get(at)
}
