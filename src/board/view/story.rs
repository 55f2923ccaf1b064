//! An exchange as arrows between device, switch and portproof, with a sentence for each.
//!
//! The journal records what reached or left portproof. What went between the device and the
//! switch is told by it (an EAP-Message, an acknowledged bounce); such arrows are drawn as not
//! recorded.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::PacketView;
use crate::bench::ChangeKind;
use crate::journal::{Direction, Entry, Kind, Link};
use crate::wire::registry::attributes as a;
use crate::wire::{Code, Packet};

/// Who takes part.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Party {
    /// The device on the port.
    Device,
    /// The switch under test.
    Switch,
    /// The bench.
    Portproof,
}

/// One arrow, or a remark where both ends are the same.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Step {
    /// When.
    #[schema(value_type = String, format = DateTime)]
    pub at: Timestamp,
    /// Where it starts.
    pub from: Party,
    /// Where it ends.
    pub to: Party,
    /// What it is, in few words.
    pub label: String,
    /// What happens, in one sentence for people who learn.
    pub sentence: String,
    /// False for what the journal does not hold and the packet next to it tells.
    pub recorded: bool,
    /// Number of the entry.
    pub entry: u64,
    /// Place of the packet in the entry, where there is one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub packet: Option<usize>,
}

/// The arrows of one entry.
pub(super) fn steps(entry: &Entry, packets: &[PacketView]) -> Vec<Step> {
    let mut drawing = Drawing {
        entry,
        steps: Vec::new(),
    };
    for (place, (record, view)) in entry.packets.iter().zip(packets).enumerate() {
        match record.link {
            Link::Dhcp => drawing.dhcp(place, view),
            link => match Packet::parse(&record.octets) {
                Ok(packet) => drawing.radius(place, view, &packet, record.direction, link),
                Err(_) => drawing.unreadable(place, view, record.direction),
            },
        }
    }
    drawing.outcome();
    drawing.steps
}

struct Drawing<'e> {
    entry: &'e Entry,
    steps: Vec<Step>,
}

impl Drawing<'_> {
    fn radius(
        &mut self,
        place: usize,
        view: &PacketView,
        packet: &Packet<'_>,
        direction: Direction,
        link: Link,
    ) {
        if direction == Direction::In && packet.code() == Code::ACCESS_REQUEST {
            self.device_spoke(view.at, packet);
        }
        let (from, to) = match direction {
            Direction::In => (Party::Switch, Party::Portproof),
            Direction::Out => (Party::Portproof, Party::Switch),
        };
        let what = self.label(packet);
        let label = format!("{what} · id {}", packet.identifier());
        let sentence = self.sentence(packet, link);
        self.arrow(view.at, from, to, label, sentence, Some(place));
        if direction == Direction::Out || link == Link::Change {
            self.switch_acts(view.at, packet);
        }
    }

    /// What the device must have done for the switch to ask.
    fn device_spoke(&mut self, at: Timestamp, packet: &Packet<'_>) {
        let (label, sentence) = match eap(packet) {
            Some(eap) if eap.method == Some(1) => (
                "EAP Response, Identity".to_owned(),
                "The device answers the switch over 802.1X with who it says it is.".to_owned(),
            ),
            Some(eap) => (
                eap.label(),
                "The device's supplicant goes on with its login; the switch only passes it on."
                    .to_owned(),
            ),
            None if packet.first(a::USER_PASSWORD).is_some()
                || packet.first(a::CHAP_PASSWORD).is_some() =>
            {
                (
                    "a frame".to_owned(),
                    "The device sends a frame; the switch learns its MAC address from it."
                        .to_owned(),
                )
            }
            None => return,
        };
        self.told(at, Party::Device, Party::Switch, label, sentence);
    }

    /// What the switch does towards the device because of a packet.
    fn switch_acts(&mut self, at: Timestamp, packet: &Packet<'_>) {
        let (label, sentence) = match packet.code() {
            Code::ACCESS_ACCEPT => (
                "port opens",
                "The switch opens the port for the device, with what the accept grants.",
            ),
            Code::ACCESS_REJECT => (
                "refused",
                "The switch keeps the port closed for the device, or does what its configuration \
                 says for a reject.",
            ),
            Code::ACCESS_CHALLENGE => (
                "EAP Request",
                "The switch hands the next step of the login to the device.",
            ),
            Code::COA_ACK | Code::DISCONNECT_ACK => match self.entry.place.change {
                Some(ChangeKind::Bounce) => (
                    "link down, link up",
                    "The switch takes the port's link down and up again, so that the device \
                     starts anew.",
                ),
                Some(ChangeKind::Reauth) => (
                    "authenticate again",
                    "The switch asks the device to authenticate again.",
                ),
                Some(ChangeKind::Regrant) => (
                    "new grant",
                    "The switch puts the new grant in force; the device notices nothing.",
                ),
                Some(ChangeKind::Disconnect) => (
                    "session ends",
                    "The switch ends the session; the device has to be admitted again.",
                ),
                None => return,
            },
            _ => return,
        };
        self.told(
            at,
            Party::Switch,
            Party::Device,
            label.to_owned(),
            sentence.to_owned(),
        );
    }

    fn dhcp(&mut self, place: usize, view: &PacketView) {
        let sentence = "The device asks for an address by DHCP, and what it says in doing so \
                        tells what it is; portproof listens and answers nothing."
            .to_owned();
        let relayed = view.attributes.iter().any(|said| said.path == "giaddr");
        let label = if relayed {
            format!("{} (relayed)", view.name)
        } else {
            view.name.clone()
        };
        self.arrow(
            view.at,
            Party::Device,
            Party::Portproof,
            label,
            sentence,
            Some(place),
        );
    }

    fn unreadable(&mut self, place: usize, view: &PacketView, direction: Direction) {
        let (from, to) = match direction {
            Direction::In => (Party::Switch, Party::Portproof),
            Direction::Out => (Party::Portproof, Party::Switch),
        };
        let sentence = format!("This can't be read: {}.", view.name);
        self.arrow(
            view.at,
            from,
            to,
            "unreadable datagram".to_owned(),
            sentence,
            Some(place),
        );
    }

    /// What came of it, for an entry whose packets do not show it.
    fn outcome(&mut self) {
        let entry = self.entry;
        let (label, sentence) = match (entry.kind, entry.verdict.as_str()) {
            (Kind::Recognition, _) => (
                format!("recognised: {}", picked_class(entry)),
                format!(
                    "What was sighted fits another row of the class table now: {}.",
                    entry.reason
                ),
            ),
            (_, verdict) if verdict.starts_with("dropped") => (
                "no answer".to_owned(),
                format!("portproof stays silent on purpose: {}.", entry.reason),
            ),
            (Kind::Change, "gave-up") => (
                "given up".to_owned(),
                format!("No answer came to any of the attempts: {}.", entry.reason),
            ),
            (Kind::Change, "ordered") => (
                "change ordered".to_owned(),
                format!("A change of the session is wanted: {}.", entry.reason),
            ),
            _ if entry.packets.is_empty() => (entry.verdict.clone(), format!("{}.", entry.reason)),
            _ => return,
        };
        self.steps.push(Step {
            at: entry.packets.last().map_or(entry.at, |packet| packet.at),
            from: Party::Portproof,
            to: Party::Portproof,
            label,
            sentence,
            recorded: true,
            entry: entry.seq,
            packet: None,
        });
    }

    fn label(&self, packet: &Packet<'_>) -> String {
        let name = packet.code().to_string();
        match (packet.code(), eap(packet)) {
            (Code::ACCESS_REQUEST | Code::ACCESS_CHALLENGE, Some(eap)) => {
                format!("{name}, {}", eap.label())
            }
            (Code::COA_REQUEST | Code::DISCONNECT_REQUEST, _) => match self.entry.place.change {
                Some(change) => format!("{name}, {change}"),
                None => name,
            },
            _ => name,
        }
    }

    fn sentence(&self, packet: &Packet<'_>, link: Link) -> String {
        let entry = self.entry;
        let class = entry.place.class.as_deref();
        match packet.code() {
            Code::ACCESS_REQUEST if eap(packet).is_some() => {
                "The switch wraps the device's EAP message into an Access-Request and asks \
                 portproof."
                    .to_owned()
            }
            Code::ACCESS_REQUEST => "The switch asks portproof whether this device may use the \
                                     port, and with what."
                .to_owned(),
            Code::ACCESS_ACCEPT => match class {
                Some(class) => format!(
                    "portproof says yes and grants what the class {class} is given: {}.",
                    entry.reason
                ),
                // An answer to Status-Server (RFC 5997 section 3).
                None => "portproof answers that it is there.".to_owned(),
            },
            Code::ACCESS_REJECT => format!("portproof says no: {}.", entry.reason),
            Code::ACCESS_CHALLENGE => {
                "portproof needs to know more and sends the next step of the login.".to_owned()
            }
            Code::ACCOUNTING_REQUEST => accounting(packet).to_owned(),
            Code::ACCOUNTING_RESPONSE => {
                "portproof has written it down, and says so only now.".to_owned()
            }
            Code::STATUS_SERVER => "The switch asks whether portproof is there.".to_owned(),
            Code::COA_REQUEST | Code::DISCONNECT_REQUEST => {
                let change = entry.place.change.map_or("change", ChangeKind::word);
                format!(
                    "portproof asks the switch for a {change} of this session: {}.",
                    entry.reason
                )
            }
            Code::COA_ACK | Code::DISCONNECT_ACK => "The switch says that it does so.".to_owned(),
            Code::COA_NAK | Code::DISCONNECT_NAK => {
                format!("The switch refuses: {}.", entry.reason)
            }
            code => format!("A {code} on the {} port.", link.word()),
        }
    }

    fn arrow(
        &mut self,
        at: Timestamp,
        from: Party,
        to: Party,
        label: String,
        sentence: String,
        packet: Option<usize>,
    ) {
        self.steps.push(Step {
            at,
            from,
            to,
            label,
            sentence,
            recorded: true,
            entry: self.entry.seq,
            packet,
        });
    }

    fn told(&mut self, at: Timestamp, from: Party, to: Party, label: String, sentence: String) {
        self.steps.push(Step {
            at,
            from,
            to,
            label,
            sentence,
            recorded: false,
            entry: self.entry.seq,
            packet: None,
        });
    }
}

/// The class of the row that fits now; the entry's own class is the one still in force.
fn picked_class(entry: &Entry) -> &str {
    let mut rows = entry.trace.iter().flat_map(|trace| &trace.rows);
    rows.rfind(|row| row.fits)
        .map_or("another class", |row| row.class.as_str())
}

/// Acct-Status-Type in a sentence (RFC 2866 section 5.1).
fn accounting(packet: &Packet<'_>) -> &'static str {
    match packet.integer(a::ACCT_STATUS_TYPE) {
        Some(1) => "The switch reports that the session began.",
        Some(2) => "The switch reports that the session ended.",
        Some(3) => "The switch reports how the session goes on.",
        Some(7) => "The switch reports that it starts counting: it has restarted.",
        Some(8) => "The switch reports that it stops counting: it is about to restart.",
        _ => "The switch reports something about its sessions.",
    }
}

/// The head of an EAP packet (RFC 3748 section 4).
struct Eap {
    code: u8,
    method: Option<u8>,
}

fn eap(packet: &Packet<'_>) -> Option<Eap> {
    let octets = packet.first(a::EAP_MESSAGE)?.value;
    let code = *octets.first()?;
    Some(Eap {
        code,
        method: octets.get(4).copied().filter(|_| matches!(code, 1 | 2)),
    })
}

impl Eap {
    fn label(&self) -> String {
        let code = match self.code {
            1 => "EAP Request",
            2 => "EAP Response",
            3 => "EAP Success",
            4 => "EAP Failure",
            _ => "EAP",
        };
        match self.method {
            // Numbers of the IANA registry "EAP Method Types".
            Some(1) => format!("{code}, Identity"),
            Some(3) => format!("{code}, Nak"),
            Some(4) => format!("{code}, MD5-Challenge"),
            Some(13) => format!("{code}, EAP-TLS"),
            Some(21) => format!("{code}, EAP-TTLS"),
            Some(25) => format!("{code}, PEAP"),
            Some(26) => format!("{code}, EAP-MSCHAPv2"),
            Some(other) => format!("{code}, type {other}"),
            None => code.to_owned(),
        }
    }
}
