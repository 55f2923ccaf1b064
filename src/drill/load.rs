//! Reading a drill file and what it names, with every mistake at its place.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::script::{Clause, Drill, Plug, Step};
use super::words;
use crate::bench::yaml::{self, At, Diagnostic, Sources, nearest};
use crate::bench::{self, Bench};

/// A drill that is ready to run.
#[derive(Debug, Clone)]
pub struct Loaded {
    /// The drill.
    pub drill: Arc<Drill>,
    /// The bench that it runs on.
    pub bench: Arc<Bench>,
    /// The files that both were read from.
    pub texts: Arc<Texts>,
}

/// What a drill was read from, for reports; secrets are masked.
#[derive(Debug, Clone, Default)]
pub struct Texts {
    /// Path of the drill.
    pub drill_file: PathBuf,
    /// Its text.
    pub drill: String,
    /// Path of the bench file.
    pub bench_file: PathBuf,
    /// Its text.
    pub bench: String,
}

/// No drill where one was named.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum FindError {
    /// The path can't be read.
    #[error("{path}: {source}; name a drill file or a folder of them")]
    Unreadable {
        /// The path.
        path: PathBuf,
        /// Why not.
        source: std::io::Error,
    },
    /// A folder without drills.
    #[error("{0}: no *.yaml file in this folder")]
    Empty(PathBuf),
}

/// The drill files that the paths name: files as they are, folders for the `*.yaml` in them, in
/// order of name.
///
/// # Errors
/// When a path can't be read or a folder holds no drill.
pub fn find(paths: &[PathBuf]) -> Result<Vec<PathBuf>, FindError> {
    let mut files = Vec::new();
    for path in paths {
        if !path.is_dir() {
            files.push(path.clone());
            continue;
        }
        let unreadable = |source| FindError::Unreadable {
            path: path.clone(),
            source,
        };
        let mut found = Vec::new();
        for entry in std::fs::read_dir(path).map_err(unreadable)? {
            let file = entry.map_err(unreadable)?.path();
            if file.extension().is_some_and(|end| end == "yaml") {
                found.push(file);
            }
        }
        if found.is_empty() {
            return Err(FindError::Empty(path.clone()));
        }
        found.sort();
        files.extend(found);
    }
    Ok(files)
}

/// Reads a drill, its bench and its class table.
///
/// # Errors
/// Every mistake in any of them.
pub fn load(path: &Path) -> Result<Loaded, Vec<Diagnostic>> {
    let text = read(path)?;
    let (drill, sources): (Drill, Sources) = yaml::read_str(&path.display().to_string(), &text)?;
    let bench_path = path
        .parent()
        .unwrap_or(Path::new("."))
        .join(&drill.bench.value);
    let bench = match bench::load(&bench_path) {
        Ok(loaded) => loaded.bench,
        Err(mut mistakes) => {
            mistakes.insert(
                0,
                sources.error(drill.bench.span, "this bench file has mistakes"),
            );
            return Err(mistakes);
        }
    };
    let mistakes = check(&drill, &bench, &sources);
    if !mistakes.is_empty() {
        return Err(mistakes);
    }
    Ok(Loaded {
        drill: Arc::new(drill),
        bench: Arc::new(bench),
        texts: Arc::new(Texts {
            drill_file: path.to_owned(),
            drill: yaml::masked(&text),
            bench: yaml::masked(&read(&bench_path)?),
            bench_file: bench_path,
        }),
    })
}

fn read(path: &Path) -> Result<String, Vec<Diagnostic>> {
    std::fs::read_to_string(path)
        .map_err(|error| vec![Diagnostic::unreadable(&path.display().to_string(), &error)])
}

fn check(drill: &Drill, bench: &Bench, sources: &Sources) -> Vec<Diagnostic> {
    let mut checker = Checker {
        drill,
        bench,
        sources,
        mistakes: Vec::new(),
    };
    checker.switch();
    checker.network();
    checker.proves_something();
    for step in &drill.steps {
        checker.step(step);
    }
    for clause in &drill.overall {
        checker.overall(clause);
    }
    checker.mistakes
}

struct Checker<'a> {
    drill: &'a Drill,
    bench: &'a Bench,
    sources: &'a Sources,
    mistakes: Vec<Diagnostic>,
}

impl Checker<'_> {
    fn switch(&mut self) {
        let name = &self.drill.switch.name;
        if self.bench.switch(name).is_none() {
            let known = self.bench.switches.iter().map(|s| s.name.as_str());
            let help = suggestion(name, known);
            self.mistakes.push(
                self.sources
                    .error(
                        self.drill.bench.span,
                        format!("this bench has no switch '{name}', which the drill's `switch.name` says"),
                    )
                    .help(help),
            );
        }
    }

    /// A drill that expects nothing would pass whatever happens.
    fn proves_something(&mut self) {
        let expects = self
            .drill
            .steps
            .iter()
            .any(|step| matches!(step.value, Step::Expect(_) | Step::Never(_)));
        if !expects && self.drill.overall.is_empty() {
            self.mistakes.push(
                self.sources
                    .error(
                        self.drill.bench.span,
                        "this drill expects nothing, so it would pass whatever happens",
                    )
                    .help("add an `expect`, a `never` or an `overall` clause"),
            );
        }
    }

    fn network(&mut self) {
        let network = &self.drill.network;
        for (key, share) in [("loss", network.loss), ("duplication", network.duplication)] {
            if !(0.0..=1.0).contains(&share) {
                self.mistakes.push(
                    self.sources
                        .error(
                            self.drill.bench.span,
                            format!("`network.{key}` of this drill is {share}"),
                        )
                        .help("give a share from 0 to 1, such as 0.1"),
                );
            }
        }
    }

    fn step(&mut self, step: &At<Step>) {
        match &step.value {
            Step::Plug(what) | Step::Move(what) => {
                self.device(&what.device);
                self.plugged_where(step, what);
            }
            Step::Unplug(what)
            | Step::PowerCycle(what)
            | Step::LogOff(what)
            | Step::Forget(what)
            | Step::Unpin(what) => self.device(&what.device),
            Step::LogOn(what) => self.device(&what.device),
            Step::Change(what) => self.device(&what.device),
            Step::Pin(what) => {
                self.device(&what.device);
                self.class(&what.class);
            }
            Step::Expect(clause) => {
                self.clause(clause);
                self.limit(step, clause.within.is_some(), "expect", "within: 5s");
                let times = [clause.within, clause.not_before];
                self.not_negative(step, &times.into_iter().flatten().collect::<Vec<_>>());
            }
            Step::Never(clause) => {
                self.clause(clause);
                self.limit(step, clause.lasting.is_some(), "never", "for: 10s");
                self.not_negative(step, clause.lasting.as_slice());
            }
            Step::Wait(time) => self.not_negative(step, &[*time]),
            Step::Server(_) | Step::Fault(_) | Step::FaultsOff => {}
        }
    }

    fn plugged_where(&mut self, step: &At<Step>, what: &Plug) {
        match (&what.port, &what.behind) {
            (Some(port), None) => self.port(port),
            (None, Some(host)) if host.value == what.device.value => self.mistakes.push(
                self.sources
                    .error(host.span, "a device can't be plugged into itself"),
            ),
            (None, Some(host)) => self.device(host),
            _ => self.mistakes.push(
                self.sources
                    .error(step.span, "a device is plugged into one place")
                    .help("give `port: \"7\"` or `behind: phone`, one of the two"),
            ),
        }
    }

    fn overall(&mut self, clause: &At<Clause>) {
        self.clause(clause);
        let counted =
            clause.exactly.is_some() || clause.at_least.is_some() || clause.at_most.is_some();
        self.limit(clause, counted, "overall", "exactly: 1");
    }

    fn limit<T>(&mut self, at: &At<T>, given: bool, what: &str, example: &str) {
        if !given {
            self.mistakes.push(
                self.sources
                    .error(at.span, format!("this `{what}` has no limit"))
                    .help(format!("add one, such as `{example}`")),
            );
        }
    }

    fn not_negative(&mut self, step: &At<Step>, times: &[jiff::SignedDuration]) {
        if times.iter().any(jiff::SignedDuration::is_negative) {
            self.mistakes.push(
                self.sources
                    .error(step.span, "a time of this step is negative")
                    .help("write a number and a unit, such as 5s or 2min"),
            );
        }
    }

    fn clause(&mut self, clause: &Clause) {
        if let Some(device) = &clause.device {
            self.device(device);
        }
        if let Some(class) = &clause.class {
            self.class(class);
        }
        if let Some(port) = &clause.port {
            self.port(port);
        }
        if let Some(event) = &clause.event {
            self.known(event, "event", words::EVENTS.to_vec());
        }
        if let Some(verdict) = &clause.verdict
            && !words::is_verdict(verdict)
        {
            self.known(verdict, "verdict", words::VERDICTS.to_vec());
        }
    }

    fn device(&mut self, name: &At<String>) {
        let known = self.drill.devices.iter().map(|d| d.name.as_str());
        self.known(name, "device", known.collect());
    }

    fn class(&mut self, name: &At<String>) {
        let known = self.bench.table.classes.iter().map(|c| c.name.as_str());
        self.known(name, "class", known.collect());
    }

    fn port(&mut self, name: &At<String>) {
        let ports = self.drill.switch.port_settings();
        self.known(
            name,
            "port",
            ports.iter().map(|port| port.name.as_str()).collect(),
        );
    }

    fn known(&mut self, name: &At<String>, what: &str, known: Vec<&str>) {
        if known.contains(&name.value.as_str()) {
            return;
        }
        let help = suggestion(name, known.into_iter());
        self.mistakes.push(
            self.sources
                .error(name.span, format!("there is no {what} '{}'", name.value))
                .help(help),
        );
    }
}

fn suggestion<'a>(name: &str, known: impl Iterator<Item = &'a str> + Clone) -> String {
    match nearest(name, known.clone()) {
        Some(near) => format!("did you mean '{near}'?"),
        None => format!(
            "there are: {}",
            known.take(12).collect::<Vec<_>>().join(", ")
        ),
    }
}
