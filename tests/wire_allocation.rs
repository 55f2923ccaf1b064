//! Parsing and reading a packet takes no memory: the responder does it for every datagram.

// clippy.toml allows these in tests, and not in the helpers beside them.
#![allow(
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic,
    clippy::unwrap_used
)]

use portproof::wire::registry::attributes as a;
use portproof::wire::sign;
use portproof::wire::{Builder, Code, Packet, Secret};

fn allocations(work: impl FnOnce()) -> u64 {
    allocation_counter::measure(work).count_total
}

#[test]
fn parsing_a_packet_does_not_allocate() {
    let secret = Secret::new("correct horse battery");
    let mut builder = Builder::new(Code::ACCESS_REQUEST, 1);
    builder.message_authenticator().unwrap();
    while builder
        .text(a::CALLING_STATION_ID, "02-00-00-00-00-01")
        .is_ok()
    {}
    let bytes = builder.finish_request(&[7; 16], &secret);
    assert!(bytes.len() > 4000);

    let counted = allocations(|| {
        let packet = Packet::parse(&bytes).unwrap();
        assert!(packet.count(a::CALLING_STATION_ID) > 200);
        assert_eq!(
            packet.text(a::CALLING_STATION_ID),
            Some("02-00-00-00-00-01")
        );
        let found = sign::check_message_authenticator(&packet, None, &secret);
        assert_eq!(found, sign::MessageAuthenticator::Right);
    });
    assert_eq!(counted, 0);

    let counted = allocations(|| assert!(Packet::parse(&bytes[..4000]).is_err()));
    assert_eq!(counted, 0, "nor does refusing one");

    let counted = allocations(|| drop(std::hint::black_box(bytes.clone())));
    assert_eq!(counted, 1, "and the counter counts");
}
