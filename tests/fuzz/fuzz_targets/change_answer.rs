//! The change client with a bounce in flight: whatever arrives gets one verdict, nothing but a
//! signed answer ends the order, and the order always ends.

#![no_main]

use std::net::{IpAddr, SocketAddr};
use std::time::Duration;

use libfuzzer_sys::fuzz_target;
use portproof::bench::{ChangeKind, MethodName};
use portproof::change::{Changer, Order, Origin};
use portproof::roster::{Effects, Roster, Session, SessionState};
use portproof::wire::{Mac, Packet};
use portproof_fuzz::{SWITCH, bench, pieces, signed, start};
use rand::SeedableRng;
use rand::rngs::StdRng;

fuzz_target!(|input: &[u8]| {
    let mut changer = Changer::new(bench());
    let mut rng = StdRng::seed_from_u64(1);
    let mut now = start();
    let address = SWITCH.parse::<SocketAddr>().expect("an address").ip();
    let mut roster = Roster::load([], [session(address)]);
    let order = Order {
        session: 1,
        kind: ChangeKind::Bounce,
        to_class: Some("till".to_owned()),
        origin: Origin::Drill,
        reason: "fuzz".to_owned(),
    };
    let (taken, effects) = changer.order(now, &mut roster, order, &mut rng);
    let id = taken.expect("the order is taken");
    let mut last = request(&effects).expect("the bounce is sent at once");
    for (choices, piece) in pieces(input) {
        let signs = choices & 2 == 0;
        let mut datagram = piece.to_vec();
        if choices & 1 == 0
            && let Some(identifier) = datagram.get_mut(1)
        {
            *identifier = last.0;
        }
        if signs {
            datagram = signed(&datagram, &last.1);
        }
        let peer = SocketAddr::new(address, 3799);
        let pending = changer.outcome(id).is_none();
        let effects = changer.handle(now, &mut roster, peer, &datagram, &mut rng);
        let verdict = effects
            .entries
            .first()
            .expect("a verdict for each datagram");
        assert!(!verdict.reason.is_empty());
        if !signs && pending {
            assert!(
                verdict.verdict.starts_with("dropped-"),
                "{}",
                verdict.verdict
            );
            assert!(
                changer.outcome(id).is_none(),
                "an unsigned answer ended the order"
            );
        }
        last = request(&effects).unwrap_or(last);
        now += Duration::from_millis(u64::from(choices >> 2) * 50);
        last = request(&changer.tick(now, &mut roster, &mut rng)).unwrap_or(last);
    }
    // At most four changes, of five transmissions each.
    for _ in 0..25 {
        let Some(due) = changer.next_deadline() else {
            break;
        };
        now = now.max(due);
        changer.tick(now, &mut roster, &mut rng);
    }
    assert_eq!(changer.next_deadline(), None);
    assert!(changer.outcome(id).is_some(), "the order never ends");
});

/// Identifier and authenticator of the request that was sent last.
fn request(effects: &Effects) -> Option<(u8, [u8; 16])> {
    let octets = &effects.transmits.last()?.octets;
    let packet = Packet::parse(octets).expect("what is sent is a packet");
    Some((packet.identifier(), *packet.authenticator()))
}

fn session(address: IpAddr) -> Session {
    let mac = Mac([0x02, 0x1a, 0x71, 0, 0, 7]);
    let request = [
        &[1, 1, 0, 39][..],
        &[0; 16],
        &[31, 19],
        mac.to_string().as_bytes(),
    ]
    .concat();
    Session {
        id: 1,
        switch: "quay-1".to_owned(),
        address,
        port: Some("1/0/7".to_owned()),
        mac: Some(mac),
        identity: None,
        method: MethodName::Mac,
        class: "holding".to_owned(),
        request,
        login: None,
        acct_session_id: Some("00000001".to_owned()),
        accepted: start(),
        accepted_here: true,
        started: Some(start()),
        last_heard: start(),
        octets: (0, 0),
        state: SessionState::Running,
    }
}
