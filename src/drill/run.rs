//! The runner: shown what happened, it says what to do next and how it ended.

use std::collections::BTreeMap;
use std::sync::Arc;

use jiff::{SignedDuration, Timestamp};
use serde::{Deserialize, Serialize};

use super::expect::{self, Counter};
use super::landing::{self, Landing};
use super::load::Loaded;
use super::observe::{Observation, Who};
use super::script::{Clause, Drill, Step};
use crate::findings::{Auditor, BenchFacts, Finding};
use crate::journal::Entry;
use crate::wire::Mac;

/// A drill under way.
pub struct Run {
    drill: Arc<Drill>,
    macs: BTreeMap<String, Mac>,
    started: Timestamp,
    cursor: usize,
    step_started: Timestamp,
    last_deed: Timestamp,
    /// Where in `seen` the last step that did something stands: expectations look from here on.
    mark: usize,
    /// Per device, the last observation that a class expectation took.
    taken: BTreeMap<Mac, usize>,
    seen: Vec<Observation>,
    counters: Vec<Counter>,
    auditor: Auditor,
    seed: u64,
    results: Vec<StepResult>,
    over: bool,
}

/// What the driver has to do next.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Next {
    /// Do this now, then ask again.
    Act(Box<Step>),
    /// Nothing to do before this moment, unless something is observed.
    Wait(Timestamp),
    /// Over.
    Done,
}

/// How one step or one overall clause ended.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct StepResult {
    /// The clause in words.
    pub clause: String,
    /// Whether it held.
    pub held: bool,
    /// Seconds from the last step that did something to the match, where one was awaited.
    pub after: Option<f64>,
    /// What was seen, in words.
    pub found: String,
}

/// How a drill ended.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Outcome {
    /// What was to be proven.
    pub drill: String,
    /// Seed of every random choice.
    pub seed: u64,
    /// Whether everything held.
    pub passed: bool,
    /// When it began.
    pub started: Timestamp,
    /// Seconds it took, by the drill's clock.
    pub seconds: f64,
    /// Each expectation.
    pub results: Vec<StepResult>,
    /// The classes that devices were put into, in order.
    pub classes: Vec<Landing>,
    /// Where the switch broke a standard.
    pub findings: Vec<Finding>,
    /// Everything that was seen, in order.
    pub seen: Vec<Observation>,
    /// Names of the devices.
    pub devices: BTreeMap<String, Mac>,
}

impl Run {
    /// Starts at `now`.
    #[must_use]
    pub fn new(loaded: &Loaded, seed: u64, now: Timestamp) -> Run {
        let drill = Arc::clone(&loaded.drill);
        let macs = drill
            .devices
            .iter()
            .map(|device| (device.name.clone(), device.mac))
            .collect();
        let counters = drill.overall.iter().map(|_| Counter::default()).collect();
        Run {
            drill,
            macs,
            started: now,
            cursor: 0,
            step_started: now,
            last_deed: now,
            mark: 0,
            taken: BTreeMap::new(),
            seen: Vec::new(),
            counters,
            auditor: Auditor::new(BenchFacts::of(&loaded.bench)),
            seed,
            results: Vec::new(),
            over: false,
        }
    }

    /// Shows the runner what happened. Call [`Run::next`] after it.
    pub fn observe(&mut self, observation: Observation) {
        for (clause, counter) in self.drill.overall.iter().zip(&mut self.counters) {
            counter.count(clause, &observation, &self.macs);
        }
        self.seen.push(observation);
    }

    /// Shows the runner a journal entry, and the rules of the findings with it.
    pub fn see(&mut self, entry: &Entry) {
        self.auditor.see(entry);
        self.observe(Observation::of_entry(entry));
    }

    /// The newest observation.
    #[must_use]
    pub fn last_seen(&self) -> Option<&Observation> {
        self.seen.last()
    }

    /// When the drill began.
    #[must_use]
    pub fn started(&self) -> Timestamp {
        self.started
    }

    /// Names of the devices.
    #[must_use]
    pub fn names(&self) -> &BTreeMap<String, Mac> {
        &self.macs
    }

    /// What to do at `now`.
    pub fn next(&mut self, now: Timestamp) -> Next {
        let drill = Arc::clone(&self.drill);
        while !self.over {
            let Some(step) = drill.steps.get(self.cursor) else {
                self.over = true;
                break;
            };
            if step.is_done_by_world() {
                self.note_step(now, step);
                return Next::Act(Box::new(step.value.clone()));
            }
            if let Some(wait) = self.passive(now, step) {
                return Next::Wait(wait);
            }
        }
        Next::Done
    }

    /// Ends a drill that the world could not go on with.
    pub fn abort(&mut self, why: &str) {
        self.results.push(StepResult {
            clause: "the drill runs".to_owned(),
            held: false,
            after: None,
            found: why.to_owned(),
        });
        self.over = true;
    }

    /// The verdict. Call it once [`Run::next`] said [`Next::Done`].
    #[must_use]
    pub fn outcome(mut self, now: Timestamp) -> Outcome {
        for (clause, counter) in self.drill.overall.iter().zip(self.counters) {
            self.results.push(counter.result(clause));
        }
        Outcome {
            drill: self.drill.drill.clone(),
            seed: self.seed,
            passed: self.results.iter().all(|result| result.held),
            started: self.started,
            seconds: now.duration_since(self.started).as_secs_f64(),
            results: self.results,
            classes: landing::of(&self.seen, &self.macs),
            findings: self.auditor.finish(),
            seen: self.seen,
            devices: self.macs,
        }
    }

    fn note_step(&mut self, now: Timestamp, step: &Step) {
        self.mark = self.seen.len();
        self.last_deed = now;
        self.seen.push(self.describe(now, step));
        self.advance(now);
    }

    fn advance(&mut self, now: Timestamp) {
        self.cursor += 1;
        self.step_started = now;
    }

    /// Waits, expects or forbids: `None` when the step is over, else when to look again.
    fn passive(&mut self, now: Timestamp, step: &Step) -> Option<Timestamp> {
        match step {
            Step::Wait(duration) => self.until(now, self.step_started, *duration),
            Step::Expect(clause) => self.expect(now, clause),
            Step::Never(clause) => self.never(now, clause),
            _ => None,
        }
    }

    fn until(
        &mut self,
        now: Timestamp,
        from: Timestamp,
        duration: SignedDuration,
    ) -> Option<Timestamp> {
        let end = from.saturating_add(duration).unwrap_or(Timestamp::MAX);
        if now < end {
            return Some(end);
        }
        self.advance(now);
        None
    }

    fn expect(&mut self, now: Timestamp, clause: &Clause) -> Option<Timestamp> {
        let within = clause.within.unwrap_or_default();
        let end = self
            .last_deed
            .saturating_add(within)
            .unwrap_or(Timestamp::MAX);
        let found = self
            .seen
            .iter()
            .enumerate()
            .skip(self.mark)
            .find(|(index, seen)| {
                seen.at <= end
                    && !self.is_taken(clause, seen, *index)
                    && expect::matches(clause, seen, &self.macs)
            })
            .map(|(index, seen)| (index, seen.at, seen.mac));
        if let Some((index, at, mac)) = found {
            if let (Some(mac), Some(_)) = (mac, &clause.class) {
                self.taken.insert(mac, index);
            }
            self.matched(clause, at);
            self.advance(now);
            return None;
        }
        if now < end {
            return Some(end);
        }
        self.missed(clause);
        None
    }

    /// A class that an earlier expectation took does not serve a later one: "holding, then
    /// printer" is an order.
    fn is_taken(&self, clause: &Clause, seen: &Observation, index: usize) -> bool {
        clause.class.is_some()
            && seen
                .mac
                .and_then(|mac| self.taken.get(&mac))
                .is_some_and(|last| index <= *last)
    }

    fn matched(&mut self, clause: &Clause, at: Timestamp) {
        let after = at.duration_since(self.last_deed);
        let early = clause.not_before.is_some_and(|least| after < least);
        self.results.push(StepResult {
            clause: expect::in_words(clause),
            held: !early,
            after: Some(after.as_secs_f64()),
            found: if early {
                format!("too early, after {:.1} s", after.as_secs_f64())
            } else {
                format!("after {:.1} s", after.as_secs_f64())
            },
        });
        self.over = early;
    }

    fn missed(&mut self, clause: &Clause) {
        let nearest = self
            .seen
            .iter()
            .skip(self.mark)
            .rev()
            .find(|seen| expect::is_about(clause, seen, &self.macs));
        self.results.push(StepResult {
            clause: expect::in_words(clause),
            held: false,
            after: None,
            found: nearest.map_or_else(
                || "nothing was seen of it".to_owned(),
                |seen| {
                    format!(
                        "not seen; the last about it was '{}' after {:.1} s: {}",
                        seen.word,
                        seen.at.duration_since(self.last_deed).as_secs_f64(),
                        seen.why
                    )
                },
            ),
        });
        // What follows builds on this step, so it would only fail for the same reason.
        self.over = true;
    }

    fn never(&mut self, now: Timestamp, clause: &Clause) -> Option<Timestamp> {
        let lasting = clause.lasting.unwrap_or_default();
        let from = self.step_started;
        let broken = self
            .seen
            .iter()
            .skip(self.mark)
            .find(|seen| seen.at >= from && expect::matches(clause, seen, &self.macs))
            .map(|seen| {
                format!(
                    "'{}' after {:.1} s: {}",
                    seen.word,
                    seen.at.duration_since(from).as_secs_f64(),
                    seen.why
                )
            });
        if let Some(found) = broken {
            self.results.push(StepResult {
                clause: format!("never {}", expect::in_words(clause)),
                held: false,
                after: None,
                found,
            });
            self.over = true;
            return None;
        }
        let wait = self.until(now, from, lasting);
        if wait.is_none() {
            self.results.push(StepResult {
                clause: format!("never {}", expect::in_words(clause)),
                held: true,
                after: None,
                found: format!("not seen in {:.0} s", lasting.as_secs_f64()),
            });
        }
        wait
    }

    fn describe(&self, now: Timestamp, step: &Step) -> Observation {
        let (word, device, port) = step.words();
        Observation {
            at: now,
            port,
            mac: device.and_then(|name| self.macs.get(name)).copied(),
            who: Who::Drill,
            word: word.to_owned(),
            why: step.why(),
            class: None,
            kind: None,
            change: None,
            grants_class: false,
            session_step: None,
            session: None,
            order: None,
            admitted: None,
            seq: None,
            packets: Vec::new(),
        }
    }
}
