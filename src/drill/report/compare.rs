//! How two reports differ: what got slower, what changed class, which expectation came out
//! otherwise.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;

use serde::{Deserialize, Serialize};

use super::spread::median;
use crate::drill::landing::Landing;
use crate::drill::run::StepResult;

/// Differences in time below this are not worth a line, seconds.
const NOTABLE: f64 = 0.05;

/// A report as `portproof drill --json` writes it, as far as a comparison reads it.
#[derive(Debug, Clone, Deserialize)]
pub struct Recorded {
    runs: Vec<RecordedRun>,
}

#[derive(Debug, Clone, Deserialize)]
struct RecordedRun {
    drill: String,
    seed: u64,
    passed: bool,
    results: Vec<StepResult>,
    classes: Vec<Landing>,
}

/// What differs.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Comparison {
    /// Whether something that held no longer does.
    pub broken: bool,
    /// Drills of the first report alone.
    pub only_before: Vec<String>,
    /// Drills of the second report alone.
    pub only_after: Vec<String>,
    /// Drills of both, in which something differs.
    pub drills: Vec<DrillDifference>,
}

/// What differs in one drill.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct DrillDifference {
    /// The drill.
    pub drill: String,
    /// Runs that passed.
    pub passed: Change<Share>,
    /// Expectations that came out otherwise.
    pub outcomes: Vec<OutcomeChange>,
    /// What took longer or shorter, the largest loss first.
    pub times: Vec<TimeChange>,
    /// Devices that went through other classes.
    pub classes: Vec<ClassChange>,
}

/// A value in the first report and in the second.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
pub struct Change<T> {
    /// In the first.
    pub before: T,
    /// In the second.
    pub after: T,
}

/// How many of how many.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct Share {
    /// So many held.
    pub held: usize,
    /// Of so many.
    pub of: usize,
}

/// An expectation that came out otherwise.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OutcomeChange {
    /// The expectation.
    pub expectation: String,
    /// Runs in which it held; of none, where it was not reached or not asked.
    #[serde(flatten)]
    pub held: Change<Share>,
    /// Whether it held always and no longer does.
    pub broken: bool,
}

/// Something that took longer or shorter: medians over the runs.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TimeChange {
    /// What.
    pub what: String,
    /// Seconds.
    #[serde(flatten)]
    pub seconds: Change<f64>,
    /// Seconds more; negative for faster.
    pub more: f64,
    /// The same as a share of what it was; none where it took no time.
    pub share: Option<f64>,
}

/// A device that went through other classes.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize)]
pub struct ClassChange {
    /// The device.
    pub device: String,
    /// Its classes in order.
    #[serde(flatten)]
    pub classes: Change<Vec<String>>,
    /// Seed of the first run in which they differ.
    pub seed: u64,
}

/// Compares two reports.
#[must_use]
pub fn compare(before: &Recorded, after: &Recorded) -> Comparison {
    let (before, after) = (by_drill(before), by_drill(after));
    let drills: Vec<DrillDifference> = before
        .iter()
        .filter_map(|(drill, runs)| Some(difference(drill, runs, after.get(drill)?)))
        .filter(DrillDifference::is_any)
        .collect();
    let only = |these: &Drills<'_>, those: &Drills<'_>| {
        let missing = these.keys().filter(|drill| !those.contains_key(*drill));
        missing.map(|drill| (*drill).to_owned()).collect()
    };
    Comparison {
        broken: drills.iter().any(DrillDifference::is_broken),
        only_before: only(&before, &after),
        only_after: only(&after, &before),
        drills,
    }
}

type Drills<'a> = BTreeMap<&'a str, Vec<&'a RecordedRun>>;

fn by_drill(report: &Recorded) -> Drills<'_> {
    let mut drills = Drills::new();
    for run in &report.runs {
        drills.entry(&run.drill).or_default().push(run);
    }
    drills
}

fn difference(drill: &str, before: &[&RecordedRun], after: &[&RecordedRun]) -> DrillDifference {
    DrillDifference {
        drill: drill.to_owned(),
        passed: Change {
            before: passed(before),
            after: passed(after),
        },
        outcomes: outcomes(before, after),
        times: times(before, after),
        classes: classes(before, after),
    }
}

impl DrillDifference {
    fn is_any(&self) -> bool {
        !(self.outcomes.is_empty() && self.times.is_empty() && self.classes.is_empty())
            || self.passed.before != self.passed.after
    }

    fn is_broken(&self) -> bool {
        no_longer(self.passed.before, self.passed.after)
            || self.outcomes.iter().any(|one| one.broken)
    }
}

/// Whether it held in every run and no longer does. What was not reached says nothing of itself.
fn no_longer(before: Share, after: Share) -> bool {
    before.of > 0 && before.held == before.of && after.held < after.of
}

fn passed(runs: &[&RecordedRun]) -> Share {
    Share {
        held: runs.iter().filter(|run| run.passed).count(),
        of: runs.len(),
    }
}

/// An expectation in a drill: its words, and which one of those with the same words.
type Key<'a> = (&'a str, usize);

fn expectations<'a>(runs: &[&'a RecordedRun]) -> BTreeMap<Key<'a>, Vec<&'a StepResult>> {
    let mut found: BTreeMap<Key<'_>, Vec<&StepResult>> = BTreeMap::new();
    for run in runs {
        let mut met: BTreeMap<&str, usize> = BTreeMap::new();
        for result in &run.results {
            let nth = met.entry(&result.clause).or_default();
            found
                .entry((&result.clause, *nth))
                .or_default()
                .push(result);
            *nth += 1;
        }
    }
    found
}

fn outcomes(before: &[&RecordedRun], after: &[&RecordedRun]) -> Vec<OutcomeChange> {
    let (before, after) = (expectations(before), expectations(after));
    let keys: BTreeSet<&Key<'_>> = before.keys().chain(after.keys()).collect();
    let share = |all: &BTreeMap<Key<'_>, Vec<&StepResult>>, key: &Key<'_>| {
        all.get(key).map_or_else(Share::default, |results| Share {
            held: results.iter().filter(|result| result.held).count(),
            of: results.len(),
        })
    };
    let changes = keys.into_iter().filter_map(|key| {
        let held = Change {
            before: share(&before, key),
            after: share(&after, key),
        };
        // More or fewer runs of the same outcome are no change.
        let same = held.before.held * held.after.of == held.after.held * held.before.of
            && (held.before.of == 0) == (held.after.of == 0);
        (!same).then(|| OutcomeChange {
            expectation: named(key),
            held,
            broken: no_longer(held.before, held.after),
        })
    });
    changes.collect()
}

fn named((words, nth): &Key<'_>) -> String {
    match nth {
        0 => (*words).to_owned(),
        nth => format!("{words} (time {})", nth + 1),
    }
}

fn times(before: &[&RecordedRun], after: &[&RecordedRun]) -> Vec<TimeChange> {
    let (before, after) = (medians(before), medians(after));
    let mut changes: Vec<TimeChange> = before
        .into_iter()
        .filter_map(|(what, before)| {
            let after = *after.get(&what)?;
            let more = after - before;
            (more.abs() >= NOTABLE).then(|| TimeChange {
                what,
                seconds: Change { before, after },
                more,
                share: (before > 0.0).then(|| more / before),
            })
        })
        .collect();
    changes.sort_by(|a, b| b.more.total_cmp(&a.more));
    changes
}

/// Median seconds of each expectation that awaited something, and of each device to each class.
fn medians(runs: &[&RecordedRun]) -> BTreeMap<String, f64> {
    let mut seconds: BTreeMap<String, Vec<f64>> = BTreeMap::new();
    for (key, results) in expectations(runs) {
        let after: Vec<f64> = results.iter().filter_map(|result| result.after).collect();
        if !after.is_empty() {
            seconds.insert(named(&key), after);
        }
    }
    for landing in runs.iter().flat_map(|run| &run.classes) {
        let what = format!("{} to class {}", landing.device, landing.class);
        seconds.entry(what).or_default().push(landing.seconds);
    }
    let sorted = |(what, mut all): (String, Vec<f64>)| {
        all.sort_by(f64::total_cmp);
        (what, median(&all))
    };
    seconds.into_iter().map(sorted).collect()
}

/// Runs are paired by seed; of each device the first pair that differs is told.
fn classes(before: &[&RecordedRun], after: &[&RecordedRun]) -> Vec<ClassChange> {
    let mut changes: BTreeMap<&str, ClassChange> = BTreeMap::new();
    for one in before {
        let Some(other) = after.iter().find(|other| other.seed == one.seed) else {
            continue;
        };
        let (was, is) = (ways(one), ways(other));
        for device in was.keys().chain(is.keys()) {
            let classes = Change {
                before: was.get(device).cloned().unwrap_or_default(),
                after: is.get(device).cloned().unwrap_or_default(),
            };
            if classes.before != classes.after {
                changes.entry(device).or_insert_with(|| ClassChange {
                    device: (*device).to_owned(),
                    classes,
                    seed: one.seed,
                });
            }
        }
    }
    changes.into_values().collect()
}

fn ways(run: &RecordedRun) -> BTreeMap<&str, Vec<String>> {
    let mut ways: BTreeMap<&str, Vec<String>> = BTreeMap::new();
    for landing in &run.classes {
        let way = ways.entry(&landing.device).or_default();
        way.push(landing.class.clone());
    }
    ways
}

impl std::fmt::Display for Share {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self.of {
            0 => f.write_str("not judged"),
            of => write!(f, "held in {} of {of}", self.held),
        }
    }
}

/// The comparison for people.
#[must_use]
pub fn render(comparison: &Comparison) -> String {
    let mut text = String::new();
    // Writing to a String cannot fail.
    for drill in &comparison.only_before {
        let _ = writeln!(text, "only in the first report: {drill}");
    }
    for drill in &comparison.only_after {
        let _ = writeln!(text, "only in the second report: {drill}");
    }
    for drill in &comparison.drills {
        text.push_str(&render_drill(drill));
    }
    let verdict = match (comparison.broken, comparison.drills.is_empty()) {
        (true, _) => "BROKEN  something that held no longer does",
        (false, true) => "SAME  nothing differs",
        (false, false) => "CHANGED  what held still does",
    };
    let _ = writeln!(text, "{verdict}");
    text
}

fn render_drill(drill: &DrillDifference) -> String {
    let mut text = format!("drill  {}\n", drill.drill);
    for one in &drill.outcomes {
        let mark = if one.broken { "BROKEN" } else { "outcome" };
        let Change { before, after } = one.held;
        let _ = writeln!(
            text,
            "{mark:>8}  {}: {before}, now {after}",
            one.expectation
        );
    }
    for one in &drill.classes {
        let way = |classes: &[String]| match classes {
            [] => "none".to_owned(),
            some => some.join(", "),
        };
        let (before, after) = (way(&one.classes.before), way(&one.classes.after));
        let (device, seed) = (&one.device, one.seed);
        let _ = writeln!(
            text,
            "{:>8}  {device}: {before}; now {after} (seed {seed})",
            "class"
        );
    }
    for one in &drill.times {
        let mark = if one.more > 0.0 { "slower" } else { "faster" };
        let share = one
            .share
            .map(|share| format!(", {:+.0} %", share * 100.0))
            .unwrap_or_default();
        let Change { before, after } = one.seconds;
        let _ = writeln!(
            text,
            "{mark:>8}  {}: {before:.3} s, now {after:.3} s ({:+.3} s{share})",
            one.what, one.more
        );
    }
    text
}
