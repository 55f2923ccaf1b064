//! The journal as a capture file that a packet analyser reads.
//!
//! The journal records datagrams, not frames, so Ethernet, IP and UDP headers are made up around
//! them, with the real addresses and ports and right checksums. Each packet carries its entry's
//! verdict and reason as comment. The file holds no secret: passwords, which the shared secret
//! would uncover, are set to zero unless asked for otherwise.

use std::borrow::Cow;
use std::collections::VecDeque;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::io::Write;
use std::net::{IpAddr, Ipv6Addr, SocketAddr};
use std::time::Duration;

use etherparse::PacketBuilder;
use jiff::Timestamp;
use pcap_file::pcapng::PcapNgWriter;
use pcap_file::pcapng::blocks::enhanced_packet::{EnhancedPacketBlock, EnhancedPacketOption};
use pcap_file::pcapng::blocks::interface_description::{
    InterfaceDescriptionBlock, InterfaceDescriptionOption,
};
use pcap_file::{DataLink, PcapError};

use super::mask::{Mask, masked};
use super::{Direction, Entry, Link, PacketRecord};

/// Why a capture could not be written.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// The destination refused.
    #[error("the capture could not be written: {0}")]
    Write(#[from] PcapError),
    /// A recorded datagram fits in no IP packet.
    #[error("entry {seq} holds a datagram that fits in no IP packet: {why}")]
    Datagram {
        /// The entry.
        seq: u64,
        /// What was wrong.
        why: String,
    },
}

/// Writes entries as pcapng.
pub struct Exporter<W: Write> {
    writer: PcapNgWriter<W>,
    keep_passwords: bool,
    recent: VecDeque<Seen>,
    written: u64,
}

/// What tells one recorded packet from another: several entries of a change hold the same one.
type Seen = (Timestamp, Link, SocketAddr, SocketAddr, u64);

/// How far back the same packet is looked for.
const RECENT: usize = 1024;

/// Timestamps in units of 10^-9 s (if_tsresol of the pcapng format).
const NANOSECONDS: u8 = 9;

impl<W: Write> Exporter<W> {
    /// Starts a capture. `keep_passwords` leaves User-Password, CHAP-Password and their like in
    /// the packets as the switch sent them, which a later replay of logins needs.
    ///
    /// # Errors
    /// When the destination refuses.
    pub fn new(out: W, keep_passwords: bool) -> Result<Exporter<W>, ExportError> {
        let mut writer = PcapNgWriter::new(out)?;
        let mut interface = InterfaceDescriptionBlock::new(DataLink::ETHERNET, 0);
        interface.options = vec![
            InterfaceDescriptionOption::IfName(Cow::Borrowed("bench")),
            InterfaceDescriptionOption::IfDescription(Cow::Borrowed(
                "datagrams of a portproof journal; the link and IP headers are made up",
            )),
            InterfaceDescriptionOption::IfTsResol(NANOSECONDS),
        ];
        writer.write_pcapng_block(interface)?;
        Ok(Exporter {
            writer,
            keep_passwords,
            recent: VecDeque::new(),
            written: 0,
        })
    }

    /// Adds an entry's packets. A packet that an entry shortly before held already is left out.
    ///
    /// # Errors
    /// When the destination refuses, or a datagram fits in no IP packet.
    pub fn entry(&mut self, entry: &Entry) -> Result<(), ExportError> {
        for packet in &entry.packets {
            if self.remember(seen(packet)) {
                self.packet(entry, packet)?;
            }
        }
        Ok(())
    }

    /// How many packets were written.
    #[must_use]
    pub fn written(&self) -> u64 {
        self.written
    }

    /// Ends the capture and gives the destination back.
    #[must_use]
    pub fn finish(self) -> W {
        self.writer.into_inner()
    }

    fn remember(&mut self, seen: Seen) -> bool {
        if self.recent.contains(&seen) {
            return false;
        }
        if self.recent.len() == RECENT {
            self.recent.pop_front();
        }
        self.recent.push_back(seen);
        true
    }

    fn packet(&mut self, entry: &Entry, packet: &PacketRecord) -> Result<(), ExportError> {
        let (octets, hidden) = if self.keep_passwords || packet.link == Link::Dhcp {
            (packet.octets.clone(), false)
        } else {
            masked(&packet.octets, Mask::Passwords)
        };
        let frame = frame(packet, &octets).map_err(|why| ExportError::Datagram {
            seq: entry.seq,
            why,
        })?;
        let block = EnhancedPacketBlock {
            interface_id: 0,
            timestamp: since_epoch(packet.at),
            original_len: u32::try_from(frame.len()).unwrap_or(u32::MAX),
            data: Cow::Owned(frame),
            options: vec![
                EnhancedPacketOption::Comment(Cow::Owned(comment(entry, hidden))),
                EnhancedPacketOption::Flags(flags(packet.direction)),
            ],
        };
        self.writer.write_pcapng_block(block)?;
        self.written += 1;
        Ok(())
    }
}

fn seen(packet: &PacketRecord) -> Seen {
    let mut digest = DefaultHasher::new();
    packet.octets.hash(&mut digest);
    let PacketRecord {
        at, link, from, to, ..
    } = *packet;
    (at, link, from, to, digest.finish())
}

/// Verdict, reason and place of the entry.
fn comment(entry: &Entry, hidden: bool) -> String {
    let mut text = format!(
        "entry {}, {}: {}: {}",
        entry.seq,
        entry.kind.word(),
        entry.verdict,
        entry.reason
    );
    let place = &entry.place;
    let parts = [
        ("switch", place.switch.clone()),
        ("port", place.port.clone()),
        ("device", place.mac.map(|mac| mac.to_string())),
        ("class", place.class.clone()),
        ("breach of", entry.breach.clone()),
    ];
    for (label, value) in parts {
        if let Some(value) = value {
            text.push_str("; ");
            text.push_str(label);
            text.push(' ');
            text.push_str(&value);
        }
    }
    if hidden {
        text.push_str("; passwords set to zero, so the request's own checks fail");
    }
    text
}

/// Direction in the two lowest bits (epb_flags of the pcapng format): 1 inbound, 2 outbound.
fn flags(direction: Direction) -> u32 {
    match direction {
        Direction::In => 1,
        Direction::Out => 2,
    }
}

/// Time since 1970; a time before that, which no bench has, is written as 1970.
fn since_epoch(at: Timestamp) -> Duration {
    u64::try_from(at.as_nanosecond()).map_or(Duration::ZERO, Duration::from_nanos)
}

const HOPS: u8 = 64;

fn frame(packet: &PacketRecord, octets: &[u8]) -> Result<Vec<u8>, String> {
    let (from, to) = (
        packet.from.ip().to_canonical(),
        packet.to.ip().to_canonical(),
    );
    let link = PacketBuilder::ethernet2(station(from), station(to));
    let network = match (from, to) {
        (IpAddr::V4(from), IpAddr::V4(to)) => link.ipv4(from.octets(), to.octets(), HOPS),
        _ => link.ipv6(wide(from).octets(), wide(to).octets(), HOPS),
    };
    let datagram = network.udp(packet.from.port(), packet.to.port());
    let mut frame = Vec::with_capacity(datagram.size(octets.len()));
    datagram
        .write(&mut frame, octets)
        .map_err(|e| e.to_string())?;
    Ok(frame)
}

/// A locally administered address made from the IP address, so that each end keeps its own.
fn station(address: IpAddr) -> [u8; 6] {
    match address {
        IpAddr::V4(v4) => {
            let [a, b, c, d] = v4.octets();
            [0x02, 0x04, a, b, c, d]
        }
        IpAddr::V6(v6) => {
            let [.., a, b, c, d] = v6.octets();
            [0x02, 0x06, a, b, c, d]
        }
    }
}

/// One end may be bound to a wildcard of the other family.
fn wide(address: IpAddr) -> Ipv6Addr {
    match address {
        IpAddr::V4(v4) if v4.is_unspecified() => Ipv6Addr::UNSPECIFIED,
        IpAddr::V4(v4) => v4.to_ipv6_mapped(),
        IpAddr::V6(v6) => v6,
    }
}

#[cfg(test)]
mod tests {
    use etherparse::{NetSlice, SlicedPacket, TransportSlice};
    use pcap_file::pcapng::{Block, PcapNgReader};

    use super::super::{Kind, Place};
    use super::*;
    use crate::wire::registry::attributes as a;
    use crate::wire::{AttributeBuf, Builder, Code, Packet, Secret};

    fn request() -> Vec<u8> {
        let mut builder = Builder::new(Code::ACCESS_REQUEST, 7);
        builder.text(a::USER_NAME, "ada").unwrap();
        builder
            .attribute(&AttributeBuf::new(a::USER_PASSWORD, [0xaa; 16]))
            .unwrap();
        builder.finish_request(&[9; 16], &Secret::new("lantern"))
    }

    fn packet(from: &str, to: &str, octets: Vec<u8>) -> PacketRecord {
        PacketRecord {
            at: "2026-03-01T10:00:00.123456789Z".parse().unwrap(),
            direction: Direction::In,
            link: Link::Authentication,
            from: from.parse().unwrap(),
            to: to.parse().unwrap(),
            octets,
        }
    }

    fn entry(packets: Vec<PacketRecord>) -> Entry {
        Entry {
            seq: 12,
            at: "2026-03-01T10:00:00Z".parse().unwrap(),
            kind: Kind::Access,
            verdict: "answered".into(),
            reason: "class printer by its MAC prefix".into(),
            place: Place {
                port: Some("1/0/7".into()),
                ..Place::default()
            },
            packets,
            trace: None,
            breach: Some("RFC 3579 section 3.2".into()),
        }
    }

    fn export(entries: &[Entry], keep: bool) -> Vec<(Duration, Vec<u8>, String)> {
        let mut exporter = Exporter::new(Vec::new(), keep).unwrap();
        for entry in entries {
            exporter.entry(entry).unwrap();
        }
        let file = exporter.finish();
        let mut reader = PcapNgReader::new(&file[..]).unwrap();
        let mut found = Vec::new();
        while let Some(block) = reader.next_block() {
            if let Block::EnhancedPacket(block) = block.unwrap() {
                let comment = block
                    .options
                    .iter()
                    .find_map(|option| match option {
                        EnhancedPacketOption::Comment(text) => Some(text.to_string()),
                        _ => None,
                    })
                    .unwrap();
                found.push((block.timestamp, block.data.to_vec(), comment));
            }
        }
        found
    }

    #[test]
    fn addresses_ports_times_and_comment_survive() {
        let found = export(
            &[entry(vec![packet(
                "192.0.2.9:40000",
                "192.0.2.1:1812",
                request(),
            )])],
            false,
        );
        let [(at, frame, comment)] = &found[..] else {
            panic!("{}", found.len())
        };
        assert_eq!(at.subsec_nanos(), 123_456_789);
        for part in [
            "entry 12",
            "answered",
            "by its MAC prefix",
            "1/0/7",
            "RFC 3579 section 3.2",
        ] {
            assert!(comment.contains(part), "{comment}");
        }
        let sliced = SlicedPacket::from_ethernet(frame).unwrap();
        let Some(NetSlice::Ipv4(ip)) = sliced.net else {
            panic!()
        };
        assert_eq!(ip.header().source_addr().to_string(), "192.0.2.9");
        assert_eq!(
            ip.header().to_header().calc_header_checksum(),
            ip.header().header_checksum()
        );
        let Some(TransportSlice::Udp(udp)) = sliced.transport else {
            panic!()
        };
        assert_eq!((udp.source_port(), udp.destination_port()), (40000, 1812));
        let checksum = udp
            .to_header()
            .calc_checksum_ipv4(&ip.header().to_header(), udp.payload())
            .unwrap();
        assert_eq!(checksum, udp.checksum());
        assert_eq!(
            Packet::parse(udp.payload()).unwrap().text(a::USER_NAME),
            Some("ada")
        );
    }

    #[test]
    fn passwords_are_hidden_unless_kept() {
        let entries = [entry(vec![packet(
            "192.0.2.9:40000",
            "192.0.2.1:1812",
            request(),
        )])];
        let holds = |frame: &[u8]| frame.windows(16).any(|w| w == [0xaa; 16]);
        let (_, frame, comment) = &export(&entries, false)[0];
        assert!(!holds(frame) && comment.contains("set to zero"));
        let (_, frame, comment) = &export(&entries, true)[0];
        assert!(holds(frame) && !comment.contains("set to zero"));
    }

    #[test]
    fn ipv6_wildcards_and_mapped_addresses() {
        let found = export(
            &[entry(vec![
                packet("[2001:db8::9]:40000", "0.0.0.0:1812", request()),
                packet("[::ffff:192.0.2.9]:40000", "192.0.2.1:1812", request()),
            ])],
            false,
        );
        let sliced = SlicedPacket::from_ethernet(&found[0].1).unwrap();
        let Some(NetSlice::Ipv6(ip)) = sliced.net else {
            panic!()
        };
        assert_eq!(ip.header().destination_addr(), Ipv6Addr::UNSPECIFIED);
        let Some(TransportSlice::Udp(udp)) = sliced.transport else {
            panic!()
        };
        let checksum = udp
            .to_header()
            .calc_checksum_ipv6(&ip.header().to_header(), udp.payload())
            .unwrap();
        assert_eq!(checksum, udp.checksum());
        let sliced = SlicedPacket::from_ethernet(&found[1].1).unwrap();
        assert!(matches!(sliced.net, Some(NetSlice::Ipv4(_))));
    }

    #[test]
    fn a_packet_that_two_entries_hold_is_written_once() {
        let one = entry(vec![packet("192.0.2.9:40000", "192.0.2.1:1812", request())]);
        let mut other = one.clone();
        other.packets[0].octets[1] ^= 1;
        assert_eq!(export(&[one.clone(), one, other], false).len(), 2);
    }
}
