//! What holds where the configuration says nothing.

use std::collections::{BTreeMap, BTreeSet};
use std::net::{IpAddr, Ipv4Addr};
use std::time::Duration;

use super::{
    AccountingConfig, Bounce, Changes, Dot1xTimers, MethodOrder, Ports, Reauthentication, Requests,
    Retransmission,
};
use crate::wire::Mac;

pub(super) fn loopback() -> IpAddr {
    Ipv4Addr::LOCALHOST.into()
}

pub(super) fn bridge_mac() -> Mac {
    Mac([0x02, 0x00, 0x5e, 0x00, 0x00, 0x00])
}

pub(super) fn relay_address() -> Ipv4Addr {
    Ipv4Addr::new(192, 0, 2, 1)
}

pub(super) fn minute() -> Duration {
    Duration::from_secs(60)
}

pub(super) fn yes() -> bool {
    true
}

impl Default for Ports {
    fn default() -> Ports {
        Ports {
            count: 24,
            prefix: String::new(),
            limit: 1,
            order: MethodOrder::default(),
            next_after_refusal: false,
            poe: true,
            each: BTreeMap::new(),
        }
    }
}

impl Default for Dot1xTimers {
    fn default() -> Dot1xTimers {
        Dot1xTimers {
            tx_period: Duration::from_secs(2),
            tries: 2,
            supplicant_timeout: Duration::from_secs(30),
            supplicant_tries: 2,
        }
    }
}

impl Default for Reauthentication {
    fn default() -> Reauthentication {
        Reauthentication {
            every: None,
            from_server: true,
        }
    }
}

impl Default for Retransmission {
    fn default() -> Retransmission {
        Retransmission {
            first: Duration::from_secs(2),
            tries: 5,
            longest: Duration::from_secs(16),
            total: Duration::from_secs(30),
            jitter: true,
        }
    }
}

impl Default for AccountingConfig {
    fn default() -> AccountingConfig {
        AccountingConfig {
            enabled: true,
            interim: None,
            delay_time: false,
            retransmission: Retransmission {
                tries: 0,
                longest: Duration::ZERO,
                total: Duration::ZERO,
                ..Retransmission::default()
            },
        }
    }
}

impl Default for Requests {
    fn default() -> Requests {
        Requests {
            message_authenticator: true,
            require_message_authenticator: true,
            acct_session_id: true,
            framed_mtu: 1500,
        }
    }
}

impl Default for Changes {
    fn default() -> Changes {
        Changes {
            enabled: true,
            port: 3799,
            secret: None,
            from: BTreeSet::new(),
            window: Duration::from_secs(300),
            require_event_timestamp: false,
            require_message_authenticator: false,
            several_sessions: false,
            authorize_only: true,
        }
    }
}

impl Default for Bounce {
    fn default() -> Bounce {
        Bounce {
            link_down: Duration::from_secs(5),
            cut_power: true,
        }
    }
}
