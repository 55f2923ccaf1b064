//! Which entries somebody wants to see.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::{Entry, Kind};
use crate::wire::Mac;

/// A filter over entries; everything named must fit, and the empty filter fits all.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Filter {
    /// Name of the switch entry.
    pub switch: Option<String>,
    /// Port as the switch names it.
    pub port: Option<String>,
    /// Device, in any spelling.
    pub mac: Option<Mac>,
    /// Class in force after the entry.
    pub class: Option<String>,
    /// Verdict; a trailing `*` stands for any ending ("dropped-*").
    pub verdict: Option<String>,
    /// Kind.
    pub kind: Option<Kind>,
    /// Session number.
    pub session: Option<u64>,
    /// Not before this time.
    pub since: Option<Timestamp>,
    /// Before this time.
    pub until: Option<Timestamp>,
}

impl Filter {
    /// Whether the entry fits.
    #[must_use]
    pub fn fits(&self, entry: &Entry) -> bool {
        let place = &entry.place;
        same(&self.switch, &place.switch)
            && same(&self.port, &place.port)
            && same(&self.mac, &place.mac)
            && same(&self.class, &place.class)
            && self.verdict_fits(&entry.verdict)
            && self.kind.is_none_or(|kind| entry.kind == kind)
            && same(&self.session, &place.session)
            && self.since.is_none_or(|since| entry.at >= since)
            && self.until.is_none_or(|until| entry.at < until)
    }

    fn verdict_fits(&self, verdict: &str) -> bool {
        match self.verdict_wanted() {
            None => true,
            Some(VerdictWanted::Whole(word)) => word == verdict,
            Some(VerdictWanted::Start(start)) => verdict.starts_with(start),
        }
    }

    /// The wanted verdict, whole or by its start.
    #[must_use]
    pub fn verdict_wanted(&self) -> Option<VerdictWanted<'_>> {
        let wanted = self.verdict.as_deref()?;
        Some(match wanted.strip_suffix('*') {
            Some(start) => VerdictWanted::Start(start),
            None => VerdictWanted::Whole(wanted),
        })
    }
}

/// How a verdict is asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum VerdictWanted<'a> {
    /// The whole word.
    Whole(&'a str),
    /// The start of the word.
    Start(&'a str),
}

/// True when nothing is wanted, or what is wanted is there.
fn same<T: PartialEq>(wanted: &Option<T>, found: &Option<T>) -> bool {
    wanted.is_none() || wanted == found
}

#[cfg(test)]
mod tests {
    use super::super::Place;
    use super::*;

    fn entry() -> Entry {
        Entry {
            seq: 7,
            at: "2026-03-01T10:00:00Z".parse().unwrap(),
            kind: Kind::Dropped,
            verdict: "dropped-unknown-switch".into(),
            reason: "192.0.2.9 is no declared switch".into(),
            place: Place {
                switch: Some("quay-1".into()),
                port: Some("1/0/7".into()),
                mac: Some("02-00-5e-00-00-07".parse().unwrap()),
                class: Some("printer".into()),
                session: Some(3),
                ..Place::default()
            },
            packets: Vec::new(),
            trace: None,
            breach: None,
        }
    }

    fn filter(json: serde_json::Value) -> Filter {
        serde_json::from_value(json).unwrap()
    }

    #[test]
    fn each_field_fits_and_fails_on_its_own() {
        for (fits, fails) in [
            (
                serde_json::json!({"switch": "quay-1"}),
                serde_json::json!({"switch": "quay"}),
            ),
            (
                serde_json::json!({"port": "1/0/7"}),
                serde_json::json!({"port": "1/0/70"}),
            ),
            (
                serde_json::json!({"mac": "02005e000007"}),
                serde_json::json!({"mac": "02005e000008"}),
            ),
            (
                serde_json::json!({"class": "printer"}),
                serde_json::json!({"class": "phone"}),
            ),
            (
                serde_json::json!({"verdict": "dropped-*"}),
                serde_json::json!({"verdict": "dropped-"}),
            ),
            (
                serde_json::json!({"kind": "dropped"}),
                serde_json::json!({"kind": "access"}),
            ),
            (
                serde_json::json!({"session": 3}),
                serde_json::json!({"session": 4}),
            ),
            (
                serde_json::json!({"since": "2026-03-01T10:00:00Z"}),
                serde_json::json!({"since": "2026-03-01T10:00:00.000000001Z"}),
            ),
            (
                serde_json::json!({"until": "2026-03-01T10:00:00.000000001Z"}),
                serde_json::json!({"until": "2026-03-01T10:00:00Z"}),
            ),
        ] {
            assert!(filter(fits.clone()).fits(&entry()), "{fits}");
            assert!(!filter(fails.clone()).fits(&entry()), "{fails}");
        }
        assert!(Filter::default().fits(&entry()));
    }

    #[test]
    fn what_an_entry_does_not_name_never_fits() {
        let bare = Entry {
            place: Place::default(),
            ..entry()
        };
        assert!(!filter(serde_json::json!({"mac": "02005e000007"})).fits(&bare));
    }
}
