//! A journal that does not show everything: no finding comes of what nobody saw.

use super::script::{Reply, START, Script};
use crate::bench::ChangeKind;
use crate::findings::{Auditor, BenchFacts, Severity, audit};
use crate::journal::Kind;
use crate::wire::registry::attributes as a;
use crate::wire::{AttributeBuf, Code, Packet, vlan};

fn granting_interims(s: &mut Script) {
    s.admit(&[AttributeBuf::integer(a::ACCT_INTERIM_INTERVAL, 600)]);
}

#[test]
fn a_bench_that_was_away_holds_nothing_owed_against_the_switch() {
    for (kind, verdict) in [(Kind::Desk, "started"), (Kind::Fault, "on")] {
        let mut s = Script::new();
        granting_interims(&mut s);
        s.wait(60.0);
        s.entry(kind, verdict, Vec::new());
        s.wait(5000.0);
        assert!(s.findings().is_empty(), "{kind:?}");
    }
    let mut s = Script::new();
    granting_interims(&mut s);
    s.wait(60.0);
    s.entry(Kind::Desk, "reloaded", Vec::new());
    s.wait(5000.0);
    assert_eq!(s.findings().len(), 1);
}

/// A journal whose first entries are gone may lack the challenge that gave a State.
#[test]
fn a_state_from_before_the_journal_is_nobodys_invention() {
    let mut s = Script::new();
    s.admit(&[]);
    s.wait(60.0);
    let request = s.mac().with(a::STATE, *b"older");
    s.send(&request, Reply::Reject);
    assert_eq!(audit(BenchFacts::default(), s.entries()).len(), 1);
    let mut pruned = s.entries().to_vec();
    for entry in &mut pruned {
        entry.seq += 5000;
    }
    assert!(audit(BenchFacts::default(), &pruned).is_empty());
}

/// Without facts of the bench nothing is said about secrets or seals.
#[test]
fn without_facts_the_rules_about_them_are_silent() {
    let mut s = Script::new();
    s.facts.shared_with.push("quay-4".to_owned());
    s.admit(&[]);
    assert_eq!(s.findings().len(), 1);
    assert!(audit(BenchFacts::default(), s.entries()).is_empty());
}

#[test]
fn findings_can_be_asked_for_at_any_time_and_breaches_come_first() {
    let mut s = Script::new();
    let request = s.mac().without(a::NAS_PORT_TYPE).without(a::USER_PASSWORD);
    s.send(&request, Reply::Reject);
    let mut auditor = Auditor::new(BenchFacts::default());
    assert!(auditor.findings().is_empty());
    auditor.see(&s.entries()[0]);
    let severities: Vec<Severity> = auditor
        .findings()
        .iter()
        .map(|finding| finding.rule.severity)
        .collect();
    assert_eq!(severities, [Severity::Breach, Severity::Weakness]);
}

#[test]
fn looking_away_forgets_what_is_owed_and_nothing_else() {
    let mut s = Script::new();
    granting_interims(&mut s);
    s.change(ChangeKind::Bounce, &[]);
    s.answer_change(false, Some(404), |_| {});
    let mut auditor = Auditor::new(BenchFacts::default());
    for entry in s.entries() {
        auditor.see(entry);
    }
    auditor.look_away();
    s.wait(5000.0);
    s.entry(Kind::Desk, "reloaded", Vec::new());
    auditor.see(s.entries().last().unwrap());
    let ids: Vec<&str> = auditor.finish().iter().map(|found| found.rule.id).collect();
    assert_eq!(ids, ["rfc5176-vague-cause"]);
}

/// A fault spoils an answer after the journal has it: the switch got the spoilt one.
#[test]
fn what_a_fault_made_of_an_accept_counts() {
    let forged = |s: &Script, request: &Packet<'_>| {
        let mut octets = s.reply(request, Code::ACCESS_ACCEPT, &[]);
        octets[19] ^= 1;
        octets
    };
    let ids = after_fault("acted-wrong-authenticator", forged, |s| {
        s.send_report(START);
    });
    assert_eq!(ids, ["rfc2865-took-forged-accept"]);
    // It dropped the forged one and took what the same request got the second time.
    let ids = after_fault("acted-wrong-authenticator", forged, |s| {
        s.repeat_last();
        s.send_report(START);
    });
    assert!(ids.is_empty(), "{ids:?}");
    let moved = |s: &Script, request: &Packet<'_>| {
        s.reply(request, Code::ACCESS_ACCEPT, &vlan::tunnel_vlan(0, "30"))
    };
    let ids = after_fault("acted-wrong-vlan", moved, |s| {
        let report = s.report(START).set(a::TUNNEL_PRIVATE_GROUP_ID, *b"30");
        s.send(&report.without(a::CLASS), Reply::Nothing);
    });
    assert!(ids.is_empty(), "{ids:?}");
    let refused = |s: &Script, request: &Packet<'_>| s.reply(request, Code::ACCESS_REJECT, &[]);
    let ids = after_fault("acted-reject", refused, |s| s.send_report(START));
    assert_eq!(ids, ["rfc2865-admitted-after-reject"]);
}

fn after_fault(
    verdict: &str,
    spoil: impl Fn(&Script, &Packet<'_>) -> Vec<u8>,
    then: impl Fn(&mut Script),
) -> Vec<&'static str> {
    let mut s = Script::new();
    let request = s.mac();
    s.send(&request, Reply::Accept(vlan::tunnel_vlan(0, "20").to_vec()));
    let asked = s.asked();
    let spoilt = spoil(&s, &Packet::parse(&asked).unwrap());
    s.spoilt(verdict, spoilt);
    s.wait(2.0);
    then(&mut s);
    s.findings().iter().map(|found| found.rule.id).collect()
}
