//! ACK, NAK, what is neither, and what follows.

use proptest::prelude::*;

use super::layout::authorize_only;
use super::world::*;
use crate::bench::{ChangeKind, Dialect};
use crate::change::{Origin, Outcome};
use crate::journal::{Direction, Kind};
use crate::roster::Effects;
use crate::wire::registry::attributes as a;
use crate::wire::registry::error_cause::ErrorCause;
use crate::wire::{AttributeBuf, Builder, Code, Packet, Secret};

/// RFC 5176 section 2.1 and 2.2.
#[test]
fn an_ack_ends_the_order() {
    for (kind, code) in [
        (ChangeKind::Bounce, Code::COA_ACK),
        (ChangeKind::Disconnect, Code::DISCONNECT_ACK),
    ] {
        let mut world = World::new();
        let order = world.by_hand(kind);
        world.pass(seconds(0.5));
        world.answer(code, &[]);
        assert_eq!(world.verdicts(), ["ordered", "sent", "acked"]);
        assert_eq!(world.outcome(order), Some(Outcome::Acked { kind }));
        let entry = world.entry("acked");
        assert_eq!(entry.kind, Kind::Change);
        assert_eq!(entry.place.order, Some(order));
        assert_eq!(entry.packets[0].direction, Direction::In);
        assert_eq!(entry.packets[0].from, switch_address());
        assert!(entry.reason.contains("0.5 s"), "{}", entry.reason);
        assert_eq!(entry.breach, None);
        // The session stays until accounting or a new accept ends it.
        assert!(world.roster.sessions().get(TILL).unwrap().is_live());
    }
}

/// RFC 5176 section 3.5: every Error-Cause of a NAK, in words and with what to do.
#[test]
fn each_error_cause_is_put_into_words() {
    for cause in ErrorCause::ALL {
        let mut world = World::new();
        let order = world.by_hand(ChangeKind::Bounce);
        world.nak(cause.0);
        let verdict = format!("nak-{}", cause.0);
        assert_eq!(world.verdicts(), ["ordered", "sent", &verdict]);
        let entry = world.entry(&verdict);
        assert!(
            entry.reason.contains(cause.name().unwrap()),
            "{}",
            entry.reason
        );
        assert!(entry.reason.contains(cause.remedy()), "{}", entry.reason);
        assert_eq!(
            entry.breach.is_some(),
            !cause.allowed_in(Code::COA_NAK),
            "{cause}"
        );
        assert_eq!(
            world.outcome(order),
            Some(Outcome::Refused {
                kind: ChangeKind::Bounce,
                cause: Some(*cause)
            })
        );
        assert_eq!(world.changer.next_deadline(), None);
    }
}

#[test]
fn unknown_and_absent_causes_count_too() {
    let mut world = World::new();
    world.by_hand(ChangeKind::Bounce);
    world.nak(599);
    assert_eq!(world.verdicts().last(), Some(&"nak-599"));
    let order = world.by_hand(ChangeKind::Bounce);
    world.answer(Code::COA_NAK, &[]);
    assert_eq!(world.verdicts().last(), Some(&"nak"));
    assert_eq!(
        world.outcome(order),
        Some(Outcome::Refused {
            kind: ChangeKind::Bounce,
            cause: None
        })
    );
}

/// RFC 5176 section 3.5: 4xx and 5xx belong into a NAK, 201 into a Disconnect-ACK.
#[test]
fn a_cause_in_the_wrong_packet_is_a_breach() {
    for (cause, breach) in [(404, Some("RFC 5176 section 3.5")), (201, None)] {
        let mut world = World::new();
        world.by_hand(ChangeKind::Disconnect);
        let attribute = AttributeBuf::integer(a::ERROR_CAUSE, cause);
        world.answer(Code::DISCONNECT_ACK, &[attribute]);
        assert_eq!(world.entry("acked").breach.as_deref(), breach);
    }
}

/// RFC 5176 section 2.3: a wrong Response Authenticator is a silent discard.
#[test]
fn an_answer_under_another_secret_is_dropped_and_the_change_goes_on() {
    let mut world = World::new();
    let order = world.by_hand(ChangeKind::Bounce);
    let forged = world.signed(Code::COA_ACK, &[], b"some other secret");
    world.receive(switch_address(), &forged);
    let entry = world.entry("dropped-bad-response-authenticator");
    assert_eq!(entry.breach.as_deref(), Some("RFC 5176 section 2.3"));
    assert_eq!(entry.packets[0].octets, forged);
    assert_eq!(world.outcome(order), None);
    world.pass(seconds(3.0));
    assert_eq!(world.verdicts().last(), Some(&"repeated"));
    world.ack();
    assert!(world.outcome(order).unwrap().is_done());
}

#[test]
fn one_flipped_bit_anywhere_is_not_the_answer() {
    let mut world = World::new();
    let order = world.by_hand(ChangeKind::Bounce);
    let attribute = AttributeBuf::text(a::REPLY_MESSAGE, "done");
    let good = world.signed(Code::COA_ACK, &[attribute], CHANGE_SECRET);
    for bit in 0..good.len() * 8 {
        let mut bad = good.clone();
        bad[bit / 8] ^= 1 << (bit % 8);
        let before = world.entries.len();
        world.receive(switch_address(), &bad);
        let new = &world.entries[before..];
        assert_eq!(new.len(), 1);
        assert!(
            new[0].verdict.starts_with("dropped-"),
            "{bit}: {}",
            new[0].verdict
        );
    }
    assert_eq!(world.outcome(order), None);
    world.receive(switch_address(), &good);
    assert!(world.outcome(order).unwrap().is_done());
}

/// RFC 5176 section 3.4: a Message-Authenticator that is there must be right.
#[test]
fn a_wrong_message_authenticator_is_dropped() {
    let mut world = World::new();
    let order = world.by_hand(ChangeKind::Bounce);
    let wrong = AttributeBuf::new(a::MESSAGE_AUTHENTICATOR, [7; 16]);
    world.answer(Code::COA_ACK, &[wrong]);
    let entry = world.entry("dropped-bad-message-authenticator");
    assert_eq!(entry.breach.as_deref(), Some("RFC 5176 section 3.4"));
    assert_eq!(world.outcome(order), None);

    let sent = Packet::parse(world.last()).unwrap();
    let mut builder = Builder::new(Code::COA_ACK, sent.identifier());
    builder.message_authenticator().unwrap();
    let right = builder.finish_response(sent.authenticator(), &Secret::new(CHANGE_SECRET));
    world.receive(switch_address(), &right);
    assert!(world.outcome(order).unwrap().is_done());
}

#[test]
fn the_code_must_answer_what_was_asked() {
    for (kind, wrong) in [
        (ChangeKind::Bounce, Code::DISCONNECT_ACK),
        (ChangeKind::Bounce, Code::DISCONNECT_NAK),
        (ChangeKind::Bounce, Code::ACCESS_ACCEPT),
        (ChangeKind::Disconnect, Code::COA_ACK),
        (ChangeKind::Disconnect, Code::COA_NAK),
    ] {
        let mut world = World::new();
        let order = world.by_hand(kind);
        world.answer(wrong, &[]);
        assert_eq!(world.verdicts().last(), Some(&"dropped-wrong-code"));
        assert_eq!(world.outcome(order), None);
    }
}

#[test]
fn what_belongs_to_no_change_is_named() {
    let mut world = World::new();
    let order = world.by_hand(ChangeKind::Bounce);
    let answer = world.signed(Code::COA_ACK, &[], CHANGE_SECRET);
    let dropped = |world: &mut World, peer: &str, datagram: &[u8]| {
        world.receive(peer.parse().unwrap(), datagram);
        let entry = world.entries.last().unwrap();
        assert_eq!(entry.kind, Kind::Dropped);
        assert_eq!(entry.packets[0].octets, datagram);
        entry.verdict.clone()
    };
    // Another port of the switch, and another address altogether.
    let verdict = dropped(&mut world, "192.0.2.10:3798", &answer);
    assert_eq!(verdict, "dropped-unexpected-answer");
    let verdict = dropped(&mut world, "203.0.113.5:3799", &answer);
    assert_eq!(verdict, "dropped-unknown-switch");
    // An identifier that was not used.
    let mut other = answer.clone();
    other[1] ^= 0xff;
    let verdict = dropped(&mut world, "192.0.2.10:3799", &other);
    assert_eq!(verdict, "dropped-unexpected-answer");
    let verdict = dropped(&mut world, "192.0.2.10:3799", &answer[..19]);
    assert_eq!(verdict, "dropped-malformed");
    // A request on the socket for changes.
    let mut request = answer.clone();
    request[0] = Code::COA_REQUEST.0;
    request[1] ^= 0xff;
    let verdict = dropped(&mut world, "192.0.2.10:3799", &request);
    assert_eq!(verdict, "dropped-wrong-code");
    assert_eq!(world.outcome(order), None);
    // The answer to each of two transmissions.
    world.receive(switch_address(), &answer);
    let verdict = dropped(&mut world, "192.0.2.10:3799", &answer);
    assert_eq!(verdict, "dropped-late-answer");
}

/// RFC 5176 section 3.2: success of Authorize-Only is a CoA-NAK with 507.
#[test]
fn request_initiated_means_begun_where_the_dialect_says_so() {
    let mut world = World::with(bench(switch(authorize_only(None))));
    let order = world.by_hand(ChangeKind::Reauth);
    let sent = Packet::parse(world.last()).unwrap();
    let state = sent.first(a::STATE).unwrap().to_buf();
    let cause = AttributeBuf::integer(a::ERROR_CAUSE, 507);
    world.answer(Code::COA_NAK, &[state, cause]);
    assert_eq!(world.verdicts(), ["ordered", "sent", "begun"]);
    assert_eq!(world.entry("begun").breach, None);
    let kind = ChangeKind::Reauth;
    assert_eq!(world.outcome(order), Some(Outcome::Begun { kind }));
    assert!(world.outcome(order).unwrap().is_done());
}

#[test]
fn request_initiated_elsewhere_is_a_refusal() {
    let mut world = World::new();
    let order = world.by_hand(ChangeKind::Reauth);
    world.nak(507);
    assert_eq!(world.verdicts(), ["ordered", "sent", "nak-507"]);
    assert!(!world.outcome(order).unwrap().is_done());
}

/// RFC 5176 section 3.3: State comes back unmodified and once; section 3.2: never an ACK.
#[test]
fn breaches_of_authorize_only() {
    let cause = AttributeBuf::integer(a::ERROR_CAUSE, 507);
    let state = AttributeBuf::text(a::STATE, "another");
    for (code, attributes, verdict, breach) in [
        (
            Code::COA_NAK,
            vec![cause.clone()],
            "begun",
            "RFC 5176 section 3.3",
        ),
        (
            Code::COA_NAK,
            vec![cause, state],
            "begun",
            "RFC 5176 section 3.3",
        ),
        (Code::COA_ACK, vec![], "acked", "RFC 5176 section 3.2"),
    ] {
        let mut world = World::with(bench(switch(authorize_only(None))));
        world.by_hand(ChangeKind::Reauth);
        world.answer(code, &attributes);
        assert_eq!(world.entry(verdict).breach.as_deref(), Some(breach));
    }
}

#[test]
fn a_refused_change_falls_back_once_each() {
    use ChangeKind::{Bounce, Disconnect, Reauth, Regrant};
    let mut world = World::falling_back(&[Reauth, Bounce, Disconnect, Reauth]);
    let mut order = by_hand(Regrant);
    order.origin = Origin::Drill;
    let order = world.try_order(order).unwrap();
    let mut identifiers = vec![world.last()[1]];
    for refused in [Regrant, Reauth, Bounce] {
        assert_eq!(world.entries.last().unwrap().place.change, Some(refused));
        world.nak(406);
        identifiers.push(world.last()[1]);
    }
    let cause = AttributeBuf::integer(a::ERROR_CAUSE, 503);
    world.answer(Code::DISCONNECT_NAK, &[cause]);
    assert_eq!(
        world.verdicts(),
        [
            "ordered",
            "sent",
            "nak-406",
            "fell-back",
            "sent",
            "nak-406",
            "fell-back",
            "sent",
            "nak-406",
            "fell-back",
            "sent",
            "nak-503"
        ]
    );
    assert!(
        world
            .entries
            .iter()
            .all(|entry| entry.place.order == Some(order))
    );
    identifiers.sort_unstable();
    identifiers.dedup();
    assert_eq!(identifiers.len(), 4, "each is a new request");
    assert_eq!(
        world.outcome(order),
        Some(Outcome::Refused {
            kind: Disconnect,
            cause: Some(ErrorCause::SESSION_CONTEXT_NOT_FOUND)
        })
    );
}

#[test]
fn a_fallback_that_is_acknowledged_ends_the_order_well() {
    let mut world = World::falling_back(&[ChangeKind::Reauth]);
    let order = world.recognised("till").unwrap();
    world.pass(seconds(1.0));
    world.nak(401);
    world.ack();
    let kind = ChangeKind::Reauth;
    assert_eq!(world.outcome(order), Some(Outcome::Acked { kind }));
    assert_eq!(world.entry("acked").place.change, Some(kind));
}

#[test]
fn a_fallback_without_a_spelling_is_passed_over() {
    let mut lacking = Dialect {
        fallback: vec![ChangeKind::Reauth, ChangeKind::Disconnect],
        ..dialect()
    };
    lacking.changes.remove(&ChangeKind::Reauth);
    let mut world = World::with(bench(switch(lacking)));
    world.by_hand(ChangeKind::Bounce);
    world.nak(406);
    assert_eq!(
        world.entries.last().unwrap().place.change,
        Some(ChangeKind::Disconnect)
    );
}

/// A class asks for what suits its devices; a dialect may have no word for it.
#[test]
fn a_recognition_whose_change_the_dialect_lacks_starts_with_the_fallback() {
    let mut lacking = Dialect {
        fallback: vec![ChangeKind::Reauth, ChangeKind::Disconnect],
        ..dialect()
    };
    lacking.changes.remove(&ChangeKind::Bounce);
    let mut world = World::with(bench(switch(lacking.clone())));
    world.recognised("till").unwrap();
    world.pass(seconds(1.0));
    assert_eq!(world.verdicts(), ["ordered", "fell-back", "sent"]);
    assert_eq!(world.entry("sent").place.change, Some(ChangeKind::Reauth));
    world.nak(406);
    assert_eq!(
        world.entry("sent").place.change,
        Some(ChangeKind::Disconnect)
    );

    // Nobody gets another change than the one asked for by name.
    let mut world = World::with(bench(switch(lacking.clone())));
    assert!(world.try_order(by_hand(ChangeKind::Bounce)).is_err());

    lacking.fallback.clear();
    let mut world = World::with(bench(switch(lacking)));
    let refused = world.recognised("till").unwrap_err();
    assert_eq!(refused.verdict(), "refused-unspellable");
}

/// A person who asks for a regrant was not cautioned about power over Ethernet.
#[test]
fn an_order_by_hand_never_ends_in_a_bounce_nobody_asked_for() {
    let mut world = World::falling_back(&[ChangeKind::Bounce]);
    let order = world.by_hand(ChangeKind::Reauth);
    world.nak(406);
    assert_eq!(world.verdicts(), ["ordered", "sent", "nak-406"]);
    assert!(world.outcome(order).is_some());
}

#[test]
fn silence_is_no_refusal() {
    let mut world = World::falling_back(&[ChangeKind::Reauth]);
    world.by_hand(ChangeKind::Bounce);
    world.pass(seconds(40.0));
    assert_eq!(world.verdicts().last(), Some(&"gave-up"));
}

#[test]
fn a_regrant_is_in_force_once_acknowledged() {
    let mut world = World::new();
    let mut order = by_hand(ChangeKind::Regrant);
    order.to_class = Some("printer".to_owned());
    world.try_order(order).unwrap();
    world.effects = Effects::default();
    assert_eq!(world.roster.sessions().get(TILL).unwrap().class, "holding");
    world.ack();
    let session = world.roster.sessions().get(TILL).unwrap();
    assert_eq!(session.class, "printer");
    assert_eq!(world.effects.sessions, std::slice::from_ref(session));
    let device = world.roster.device(mac(TILL)).unwrap();
    assert_eq!(device.class.as_deref(), Some("printer"));
    assert_eq!(world.effects.devices, std::slice::from_ref(device));
    assert_eq!(world.entry("acked").place.class.as_deref(), Some("printer"));
}

#[test]
fn a_refused_regrant_changes_nothing() {
    let mut world = World::new();
    let mut order = by_hand(ChangeKind::Regrant);
    order.to_class = Some("printer".to_owned());
    world.try_order(order).unwrap();
    world.nak(407);
    assert_eq!(world.roster.sessions().get(TILL).unwrap().class, "holding");
    assert!(world.effects.sessions.is_empty() && world.effects.devices.is_empty());
}

#[test]
fn an_answer_counts_though_the_bench_was_reloaded_with_another_secret() {
    let mut world = World::new();
    let order = world.by_hand(ChangeKind::Bounce);
    let mut other = switch(dialect());
    other.change_secret = Secret::new(&b"another-secret-altogether"[..]);
    world.changer.reload(std::sync::Arc::new(bench(other)));
    world.ack();
    assert!(world.outcome(order).unwrap().is_done());
}

proptest! {
    /// Whatever arrives gets exactly one named verdict, and no octets end a change but its answer.
    #[test]
    fn any_datagram_gets_one_verdict(
        octets in proptest::collection::vec(any::<u8>(), 0..200),
        code in prop::sample::select(vec![2u8, 40, 41, 42, 43, 44, 45]),
        shaped in any::<bool>(),
    ) {
        let mut world = World::new();
        let order = world.by_hand(ChangeKind::Bounce);
        let mut datagram = octets;
        if shaped && datagram.len() >= 20 {
            let length = (datagram.len() as u16).to_be_bytes();
            datagram[..4].copy_from_slice(&[code, world.last()[1], length[0], length[1]]);
        }
        let before = world.entries.len();
        world.receive(switch_address(), &datagram);
        prop_assert_eq!(world.entries.len(), before + 1);
        prop_assert!(world.entries[before].verdict.starts_with("dropped-"));
        prop_assert!(!world.entries[before].reason.is_empty());
        prop_assert_eq!(world.outcome(order), None);
    }
}
