//! The class table.

use std::fmt;
use std::path::Path;
use std::sync::Arc;

use serde::de::{MapAccess, Visitor, value::MapAccessDeserializer};
use serde::{Deserialize, Deserializer};

use super::condition::{ConditionFile, Mentioned};
use super::context::Context;
use super::grant::{GrantFile, GrantPlaces};
use crate::bench::shipped::CLASS_TABLES;
use crate::bench::yaml::{At, Span, raw};
use crate::bench::{ChangeKind, Class, ClassTable};

/// A class table in the bench file itself, or the name of its file.
#[derive(Debug)]
pub(super) enum TableRef {
    Named(String),
    Here(TableFile),
}

/// A class table as written.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub(super) struct TableFile {
    holding: At<String>,
    deny: Option<At<String>>,
    classes: Vec<At<ClassFile>>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
struct ClassFile {
    name: At<String>,
    about: Option<String>,
    recognise: Option<At<ConditionFile>>,
    #[serde(default)]
    grant: GrantFile,
    change: Option<At<ChangeKind>>,
}

impl<'de> Deserialize<'de> for TableRef {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<TableRef, D::Error> {
        struct RefVisitor;

        impl<'de> Visitor<'de> for RefVisitor {
            type Value = TableRef;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(
                    "the path of a class table, the name of one that ships, or a class table",
                )
            }

            fn visit_str<E>(self, name: &str) -> Result<TableRef, E> {
                Ok(TableRef::Named(name.to_owned()))
            }

            fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<TableRef, A::Error> {
                TableFile::deserialize(MapAccessDeserializer::new(map)).map(TableRef::Here)
            }
        }

        raw(deserializer, RefVisitor)
    }
}

/// A class table with what the checks of the whole bench need.
pub(super) struct Table {
    pub(super) table: Arc<ClassTable>,
    /// One for each class, in the same order.
    pub(super) places: Vec<ClassPlaces>,
    pub(super) mentioned: Mentioned,
}

/// Where the parts of a class stand.
pub(super) struct ClassPlaces {
    pub(super) name: Span,
    pub(super) recognise: Option<Span>,
    pub(super) grant: GrantPlaces,
    pub(super) change: Option<Span>,
}

/// How a device is moved where the row does not say it. The gentlest: a bounce can cut power.
const DEFAULT_CHANGE: ChangeKind = ChangeKind::Reauth;

impl Context<'_> {
    /// The class table, as far as it is sound.
    pub(super) fn class_table(&mut self, given: &At<TableRef>, base: &Path) -> Option<Table> {
        match &given.value {
            TableRef::Here(file) => Some(self.table(file)),
            TableRef::Named(name) => {
                let named = At {
                    value: name.clone(),
                    span: given.span,
                };
                let (file, _) = self.open::<TableFile>(&named, base, CLASS_TABLES)?;
                Some(self.table(&file))
            }
        }
    }

    fn table(&mut self, file: &TableFile) -> Table {
        self.check_names("class", file.classes.iter().map(|class| &class.name));
        self.check_special_rows(file);
        let mut mentioned = Mentioned::default();
        let mut classes = Vec::new();
        let mut places = Vec::new();
        for class in &file.classes {
            let (class, at) = self.class(class, &mut mentioned);
            classes.push(Arc::new(class));
            places.push(at);
        }
        let table = ClassTable {
            classes,
            holding: file.holding.value.clone(),
            deny: file.deny.as_ref().map(|deny| deny.value.clone()),
        };
        Table {
            table: Arc::new(table),
            places,
            mentioned,
        }
    }

    /// The rows that the table itself names.
    fn check_special_rows(&mut self, file: &TableFile) {
        let row = |name: &At<String>| file.classes.iter().find(|row| row.name.value == name.value);
        let names = || file.classes.iter().map(|row| row.name.as_str());
        match row(&file.holding) {
            None => self.unknown_name(&file.holding, "is a class", names()),
            Some(holding) => {
                if let Some(recognise) = &holding.recognise {
                    self.error(
                        recognise.span,
                        "the holding class is for what no row fits\n\
                         remove its `recognise`, or hold devices in another class",
                    );
                }
            }
        }
        let Some(deny) = &file.deny else {
            return;
        };
        if row(deny).is_none() {
            self.unknown_name(deny, "is a class", names());
        }
        if deny.value == file.holding.value {
            self.error(
                deny.span,
                "the holding class can't be the deny class: every unknown device would be rejected\n\
                 name another class",
            );
        }
    }

    fn class(&mut self, given: &At<ClassFile>, mentioned: &mut Mentioned) -> (Class, ClassPlaces) {
        let recognise = given.recognise.as_ref();
        let (grant, grant_places) = self.grant(&given.grant);
        let class = Class {
            name: given.name.value.clone(),
            about: given.about.clone(),
            recognise: recognise.and_then(|condition| self.condition(condition, mentioned)),
            grant,
            change: given.change.map_or(DEFAULT_CHANGE, |change| change.value),
            place: self.line_of(given.name.span),
        };
        let places = ClassPlaces {
            name: given.name.span,
            recognise: recognise.map(|condition| condition.span),
            grant: grant_places,
            change: given.change.map(|change| change.span),
        };
        (class, places)
    }
}
