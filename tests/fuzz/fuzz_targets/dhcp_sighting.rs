//! Any datagram on the DHCP listener is a sighting or has a named reason why not, and nothing that
//! a device says gets through in a form that is not safe to show.

#![no_main]

use std::net::SocketAddr;

use libfuzzer_sys::fuzz_target;
use portproof::sight::read_dhcp;

fuzz_target!(|datagram: &[u8]| {
    let now = "2023-11-14T22:13:20Z".parse().expect("a time");
    let from: SocketAddr = "192.0.2.1:67".parse().expect("an address");
    match read_dhcp(now, from, datagram) {
        Ok(sighting) => {
            assert!(!sighting.mac.is_group());
            assert!(matches!(sighting.message, 1 | 3 | 4 | 7 | 8));
            let said = sighting.fields.values().chain(&sighting.faults);
            for text in said {
                assert!(text.chars().all(|c| (' '..='~').contains(&c)), "{text:?}");
            }
        }
        Err(reason) => {
            assert!(reason.verdict().starts_with("dropped-"));
            assert!(!reason.to_string().is_empty());
        }
    }
});
