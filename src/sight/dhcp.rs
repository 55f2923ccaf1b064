//! A DHCP message from a device, as a sighting.

use std::collections::BTreeMap;
use std::net::{IpAddr, Ipv4Addr, SocketAddr};

use dhcproto::v4::borrowed::Message;
use dhcproto::v4::{MAGIC, Opcode};
use jiff::Timestamp;
use serde::Serialize;

use super::options::{Options, sub_options};
use super::spelling;
use crate::bench::DhcpField;
use crate::wire::Mac;

/// One thing learnt about a device from one DHCP message.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Sighting {
    /// When it arrived.
    pub at: Timestamp,
    /// The device: hardware address of the message (chaddr).
    pub mac: Mac,
    /// Who sent the datagram: the device or its relay.
    pub from: SocketAddr,
    /// The relay that it came through (giaddr), if any.
    pub relay: Option<IpAddr>,
    /// DHCP message type (RFC 2132 section 9.6).
    pub message: u8,
    /// Address that the device asked for (option 50).
    pub requested: Option<Ipv4Addr>,
    /// What it said, by the word of each [`DhcpField`].
    pub fields: BTreeMap<String, String>,
    /// Options that were left out because their length is wrong, one line each.
    pub faults: Vec<String>,
}

impl Sighting {
    /// What the device said under one field.
    #[must_use]
    pub fn field(&self, field: DhcpField) -> Option<&str> {
        self.fields.get(field.word()).map(String::as_str)
    }

    /// The message type's name (RFC 2132 section 9.6).
    #[must_use]
    pub fn message_name(&self) -> &'static str {
        client_message(self.message).unwrap_or("DHCP")
    }
}

/// Why a datagram is not a sighting. Nothing is ever answered, so each is a silent discard.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum NotASighting {
    /// Shorter than the fixed fields and the cookie.
    #[error("{0} octets, a DHCP message has at least 240 (RFC 2131 section 2)")]
    Short(usize),
    /// No magic cookie before the options.
    #[error("octets 236 to 239 are not the magic cookie 99.130.83.99 (RFC 2131 section 3)")]
    NoCookie,
    /// An option runs past the field that it stands in.
    #[error("option {option} runs past its field, {left} octets are left (RFC 2132 section 2)")]
    Truncated {
        /// Option code.
        option: u8,
        /// Octets left after its code and length.
        left: usize,
    },
    /// Option Overload says what no message may say.
    #[error("option 52 must be one octet of 1, 2 or 3 (RFC 2132 section 9.3)")]
    Overload,
    /// No usable message type: a BOOTP message, or one spoilt on the way.
    #[error("no DHCP message type of one octet in option 53 (RFC 2131 section 3)")]
    NoMessageType,
    /// Not on its way from a client to a server.
    #[error("op {0} is not BOOTREQUEST: it comes from a server (RFC 2131 section 2)")]
    NotARequest(u8),
    /// A message type that devices do not send to a server.
    #[error("message type {0} is none that a client sends (RFC 2131 section 3.1, table 2)")]
    NotFromAClient(u8),
    /// The hardware address is not an Ethernet address.
    #[error(
        "hardware type {kind} with {length} octets is no Ethernet address (RFC 2131 section 2)"
    )]
    NotEthernet {
        /// htype.
        kind: u8,
        /// hlen.
        length: u8,
    },
    /// A group address, or all zero.
    #[error("{0} can be no device's own address")]
    NotADevice(Mac),
}

impl NotASighting {
    /// The journal's verdict.
    #[must_use]
    pub fn verdict(&self) -> &'static str {
        match self {
            NotASighting::Short(_) | NotASighting::NoCookie | NotASighting::NoMessageType => {
                "dropped-not-dhcp"
            }
            NotASighting::Truncated { .. } | NotASighting::Overload => "dropped-malformed",
            NotASighting::NotARequest(_) | NotASighting::NotFromAClient(_) => {
                "dropped-not-from-a-client"
            }
            NotASighting::NotEthernet { .. } | NotASighting::NotADevice(_) => {
                "dropped-no-device-address"
            }
        }
    }
}

/// Reads one datagram that arrived on the DHCP listener, plain or relayed.
///
/// The library's lazy header view and octet reader are used, not its whole-message decoder: that
/// one refuses a message for a single option that it cannot understand, and a device would go
/// unseen for a host name that is not UTF-8.
///
/// # Errors
/// Why it is no message from a device.
pub fn read_dhcp(
    now: Timestamp,
    from: SocketAddr,
    datagram: &[u8],
) -> Result<Sighting, NotASighting> {
    let header = Message::new(datagram).map_err(|_| NotASighting::Short(datagram.len()))?;
    if header.opcode() != Opcode::BootRequest {
        return Err(NotASighting::NotARequest(header.opcode().into()));
    }
    if datagram.get(COOKIE..OPTIONS) != Some(&MAGIC) {
        return Err(NotASighting::NoCookie);
    }
    let options = options(datagram)?;
    let message = match options.get(MESSAGE_TYPE) {
        Some(&[message]) => message,
        _ => return Err(NotASighting::NoMessageType),
    };
    if client_message(message).is_none() {
        return Err(NotASighting::NotFromAClient(message));
    }
    let mac = hardware_address(&header)?;
    let mut told = Told::default();
    let requested = told.requested(&options);
    told.fields(&options);
    Ok(Sighting {
        at: now,
        mac,
        from,
        relay: (!header.giaddr().is_unspecified()).then(|| header.giaddr().into()),
        message,
        requested,
        fields: told.fields,
        faults: told.faults,
    })
}

// Offsets of the fixed fields (RFC 2131 section 2, figure 1).
const SNAME: usize = 44;
const FILE: usize = 108;
const COOKIE: usize = 236;
const OPTIONS: usize = 240;

const HOST_NAME: u8 = 12;
const REQUESTED_ADDRESS: u8 = 50;
const OVERLOAD: u8 = 52;
const MESSAGE_TYPE: u8 = 53;
const PARAMETER_LIST: u8 = 55;
const VENDOR_CLASS: u8 = 60;
const CLIENT_ID: u8 = 61;
const USER_CLASS: u8 = 77;
const RELAY_AGENT: u8 = 82;
const CIRCUIT_ID: u8 = 1;
const REMOTE_ID: u8 = 2;

/// Ethernet, and IEEE 802 networks, whose addresses have the same form (RFC 1700, "hrd").
const ETHERNET: [u8; 2] = [1, 6];

/// Name of a message type that a client sends (RFC 2132 section 9.6; RFC 2131 section 3.1,
/// table 2).
fn client_message(message: u8) -> Option<&'static str> {
    Some(match message {
        1 => "DHCPDISCOVER",
        3 => "DHCPREQUEST",
        4 => "DHCPDECLINE",
        7 => "DHCPRELEASE",
        8 => "DHCPINFORM",
        _ => return None,
    })
}

/// The options field, then `file`, then `sname` where Option Overload says that they hold options
/// too (RFC 2131 section 4.1, RFC 2132 section 9.3).
fn options(datagram: &[u8]) -> Result<Options, NotASighting> {
    let mut options = Options::default();
    options.add(datagram.get(OPTIONS..).unwrap_or_default())?;
    let (file, sname) = match options.get(OVERLOAD) {
        None => (false, false),
        Some([1]) => (true, false),
        Some([2]) => (false, true),
        Some([3]) => (true, true),
        Some(_) => return Err(NotASighting::Overload),
    };
    if file {
        options.add(datagram.get(FILE..COOKIE).unwrap_or_default())?;
    }
    if sname {
        options.add(datagram.get(SNAME..FILE).unwrap_or_default())?;
    }
    Ok(options)
}

fn hardware_address(header: &Message<'_>) -> Result<Mac, NotASighting> {
    let kind = header.htype().into();
    let length = header.hlen();
    let not_ethernet = NotASighting::NotEthernet { kind, length };
    // The length is looked at first: the library takes it on trust when it cuts the address out.
    if length != 6 || !ETHERNET.contains(&kind) {
        return Err(not_ethernet);
    }
    let mac = Mac(header.chaddr().try_into().map_err(|_| not_ethernet)?);
    if mac.is_group() || mac == Mac::default() {
        return Err(NotASighting::NotADevice(mac));
    }
    Ok(mac)
}

/// What the options tell, and which of them were no use.
#[derive(Default)]
struct Told {
    fields: BTreeMap<String, String>,
    faults: Vec<String>,
}

impl Told {
    fn requested(&mut self, options: &Options) -> Option<Ipv4Addr> {
        let value = options.get(REQUESTED_ADDRESS)?;
        let octets: Result<[u8; 4], _> = value.try_into();
        if octets.is_err() {
            self.fault(REQUESTED_ADDRESS, value, "4 (RFC 2132 section 9.1)");
        }
        octets.ok().map(Ipv4Addr::from)
    }

    fn fields(&mut self, options: &Options) {
        use DhcpField as Field;
        for (code, field, least, rule, spell) in [
            (
                HOST_NAME,
                Field::HostName,
                1,
                "at least 1 (RFC 2132 section 3.14)",
                spelling::text as fn(&[u8]) -> String,
            ),
            (
                PARAMETER_LIST,
                Field::ParameterList,
                1,
                "at least 1 (RFC 2132 section 9.8)",
                spelling::numbers,
            ),
            (
                VENDOR_CLASS,
                Field::VendorClass,
                1,
                "at least 1 (RFC 2132 section 9.13)",
                spelling::text,
            ),
            (
                CLIENT_ID,
                Field::ClientId,
                2,
                "at least 2 (RFC 2132 section 9.14)",
                spelling::hex,
            ),
            (
                USER_CLASS,
                Field::UserClass,
                1,
                "at least 1 (RFC 3004 section 4)",
                spelling::user_class,
            ),
        ] {
            let Some(value) = options.get(code) else {
                continue;
            };
            if value.len() < least {
                self.fault(code, value, rule);
            } else {
                self.tell(field, spell(value));
            }
        }
        if let Some(value) = options.get(RELAY_AGENT) {
            self.relay_agent(value);
        }
    }

    fn relay_agent(&mut self, value: &[u8]) {
        let Some(found) = sub_options(value) else {
            self.faults.push(
                "option 82: a sub-option runs past the option (RFC 3046 section 2.0)".to_owned(),
            );
            return;
        };
        for (code, value) in found {
            match code {
                CIRCUIT_ID => self.tell(DhcpField::CircuitId, spelling::opaque(value)),
                REMOTE_ID => self.tell(DhcpField::RemoteId, spelling::opaque(value)),
                _ => {}
            }
        }
    }

    fn tell(&mut self, field: DhcpField, value: String) {
        self.fields.insert(field.word().to_owned(), value);
    }

    fn fault(&mut self, code: u8, value: &[u8], rule: &str) {
        let length = value.len();
        self.faults
            .push(format!("option {code} has {length} octets, not {rule}"));
    }
}
