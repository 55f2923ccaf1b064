use std::path::Path;

use proptest::prelude::*;

use super::*;
use crate::bench::{DhcpField, parse_str};

/// The conditions of a class table whose rows these are.
fn rows(recognise: &[&str]) -> Vec<Option<Condition>> {
    let rows: String = recognise
        .iter()
        .enumerate()
        .map(|(at, text)| format!("    - {{name: r{at}, recognise: {text}}}\n"))
        .collect();
    let text = format!(
        "bench: t\nswitches: [{{name: s, address: 192.0.2.1, secret: a secret of sixteen, dialect: standard}}]\n\
         classes:\n  holding: h\n  classes:\n{rows}    - name: h\n"
    );
    let bench = parse_str("t.yaml", &text).unwrap().bench;
    bench
        .table
        .classes
        .iter()
        .map(|class| class.recognise.clone())
        .collect()
}

fn never(recognise: &[&str]) -> Vec<(usize, Never)> {
    let rows = rows(recognise);
    let rows: Vec<Option<&Condition>> = rows.iter().map(Option::as_ref).collect();
    rows_that_never_fit(&rows)
}

#[test]
fn rows_that_an_earlier_one_takes() {
    for (earlier, later) in [
        ("{port: a}", "{port: a}"),
        ("{port: [a, b]}", "{port: a}"),
        ("{port: {glob: 'a*'}}", "{port: [ab, ac]}"),
        ("{port: {regex: '^a'}}", "{port: ab}"),
        ("{port: {present: true}}", "{port: {glob: 'x*'}}"),
        ("{port: {range: 1..10}}", "{port: {range: 2..9}}"),
        ("{port: {range: 1..10}}", "{port: '5'}"),
        ("{mac-prefix: 02:1a}", "{mac-prefix: 02:1a:70}"),
        (
            "{mac-prefix: [02:1a, 02:1b]}",
            "{mac-prefix: [02:1b:01, 02:1a:01]}",
        ),
        (
            "{mac-mask: 020000000000/020000000000}",
            "{mac: 02:00:00:00:00:01}",
        ),
        (
            "{mac: [02:00:00:00:00:01, 02:00:00:00:00:02]}",
            "{mac: 02:00:00:00:00:02}",
        ),
        (
            "{mac: 02:00:00:00:00:01}",
            "{mac-prefix: 02:00:00:00:00:01}",
        ),
        ("{method: [eap-tls, peap]}", "{method: peap, port: a}"),
        ("{port: a}", "{all: [{port: a}, {group: b}]}"),
        ("{any: [{port: a}, {group: b}]}", "{group: b, port: c}"),
        ("{not: {port: [a]}}", "{not: {port: [a, b]}}"),
        ("{not: {port: a}}", "{port: b}"),
        (
            "{after-machine: {within: 2h}}",
            "{after-machine: {within: 1h, group: a}}",
        ),
        (
            "{dhcp: {host-name: a}}",
            "{dhcp: {host-name: a, client-id: b}}",
        ),
        (
            "{attribute: {NAS-Port-Type: {range: 1..20}}}",
            "{attribute: {NAS-Port-Type: Ethernet}}",
        ),
        (
            "{certificate: {issuer: {glob: '*'}}}",
            "{certificate: {issuer: {regex: x}}}",
        ),
    ] {
        let found = never(&[earlier, later]);
        assert_eq!(
            found,
            [(1, Never::Shadowed(vec![0]))],
            "{earlier} before {later}"
        );
    }
}

#[test]
fn rows_that_several_earlier_ones_take_together() {
    let found = never(&[
        "{port: a}",
        "{group: g}",
        "{port: b}",
        "{any: [{port: b}, {port: a}]}",
    ]);
    assert_eq!(found, [(3, Never::Shadowed(vec![0, 2]))]);
    let found = never(&[
        "{mac: 02:00:00:00:00:01}",
        "{mac-prefix: 02:01}",
        "{mac: [02:00:00:00:00:01, 02:01:00:00:00:02]}",
    ]);
    assert_eq!(found, [(2, Never::Shadowed(vec![0, 1]))]);
}

#[test]
fn rows_that_contradict_themselves() {
    for text in [
        "{all: [{port: a}, {port: b}]}",
        "{all: [{port: {range: 1..5}}, {port: {range: 6..9}}]}",
        "{port: a, not: {port: {glob: '?'}}}",
        "{all: [{mac-prefix: 02:1a}, {mac-prefix: 02:1b:01}]}",
        "{mac-prefix: 02:1a, mac: 02:1b:00:00:00:01}",
        "{all: [{mac: 02:00:00:00:00:01}, {mac: 02:00:00:00:00:02}]}",
        "{all: [{method: mac}, {method: peap}]}",
        "{method: mac, group: a}",
        "{method: mac, certificate: {subject: a}}",
        "{all: [{dhcp: {host-name: a}}, {dhcp: {host-name: [b, c]}}]}",
        "{any: [{all: [{port: a}, {port: b}]}, {method: mac, identity: a}]}",
    ] {
        assert_eq!(never(&[text]), [(0, Never::Contradiction)], "{text}");
    }
}

/// The twins of the above, each with something left for the later row.
#[test]
fn rows_that_can_fit() {
    for (earlier, later) in [
        ("{port: a}", "{port: [a, b]}"),
        ("{port: {glob: 'a*'}}", "{port: {present: true}}"),
        ("{port: {range: 2..9}}", "{port: {range: 1..9}}"),
        ("{port: a}", "{group: a}"),
        ("{mac-prefix: 02:1a:70}", "{mac-prefix: 02:1a}"),
        (
            "{mac-prefix: [02:1a, 02:1b]}",
            "{mac-prefix: [02:1a:01, 02:1c]}",
        ),
        ("{port: a, group: b}", "{port: a}"),
        ("{not: {port: [a, b]}}", "{not: {port: a}}"),
        (
            "{after-machine: {within: 1h}}",
            "{after-machine: {within: 2h}}",
        ),
        (
            "{after-machine: {within: 2h, group: a}}",
            "{after-machine: {within: 1h}}",
        ),
        ("{dhcp: {host-name: a}}", "{dhcp: {client-id: a}}"),
        // Several values: one may pass the one test, another the other.
        ("{port: x}", "{all: [{group: a}, {group: b}]}"),
        (
            "{port: x}",
            "{all: [{attribute: {Class: a}}, {attribute: {Class: b}}]}",
        ),
        ("{port: x}", "{method: [mac, peap], group: a}"),
    ] {
        assert_eq!(never(&[earlier, later]), [], "{earlier} before {later}");
    }
}

#[test]
fn the_table_that_ships_has_no_idle_row() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("lab/lantern-quay.yaml");
    let bench = crate::bench::load(&path).unwrap().bench;
    let rows: Vec<Option<&Condition>> = bench
        .table
        .classes
        .iter()
        .map(|c| c.recognise.as_ref())
        .collect();
    assert_eq!(rows_that_never_fit(&rows), []);
}

/// Deep conditions can be compared in more ways than there is time for.
#[test]
fn comparing_ends() {
    let glob = |text: &str| {
        Condition::Port(Test::Glob(
            globset::Glob::new(text).unwrap().compile_matcher(),
        ))
    };
    let narrow = (0..25).fold(glob("a*"), |inner, _| {
        Condition::All(vec![Condition::Any(vec![inner, glob("b*")]), glob("c*")])
    });
    let wide = (0..25).fold(glob("d*"), |inner, _| {
        Condition::Any(vec![Condition::All(vec![inner, glob("e*")]), glob("f*")])
    });
    assert_eq!(rows_that_never_fit(&[Some(&wide), Some(&narrow)]), []);
}

/// Conditions over a world small enough to try out whole.
fn small_condition() -> impl Strategy<Value = Condition> {
    let text = || prop_oneof![Just("a"), Just("b"), Just("5")].prop_map(str::to_owned);
    let test = || {
        prop_oneof![
            text().prop_map(Test::Exact),
            proptest::collection::vec(text(), 1..3).prop_map(Test::OneOf),
            prop_oneof![Just("*"), Just("a*"), Just("?"), Just("[ab]")]
                .prop_map(|text| Test::Glob(globset::Glob::new(text).unwrap().compile_matcher())),
            (0u64..8, 0u64..8).prop_map(|(from, to)| Test::Range(from, to)),
            Just(Test::Present),
        ]
    };
    let mac = || (0u8..4).prop_map(|last| Mac([0, 0, 0, 0, 0, last]));
    let leaf = prop_oneof![
        test().prop_map(Condition::Port),
        test().prop_map(|test| Condition::Dhcp(DhcpField::HostName, test)),
        (mac(), mac()).prop_map(|(value, mask)| Condition::MacMask { value, mask }),
        proptest::collection::vec(mac(), 0..3).prop_map(Condition::MacList),
        prop_oneof![
            Just(vec![MethodName::Mac]),
            Just(vec![MethodName::Peap]),
            Just(vec![MethodName::Mac, MethodName::Peap])
        ]
        .prop_map(Condition::Method),
    ];
    leaf.prop_recursive(2, 8, 3, |inner| {
        prop_oneof![
            proptest::collection::vec(inner.clone(), 1..3).prop_map(Condition::All),
            proptest::collection::vec(inner.clone(), 1..3).prop_map(Condition::Any),
            inner.prop_map(|part| Condition::Not(Box::new(part))),
        ]
    })
}

/// One device of the small world.
type Small<'a> = (Option<&'a str>, Option<&'a str>, Option<Mac>, MethodName);

fn meets(condition: &Condition, device: Small<'_>) -> bool {
    let (port, host, mac, method) = device;
    match condition {
        Condition::All(parts) => parts.iter().all(|part| meets(part, device)),
        Condition::Any(parts) => parts.iter().any(|part| meets(part, device)),
        Condition::Not(part) => !meets(part, device),
        Condition::Port(test) => port.is_some_and(|text| test.passes(text)),
        Condition::Dhcp(_, test) => host.is_some_and(|text| test.passes(text)),
        Condition::MacMask { .. } | Condition::MacList(_) => {
            mac.is_some_and(|mac| takes(condition, mac))
        }
        Condition::Method(methods) => methods.contains(&method),
        _ => unreachable!("not in the small world"),
    }
}

fn small_world() -> Vec<Small<'static>> {
    let texts = [None, Some("a"), Some("b"), Some("5"), Some("ab"), Some("x")];
    let macs = (0..4)
        .map(|last| Some(Mac([0, 0, 0, 0, 0, last])))
        .chain([None]);
    let macs: Vec<Option<Mac>> = macs.collect();
    let mut world = Vec::new();
    for port in texts {
        for host in texts {
            for mac in &macs {
                for method in [MethodName::Mac, MethodName::Peap] {
                    world.push((port, host, *mac, method));
                }
            }
        }
    }
    world
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    /// Sound: in a world tried out whole, a row that is said to never fit never is the first.
    #[test]
    fn what_is_said_is_so(conditions in proptest::collection::vec(small_condition(), 1..4)) {
        let rows: Vec<Option<&Condition>> = conditions.iter().map(Some).collect();
        let idle = rows_that_never_fit(&rows);
        for device in small_world() {
            if let Some(first) = conditions.iter().position(|row| meets(row, device)) {
                prop_assert!(idle.iter().all(|(at, _)| *at != first), "{device:?} {idle:?}");
            }
        }
    }
}
