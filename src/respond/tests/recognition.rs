//! From sighting to recognition.

use std::collections::BTreeMap;

use super::rig::*;
use crate::bench::ChangeKind;
use crate::journal::Kind;
use crate::respond::{Recognition, recognise, sight};
use crate::roster::Effects;
use crate::sight::Sighting;
use crate::wire::Mac;

fn says(seconds: i64, mac: Mac, vendor_class: &str) -> Sighting {
    Sighting {
        at: at(seconds),
        mac,
        from: "0.0.0.0:68".parse().unwrap(),
        relay: None,
        message: 1,
        requested: None,
        fields: BTreeMap::from([("vendor-class".to_owned(), vendor_class.to_owned())]),
        faults: vec![],
    }
}

fn hear(rig: &mut Rig, seconds: i64, mac: Mac, vendor_class: &str) -> Effects {
    let sighting = says(seconds, mac, vendor_class);
    sight(at(seconds), &mut rig.roster, &sighting, None)
}

fn look(rig: &mut Rig, seconds: i64, mac: Mac) -> (Vec<Recognition>, Effects) {
    recognise(at(seconds), &rig.bench, &mut rig.roster, mac)
}

#[test]
fn a_sighting_is_learnt_once_and_placed() {
    let mut rig = Rig::new();
    rig.ask(0, &Asking::mac(1, STRANGER, "7"));
    let effects = hear(&mut rig, 1, STRANGER, "till");
    let entry = &effects.entries[0];
    assert_eq!(
        (entry.kind, entry.verdict.as_str()),
        (Kind::Sighting, "learnt")
    );
    assert!(
        entry.reason.contains("vendor-class \"till\""),
        "{}",
        entry.reason
    );
    assert_eq!(entry.place.port.as_deref(), Some("7"));
    assert_eq!(entry.place.class.as_deref(), Some("holding"));
    assert_eq!(effects.devices[0].sightings.dhcp["vendor-class"], "till");
    let effects = hear(&mut rig, 2, STRANGER, "till");
    assert_eq!(effects.entries[0].verdict, "nothing-new");
}

#[test]
fn a_sighting_of_a_device_that_is_nowhere_is_kept_for_its_plug_in() {
    let mut rig = Rig::new();
    let effects = hear(&mut rig, 0, STRANGER, "till");
    assert_eq!(effects.entries[0].place.switch, None);
    assert!(look(&mut rig, 0, STRANGER).0.is_empty());
    let outcome = rig.ask(1, &Asking::mac(1, STRANGER, "7"));
    assert_eq!(outcome.entry().place.class.as_deref(), Some("till"));
}

#[test]
fn a_held_device_that_says_what_it_is_is_recognised_until_the_accept() {
    let mut rig = Rig::new();
    let accept = rig.ask(0, &Asking::mac(1, STRANGER, "7"));
    assert!(
        look(&mut rig, 1, STRANGER).0.is_empty(),
        "nothing is known yet"
    );
    hear(&mut rig, 2, STRANGER, "till");
    let (recognitions, effects) = look(&mut rig, 2, STRANGER);
    let [recognition] = &recognitions[..] else {
        panic!("{recognitions:?}");
    };
    assert_eq!(Some(recognition.session), accept.entry().place.session);
    assert_eq!(
        (recognition.from.as_str(), recognition.to.as_str()),
        ("holding", "till")
    );
    assert_eq!(recognition.change, ChangeKind::Bounce);
    let entry = &effects.entries[0];
    assert_eq!(
        (entry.kind, entry.verdict.as_str()),
        (Kind::Recognition, "recognised")
    );
    assert_eq!(entry.place.session, Some(recognition.session));
    assert!(entry.trace.is_some());

    let outcome = rig.ask(9, &Asking::mac(2, STRANGER, "7"));
    assert_eq!(outcome.entry().place.class.as_deref(), Some("till"));
    assert!(look(&mut rig, 10, STRANGER).0.is_empty());
}

#[test]
fn several_sightings_in_a_row_are_one_recognition_and_a_stuck_one_comes_again() {
    let mut rig = Rig::new();
    rig.ask(0, &Asking::mac(1, STRANGER, "7"));
    hear(&mut rig, 1, STRANGER, "till");
    let count = |rig: &mut Rig, seconds| {
        let (recognitions, effects) = look(rig, seconds, STRANGER);
        assert_eq!(recognitions.len(), effects.entries.len());
        recognitions.len()
    };
    assert_eq!(count(&mut rig, 1), 1);
    assert_eq!(count(&mut rig, 2), 0);
    assert_eq!(count(&mut rig, 30), 0);
    assert_eq!(count(&mut rig, 31), 1);
}

#[test]
fn a_recognition_after_an_accept_is_a_new_one() {
    let mut rig = Rig::new();
    rig.ask(0, &Asking::mac(1, STRANGER, "7"));
    for (seconds, word, identifier) in [(1, "till", 2), (3, "other", 3), (5, "till", 4)] {
        hear(&mut rig, seconds, STRANGER, word);
        assert_eq!(look(&mut rig, seconds, STRANGER).0.len(), 1, "{seconds}");
        rig.ask(seconds + 1, &Asking::mac(identifier, STRANGER, "7"));
    }
}

#[test]
fn a_session_that_was_not_accepted_here_or_is_over_is_left_alone() {
    let mut rig = Rig::new();
    let start = |identifier, status| Asking::accounting(identifier, status, "z").of(STRANGER, "7");
    rig.report(0, &start(1, 1));
    hear(&mut rig, 1, STRANGER, "till");
    assert!(look(&mut rig, 1, STRANGER).0.is_empty());

    let mut rig = Rig::new();
    rig.ask(0, &Asking::mac(1, STRANGER, "7"));
    rig.report(1, &start(1, 2));
    hear(&mut rig, 2, STRANGER, "till");
    assert!(look(&mut rig, 2, STRANGER).0.is_empty());
}

#[test]
fn a_pin_is_a_recognition_too() {
    let mut rig = Rig::new();
    rig.ask(0, &Asking::mac(1, PRINTER, "7"));
    rig.roster.pin(at(1), PRINTER, "till", None);
    assert_eq!(look(&mut rig, 1, PRINTER).0[0].to, "till");
    rig.roster.unpin(at(2), PRINTER);
    assert!(look(&mut rig, 2, PRINTER).0.is_empty());
}
