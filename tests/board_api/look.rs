//! A board to look at, for work on the page: not a test.
//!
//! `PORTPROOF_LOOK=127.0.0.1:8312 cargo test --test board_api look -- --ignored --nocapture`, with
//! `PORTPROOF_LOOK_RATE` entries a second besides the stories.

use std::time::Duration;

use jiff::Timestamp;
use portproof::board::Access;
use portproof::wire::Mac;

use crate::client::Client;
use crate::world::{World, later, mac_authentication, new_printer, rejected};

#[test]
#[ignore = "serves until it is killed"]
fn look() {
    let Ok(address) = std::env::var("PORTPROOF_LOOK") else {
        return;
    };
    let rate: u64 = std::env::var("PORTPROOF_LOOK_RATE").map_or(0, |rate| rate.parse().unwrap());
    let world = World::new(2000);
    let client = Client::start_at(&world, Access::default(), &address);
    println!("http://{}", client.address());
    let mut number = 1;
    for port in 1..=24_u8 {
        let start = later(Timestamp::now(), -60_000 + i64::from(port) * 300);
        let mac = Mac([2, 0, 0x5e, 0, 0x10, port]);
        match port {
            5 | 17 => world.entries(vec![rejected(start, mac, &format!("1/0/{port}"))]),
            _ if port % 3 == 0 => continue,
            _ => new_printer(&world, start, mac, &format!("1/0/{port}"), number),
        }
        number += 2;
    }
    loop {
        for n in 0..rate / 20 {
            let mac = Mac([2, 0, 0x5e, 1, 0, (n % 250) as u8]);
            world.entries(vec![mac_authentication(
                Timestamp::now(),
                mac,
                "1/0/30",
                "printer",
                9000,
            )]);
        }
        std::thread::sleep(Duration::from_millis(50));
    }
}
