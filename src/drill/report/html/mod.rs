//! One HTML file of a drill run: verdicts, drawings, timelines, findings and settings. It loads
//! nothing, so that it can be kept and sent.

mod sequence;
mod spread;

use jiff::Timestamp;
use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::Performed;
use crate::drill::observe::Who;
use crate::drill::run::Outcome;
use crate::drill::timeline;
use crate::findings::Finding;

/// Runs of one drill that are shown with drawing and timeline: the first and the first that failed.
const MOST_SHOWN: usize = 5;

/// The page; `made` is when.
#[must_use]
pub fn page(performed: &[Performed], made: Timestamp) -> String {
    let passed = performed.iter().filter(|one| one.passed()).count();
    let whole = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { "Drills: " (passed) " of " (performed.len()) " passed" }
                style { (PreEscaped(include_str!("style.css"))) }
            }
            body {
                header {
                    h1 { "Drills: " (passed) " of " (performed.len()) " passed" }
                    p.quiet { "portproof " (env!("CARGO_PKG_VERSION")) ", "
                        (made.strftime("%Y-%m-%d %H:%M:%S UTC")) }
                }
                main {
                    @if performed.len() > 1 { (contents(performed)) }
                    @for (at, one) in performed.iter().enumerate() { (drill(at, one)) }
                }
            }
        }
    };
    whole.into_string()
}

fn contents(performed: &[Performed]) -> Markup {
    html! {
        nav aria-label="Drills" {
            table {
                caption { "Drills of this run" }
                thead { tr {
                    th scope="col" { "Verdict" } th scope="col" { "Drill" }
                    th.number scope="col" { "Runs" } th.number scope="col" { "Findings" }
                } }
                tbody { @for (at, one) in performed.iter().enumerate() { tr {
                    td { (verdict(one.passed())) }
                    td { a href={ "#drill-" (at + 1) } { (one.loaded.drill.drill) } }
                    td.number { (one.outcomes.len()) }
                    td.number { (findings_of(one).len()) }
                } } }
            }
        }
    }
}

fn drill(at: usize, performed: &Performed) -> Markup {
    let title = format!("drill-{}", at + 1);
    let spreads = performed.spreads();
    let class = if performed.passed() {
        "drill"
    } else {
        "drill failed"
    };
    html! {
        section class=(class) id=(title) aria-labelledby={ (title) "-title" } {
            h2 id={ (title) "-title" } {
                (verdict(performed.passed())) (performed.loaded.drill.drill)
            }
            @if let Some(about) = &performed.loaded.drill.about { p { (about) } }
            @if performed.outcomes.len() > 1 { (runs(performed)) }
            @if !spreads.is_empty() { (spread::section(&spreads)) }
            @for outcome in shown(performed) { (run(outcome)) }
            (findings(&findings_of(performed)))
            (settings(performed))
        }
    }
}

fn shown(performed: &Performed) -> impl Iterator<Item = &Outcome> {
    performed
        .outcomes
        .iter()
        .enumerate()
        .filter(|(at, outcome)| *at == 0 || !outcome.passed)
        .take(MOST_SHOWN)
        .map(|(_, outcome)| outcome)
}

fn verdict(passed: bool) -> Markup {
    html! {
        @if passed { span.verdict { "PASS" } } @else { span.verdict.broken { "FAIL" } }
    }
}

fn runs(performed: &Performed) -> Markup {
    html! {
        h3 { "Runs" }
        details {
            summary { (performed.outcomes.iter().filter(|run| run.passed).count()) " of "
                (performed.outcomes.len()) " passed; below stand the first run and those that failed" }
            div.scroll { table {
                thead { tr {
                    th.number scope="col" { "Seed" } th scope="col" { "Verdict" }
                    th.number scope="col" { "Seconds" } th scope="col" { "What failed" }
                } }
                tbody { @for run in &performed.outcomes { tr {
                    td.number { (run.seed) }
                    td { (verdict(run.passed)) }
                    td.number { (format!("{:.1}", run.seconds)) }
                    td { @for result in run.results.iter().filter(|result| !result.held) {
                        (result.clause) " (" (result.found) ") "
                    } }
                } } }
            } }
        }
    }
}

fn run(outcome: &Outcome) -> Markup {
    html! {
        h3 { "Run with seed " (outcome.seed) ": " (format!("{:.1} s", outcome.seconds)) }
        div.scroll { table {
            caption { "Expectations" }
            thead { tr {
                th scope="col" { "Outcome" } th scope="col" { "Expectation" }
                th.number scope="col" { "After, s" } th scope="col" { "Found" }
            } }
            tbody { @for result in &outcome.results { tr {
                td { @if result.held { span.held { "held" } } @else { span.broken { "FAILED" } } }
                td { (result.clause) }
                td.number { @if let Some(after) = result.after { (format!("{after:.3}")) } }
                td { (result.found) }
            } } }
        } }
        details open { summary { "Sequence" } div.scroll tabindex="0" role="region" aria-label="Sequence drawing" {
            (sequence::drawing(outcome))
        } }
        details { summary { "Timeline, " (outcome.seen.len()) " lines" } (timeline_table(outcome)) }
    }
}

fn timeline_table(outcome: &Outcome) -> Markup {
    html! {
        div.scroll tabindex="0" role="region" aria-label="Timeline" { table {
            thead { tr {
                th.number scope="col" { "Seconds" } th scope="col" { "Who" }
                th scope="col" { "Port" } th scope="col" { "Device" }
                th scope="col" { "What happened, and why" }
            } }
            tbody { @for seen in &outcome.seen { tr {
                td.number { (format!("{:.3}", timeline::seconds(outcome.started, seen.at))) }
                td { (timeline::who(seen.who)) }
                td { (seen.port.as_deref().unwrap_or("-")) }
                td { (timeline::name_of(&outcome.devices, seen.mac)) }
                td.step[seen.who == Who::Drill] { (timeline::what(seen)) }
            } } }
        } }
    }
}

/// The findings of all runs: the same seed in the same drill finds the same, so one of a kind.
fn findings_of(performed: &Performed) -> Vec<&Finding> {
    let mut kept: Vec<&Finding> = Vec::new();
    for finding in performed.outcomes.iter().flat_map(|run| &run.findings) {
        let known = kept
            .iter()
            .any(|one| one.rule == finding.rule && one.switch == finding.switch);
        if !known {
            kept.push(finding);
        }
    }
    kept.sort_by_key(|finding| std::cmp::Reverse(finding.rule.severity));
    kept
}

fn findings(findings: &[&Finding]) -> Markup {
    html! {
        h3 { "Findings" }
        @if findings.is_empty() {
            p { "None: no rule of a standard was seen to be broken by the switch." }
        } @else {
            div.scroll { table {
                thead { tr {
                    th scope="col" { "Severity" } th scope="col" { "What is wrong" }
                    th scope="col" { "Source" } th scope="col" { "Why it matters, and what to do" }
                } }
                tbody { @for finding in findings { tr {
                    td { (finding.rule.severity.word()) }
                    td { strong { (finding.rule.title) } br;
                        @if let Some(example) = finding.examples.first() { (example.what) } }
                    td { (finding.rule.source) }
                    td { (finding.rule.why) br; (finding.rule.remedy) }
                } } }
            } }
        }
    }
}

fn settings(performed: &Performed) -> Markup {
    let loaded = &performed.loaded;
    let texts = &loaded.texts;
    let classes: Vec<&str> = loaded
        .bench
        .table
        .classes
        .iter()
        .map(|class| class.name.as_str())
        .collect();
    let seeds = match performed.outcomes.as_slice() {
        [first, .., last] => format!("{} to {}", first.seed, last.seed),
        [one] => one.seed.to_string(),
        [] => String::new(),
    };
    html! {
        details {
            summary { "Settings" }
            dl {
                dt { "Bench" } dd { (loaded.bench.name) }
                dt { "Switch" } dd { (loaded.drill.switch.name) }
                dt { "Seeds" } dd { (seeds) }
                dt { "Classes" } dd { (classes.join(", ")) }
            }
            h3 { "Drill " (texts.drill_file.display()) }
            pre tabindex="0" { (texts.drill) }
            h3 { "Bench file " (texts.bench_file.display()) ", secrets masked" }
            pre tabindex="0" { (texts.bench) }
        }
    }
}
