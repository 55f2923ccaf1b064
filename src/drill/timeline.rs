//! The timeline that a person reads: when, since plugged, who, where, what and why.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use jiff::Timestamp;

use super::observe::{Observation, Who};
use super::run::Outcome;
use crate::wire::Mac;

/// Lines of a timeline, one after the other; it remembers when each device was plugged.
#[derive(Debug, Clone)]
pub struct Timeline {
    plugged: BTreeMap<Mac, Timestamp>,
    width: usize,
}

impl Timeline {
    /// Lines of at most `width` columns.
    #[must_use]
    pub fn new(width: usize) -> Timeline {
        Timeline {
            plugged: BTreeMap::new(),
            width,
        }
    }

    /// The heading.
    #[must_use]
    pub fn head(&self, drill: &str) -> String {
        format!(
            "drill  {drill}\n{:>9}  {:>9}  {:<6}  {:<4}  {:<10}  what happened, and why\n",
            "seconds", "plugged", "who", "port", "device"
        )
    }

    /// One line.
    pub fn line(
        &mut self,
        started: Timestamp,
        names: &BTreeMap<String, Mac>,
        seen: &Observation,
    ) -> String {
        self.note_plug(seen);
        let since = seen
            .mac
            .and_then(|mac| self.plugged.get(&mac))
            .map(|at| format!("+{:.3}", seconds(*at, seen.at)))
            .unwrap_or_default();
        let who = who(seen.who);
        let line = format!(
            "{:>9.3}  {since:>9}  {who:<6}  {:<4}  {:<10}  {}",
            seconds(started, seen.at),
            seen.port.as_deref().unwrap_or("-"),
            name_of(names, seen.mac),
            what(seen)
        );
        cut(&line, self.width)
    }

    fn note_plug(&mut self, seen: &Observation) {
        if seen.who == Who::Drill
            && matches!(seen.word.as_str(), "plug" | "move")
            && let Some(mac) = seen.mac
        {
            self.plugged.insert(mac, seen.at);
        }
    }
}

/// The whole outcome.
#[must_use]
pub fn render(outcome: &Outcome, width: usize) -> String {
    let mut lines = Timeline::new(width);
    let mut text = lines.head(&outcome.drill);
    for seen in &outcome.seen {
        text.push_str(&lines.line(outcome.started, &outcome.devices, seen));
        text.push('\n');
    }
    text + &results(outcome)
}

/// Each expectation, then the verdict.
#[must_use]
pub fn results(outcome: &Outcome) -> String {
    let mut text = String::from("\n");
    for result in &outcome.results {
        let mark = if result.held { "held" } else { "FAILED" };
        // Writing to a String cannot fail.
        let _ = writeln!(text, "{mark:>7}  {} ({})", result.clause, result.found);
    }
    text + "\n" + &verdict(outcome)
}

/// The verdict, and below a failed one what failed.
#[must_use]
pub fn verdict(outcome: &Outcome) -> String {
    let word = if outcome.passed { "PASS" } else { "FAIL" };
    format!("{word}  {} in {:.1} s\n", outcome.drill, outcome.seconds)
}

/// Who did it, in a word.
pub(super) fn who(who: Who) -> &'static str {
    match who {
        Who::Bench => "bench",
        Who::Switch => "switch",
        Who::Drill => "step",
    }
}

/// What happened and why, one line.
pub(super) fn what(seen: &Observation) -> String {
    match (seen.who, seen.why.as_str()) {
        (Who::Switch, why) if !why.is_empty() => why.to_owned(),
        (_, "") => seen.word.clone(),
        (_, why) => {
            let class = seen
                .class
                .as_ref()
                .map(|class| format!(" [{class}]"))
                .unwrap_or_default();
            format!("{}{class}: {why}", seen.word)
        }
    }
}

/// The device's name in the drill, or its address.
pub(super) fn name_of(names: &BTreeMap<String, Mac>, mac: Option<Mac>) -> String {
    let Some(mac) = mac else {
        return "-".to_owned();
    };
    names
        .iter()
        .find(|(_, device)| **device == mac)
        .map_or_else(|| mac.to_string(), |(name, _)| name.clone())
}

/// Seconds from one moment to another.
pub(super) fn seconds(from: Timestamp, to: Timestamp) -> f64 {
    to.duration_since(from).as_secs_f64()
}

/// The text, cut to so many letters.
pub(super) fn cut(text: &str, width: usize) -> String {
    if text.chars().count() <= width {
        return text.to_owned();
    }
    let mut short: String = text.chars().take(width.saturating_sub(1)).collect();
    short.push('…');
    short
}
