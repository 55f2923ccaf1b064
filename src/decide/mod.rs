//! Pure: the facts of one request, the roster entry and the class table give a decision that
//! explains itself.
//!
//! A pin goes first. Then the rows are tried in file order and the first that fits wins: that is
//! how ties are settled. A device that no row fits is held.

mod condition;
pub mod facts;
pub mod trace;
mod value;
mod why;

use std::sync::Arc;

use crate::bench::{Class, ClassTable};

pub use facts::Facts;
pub use trace::{RowTrace, Trace, Verdict};

use condition::fits;
use why::{Line, Silent};

/// What is to be done with a request, and why.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Decision {
    /// Accept, or reject by the deny class.
    pub verdict: Verdict,
    /// Name of the class.
    pub class: String,
    /// The rows that were tried and what each met.
    pub trace: Trace,
}

/// Decides, and says why.
#[must_use]
pub fn decide(facts: &Facts<'_>, table: &ClassTable) -> Decision {
    let mut rows = Vec::new();
    let (class, because) = pinned(facts, table, &mut rows)
        .or_else(|| first_fitting(facts, table, &mut rows))
        .unwrap_or_else(|| held(table, &mut rows));
    let verdict = verdict(&class, table);
    let word = match verdict {
        Verdict::Accept => "",
        Verdict::Reject => ", rejected",
    };
    Decision {
        verdict,
        trace: Trace {
            rows,
            summary: format!("class {class}{word}: {because}"),
        },
        class,
    }
}

/// Decides without the reasons, for where nobody reads them: the same class as [`decide`].
/// `None` is the holding class of a table that does not have its row.
#[must_use]
pub fn pick<'t>(facts: &Facts<'_>, table: &'t ClassTable) -> Option<&'t Arc<Class>> {
    let pin = facts.device.and_then(|device| device.pin.as_ref());
    pin.and_then(|pin| table.class(&pin.class))
        .or_else(|| {
            table.classes.iter().find(|class| {
                let condition = class.recognise.as_ref();
                condition.is_some_and(|condition| fits(condition, facts, &mut Silent))
            })
        })
        .or_else(|| table.class(&table.holding))
}

/// Whether devices of a class are accepted.
#[must_use]
pub fn verdict(class: &str, table: &ClassTable) -> Verdict {
    if table.deny.as_deref() == Some(class) {
        Verdict::Reject
    } else {
        Verdict::Accept
    }
}

fn pinned(
    facts: &Facts<'_>,
    table: &ClassTable,
    rows: &mut Vec<RowTrace>,
) -> Option<(String, String)> {
    let pin = facts.device?.pin.as_ref()?;
    let row = table.class(&pin.class);
    let because = match (row, &pin.note) {
        (None, _) => "pinned by hand, but the class table has no such class".to_owned(),
        (Some(_), None) => "pinned by hand".to_owned(),
        (Some(_), Some(note)) => format!("pinned by hand ({note})"),
    };
    rows.push(RowTrace {
        class: pin.class.clone(),
        place: row.map_or_else(String::new, |row| row.place.clone()),
        fits: row.is_some(),
        because: because.clone(),
    });
    row.map(|row| (row.name.clone(), because))
}

fn first_fitting(
    facts: &Facts<'_>,
    table: &ClassTable,
    rows: &mut Vec<RowTrace>,
) -> Option<(String, String)> {
    for class in &table.classes {
        let Some(condition) = &class.recognise else {
            continue;
        };
        let mut line = Line::default();
        let fits = fits(condition, facts, &mut line);
        rows.push(RowTrace {
            class: class.name.clone(),
            place: class.place.clone(),
            fits,
            because: line.into_text(),
        });
        if fits {
            let because = rows.last().map(|row| row.because.clone());
            return Some((class.name.clone(), because.unwrap_or_default()));
        }
    }
    None
}

fn held(table: &ClassTable, rows: &mut Vec<RowTrace>) -> (String, String) {
    let because = "no row fits".to_owned();
    rows.push(RowTrace {
        class: table.holding.clone(),
        place: table
            .class(&table.holding)
            .map_or_else(String::new, |row| row.place.clone()),
        fits: true,
        because: because.clone(),
    });
    (table.holding.clone(), because)
}

#[cfg(test)]
mod tests;
