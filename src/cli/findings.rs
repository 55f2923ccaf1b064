//! `portproof findings`: where switches broke a standard, by what the journal holds.

use std::io::Write as _;
use std::path::{Path, PathBuf};

use super::serve::default_state;
use super::source::print_json;
use super::{Ending, Outcome};
use crate::bench;
use crate::findings::{Auditor, BenchFacts, Example, Finding, Severity, sarif};
use crate::journal::Filter;
use crate::store::{EntryQuery, Reader, StoreError};

/// Tell where switches broke a standard, by what the journal holds.
///
/// The state file may be in use. With the bench file the secrets and what depends on them are
/// looked at as well. `docs/reference-findings.md` has every rule.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Only findings that weigh as much as this: note, weakness or breach.
    #[arg(long, value_name = "SEVERITY", default_value = "note")]
    severity: Severity,
    /// Only of this switch entry.
    #[arg(long)]
    switch: Option<String>,
    /// End with exit code 1 when there is a finding.
    #[arg(long)]
    require_none: bool,
    /// One JSON object a line.
    #[arg(long)]
    json: bool,
    /// Write them as SARIF 2.1.0 too; `-` is standard output, in place of the text.
    #[arg(long, value_name = "FILE")]
    sarif: Option<PathBuf>,
    /// The bench file; the state file lies beside it.
    #[arg(
        long,
        env = "PORTPROOF_BENCH",
        value_name = "FILE",
        help_heading = "Which bench"
    )]
    bench: Option<PathBuf>,
    /// The state file, where it is not beside the bench file.
    #[arg(long, value_name = "FILE", help_heading = "Which bench")]
    state: Option<PathBuf>,
}

/// Why there are no findings to show.
#[derive(Debug, thiserror::Error)]
enum Failure {
    #[error("which bench? give --bench FILE or --state FILE")]
    Nothing,
    #[error("there is no state file {}: start the bench with 'portproof serve' first", .0.display())]
    NoState(PathBuf),
    #[error(transparent)]
    Store(#[from] StoreError),
    #[error("{}: {source}", path.display())]
    Write {
        path: PathBuf,
        source: std::io::Error,
    },
    #[error("no entry of the journal is about a switch '{0}': a misspelt name has no findings")]
    NoSwitch(String),
    /// The mistakes were shown already.
    #[error("the bench file has mistakes; --state FILE looks at the journal without it")]
    Bench,
}

impl Ending for Failure {
    fn outcome(&self) -> Outcome {
        match self {
            Failure::Nothing | Failure::Bench | Failure::NoSwitch(_) => Outcome::BadInput,
            _ => Outcome::Refused,
        }
    }
}

/// Entries read at a time.
const PAGE: usize = 2000;

/// Runs it.
#[must_use]
pub fn run(args: &Args) -> Outcome {
    match show(args) {
        Ok(found) if found && args.require_none => Outcome::Failed,
        Ok(_) => Outcome::Done,
        Err(error) => super::told(Err(error)),
    }
}

/// Shows the findings; whether there were any.
fn show(args: &Args) -> Result<bool, Failure> {
    let state = match (&args.state, &args.bench) {
        (Some(state), _) => state.clone(),
        (None, Some(bench)) => default_state(bench),
        (None, None) => return Err(Failure::Nothing),
    };
    if !state.exists() {
        return Err(Failure::NoState(state));
    }
    if let Some(switch) = &args.switch
        && !is_heard_of(&state, switch)?
    {
        return Err(Failure::NoSwitch(switch.clone()));
    }
    let findings: Vec<Finding> = audit(&state, facts(args)?)?
        .into_iter()
        .filter(|finding| finding.rule.severity >= args.severity)
        .filter(|finding| {
            args.switch
                .as_ref()
                .is_none_or(|name| finding.switch == *name)
        })
        .collect();
    let mut to_stdout = false;
    if let Some(path) = &args.sarif {
        to_stdout = path == Path::new("-");
        write_sarif(path, &sarif::log(&findings, &name_of(&state)))?;
    }
    if args.json {
        print_json(&findings);
    } else if !to_stdout {
        print(&findings);
    }
    Ok(!findings.is_empty())
}

fn facts(args: &Args) -> Result<BenchFacts, Failure> {
    let Some(path) = &args.bench else {
        return Ok(BenchFacts::default());
    };
    match bench::load(path) {
        Ok(loaded) => Ok(BenchFacts::of(&loaded.bench)),
        Err(mistakes) => {
            super::complain(&mistakes);
            Err(Failure::Bench)
        }
    }
}

/// Whether the journal has anything about a switch: a gate must not pass on a typing error.
fn is_heard_of(state: &Path, switch: &str) -> Result<bool, StoreError> {
    let page = Reader::look_on(state)?.entries(&EntryQuery {
        filter: Filter {
            switch: Some(switch.to_owned()),
            ..Filter::default()
        },
        limit: 1,
        ..EntryQuery::default()
    })?;
    Ok(!page.items.is_empty())
}

fn audit(state: &Path, facts: BenchFacts) -> Result<Vec<Finding>, StoreError> {
    let reader = Reader::look_on(state)?;
    let mut auditor = Auditor::new(facts);
    let mut query = EntryQuery {
        after: Some(0),
        limit: PAGE,
        packets: true,
        ..EntryQuery::default()
    };
    loop {
        let page = reader.entries(&query)?;
        for entry in &page.items {
            auditor.see(entry);
        }
        query.after = page.items.last().map(|entry| entry.seq);
        if !page.more || query.after.is_none() {
            return Ok(auditor.finish());
        }
    }
}

fn write_sarif(path: &Path, log: &serde_json::Value) -> Result<(), Failure> {
    let text = format!("{log:#}\n");
    let written = if path == Path::new("-") {
        std::io::stdout().write_all(text.as_bytes())
    } else {
        std::fs::write(path, text)
    };
    written.map_err(|source| Failure::Write {
        path: path.to_owned(),
        source,
    })
}

/// The file's name: where it lies is nobody else's business.
fn name_of(path: &Path) -> String {
    path.file_name()
        .map(|name| name.to_string_lossy().into_owned())
        .unwrap_or_default()
}

fn print(findings: &[Finding]) {
    for finding in findings {
        let rule = finding.rule;
        let times = match finding.count {
            1 => "once".to_owned(),
            count => format!("{count} times"),
        };
        super::lines::put(format_args!(
            "{:<8}  {}  {times}\n  {} ({})",
            rule.severity.word(),
            finding.switch,
            rule.title,
            rule.source
        ));
        for example in &finding.examples {
            super::lines::put(format_args!("    {}", line(example)));
        }
        super::lines::put(format_args!(
            "  Why: {}\n  Remedy: {}\n  Rule: {}\n",
            rule.why, rule.remedy, rule.id
        ));
    }
    super::lines::put(tally(findings));
}

fn line(example: &Example) -> String {
    let place = [
        example.port.as_ref().map(|port| format!("port {port}")),
        example.mac.map(|mac| mac.to_string()),
    ];
    let place: Vec<String> = place.into_iter().flatten().collect();
    let packets: Vec<String> = example
        .packets
        .iter()
        .map(|at| format!("{}.{}", at.entry, at.packet))
        .collect();
    let packets = if packets.is_empty() {
        String::new()
    } else {
        format!(" [packet {}]", packets.join(", "))
    };
    format!(
        "{}  {}: {}{packets}",
        super::lines::when(example.at),
        place.join(" "),
        example.what
    )
}

fn tally(findings: &[Finding]) -> String {
    let count = |severity| {
        findings
            .iter()
            .filter(|finding| finding.rule.severity == severity)
            .count()
    };
    format!(
        "{} findings: breach {}, weakness {}, note {}",
        findings.len(),
        count(Severity::Breach),
        count(Severity::Weakness),
        count(Severity::Note)
    )
}
