//! Checks that need the whole bench: grants against dialects, rows against rows, names against
//! what is there.

use std::collections::BTreeMap;

use super::accounts::Accounts;
use super::classes::{ClassPlaces, Table};
use super::context::{Context, suggestion};
use super::switches::PlacedSwitch;
use crate::bench::shadow::{Never, rows_that_never_fit};
use crate::bench::spell::{CannotSpell, Unspellable, problems};
use crate::bench::yaml::{Span, nearest};
use crate::bench::{Class, Condition, Switch, TemplateError, Test};

/// The same mistake for many switches is reported once.
type Troubles<'b> = BTreeMap<(Span, String), (String, Vec<&'b PlacedSwitch>)>;

impl Context<'_> {
    /// Checks what no part of the file can tell by itself. `names` are those of all switches,
    /// sound or not.
    pub(super) fn check_whole(
        &mut self,
        switches: &[PlacedSwitch],
        names: &[&str],
        table: &Table,
        accounts: &Accounts,
    ) {
        let rows = || table.table.classes.iter().zip(&table.places);
        let deny = table.table.deny.as_deref();
        let mut troubles = Troubles::new();
        for (class, places) in rows() {
            for placed in switches {
                if deny != Some(class.name.as_str()) {
                    grant_troubles(class, places, placed, &mut troubles);
                }
                change_troubles(class, places, placed, &mut troubles);
            }
        }
        self.report(troubles);
        self.check_rows(table);
        self.check_mentioned(names, table, accounts);
    }

    fn report(&mut self, troubles: Troubles<'_>) {
        for ((span, message), (help, switches)) in troubles {
            let mut diagnostic = self
                .sources
                .error(span, format!("{}: {message}", names_of(&switches)));
            if !help.is_empty() {
                diagnostic = diagnostic.help(help);
            }
            if let Some(first) = switches.first() {
                let place = self.sources.place(first.place);
                diagnostic = diagnostic.related("this switch", place);
            }
            self.add(diagnostic);
        }
    }
}

/// What of the class's grant the switch can't be told.
fn grant_troubles<'b>(
    class: &Class,
    places: &ClassPlaces,
    placed: &'b PlacedSwitch,
    troubles: &mut Troubles<'b>,
) {
    for problem in problems(&class.grant, &placed.switch) {
        let place = places.grant.get(&(problem.field, problem.index));
        let CannotSpell { field, reason, .. } = &problem;
        let message = format!(
            "`{field}` of class `{}` can't be told: {reason}",
            class.name
        );
        let entry = troubles
            .entry((place.copied().unwrap_or(places.name), message))
            .or_insert_with(|| (help_for(reason, &placed.switch), Vec::new()));
        entry.1.push(placed);
    }
}

/// A change that a dialect has no words for falls back; without a fallback nothing can be done.
fn change_troubles<'b>(
    class: &Class,
    places: &ClassPlaces,
    placed: &'b PlacedSwitch,
    troubles: &mut Troubles<'b>,
) {
    let dialect = &placed.switch.dialect;
    let kind = class.change;
    if dialect.changes.contains_key(&kind) || !dialect.fallback.is_empty() {
        return;
    }
    let known: Vec<&str> = dialect.changes.keys().map(|kind| kind.word()).collect();
    let message = format!(
        "change `{kind}` of class `{}` can't be told: dialect `{}` has no spelling for it",
        class.name, dialect.name
    );
    let entry = troubles
        .entry((places.change.unwrap_or(places.name), message))
        .or_insert_with(|| (suggestion(kind.word(), &known), Vec::new()));
    entry.1.push(placed);
}

fn help_for(reason: &Unspellable, switch: &Switch) -> String {
    match reason {
        Unspellable::NoSpelling(_) => {
            "leave it out of the grant, or give the switch another dialect".to_owned()
        }
        Unspellable::Template(TemplateError::Undefined(name)) => {
            let known = switch.variables.keys().map(String::as_str);
            match nearest(name, known) {
                Some(near) => {
                    format!("did you mean `${near}`? or add `{name}: …` under `variables`")
                }
                None => format!("add `{name}: …` under `variables` of the switch"),
            }
        }
        _ => String::new(),
    }
}

impl Context<'_> {
    fn check_rows(&mut self, table: &Table) {
        let rows: Vec<Option<&Condition>> = table
            .table
            .classes
            .iter()
            .map(|class| class.recognise.as_ref())
            .collect();
        for (at, never) in rows_that_never_fit(&rows) {
            let row = table.table.classes.get(at).zip(table.places.get(at));
            let Some((class, places)) = row else {
                continue;
            };
            let span = places.recognise.unwrap_or(places.name);
            let name = &class.name;
            let diagnostic = match never {
                Never::Contradiction => self
                    .sources
                    .warning(
                        span,
                        format!("class `{name}` can never fit: its conditions exclude one another"),
                    )
                    .help("change one of them, or remove the row"),
                Never::Shadowed(earlier) => {
                    let mut diagnostic = self
                        .sources
                        .warning(span, format!("class `{name}` can never fit: what it recognises, an earlier row takes"))
                        .help("the first row that fits wins: move this row up, or remove it");
                    for at in earlier {
                        if let Some(other) = table.places.get(at) {
                            diagnostic =
                                diagnostic.related("taken here", self.sources.place(other.name));
                        }
                    }
                    diagnostic
                }
            };
            self.add(diagnostic);
        }
    }

    fn check_mentioned(&mut self, names: &[&str], table: &Table, accounts: &Accounts) {
        for (span, test) in &table.mentioned.switches {
            for unknown in unknown_in(test, || names.iter().copied()) {
                self.warning(
                    *span,
                    format!(
                        "no switch is named {unknown}\n{}",
                        suggestion(&unknown, names)
                    ),
                );
            }
        }
        let groups: Vec<&str> = accounts.groups().collect();
        if groups.is_empty() {
            return;
        }
        for (span, test) in &table.mentioned.groups {
            for unknown in unknown_in(test, || groups.iter().copied()) {
                if !self.is_lost(&unknown) {
                    self.warning(
                        *span,
                        format!(
                            "no account is in a group {unknown}\n{}",
                            suggestion(&unknown, &groups)
                        ),
                    );
                }
            }
        }
    }
}

/// What a test asks for that nothing there has.
fn unknown_in<'a, I: Iterator<Item = &'a str>>(test: &Test, there: impl Fn() -> I) -> Vec<String> {
    let missing = |text: &&String| !there().any(|name| name == text.as_str());
    match test {
        Test::Exact(text) => [text].into_iter().filter(missing).cloned().collect(),
        Test::OneOf(texts) => texts.iter().filter(missing).cloned().collect(),
        other if there().any(|name| other.passes(name)) => Vec::new(),
        _ => vec!["that passes this".to_owned()],
    }
}

fn names_of(switches: &[&PlacedSwitch]) -> String {
    const FEW: usize = 4;
    let names: Vec<&str> = switches
        .iter()
        .take(FEW)
        .map(|placed| placed.switch.name.as_str())
        .collect();
    let word = if switches.len() == 1 {
        "switch"
    } else {
        "switches"
    };
    match switches.len().saturating_sub(FEW) {
        0 => format!("{word} {}", names.join(", ")),
        more => format!("{word} {} and {more} more", names.join(", ")),
    }
}
