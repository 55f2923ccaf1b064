//! Random drills with random loss, duplication and reordering, against what must always hold. A
//! drill that breaks one shrinks to the few steps that still do.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic,
    reason = "a test that goes wrong should stop where it does"
)]

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::sync::LazyLock;

use jiff::SignedDuration;
use portproof::bench::ChangeKind;
use portproof::bench::yaml::At;
use portproof::drill::observe::SessionStep;
use portproof::drill::script::{ByHand, Network, OnDevice, PinTo, Plug, ServerState, Step};
use portproof::drill::{self, Loaded, Observation, Outcome, Who};
use portproof::journal::Kind;
use proptest::prelude::*;

const DEVICES: [&str; 4] = ["printer", "till", "gate", "stranger"];
const PORTS: [&str; 3] = ["1/1", "1/2", "1/3"];
const LIMIT: usize = 2;

static BASE: LazyLock<Loaded> = LazyLock::new(|| {
    let folder = tempfile::tempdir().unwrap();
    let bench = std::fs::canonicalize("lab/lantern-quay.yaml").unwrap();
    let path = folder.path().join("random.yaml");
    let text = format!(
        "drill: random\nbench: {}\nswitch:\n  name: quay-1\n  ports: {{ count: 3, prefix: \"1/\", limit: {LIMIT} }}\n\
         \x20 critical: {{ role: critical, vlan: 99 }}\n  dead-time: 20s\n\
         \x20 # Records must get through before the drill ends, so the waits are bounded.\n\
         \x20 accounting: {{ retransmission: {{ first: 2s, tries: 0, longest: 8s, total: 0s }} }}\n\
         \x20 dialect: {{ family: enterprise-9 }}\n\
         devices:\n\
         \x20 - {{ name: printer, mac: 02:1a:70:00:00:01, boot-time: 10s, dhcp: {{ vendor-class: lq-print/3 }} }}\n\
         \x20 - {{ name: till, mac: 02:1a:71:00:00:01, boot-time: 10s, dhcp: {{ vendor-class: lq-till/4 }} }}\n\
         \x20 - {{ name: gate, mac: 02:1a:72:00:00:01, boot-time: 10s }}\n\
         \x20 - {{ name: stranger, mac: 02:1a:7e:00:00:01, boot-time: 10s }}\n\
         steps: []\noverall: [{{ event: admitted, at-least: 0 }}]\n",
        bench.display()
    );
    std::fs::write(&path, text).unwrap();
    drill::load(&path).unwrap()
});

fn at<T>(value: T) -> At<T> {
    At {
        value,
        span: portproof::bench::yaml::Span::default(),
    }
}

/// A random thing to do. Where it lands on a device that is in another state (unplugging one that
/// is not plugged), [`possible`] leaves it out.
fn step() -> impl Strategy<Value = Step> {
    let device = || prop::sample::select(&DEVICES[..]);
    let port = || prop::sample::select(&PORTS[..]);
    let on = |name: &str| OnDevice {
        device: at(name.to_owned()),
    };
    let plug = |(device, port): (&str, &str)| Plug {
        device: at(device.to_owned()),
        port: Some(at(port.to_owned())),
        behind: None,
    };
    let kind = prop::sample::select(vec![
        ChangeKind::Bounce,
        ChangeKind::Reauth,
        ChangeKind::Disconnect,
    ]);
    prop_oneof![
        6 => (device(), port()).prop_map(move |what| Step::Plug(plug(what))),
        3 => (device(), device()).prop_map(|(device, host)| Step::Plug(Plug {
            device: at(device.to_owned()),
            port: None,
            behind: Some(at(host.to_owned())),
        })),
        2 => device().prop_map(move |name| Step::Unplug(on(name))),
        2 => device().prop_map(move |name| Step::PowerCycle(on(name))),
        1 => (device(), port()).prop_map(move |what| Step::Move(plug(what))),
        1 => device().prop_map(move |name| Step::Forget(on(name))),
        1 => device().prop_map(|name| Step::Pin(PinTo { device: at(name.to_owned()), class: at("contractor".to_owned()) })),
        1 => device().prop_map(move |name| Step::Unpin(on(name))),
        2 => (device(), kind).prop_map(|(name, kind)| Step::Change(ByHand { kind, device: at(name.to_owned()) })),
        1 => Just(Step::Server(ServerState::Silent)),
        1 => Just(Step::Server(ServerState::Back)),
        6 => (1i64..90).prop_map(|seconds| Step::Wait(SignedDuration::from_secs(seconds))),
    ]
}

fn network() -> impl Strategy<Value = Network> {
    (0.0..0.3f64, 0.0..0.2f64, 0i64..2000).prop_map(|(loss, duplication, jitter)| Network {
        latency: SignedDuration::from_millis(1),
        jitter: SignedDuration::from_millis(jitter),
        loss,
        duplication,
    })
}

/// Drops what can't be done where the devices are, and ends with everything unplugged, the server
/// back and time to settle.
fn possible(steps: Vec<Step>) -> Vec<At<Step>> {
    let mut plugged: BTreeMap<String, String> = BTreeMap::new();
    let mut kept = Vec::new();
    for step in steps {
        let free = |port: &str, plugged: &BTreeMap<String, String>| {
            plugged.values().all(|taken| taken != port)
        };
        let fits = match &step {
            Step::Plug(what) => {
                let there = match (&what.port, &what.behind) {
                    (Some(port), _) => free(&port.value, &plugged),
                    (None, Some(host)) => plugged.contains_key(&host.value),
                    (None, None) => false,
                };
                let port = what.port.as_ref().map_or_else(
                    || format!("behind {}", what.behind.as_ref().unwrap().value),
                    |port| port.value.clone(),
                );
                let fits = there && !plugged.contains_key(&what.device.value);
                if fits {
                    plugged.insert(what.device.value.clone(), port);
                }
                fits
            }
            Step::Move(what) => {
                let port = what.port.as_ref().unwrap().value.clone();
                let fits = plugged.contains_key(&what.device.value) && free(&port, &plugged);
                if fits {
                    plugged.insert(what.device.value.clone(), port);
                }
                fits
            }
            Step::Unplug(what) => plugged.remove(&what.device.value).is_some(),
            Step::PowerCycle(what) => plugged.contains_key(&what.device.value),
            // A change by hand needs a live session, which chance decides on.
            Step::Change(_) => false,
            _ => true,
        };
        if fits {
            kept.push(at(step));
        }
    }
    kept.push(at(Step::Server(ServerState::Back)));
    kept.push(at(Step::Wait(SignedDuration::from_secs(300))));
    for device in plugged.into_keys() {
        kept.push(at(Step::Unplug(OnDevice { device: at(device) })));
    }
    kept.push(at(Step::Wait(SignedDuration::from_secs(900))));
    kept
}

fn run(steps: Vec<At<Step>>, network: Network, seed: u64) -> Outcome {
    let mut drill = (*BASE.drill).clone();
    drill.steps = steps;
    drill.network = network;
    drill::sim::run(
        &Loaded {
            drill: Arc::new(drill),
            bench: Arc::clone(&BASE.bench),
            texts: Arc::clone(&BASE.texts),
        },
        seed,
    )
}

/// The drill came to its end: no step failed, nothing went round in circles.
fn ends(outcome: &Outcome) -> Result<(), TestCaseError> {
    prop_assert!(outcome.passed, "{:?}", outcome.results);
    Ok(())
}

/// No port ever has more devices let in than its limit.
fn limit_holds(outcome: &Outcome) -> Result<(), TestCaseError> {
    let mut admitted: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for seen in &outcome.seen {
        let (Some(port), Some(mac)) = (&seen.port, seen.mac) else {
            continue;
        };
        let there = admitted.entry(port.clone()).or_default();
        match (seen.who, seen.word.as_str()) {
            (Who::Switch, "admitted") => {
                there.insert(mac.to_string());
            }
            (Who::Switch, "session-stopped" | "refused" | "unplugged") => {
                there.remove(&mac.to_string());
            }
            _ => {}
        }
        prop_assert!(there.len() <= LIMIT, "port {port}: {there:?}");
    }
    Ok(())
}

/// Whatever role the switch puts in force with a server's word was granted by a decision before.
fn roles_were_decided(outcome: &Outcome) -> Result<(), TestCaseError> {
    let mut granted: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for seen in &outcome.seen {
        let Some(mac) = seen.mac.map(|mac| mac.to_string()) else {
            continue;
        };
        if seen.kind == Some(Kind::Access)
            && let Some(class) = &seen.class
        {
            granted.entry(mac).or_default().insert(class.clone());
        } else if let Some(role) = seen.admitted.as_ref().and_then(|one| one.role.clone())
            && role != "critical"
        {
            prop_assert!(
                granted.get(&mac).is_some_and(|roles| roles.contains(&role)),
                "{mac} has role {role} that no decision gave"
            );
        }
    }
    Ok(())
}

/// Every session that the bench began is over once everything is unplugged.
fn sessions_are_closed(outcome: &Outcome) -> Result<(), TestCaseError> {
    let mut live = BTreeSet::new();
    for seen in &outcome.seen {
        match seen.session_step {
            Some(SessionStep::Began(id)) => {
                live.insert(id);
            }
            Some(SessionStep::Ended(id)) => {
                live.remove(&id);
            }
            None => {}
        }
    }
    // Accepts that never reached the switch have no session there to stop.
    let started: BTreeSet<u64> = outcome
        .seen
        .iter()
        .filter(|seen| seen.word == "recorded-start")
        .filter_map(|seen| seen.session)
        .collect();
    let open: Vec<_> = live.intersection(&started).collect();
    prop_assert!(open.is_empty(), "sessions {open:?} are still open");
    Ok(())
}

/// No change is under way for a session while another one is.
fn one_change_at_a_time(outcome: &Outcome) -> Result<(), TestCaseError> {
    let mut flying: BTreeMap<u64, u64> = BTreeMap::new();
    for seen in &outcome.seen {
        let (Some(Kind::Change), Some(session), Some(order)) =
            (seen.kind, seen.session, seen.order)
        else {
            continue;
        };
        match seen.word.as_str() {
            "sent" => {
                let other = flying.insert(session, order);
                prop_assert!(
                    other.is_none_or(|other| other == order),
                    "orders {other:?} and {order} of session {session} at once"
                );
            }
            "acked" | "begun" | "gave-up" => {
                flying.remove(&session);
            }
            word if word.starts_with("nak") || word.starts_with("dropped-session") => {
                flying.remove(&session);
            }
            _ => {}
        }
    }
    Ok(())
}

/// A quiet run with three devices on one port, of which the port admits two.
fn sample() -> Outcome {
    let plug = |device: &str, port: Option<&str>, behind: Option<&str>| {
        Step::Plug(Plug {
            device: at(device.to_owned()),
            port: port.map(|port| at(port.to_owned())),
            behind: behind.map(|host| at(host.to_owned())),
        })
    };
    let steps = vec![
        plug("gate", Some("1/3"), None),
        plug("stranger", None, Some("gate")),
        plug("till", None, Some("gate")),
        Step::Wait(SignedDuration::from_secs(60)),
    ];
    run(possible(steps), Network::default(), 1)
}

/// Each check passes on a sound run and fails on one that was tampered with.
#[test]
fn the_checks_can_fail() {
    let sound = sample();
    for check in [
        ends,
        limit_holds,
        roles_were_decided,
        sessions_are_closed,
        one_change_at_a_time,
    ] {
        check(&sound).unwrap();
    }
    assert!(sound.seen.iter().any(|seen| seen.word == "limit-exceeded"));
    let without = |unwanted: fn(&Observation) -> bool| {
        let mut outcome = sound.clone();
        outcome.seen.retain(|seen| !unwanted(seen));
        outcome
    };
    let never_stopped = without(|seen| {
        matches!(
            seen.word.as_str(),
            "recorded-stop" | "ended" | "moved" | "recorded-on"
        )
    });
    assert!(sessions_are_closed(&never_stopped).is_err());
    let undecided = without(|seen| seen.kind == Some(Kind::Access));
    assert!(roles_were_decided(&undecided).is_err());
    let mut crowded = sound.clone();
    let mut third = crowded
        .seen
        .iter()
        .rfind(|seen| seen.word == "admitted")
        .unwrap()
        .clone();
    third.mac = Some("02-00-00-00-00-99".parse().unwrap());
    let at = crowded
        .seen
        .iter()
        .rposition(|seen| seen.word == "admitted")
        .unwrap();
    crowded.seen.insert(at + 1, third);
    assert!(limit_holds(&crowded).is_err());
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, ..ProptestConfig::default() })]

    #[test]
    fn random_drills_keep_what_must_hold(
        steps in prop::collection::vec(step(), 1..25),
        network in network(),
        seed in any::<u64>(),
    ) {
        let outcome = run(possible(steps), network, seed);
        ends(&outcome)?;
        limit_holds(&outcome)?;
        roles_were_decided(&outcome)?;
        sessions_are_closed(&outcome)?;
        one_change_at_a_time(&outcome)?;
    }

    /// On a network that loses nothing every Access-Request is answered.
    #[test]
    fn every_request_is_answered_where_nothing_is_lost(
        steps in prop::collection::vec(step(), 1..20),
        seed in any::<u64>(),
    ) {
        let steps: Vec<Step> = steps
            .into_iter()
            .filter(|step| !matches!(step, Step::Server(_)))
            .collect();
        let outcome = run(possible(steps), Network::default(), seed);
        ends(&outcome)?;
        let count = |word: &str| outcome.seen.iter().filter(|seen| seen.word == word).count();
        let asked = count("asked");
        let answered = outcome
            .seen
            .iter()
            .filter(|seen| seen.kind == Some(Kind::Access))
            .count();
        prop_assert_eq!(asked, answered);
        prop_assert_eq!(count("repeated"), 0);
        prop_assert_eq!(count("server-silent"), 0);
    }
}
