//! JUnit XML: one suite a run, one case an expectation.

use std::io;
use std::path::Path;
use std::time::Duration;

use quick_junit::{NonSuccessKind, Report, TestCase, TestCaseStatus, TestSuite};

use crate::drill::run::Outcome;
use crate::drill::timeline;

/// Writes the outcomes as JUnit XML.
///
/// # Errors
/// When the file can't be written.
pub fn write(path: &Path, outcomes: &[&Outcome]) -> io::Result<()> {
    let text = report(outcomes).to_string().map_err(io::Error::other)?;
    std::fs::write(path, text)
}

fn report(outcomes: &[&Outcome]) -> Report {
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
