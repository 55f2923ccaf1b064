//! Counters over the journal since the process began, and gauges over the state.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use super::Board;
use crate::journal::{Entry, News};
use crate::store::Totals;

/// Entries by kind and verdict.
#[derive(Debug, Default)]
pub(super) struct Metrics {
    counts: Mutex<Counts>,
}

#[derive(Debug, Default)]
struct Counts {
    entries: BTreeMap<(&'static str, String), u64>,
    breaches: BTreeMap<String, u64>,
    packets: BTreeMap<(&'static str, &'static str), u64>,
}

/// Different verdicts or sections that are counted apart; the rest share one name. The bench has
/// fewer, so this only bounds memory should one ever be made up from what a packet says.
const NAMES: usize = 300;
const OTHER: &str = "other";

/// Counts entries as they come, for as long as the board stands.
pub(super) async fn count(board: Arc<Board>) {
    let mut follower = board.journal.follow(board.journal.last());
    loop {
        match follower.next(1000).await {
            Some(News::Entries(entries)) => {
                let mut counts = board.metrics.counts();
                entries.iter().for_each(|entry| counts.add(entry));
            }
            // A burst beyond memory: the counters fall behind the journal, whose number tells.
            Some(News::Read { to, .. }) => follower.seen(to.saturating_sub(1)),
            Some(News::Anew { last }) => follower.seen(last),
            None => return,
        }
    }
}

impl Metrics {
    fn counts(&self) -> MutexGuard<'_, Counts> {
        self.counts.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The Prometheus text format, version 0.0.4.
    pub(super) fn text(&self, totals: Totals) -> String {
        let mut text = String::new();
        let counts = self.counts();
        family(
            &mut text,
            "portproof_entries_total",
            "counter",
            "Journal entries by kind and verdict.",
        );
        for ((kind, verdict), count) in &counts.entries {
            line(
                &mut text,
                "portproof_entries_total",
                &[("kind", kind), ("verdict", verdict)],
                *count,
            );
        }
        family(
            &mut text,
            "portproof_packets_total",
            "counter",
            "Packets recorded, by link and direction.",
        );
        for ((link, direction), count) in &counts.packets {
            let labels = [("link", *link), ("direction", *direction)];
            line(&mut text, "portproof_packets_total", &labels, *count);
        }
        family(
            &mut text,
            "portproof_breaches_total",
            "counter",
            "Entries in which the other side broke a standard.",
        );
        for (section, count) in &counts.breaches {
            line(
                &mut text,
                "portproof_breaches_total",
                &[("section", section)],
                *count,
            );
        }
        drop(counts);
        for (name, help, value) in [
            (
                "portproof_devices",
                "Devices in the roster.",
                totals.devices,
            ),
            (
                "portproof_live_sessions",
                "Sessions that live.",
                totals.live_sessions,
            ),
            (
                "portproof_first_entry",
                "Number of the oldest entry kept.",
                totals.first_entry,
            ),
            (
                "portproof_last_entry",
                "Number of the newest entry.",
                totals.last_entry,
            ),
        ] {
            family(&mut text, name, "gauge", help);
            line(&mut text, name, &[], value);
        }
        text
    }
}

impl Counts {
    fn add(&mut self, entry: &Entry) {
        let full = self.entries.len() >= NAMES;
        let mut name = (entry.kind.word(), entry.verdict.clone());
        if full && !self.entries.contains_key(&name) {
            name.1 = OTHER.to_owned();
        }
        *self.entries.entry(name).or_default() += 1;
        if let Some(section) = &entry.breach {
            let full = self.breaches.len() >= NAMES && !self.breaches.contains_key(section);
            let name = if full { OTHER } else { section };
            *self.breaches.entry(name.to_owned()).or_default() += 1;
        }
        for packet in &entry.packets {
            let name = (packet.link.word(), packet.direction.word());
            *self.packets.entry(name).or_default() += 1;
        }
    }
}

fn family(text: &mut String, name: &str, kind: &str, help: &str) {
    // Writing to a String does not fail.
    let _ = writeln!(text, "# HELP {name} {help}\n# TYPE {name} {kind}");
}

fn line(text: &mut String, name: &str, labels: &[(&str, &str)], value: u64) {
    let labels: Vec<String> = labels
        .iter()
        .map(|(label, value)| format!("{label}=\"{}\"", escaped(value)))
        .collect();
    let labels = match labels.as_slice() {
        [] => String::new(),
        some => format!("{{{}}}", some.join(",")),
    };
    let _ = writeln!(text, "{name}{labels} {value}");
}

fn escaped(value: &str) -> String {
    value
        .replace('\\', "\\\\")
        .replace('"', "\\\"")
        .replace('\n', "\\n")
}
