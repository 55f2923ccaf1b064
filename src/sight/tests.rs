//! Messages built by hand, octet by octet, from the layouts of RFC 2131, RFC 2132 and RFC 3046:
//! the library that the reader leans on has no part in making them.

use std::net::{IpAddr, Ipv4Addr, SocketAddr};

use jiff::Timestamp;
use proptest::prelude::*;

use super::{NotASighting, Sighting, read_dhcp};
use crate::bench::DhcpField;
use crate::wire::Mac;

const PRINTER: [u8; 6] = [0x02, 0x00, 0x5e, 0x10, 0x00, 0x07];
const COOKIE: [u8; 4] = [99, 130, 83, 99];
const END: [u8; 1] = [255];
const DISCOVER: [u8; 3] = [53, 1, 1];

/// RFC 2131 section 2, figure 1 and table 1: 236 octets of fixed fields.
struct Header {
    op: u8,
    htype: u8,
    hlen: u8,
    giaddr: [u8; 4],
    chaddr: [u8; 6],
    sname: Vec<u8>,
    file: Vec<u8>,
    cookie: [u8; 4],
}

impl Header {
    fn new() -> Header {
        Header {
            op: 1,
            htype: 1,
            hlen: 6,
            giaddr: [0; 4],
            chaddr: PRINTER,
            sname: Vec::new(),
            file: Vec::new(),
            cookie: COOKIE,
        }
    }

    fn with(&self, options: &[&[u8]]) -> Vec<u8> {
        let mut octets = vec![self.op, self.htype, self.hlen, 0];
        octets.extend([0x39, 0x03, 0xf3, 0x26]); // xid
        octets.extend([0, 0, 0x80, 0]); // secs, flags: broadcast
        octets.extend([0; 4]); // ciaddr
        octets.extend([0; 4]); // yiaddr
        octets.extend([0; 4]); // siaddr
        octets.extend(self.giaddr);
        octets.extend(self.chaddr);
        octets.extend([0; 10]); // the rest of chaddr's 16
        octets.extend(padded(&self.sname, 64));
        octets.extend(padded(&self.file, 128));
        assert_eq!(octets.len(), 236, "RFC 2131 section 2");
        octets.extend(self.cookie);
        octets.extend(options.concat());
        octets
    }
}

fn padded(octets: &[u8], length: usize) -> Vec<u8> {
    let mut octets = octets.to_vec();
    assert!(octets.len() <= length);
    octets.resize(length, 0);
    octets
}

fn now() -> Timestamp {
    Timestamp::from_second(1_700_000_000).unwrap()
}

fn from() -> SocketAddr {
    "192.0.2.1:67".parse().unwrap()
}

fn read(datagram: &[u8]) -> Result<Sighting, NotASighting> {
    read_dhcp(now(), from(), datagram)
}

/// Option codes and layouts: RFC 2132 sections 3.14, 9.1, 9.6, 9.8, 9.13, 9.14.
#[test]
fn discover_tells_everything() {
    let sighting = read(&Header::new().with(&[
        &[53, 1, 1],
        &[61, 7, 1, 0x02, 0x00, 0x5e, 0x10, 0x00, 0x07],
        &[50, 4, 192, 0, 2, 77],
        &[12, 8],
        b"ticket-7",
        &[60, 9],
        b"TP-label ",
        &[55, 6, 6, 3, 1, 15, 66, 67],
        &[77, 6, 5],
        b"ferry",
        &END,
    ]))
    .unwrap();
    assert_eq!(sighting.at, now());
    assert_eq!(sighting.from, from());
    assert_eq!(sighting.mac, Mac(PRINTER));
    assert_eq!(sighting.relay, None);
    assert_eq!(sighting.message, 1);
    assert_eq!(sighting.message_name(), "DHCPDISCOVER");
    assert_eq!(sighting.requested, Some(Ipv4Addr::new(192, 0, 2, 77)));
    assert_eq!(sighting.field(DhcpField::HostName), Some("ticket-7"));
    assert_eq!(sighting.field(DhcpField::VendorClass), Some("TP-label "));
    assert_eq!(sighting.field(DhcpField::ClientId), Some("0102005e100007"));
    assert_eq!(sighting.field(DhcpField::UserClass), Some("ferry"));
    assert_eq!(sighting.field(DhcpField::CircuitId), None);
    assert_eq!(sighting.faults, Vec::<String>::new());
}

/// RFC 2132 section 9.8: the order may show preference, so it is kept; it is no set.
#[test]
fn parameter_list_keeps_its_order() {
    let list = |codes: &[u8]| {
        let option = [&[55, codes.len() as u8], codes].concat();
        let sighting = read(&Header::new().with(&[&DISCOVER, &option, &END])).unwrap();
        sighting.field(DhcpField::ParameterList).unwrap().to_owned()
    };
    assert_eq!(list(&[6, 3, 1, 15, 66]), "6,3,1,15,66");
    assert_eq!(list(&[1, 3, 6, 15, 66]), "1,3,6,15,66");
    assert_eq!(list(&[3, 3]), "3,3");
}

/// RFC 2131 section 2 (giaddr), RFC 3046 sections 2.0, 3.1 and 3.2: sub-options in any order,
/// others passed over.
#[test]
fn relayed_with_relay_agent_information() {
    let mut header = Header::new();
    header.giaddr = [198, 51, 100, 1];
    let sighting = read(&header.with(&[
        &DISCOVER,
        &[82, 23],
        &[2, 8],
        b"quay-sw1",
        &[9, 3, 1, 2, 3],
        &[1, 6, 0x00, 0x04, 0x00, 0x14, 0x01, 0x07],
        &END,
    ]))
    .unwrap();
    assert_eq!(
        sighting.relay,
        Some(IpAddr::V4(Ipv4Addr::new(198, 51, 100, 1)))
    );
    assert_eq!(sighting.field(DhcpField::CircuitId), Some("0x000400140107"));
    assert_eq!(sighting.field(DhcpField::RemoteId), Some("quay-sw1"));
}

/// RFC 3046 section 2.0: a sub-option that runs past its option spoils that option alone.
#[test]
fn relay_agent_information_that_overruns_is_left_out() {
    let sighting =
        read(&Header::new().with(&[&DISCOVER, &[12, 4], b"till", &[82, 5, 1, 9, 1, 2, 3], &END]))
            .unwrap();
    assert_eq!(sighting.field(DhcpField::CircuitId), None);
    assert_eq!(sighting.field(DhcpField::HostName), Some("till"));
    assert_eq!(sighting.faults.len(), 1);
    assert!(sighting.faults[0].contains("RFC 3046"));
}

/// RFC 2132 section 9.6 and RFC 2131 section 3.1, table 2: which types a client sends.
#[test]
fn only_messages_from_clients_count() {
    for message in 0..=u8::MAX {
        let outcome = read(&Header::new().with(&[&[53, 1, message], &END]));
        match message {
            1 | 3 | 4 | 7 | 8 => assert_eq!(outcome.unwrap().message, message),
            _ => assert_eq!(outcome, Err(NotASighting::NotFromAClient(message))),
        }
    }
}

/// RFC 2131 section 2: op 2 is BOOTREPLY.
#[test]
fn a_reply_is_no_sighting() {
    for op in [0, 2, 3, 255] {
        let mut header = Header::new();
        header.op = op;
        assert_eq!(
            read(&header.with(&[&DISCOVER, &END])),
            Err(NotASighting::NotARequest(op))
        );
    }
}

/// RFC 2131 section 3: without option 53 it is BOOTP; RFC 2132 section 9.6: its length is 1.
#[test]
fn message_type_must_be_one_octet() {
    for options in [
        &[&END[..]][..],
        &[&[53, 0], &END],
        &[&[53, 2, 1, 1], &END],
        &[&DISCOVER, &DISCOVER, &END],
    ] {
        assert_eq!(
            read(&Header::new().with(options)),
            Err(NotASighting::NoMessageType)
        );
    }
}

/// RFC 2131 section 3: the four octets before the options.
#[test]
fn the_cookie_must_be_there() {
    let mut header = Header::new();
    header.cookie = [99, 130, 83, 98];
    assert_eq!(
        read(&header.with(&[&DISCOVER, &END])),
        Err(NotASighting::NoCookie)
    );
}

#[test]
fn every_short_datagram_is_refused() {
    let whole = Header::new().with(&[&DISCOVER, &[12, 4], b"till", &END]);
    for length in 0..240 {
        assert_eq!(
            read(&whole[..length]),
            Err(NotASighting::Short(length)),
            "{length}"
        );
    }
    // Cut inside the host name, after its code, and after its length.
    for length in [244, 245, 246, 248] {
        let outcome = read(&whole[..length]);
        assert!(
            matches!(outcome, Err(NotASighting::Truncated { option: 12, .. })),
            "{length}: {outcome:?}"
        );
    }
}

/// RFC 2132 section 2: an option is code, length and as many octets; RFC 2131 section 4.1 wants an
/// End, and what stands before a missing one is whole all the same.
#[test]
fn framing_of_options() {
    let overrun = Header::new().with(&[&DISCOVER, &[12, 9], b"till"]);
    assert_eq!(
        read(&overrun),
        Err(NotASighting::Truncated {
            option: 12,
            left: 4
        })
    );
    let no_end = Header::new().with(&[&DISCOVER, &[12, 4], b"till"]);
    assert_eq!(
        read(&no_end).unwrap().field(DhcpField::HostName),
        Some("till")
    );
    let pads = Header::new().with(&[
        &[0, 0],
        &DISCOVER,
        &[0],
        &[12, 4],
        b"till",
        &END,
        &[12, 200],
    ]);
    assert_eq!(
        read(&pads).unwrap().field(DhcpField::HostName),
        Some("till")
    );
}

/// RFC 3396 section 5: the parts of a split option are joined, side by side or not.
#[test]
fn split_options_are_joined() {
    let sighting =
        read(&Header::new().with(&[&[60, 3], b"TP-", &DISCOVER, &[60, 5], b"label", &END]))
            .unwrap();
    assert_eq!(sighting.field(DhcpField::VendorClass), Some("TP-label"));
}

/// RFC 2132 section 9.3 and RFC 2131 section 4.1: options, then file, then sname.
#[test]
fn overload_reads_file_and_sname() {
    let mut header = Header::new();
    header.file = [&[12, 3][..], b"til", &END].concat();
    header.sname = [&[12, 1][..], b"l", &END].concat();
    let name = |overload: &[u8]| {
        read(&header.with(&[&DISCOVER, overload, &END]))
            .map(|sighting| sighting.field(DhcpField::HostName).map(str::to_owned))
    };
    assert_eq!(name(&[]), Ok(None));
    assert_eq!(name(&[52, 1, 1]), Ok(Some("til".to_owned())));
    assert_eq!(name(&[52, 1, 2]), Ok(Some("l".to_owned())));
    assert_eq!(name(&[52, 1, 3]), Ok(Some("till".to_owned())));
    assert_eq!(name(&[52, 1, 4]), Err(NotASighting::Overload));
    assert_eq!(name(&[52, 2, 1, 1]), Err(NotASighting::Overload));
}

/// RFC 2131 section 2: htype and hlen say what chaddr is; a length over 16 must not be followed.
#[test]
fn only_ethernet_addresses_count() {
    for (htype, hlen) in [(32, 20), (1, 0), (1, 5), (1, 16), (1, 255), (7, 6), (6, 8)] {
        let mut header = Header::new();
        header.htype = htype;
        header.hlen = hlen;
        assert_eq!(
            read(&header.with(&[&DISCOVER, &END])),
            Err(NotASighting::NotEthernet {
                kind: htype,
                length: hlen
            })
        );
    }
    let mut header = Header::new();
    header.htype = 6;
    assert!(read(&header.with(&[&DISCOVER, &END])).is_ok());
}

#[test]
fn group_and_zero_addresses_are_no_device() {
    for address in [[0; 6], [0xff; 6], [0x01, 0, 0x5e, 0, 0, 1]] {
        let mut header = Header::new();
        header.chaddr = address;
        assert_eq!(
            read(&header.with(&[&DISCOVER, &END])),
            Err(NotASighting::NotADevice(Mac(address)))
        );
    }
}

/// The least lengths of RFC 2132 sections 3.14, 9.1, 9.8, 9.13 and 9.14: a value under its least
/// is left out and named, the rest of the message counts.
#[test]
fn a_value_of_the_wrong_length_is_left_out() {
    let sighting = read(&Header::new().with(&[
        &DISCOVER,
        &[12, 0],
        &[50, 3, 192, 0, 2],
        &[55, 0],
        &[60, 4],
        b"till",
        &[61, 1, 1],
        &[77, 0],
        &END,
    ]))
    .unwrap();
    assert_eq!(sighting.requested, None);
    let fields: Vec<_> = sighting.fields.iter().collect();
    assert_eq!(fields, [(&"vendor-class".to_owned(), &"till".to_owned())]);
    assert_eq!(sighting.faults.len(), 5, "{:?}", sighting.faults);
    for (fault, option) in sighting.faults.iter().zip([50, 12, 55, 61, 77]) {
        assert!(fault.starts_with(&format!("option {option} ")), "{fault}");
    }
}

/// A name that is not UTF-8 or that would move a terminal's cursor neither hides the device nor
/// gets through as it is.
#[test]
fn hostile_text_is_escaped() {
    let sighting =
        read(&Header::new().with(&[&DISCOVER, &[12, 6], b"\x1b[2J\xff\\", &END])).unwrap();
    assert_eq!(
        sighting.field(DhcpField::HostName),
        Some("\\x1b[2J\\xff\\\\")
    );
}

/// Options outside those that sightings use may hold anything (RFC 2132 section 2: unknown ones
/// are skipped by their length): 81, 121 and 151 with values that a full decoder refuses.
#[test]
fn other_options_do_not_hide_a_device() {
    let sighting = read(&Header::new().with(&[
        &DISCOVER,
        &[81, 0],
        &[121, 1, 33],
        &[151, 0],
        &[12, 4],
        b"till",
        &END,
    ]))
    .unwrap();
    assert_eq!(sighting.field(DhcpField::HostName), Some("till"));
}

#[test]
fn words_go_both_ways() {
    for field in DhcpField::ALL {
        assert_eq!(DhcpField::from_word(field.word()), Some(field));
    }
    assert_eq!(DhcpField::from_word("hostname"), None);
}

#[test]
fn verdicts_are_named() {
    let verdict = |datagram: &[u8]| read(datagram).unwrap_err().verdict();
    assert_eq!(verdict(&[]), "dropped-not-dhcp");
    assert_eq!(
        verdict(&Header::new().with(&[&[53, 1, 5], &END])),
        "dropped-not-from-a-client"
    );
    assert_eq!(
        verdict(&Header::new().with(&[&DISCOVER, &[12, 1]])),
        "dropped-malformed"
    );
}

proptest! {
    /// No octets panic, and whatever is shown is printable ASCII.
    #[test]
    fn any_options_are_read_or_refused(
        op in 1u8..=2,
        hlen in prop_oneof![4 => Just(6u8), 1 => any::<u8>()],
        file in proptest::collection::vec(any::<u8>(), 0..=128),
        options in proptest::collection::vec(any::<u8>(), 0..400),
        typed in any::<bool>(),
    ) {
        let mut header = Header::new();
        header.op = op;
        header.hlen = hlen;
        header.file = file;
        let head: &[u8] = if typed { &DISCOVER } else { &[] };
        if let Ok(sighting) = read(&header.with(&[head, &options])) {
            for text in sighting.fields.values() {
                prop_assert!(text.chars().all(|c| (' '..='~').contains(&c)), "{text:?}");
            }
        }
    }

    /// Nor do datagrams with no shape at all.
    #[test]
    fn any_octets_are_read_or_refused(octets in proptest::collection::vec(any::<u8>(), 0..700)) {
        let _ = read(&octets);
    }
}
