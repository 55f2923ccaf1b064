//! Attribute types (IANA registry "RADIUS Attribute Types").

/// RFC 2865 section 5.1
pub const USER_NAME: u8 = 1;
/// RFC 2865 section 5.2
pub const USER_PASSWORD: u8 = 2;
/// RFC 2865 section 5.3
pub const CHAP_PASSWORD: u8 = 3;
/// RFC 2865 section 5.4
pub const NAS_IP_ADDRESS: u8 = 4;
/// RFC 2865 section 5.5
pub const NAS_PORT: u8 = 5;
/// RFC 2865 section 5.6
pub const SERVICE_TYPE: u8 = 6;
/// RFC 2865 section 5.8
pub const FRAMED_IP_ADDRESS: u8 = 8;
/// RFC 2865 section 5.11
pub const FILTER_ID: u8 = 11;
/// RFC 2865 section 5.12
pub const FRAMED_MTU: u8 = 12;
/// RFC 2865 section 5.18
pub const REPLY_MESSAGE: u8 = 18;
/// RFC 2865 section 5.24
pub const STATE: u8 = 24;
/// RFC 2865 section 5.25
pub const CLASS: u8 = 25;
/// RFC 2865 section 5.26
pub const VENDOR_SPECIFIC: u8 = 26;
/// RFC 2865 section 5.27
pub const SESSION_TIMEOUT: u8 = 27;
/// RFC 2865 section 5.28
pub const IDLE_TIMEOUT: u8 = 28;
/// RFC 2865 section 5.29
pub const TERMINATION_ACTION: u8 = 29;
/// RFC 2865 section 5.30
pub const CALLED_STATION_ID: u8 = 30;
/// RFC 2865 section 5.31
pub const CALLING_STATION_ID: u8 = 31;
/// RFC 2865 section 5.32
pub const NAS_IDENTIFIER: u8 = 32;
/// RFC 2865 section 5.33
pub const PROXY_STATE: u8 = 33;
/// RFC 2866 section 5.1
pub const ACCT_STATUS_TYPE: u8 = 40;
/// RFC 2866 section 5.2
pub const ACCT_DELAY_TIME: u8 = 41;
/// RFC 2866 section 5.3
pub const ACCT_INPUT_OCTETS: u8 = 42;
/// RFC 2866 section 5.4
pub const ACCT_OUTPUT_OCTETS: u8 = 43;
/// RFC 2866 section 5.5
pub const ACCT_SESSION_ID: u8 = 44;
/// RFC 2866 section 5.6
pub const ACCT_AUTHENTIC: u8 = 45;
/// RFC 2866 section 5.7
pub const ACCT_SESSION_TIME: u8 = 46;
/// RFC 2866 section 5.8
pub const ACCT_INPUT_PACKETS: u8 = 47;
/// RFC 2866 section 5.9
pub const ACCT_OUTPUT_PACKETS: u8 = 48;
/// RFC 2866 section 5.10
pub const ACCT_TERMINATE_CAUSE: u8 = 49;
/// RFC 2866 section 5.11
pub const ACCT_MULTI_SESSION_ID: u8 = 50;
/// RFC 2869 section 5.3
pub const EVENT_TIMESTAMP: u8 = 55;
/// RFC 4675 section 2.1
pub const EGRESS_VLANID: u8 = 56;
/// RFC 4675 section 2.2
pub const INGRESS_FILTERS: u8 = 57;
/// RFC 4675 section 2.3
pub const EGRESS_VLAN_NAME: u8 = 58;
/// RFC 4675 section 2.4
pub const USER_PRIORITY_TABLE: u8 = 59;
/// RFC 2865 section 5.40
pub const CHAP_CHALLENGE: u8 = 60;
/// RFC 2865 section 5.41
pub const NAS_PORT_TYPE: u8 = 61;
/// RFC 2868 section 3.1
pub const TUNNEL_TYPE: u8 = 64;
/// RFC 2868 section 3.2
pub const TUNNEL_MEDIUM_TYPE: u8 = 65;
/// RFC 2868 section 3.5
pub const TUNNEL_PASSWORD: u8 = 69;
/// RFC 2869 section 5.11
pub const CONNECT_INFO: u8 = 77;
/// RFC 3579 section 3.1
pub const EAP_MESSAGE: u8 = 79;
/// RFC 3579 section 3.2
pub const MESSAGE_AUTHENTICATOR: u8 = 80;
/// RFC 2868 section 3.6
pub const TUNNEL_PRIVATE_GROUP_ID: u8 = 81;
/// RFC 2869 section 5.16
pub const ACCT_INTERIM_INTERVAL: u8 = 85;
/// RFC 2869 section 5.17
pub const NAS_PORT_ID: u8 = 87;
/// RFC 4372 section 2.2
pub const CHARGEABLE_USER_IDENTITY: u8 = 89;
/// RFC 4849 section 2
pub const NAS_FILTER_RULE: u8 = 92;
/// RFC 3162 section 2.1
pub const NAS_IPV6_ADDRESS: u8 = 95;
/// RFC 5176 section 3.5
pub const ERROR_CAUSE: u8 = 101;
/// RFC 4072 section 2.2; RFC 7268 section 2.7
pub const EAP_KEY_NAME: u8 = 102;
