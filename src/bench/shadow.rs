//! Rows of a class table that can never fit.
//!
//! Sound, not complete: a row that is named here never fits, and of the rows that never fit the
//! plain ones are named. Nothing is tried out; conditions are only compared.

use std::cell::Cell;

use super::model::{CertificateField, Condition, MethodName, Test};
use crate::wire::Mac;

/// Why a row can never fit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Never {
    /// No device meets its condition.
    Contradiction,
    /// Whatever it fits, one of these earlier rows fits too, and goes first.
    Shadowed(Vec<usize>),
}

/// The rows that can never fit, by position; a row without a condition is never asked.
#[must_use]
pub fn rows_that_never_fit(rows: &[Option<&Condition>]) -> Vec<(usize, Never)> {
    let comparing = Comparing::default();
    let mut found = Vec::new();
    for (at, row) in rows.iter().enumerate() {
        let Some(condition) = row else {
            continue;
        };
        if comparing.is_empty(condition) {
            found.push((at, Never::Contradiction));
        } else if let Some(earlier) =
            comparing.covered_by(condition, rows.get(..at).unwrap_or_default())
        {
            found.push((at, Never::Shadowed(earlier)));
        }
    }
    found
}

/// One comparison of a table with itself.
struct Comparing {
    /// Steps that are left: nested conditions can be compared in more ways than there is time for.
    steps: Cell<u32>,
}

impl Default for Comparing {
    fn default() -> Comparing {
        Comparing {
            steps: Cell::new(2_000_000),
        }
    }
}

impl Comparing {
    /// Counts a step. Out of steps, nothing more is known, and so nothing more is said.
    fn has_time(&self) -> bool {
        let left = self.steps.get();
        self.steps.set(left.saturating_sub(1));
        left > 0
    }

    /// The earlier rows that take everything from this one.
    fn covered_by(
        &self,
        condition: &Condition,
        earlier: &[Option<&Condition>],
    ) -> Option<Vec<usize>> {
        let one = earlier
            .iter()
            .position(|row| row.is_some_and(|row| self.implies(condition, row)));
        if let Some(at) = one {
            return Some(vec![at]);
        }
        let mut covering = Vec::new();
        for part in alternatives(condition)? {
            covering.extend(self.covered_by(&part, earlier)?);
        }
        covering.sort_unstable();
        covering.dedup();
        Some(covering)
    }

    /// True only if everything that meets `a` meets `b`.
    fn implies(&self, a: &Condition, b: &Condition) -> bool {
        use Condition as C;
        if !self.has_time() {
            return false;
        }
        match (a, b) {
            // What is no single condition comes apart first: `b` into what must hold, `a` into what
            // may hold.
            (_, C::All(parts)) => parts.iter().all(|part| self.implies(a, part)),
            (C::Any(parts), _) => parts.iter().all(|part| self.implies(part, b)),
            (C::MacList(list), _) if list.len() != 1 => {
                list.iter().all(|mac| self.implies(&only(*mac), b))
            }
            (_, C::Any(parts)) if parts.iter().any(|part| self.implies(a, part)) => true,
            (C::All(parts), _) => parts.iter().any(|part| self.implies(part, b)),
            (C::Not(a), C::Not(b)) => self.implies(b, a),
            (_, C::Not(b)) => self.excludes(a, b),
            (C::MacList(list), C::MacMask { value, mask }) => {
                list.iter().all(|mac| is_under(*mac, *value, *mask))
            }
            (C::MacList(list), C::MacList(other)) => list.iter().all(|mac| other.contains(mac)),
            (
                C::MacMask { value, mask },
                C::MacMask {
                    value: wide,
                    mask: wide_mask,
                },
            ) => {
                let counted = wide_mask.to_u64();
                counted & mask.to_u64() == counted && is_under(*value, *wide, *wide_mask)
            }
            (C::MacMask { value, mask }, C::MacList(list)) => {
                mask.0 == [0xff; 6] && list.contains(value)
            }
            (C::Method(some), C::Method(more)) => some.iter().all(|method| more.contains(method)),
            (
                C::AfterMachine { within, group },
                C::AfterMachine {
                    within: longer,
                    group: wide,
                },
            ) => {
                within <= longer
                    && match (group, wide) {
                        (_, None) => true,
                        (Some(group), Some(wide)) => test_implies(group, wide),
                        (None, Some(_)) => false,
                    }
            }
            _ => match (tested(a), tested(b)) {
                (Some((field, test)), Some((other, wide))) => {
                    field == other && test_implies(test, wide)
                }
                _ => false,
            },
        }
    }

    /// True only if nothing meets both.
    fn excludes(&self, a: &Condition, b: &Condition) -> bool {
        use Condition as C;
        if !self.has_time() {
            return false;
        }
        match (a, b) {
            (C::Any(parts), other) | (other, C::Any(parts)) => {
                parts.iter().all(|part| self.excludes(part, other))
            }
            (C::All(parts), other) | (other, C::All(parts)) => {
                parts.iter().any(|part| self.excludes(part, other))
            }
            (C::Not(_), C::Not(_)) => false,
            (C::Not(part), other) | (other, C::Not(part)) => self.implies(other, part),
            (C::MacList(list), other @ (C::MacList(_) | C::MacMask { .. })) => {
                list.iter().all(|mac| !takes(other, *mac))
            }
            (other @ C::MacMask { .. }, C::MacList(list)) => {
                list.iter().all(|mac| !takes(other, *mac))
            }
            (
                C::MacMask { value, mask },
                C::MacMask {
                    value: other,
                    mask: other_mask,
                },
            ) => {
                let both = mask.to_u64() & other_mask.to_u64();
                (value.to_u64() ^ other.to_u64()) & both != 0
            }
            (C::Method(some), C::Method(others)) => {
                !some.iter().any(|method| others.contains(method))
            }
            (C::Method(methods), login) | (login, C::Method(methods)) if needs_login(login) => {
                methods.iter().all(|method| *method == MethodName::Mac)
            }
            _ => match (tested(a), tested(b)) {
                (Some((field, test)), Some((other, with))) => {
                    field == other && field.is_single() && tests_exclude(test, with)
                }
                _ => false,
            },
        }
    }

    /// True only if nothing meets the condition.
    fn is_empty(&self, condition: &Condition) -> bool {
        match condition {
            Condition::All(parts) => {
                let pairs = || {
                    parts.iter().enumerate().flat_map(|(at, part)| {
                        parts.iter().skip(at + 1).map(move |other| (part, other))
                    })
                };
                parts.iter().any(|part| self.is_empty(part))
                    || pairs().any(|(part, other)| self.excludes(part, other))
            }
            Condition::Any(parts) => parts.iter().all(|part| self.is_empty(part)),
            Condition::Not(part) => {
                matches!(part.as_ref(), Condition::All(parts) if parts.is_empty())
            }
            Condition::MacList(list) => list.is_empty(),
            Condition::Method(methods) => methods.is_empty(),
            _ => false,
        }
    }
}

/// A condition that says "or", in its parts.
fn alternatives(condition: &Condition) -> Option<Vec<Condition>> {
    match condition {
        Condition::Any(parts) => Some(parts.clone()),
        Condition::MacList(list) if list.len() > 1 => {
            Some(list.iter().map(|mac| only(*mac)).collect())
        }
        _ => None,
    }
}

fn only(mac: Mac) -> Condition {
    Condition::MacList(vec![mac])
}

fn is_under(mac: Mac, value: Mac, mask: Mac) -> bool {
    (mac.to_u64() ^ value.to_u64()) & mask.to_u64() == 0
}

fn takes(condition: &Condition, mac: Mac) -> bool {
    match condition {
        Condition::MacList(list) => list.contains(&mac),
        Condition::MacMask { value, mask } => is_under(mac, *value, *mask),
        _ => true,
    }
}

/// Conditions that only a login meets: MAC authentication proves nobody.
fn needs_login(condition: &Condition) -> bool {
    matches!(
        condition,
        Condition::Group(_) | Condition::Identity(_) | Condition::Certificate(..)
    )
}

/// What a test is made on.
#[derive(PartialEq)]
enum Field {
    Dhcp(super::model::DhcpField),
    Attribute(super::model::AttributeName),
    Switch,
    Port,
    Group,
    Identity,
    Certificate(CertificateField),
}

impl Field {
    /// Whether there is one value of it at the most, so that two tests meet the same one.
    fn is_single(&self) -> bool {
        !matches!(
            self,
            Field::Attribute(_)
                | Field::Group
                | Field::Certificate(
                    CertificateField::AlternativeName | CertificateField::KeyUsage
                )
        )
    }
}

fn tested(condition: &Condition) -> Option<(Field, &Test)> {
    Some(match condition {
        Condition::Dhcp(field, test) => (Field::Dhcp(*field), test),
        Condition::Attribute(name, test) => (Field::Attribute(*name), test),
        Condition::Switch(test) => (Field::Switch, test),
        Condition::Port(test) => (Field::Port, test),
        Condition::Group(test) => (Field::Group, test),
        Condition::Identity(test) => (Field::Identity, test),
        Condition::Certificate(field, test) => (Field::Certificate(*field), test),
        _ => return None,
    })
}

/// True only if every value that passes `a` passes `b`.
fn test_implies(a: &Test, b: &Test) -> bool {
    match (a, b) {
        (_, Test::Present) => true,
        (Test::Exact(text), _) => b.passes(text),
        (Test::OneOf(texts), _) => texts.iter().all(|text| b.passes(text)),
        (Test::Range(from, to), Test::Range(low, high)) => low <= from && to <= high,
        (Test::Glob(glob), Test::Glob(other)) => glob.glob() == other.glob(),
        (_, Test::Glob(other)) if other.glob().glob() == "*" => true,
        (Test::Regex(regex), Test::Regex(other)) => regex.as_str() == other.as_str(),
        _ => false,
    }
}

/// True only if no value passes both.
fn tests_exclude(a: &Test, b: &Test) -> bool {
    match (a, b) {
        (Test::Exact(text), other) | (other, Test::Exact(text)) => !other.passes(text),
        (Test::OneOf(texts), other) | (other, Test::OneOf(texts)) => {
            !texts.iter().any(|text| other.passes(text))
        }
        (Test::Range(from, to), Test::Range(low, high)) => to < low || high < from,
        _ => false,
    }
}

#[cfg(test)]
mod tests;
