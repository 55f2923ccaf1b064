//! RFC 5080 section 2.2.1: IRT 2 s, MRC 5, MRT 16 s, MRD 30 s, RAND within -0.1 and +0.1.

use std::time::Duration;

use rand::SeedableRng;
use rand::rngs::StdRng;

use super::world::*;
use crate::bench::ChangeKind;
use crate::change::{Outcome, elapsed};

/// Seconds between the transmissions of one bounce that is never answered, and from the first to
/// giving up.
fn schedule(seed: u64) -> (Vec<f64>, f64) {
    let mut world = World::new();
    world.rng = StdRng::seed_from_u64(seed);
    let order = world.by_hand(ChangeKind::Bounce);
    world.pass(Duration::from_secs(120));
    assert_eq!(world.changer.next_deadline(), None);
    let sent = u32::try_from(world.sent.len()).unwrap();
    assert_eq!(
        world.outcome(order),
        Some(Outcome::NoAnswer {
            kind: ChangeKind::Bounce,
            sent
        })
    );
    let waits = world
        .sent
        .windows(2)
        .map(|pair| elapsed(pair[0].0, pair[1].0).as_secs_f64())
        .collect();
    let gave_up = world.entry("gave-up").at;
    (waits, elapsed(world.sent[0].0, gave_up).as_secs_f64())
}

#[test]
fn waits_double_within_the_bounds_of_rand() {
    for seed in 0..500 {
        let (waits, gave_up) = schedule(seed);
        assert!(waits.len() < 5, "MRC 5: {waits:?}");
        assert!((1.8..=2.2).contains(&waits[0]), "IRT: {waits:?}");
        for pair in waits.windows(2) {
            let (least, most) = (pair[0] * 1.9, pair[0] * 2.1);
            let expected = least.min(16.0 * 0.9)..=most.min(16.0 * 1.1);
            assert!(expected.contains(&pair[1]), "{waits:?}");
        }
        let spent: f64 = waits.iter().sum();
        assert!(spent < 30.0, "nothing is sent at or after MRD: {waits:?}");
        assert!((gave_up - 30.0).abs() < 1e-6, "MRD: {gave_up}");
    }
}

/// The fifth transmission comes 30 s after the first but for RAND: both cases must occur.
#[test]
fn mrd_and_mrc_both_bind() {
    let counts: Vec<usize> = (0..500).map(|seed| schedule(seed).0.len() + 1).collect();
    assert!(counts.contains(&4) && counts.contains(&5), "{counts:?}");
}

#[test]
fn rand_spreads_over_its_whole_range() {
    let first: Vec<f64> = (0..500).map(|seed| schedule(seed).0[0]).collect();
    let least = first.iter().copied().fold(f64::MAX, f64::min);
    let most = first.iter().copied().fold(f64::MIN, f64::max);
    assert!(least < 1.82 && most > 2.18, "{least} {most}");
}

/// RFC 5176 section 2.3: Identifier, Authenticator and port stay; section 6.3: Event-Timestamp is
/// not updated.
#[test]
fn a_repetition_is_the_same_octets_to_the_same_place() {
    let mut world = World::new();
    world.by_hand(ChangeKind::Bounce);
    world.pass(Duration::from_secs(20));
    assert_eq!(world.sent.len(), 4);
    for (_, transmit) in &world.sent {
        assert_eq!(*transmit, world.sent[0].1);
    }
    assert_eq!(
        world.verdicts(),
        ["ordered", "sent", "repeated", "repeated", "repeated"]
    );
    let packets = world.entries.iter().flat_map(|entry| &entry.packets);
    assert_eq!(packets.count(), 4);
}

#[test]
fn an_answer_ends_the_repetitions() {
    let mut world = World::new();
    let order = world.by_hand(ChangeKind::Bounce);
    world.pass(Duration::from_secs(3));
    assert_eq!(world.sent.len(), 2);
    assert_eq!(world.outcome(order), None);
    world.ack();
    world.pass(Duration::from_secs(60));
    assert_eq!(world.sent.len(), 2);
    assert!(world.outcome(order).unwrap().is_done());
}

#[test]
fn giving_up_says_what_to_check() {
    let mut world = World::new();
    world.by_hand(ChangeKind::Bounce);
    world.pass(Duration::from_secs(31));
    let reason = &world.entry("gave-up").reason;
    assert!(
        reason.contains("UDP port 3799") && reason.contains("secret"),
        "{reason}"
    );
}
