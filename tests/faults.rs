//! Every fault against the good stand-in in simulated time: the fault acts, is loud in the journal,
//! and the switch does what the section says.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic,
    reason = "a test that goes wrong should stop where it does"
)]

use std::path::Path;

use portproof::drill::{self, Outcome};

/// A gate controller on port 1/3, known by its address, with a fault switched on before it is
/// plugged in.
fn plug_under(fault: &str, then: &str) -> Outcome {
    run(&format!(
        "drill: a fault\nbench: BENCH\nswitch:\n  name: quay-1\n  ports: {{ count: 4, prefix: \"1/\" }}\n\
         \x20 critical: {{ role: critical, vlan: 99 }}\n\
         \x20 dialect: {{ family: enterprise-9 }}\n\
         devices:\n  - {{ name: gate, mac: 02:1a:72:00:00:01 }}\n\
         steps:\n  - fault: {{ {fault} }}\n  - plug: {{ device: gate, port: 1/3 }}\n{then}"
    ))
}

/// A printer that is recognised, with a fault on the change.
fn change_under(fault: &str, then: &str) -> Outcome {
    run(&format!(
        "drill: a fault\nbench: BENCH\nswitch:\n  name: quay-1\n  ports: {{ count: 4, prefix: \"1/\" }}\n\
         \x20 dialect: {{ family: enterprise-9 }}\n\
         devices:\n  - {{ name: printer, mac: 02:1a:70:00:00:01, dhcp: {{ vendor-class: lq-print/3 }} }}\n\
         steps:\n  - fault: {{ {fault}, scope: {{ packet: change }} }}\n  - plug: {{ device: printer, port: 1/3 }}\n{then}"
    ))
}

fn run(text: &str) -> Outcome {
    let folder = tempfile::tempdir().unwrap();
    let bench = std::fs::canonicalize("lab/lantern-quay.yaml").unwrap();
    let path = folder.path().join("fault.yaml");
    std::fs::write(&path, text.replace("BENCH", bench.to_str().unwrap())).unwrap();
    let loaded = drill::load(Path::new(&path))
        .unwrap_or_else(|mistakes| panic!("{}", portproof::bench::yaml::render(&mistakes, false)));
    drill::sim::run(&loaded, 1)
}

fn passes(outcome: &Outcome) {
    assert!(
        outcome.passed,
        "{}",
        drill::timeline::render(outcome, usize::MAX)
    );
}

const ADMITTED: &str =
    "  - expect: { device: gate, event: admitted, role: gate-controller, within: 60s }\n";

#[test]
fn without_a_fault_nothing_is_dropped_or_repeated() {
    let outcome = plug_under("kind: drop, scope: { port: 1/4 }", ADMITTED);
    passes(&outcome);
    assert!(
        outcome
            .seen
            .iter()
            .all(|seen| !matches!(seen.word.as_str(), "repeated" | "reply-dropped"))
    );
}

/// RFC 5080 section 2.2.1: the same request again.
#[test]
fn a_lost_answer_is_asked_for_again() {
    passes(&plug_under(
        "kind: drop, scope: { packet: accept }, times: 1",
        &format!(
            "  - expect: {{ kind: fault, verdict: acted-drop, within: 10s }}\n\
             \x20 - expect: {{ device: gate, event: repeated, within: 15s }}\n{ADMITTED}\
             overall:\n  - {{ kind: repeat, exactly: 1 }}\n  - {{ device: gate, kind: access, exactly: 1 }}\n"
        ),
    ));
}

#[test]
fn a_late_answer_is_taken() {
    passes(&plug_under(
        "kind: { delay: 1s }, scope: { packet: accept }",
        "  - expect: { device: gate, event: admitted, role: gate-controller, not-before: 5500ms, within: 7s }\n",
    ));
}

/// RFC 2865 section 3: an answer that no open request asked for is dropped.
#[test]
fn a_second_answer_is_dropped() {
    passes(&plug_under(
        "kind: duplicate, scope: { packet: accept }",
        &format!("{ADMITTED}  - expect: {{ event: reply-dropped, within: 60s }}\n"),
    ));
}

/// RFC 2865 section 3, RFC 3579 section 3.2: silently discarded, and asked for again.
#[test]
fn an_answer_that_is_not_authentic_is_dropped_and_asked_for_again() {
    for kind in [
        "corrupt",
        "wrong-secret",
        "wrong-authenticator",
        "wrong-message-authenticator",
        "no-message-authenticator",
        "oversized",
    ] {
        let outcome = plug_under(
            &format!("kind: {kind}, scope: {{ packet: accept }}, times: 1"),
            &format!("  - expect: {{ event: reply-dropped, within: 10s }}\n{ADMITTED}"),
        );
        passes(&outcome);
        assert!(
            outcome
                .seen
                .iter()
                .any(|seen| seen.word == format!("acted-{kind}")),
            "{kind} is told"
        );
    }
}

/// RFC 2865 section 5: unknown attributes of an answer are ignored.
#[test]
fn an_unknown_attribute_does_no_harm() {
    passes(&plug_under(
        "kind: unknown-attribute, scope: { packet: accept }",
        ADMITTED,
    ));
}

#[test]
fn another_vlan_is_put_in_force() {
    passes(&plug_under(
        "kind: { wrong-vlan: \"666\" }, scope: { packet: accept }",
        "  - expect: { device: gate, event: admitted, vlan: \"666\", within: 10s }\n",
    ));
}

#[test]
fn a_storm_of_rejects_keeps_the_port_closed() {
    passes(&plug_under(
        "kind: reject, scope: { packet: accept }",
        "  - expect: { device: gate, event: refused, within: 10s }\n  - never: { device: gate, event: admitted, for: 100s }\n",
    ));
}

#[test]
fn a_dead_bench_gives_the_critical_role_and_comes_back() {
    passes(&plug_under(
        "kind: dead",
        "  - expect: { device: gate, event: admitted, role: critical, within: 60s }\n  - faults-off:\n\
         \x20 - expect: { device: gate, event: admitted, role: gate-controller, within: 120s }\n",
    ));
}

/// RFC 5176 section 6.3: a stale change is silently discarded.
#[test]
fn a_stale_change_is_dropped_in_silence() {
    passes(&change_under(
        "kind: stale-timestamp",
        "  - expect: { event: change-dropped, within: 30s }\n  - never: { event: bounced, for: 60s }\n",
    ));
}

/// RFC 5176 section 3: no session that all identification attributes fit.
#[test]
fn a_change_of_a_session_that_is_not_there_is_refused_with_503() {
    passes(&change_under(
        "kind: wrong-session",
        "  - expect: { kind: change, verdict: nak-503, within: 30s }\n",
    ));
}

/// RFC 5176 section 2.3: every attribute of a CoA-Request is mandatory.
#[test]
fn a_change_with_an_unknown_attribute_is_refused_with_401() {
    passes(&change_under(
        "kind: unknown-attribute, times: 1",
        "  - expect: { kind: change, verdict: nak-401, within: 30s }\n",
    ));
}

/// RFC 5080 section 2.2.1, from the other side: the bench sends the change again.
#[test]
fn a_lost_change_is_sent_again() {
    passes(&change_under(
        "kind: drop, times: 1",
        "  - expect: { device: printer, kind: change, verdict: repeated, within: 30s }\n\
         \x20 - expect: { event: bounced, within: 30s }\noverall:\n  - { event: bounced, exactly: 1 }\n",
    ));
}

/// RFC 5176 section 2.3: a repeated change gets the same answer and is done once.
#[test]
fn a_doubled_change_is_done_once() {
    passes(&change_under(
        "kind: duplicate",
        "  - expect: { event: change-repeated, within: 30s }\noverall:\n  - { event: bounced, exactly: 1 }\n",
    ));
}

/// A change that was tampered with is silently discarded (RFC 5176 section 2.3).
#[test]
fn a_change_that_is_not_authentic_is_dropped() {
    for kind in ["corrupt", "wrong-secret", "wrong-authenticator"] {
        passes(&change_under(
            &format!("kind: {kind}, times: 1"),
            "  - expect: { event: change-dropped, within: 30s }\n  - expect: { event: bounced, within: 30s }\n",
        ));
    }
}
