//! What happens on a stand-in, for the timeline and the expectations of a drill.

use std::fmt;
use std::net::SocketAddr;
use std::time::Duration;

use jiff::Timestamp;
use serde::Serialize;

use super::grant::Grant;
use crate::wire::registry::error_cause::ErrorCause;
use crate::wire::{Code, Mac};

/// One thing that happened.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SwitchEvent {
    /// When.
    pub at: Timestamp,
    /// Port, by name (NAS-Port-Id), where it happened on one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub port: Option<String>,
    /// Device, where it concerns one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub mac: Option<Mac>,
    /// What.
    #[serde(flatten)]
    pub what: What,
}

/// How a device is let in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Method {
    /// IEEE 802.1X
    Dot1x,
    /// MAC authentication.
    Mac,
}

/// Kinds of things that happen.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "event", rename_all = "kebab-case")]
#[non_exhaustive]
pub enum What {
    /// The switch came up.
    Started,
    /// The switch went down.
    Stopped,
    /// A device was plugged.
    Plugged {
        /// Its name.
        device: String,
        /// The device that it is plugged into instead of the switch.
        #[serde(skip_serializing_if = "Option::is_none")]
        behind: Option<String>,
    },
    /// A device was unplugged.
    Unplugged {
        /// Its name.
        device: String,
    },
    /// A device lost power, or has none on this port.
    PowerLost {
        /// Its name.
        device: String,
    },
    /// A device got power and boots.
    PowerBack {
        /// Its name.
        device: String,
    },
    /// A device has booted.
    Booted {
        /// Its name.
        device: String,
    },
    /// The port's link is up.
    LinkUp,
    /// The port's link is down.
    LinkDown,
    /// 802.1X began to ask for the identity.
    Dot1xBegan,
    /// No answer to 802.1X.
    Dot1xTimedOut,
    /// A supplicant fell silent in the middle.
    SupplicantSilent,
    /// A device spoke 802.1X first.
    EapolStart,
    /// A supplicant logged off.
    EapolLogoff,
    /// A person begins to log on.
    LoggedOn {
        /// Who.
        person: String,
    },
    /// Whoever was logged on logs off.
    LoggedOff {
        /// Who, unless nobody was.
        #[serde(skip_serializing_if = "Option::is_none")]
        login: Option<String>,
    },
    /// A login succeeded, as the supplicant sees it.
    LoginSucceeded {
        /// Who: "machine" or the person's name.
        login: String,
    },
    /// A login failed, as the supplicant sees it.
    LoginFailed {
        /// Who: "machine" or the person's name.
        login: String,
        /// Why.
        reason: String,
    },
    /// The keys that the server gave are not those of the supplicant.
    KeysDiffer,
    /// An Access-Request left.
    Asked {
        /// What for.
        method: Method,
        /// Identifier of the packet.
        identifier: u8,
    },
    /// An Access-Request for new grants left (Authorize-Only).
    AskedForGrant {
        /// Identifier of the packet.
        identifier: u8,
    },
    /// A request was sent again.
    Repeated {
        /// Identifier of the packet.
        identifier: u8,
        /// How often it was sent by now.
        times: u32,
    },
    /// A datagram from a server was dropped.
    ReplyDropped {
        /// Why, with the section that was broken.
        reason: String,
    },
    /// A server did not answer in time.
    ServerSilent {
        /// Its address.
        server: SocketAddr,
    },
    /// A silent server's dead time is over; it is asked again.
    ServerTriedAgain {
        /// Its address.
        server: SocketAddr,
    },
    /// The device is let in, or let in anew with another grant.
    Admitted {
        /// By what.
        method: Method,
        /// True when no server answered and the switch decided.
        critical: bool,
        /// What it was given.
        #[serde(flatten)]
        grant: Grant,
    },
    /// A change gave it another grant in place.
    Regranted {
        /// What it has now.
        #[serde(flatten)]
        grant: Grant,
    },
    /// An accept could not be carried out.
    GrantRefused {
        /// Why, with the section that was broken.
        reason: String,
    },
    /// The device is not let in.
    Refused {
        /// By what.
        method: Method,
        /// Reply-Message, where there was one.
        #[serde(skip_serializing_if = "Option::is_none")]
        message: Option<String>,
    },
    /// The device waits out the quiet period.
    Held {
        /// How long, in seconds.
        #[serde(serialize_with = "seconds")]
        wait: Duration,
    },
    /// More devices than the port admits.
    LimitExceeded {
        /// The limit.
        limit: u16,
    },
    /// The device was heard on this port while it had a session on another.
    Moved {
        /// The other port.
        from: String,
    },
    /// The session authenticates again.
    Reauthenticating {
        /// Why.
        why: ReauthenticationCause,
    },
    /// A session began.
    SessionStarted {
        /// Acct-Session-Id.
        session: String,
    },
    /// A session ended.
    SessionStopped {
        /// Acct-Session-Id.
        session: String,
        /// Why.
        cause: StopCause,
    },
    /// An accounting record was lost because too many wait.
    AccountingLost {
        /// Acct-Session-Id.
        session: String,
    },
    /// A change came and was answered.
    ChangeAnswered {
        /// Code of the answer.
        #[serde(serialize_with = "code")]
        answer: Code,
        /// Error-Cause.
        #[serde(skip_serializing_if = "Option::is_none")]
        cause: Option<ErrorCause>,
    },
    /// A change came again and got the same answer.
    ChangeRepeated,
    /// A change was dropped.
    ChangeDropped {
        /// Why, with the section that was broken.
        reason: String,
    },
    /// The port goes down and comes up again.
    Bounced {
        /// How long it stays down, in seconds.
        #[serde(serialize_with = "seconds")]
        down: Duration,
        /// Whether a device on it lost power.
        power_cut: bool,
    },
    /// The port was switched off by a change.
    Disabled,
    /// A device sent DHCP.
    DhcpSent {
        /// Message.
        message: DhcpMessage,
        /// Whether it went through; else the port let nothing pass.
        relayed: bool,
    },
    /// A device has an address.
    AddressGiven {
        /// The address.
        address: std::net::Ipv4Addr,
    },
}

/// DHCP messages that devices send.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum DhcpMessage {
    /// DHCPDISCOVER
    Discover,
    /// DHCPREQUEST
    Request,
}

/// Why a session authenticates again.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum ReauthenticationCause {
    /// Its timer.
    Timer,
    /// A change.
    Change,
    /// The server is asked again after its silence.
    ServerBack,
    /// The supplicant started over.
    Supplicant,
    /// By hand.
    Hand,
}

/// Acct-Terminate-Cause (RFC 2866 section 5.10; 20 to 22 of RFC 3580).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
#[repr(u32)]
pub enum StopCause {
    /// The supplicant logged off.
    UserRequest = 1,
    /// The link went down, or the device turned up elsewhere.
    LostCarrier = 2,
    /// Idle-Timeout.
    IdleTimeout = 4,
    /// Session-Timeout.
    SessionTimeout = 5,
    /// A change ended the session or reset the port.
    AdminReset = 6,
    /// The switch went down.
    AdminReboot = 7,
    /// Re-authentication was refused.
    ReauthenticationFailure = 20,
    /// The port was switched off.
    PortDisabled = 22,
}

impl StopCause {
    /// The number on the wire.
    #[must_use]
    pub fn number(self) -> u32 {
        self as u32
    }
}

fn seconds<S: serde::Serializer>(duration: &Duration, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_f64(duration.as_secs_f64())
}

fn code<S: serde::Serializer>(code: &Code, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.collect_str(code)
}

impl fmt::Display for SwitchEvent {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(port) = &self.port {
            write!(f, "port {port}: ")?;
        }
        if let Some(mac) = &self.mac {
            write!(f, "{mac} ")?;
        }
        self.what.fmt(f)
    }
}

impl fmt::Display for What {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            What::Started => f.write_str("switch up"),
            What::Stopped => f.write_str("switch down"),
            What::Plugged {
                device,
                behind: None,
            } => write!(f, "{device} plugged"),
            What::Plugged {
                device,
                behind: Some(host),
            } => write!(f, "{device} plugged behind {host}"),
            What::Unplugged { device } => write!(f, "{device} unplugged"),
            What::PowerLost { device } => write!(f, "{device} without power"),
            What::PowerBack { device } => write!(f, "{device} has power, boots"),
            What::Booted { device } => write!(f, "{device} booted"),
            What::LinkUp => f.write_str("link up"),
            What::LinkDown => f.write_str("link down"),
            What::Dot1xBegan => f.write_str("802.1X asks for the identity"),
            What::Dot1xTimedOut => f.write_str("no answer to 802.1X"),
            What::SupplicantSilent => f.write_str("supplicant fell silent"),
            What::EapolStart => f.write_str("starts 802.1X"),
            What::EapolLogoff => f.write_str("logs off by 802.1X"),
            What::LoggedOn { person } => write!(f, "{person} logs on"),
            What::LoggedOff { login: Some(login) } => write!(f, "{login} logs off"),
            What::LoggedOff { login: None } => f.write_str("nobody is there to log off"),
            What::LoginSucceeded { login } => write!(f, "login of {login} succeeded"),
            What::LoginFailed { login, reason } => write!(f, "login of {login} failed: {reason}"),
            What::KeysDiffer => f.write_str("keys of server and supplicant differ"),
            What::Asked { method, identifier } => {
                write!(f, "Access-Request {identifier} sent for {method}")
            }
            What::AskedForGrant { identifier } => {
                write!(f, "Access-Request {identifier} sent for new grants")
            }
            What::Repeated { identifier, times } => {
                write!(f, "request {identifier} sent for the {times}. time")
            }
            What::ReplyDropped { reason } => write!(f, "answer dropped: {reason}"),
            What::ServerSilent { server } => write!(f, "server {server} is silent"),
            What::ServerTriedAgain { server } => write!(f, "server {server} is tried again"),
            What::Admitted {
                method,
                critical: false,
                grant,
            } => write!(f, "admitted by {method}: {grant}"),
            What::Admitted {
                critical: true,
                grant,
                ..
            } => write!(f, "admitted without a server: {grant}"),
            What::Regranted { grant } => write!(f, "granted in place: {grant}"),
            What::GrantRefused { reason } => write!(f, "grant cannot be carried out: {reason}"),
            What::Refused {
                method,
                message: None,
            } => write!(f, "refused by {method}"),
            What::Refused {
                method,
                message: Some(message),
            } => write!(f, "refused by {method}: {message}"),
            What::Held { wait } => write!(f, "held for {} s", wait.as_secs_f64()),
            What::LimitExceeded { limit } => {
                write!(f, "turned away: the port admits {limit} at once")
            }
            What::Moved { from } => write!(f, "moved here from port {from}"),
            What::Reauthenticating { why } => write!(f, "authenticates again ({why})"),
            What::SessionStarted { session } => write!(f, "session {session} started"),
            What::SessionStopped { session, cause } => {
                write!(f, "session {session} stopped ({cause})")
            }
            What::AccountingLost { session } => {
                write!(
                    f,
                    "accounting record of session {session} lost: too many wait"
                )
            }
            What::ChangeAnswered {
                answer,
                cause: None,
            } => write!(f, "change answered with {answer}"),
            What::ChangeAnswered {
                answer,
                cause: Some(cause),
            } => write!(f, "change answered with {answer}, {cause}"),
            What::ChangeRepeated => f.write_str("change came again, same answer sent again"),
            What::ChangeDropped { reason } => write!(f, "change dropped: {reason}"),
            What::Bounced { down, power_cut } => {
                let power = if *power_cut { ", power cut" } else { "" };
                write!(f, "bounced: down for {} s{power}", down.as_secs_f64())
            }
            What::Disabled => f.write_str("switched off by a change"),
            What::DhcpSent { message, relayed } => {
                let fate = if *relayed { "relayed" } else { "blocked" };
                write!(f, "DHCP {message} {fate}")
            }
            What::AddressGiven { address } => write!(f, "has address {address}"),
        }
    }
}

impl fmt::Display for Method {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Method::Dot1x => "802.1X",
            Method::Mac => "MAC authentication",
        })
    }
}

impl fmt::Display for DhcpMessage {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            DhcpMessage::Discover => "discover",
            DhcpMessage::Request => "request",
        })
    }
}

impl fmt::Display for ReauthenticationCause {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            ReauthenticationCause::Timer => "timer",
            ReauthenticationCause::Change => "change",
            ReauthenticationCause::ServerBack => "server asked again",
            ReauthenticationCause::Supplicant => "supplicant started over",
            ReauthenticationCause::Hand => "by hand",
        })
    }
}

impl fmt::Display for StopCause {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            StopCause::UserRequest => "user request",
            StopCause::LostCarrier => "lost carrier",
            StopCause::IdleTimeout => "idle timeout",
            StopCause::SessionTimeout => "session timeout",
            StopCause::AdminReset => "admin reset",
            StopCause::AdminReboot => "admin reboot",
            StopCause::ReauthenticationFailure => "re-authentication failure",
            StopCause::PortDisabled => "port disabled",
        })
    }
}
