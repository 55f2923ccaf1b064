//! Captures of packet analysers: pcap and pcapng, with Ethernet, Linux cooked or bare IP frames.

use std::collections::BTreeSet;
use std::io::Cursor;
use std::net::{IpAddr, SocketAddr};
use std::time::Duration;

use etherparse::{EtherType, NetSlice, SlicedPacket, TransportSlice};
use jiff::{SignedDuration, Timestamp};
use pcap_file::pcap::PcapReader;
use pcap_file::pcapng::blocks::interface_description::InterfaceDescriptionOption;
use pcap_file::pcapng::{Block, PcapNgReader};
use pcap_file::{DataLink, PcapError};

use crate::bench::Bench;
use crate::journal::{Direction, Link, PacketRecord};
use crate::wire::Code;

/// Which UDP ports mean what.
#[derive(Debug, Clone)]
pub struct Ports {
    authentication: BTreeSet<u16>,
    accounting: BTreeSet<u16>,
    change: BTreeSet<u16>,
    dhcp: BTreeSet<u16>,
}

impl Default for Ports {
    /// The registered ports, and the older ones of RFC 2865 section 3 and RFC 2866 section 3.
    fn default() -> Ports {
        Ports {
            authentication: [1812, 1645].into(),
            accounting: [1813, 1646].into(),
            change: [3799].into(),
            dhcp: [67].into(),
        }
    }
}

impl Ports {
    /// The registered ports and those of a bench.
    #[must_use]
    pub fn of(bench: &Bench) -> Ports {
        let mut ports = Ports::default();
        ports
            .authentication
            .insert(bench.listen.authentication.port());
        ports.accounting.insert(bench.listen.accounting.port());
        ports.dhcp.extend(bench.listen.dhcp.map(|dhcp| dhcp.port()));
        let change = bench.switches.iter().map(|switch| switch.change_port);
        ports.change.extend(change);
        ports
    }

    /// What a datagram is, seen from the bench.
    fn meaning(&self, from: u16, to: u16, octets: &[u8]) -> Option<(Link, Direction)> {
        let code = Code(octets.first().copied()?);
        if self.dhcp.contains(&to) {
            // A BOOTP request (RFC 2131 section 2); the server's replies are no sightings.
            return (code.0 == 1).then_some((Link::Dhcp, Direction::In));
        }
        [
            (
                &self.authentication,
                to,
                Link::Authentication,
                Direction::In,
            ),
            (
                &self.authentication,
                from,
                Link::Authentication,
                Direction::Out,
            ),
            (&self.accounting, to, Link::Accounting, Direction::In),
            (&self.accounting, from, Link::Accounting, Direction::Out),
            (&self.change, to, Link::Change, Direction::Out),
            (&self.change, from, Link::Change, Direction::In),
        ]
        .into_iter()
        .find(|(ports, port, _, _)| ports.contains(port))
        .map(|(_, _, link, direction)| (link, direction))
    }
}

/// What a capture held.
#[derive(Debug, Default)]
pub struct Captured {
    /// The datagrams that a bench has to do with, in file order.
    pub packets: Vec<PacketRecord>,
    /// Frames of other traffic.
    pub other: usize,
    /// Fragments of IP packets, which are not put together.
    pub fragments: usize,
    /// Frames that the capture cut off.
    pub cut: usize,
    /// The frame at which the file ends in its midst.
    pub broken: Option<String>,
}

/// Whether a file begins like a capture.
#[must_use]
pub fn is_capture(octets: &[u8]) -> bool {
    is_pcapng(octets) || PCAP.iter().any(|magic| octets.starts_with(magic))
}

/// Magic numbers of pcap: micro- and nanoseconds, both orders of octets.
const PCAP: [[u8; 4]; 4] = [
    [0xa1, 0xb2, 0xc3, 0xd4],
    [0xd4, 0xc3, 0xb2, 0xa1],
    [0xa1, 0xb2, 0x3c, 0x4d],
    [0x4d, 0x3c, 0xb2, 0xa1],
];

/// Type of a Section Header Block.
fn is_pcapng(octets: &[u8]) -> bool {
    octets.starts_with(&[0x0a, 0x0d, 0x0d, 0x0a])
}

/// Reads a capture.
///
/// # Errors
/// When not even its first frame can be read.
pub fn read(octets: &[u8], ports: &Ports) -> Result<Captured, PcapError> {
    let mut captured = Captured::default();
    let read = if is_pcapng(octets) {
        pcapng(octets, ports, &mut captured)
    } else {
        pcap(octets, ports, &mut captured)
    };
    match read {
        Err(error) if captured.packets.is_empty() => Err(error),
        Err(error) => {
            captured.broken = Some(error.to_string());
            Ok(captured)
        }
        Ok(()) => Ok(captured),
    }
}

fn pcap(octets: &[u8], ports: &Ports, captured: &mut Captured) -> Result<(), PcapError> {
    let mut reader = PcapReader::new(Cursor::new(octets))?;
    let link = reader.header().datalink;
    while let Some(packet) = reader.next_packet() {
        let packet = packet?;
        let cut = packet.orig_len as usize > packet.data.len();
        captured.frame(ports, packet.timestamp, link, &packet.data, cut);
    }
    Ok(())
}

fn pcapng(octets: &[u8], ports: &Ports, captured: &mut Captured) -> Result<(), PcapError> {
    let mut reader = PcapNgReader::new(Cursor::new(octets))?;
    // Per interface of the section: its kind of frames and its unit of time.
    let mut interfaces: Vec<(DataLink, u8)> = Vec::new();
    while let Some(block) = reader.next_block() {
        match block? {
            Block::SectionHeader(_) => interfaces.clear(),
            Block::InterfaceDescription(interface) => {
                let unit = interface.options.iter().find_map(|option| match option {
                    InterfaceDescriptionOption::IfTsResol(unit) => Some(*unit),
                    _ => None,
                });
                interfaces.push((interface.linktype, unit.unwrap_or(MICROSECONDS)));
            }
            Block::EnhancedPacket(packet) => {
                if let Some((link, unit)) = interfaces.get(packet.interface_id as usize) {
                    // The reader hands over the raw count, whatever its unit.
                    let at = scaled(packet.timestamp.as_nanos(), *unit);
                    let cut = packet.original_len as usize > packet.data.len();
                    captured.frame(ports, at, *link, &packet.data, cut);
                }
            }
            _ => {}
        }
    }
    Ok(())
}

/// if_tsresol when there is none (pcapng format): 10^-6 s.
const MICROSECONDS: u8 = 6;

/// A count of units since 1970; the top bit of if_tsresol says powers of 2 instead of 10.
fn scaled(count: u128, unit: u8) -> Duration {
    let exponent = u32::from(unit & 0x7f);
    let base: u128 = if unit & 0x80 == 0 { 10 } else { 2 };
    let second = base.checked_pow(exponent).unwrap_or(u128::MAX);
    let nanoseconds = count.saturating_mul(1_000_000_000) / second;
    u64::try_from(nanoseconds).map_or(Duration::ZERO, Duration::from_nanos)
}

impl Captured {
    fn frame(&mut self, ports: &Ports, at: Duration, link: DataLink, frame: &[u8], cut: bool) {
        let Some(sliced) = slice(link, frame) else {
            if cut {
                self.cut += 1;
            } else {
                self.other += 1;
            }
            return;
        };
        let fragment = sliced.net.as_ref().is_some_and(|net| match net {
            NetSlice::Ipv4(ip) => ip.is_payload_fragmented(),
            NetSlice::Ipv6(ip) => ip.is_payload_fragmented(),
            NetSlice::Arp(_) => false,
        });
        if fragment {
            self.fragments += 1;
            return;
        }
        match datagram(&sliced, ports, at) {
            Some(packet) => self.packets.push(packet),
            None => self.other += 1,
        }
    }
}

fn slice(link: DataLink, frame: &[u8]) -> Option<SlicedPacket<'_>> {
    match link {
        DataLink::ETHERNET => SlicedPacket::from_ethernet(frame).ok(),
        DataLink::LINUX_SLL => SlicedPacket::from_linux_sll(frame).ok(),
        DataLink::LINUX_SLL2 => {
            // Protocol first, 20 octets of header in all.
            let (protocol, _) = frame.split_first_chunk::<2>()?;
            let protocol = EtherType(u16::from_be_bytes(*protocol));
            SlicedPacket::from_ether_type(protocol, frame.get(20..)?).ok()
        }
        // Four octets of address family in front.
        DataLink::NULL | DataLink::LOOP => SlicedPacket::from_ip(frame.get(4..)?).ok(),
        DataLink::RAW | DataLink::IPV4 | DataLink::IPV6 => SlicedPacket::from_ip(frame).ok(),
        _ => None,
    }
}

fn datagram(sliced: &SlicedPacket<'_>, ports: &Ports, at: Duration) -> Option<PacketRecord> {
    let (from, to): (IpAddr, IpAddr) = match sliced.net.as_ref()? {
        NetSlice::Ipv4(ip) => (
            ip.header().source_addr().into(),
            ip.header().destination_addr().into(),
        ),
        NetSlice::Ipv6(ip) => (
            ip.header().source_addr().into(),
            ip.header().destination_addr().into(),
        ),
        NetSlice::Arp(_) => return None,
    };
    let Some(TransportSlice::Udp(udp)) = &sliced.transport else {
        return None;
    };
    let octets = udp.payload();
    let (source, destination) = (udp.source_port(), udp.destination_port());
    let (link, direction) = ports.meaning(source, destination, octets)?;
    Some(PacketRecord {
        at: moment(at),
        direction,
        link,
        from: SocketAddr::new(from, source),
        to: SocketAddr::new(to, destination),
        octets: octets.to_vec(),
    })
}

fn moment(since_1970: Duration) -> Timestamp {
    SignedDuration::try_from(since_1970)
        .ok()
        .and_then(|since| Timestamp::UNIX_EPOCH.checked_add(since).ok())
        .unwrap_or(Timestamp::MAX)
}

#[cfg(test)]
mod tests {
    use etherparse::PacketBuilder;
    use pcap_file::pcap::{PcapHeader, PcapPacket, PcapWriter};

    use super::*;

    const REQUEST: [u8; 20] = [1, 7, 0, 20, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0];

    /// A request in a bare IP packet.
    fn ip(v6: bool) -> Vec<u8> {
        let mut frame = Vec::new();
        if v6 {
            let (mut from, mut to) = ([0; 16], [0; 16]);
            from[15] = 1;
            to[15] = 2;
            PacketBuilder::ipv6(from, to, 64)
                .udp(50_000, 1812)
                .write(&mut frame, &REQUEST)
                .unwrap();
        } else {
            PacketBuilder::ipv4([192, 0, 2, 1], [192, 0, 2, 2], 64)
                .udp(50_000, 1812)
                .write(&mut frame, &REQUEST)
                .unwrap();
        }
        frame
    }

    fn pcap(datalink: DataLink, frames: &[Vec<u8>]) -> Vec<u8> {
        let header = PcapHeader {
            datalink,
            ..PcapHeader::default()
        };
        let mut writer = PcapWriter::with_header(Vec::new(), header).unwrap();
        for frame in frames {
            let at = Duration::new(1_767_225_600, 250_000_000);
            let length = u32::try_from(frame.len()).unwrap();
            writer
                .write_packet(&PcapPacket::new(at, length, frame))
                .unwrap();
        }
        writer.into_writer()
    }

    /// Headers of link types 1, 113 and 276 (the registry of link-layer header types).
    #[test]
    fn each_kind_of_frame_is_read() {
        let ethernet = [&[2; 12][..], &[0x08, 0x00]].concat();
        let tagged = [&[2; 12][..], &[0x81, 0x00, 0, 20, 0x08, 0x00]].concat();
        let cooked = [&[0, 0, 0, 1, 0, 6][..], &[2; 6], &[0, 0, 0x08, 0x00]].concat();
        let cooked_2 = [&[0x08, 0x00, 0, 0][..], &[0; 16]].concat();
        for (link, head, v6) in [
            (DataLink::ETHERNET, ethernet, false),
            (DataLink::ETHERNET, tagged, false),
            (DataLink::LINUX_SLL, cooked, false),
            (DataLink::LINUX_SLL2, cooked_2, false),
            (DataLink::RAW, Vec::new(), false),
            (DataLink::RAW, Vec::new(), true),
        ] {
            let capture = pcap(link, &[[head, ip(v6)].concat()]);
            assert!(is_capture(&capture));
            let captured = read(&capture, &Ports::default()).unwrap();
            assert_eq!(captured.packets.len(), 1, "{link:?}: {captured:?}");
            let packet = &captured.packets[0];
            assert_eq!(packet.octets, REQUEST);
            assert_eq!(packet.link, Link::Authentication);
            assert_eq!(packet.direction, Direction::In);
            assert_eq!(packet.from.is_ipv6(), v6);
            assert_eq!(packet.at.to_string(), "2026-01-01T00:00:00.25Z");
        }
    }

    #[test]
    fn fragments_and_other_traffic_are_counted() {
        let mut fragment = ip(false);
        // More fragments, and the checksum of the header that this makes (RFC 791 section 3.1).
        fragment[6] = 0x20;
        fragment[10..12].fill(0);
        let mut elsewhere = ip(false);
        elsewhere[22..24].copy_from_slice(&53_u16.to_be_bytes());
        let capture = pcap(DataLink::RAW, &[fragment, elsewhere, ip(false)]);
        let captured = read(&capture, &Ports::default()).unwrap();
        assert_eq!(captured.fragments, 1);
        assert_eq!(captured.other, 1);
        assert_eq!(captured.packets.len(), 1);

        let broken = &capture[..capture.len() - 5];
        let captured = read(broken, &Ports::default());
        assert!(captured.is_err(), "it breaks before its first datagram");
    }

    /// if_tsresol: powers of 10, or of 2 with the top bit (pcapng format).
    #[test]
    fn units_of_time() {
        assert_eq!(scaled(1_500_000, 6), Duration::from_millis(1500));
        assert_eq!(scaled(1_500_000_000, 9), Duration::from_millis(1500));
        assert_eq!(scaled(1536, 0x80 | 10), Duration::from_millis(1500));
    }
}
