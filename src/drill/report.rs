//! Outcomes for programs: JSON and JUnit XML.

use std::io;
use std::path::Path;
use std::time::Duration;

use quick_junit::{NonSuccessKind, Report, TestCase, TestCaseStatus, TestSuite};

use super::run::Outcome;
use super::timeline;

/// The outcomes as JSON, with everything that was seen.
#[must_use]
pub fn json(outcomes: &[Outcome]) -> String {
    // An outcome holds nothing that JSON can't.
    serde_json::to_string_pretty(outcomes).unwrap_or_default()
}

/// Writes the outcomes as JUnit XML: one suite a drill, one case an expectation.
///
/// # Errors
/// When the file can't be written.
pub fn write_junit(path: &Path, outcomes: &[Outcome]) -> io::Result<()> {
    let text = junit(outcomes).to_string().map_err(io::Error::other)?;
    std::fs::write(path, text)
}

fn junit(outcomes: &[Outcome]) -> Report {
    let mut report = Report::new("portproof drills");
    for outcome in outcomes {
        let mut suite = TestSuite::new(outcome.drill.clone());
        suite.set_time(Duration::from_secs_f64(outcome.seconds.max(0.0)));
        for result in &outcome.results {
            let mut case = TestCase::new(
                result.clause.clone(),
                if result.held {
                    TestCaseStatus::success()
                } else {
                    let mut status = TestCaseStatus::non_success(NonSuccessKind::Failure);
                    status.set_message(result.found.clone());
                    status
                },
            );
            if let Some(after) = result.after {
                case.set_time(Duration::from_secs_f64(after.max(0.0)));
            }
            suite.add_test_case(case);
        }
        if !outcome.passed {
            suite.set_system_out(timeline::render(outcome, usize::MAX));
        }
        report.add_test_suite(suite);
    }
    report
}
