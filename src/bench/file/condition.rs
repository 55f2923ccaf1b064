//! `recognise`: how a device is told from others.

use std::fmt;

use serde::de::{MapAccess, SeqAccess, Visitor, value::MapAccessDeserializer};
use serde::{Deserialize, Deserializer};

use super::context::{Context, suggestion};
use super::words;
use crate::bench::yaml::{At, Entries, OneOrMany, Period, Span, raw};
use crate::bench::{AttributeName, CertificateField, Condition, DhcpField, MethodName, Test};
use crate::wire::Mac;
use crate::wire::registry::{DataType, attributes as a, values};

/// A condition; where several keys are given, all of them must hold.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub(super) struct ConditionFile {
    all: Option<At<Vec<At<ConditionFile>>>>,
    any: Option<At<Vec<At<ConditionFile>>>>,
    not: Option<Box<At<ConditionFile>>>,
    mac_prefix: Option<OneOrMany<At<String>>>,
    mac_mask: Option<OneOrMany<At<String>>>,
    mac: Option<OneOrMany<At<String>>>,
    dhcp: Option<Entries<At<DhcpField>, At<TestFile>>>,
    attribute: Option<Entries<At<String>, At<TestFile>>>,
    switch: Option<At<TestFile>>,
    port: Option<At<TestFile>>,
    method: Option<OneOrMany<MethodName>>,
    group: Option<At<TestFile>>,
    identity: Option<At<TestFile>>,
    certificate: Option<Entries<At<CertificateField>, At<TestFile>>>,
    after_machine: Option<AfterMachineFile>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
struct AfterMachineFile {
    within: Period,
    group: Option<At<TestFile>>,
}

/// A test: a text, a list of texts, or a mapping that names the kind of test.
#[derive(Debug)]
enum TestFile {
    Exact(String),
    OneOf(Vec<String>),
    Kind(TestKind),
}

#[derive(Debug, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum TestKind {
    Exact(String),
    OneOf(Vec<String>),
    Glob(String),
    Regex(String),
    Range(String),
    Present(bool),
}

impl<'de> Deserialize<'de> for TestFile {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<TestFile, D::Error> {
        struct TestVisitor;

        impl<'de> Visitor<'de> for TestVisitor {
            type Value = TestFile;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a text, a list of texts, or one of exact, one-of, glob, regex, range and present")
            }

            fn visit_str<E>(self, text: &str) -> Result<TestFile, E> {
                Ok(TestFile::Exact(text.to_owned()))
            }

            fn visit_seq<A: SeqAccess<'de>>(self, mut list: A) -> Result<TestFile, A::Error> {
                let mut texts = Vec::new();
                while let Some(text) = list.next_element()? {
                    texts.push(text);
                }
                Ok(TestFile::OneOf(texts))
            }

            fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<TestFile, A::Error> {
                TestKind::deserialize(MapAccessDeserializer::new(map)).map(TestFile::Kind)
            }
        }

        raw(deserializer, TestVisitor)
    }
}

/// What conditions name that only the whole bench can tell to be there.
#[derive(Debug, Default)]
pub(super) struct Mentioned {
    /// Tests on names of switches.
    pub(super) switches: Vec<(Span, Test)>,
    /// Tests on groups of people and machines.
    pub(super) groups: Vec<(Span, Test)>,
}

impl Context<'_> {
    /// The condition, or `None` when it says nothing that is sound.
    pub(super) fn condition(
        &mut self,
        given: &At<ConditionFile>,
        mentioned: &mut Mentioned,
    ) -> Option<Condition> {
        let before = self.count();
        let parts = self.parts(given, mentioned);
        if parts.is_empty() && self.count() == before {
            self.error(
                given.span,
                "this recognises nothing in particular\nadd a condition, or leave `recognise` out",
            );
        }
        one_or(parts, Condition::All)
    }

    fn parts(&mut self, given: &ConditionFile, mentioned: &mut Mentioned) -> Vec<Condition> {
        let mut parts = Vec::new();
        if let Some(list) = &given.all {
            parts.extend(self.conditions(list, mentioned, Condition::All));
        }
        if let Some(list) = &given.any {
            parts.extend(self.conditions(list, mentioned, Condition::Any));
        }
        if let Some(inner) = &given.not {
            let inner = self.condition(inner, mentioned);
            parts.extend(inner.map(|inner| Condition::Not(Box::new(inner))));
        }
        parts.extend(self.macs(given));
        for (field, test) in given.dhcp.iter().flat_map(|entries| entries.iter()) {
            let test = self.test(test);
            parts.extend(test.map(|test| Condition::Dhcp(field.value, test)));
        }
        for (name, test) in given.attribute.iter().flat_map(|entries| entries.iter()) {
            parts.extend(self.attribute(name, test));
        }
        if let Some(given) = &given.switch {
            let test = self.mention(given, &mut mentioned.switches);
            parts.extend(test.map(Condition::Switch));
        }
        if let Some(given) = &given.port {
            parts.extend(self.test(given).map(Condition::Port));
        }
        if let Some(methods) = &given.method {
            parts.push(Condition::Method(methods.0.clone()));
        }
        if let Some(given) = &given.group {
            let test = self.mention(given, &mut mentioned.groups);
            parts.extend(test.map(Condition::Group));
        }
        if let Some(given) = &given.identity {
            parts.extend(self.test(given).map(Condition::Identity));
        }
        for (field, test) in given.certificate.iter().flat_map(|entries| entries.iter()) {
            let test = self.test(test);
            parts.extend(test.map(|test| Condition::Certificate(field.value, test)));
        }
        if let Some(after) = &given.after_machine {
            let group = after.group.as_ref();
            parts.push(Condition::AfterMachine {
                within: after.within.0,
                group: group.and_then(|given| self.mention(given, &mut mentioned.groups)),
            });
        }
        parts
    }

    fn conditions(
        &mut self,
        list: &At<Vec<At<ConditionFile>>>,
        mentioned: &mut Mentioned,
        join: fn(Vec<Condition>) -> Condition,
    ) -> Option<Condition> {
        if list.is_empty() {
            self.error(
                list.span,
                "an empty list settles nothing\nadd a condition to it",
            );
            return None;
        }
        let inner: Vec<Condition> = list
            .iter()
            .filter_map(|given| self.condition(given, mentioned))
            .collect();
        one_or(inner, join)
    }

    fn macs(&mut self, given: &ConditionFile) -> Vec<Condition> {
        let masks = |parsed: Vec<(Mac, Mac)>| {
            let masks = parsed.into_iter();
            let masks = masks.map(|(value, mask)| Condition::MacMask { value, mask });
            one_or(masks.collect(), Condition::Any)
        };
        let prefixes = self.each(given.mac_prefix.as_ref(), words::mac_prefix);
        let masked = self.each(given.mac_mask.as_ref(), words::mac_mask);
        let list = self.each(given.mac.as_ref(), |text| {
            text.parse::<Mac>()
                .map_err(|error| format!("`{text}` is not a MAC address: {error}"))
        });
        let list = (!list.is_empty()).then_some(Condition::MacList(list));
        [masks(prefixes), masks(masked), list]
            .into_iter()
            .flatten()
            .collect()
    }

    fn each<T>(
        &mut self,
        given: Option<&OneOrMany<At<String>>>,
        parse: fn(&str) -> Result<T, String>,
    ) -> Vec<T> {
        let mut values = Vec::new();
        for text in given.into_iter().flat_map(|given| given.iter()) {
            match parse(text) {
                Ok(value) => values.push(value),
                Err(message) => self.error(text.span, message),
            }
        }
        values
    }

    fn mention(&mut self, given: &At<TestFile>, list: &mut Vec<(Span, Test)>) -> Option<Test> {
        let test = self.test(given)?;
        list.push((given.span, test.clone()));
        Some(test)
    }

    fn test(&mut self, given: &At<TestFile>) -> Option<Test> {
        match parse_test(given) {
            Ok(test) => Some(test),
            Err(message) => {
                self.error(given.span, message);
                None
            }
        }
    }

    fn attribute(&mut self, name: &At<String>, test: &At<TestFile>) -> Option<Condition> {
        let parsed = words::attribute_name(name);
        let test_parsed = self.test(test);
        let name_parsed = match parsed {
            Ok(AttributeName::Standard(kind)) if a::is_secret(kind) => {
                Err("a password can't be tested\nremove it".to_owned())
            }
            other => other,
        };
        let name = match name_parsed {
            Ok(name) => name,
            Err(message) => {
                self.error(name.span, message);
                return None;
            }
        };
        match typed(name, test_parsed?) {
            Ok(test) => Some(Condition::Attribute(name, test)),
            Err(message) => {
                self.error(test.span, message);
                None
            }
        }
    }
}

/// The only one, or all of them joined; `None` for none.
fn one_or(mut parts: Vec<Condition>, join: fn(Vec<Condition>) -> Condition) -> Option<Condition> {
    match parts.len() {
        0 => None,
        1 => parts.pop(),
        _ => Some(join(parts)),
    }
}

fn parse_test(given: &TestFile) -> Result<Test, String> {
    let kind = match given {
        TestFile::Exact(text) => return Ok(Test::Exact(text.clone())),
        TestFile::OneOf(texts) => return one_of(texts),
        TestFile::Kind(kind) => kind,
    };
    match kind {
        TestKind::Exact(text) => Ok(Test::Exact(text.clone())),
        TestKind::OneOf(texts) => one_of(texts),
        TestKind::Glob(pattern) => globset::Glob::new(pattern)
            .map(|glob| Test::Glob(glob.compile_matcher()))
            .map_err(|error| {
                format!(
                    "not a glob: {}\n`*` is any text, `?` any character",
                    error.kind()
                )
            }),
        TestKind::Regex(pattern) => regex::Regex::new(pattern)
            .map(Test::Regex)
            .map_err(|error| {
                let why = error.to_string();
                let why = why.lines().last().unwrap_or_default();
                format!(
                    "not a regular expression: {}",
                    why.trim_start_matches("error: ")
                )
            }),
        TestKind::Range(text) => words::range(text).map(|(from, to)| Test::Range(from, to)),
        TestKind::Present(true) => Ok(Test::Present),
        TestKind::Present(false) => {
            Err("`present` is always true\nwrite `not: …` around it for its absence".to_owned())
        }
    }
}

fn one_of(texts: &[String]) -> Result<Test, String> {
    if texts.is_empty() {
        return Err("nothing is one of an empty list\nadd a text to it".to_owned());
    }
    Ok(Test::OneOf(texts.to_vec()))
}

/// The test in the spelling in which a decision sees the attribute: a named value becomes its
/// number; what no value can equal is refused.
fn typed(name: AttributeName, test: Test) -> Result<Test, String> {
    let AttributeName::Standard(kind) = name else {
        return Ok(test);
    };
    let spell = |text: String| match a::data_type(kind) {
        DataType::Integer | DataType::Enum | DataType::Time => number(kind, &text),
        DataType::Ipv4Addr => match text.parse::<std::net::Ipv4Addr>() {
            Ok(address) => Ok(address.to_string()),
            Err(_) => Err(format!("{name} is an IPv4 address, `{text}` is none")),
        },
        _ => Ok(text),
    };
    match test {
        Test::Exact(text) => spell(text).map(Test::Exact),
        Test::OneOf(texts) => {
            let texts: Result<Vec<String>, String> = texts.into_iter().map(spell).collect();
            texts.map(Test::OneOf)
        }
        other => Ok(other),
    }
}

fn number(kind: u8, text: &str) -> Result<String, String> {
    if let Ok(number) = text.parse::<u32>() {
        return Ok(number.to_string());
    }
    if let Some(number) = values::value_by_name(kind, text) {
        return Ok(number.to_string());
    }
    let names: Vec<&str> = values::values(kind)
        .into_iter()
        .map(|(_, name)| name)
        .collect();
    let name = AttributeName::Standard(kind);
    Err(match names.is_empty() {
        true => {
            format!("{name} is a number, `{text}` is none\nuse `glob` or `regex` for a part of one")
        }
        false => format!("{name} has no value `{text}`\n{}", suggestion(text, &names)),
    })
}
